// Values that are typed, by a person or by a caliper that is a keyboard, and what waits to be sent.

import { at } from "../shared/elements.js";
import { messageOf, uuid7 } from "../shared/http.js";
import { catchKeys, watchListening } from "../shared/keys.js";
import { ask, unitTyped } from "./following.js";
import { benchPath, here, name, page } from "./here.js";
import { heardRefusal, withdrawn } from "./hearing.js";
import { showNotSent, showTakenBackHere } from "./measuring.js";
import { entryText, outbox, waitingWords } from "./outbox.js";
import { askForSound, notice, sign } from "./screen.js";
import * as sounds from "../shared/sounds.js";

const typedField = at("typed-value", HTMLInputElement);

const box = outbox(name, {
  answered(entry, body) {
    if (here.linked) return; // The live connection tells it.
    const burst = "strokes" in entry.body ? /** @type {KeysOut} */ (body) : null;
    if (burst?.kept === false) heardRefusal({ caliper: "keyboard", text: burst.sent, reason: burst.reason ?? "" });
    else ask();
  },
  refused(entry, error) {
    const text = entryText(entry);
    if (entry.path !== "/api/readings") return heardRefusal({ caliper: "keyboard", text, reason: messageOf(error) });
    open(true);
    sounds.play("refused");
    at("typed-status").textContent = `${text}: ${messageOf(error)}`;
    typedField.value ||= text;
  },
  changed({ waiting, aside, unsaved }) {
    sign("sign-queue", false, waitingWords(waiting, unsaved));
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

/** @param {boolean} shown */
function open(shown) {
  at("typed").hidden = !shown;
  at("type").ariaExpanded = String(shown);
}

function toggle() {
  open(at("typed").hidden);
  if (at("typed").hidden) return;
  notice(""); // instead of the notice that asked for this
  typedField.focus();
  typedField.select(); // what was typed before it was opened, by hand
}

// It is opened by a tap alone: a key that was struck in passing is no value.
function typedByHand() {
  if (page.dataset.running === "true" && at("typed").hidden) notice(`Typed by hand and not kept: ${typedField.value}. To keep a typed value, tap “Type a value”.`, true);
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
  if (!/\p{N}/u.test(sent)) {
    sounds.play("refused");
    at("typed-status").textContent = `“${sent}” has no number in it; type one such as 8.026 or 203,86.`;
    field.select();
    return;
  }
  /** @type {ReadingIn[]} */
  const body = [{ id: uuid7(), bench: name, caliper: "typed", sent, unit: unitTyped(), taken_at: new Date().toISOString(), origin: "typed" }];
  box.put("/api/readings", body);
  keptHere(body);
  field.value = "";
}

/**
 * Answer what is kept in this browser while the server is away.
 * @param {Taken} body
 */
function keptHere(body) {
  if (here.linked !== false) return;
  showNotSent(entryText({ body }));
  sounds.play("kept beside");
}

/**
 * @param {StrokeIn[]} strokes
 * @param {Date} takenAt
 */
function takeBurst(strokes, takenAt) {
  sounds.unlock().then(askForSound);
  const id = uuid7(); // of the reading, too
  const body = { id, taken_at: takenAt.toISOString(), strokes, unit: unitTyped() };
  box.put(`${benchPath}/keys`, body);
  keptHere(body);
  return id;
}

/**
 * @param {StrokeIn[]} strokes
 * @param {number} brokenAt
 * @param {Date} takenAt
 */
function refuseBurst(strokes, brokenAt, takenAt) {
  sounds.unlock().then(askForSound);
  box.put(`${benchPath}/keys`, { id: uuid7(), taken_at: takenAt.toISOString(), strokes, broken_at: brokenAt });
}

/** @param {string} id */
function withdrawBurst(id) {
  withdrawn.add(id);
  // Sent after it even where it still waits: the server may have it although no answer came.
  box.put(`${benchPath}/take-back`, { reading: id });
}

/**
 * Take back the reading that waits in this browser, as one that the server has: it is sent, and then
 * taken back. Whether there was any.
 */
export function takeBackKept() {
  const kept = here.linked === false ? box.newest() : undefined;
  if (!kept?.id) return false;
  box.put(`${benchPath}/take-back`, { reading: kept.id });
  showTakenBackHere(kept.text);
  sounds.play("taken back");
  return true;
}

/** Take what is typed from now on. */
export function begin() {
  at("type").addEventListener("click", toggle);
  at("aside-again").addEventListener("click", () => box.retry());
  // Asks a second time: what is discarded is gone.
  const discard = at("aside-discard");
  discard.addEventListener("click", () => {
    const sure = `Discard ${at("aside-values").textContent} for good`;
    if (discard.textContent === sure) box.discard();
    else discard.textContent = sure;
  });
  at("typed").addEventListener("submit", (event) => {
    event.preventDefault();
    keepTyped();
  });
  watchListening(typedField, (listening, why) => sign("sign-keys", listening, listening ? "listening for keys" : `not listening: ${why}`));
  catchKeys({ field: typedField, take: takeBurst, withdraw: withdrawBurst, refuse: refuseBurst, byHand: typedByHand });
}

/** The server answers: send it what waits for it. */
export const sendKept = () => box.send();

/** Send what waits, and once more what the server could not take. */
export const sendAll = () => box.send().then(box.retry);
