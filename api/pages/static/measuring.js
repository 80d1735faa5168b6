// What is seen while a series runs: the next place, the last reading, trials, the score.

import * as words from "./words.js";

const at = (id) => document.getElementById(id);
const MARKS = { kept: "kept", "no series": "kept", complete: "complete", "taken back": "taken-back", bounced: "bounced", refused: "refused", waiting: "waiting", finished: "complete" };
const VERDICT_MARKS = { "good enough": "good", "needs adjusting": "adjust", "cannot tell yet": "cannot" };
const FLAGS = {
  "ends swapped": "ends swapped",
  "unit changed": "the unit changed",
  "unit slip?": "unit mixed up?",
  negative: "negative",
  "beyond jaws": "longer than the jaws open",
  late: "came late",
};

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
    if (Math.abs(value * (reading.unit === "in" ? 25.4 : 1) - wanted) < 1e-6) return found.replace(/\s/g, "");
  }
  return reading.unit === "in" ? String(wanted / 25.4) : String(reading.mm);
}

/** Show `reading` a hand high and say what became of it. `series` tells trials' names. */
export function showReading(reading, method) {
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
    bounced: "ignored: repeat",
    "no series": "kept, but no series is running",
  };
  showState(outcome, said[outcome] ?? outcome);
  const more = [];
  if (outcome === "taken back" && trial) more.push(`It no longer counts for ${trial}.`);
  for (const flag of reading.flags ?? []) more.push(capital(FLAGS[flag] ?? flag) + ".");
  if (reading.sent.trim() !== number) more.push(`As received: ${reading.sent}`);
  at("state-more").textContent = more.join(" ");
  at("restore").hidden = outcome !== "bounced";
  at("restore").dataset.reading = outcome === "bounced" ? reading.id : "";
}

const capital = (text) => text[0].toUpperCase() + text.slice(1);

/** Show something an instrument sent that is no reading, as it was received. */
export function showRefusal(refusal) {
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
export function showTrials(trials, series, method) {
  const places = method?.places ?? [];
  const lean = (value, trial) => (value == null ? "–" : words.angle(value, words.decimalsFor(trial.expanded_uncertainty_deg)));
  const columns = [];
  if (places.length > 1) columns.push([`Deviation, ${series.unit === "in" ? "thou" : "mm"}`, (t) => (t.deviation_mm == null ? "–" : words.deviation(t.deviation_mm, series.unit))]);
  for (const [name, title] of [["angle", "Angle"], ["tilt", "Tilt"]]) {
    if (method?.reveals.includes(name)) columns.push([title, (t) => lean(t[`${name}_deg`], t)]);
  }
  if (method?.reveals.includes("length") && places.length > 1) columns.push(["Mean", (t) => (t.length_mm == null ? "–" : words.length(t.length_mm, series.unit))]);

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
        row.append(make("td", readings.map((r) => numberIn(r) + (r.unit === series.unit ? "" : ` ${r.unit}`)).join("; ") || "–"));
      }
      for (const [, show] of columns) row.append(make("td", show(trial)));
      return row;
    });
  table.tBodies[0].replaceChildren(...rows);
  at("swap-ends").hidden = places.length < 2;
}

/** The running score: how far off, how sure, what to make of it. */
export function showScore(score, series) {
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
  box.querySelector(".lean").dataset.lean = angular ? words.leans(quantity.mean, words.decimalsFor(quantity.expanded_uncertainty)) || "none" : "";
  at("figure").replaceChildren(...(known ? figure(quantity, series) : []));
  // An angle that may as well be nothing is drawn with a broken line.
  box.querySelector(".lean").dataset.sure = angular && Math.abs(quantity.mean) > (quantity.expanded_uncertainty ?? 0);
  const sentence = quantity?.sentence || "No complete trial yet.";
  const remedy = quantity?.remedy ?? "";
  at("sentence").textContent = sentence.includes(remedy) ? sentence : `${sentence} ${remedy}`;
  const others = Object.entries(score?.quantities ?? {}).filter(([name]) => name !== main?.[0]);
  at("more-figures").replaceChildren(
    ...others.map(([name, q]) => make("p", `${capital(name)}: ${q.sentence || "no complete trial yet."}`)),
  );
  at("score-notes").replaceChildren(...(score?.notes ?? []).map((note) => make("li", note)));
}

function figure(quantity, series) {
  const u = quantity.expanded_uncertainty;
  let mean;
  let sure = "";
  if (quantity.unit === "deg") {
    const decimals = words.decimalsFor(u);
    mean = words.angle(quantity.mean, decimals);
    if (u != null) sure = `± ${u.toFixed(decimals)}°`;
  } else {
    const scale = series.unit === "in" ? 25.4 : 1;
    const decimals = words.decimalsFor(u == null ? null : u / scale, 2);
    mean = words.length(quantity.mean, series.unit, decimals);
    if (u != null) sure = `± ${(u / scale).toFixed(decimals)}`;
  }
  const count = `${quantity.trials} ${quantity.trials === 1 ? "trial" : "trials"}`;
  return [mean, make("small", u == null ? count : `${sure} (95 %, ${count})`)];
}
