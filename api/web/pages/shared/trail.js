// What a page's corrections have in common: what of a form is corrected, and undo.

import { all, around, at } from "./elements.js";
import { actedAgo, messageOf, patch, post, Refused } from "./http.js";
import * as sounds from "./sounds.js";
import { showError } from "./problem.js";
import { endUndo, offerUndo } from "./undo.js";
import { by } from "./who.js";

/** @typedef {HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement} Field */

/**
 * What the page showed in a field.
 * @param {Field} field
 */
function shown(field) {
  if (!(field instanceof HTMLSelectElement)) return field.defaultValue;
  return [...field.options].find((option) => option.defaultSelected)?.value ?? field.options[0]?.value ?? "";
}

/**
 * Correct at `address` what of `form` differs from what the page showed, and show the page as it is
 * then.
 * @param {HTMLFormElement} form with an element of class `status`
 * @param {string} address
 * @param {(said: Record<string, string | null>) => object | null} [read] the body; null: nothing is sent
 * @param {(said: Record<string, string | null>) => string} [then] the address of the page then
 */
export async function correct(form, address, read = (said) => said, then) {
  const fields = /** @type {Field[]} */ (all(form, "input[name], select[name], textarea[name]"));
  /** @type {Record<string, string | null>} */
  const said = {};
  for (const field of fields) {
    field.removeAttribute("aria-invalid");
    if (field.value.trim() !== shown(field)) said[field.name] = field.value.trim() || null;
  }
  const body = read(said);
  if (body === null) return;
  /** @param {string} text */
  const say = (text) => all(form, ".status").forEach((status) => (status.textContent = text));
  if (Object.keys(body).every((name) => name === "reason")) return say("Nothing is changed here yet: change what is wrong first.");
  try {
    await patch(address, { ...by(), ...body });
    await sounds.playOut("corrected");
    if (then) location.replace(then(said));
    else location.reload();
  } catch (error) {
    say(messageOf(error, form));
    sounds.playOut("refused");
    const wrong = fields.find((field) => error instanceof Refused && field.name === error.errors[0]?.field);
    wrong?.closest("details")?.setAttribute("open", "");
    wrong?.setAttribute("aria-invalid", "true");
    wrong?.focus();
  }
}

/**
 * The page with what was done, or why it could not be done in an element of role alert.
 * @param {() => Promise<unknown>} act
 * @param {string} [sound] that answers it
 */
export async function done(act, sound = "corrected") {
  try {
    await act();
    await sounds.playOut(sound);
    // What the page is of may be called otherwise now.
    const [{ dataset }] = all(document, "main");
    if (dataset.address) location.replace(dataset.address);
    else location.reload();
  } catch (error) {
    showError(error);
    sounds.playOut("refused");
  }
}

document.addEventListener("click", (event) => {
  const button = around(event, "[data-undo]");
  if (button) done(() => post(`/api/changes/${button.dataset.undo}/undo`, by()), "undone");
});

// How far the server's and this browser's age of an act may differ: what its answer and the page took.
const WAYS_S = 5;

/**
 * Offer to undo what was done last, while pages still offer it, if it was done in this tab: what
 * a program or somebody elsewhere did is undone where it is listed.
 */
export function offerLast() {
  const [latest] = all(document, "[data-seconds]").sort((a, b) => Number(b.dataset.seconds) - Number(a.dataset.seconds));
  const left = Number(latest?.dataset.seconds);
  if (!latest || !(Math.abs(Number(at("undo").dataset.offered) - left - actedAgo()) < WAYS_S)) return endUndo();
  offerUndo(`${latest.dataset.words}.`, () => latest.click(), left);
}

offerLast();
