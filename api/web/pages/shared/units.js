// Numbers in the units that the person chose. The server writes them in mm and degrees.
//
// <data class="len" value="203.86" data-u="0.02">203.86 mm</data>  a length, value in mm
// <data class="ang" value="0.0521" data-u="0.011">0.052°</data>    an angle, value in degrees
// In a drawing: <text class="len" data-value="...">. `data-u`, where given, is the uncertainty
// that decides how many digits are shown; `data-sign` shows a plus as well.
// A <select data-units="length"> or "angle" lets the person choose; both are remembered.

import { memory } from "./http.js";
import { all, around } from "./elements.js";
import { ANGLES, LENGTHS, chosen, text } from "./measures.js";

const WHERE = ["len", "ang"].map((kind) => `data.${kind}, svg .${kind}[data-value]`).join(", ");

/**
 * @param {string} kind `length` or `angle`
 * @param {string} unit
 */
export function choose(kind, unit) {
  memory.set("units", { ...chosen(), [kind]: unit });
  show();
}

/**
 * Write all marked numbers below `root` in the chosen units.
 * @param {ParentNode} root
 */
export function show(root = document) {
  const units = chosen();
  for (const element of /** @type {NodeListOf<HTMLElement | SVGElement>} */ (root.querySelectorAll(WHERE))) {
    const inLength = element.classList.contains("len");
    // As the server wrote it; kept, so that its digits come back with its unit.
    element.dataset.written ??= element.textContent ?? "";
    const value = Number(element.dataset.value ?? element.getAttribute("value"));
    const own = inLength ? units.length === "mm" : units.angle === "deg";
    const unit = inLength ? LENGTHS[units.length] : ANGLES[units.angle];
    element.textContent = own
      ? element.dataset.written
      : text(value, unit, Number(element.dataset.u), "sign" in element.dataset);
  }
  for (const select of all(root, "select[data-units]", HTMLSelectElement)) {
    select.value = select.dataset.units === "length" ? units.length : units.angle;
  }
}

document.addEventListener("change", (event) => {
  const select = around(event, "select[data-units]", HTMLSelectElement);
  if (select?.dataset.units) choose(select.dataset.units, select.value);
});
// Chosen in another window of this browser.
addEventListener("storage", () => show());
show();
