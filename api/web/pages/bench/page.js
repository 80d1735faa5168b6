// The Bench page: starts from the state that the server wrote into it, then follows the live
// events and what the person does.

import { all, around, at } from "../shared/elements.js";
import { Refused, get, memory, messageOf } from "../shared/http.js";
import { listen } from "../shared/live.js";
import { act, away, cannot, count, drop, during } from "./acts.js";
import { ask, fill, follow, next, present, showAll, showLast, typedUnit } from "./following.js";
import * as guiding from "./guiding.js";
import { hear, link } from "./hearing.js";
import { benchPath, here, method, name, shownUnits } from "./here.js";
import * as inHand from "./in_hand.js";
import * as measuring from "./measuring.js";
import { askForSound, full, notice, showFull, view, wake } from "./screen.js";
import * as setup from "./setup.js";
import * as target from "./target.js";
import * as sounds from "../shared/sounds.js";
import * as typing from "./typing.js";
import * as undo from "./undo.js";
import "../shared/invitation.js";
import "../shared/let_in.js";
import "../shared/units.js";

function unitsChanged() {
  measuring.showUnits(method(), shownUnits());
  showAll();
  here.finished?.refresh();
}

function wire() {
  guiding.wire(ask);
  setup.onChange(typedUnit);
  target.wire(during, next);
  document.addEventListener("visibilitychange", wake);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && here.finished?.refresh());
  document.addEventListener("fullscreenchange", showFull);
  at("full").addEventListener("click", full);
  sounds.unlockByTouch(askForSound);
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

  const [takeBack, swapEnds, restore] = [at("take-back"), at("swap-ends"), at("restore")];
  takeBack.addEventListener("click", () => {
    if (typing.takeBackKept()) return;
    if (here.bench?.awaiting) drop(here.bench.awaiting, takeBack);
    else if ([...here.trials.values()].some((t) => t.readings.length)) act(`${benchPath}/take-back`, {}, takeBack);
    else cannot("There is no reading in this series to take back.");
  });
  swapEnds.addEventListener("click", () => act(`${benchPath}/swap-ends`, {}, swapEnds));
  at("away").addEventListener("click", () => away(at("away")));
  restore.addEventListener("click", () => count(String(restore.dataset.reading), restore));
  const [right, wrong] = [at("right"), at("wrong")];
  right.addEventListener("click", () => here.bench?.awaiting && count(here.bench.awaiting.id, right));
  wrong.addEventListener("click", () => {
    const waits = here.bench?.awaiting;
    if (!waits || !here.series) return;
    if (waits.asked === "long ago") act(`/api/series/${here.series.id}/finish`, {}, wrong);
    else drop(waits, wrong);
  });
  // Only where a caliper of this bench sends when it is asked.
  for (const button of all(document, "#ask")) button.addEventListener("click", () => act(`${benchPath}/ask`, {}, button));
  const [press, finish] = [at("press"), at("finish")];
  press.addEventListener("click", () => act(`${benchPath}/pretend-press`, {}, press));
  finish.addEventListener("click", () => here.series && act(`/api/series/${here.series.id}/finish`, {}, finish));
  at("resume").addEventListener("click", () => here.series && act(`/api/series/${here.series.id}/resume`, {}, at("resume")));
  undo.runBy((undoing) => during(at("undo"), undoing));
  at("in-hand").addEventListener("click", (event) => during(at("in-hand"), () => inHand.act(event, benchPath)));
  at("again").addEventListener("click", async () => {
    const left = here.series;
    if (left) memory.set(`left ${name}`, left.id);
    here.series = null;
    notice("");
    here.finished?.end();
    at("heard").hidden = true;
    const known = await setup.offered(left).catch(() => null);
    if (here.series) return; // started elsewhere in the meantime
    if (known) setup.prepare(here.methods, ...known);
    view("setup");
  });
  document.addEventListener("units", unitsChanged);
  addEventListener("storage", unitsChanged);
  unitsChanged();
}

// ---- begin

const [navigation] = performance.getEntriesByType("navigation");
const how = navigation instanceof PerformanceNavigationTiming ? navigation.type : "navigate";

// As the server wrote it into the page. A page that the browser restores from its memory may be
// hours old, so it asks.
/** @returns {Promise<BenchPageState>} */
async function initialState() {
  /** @type {BenchPageState} */
  const written = JSON.parse(at("page-state").textContent ?? "");
  if (how !== "back_forward") return written;
  const state = await get(benchPath);
  const head = state.series ?? state.ended;
  const [whole, [machines, works, proposed]] = await Promise.all([head ? get(`/api/series/${head.id}`) : null, setup.offered(head)]);
  return { bench: state, series: whole, since: state.since_change, machines, works, proposed, methods: written.methods, store: here.store };
}

async function load() {
  try {
    const initial = await initialState();
    const { bench: state, series: whole, machines, works, proposed, methods: known, store: condition } = initial;
    here.methods = new Map(known.map((m) => [m.key, m]));
    here.store = condition;
    notice("");
    setup.prepare(here.methods, machines, works, proposed, how !== "navigate");
    const running = state.series && !state.series.finished_at ? state.series : null;
    if (whole && running) {
      here.bench = state;
      present(running);
      if (at("places").dataset.method !== whole.method) guiding.showPlaces(running);
      here.since = initial.since;
      fill(whole);
      setup.measured(running);
      if (setup.namesAnother(running)) here.meanwhile = `A series of ${running.machine.name}${setup.stopWords(running)} still runs, and each reading goes to it. To measure what you chose instead, finish it, then tap “Set up the next series”.`;
    } else await showLast(initial);
    follow(state);
    listen(name, state.last_event, hear, (up, why) => {
      link(up, why);
      if (up) typing.sendKept();
    });
  } catch (error) {
    notice(error instanceof Refused ? messageOf(error) : `${messageOf(error)} Trying again…`);
    setTimeout(load, 2000);
  }
}

memory.set("bench", name);
wire();
askForSound();
typing.begin();
addEventListener("pageshow", (event) => event.persisted && location.reload());
load();
typing.sendAll();
