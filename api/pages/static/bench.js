// The Bench page: fetches how things stand, then follows the live events and the person.

import { Refused, get, post, uuid7 } from "./http.js";
import { catchKeys, watchListening } from "./keys.js";
import { listen } from "./live.js";
import * as measuring from "./measuring.js";
import { outbox } from "./outbox.js";
import * as setup from "./setup.js";
import * as sounds from "./sounds.js";
import * as words from "./words.js";

const at = (id) => document.getElementById(id);
const page = at("bench");
const name = page.dataset.bench;
const bench_path = `/api/benches/${encodeURIComponent(name)}`;

let methods = new Map();
let bench = null; // as GET /api/benches/{name} says
let series = null; // the series shown: the running one, or the one just finished
let trials = new Map();
let score = null;
let linked = false;
let justCompleted = null; // a complete trial not yet said aloud
let answered = false; // the next reading that goes was sounded already (jaws shut and sent)
const calipers = new Map();

const method = () => methods.get(series?.method);

// ---- views

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

function notice(text, calm = false) {
  at("notice").hidden = !text;
  at("notice").textContent = text;
  at("notice").classList.toggle("calm", calm);
}

function sign(id, on, text) {
  const element = at(id);
  element.hidden = false;
  if (element.lastElementChild.textContent === text) return;
  element.dataset.on = on;
  element.querySelector("use").setAttribute("href", on ? "#mark-on" : "#mark-off");
  element.lastElementChild.textContent = text;
}

// ---- the guide, as the server draws it

async function guide(key, side) {
  const response = await fetch(`/guide/${encodeURIComponent(key)}?side=${side}`);
  if (!response.ok) return null;
  const there = new DOMParser().parseFromString(await response.text(), "text/html");
  return document.adoptNode(there.getElementById("guide-article"));
}

async function showGuide() {
  const chosen = setup.method();
  const article = await guide(chosen.key, setup.side());
  at("guide-title").textContent = `${chosen.title}: how it is done`;
  at("guide-body").replaceChildren(...(article ? [article] : []));
  const cautious = article?.querySelector(".cautions") != null;
  at("acknowledge-row").hidden = !cautious;
  at("acknowledge").checked = false;
  at("start").disabled = cautious;
  view("guide");
}

async function showPlaces() {
  const shown = series;
  const article = await guide(shown.method, shown.strip_side).catch(() => null);
  if (series !== shown || !article) return;
  const drawing = article.querySelector("#places-drawing");
  at("places").replaceChildren(...drawing.content.cloneNode(true).children);
  drawing.remove();
  article.removeAttribute("id");
  at("guide-again").replaceChildren(article);
  next();
}

// ---- how things stand

function openTrial() {
  return [...trials.values()].find((t) => t.number === bench?.next?.trial);
}

function next() {
  measuring.showNext(bench?.series && !bench.series.finished_at ? bench.next : null, method(), openTrial());
}

async function follow(state) {
  bench = state;
  for (const caliper of state.calipers) calipers.set(caliper.name, caliper);
  showCalipers();
  const running = state.series && !state.series.finished_at ? state.series : null;
  if (running && running.id !== series?.id) await begin(running);
  else if (!running && series && !series.finished_at) ended();
  else if (page.dataset.view === "loading") view("setup", false);
  at("press").hidden = !(state.pretend && running);
  typedUnit();
  next();
}

async function begin(running) {
  series = running;
  trials = new Map();
  score = null;
  const chosen = method();
  at("measuring-title").textContent = `${running.machine.name}: ${chosen?.title ?? running.method}`;
  at("places").replaceChildren();
  for (const id of ["take-back", "swap-ends", "finish"]) at(id).hidden = false;
  at("again").hidden = true;
  measuring.showNothingYet(chosen);
  view("measuring");
  showPlaces();
  let whole;
  try {
    whole = await get(`/api/series/${running.id}`);
  } catch (error) {
    if (series === running) series = null; // so that asking again begins it anew
    notice(`${error.message} Trying again…`);
    setTimeout(ask, 2000);
    return;
  }
  if (series !== running) return;
  showCalipers();
  // What the live link told meanwhile is newer.
  for (const trial of whole.trials) if (!trials.has(trial.id)) trials.set(trial.id, trial);
  score ??= whole.score;
  const last = bench.last_reading;
  const untold = at("value").dataset.state === "waiting";
  if (last && untold && whole.trials.length) measuring.showReading({ ...last, outcome: outcomeNow(last, whole.trials) }, chosen);
  everything();
}

// What became of a reading is told as of when it came; it may have been taken back since.
function outcomeNow(reading, all) {
  const counts = all.some((t) => t.readings.some((r) => r.id === reading.id));
  return ["kept", "complete"].includes(reading.outcome) && !counts ? "taken back" : reading.outcome;
}

function everything() {
  if (!series) return;
  measuring.showTrials([...trials.values()], series, method());
  measuring.showScore(score, series);
  next();
}

function ended() {
  series = { ...series, finished_at: new Date().toISOString() };
  for (const id of ["take-back", "swap-ends", "finish", "press"]) at(id).hidden = true;
  at("again").hidden = false;
  measuring.showFinished();
  at("again").focus();
  wake();
}

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
      break; // The live link says so; it brings the state when it is back.
    }
  } while (askAgain);
  asking = false;
}

// ---- events

function hear(kind, data) {
  if (kind === "reading") heardReading(data);
  else if (kind === "trial") heardTrial(data);
  else if (kind === "score") heardScore(data);
  else if (kind === "refusal") heardRefusal(data);
  else if (kind === "bench") follow(data);
  else if (kind === "caliper") {
    calipers.set(data.name, data);
    showCalipers();
  }
}

function heardReading(reading) {
  measuring.showReading(reading, method());
  heardLine(`${measuring.numberIn(reading)} ${reading.unit}: heard from ${reading.caliper}`);
  // A repeat is the same press once more, and was answered already.
  if (reading.outcome !== "bounced") sounds.play(reading.outcome === "no series" ? "kept" : reading.outcome);
  answered = reading.outcome === "taken back";
  if (answered) sounds.say("Taken back.");
  ask();
}

function heardRefusal(refusal) {
  measuring.showRefusal(refusal);
  heardLine(`Not understood from ${refusal.caliper}: ${refusal.text} (${refusal.reason})`);
  sounds.play("refused");
  sounds.say("Not understood.");
}

function heardTrial(trial) {
  if (!series || trial.series !== series.id) return;
  const before = trials.get(trial.id);
  const gone = before?.readings.filter((r) => !trial.readings.some((still) => still.id === r.id)) ?? [];
  if (gone.length) {
    measuring.showReading({ ...gone.at(-1), trial: trial.number, outcome: "taken back" }, method());
    if (!answered) {
      sounds.play("taken back");
      sounds.say("Taken back.");
    }
    answered = false;
  }
  if (trial.state === "gone") trials.delete(trial.id);
  else trials.set(trial.id, trial);
  if (trial.state === "complete" && before?.state !== "complete") justCompleted = trial;
  everything();
}

function heardScore(event) {
  if (!series || event.series !== series.id) return;
  score = event.score;
  measuring.showScore(score, series);
  if (justCompleted) sounds.say(words.spoken(justCompleted, score, method()));
  justCompleted = null;
}

function heardLine(text) {
  at("heard").hidden = false;
  at("heard").textContent = text;
}

function link(up) {
  linked = up;
  sign("sign-live", up, up ? "live" : "live link down: presses are still being kept at the bench");
  if (up) box.send();
}

// Also takes away whatever else was noticed and is over.
function showCalipers() {
  const items = [...calipers.values()].map((c) => {
    const item = document.createElement("li");
    item.textContent = `${c.name}: ${c.state}${c.message ? ". " + c.message : ""}`;
    return item;
  });
  if (items.length) at("calipers").replaceChildren(...items);
  const troubled = [...calipers.values()].filter((c) => c.state === "unplugged" || c.state === "trouble");
  notice(troubled.map((c) => `${c.name}: ${c.message || c.state}`).join("\n"));
}

// ---- what the page takes in itself

const box = outbox(`outbox ${name}`, {
  answered(entry, body) {
    if (linked) return; // The live link has told it, or is about to.
    if (body.kept === false) heardRefusal({ caliper: "keyboard", text: body.sent, reason: body.reason });
    else ask();
  },
  refused(entry, error) {
    const text = entry.body[0]?.sent ?? entry.body.strokes?.map((s) => (s.key.length === 1 ? s.key : "")).join("") ?? "";
    if (entry.path === "/api/readings") at("typed-said").textContent = `${text}: ${error.message}`;
    else heardRefusal({ caliper: "keyboard", text, reason: error.message });
  },
  waiting(count) {
    sign("sign-queue", false, `${count} kept in this browser, sent as soon as the server answers`);
    at("sign-queue").hidden = count === 0;
  },
});

const typed_unit = () => (series && !series.finished_at ? series.unit : setup.unit());

function typedUnit() {
  at("typed-unit").textContent = typed_unit();
}

function keepTyped() {
  const field = at("typed-value");
  const sent = field.value.trim();
  at("typed-said").textContent = "";
  if (!sent) {
    at("typed-said").textContent = "Type the number the caliper shows, then Enter.";
    field.focus();
    return;
  }
  if (!/\d/.test(sent)) {
    at("typed-said").textContent = `“${sent}” holds no number; type one such as 8.026 or 203,86.`;
    field.select();
    return;
  }
  box.put("/api/readings", [{ id: uuid7(), bench: name, caliper: "typed", sent, unit: typed_unit(), taken_at: new Date().toISOString(), origin: "typed" }]);
  field.value = "";
}

function takeBurst(strokes, takenAt) {
  sounds.unlock().then(askForSound);
  box.put(`${bench_path}/keys`, { id: uuid7(), taken_at: takenAt.toISOString(), strokes, unit: typed_unit() });
}

// ---- acts

// While an act is under way its button does nothing more; it is not disabled, which would
// take the focus from under a person at the keyboard.
async function act(path, body, button) {
  if (button.ariaBusy === "true") return;
  showCalipers();
  button.ariaBusy = "true";
  try {
    await post(path, body);
    if (!linked) await ask();
  } catch (error) {
    notice(error.message);
  } finally {
    button.ariaBusy = "false";
  }
}

// ---- screen and sound

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
      lock = null; // A low battery may refuse it; a screen that sleeps loses nothing.
    }
  }
  at("screen-note").textContent = navigator.wakeLock ? "" : "This browser lets the screen sleep. Nothing is lost: the page catches up when you wake it.";
}

function askForSound() {
  at("unlock").hidden = !sounds.locked();
}

function wire() {
  document.addEventListener("visibilitychange", wake);
  // Not on pointerdown: the line that asks would go while the finger is down, and what was
  // meant to be tapped would move from under it.
  for (const kind of ["click", "keydown"]) {
    addEventListener(kind, () => sounds.locked() && sounds.unlock().then(askForSound), { passive: true });
  }
  at("unlock").addEventListener("click", () => sounds.unlock().then(() => (askForSound(), sounds.play("kept"))));
  at("sounds-on").checked = sounds.settings.sounds;
  at("speech-on").checked = sounds.settings.speech;
  at("sounds-on").addEventListener("change", (event) => {
    sounds.settings.sounds = event.target.checked;
    askForSound();
  });
  at("speech-on").addEventListener("change", (event) => (sounds.settings.speech = event.target.checked));
  at("try-sounds").addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button) sounds.unlock().then(() => sounds.play(button.dataset.sound));
  });

  at("setup").addEventListener("submit", (event) => {
    event.preventDefault();
    if (setup.check()) showGuide();
  });
  setup.onChange(typedUnit);
  at("acknowledge").addEventListener("change", (event) => (at("start").disabled = !event.target.checked));
  at("back-to-setup").addEventListener("click", () => view("setup"));
  at("start").addEventListener("click", async () => {
    at("start").disabled = true;
    try {
      await setup.start(name);
      await ask();
    } catch (error) {
      view("setup", false);
      setup.showProblem(error);
    }
    at("start").disabled = false;
  });

  at("take-back").addEventListener("click", (event) => {
    if ([...trials.values()].some((t) => t.readings.length)) act(`${bench_path}/take-back`, {}, event.currentTarget);
    else notice("There is no reading in this series to take back.", true);
  });
  at("swap-ends").addEventListener("click", (event) => act(`${bench_path}/swap-ends`, {}, event.currentTarget));
  at("restore").addEventListener("click", (event) => act(`${bench_path}/restore`, { reading: event.currentTarget.dataset.reading }, event.currentTarget));
  at("press").addEventListener("click", (event) => act(`${bench_path}/pretend-press`, {}, event.currentTarget));
  at("finish").addEventListener("click", (event) => act(`/api/series/${series.id}/finish`, {}, event.currentTarget));
  at("again").addEventListener("click", async () => {
    series = null;
    at("heard").hidden = true;
    await setup.prepare(methods).catch(() => {});
    view("setup");
  });
  at("typed").addEventListener("submit", (event) => {
    event.preventDefault();
    keepTyped();
  });
}

// ---- begin

async function load() {
  try {
    const [known, state] = await Promise.all([get("/api/methods"), get(bench_path)]);
    methods = new Map(known.map((m) => [m.key, m]));
    notice("");
    await Promise.all([setup.prepare(methods), follow(state)]);
    typedUnit();
    listen(name, state.last_event, hear, link);
  } catch (error) {
    notice(error instanceof Refused ? error.message : `${error.message} Trying again…`);
    setTimeout(load, 2000);
  }
}

wire();
askForSound();
watchListening(at("typed-value"), (listening, why) => sign("sign-keys", listening, listening ? "listening for keys" : `not listening: ${why}`));
catchKeys({ field: at("typed-value"), take: takeBurst });
box.send();
load();
