// What of the page is shown, what it says of connections and calipers, and that its screen stays on.

import { hasEnded } from "../shared/access.js";
import { at, one } from "../shared/elements.js";
import { here, page, running } from "./here.js";
import * as sounds from "../shared/sounds.js";
import * as words from "./words.js";

/** @param {"setup" | "guide" | "measuring" | "finished"} which */
export function view(which, focus = true) {
  const changed = page.dataset.view !== which;
  page.dataset.view = which;
  at("setup").hidden = which !== "setup";
  at("guide").hidden = which !== "guide";
  at("measuring").hidden = which !== "measuring";
  at("finished").hidden = which !== "finished";
  if (changed && focus) {
    scrollTo(0, 0);
    at(`${which}-title`).focus({ preventScroll: true });
  }
  wake();
}

const LONG = 160; // characters; in large type they would push the reading off a phone's screen
let said = { text: "", calm: true }; // of an act, until the next act or press
let matters = { text: "", calm: true }; // of what the page depends on, for as long as it is so

function showNotices() {
  const shown = [said, matters].filter(({ text }) => text);
  const text = shown.map((each) => each.text).join("\n");
  // An alert that is written again is read aloud again.
  if (at("notice").textContent !== text) at("notice").textContent = text;
  at("notice").hidden = !text;
  at("notice").classList.toggle("calm", shown.every(({ calm }) => calm));
  at("notice").classList.toggle("long", text.length > LONG);
}

/**
 * Say what became of an act, or with "" nothing more of it.
 * @param {string} text
 */
export function notice(text, calm = false) {
  said = { text, calm };
  showNotices();
}

/**
 * Say why an act failed, in sight of who did it.
 * @param {string} why
 */
export function failed(why) {
  notice(why);
  at("notice").scrollIntoView({ block: "nearest" });
}

/**
 * @param {string} id
 * @param {boolean} on
 * @param {string} text
 */
export function sign(id, on, text) {
  const element = at(id);
  const words = one(element, "span");
  element.hidden = false;
  if (words.textContent === text) return;
  element.dataset.on = String(on);
  one(element, "use", SVGUseElement).setAttribute("href", on ? "#mark-on" : "#mark-off");
  words.textContent = text;
}

const NOT_CONNECTED =
  "Not connected to the server; this page tries again by itself. What comes meanwhile is kept: here what is typed or pressed on a keyboard caliper, at the caliper what a program that listens there hears, at the server what it hears while it runs. A press at a server that has stopped is not kept.";

// And what else the page depends on: the connection, the store, what came while it was away.
export function showCalipers() {
  const items = [...here.calipers.values()].map((c) => {
    const item = document.createElement("li");
    item.textContent = `${c.name}: ${c.state}${c.message ? ". " + c.message : ""}`;
    return item;
  });
  if (items.length) at("calipers").replaceChildren(...items);
  // What is said of the store need not be said of each caliper again.
  const inTrouble = [...here.calipers.values()].filter(
    (c) => c.state === "unplugged" || (c.state === "trouble" && !(here.store.message && c.message.includes(here.store.message))),
  );
  const lines = inTrouble.map((c) => `${c.name}: ${c.message || c.state}`);
  if (here.linked === false && running() && !hasEnded()) lines.unshift(NOT_CONNECTED);
  if (here.store.message) lines.unshift(`${words.sentence(here.store.message)} Kept beside it so far: ${here.store.kept_beside}.`);
  const calm = !lines.length;
  if (here.meanwhile) lines.unshift(here.meanwhile);
  matters = { text: lines.join("\n"), calm };
  showNotices();
}

/** @type {WakeLockSentinel | null} */
let lock = null;
export async function wake() {
  const wanted = page.dataset.view === "measuring" && running();
  page.dataset.running = String(Boolean(wanted));
  at("full").hidden = !document.fullscreenEnabled;
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

export function askForSound() {
  at("unlock").hidden = !sounds.locked();
}

/** Let the measuring view have the whole screen, or give it back. */
export function full() {
  if (document.fullscreenElement) document.exitFullscreen();
  else document.documentElement.requestFullscreen().catch((error) => notice(`The whole screen was refused: ${error.message}`, true));
}

export function showFull() {
  at("full").textContent = document.fullscreenElement ? "Leave full screen" : "Full screen";
}
