// What the page shows while a series runs: the next place, the last reading, trials, the score.

import { all, at, one } from "../shared/elements.js";
import { capital } from "../shared/http.js";
import { fit } from "./fitting.js";
import * as words from "./words.js";

/** @typedef {Omit<ReadingOut, "bench" | "caliper" | "next"> & { flags?: string[] }} Shown a reading as it is shown */

/** @type {Record<string, string>} */
const MARKS = {
  kept: "kept",
  "no series": "kept",
  "kept beside": "kept",
  complete: "complete",
  "taken back": "taken-back",
  "jaws shut": "taken-back",
  "nothing to take back": "taken-back",
  bounced: "bounced",
  asked: "asked",
  swapped: "swapped",
  refused: "refused",
  waiting: "waiting",
  finished: "complete",
  corrected: "swapped",
  undone: "kept",
  "not sent": "kept",
};
/** @type {Record<string, string>} */
const VERDICT_MARKS = JSON.parse(at("verdict-marks").textContent ?? "{}");
/** @param {string | null} verdict */
export const verdictMark = (verdict) => VERDICT_MARKS[verdict ?? ""] ?? "cannot";
/** @type {Record<string, string>} */
const FLAGS = JSON.parse(at("flags").textContent ?? "{}");

/**
 * @param {HTMLElement} element
 * @param {string} name
 */
function setMark(element, name) {
  one(element, "use", SVGUseElement).setAttribute("href", `#mark-${name}`);
}

/**
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {string | null} [text]
 * @param {string} [className]
 */
function make(tag, text, className) {
  const element = document.createElement(tag);
  if (text != null) element.textContent = text;
  if (className) element.className = className;
  return element;
}

/**
 * Show what is asked about the reading that waits for an answer, and the answers; null: none does.
 * @param {AwaitingOut | null} waits
 */
export function showAwaiting(waits) {
  at("asked").hidden = !waits;
  at("question").textContent = waits?.question ?? "";
  const longAgo = waits?.asked === "long ago";
  // A bounce of it would be counted beside it.
  if (waits) at("restore").hidden = true;
  at("right").textContent = longAgo ? "Go on" : "It is right";
  at("wrong").textContent = longAgo ? "New series" : "Take it back";
}

const MARK = 0.85; // how wide the mark before the verdict is, in the size of the verdict
const UNIT = 0.5; // how wide the unit is beside the number, and its margin, in the size of the number
/** @type {Shown | null} */
let shown = null;

/** The reading shown large, with its outcome; null where none is. */
export const shownReading = () => shown;

/**
 * Show `reading` large, and its outcome.
 * @param {Shown} reading
 * @param {MethodOut | undefined} method
 * @param {Units} units
 */
export function showReading(reading, method, units) {
  shown = reading;
  const value = at("value");
  const outcome = reading.outcome;
  value.className = "value";
  value.dataset.state = outcome;
  const number = words.numberIn(reading);
  value.style.setProperty("--characters", String(number.length));
  value.replaceChildren(make("span", number), make("small", reading.unit));
  value.hidden = false;
  fit(value, number, UNIT);
  const trial = reading.trial ? words.trialName(method, reading.trial) : "";
  const place = method?.places.find((p) => p.key === reading.place)?.label ?? reading.place;
  /** @type {Record<string, string>} */
  const said = {
    kept: place ? `kept: ${place}, ${trial}` : "kept",
    complete: method?.places.length === 2 ? `pair complete: ${trial}` : `complete: ${trial}`,
    "taken back": "taken back",
    "jaws shut": "taken back: the jaws were shut",
    "nothing to take back": "nothing to take back",
    bounced: "ignored: repeat",
    asked: "does not count yet",
    "no series": "kept, but no series is running",
    "kept beside": "kept beside the store",
  };
  showState(outcome, said[outcome] ?? outcome);
  showMore(reading, method, units);
  at("restore").hidden = outcome !== "bounced" || !at("asked").hidden;
  at("restore").dataset.reading = outcome === "bounced" ? reading.id : "";
}

/**
 * @param {Shown} reading
 * @param {MethodOut | undefined} method
 * @param {Units} units
 */
function showMore(reading, method, units) {
  const more = [];
  const trial = reading.trial ? words.trialName(method, reading.trial) : "";
  if (units.length !== reading.unit) more.push(`= ${words.converted(reading.mm, units.length)}.`);
  if (reading.outcome === "taken back" && trial) more.push(`It no longer counts for ${trial}.`);
  if (reading.outcome === "jaws shut") more.push("The reading before it no longer counts.");
  if (reading.outcome === "nothing to take back") more.push("The jaws were shut, and no reading counts yet.");
  if (reading.outcome === "kept beside") more.push("It is stored, in its order, when there is a whole store again.");
  if (reading.outcome === "bounced") more.push("It came a second time at once, as when a button bounces.");
  for (const flag of reading.flags ?? []) more.push(capital(FLAGS[flag] ?? flag) + ".");
  if (reading.sent.trim() !== words.numberIn(reading)) more.push(`As received: ${reading.sent}`);
  at("state-more").textContent = more.join(" ");
}

/**
 * The person chose other units: write the line below the reading again.
 * @param {MethodOut | undefined} method
 * @param {Units} units
 */
export function showUnits(method, units) {
  if (shown) showMore(shown, method, units);
}

/**
 * Show what was pressed or typed here while the server is away.
 * @param {string} text
 */
export function showNotSent(text) {
  showRefusal({ text, reason: "It is paired when the server answers again." });
  at("value").dataset.state = "not sent";
  showState("not sent", "kept here, not sent yet");
}

/**
 * Show that a reading that waits in this browser is taken back.
 * @param {string} text
 */
export function showTakenBackHere(text) {
  showRefusal({ text, reason: "It is sent, and taken back, when the server answers again." });
  at("value").dataset.state = "taken back";
  showState("taken back", "taken back here");
}

/**
 * Show what an instrument sent that is not a reading, as received.
 * @param {Pick<RefusalOut, "text" | "reason">} refusal
 */
export function showRefusal(refusal) {
  shown = null;
  const value = at("value");
  value.className = "value raw";
  value.dataset.state = "refused";
  value.textContent = refusal.text || "(nothing)";
  value.hidden = false;
  showState("refused", "not understood");
  at("state-more").textContent = refusal.reason;
  at("restore").hidden = true;
}

/**
 * @param {string} state
 * @param {string} text
 */
export function showState(state, text) {
  const line = at("state");
  line.dataset.state = state;
  setMark(line, MARKS[state] ?? "kept");
  one(line, "span").textContent = text;
  // Another name starts the flash again, and needs no layout in between.
  line.classList.toggle("flash-again", !line.classList.toggle("flash"));
}

/** @param {MethodOut | undefined} method */
export function showNothingYet(method) {
  shown = null;
  allRows = false;
  const value = at("value");
  value.className = "value";
  value.dataset.state = "waiting";
  value.style.setProperty("--characters", "4");
  value.textContent = "–";
  value.hidden = at("places").hidden = false;
  showState("waiting", "waiting for the first press");
  at("state-more").textContent = method?.closed_jaws ? "With the jaws shut, send takes the last reading back." : "";
  at("restore").hidden = true;
}

/**
 * Say that the two ends of a trial were swapped, or swapped back.
 * @param {TrialOut} trial
 * @param {MethodOut | undefined} method
 */
export function showSwapped(trial, method) {
  const back = trial.flags.includes("ends swapped") ? "" : " back";
  showState("swapped", `ends swapped${back}: ${words.trialName(method, trial.number)}`);
}

/**
 * Show the place that is read next, in words and in the drawing.
 * @param {NextOut | null | undefined} next
 * @param {MethodOut | undefined} method
 * @param {TrialOut | undefined} trial
 * @param {number | null} [planned] how many trials are
 * @param {boolean} [enough] whether there are enough
 */
export function showNext(next, method, trial, planned, enough) {
  const line = at("next");
  line.hidden = !next;
  for (const place of all(at("places"), ".place", SVGElement)) {
    const key = place.dataset.place;
    place.classList.toggle("next", next?.place === key);
    const count = trial?.readings.filter((r) => r.place === key).length ?? 0;
    place.classList.toggle("read", next?.place !== key && count > 0);
  }
  if (!next) return;
  // One that was left out is made up for.
  const of = planned && next.trial <= planned ? ` of ${planned}` : "";
  const often = next.repeats > 1 ? `, reading ${next.repeat + 1} of ${next.repeats}` : "";
  const label = make("b", next.label);
  // Not while one is half read.
  const before = enough && !trial?.readings.length ? "Enough: finish, or " : "Next: ";
  one(line, "span").replaceChildren(make("i", before), label, make("small", words.trialName(method, next.trial) + of + often));
  fit(line, next.label);
}

const MOST_ROWS = 12; // a browser lays a table out from end to end for each row more
let allRows = false; // whether the person asked for all

/**
 * The trials, the newest first: the latest, or all that were asked for.
 * @param {TrialOut[]} trials
 * @param {SeriesHead} series
 * @param {MethodOut | undefined} method
 * @param {Units} units
 */
export function showTrials(trials, series, method, units) {
  const places = method?.places ?? [];
  /** @type {(value: number | null, trial: TrialOut, ways: words.Ways | undefined) => string} */
  const lean = (value, trial, ways) => (value == null ? "–" : words.angle(value, trial.expanded_uncertainty_deg ?? undefined, units, ways));
  /** @type {[string, (trial: TrialOut) => string][]} */
  const columns = [];
  if (trials.some((t) => t.visit > 1)) columns.push(["Visit", (t) => String(t.visit)]);
  if (places.length > 1) columns.push([`Deviation, ${units.deviation}`, (t) => (t.deviation_mm == null ? "–" : words.deviation(t.deviation_mm, units.deviation))]);
  if (method?.reveals.includes("angle")) columns.push(["Angle", (t) => lean(t.angle_deg, t, method.ways.angle)]);
  if (method?.reveals.includes("tilt")) columns.push(["Tilt", (t) => lean(t.tilt_deg, t, method.ways.tilt)]);
  if (method?.reveals.includes("length") && places.length > 1) columns.push(["Mean", (t) => (t.length_mm == null ? "–" : words.converted(t.length_mm, units.length))]);

  const head = ["No.", ...places.map((p) => capital(p.label)), ...columns.map(([title]) => title)];
  /** @param {TrialOut} trial */
  const draw = (trial) => {
    const row = make("tr");
    const first = Object.assign(make("th", String(trial.number)), { scope: "row" });
    row.classList.toggle("out", trial.state === "left out");
    if (trial.state === "left out") first.append(make("span", "left out", "flags"));
    for (const flag of trial.flags) first.append(make("span", FLAGS[flag] ?? flag, "flags"));
    row.append(first);
    for (const place of places) {
      const readings = trial.readings.filter((r) => r.place === place.key);
      row.append(make("td", readings.map((r) => width(r, series, units)).join("; ") || "–"));
    }
    for (const [, show] of columns) row.append(make("td", show(trial)));
    return row;
  };
  const here = trials.filter((t) => t.state !== "gone").sort((a, b) => b.number - a.number);
  const button = at("all-trials");
  button.hidden = here.length <= MOST_ROWS || allRows;
  button.textContent = `Show all ${here.length}`;
  button.onclick = () => {
    allRows = true;
    showTrials(trials, series, method, units);
  };
  putRows(allRows ? here : here.slice(0, MOST_ROWS), head, JSON.stringify([head, series.unit, units]), draw);
  at("swap-ends").hidden = places.length < 2 || Boolean(series.finished_at);
}

/** @type {Map<string, { trial: TrialOut, row: HTMLTableRowElement }>} */
let drawn = new Map(); // the rows of the table, by their trials
let drawnAs = ""; // what they all follow from

/**
 * Put the rows of `trials` into the table, and draw only those that are new or say something else:
 * of a long series all would take longer than a press may.
 * @param {TrialOut[]} trials in the order of their rows
 * @param {string[]} head
 * @param {string} as what every row follows from
 * @param {(trial: TrialOut) => HTMLTableRowElement} draw
 */
function putRows(trials, head, as, draw) {
  const table = at("trials", HTMLTableElement);
  const body = one(table, "tbody", HTMLTableSectionElement);
  if (as !== drawnAs) {
    one(table, "thead tr").replaceChildren(...head.map((title) => Object.assign(make("th", title), { scope: "col" })));
    body.replaceChildren();
    drawn = new Map();
    drawnAs = as;
  }
  const rows = new Map();
  for (const trial of trials) {
    const there = drawn.get(trial.id);
    rows.set(trial.id, there?.trial === trial ? there : { trial, row: draw(trial) });
  }
  for (const [id, { row }] of drawn) if (rows.get(id)?.row !== row) row.remove();
  let following = body.firstElementChild;
  for (const { row } of rows.values()) {
    if (row === following) following = row.nextElementSibling;
    else body.insertBefore(row, following);
  }
  drawn = rows;
}

/**
 * As the caliper sent it; converted only where another unit was chosen.
 * @param {TrialReadingOut} reading
 * @param {SeriesHead} series
 * @param {Units} units
 */
function width(reading, series, units) {
  if (reading.unit === units.length) return words.numberIn(reading) + (reading.unit === series.unit ? "" : ` ${reading.unit}`);
  return units.length === series.unit ? `${words.numberIn(reading)} ${reading.unit}` : words.converted(reading.mm, units.length);
}

/**
 * What a change before a series did, a line for each quantity.
 * @param {HTMLElement} list
 * @param {SinceChangeOut[]} since
 * @param {Units} units
 */
export function showSince(list, since, units) {
  list.replaceChildren(
    ...since.map((each) => {
      const item = make("li", since.length > 1 ? `${capital(each.quantity)}: ` : "");
      const [answer, ...rest] = each.sentence_parts;
      item.append(make("b", answer?.text ?? ""), words.inUnits(rest, units));
      item.dataset.answer = each.answer;
      return item;
    }),
  );
}

/**
 * The score so far: result, uncertainty, verdict.
 * @param {ScoreOut | null} score
 * @param {Units} units
 * @param {string} work what the verdict is for, where it is for a work
 * @param {MethodOut | undefined} method
 * @param {{ planned?: number | null, behind?: boolean }} now how many trials are planned of a series that
 * runs; whether the score is of the trials before the latest change
 */
export function showScore(score, units, work, method, { planned = null, behind = false } = {}) {
  const box = at("result");
  const verdict = at("verdict");
  const main = score && words.mainQuantity(score);
  const quantity = main?.quantity;
  const mean = quantity?.mean ?? null;
  const u = quantity?.expanded_uncertainty ?? undefined;
  box.toggleAttribute("data-behind", behind);
  // A test of a planned number has no verdict before its end: how far it is, is what there is to say.
  const waits = planned && quantity?.rule === "not yet";
  box.dataset.verdict = waits ? "" : (quantity?.verdict ?? "");
  verdict.hidden = !quantity?.verdict;
  if (score && quantity?.verdict) {
    setMark(verdict, waits ? "waiting" : verdictMark(quantity.verdict));
    const said = waits ? `${score.trials} of ${words.counted(method, planned)}` : capital(quantity.verdict);
    const small = [waits && (score.trials < planned ? "verdict at the end" : "finish for the verdict"), work && `for ${work}`].filter(Boolean).join(" ");
    one(verdict, "span").textContent = said;
    one(verdict, "small").textContent = small && ` ${small}`;
    one(verdict, "small").hidden = !small;
    fit(verdict, said, MARK);
  }
  const angle = quantity?.unit === "deg" ? mean : null;
  const lean = one(box, ".lean");
  lean.dataset.lean = angle === null ? "" : words.leans(angle, u) || "none";
  // An angle no larger than its uncertainty is drawn with a dashed line.
  lean.dataset.sure = String(angle !== null && Math.abs(angle) > (u ?? 0));
  at("figure").replaceChildren(...(quantity && mean !== null ? figure(quantity, main.name, mean, units, method) : ["No result yet"]));
  at("figure").classList.toggle("none", mean === null);
  fit(at("figure"), at("figure").querySelector("span")?.textContent ?? "");
  at("sentence").textContent = words.inUnits(quantity?.sentence_parts ?? [], units);
  at("statement").textContent = quantity?.statement ?? "";
  const others = Object.entries(score?.quantities ?? {}).filter(([name, q]) => name !== main?.name && q.sentence);
  at("more-figures").replaceChildren(...others.map(([name, q]) => make("p", `${capital(name)}: ${words.inUnits(q.sentence_parts, units)}`)));
  at("score-notes").replaceChildren(...(score?.notes ?? []).map((note) => make("li", note)));
}

/**
 * @param {QuantityOut} quantity
 * @param {string} name of the quantity
 * @param {number} mean
 * @param {Units} units
 * @param {MethodOut | undefined} method
 */
export function figure(quantity, name, mean, units, method) {
  const u = quantity.expanded_uncertainty ?? undefined;
  const angular = quantity.unit === "deg";
  const ways = angular ? method?.ways[name] : undefined;
  const size = !angular ? words.length(mean, units.length, u) : ways ? words.angleSize(mean, u, units) : words.angle(mean, u, units);
  /** @type {(HTMLElement | string)[]} */
  const shown = [make("span", size)];
  const way = ways && words.wayOf(mean, u, ways);
  // The drawing beside it says it larger.
  if (way) shown.push(" ", make("span", Math.abs(mean) > (u ?? 0) ? way : `${way}, if at all`, "way"));
  const count = words.counted(method, quantity.trials);
  if (u == null) return [...shown, make("small", count)];
  const sure = angular ? words.angleSize(u, u, units) : words.length(u, units.length, u);
  return [...shown, make("small", `± ${sure} (95 %, ${count})`)];
}
