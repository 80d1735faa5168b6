// What is seen while a series runs: the next place, the last reading, trials, the score.

import { MM_PER_INCH } from "../shared/measures.js";
import * as words from "./words.js";

const at = (id) => document.getElementById(id);
const MARKS = {
  kept: "kept",
  "no series": "kept",
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
const VERDICT_MARKS = { "good enough": "good", "needs adjusting": "adjust", "cannot tell yet": "cannot" };
const FLAGS = JSON.parse(document.getElementById("flags").textContent);

function setMark(element, name) {
  element.querySelector("use").setAttribute("href", `#mark-${name}`);
}

function make(tag, text, className) {
  const element = document.createElement(tag);
  if (text != null) element.textContent = text;
  if (className) element.className = className;
  return element;
}

/** The number in a reading's text as sent, digits untouched. */
export function numberIn(reading) {
  const wanted = Number(reading.mm);
  for (const [found] of String(reading.sent).matchAll(/[+−-]?\s*(\d+([.,]\d*)?|[.,]\d+)/g)) {
    const value = Number(found.replace(/\s/g, "").replace("−", "-").replace(",", "."));
    if (Math.abs(value * (reading.unit === "in" ? MM_PER_INCH : 1) - wanted) < 1e-6) return found.replace(/\s/g, "");
  }
  return reading.unit === "in" ? String(wanted / MM_PER_INCH) : String(reading.mm);
}

let shown = null;

/** The reading that stands there a hand high, with its outcome; null where none does. */
export const shownReading = () => shown;

/** Show `reading` a hand high and say what became of it. */
export function showReading(reading, method, units) {
  shown = reading;
  const value = at("value");
  const outcome = reading.outcome;
  value.className = "value";
  value.dataset.state = outcome;
  const number = numberIn(reading);
  value.style.setProperty("--characters", number.length);
  value.replaceChildren(make("span", number), make("small", reading.unit));
  value.hidden = false;
  const trial = reading.trial ? words.trialName(method, reading.trial) : "";
  const place = method?.places.find((p) => p.key === reading.place)?.label ?? reading.place;
  const said = {
    kept: place ? `kept: ${place}, ${trial}` : "kept",
    complete: method?.places.length === 2 ? `pair complete: ${trial}` : `complete: ${trial}`,
    "taken back": "taken back",
    "jaws shut": "taken back: the jaws were shut",
    "nothing to take back": "nothing to take back",
    bounced: "ignored: repeat",
    "no series": "kept, but no series is running",
  };
  showState(outcome, said[outcome] ?? outcome);
  showMore(reading, method, units);
  at("restore").hidden = outcome !== "bounced";
  at("restore").dataset.reading = outcome === "bounced" ? reading.id : "";
}

function showMore(reading, method, units) {
  const more = [];
  const trial = reading.trial ? words.trialName(method, reading.trial) : "";
  if (units.length !== reading.unit) more.push(`= ${words.converted(reading.mm, units.length)}.`);
  if (reading.outcome === "taken back" && trial) more.push(`It no longer counts for ${trial}.`);
  if (reading.outcome === "jaws shut") more.push("The reading before it no longer counts.");
  if (reading.outcome === "nothing to take back") more.push("The jaws were shut, and no reading counts yet.");
  if (reading.outcome === "bounced") more.push("It came again at once, as when a button bounces.");
  for (const flag of reading.flags ?? []) more.push(capital(FLAGS[flag] ?? flag) + ".");
  if (reading.sent.trim() !== numberIn(reading)) more.push(`As received: ${reading.sent}`);
  at("state-more").textContent = more.join(" ");
}

/** The person chose other units: what is said beside the reading follows. */
export function showUnits(method, units) {
  if (shown) showMore(shown, method, units);
}

const capital = (text) => text[0].toUpperCase() + text.slice(1);

/** Show something an instrument sent that is no reading, as it was received. */
export function showRefusal(refusal) {
  shown = null;
  const value = at("value");
  value.className = "value raw";
  value.dataset.state = "refused";
  value.textContent = refusal.text || "(nothing)";
  value.hidden = false;
  showState("refused", "not understood");
  at("state-more").textContent = refusal.reason ?? "";
  at("restore").hidden = true;
}

export function showState(state, text) {
  const line = at("state");
  line.dataset.state = state;
  setMark(line, MARKS[state] ?? "kept");
  line.querySelector("span").textContent = text;
  line.classList.remove("flash");
  void line.offsetWidth; // begins the flash anew
  line.classList.add("flash");
}

export function showNothingYet(method) {
  shown = null;
  const value = at("value");
  value.className = "value";
  value.dataset.state = "waiting";
  value.style.setProperty("--characters", 4);
  value.textContent = "–";
  value.hidden = at("places").hidden = false;
  showState("waiting", "waiting for the first press");
  at("state-more").textContent = method?.closed_jaws ? "With the jaws shut, send takes the last reading back." : "";
  at("restore").hidden = true;
}

/** Say that the two ends of a trial were swapped, or swapped back. */
export function showSwapped(trial, method) {
  const back = trial.flags.includes("ends swapped") ? "" : " back";
  showState("swapped", `ends swapped${back}: ${words.trialName(method, trial.number)}`);
}

/** Say that the series is over, under its last reading or without one. */
export function showFinished() {
  showNothingYet(null);
  at("value").hidden = at("places").hidden = true;
  showState("finished", "the series is finished");
}

/** Light the place that is read next, in words and in the drawing. */
export function showNext(next, method, trial) {
  const line = at("next");
  line.hidden = !next;
  for (const place of at("places").querySelectorAll(".place")) {
    const key = place.dataset.place;
    place.classList.toggle("next", next?.place === key);
    const count = trial?.readings.filter((r) => r.place === key).length ?? 0;
    place.classList.toggle("read", next?.place !== key && count > 0);
  }
  if (!next) return;
  const often = next.repeats > 1 ? `, reading ${next.repeat + 1} of ${next.repeats}` : "";
  line.querySelector("span").replaceChildren(
    `Next: ${next.label}`,
    make("small", words.trialName(method, next.trial) + often),
  );
}

/** All trials, the newest first. */
export function showTrials(trials, series, method, units) {
  const places = method?.places ?? [];
  const lean = (value, trial) => (value == null ? "–" : words.angle(value, trial.expanded_uncertainty_deg, units));
  const columns = [];
  if (places.length > 1) columns.push([`Deviation, ${units.deviation}`, (t) => (t.deviation_mm == null ? "–" : words.deviation(t.deviation_mm, units.deviation))]);
  for (const [name, title] of [["angle", "Angle"], ["tilt", "Tilt"]]) {
    if (method?.reveals.includes(name)) columns.push([title, (t) => lean(t[`${name}_deg`], t)]);
  }
  if (method?.reveals.includes("length") && places.length > 1) columns.push(["Mean", (t) => (t.length_mm == null ? "–" : words.converted(t.length_mm, units.length))]);

  const table = at("trials");
  const head = ["No.", ...places.map((p) => capital(p.label)), ...columns.map(([title]) => title)];
  table.tHead.rows[0].replaceChildren(...head.map((title) => Object.assign(make("th", title), { scope: "col" })));
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
  table.tBodies[0].replaceChildren(...rows);
  at("swap-ends").hidden = places.length < 2 || Boolean(series.finished_at);
}

// As the caliper sent it; converted only for a person who chose another unit.
function width(reading, series, units) {
  if (reading.unit === units.length) return numberIn(reading) + (reading.unit === series.unit ? "" : ` ${reading.unit}`);
  return units.length === series.unit ? `${numberIn(reading)} ${reading.unit}` : words.converted(reading.mm, units.length);
}

/** The running score: how far off, how sure, what to make of it. */
export function showScore(score, units) {
  const box = at("result");
  const verdict = at("verdict");
  const main = score && words.mainQuantity(score);
  const quantity = main?.[1];
  const known = quantity != null && quantity.mean != null;
  box.dataset.verdict = quantity?.verdict ?? "";
  verdict.hidden = !quantity?.verdict;
  if (quantity?.verdict) {
    setMark(verdict, VERDICT_MARKS[quantity.verdict]);
    verdict.querySelector("span").textContent = capital(quantity.verdict);
  }
  const angular = known && quantity.unit === "deg";
  const lean = box.querySelector(".lean");
  lean.dataset.lean = angular ? words.leans(quantity.mean, quantity.expanded_uncertainty) || "none" : "";
  // An angle that may as well be nothing is drawn with a broken line.
  lean.dataset.sure = angular && Math.abs(quantity.mean) > (quantity.expanded_uncertainty ?? 0);
  at("figure").replaceChildren(...(known ? figure(quantity, units) : ["No result yet"]));
  const sentence = quantity?.sentence ?? "";
  const remedy = quantity?.remedy ?? "";
  at("sentence").textContent = words.inUnits(sentence.includes(remedy) ? sentence : `${sentence} ${remedy}`, units);
  const others = Object.entries(score?.quantities ?? {}).filter(([name, q]) => name !== main?.[0] && q.sentence);
  at("more-figures").replaceChildren(...others.map(([name, q]) => make("p", `${capital(name)}: ${words.inUnits(q.sentence, units)}`)));
  at("score-notes").replaceChildren(...(score?.notes ?? []).map((note) => make("li", words.inUnits(note, units))));
}

function figure(quantity, units) {
  const u = quantity.expanded_uncertainty ?? undefined;
  const angular = quantity.unit === "deg";
  const mean = angular ? words.angle(quantity.mean, u, units) : words.length(quantity.mean, units.length, u);
  const count = `${quantity.trials} ${quantity.trials === 1 ? "trial" : "trials"}`;
  if (u == null) return [mean, make("small", count)];
  const sure = angular ? words.angleSize(u, u, units) : words.length(u, units.length, u);
  return [mean, make("small", `± ${sure} (95 %, ${count})`)];
}
