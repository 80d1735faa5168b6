// The series shown, as the server says that it is: begun, corrected, ended.

import { at } from "../shared/elements.js";
import { get, getAsOf, memory, messageOf } from "../shared/http.js";
import { showPlaces } from "./guiding.js";
import { benchPath, here, method, name, page, running, shownUnits } from "./here.js";
import * as inHand from "./in_hand.js";
import * as measuring from "./measuring.js";
import { failed, notice, showCalipers, view } from "./screen.js";
import * as setup from "./setup.js";
import * as target from "./target.js";
import * as sounds from "../shared/sounds.js";
import * as undo from "./undo.js";
import * as words from "./words.js";
import { keyboardOf } from "../shared/units.js";

async function loadFinished() {
  const loaded = await import("./finished.js");
  if (!here.finished) loaded.followAgain(begunAgain, failed);
  return (here.finished = loaded);
}

/** The live connection may have shown the new series before its answer came, or is not there. */
async function begunAgain() {
  if (!here.linked) await ask();
  await offerNotToBegin();
}

function openTrial() {
  return [...here.trials.values()].find((t) => t.state !== "gone" && t.number === here.bench?.next?.trial);
}

/** @param {SeriesHead} shown */
const places = (shown) => showPlaces(shown).then(next);

/** Show where the next reading goes. */
export function next() {
  // What is kept beside the store is paired later, so nobody knows yet where the next one goes.
  const known = here.bench?.series && !here.bench.series.finished_at && !here.store.kept_beside;
  measuring.showNext(known ? here.bench?.next : null, method(), openTrial(), here.series?.strips, !here.behind && here.progress?.enough);
}

/** @param {BenchOut & Partial<BenchNowOut>} state */
export async function follow(state) {
  // A late answer may be older than what the live connection has told since.
  if (here.bench && state.last_event < here.bench.last_event) return;
  here.bench = state;
  showAwaiting();
  for (const caliper of state.calipers) here.calipers.set(caliper.heard_as, caliper);
  showCalipers();
  const running = state.series && !state.series.finished_at ? state.series : null;
  const begun = running && (running.id !== here.series?.id || here.series.finished_at);
  if (begun) await begin(running);
  else if (running && here.series) corrected(here.series, running);
  else if (!running && here.series && !here.series.finished_at) await over(here.series, state.ended);
  else if (page.dataset.view === "loading") view("setup", false);
  at("press").hidden = !(state.pretend && running);
  // Only its own answer says it; an event of the bench does not.
  if (state.since_change && running) {
    here.since = state.since_change;
    showScore();
  } else if (running && begun && here.trials.size) ask();
  typedUnit();
  next();
}

/** @param {SeriesHead} of what a person sees of it */
const settingsOf = ({ machine, stop, method, unit, readings_unit, strip_side, work }) =>
  JSON.stringify([machine.name, stop.name, method, unit, readings_unit, strip_side, work]);

/**
 * Show what may have been corrected of the series that runs.
 * @param {SeriesHead} shown
 * @param {SeriesHead} now
 */
function corrected(shown, now) {
  const elsewhere = shown.strip_side !== now.strip_side || shown.method !== now.method;
  const before = settingsOf(shown);
  Object.assign(shown, now);
  if (settingsOf(shown) !== before) {
    measuring.showState("corrected", "the series was corrected");
    sounds.play("corrected");
  }
  showTitle(shown);
  if (elsewhere) places(shown);
  target.show();
  showInHand();
}

/** @param {SeriesHead} shown */
function showTitle(shown) {
  at("measuring-title").textContent = setup.titleOf(shown, method());
}

// Also tells of a reading that waited and was taken back: it was in no trial that could tell it.
export function showAwaiting() {
  const waits = here.bench?.awaiting ?? null;
  measuring.showAwaiting(waits);
  const shown = measuring.shownReading();
  if (waits || shown?.outcome !== "asked" || !here.bench?.series) return;
  measuring.showReading({ ...shown, outcome: "taken back" }, method(), shownUnits());
  sounds.play("taken back");
  sounds.say("Taken back.");
}

let delayed = false; // whether it is said why a series could not be shown at once
/** @param {SeriesHead} running */
async function begin(running) {
  setup.measured(running);
  present(running);
  at("places").replaceChildren();
  places(running);
  let found;
  try {
    found = await getAsOf(`/api/series/${running.id}`);
  } catch (error) {
    if (here.series === running) here.series = null; // so that asking again starts it again
    delayed = true;
    notice(`${messageOf(error)} Trying again…`);
    setTimeout(ask, 2000);
    return;
  }
  if (here.series !== running) return;
  if (delayed) notice("");
  delayed = false;
  fill(...found);
}

/**
 * Show `running`, without its trials yet.
 * @param {SeriesHead} running
 */
export function present(running) {
  here.series = running;
  here.trials = new Map();
  here.told = new Map();
  here.asOf = 0;
  here.score = null;
  here.behind = false;
  here.doubts = null;
  here.progress = null;
  here.since = [];
  here.finished?.end();
  loadFinished().catch(() => {}); // that it is there at Finish; if not, it is asked for again then
  undo.endUndo();
  const chosen = method();
  showTitle(running);
  at("guide-again").replaceChildren();
  at("again-guide", HTMLDetailsElement).open = false;
  for (const id of ["take-back", "swap-ends", "type", "finish"]) at(id).hidden = false;
  at("away").hidden = !chosen?.reveals.some((quantity) => quantity !== "length");
  measuring.showNothingYet(chosen);
  // A series that is gone on with had a verdict of its end.
  showScore();
  if (!running.finished_at) view("measuring");
}

/** What was begun once more in this browser just now can be taken back until the first press. */
async function offerNotToBegin() {
  const shown = running();
  if (!shown || here.trials.size || memory.get(`begun ${name}`, null)?.series !== shown.id) return;
  const { begunNow, takeBack } = await import("../shared/again.js");
  const begun = begunNow(shown, Number(at("undo").dataset.offered));
  if (!begun || here.series !== shown || here.trials.size) return;
  const done = begun.change ? "The adjustment is recorded, and the series begun again." : "The series is begun again.";
  undo.offer(done, () => takeBack(begun), { untilPress: true, seconds: begun.left });
}

/**
 * Show the trials of `whole`. What later events told in the meantime is newer; of others, also of those
 * still to come, it knows already.
 * @param {SeriesOut} whole
 * @param {number} [asOf] the event up to which it knows all
 */
export function fill(whole, asOf = 0) {
  here.asOf = asOf;
  /** @param {string} id */
  const older = (id) => (here.told.get(id) ?? 0) <= asOf;
  for (const trial of whole.trials) if (older(trial.id)) here.trials.set(trial.id, trial);
  if (older(String(here.series?.id))) {
    here.score = whole.score;
    here.behind = [...here.told.values()].some((number) => number > asOf);
    here.progress = whole.progress;
    here.doubts = whole.doubts.flatMap(({ now }) => now ?? []);
  }
  const last = here.bench?.last_reading;
  const untold = at("value").dataset.state === "waiting";
  const ofThis = last && (whole.trials.length || whole.aside.some((r) => r.id === last.id));
  if (ofThis && untold) measuring.showReading(asItIsNow(last, whole.trials), method(), shownUnits());
  showAll();
  offerNotToBegin();
}

/**
 * A reading with its outcome now: since it came it may have been taken back or restored.
 * @param {ReadingOut} reading
 * @param {TrialOut[]} all
 */
function asItIsNow(reading, all) {
  const trial = all.find((t) => t.readings.some((r) => r.id === reading.id));
  const { outcome } = reading;
  if (!trial) {
    if (outcome === "asked" && here.bench?.awaiting?.id === reading.id) return reading;
    /** @type {Record<string, string>} */
    const now = { kept: "taken back", complete: "taken back", asked: "taken back", "taken back": "jaws shut" };
    return { ...reading, outcome: now[outcome] ?? outcome };
  }
  if (outcome === "kept" || outcome === "complete") return { ...reading, flags: trial.flags };
  return inTrial(reading, trial);
}

/**
 * @template {import("./measuring.js").Shown} R
 * @param {R} reading
 * @param {TrialOut} trial that it is in
 */
export function inTrial(reading, trial) {
  const place = trial.readings.find((r) => r.id === reading.id)?.place ?? null;
  return { ...reading, place, trial: trial.number, flags: trial.flags, outcome: trial.state === "complete" ? "complete" : "kept" };
}

export function showAll() {
  if (!here.series) return;
  measuring.showTrials([...here.trials.values()], here.series, method(), shownUnits());
  showScore();
  showInHand();
  target.show();
  next();
}

export function showScore() {
  const work = here.series ? setup.workName(here.series) : "";
  const planned = running()?.strips;
  measuring.showScore(here.score, shownUnits(), work, method(), { planned, behind: here.behind });
  measuring.showSince(at("since"), here.since, shownUnits());
  here.finished?.showResult(here.score, shownUnits(), work, method());
}

export const showInHand = () => inHand.show(here.doubts ?? [], here.series && { series: here.series, method: method(), trials: here.trials, units: shownUnits() });

/**
 * The series shown has ended: show its result. One without a strip says nothing, so what was found
 * before it comes back.
 * @param {SeriesHead} series
 * @param {SeriesHead | null} latest that ended at this bench, of those with a trial where any has
 */
async function over(series, latest) {
  const before = latest?.id === series.id ? null : latest;
  const waited = measuring.shownReading();
  if (setup.namesAnother(series)) {
    here.meanwhile = ""; // it said that this one runs
    showCalipers();
  }
  sounds.play(before ? "taken back" : "finished");
  // What was told last is from before the end: it may say what was still to come, or be a strip behind.
  const shown = before ? (lasting(before) ? before : null) : series;
  const whole = shown && (await get(`/api/series/${shown.id}`).catch(() => null));
  if (here.series !== series) return;
  if (before && whole) await presentEnded(before, whole);
  else {
    if (whole) here.score = whole.score;
    here.behind = false;
    await ended({ ...series, finished_at: (!before && latest?.finished_at) || new Date().toISOString() }, true);
  }
  if (waited?.outcome === "asked") heardLine(`The last reading, ${words.numberIn(waited)}, does not count in it.`);
  else if (before && whole) heardLine("That series had no strip. This is the one before it.");
}

/**
 * Show a series that ended, with its result.
 * @param {SeriesHead} series
 * @param {SeriesOut} whole
 */
async function presentEnded(series, whole) {
  present(series);
  fill(whole);
  await ended(series);
}

/**
 * Say what was heard while no series runs.
 * @param {string} text
 */
export function heardLine(text) {
  for (const id of ["heard", "finished-heard"]) {
    at(id).hidden = false;
    at(id).textContent = text;
  }
}

/**
 * @param {SeriesHead} series that has ended
 * @param {boolean} [now] whether just now
 */
async function ended(series, now = false) {
  here.series = series;
  at("press").hidden = true;
  undo.endUndo();
  const result = await loadFinished().catch(() => null);
  if (here.series !== series) return;
  if (!result) {
    notice("The series is finished. The server does not answer, so its result can’t be shown yet. Trying again…");
    setTimeout(() => here.series === series && (notice(""), ended(series, now)), 2000);
    return;
  }
  result.begin(series, method(), now);
  showAll();
  view("finished");
}

/**
 * Whether the series that ended last is still to be shown: until it is left here, however old it is.
 * @param {SeriesHead} head
 */
const lasting = (head) => memory.get(`left ${name}`, null) !== head.id;

/**
 * Show the series that ended last, unless it was left or the link to this page names what to measure.
 * @param {BenchPageState} state
 */
export async function showLast({ bench, series: whole }) {
  if (!whole || !bench.ended || !lasting(bench.ended) || setup.named().has("machine")) return;
  here.bench = bench;
  await presentEnded(bench.ended, whole);
}

// The pairing runs at the server; the page asks it where the next reading goes.
let asking = false;
let askAgain = false;
export async function ask() {
  if (asking) {
    askAgain = true;
    return;
  }
  asking = true;
  do {
    askAgain = false;
    try {
      await follow(await get(benchPath));
    } catch {
      // Without a live connection, its return asks again.
      setTimeout(() => here.linked && ask(), 2000);
      break;
    }
  } while (askAgain);
  asking = false;
}

export function typedUnit() {
  at("typed-unit").textContent = unitTyped();
  at("typed-value").inputMode = keyboardOf(unitTyped());
}

/** The unit of what is typed. */
export const unitTyped = () => (here.series && !here.series.finished_at ? (here.series.readings_unit ?? here.series.unit) : setup.unit());
