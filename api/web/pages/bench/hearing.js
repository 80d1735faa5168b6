// What the live events tell: shown, sounded and said.

import { hasEnded } from "../shared/access.js";
import { offerCounting } from "./acts.js";
import { get } from "../shared/http.js";
import { ask, follow, heardLine, inTrial, next, showAll, showAwaiting, showInHand, showScore } from "./following.js";
import { benchPath, here, method, running, shownUnits } from "./here.js";
import * as measuring from "./measuring.js";
import { notice, showCalipers, sign } from "./screen.js";
import * as sounds from "../shared/sounds.js";
import * as target from "./target.js";
import * as undo from "./undo.js";
import * as words from "./words.js";

/** @type {TrialOut | null} */
let justCompleted = null; // a complete trial not yet said aloud
let answered = false; // the next taking back has had its sound already (jaws shut and sent)
/** @type {Set<string>} */
export const withdrawn = new Set(); // readings that were parts of one value: nobody pressed to take them back

/**
 * @param {LiveEvent} event
 * @param {number} number
 */
export function hear(event, number) {
  if (event.kind === "reading") heardReading(event.data, number);
  else if (event.kind === "trial") heardTrial(event.data, number);
  else if (event.kind === "score") heardScore(event.data, number);
  else if (event.kind === "refusal") heardRefusal(event.data);
  else if (event.kind === "bench") follow(event.data);
  else if (event.kind === "store") heardStore(event.data);
  else if (event.kind === "caliper") {
    here.calipers.set(event.data.heard_as, event.data);
    showCalipers();
  }
}

/**
 * @param {ReadingOut} reading
 * @param {number} number of the event
 */
function heardReading(reading, number) {
  // This reading itself is the sign to take the last one back; the event of the trial says which.
  const outcome = reading.outcome === "taken back" ? "jaws shut" : reading.outcome;
  const waited = outcome === "jaws shut" ? here.bench?.awaiting : null;
  const shown = measuring.shownReading();
  const closed = waited && shown?.id === waited.id ? { ...shown, outcome: "taken back" } : null;
  measuring.showReading(closed ?? { ...reading, outcome }, method(), shownUnits());
  heardLine(`${words.numberIn(reading)} ${reading.unit}: heard from ${reading.caliper}`);
  tellMeanwhile(`${words.numberIn(reading)} ${reading.unit}`, number);
  answered = outcome === "jaws shut" && !waited; // one that waited is in no trial that tells it again
  // A bounce is the same press again, which had its sound already.
  /** @type {Record<string, string>} */
  const sound = { "no series": "kept", "jaws shut": "taken back", "nothing to take back": "taken back" };
  if (outcome !== "bounced") {
    if (number > here.asOf) undo.pressed();
    notice("");
    sounds.play(sound[outcome] ?? outcome);
  }
  if (outcome === "jaws shut") sounds.say("Taken back.");
  if (waited) offerCounting(waited);
  if (reading.question) sounds.say(reading.question);
  // The event says where the next reading goes: no need to ask.
  if (here.bench) here.bench = { ...here.bench, next: reading.next, last_reading: reading, awaiting: awaitingAfter(reading), last_event: Math.max(here.bench.last_event, number) };
  showAwaiting();
  next();
}

/**
 * What waits for an answer after `reading`: a bounce leaves it waiting, any other press ends that.
 * @param {ReadingOut} reading
 */
function awaitingAfter({ id, sent, outcome, question, asked }) {
  if (outcome === "asked") return { id, sent, question: question ?? "", asked: asked ?? "" };
  return outcome === "bounced" ? (here.bench?.awaiting ?? null) : null;
}

/**
 * The store is in trouble, or no longer; a press that was kept beside it is answered here.
 * @param {StoreOut} now
 */
function heardStore(now) {
  const kept = now.last?.id === here.store.last?.id ? null : now.last;
  const over = here.store.message && !now.message;
  here.store = now;
  showCalipers();
  next();
  if (over) ask();
  if (!kept) return;
  measuring.showReading(kept, method(), shownUnits());
  heardLine(`${words.numberIn(kept)} ${kept.unit}: heard from ${kept.caliper}, kept beside the store`);
  sounds.play("kept beside");
  sounds.say("Kept beside the store.");
}

/** @param {Pick<RefusalOut, "caliper" | "text" | "reason">} refusal */
export function heardRefusal(refusal) {
  measuring.showRefusal(refusal);
  heardLine(`Not understood from ${refusal.caliper}: ${refusal.text} (${refusal.reason})`);
  sounds.play("refused");
  sounds.say("Not understood.");
}

/**
 * Whether an event is news of what is shown: one of before may tell it as it was then.
 * @param {string} series that it is of
 * @param {string} id what it tells
 * @param {number} number
 */
function isNews(series, id, number) {
  if (series !== here.series?.id || number <= here.asOf) return false;
  here.told.set(id, number);
  return true;
}

/**
 * @param {TrialOut} trial
 * @param {number} number of the event
 */
function heardTrial(trial, number) {
  if (!here.series || !isNews(trial.series, trial.id, number)) return;
  const before = here.trials.get(trial.id);
  const gone = before?.readings.filter((r) => !trial.readings.some((still) => still.id === r.id)).at(-1);
  if (gone) {
    measuring.showReading({ ...gone, trial: trial.number, outcome: "taken back" }, method(), shownUnits());
    if (!answered && !withdrawn.has(gone.id)) {
      sounds.play("taken back");
      sounds.say("Taken back.");
    }
    answered = false;
    // Of a series that has ended, another page took it back.
    const restoring = here.series.finished_at ? { path: `/api/readings/${gone.id}/restore` } : { path: `${benchPath}/restore`, body: { reading: gone.id } };
    if (!withdrawn.has(gone.id)) undo.heard(gone.id, `${words.numberIn(gone)} taken back.`, restoring, { untilPress: true });
  }
  const shown = measuring.shownReading();
  if (shown && ["asked", "bounced", "taken back"].includes(shown.outcome) && trial.readings.some((r) => r.id === shown.id)) {
    const restored = inTrial(shown, trial);
    measuring.showReading(restored, method(), shownUnits());
    sounds.play(restored.outcome);
  }
  /** @param {TrialOut} t */
  const swapped = (t) => t.flags.includes("ends swapped");
  if (before && trial.state !== "gone" && swapped(before) !== swapped(trial)) {
    measuring.showSwapped(trial, method());
    sounds.play("swapped");
    sounds.say("Ends swapped.");
    const key = `swap ${trial.number}`;
    const back = swapped(trial) ? "" : " back";
    undo.heard(key, `Ends of ${words.trialName(method(), trial.number)} swapped${back}.`, { path: `/api/series/${here.series.id}/trials/${trial.number}/swap-ends` }, { touches: [key] });
  }
  const out = trial.state === "left out";
  if (before && out !== (before.state === "left out")) {
    measuring.showState("corrected", `${words.trialName(method(), trial.number)} ${out ? "left out" : "counts again"}`);
    sounds.play("corrected");
  }
  // Also one that is gone: an older answer with it may still come.
  here.trials.set(trial.id, trial);
  // Its score comes a moment later, of a long series on a busy computer some seconds.
  here.behind ||= trial.state === "complete" || before?.state === "complete";
  if (trial.state === "complete" && before?.state !== "complete") justCompleted = trial;
  showAll();
}

/**
 * @param {{ series: string, score: ScoreOut, now: NowOut[], progress: ProgressOut, since_change: SinceChangeOut[] }} event
 * @param {number} number of it
 */
function heardScore(event, number) {
  if (!here.series || !isNews(event.series, event.series, number)) return;
  here.score = event.score;
  here.behind = false;
  here.doubts = event.now;
  const enough = event.progress.planned && event.progress.enough && !here.progress?.enough;
  here.progress = event.progress;
  const answers = new Set(here.since.map((each) => each.answer));
  here.since = event.since_change;
  showScore();
  showInHand();
  target.show();
  next();
  if (here.series.finished_at) here.finished?.refresh();
  const news = here.doubts.map(({ sentence_parts }) => words.inUnits(sentence_parts, shownUnits()));
  // Said once, when it is known.
  news.push(...here.since.filter((each) => each.answer !== "cannot tell" && !answers.has(each.answer)).map((each) => words.inUnits(each.sentence_parts, shownUnits())));
  if (enough) news.push(words.inUnits(event.progress.sentence_parts, shownUnits()));
  if (justCompleted) sounds.say([words.spoken(justCompleted, here.score, method(), shownUnits()), ...news].join(" "));
  justCompleted = null;
}

/**
 * @param {boolean} up
 * @param {string} [why]
 */
export function link(up, why) {
  const before = here.linked;
  here.linked = up;
  if (up && before === false) connectedAgain();
  if (!up && before && running()) sounds.play("not connected");
  if (up !== before) showCalipers();
  // A server says of its store at once what is wrong, and nothing of one that is whole again.
  if (up && here.store.message) heardStore({ ...here.store, message: "", kept_beside: 0 });
  const not = hasEnded() ? "not let in" : why ? `not live: ${why}; this page does that by itself` : "no connection to the server";
  sign("sign-live", up, up ? "live" : not);
}

/** @type {{ text: string, number: number }[] | null} */
let since = null; // readings heard since the connection came back; null once all are told
/** @type {number | null} */
let last = null; // the number of the latest event when it came back

const MOST_TOLD = 5;

async function connectedAgain() {
  // A question asked when the connection broke may never be answered.
  ask();
  since = [];
  last = null;
  if (running()) sounds.play("connected again");
  try {
    last = (await get(benchPath)).last_event;
    showMeanwhile();
  } catch {
    since = null; // The connection broke again, and its return begins anew.
  }
}

/**
 * @param {string} text a reading
 * @param {number} number of its event
 */
function tellMeanwhile(text, number) {
  if (last !== null && number > last) since = null;
  if (!since) {
    if (here.meanwhile) {
      here.meanwhile = "";
      showCalipers();
    }
    return;
  }
  since.push({ text, number });
  if (last !== null) showMeanwhile();
}

function showMeanwhile() {
  const came = (since ?? []).filter(({ number }) => number <= (last ?? 0)).map(({ text }) => text);
  if (!here.series) return;
  const all = came.length > MOST_TOLD ? `${came.length} readings, ${came[0]} to ${came.at(-1)}` : came.join(", ");
  here.meanwhile = all ? `Connected again. Came meanwhile: ${all}.` : "Connected again. Nothing came meanwhile: press again what you pressed.";
  showCalipers();
}
