// What the buttons of a running series do.

import { Refused, messageOf, post } from "../shared/http.js";
import { ask } from "./following.js";
import { benchPath, here } from "./here.js";
import { failed, notice } from "./screen.js";
import * as sounds from "../shared/sounds.js";
import * as undo from "./undo.js";

// Until the server answers, the button does nothing more; it is not disabled, because that would
// take the focus away from a person at the keyboard.
/**
 * @param {string} path
 * @param {object} body
 * @param {HTMLElement} button
 */
export const act = (path, body, button) => during(button, () => post(path, body));

/**
 * @param {HTMLElement} button
 * @param {() => Promise<unknown>} doing
 */
export async function during(button, doing) {
  if (button.ariaBusy === "true") return;
  notice("");
  button.ariaBusy = "true";
  try {
    await doing();
    if (!here.linked) await ask();
  } catch (error) {
    failed(messageOf(error));
    sounds.play("refused");
  } finally {
    button.ariaBusy = "false";
  }
}

/**
 * Say why an act can't be done.
 * @param {string} why
 */
export function cannot(why) {
  notice(why, true);
  sounds.play("refused");
}

/**
 * Let a reading count.
 * @param {string} reading
 * @param {HTMLElement} button
 */
export const count = (reading, button) =>
  during(button, async () => {
    await post(`${benchPath}/restore`, { reading });
    undo.offer("The reading counts now.", [{ path: `${benchPath}/take-back`, body: { reading } }], { touches: [reading] });
  });

/**
 * Take back a reading that waits for an answer.
 * @param {AwaitingOut} waits
 * @param {HTMLElement} button
 */
export const drop = (waits, button) =>
  during(button, async () => {
    await post(`${benchPath}/take-back`, { reading: waits.id });
    offerCounting(waits);
  });

/**
 * A reading that waited was taken back: offer to count it.
 * @param {AwaitingOut} waited
 */
export function offerCounting({ id, sent }) {
  undo.offer(`${sent.trim()} taken back. Undo to count it again.`, [{ path: `${benchPath}/restore`, body: { reading: id } }], { untilPress: true });
}

const NO_STRIP = "There is no strip yet: the first strip begins the first visit to the stop.";

/**
 * The machine was swung away and back to its stop.
 * @param {HTMLElement} button
 */
export function away(button) {
  if (![...here.trials.values()].some((t) => t.readings.length)) return cannot(NO_STRIP);
  return during(button, async () => {
    try {
      await post(`${benchPath}/away`);
    } catch (error) {
      if (!(error instanceof Refused && error.status === 409) || !here.series || here.series.finished_at) throw error;
      notice("This is noted already.", true);
    }
    sounds.play("corrected");
    undo.offer("Away and back: the next strip begins another visit to the stop.", [{ path: `${benchPath}/stayed` }], { untilPress: true });
  });
}
