// What the page shows while a series runs: the next place, the last reading, trials, the score.

import { all, at, one } from "../shared/elements.js";
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
  swapped: "swapped",
  refused: "refused",
  waiting: "waiting",
  finished: "complete",
};
/** @type {Record<string, string>} */
const VERDICT_MARKS = JSON.parse(at("verdict-marks").textContent ?? "{}");
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
    "no series": "kept, but no series is running",
    "kept beside": "kept beside the store",
  };
  showState(outcome, said[outcome] ?? outcome);
  showMore(reading, method, units);
  at("restore").hidden = outcome !== "bounced";
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

/** @param {string} text */
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

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
  line.classList.remove("flash");
  void line.offsetWidth; // starts the flash again
  line.classList.add("flash");
}

/** @param {MethodOut | undefined} method */
export function showNothingYet(method) {
  shown = null;
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

/** Say that the series is finished. */
export function showFinished() {
  showNothingYet(undefined);
  at("value").hidden = at("places").hidden = true;
  showState("finished", "the series is finished");
}

/**
 * Show the place that is read next, in words and in the drawing.
 * @param {NextOut | null | undefined} next
 * @param {MethodOut | undefined} method
 * @param {TrialOut | undefined} trial
 */
export function showNext(next, method, trial) {
  const line = at("next");
  line.hidden = !next;
  for (const place of all(at("places"), ".place", SVGElement)) {
    const key = place.dataset.place;
    place.classList.toggle("next", next?.place === key);
    const count = trial?.readings.filter((r) => r.place === key).length ?? 0;
    place.classList.toggle("read", next?.place !== key && count > 0);
  }
  if (!next) return;
  const often = next.repeats > 1 ? `, reading ${next.repeat + 1} of ${next.repeats}` : "";
  one(line, "span").replaceChildren(
    `Next: ${next.label}`,
    make("small", words.trialName(method, next.trial) + often),
  );
}

/**
 * All trials, the newest first.
 * @param {TrialOut[]} trials
 * @param {SeriesHead} series
 * @param {MethodOut | undefined} method
 * @param {Units} units
 */
export function showTrials(trials, series, method, units) {
  const places = method?.places ?? [];
  /** @type {(value: number | null, trial: TrialOut) => string} */
  const lean = (value, trial) => (value == null ? "–" : words.angle(value, trial.expanded_uncertainty_deg ?? undefined, units));
  /** @type {[string, (trial: TrialOut) => string][]} */
  const columns = [];
  if (places.length > 1) columns.push([`Deviation, ${units.deviation}`, (t) => (t.deviation_mm == null ? "–" : words.deviation(t.deviation_mm, units.deviation))]);
  if (method?.reveals.includes("angle")) columns.push(["Angle", (t) => lean(t.angle_deg, t)]);
  if (method?.reveals.includes("tilt")) columns.push(["Tilt", (t) => lean(t.tilt_deg, t)]);
  if (method?.reveals.includes("length") && places.length > 1) columns.push(["Mean", (t) => (t.length_mm == null ? "–" : words.converted(t.length_mm, units.length))]);

  const table = at("trials", HTMLTableElement);
  const head = ["No.", ...places.map((p) => capital(p.label)), ...columns.map(([title]) => title)];
  one(table, "thead tr").replaceChildren(...head.map((title) => Object.assign(make("th", title), { scope: "col" })));
  const rows = trials
    .filter((t) => t.state !== "gone")
    .sort((a, b) => b.number - a.number)
    .map((trial) => {
      const row = make("tr");
      const first = Object.assign(make("th", String(trial.number)), { scope: "row" });
      for (const flag of trial.flags) first.append(make("span", FLAGS[flag] ?? flag, "flags"));
      row.append(first);
      for (const place of places) {
        const readings = trial.readings.filter((r) => r.place === place.key);
        row.append(make("td", readings.map((r) => width(r, series, units)).join("; ") || "–"));
      }
      for (const [, show] of columns) row.append(make("td", show(trial)));
      return row;
    });
  one(table, "tbody").replaceChildren(...rows);
  at("swap-ends").hidden = places.length < 2 || Boolean(series.finished_at);
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
 * The score so far: result, uncertainty, verdict.
 * @param {ScoreOut | null} score
 * @param {Units} units
 */
export function showScore(score, units) {
  const box = at("result");
  const verdict = at("verdict");
  const main = score && words.mainQuantity(score);
  const quantity = main?.quantity;
  const mean = quantity?.mean ?? null;
  const u = quantity?.expanded_uncertainty ?? undefined;
  box.dataset.verdict = quantity?.verdict ?? "";
  verdict.hidden = !quantity?.verdict;
  if (quantity?.verdict) {
    setMark(verdict, VERDICT_MARKS[quantity.verdict] ?? "cannot");
    one(verdict, "span").textContent = capital(quantity.verdict);
  }
  const angle = quantity?.unit === "deg" ? mean : null;
  const lean = one(box, ".lean");
  lean.dataset.lean = angle === null ? "" : words.leans(angle, u) || "none";
  // An angle no larger than its uncertainty is drawn with a dashed line.
  lean.dataset.sure = String(angle !== null && Math.abs(angle) > (u ?? 0));
  at("figure").replaceChildren(...(quantity && mean !== null ? figure(quantity, mean, units) : ["No result yet"]));
  at("sentence").textContent = words.inUnits(quantity?.sentence_parts ?? [], units);
  at("statement").textContent = quantity?.statement ?? "";
  const others = Object.entries(score?.quantities ?? {}).filter(([name, q]) => name !== main?.name && q.sentence);
  at("more-figures").replaceChildren(...others.map(([name, q]) => make("p", `${capital(name)}: ${words.inUnits(q.sentence_parts, units)}`)));
  at("score-notes").replaceChildren(...(score?.notes ?? []).map((note) => make("li", note)));
}

/**
 * @param {QuantityOut} quantity
 * @param {number} mean of the quantity
 * @param {Units} units
 */
function figure(quantity, mean, units) {
  const u = quantity.expanded_uncertainty ?? undefined;
  const angular = quantity.unit === "deg";
  const shown = angular ? words.angle(mean, u, units) : words.length(mean, units.length, u);
  const count = `${quantity.trials} ${quantity.trials === 1 ? "trial" : "trials"}`;
  if (u == null) return [shown, make("small", count)];
  const sure = angular ? words.angleSize(u, u, units) : words.length(u, units.length, u);
  return [shown, make("small", `± ${sure} (95 %, ${count})`)];
}
