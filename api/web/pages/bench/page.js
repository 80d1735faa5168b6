// The Bench page: starts from the state that the server wrote into it, then follows the live
// events and what the person does.

import { all, around, at, one } from "../shared/elements.js";
import { Refused, get, getPage, memory, messageOf, post, uuid7 } from "../shared/http.js";
import { catchKeys, watchListening } from "../shared/keys.js";
import { listen } from "../shared/live.js";
import * as measuring from "./measuring.js";
import { entryText, outbox } from "./outbox.js";
import * as setup from "./setup.js";
import * as sounds from "./sounds.js";
import * as units from "../shared/units.js";
import * as words from "./words.js";

const page = at("bench");
const name = String(page.dataset.bench);
const bench_path = /** @type {const} */ (`/api/benches/${encodeURIComponent(name)}`);

/** @type {Map<string, MethodOut>} */
let methods = new Map();
/** @type {BenchOut | null} */
let bench = null; // as GET /api/benches/{name} says
/** @type {SeriesHead | null} */
let series = null; // the series shown: the running one, or the one just finished
/** @type {Map<string, TrialOut>} */
let trials = new Map();
/** @type {ScoreOut | null} */
let score = null;
/** @type {boolean | null} */
let linked = null; // whether the live connection is up; null before it was
/** @type {TrialOut | null} */
let justCompleted = null; // a complete trial not yet said aloud
/** @type {Set<string>} */
const withdrawn = new Set(); // readings that were parts of one value: nobody pressed to take them back
let answered = false; // the next taking back has had its sound already (jaws shut and sent)
/** @type {Map<string, CaliperOut>} */
const calipers = new Map();
/** @type {StoreOut} */
let store = { message: "", kept_beside: 0, last: null }; // what is wrong with it, and what is kept beside it

const method = () => (series ? methods.get(series.method) : undefined);
const shownUnits = () => words.unitsFor(series);

// ---- views

/** @param {"setup" | "guide" | "measuring"} which */
function view(which, focus = true) {
  const changed = page.dataset.view !== which;
  page.dataset.view = which;
  at("setup").hidden = which !== "setup";
  at("guide").hidden = which !== "guide";
  at("measuring").hidden = which !== "measuring";
  if (changed && focus) {
    scrollTo(0, 0);
    at(`${which}-title`).focus({ preventScroll: true });
  }
  wake();
}

const LONG = 160; // characters; in large type they would push the reading off a phone's screen
/** @param {string} text */
function notice(text, calm = false) {
  at("notice").hidden = !text;
  at("notice").textContent = text;
  at("notice").classList.toggle("calm", calm);
  at("notice").classList.toggle("long", text.length > LONG);
}

/**
 * @param {string} id
 * @param {boolean} on
 * @param {string} text
 */
function sign(id, on, text) {
  const element = at(id);
  const words = one(element, "span");
  element.hidden = false;
  if (words.textContent === text) return;
  element.dataset.on = String(on);
  one(element, "use", SVGUseElement).setAttribute("href", on ? "#mark-on" : "#mark-off");
  words.textContent = text;
}

// ---- the guide, as the server draws it

/**
 * @param {string} key of the method
 * @param {string} side of the blade to which the strip falls
 */
async function guide(key, side) {
  const there = await getPage(`/guide/${encodeURIComponent(key)}?side=${side}`);
  return document.adoptNode(one(there, "#guide-article"));
}

let latestGuide = 0;
async function showGuide() {
  const mine = ++latestGuide;
  const chosen = setup.method();
  if (!chosen) return;
  let article;
  try {
    article = await guide(chosen.key, setup.side());
  } catch (error) {
    // Nobody may start without having seen the cautions.
    return setup.showProblem(error);
  }
  // In the meantime another guide was asked for, or a series was started elsewhere.
  if (mine !== latestGuide || page.dataset.view !== "setup") return;
  at("guide-title").textContent = `${chosen.title}: how it is done`;
  at("guide-body").replaceChildren(article);
  const cautious = article.querySelector(".cautions") != null;
  at("acknowledge-row").hidden = !cautious;
  at("acknowledge", HTMLInputElement).checked = false;
  at("start", HTMLButtonElement).disabled = cautious;
  view("guide");
}

/** @param {SeriesHead} shown */
async function showPlaces(shown) {
  const article = await guide(shown.method, shown.strip_side).catch(() => null);
  if (series !== shown || !article) return;
  const drawing = one(article, "#places-drawing", HTMLTemplateElement);
  at("places").replaceChildren(...document.importNode(drawing.content, true).children);
  showGuideAgain(article);
  next();
}

/** @param {HTMLElement} article */
function showGuideAgain(article) {
  one(article, "#places-drawing", HTMLTemplateElement).remove();
  article.removeAttribute("id");
  at("guide-again").replaceChildren(article);
}

// ---- the state of the bench

function openTrial() {
  return [...trials.values()].find((t) => t.state !== "gone" && t.number === bench?.next?.trial);
}

function next() {
  // What is kept beside the store is paired later, so nobody knows yet where the next one goes.
  const known = bench?.series && !bench.series.finished_at && !store.kept_beside;
  measuring.showNext(known ? bench?.next : null, method(), openTrial());
}

/** @param {BenchOut} state */
async function follow(state) {
  // A late answer may be older than what the live connection has told since.
  if (bench && state.last_event < bench.last_event) return;
  bench = state;
  for (const caliper of state.calipers) calipers.set(caliper.name, caliper);
  showCalipers();
  const running = state.series && !state.series.finished_at ? state.series : null;
  if (running && (running.id !== series?.id || series.finished_at)) await begin(running);
  else if (!running && series && !series.finished_at) ended(series, state.ended?.finished_at ?? undefined);
  else if (page.dataset.view === "loading") view("setup", false);
  at("press").hidden = !(state.pretend && running);
  typedUnit();
  next();
}

let delayed = ""; // why a series could not be shown at once
/** @param {SeriesHead} running */
async function begin(running) {
  present(running);
  at("places").replaceChildren();
  showPlaces(running);
  let whole;
  try {
    whole = await get(`/api/series/${running.id}`);
  } catch (error) {
    if (series === running) series = null; // so that asking again starts it again
    delayed = `${messageOf(error)} Trying again…`;
    notice(delayed);
    setTimeout(ask, 2000);
    return;
  }
  if (series !== running) return;
  // Another notice that came in the meantime stays.
  if (delayed && at("notice").textContent === delayed) showCalipers();
  fill(whole);
}

/**
 * Show `running`, without its trials yet.
 * @param {SeriesHead} running
 */
function present(running) {
  series = running;
  trials = new Map();
  score = null;
  const chosen = method();
  at("measuring-title").textContent = `${running.machine.name}: ${chosen?.title ?? running.method}`;
  at("guide-again").replaceChildren();
  at("again-guide", HTMLDetailsElement).open = false;
  for (const id of ["take-back", "swap-ends", "finish"]) at(id).hidden = false;
  for (const id of ["again", "resume", "onward"]) at(id).hidden = true;
  measuring.showNothingYet(chosen);
  view("measuring");
}

/**
 * Show the trials of `whole`. What the live connection told in the meantime is newer.
 * @param {SeriesOut} whole
 */
function fill(whole) {
  for (const trial of whole.trials) if (!trials.has(trial.id)) trials.set(trial.id, trial);
  score ??= whole.score;
  const last = bench?.last_reading;
  const untold = at("value").dataset.state === "waiting";
  const ofThis = last && (whole.trials.length || whole.aside.some((r) => r.id === last.id));
  if (ofThis && untold) measuring.showReading(asItIsNow(last, whole.trials), method(), shownUnits());
  showAll();
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
    /** @type {Record<string, string>} */
    const now = { kept: "taken back", complete: "taken back", "taken back": "jaws shut" };
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
function inTrial(reading, trial) {
  const place = trial.readings.find((r) => r.id === reading.id)?.place ?? null;
  return { ...reading, place, trial: trial.number, flags: trial.flags, outcome: trial.state === "complete" ? "complete" : "kept" };
}

function showAll() {
  if (!series) return;
  measuring.showTrials([...trials.values()], series, method(), shownUnits());
  measuring.showScore(score, shownUnits());
  next();
}

const RESUME_MS = 60_000; // how long this page offers to continue; the series' page always does
const RESULT_MS = 60 * 60_000; // how long the result of the last series is shown when the page is opened
/** @type {ReturnType<typeof setTimeout> | undefined} */
let resumable;

/**
 * The series shown has ended: show its result, and links for what comes next.
 *
 * @param {SeriesHead} over
 */
function ended(over, at_moment = new Date().toISOString()) {
  series = { ...over, finished_at: at_moment };
  for (const id of ["take-back", "swap-ends", "finish", "press"]) at(id).hidden = true;
  at("again").hidden = at("onward").hidden = false;
  at("to-series", HTMLAnchorElement).href = `/series/${series.id}`;
  at("to-machine", HTMLAnchorElement).href = `/machine/${series.machine.id}`;
  at("to-adjusting", HTMLAnchorElement).href = `/machine/${series.machine.id}/mend?series=${series.id}`;
  at("to-adjusting").hidden = !trials.size || !method()?.reveals.some((quantity) => quantity !== "length");
  const left = RESUME_MS - (Date.now() - Date.parse(at_moment));
  at("resume").hidden = left <= 0;
  clearTimeout(resumable);
  resumable = setTimeout(() => (at("resume").hidden = true), left);
  measuring.showFinished();
  at("again").focus();
  wake();
}

/**
 * Whether the series that ended last is still to be shown: not for ever, nor after it was left.
 * @param {SeriesHead} head
 */
const lasting = (head) =>
  head.finished_at && Date.now() - Date.parse(head.finished_at) < RESULT_MS && memory.get(`left ${name}`, null) !== head.id;

// The pairing runs at the server; the page asks it where the next reading goes.
let asking = false;
let askAgain = false;
async function ask() {
  if (asking) {
    askAgain = true;
    return;
  }
  asking = true;
  do {
    askAgain = false;
    try {
      await follow(await get(bench_path));
    } catch {
      // Without a live connection, its return asks again.
      setTimeout(() => linked && ask(), 2000);
      break;
    }
  } while (askAgain);
  asking = false;
}

// ---- events

/**
 * @param {LiveEvent} event
 * @param {number} number
 */
function hear(event, number) {
  if (event.kind === "reading") heardReading(event.data, number);
  else if (event.kind === "trial") heardTrial(event.data);
  else if (event.kind === "score") heardScore(event.data);
  else if (event.kind === "refusal") heardRefusal(event.data);
  else if (event.kind === "bench") follow(event.data);
  else if (event.kind === "store") heardStore(event.data);
  else if (event.kind === "caliper") {
    calipers.set(event.data.name, event.data);
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
  measuring.showReading({ ...reading, outcome }, method(), shownUnits());
  heardLine(`${words.numberIn(reading)} ${reading.unit}: heard from ${reading.caliper}`);
  answered = outcome === "jaws shut";
  // A bounce is the same press again, which had its sound already.
  /** @type {Record<string, string>} */
  const sound = { "no series": "kept", "jaws shut": "taken back", "nothing to take back": "taken back" };
  if (outcome !== "bounced") sounds.play(sound[outcome] ?? outcome);
  if (answered) sounds.say("Taken back.");
  // The event says where the next reading goes: no need to ask.
  if (bench) bench = { ...bench, next: reading.next, last_reading: reading, last_event: Math.max(bench.last_event, number) };
  next();
}

/**
 * The store is in trouble, or no longer; a press that was kept beside it is answered here.
 * @param {StoreOut} now
 */
function heardStore(now) {
  const kept = now.last?.id === store.last?.id ? null : now.last;
  const over = store.message && !now.message;
  store = now;
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
function heardRefusal(refusal) {
  measuring.showRefusal(refusal);
  heardLine(`Not understood from ${refusal.caliper}: ${refusal.text} (${refusal.reason})`);
  sounds.play("refused");
  sounds.say("Not understood.");
}

/** @param {TrialOut} trial */
function heardTrial(trial) {
  if (!series || trial.series !== series.id) return;
  const before = trials.get(trial.id);
  const gone = before?.readings.filter((r) => !trial.readings.some((still) => still.id === r.id)).at(-1);
  if (gone) {
    measuring.showReading({ ...gone, trial: trial.number, outcome: "taken back" }, method(), shownUnits());
    if (!answered && !withdrawn.has(gone.id)) {
      sounds.play("taken back");
      sounds.say("Taken back.");
    }
    answered = false;
  }
  const shown = measuring.shownReading();
  if (shown?.outcome === "bounced" && trial.readings.some((r) => r.id === shown.id)) {
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
  }
  // Also one that is gone: an older answer with it may still come.
  trials.set(trial.id, trial);
  if (trial.state === "complete" && before?.state !== "complete") justCompleted = trial;
  showAll();
}

/** @param {{ series: string, score: ScoreOut }} event */
function heardScore(event) {
  if (!series || event.series !== series.id) return;
  score = event.score;
  measuring.showScore(score, shownUnits());
  if (justCompleted) sounds.say(words.spoken(justCompleted, score, method(), shownUnits()));
  justCompleted = null;
}

/** @param {string} text */
function heardLine(text) {
  at("heard").hidden = false;
  at("heard").textContent = text;
}

/**
 * @param {boolean} up
 * @param {string} [why]
 */
function link(up, why) {
  // A question asked when the connection broke may never be answered.
  if (up && linked === false) ask();
  linked = up;
  // A server says of its store at once what is wrong, and nothing of one that is whole again.
  if (up && store.message) heardStore({ ...store, message: "", kept_beside: 0 });
  const not = why ? `not live: ${why}; this page does that by itself` : "no connection to the server: what is typed here is kept and sent later; presses of a caliper at the server may be lost";
  sign("sign-live", up, up ? "live" : not);
  if (up) box.send();
}

// Also removes any other notice.
function showCalipers() {
  const items = [...calipers.values()].map((c) => {
    const item = document.createElement("li");
    item.textContent = `${c.name}: ${c.state}${c.message ? ". " + c.message : ""}`;
    return item;
  });
  if (items.length) at("calipers").replaceChildren(...items);
  // What is said of the store need not be said of each caliper again.
  const inTrouble = [...calipers.values()].filter(
    (c) => c.state === "unplugged" || (c.state === "trouble" && !(store.message && c.message.includes(store.message))),
  );
  const lines = inTrouble.map((c) => `${c.name}: ${c.message || c.state}`);
  if (store.message) lines.unshift(`${words.sentence(store.message)} Kept beside it so far: ${store.kept_beside}.`);
  notice(lines.join("\n"));
}

// ---- typed values and keys

const typedField = at("typed-value", HTMLInputElement);

const box = outbox(name, {
  answered(entry, body) {
    if (linked) return; // The live connection tells it.
    const burst = "strokes" in entry.body ? /** @type {KeysOut} */ (body) : null;
    if (burst?.kept === false) heardRefusal({ caliper: "keyboard", text: burst.sent, reason: burst.reason ?? "" });
    else ask();
  },
  refused(entry, error) {
    const text = entryText(entry);
    if (entry.path !== "/api/readings") return heardRefusal({ caliper: "keyboard", text, reason: error.message });
    at("typed-status").textContent = `${text}: ${error.message}`;
    typedField.value ||= text;
  },
  changed({ waiting, aside, unsaved }) {
    const where = unsaved ? "on this page (leave it open)" : "in this browser";
    sign("sign-queue", false, `${waiting} kept ${where}, sent as soon as the server answers`);
    at("sign-queue").hidden = waiting === 0;
    showAside(aside);
  },
});

/** @param {Entry[]} aside */
function showAside(aside) {
  at("aside").hidden = aside.length === 0;
  at("aside-count").textContent = `${aside.length} ${aside.length === 1 ? "entry" : "entries"} the server could not take`;
  const values = aside.map(entryText).join("; ");
  // The second question stays while the values are the same.
  if (at("aside-values").textContent !== values) at("aside-discard").textContent = "Discard";
  at("aside-values").textContent = values;
  at("aside-why").textContent = [...new Set(aside.map((entry) => entry.why))].join(" ");
}

const typed_unit = () => (series && !series.finished_at ? series.unit : setup.unit());

function typedUnit() {
  at("typed-unit").textContent = typed_unit();
}

function keepTyped() {
  const field = typedField;
  const sent = field.value.trim();
  at("typed-status").textContent = "";
  if (!sent) {
    at("typed-status").textContent = "Type the number the caliper shows, then Enter.";
    field.focus();
    return;
  }
  if (!/\d/.test(sent)) {
    at("typed-status").textContent = `“${sent}” has no number in it; type one such as 8.026 or 203,86.`;
    field.select();
    return;
  }
  box.put("/api/readings", [{ id: uuid7(), bench: name, caliper: "typed", sent, unit: typed_unit(), taken_at: new Date().toISOString(), origin: "typed" }]);
  field.value = "";
}

/**
 * @param {StrokeIn[]} strokes
 * @param {Date} takenAt
 */
function takeBurst(strokes, takenAt) {
  sounds.unlock().then(askForSound);
  const id = uuid7(); // of the reading, too
  box.put(`${bench_path}/keys`, { id, taken_at: takenAt.toISOString(), strokes, unit: typed_unit() });
  return id;
}

/**
 * @param {StrokeIn[]} strokes
 * @param {number} brokenAt
 * @param {Date} takenAt
 */
function refuseBurst(strokes, brokenAt, takenAt) {
  sounds.unlock().then(askForSound);
  box.put(`${bench_path}/keys`, { id: uuid7(), taken_at: takenAt.toISOString(), strokes, broken_at: brokenAt });
}

/** @param {string} id */
function withdrawBurst(id) {
  withdrawn.add(id);
  // Sent after it even where it still waits: the server may have it although no answer came.
  box.put(`${bench_path}/take-back`, { reading: id });
}

// ---- buttons

// Until the server answers, the button does nothing more; it is not disabled, because that would
// take the focus away from a person at the keyboard.
/**
 * @param {string} path
 * @param {object} body
 * @param {HTMLElement} button
 */
async function act(path, body, button) {
  if (button.ariaBusy === "true") return;
  showCalipers();
  button.ariaBusy = "true";
  try {
    await post(path, body);
    if (!linked) await ask();
  } catch (error) {
    notice(messageOf(error));
  } finally {
    button.ariaBusy = "false";
  }
}

function unitsChanged() {
  at("show-lengths", HTMLSelectElement).value = memory.get("units", null)?.length ?? "";
  measuring.showUnits(method(), shownUnits());
  showAll();
}

// ---- screen and sound

/** @type {WakeLockSentinel | null} */
let lock = null;
async function wake() {
  const wanted = page.dataset.view === "measuring" && series && !series.finished_at;
  if (!wanted) {
    lock?.release();
    lock = null;
  } else if (!lock && document.visibilityState === "visible" && navigator.wakeLock) {
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => (lock = null));
    } catch {
      lock = null; // Refused with a low battery, for example; a screen that sleeps loses nothing.
    }
  }
  at("screen-note").textContent = navigator.wakeLock ? "" : "This browser lets the screen sleep. Nothing is lost: the page catches up when you wake it.";
}

function askForSound() {
  at("unlock").hidden = !sounds.locked();
}

function wire() {
  document.addEventListener("visibilitychange", wake);
  // Not on pointerdown: the line that asks would disappear while the finger is down, and what the
  // person taps would move away.
  for (const kind of ["click", "keydown"]) {
    addEventListener(kind, () => sounds.locked() && sounds.unlock().then(askForSound), { passive: true });
  }
  at("unlock").addEventListener("click", () => sounds.unlock().then(() => (askForSound(), sounds.play("kept"))));
  const [soundsOn, speechOn] = [at("sounds-on", HTMLInputElement), at("speech-on", HTMLInputElement)];
  soundsOn.checked = sounds.settings.sounds;
  speechOn.checked = sounds.settings.speech;
  soundsOn.addEventListener("change", () => {
    sounds.settings.sounds = soundsOn.checked;
    askForSound();
  });
  speechOn.addEventListener("change", () => (sounds.settings.speech = speechOn.checked));
  at("try-sounds").addEventListener("click", (event) => {
    const button = around(event, "button");
    if (button) sounds.unlock().then(() => sounds.play(String(button.dataset.sound)));
  });

  at("setup").addEventListener("submit", (event) => {
    event.preventDefault();
    if (setup.check()) showGuide();
  });
  setup.onChange(typedUnit);
  const [acknowledge, start] = [at("acknowledge", HTMLInputElement), at("start", HTMLButtonElement)];
  acknowledge.addEventListener("change", () => (start.disabled = !acknowledge.checked));
  at("back-to-setup").addEventListener("click", () => view("setup"));
  start.addEventListener("click", async () => {
    start.disabled = true;
    try {
      await setup.start(name);
      await ask();
    } catch (error) {
      // Another device may have started a series first: that one is shown then.
      if (series && !series.finished_at) notice(messageOf(error));
      else {
        view("setup", false);
        setup.showProblem(error);
      }
    }
    start.disabled = false;
  });

  const [takeBack, swapEnds, restore] = [at("take-back"), at("swap-ends"), at("restore")];
  takeBack.addEventListener("click", () => {
    if ([...trials.values()].some((t) => t.readings.length)) act(`${bench_path}/take-back`, {}, takeBack);
    else notice("There is no reading in this series to take back.", true);
  });
  swapEnds.addEventListener("click", () => act(`${bench_path}/swap-ends`, {}, swapEnds));
  restore.addEventListener("click", () => act(`${bench_path}/restore`, { reading: restore.dataset.reading }, restore));
  // Only where a caliper of this bench sends when it is asked.
  for (const button of all(document, "#ask")) button.addEventListener("click", () => act(`${bench_path}/ask`, {}, button));
  const [press, finish, resume] = [at("press"), at("finish"), at("resume")];
  press.addEventListener("click", () => act(`${bench_path}/pretend-press`, {}, press));
  finish.addEventListener("click", () => series && act(`/api/series/${series.id}/finish`, {}, finish));
  resume.addEventListener("click", () => series && act(`/api/series/${series.id}/resume`, {}, resume));
  at("again").addEventListener("click", async () => {
    if (series) memory.set(`left ${name}`, series.id);
    series = null;
    at("heard").hidden = true;
    const machines = await get("/api/machines").catch(() => null);
    if (series) return; // started elsewhere in the meantime
    if (machines) setup.prepare(methods, machines);
    view("setup");
  });
  const againGuide = at("again-guide", HTMLDetailsElement);
  againGuide.addEventListener("toggle", async () => {
    const shown = series;
    if (!shown || !againGuide.open || at("guide-again").hasChildNodes()) return;
    const article = await guide(shown.method, shown.strip_side).catch(() => null);
    if (article && series === shown) showGuideAgain(article);
  });
  at("aside-again").addEventListener("click", () => box.retry());
  // Asks a second time: what is discarded is gone.
  const discard = at("aside-discard");
  discard.addEventListener("click", () => {
    const sure = `Discard ${at("aside-values").textContent} for good`;
    if (discard.textContent === sure) box.discard();
    else discard.textContent = sure;
  });
  const showLengths = at("show-lengths", HTMLSelectElement);
  showLengths.addEventListener("change", () => {
    memory.set("units", { ...memory.get("units", null), length: showLengths.value || undefined });
    units.show();
    unitsChanged();
  });
  document.addEventListener("change", (event) => around(event, "[data-units]") && unitsChanged());
  addEventListener("storage", unitsChanged);
  unitsChanged();
  at("typed").addEventListener("submit", (event) => {
    event.preventDefault();
    keepTyped();
  });
}

// ---- begin

// As the server wrote it into the page. A page that the browser restores from its memory may be
// hours old, so it asks.
/** @returns {Promise<BenchPageState>} */
async function initialState() {
  /** @type {BenchPageState} */
  const written = JSON.parse(at("page-state").textContent ?? "");
  const [navigation] = performance.getEntriesByType("navigation");
  if (!(navigation instanceof PerformanceNavigationTiming) || navigation.type !== "back_forward") return written;
  const state = await get(bench_path);
  const head = state.series ?? state.ended;
  const [whole, machines] = await Promise.all([head ? get(`/api/series/${head.id}`) : null, get("/api/machines")]);
  return { bench: state, series: whole, machines, methods: written.methods, store };
}

async function load() {
  try {
    const { bench: state, series: whole, machines, methods: known, store: condition } = await initialState();
    methods = new Map(known.map((m) => [m.key, m]));
    store = condition;
    notice("");
    setup.prepare(methods, machines);
    const running = state.series && !state.series.finished_at ? state.series : null;
    if (whole && running) {
      bench = state;
      present(running);
      if (at("places").dataset.method !== whole.method) showPlaces(running);
      fill(whole);
    } else if (whole && state.ended && lasting(state.ended)) {
      bench = state;
      present(state.ended);
      fill(whole);
      ended(state.ended, state.ended.finished_at ?? undefined);
    }
    follow(state);
    listen(name, state.last_event, hear, link);
  } catch (error) {
    notice(error instanceof Refused ? error.message : `${messageOf(error)} Trying again…`);
    setTimeout(load, 2000);
  }
}

wire();
askForSound();
watchListening(typedField, (listening, why) => sign("sign-keys", listening, listening ? "listening for keys" : `not listening: ${why}`));
catchKeys({ field: typedField, take: takeBurst, withdraw: withdrawBurst, refuse: refuseBurst });
addEventListener("pageshow", (event) => event.persisted && location.reload());
load();
box.send().then(box.retry);
