// What was just done can be undone with one button for some time. The page includes undo.html.

import { at, one } from "./elements.js";

/** @type {ReturnType<typeof setTimeout> | undefined} */
let timer;

/**
 * Show `words` with a button for `undo`, in place of what was offered before.
 * @param {string} words what was done
 * @param {() => unknown} undo
 * @param {number} [seconds] for how long; without it, as long as an undo is offered at all
 */
export function offerUndo(words, undo, seconds) {
  const offer = at("undo");
  one(offer, "span").textContent = words;
  one(offer, "button", HTMLButtonElement).onclick = () => {
    endUndo();
    undo();
  };
  offer.hidden = false;
  clearTimeout(timer);
  timer = setTimeout(endUndo, (seconds ?? Number(offer.dataset.offered)) * 1000);
}

/** Offer nothing more: what was done is no longer the last act. */
export function endUndo() {
  clearTimeout(timer);
  at("undo").hidden = true;
}
