// What to do about a doubtful strip while it is in the hand: a sentence, and the acts as buttons.

import { around, at } from "../shared/elements.js";
import { capital, patch, post } from "../shared/http.js";
import * as undo from "./undo.js";
import * as words from "./words.js";

/** @typedef {import("./undo.js").Step} Step */
/** @typedef {"begin again" | "leave out" | "measure again" | "other side" | "swap ends"} Act */

/**
 * What the acts are done to.
 * @typedef {object} Shown
 * @property {SeriesHead} series
 * @property {MethodOut | undefined} method
 * @property {Map<string, TrialOut>} trials
 * @property {Units} units
 */

// Once the next strip is being read, or the series has ended, the readings of this one stay.
const OF_A_RUNNING_STRIP = ["measure again"];
const OF_A_RUNNING_SERIES = ["measure again", "begin again"];

/** @type {NowOut[]} */
let said = [];
/** @type {Shown | null} */
let about = null;

/**
 * Say what to do about `doubts` of the series shown; none: nothing is said.
 * @param {NowOut[]} doubts
 * @param {Shown | null} shown
 */
export function show(doubts, shown) {
  said = doubts;
  about = shown;
  const box = at("in-hand");
  box.hidden = !shown || !doubts.length;
  const parts = shown ? doubts.map((doubt, index) => part(doubt, index, shown)) : [];
  const text = parts.map((each) => each.outerHTML).join("");
  // What is said already is not said again to those who listen to it.
  if (box.dataset.text === text) return;
  box.dataset.text = text;
  box.replaceChildren(...parts);
}

/**
 * @param {NowOut} doubt
 * @param {number} index
 * @param {Shown} shown
 */
function part(doubt, index, shown) {
  const made = document.createElement("div");
  const sentence = document.createElement("p");
  sentence.textContent = words.inUnits(doubt.sentence_parts, shown.units);
  const row = document.createElement("p");
  row.className = "row";
  for (const act of /** @type {Act[]} */ (doubt.acts).filter((each) => possible(each, shown))) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.act = act;
    button.dataset.doubt = String(index);
    button.textContent = label(act, doubt, shown);
    row.append(button);
  }
  made.append(sentence, ...(row.hasChildNodes() ? [row] : []));
  if (shown.series.finished_at && doubt.acts.some((each) => OF_A_RUNNING_SERIES.includes(each))) {
    const first = document.createElement("p");
    first.textContent = "The series is finished: continue it first to measure again.";
    made.append(first);
  }
  return made;
}

/**
 * @param {Act} act
 * @param {Shown} shown
 */
function possible(act, { series, method, trials }) {
  if (act === "other side") return Boolean(method?.sided);
  if (series.finished_at) return !OF_A_RUNNING_SERIES.includes(act);
  return !OF_A_RUNNING_STRIP.includes(act) || !open(trials);
}

/** @param {Map<string, TrialOut>} trials */
const open = (trials) => [...trials.values()].find((t) => t.state === "open" && t.readings.length);

/**
 * @param {Act} act
 * @param {NowOut} doubt
 * @param {Shown} shown
 */
function label(act, { trials }, { series, method }) {
  const strips = words.trialNames(method, trials);
  /** @type {Record<Act, string>} */
  const labels = {
    "swap ends": `Swap the ends of ${strips}`,
    "measure again": `Measure ${strips} again`,
    "leave out": `Leave ${strips} out`,
    "begin again": `Leave ${strips} out and begin again`,
    "other side": `It fell to the ${otherSide(series)} of the blade`,
  };
  return labels[act];
}

/** @param {SeriesHead} series */
const otherSide = ({ strip_side }) => (strip_side === "left" ? "right" : "left");

/**
 * Do what the button of `event` says, and offer to undo it.
 * @param {Event} event
 * @param {string} benchPath
 */
export async function act(event, benchPath) {
  const button = around(event, "[data-act]");
  const doubt = said[Number(button?.dataset.doubt)];
  if (!button || !doubt || !about) return;
  const { series, method, trials } = about;
  const of = `/api/series/${series.id}`;
  const strips = words.trialNames(method, doubt.trials);
  const leftOut = `${capital(strips)} left out.`;
  switch (/** @type {Act} */ (button.dataset.act)) {
    case "swap ends":
      return corrected(`Ends of ${strips} swapped.`, of, doubt, "swap-ends", doubt.trials.map((n) => `swap ${n}`));
    case "leave out":
      return corrected(leftOut, of, doubt, "leave-out");
    case "measure again": {
      const newest = [...trials.values()].find((t) => t.number === doubt.trials.at(-1));
      return undo.offer(`The readings of ${strips} taken back.`, await takenBack(benchPath, newest), { untilPress: true });
    }
    case "begin again":
      return corrected(leftOut, of, doubt, "leave-out", [], await takenBack(benchPath, open(trials)));
    case "other side": {
      const side = otherSide(series);
      const found = /** @type {SeriesOut} */ (await patch(of, { strip_side: side }));
      undo.offer(`The strip fell to the ${side}.`, undoing(found, "strip_side", null));
    }
  }
}

/**
 * @param {string} what
 * @param {string} of the series' address
 * @param {NowOut} doubt
 * @param {"swap-ends" | "leave-out"} how
 * @param {string[]} keys
 * @param {Step[]} before what undoes what was done before
 */
async function corrected(what, of, doubt, how, keys = [], before = []) {
  const steps = [...before];
  await undo.doing(keys, async () => {
    for (const number of doubt.trials) {
      const found = /** @type {SeriesOut} */ (await post(`${of}/trials/${number}/${how}`, { reason: doubt.kind }));
      steps.push(...undoing(found, how === "swap-ends" ? "ends" : "counted", number));
    }
  });
  undo.offer(what, steps, { touches: keys, untilPress: before.length > 0 });
}

/**
 * The undoing of the latest change of a field.
 * @param {SeriesOut} series
 * @param {string} field
 * @param {number | null} trial
 * @returns {Step[]}
 */
function undoing({ corrections }, field, trial) {
  const change = corrections.filter((each) => each.field === field && each.trial === trial).at(-1);
  return change ? [{ path: `/api/changes/${change.id}/undo` }] : [];
}

/**
 * Take all readings of a trial back, the last one first; what undoes it.
 * @param {string} benchPath
 * @param {TrialOut | undefined} trial
 * @returns {Promise<Step[]>}
 */
async function takenBack(benchPath, trial) {
  const readings = (trial?.readings ?? []).map((reading) => reading.id).reverse();
  await undo.doing(readings, async () => {
    for (const reading of readings) await post(`${benchPath}/take-back`, { reading });
  });
  return readings.map((reading) => ({ path: `${benchPath}/restore`, body: { reading } }));
}
