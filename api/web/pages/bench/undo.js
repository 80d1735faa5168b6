// Undoing what was done at the bench, on this page, another one, or with the caliper.

import { post } from "../shared/http.js";
import * as sounds from "../shared/sounds.js";
import { endUndo, offerUndo } from "../shared/undo.js";
import { showState } from "./measuring.js";

/** @typedef {{ path: string, body?: object }} Step what is posted to undo one step of an act */
/** @typedef {{ untilPress?: boolean, seconds?: number, touches?: string[] }} Terms */

/** @type {(undoing: () => Promise<void>) => unknown} */
let run = (undoing) => undoing();
let endsWithPress = false;
const ANSWER_MS = 400; // in which the events that an undo brings have come, with sounds of their own
// What this page itself is doing comes back as events, which are no acts of their own.
/** @type {Set<string>} */
const own = new Set();

/**
 * `runner` does what it is given, and says what is wrong.
 * @param {(undoing: () => Promise<void>) => unknown} runner
 */
export function runBy(runner) {
  run = runner;
}

/**
 * Offer to undo an act, by steps of which the last comes first, or as said. untilPress: the next press takes the place of what would
 * be undone; touches: the keys of the events that undoing it brings.
 * @param {string} words what was done
 * @param {Step[] | (() => Promise<void>)} undoing
 * @param {Terms} [terms]
 */
export function offer(words, undoing, terms = {}) {
  endsWithPress = terms.untilPress ?? false;
  const undo = async () => {
    const before = sounds.asked();
    await doing(terms.touches ?? [], async () => {
      if (typeof undoing === "function") return undoing();
      for (const { path, body } of [...undoing].reverse()) await post(path, body);
    });
    setTimeout(() => sounds.asked() === before && undone(words), ANSWER_MS);
  };
  offerUndo(words, () => run(undo), terms.seconds);
}

/** @param {string} words what is undone, where no event has answered that */
function undone(words) {
  showState("undone", `undone: ${words.charAt(0).toLowerCase()}${words.slice(1)}`);
  sounds.play("undone");
}

/**
 * An act was heard of: offer to undo it, unless it is a part of what this page does itself.
 * @param {string} key what it touches
 * @param {string} words what was done
 * @param {Step} step
 * @param {Terms} [terms]
 */
export function heard(key, words, step, terms) {
  if (!own.delete(key)) offer(words, [step], terms);
}

/**
 * Do what events about `keys` will answer.
 * @param {string[]} keys
 * @param {() => Promise<void>} what
 */
export async function doing(keys, what) {
  for (const key of keys) own.add(key);
  try {
    await what();
  } catch (error) {
    own.clear();
    throw error;
  }
}

/** A reading was pressed. */
export function pressed() {
  if (endsWithPress) endUndo();
}

export { endUndo };
