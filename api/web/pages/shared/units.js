// Numbers in the units that the person chose. The server writes them in mm and degrees.
//
// <data class="len" value="203.86" data-u="0.02">203.86 mm</data>  a length, value in mm
// <data class="ang" value="0.0521" data-u="0.011">0.052°</data>    an angle, value in degrees
// In a drawing: <text class="len" data-value="...">. `data-u`, where given, is the uncertainty
// that decides how many digits are shown; `data-sign` shows a plus as well.
// <data class="measure" value="0.0286" data-u="0.0037" data-unit="degrees" data-decimals="4">, in a
// sentence, in the server's own unit; it stays so until the person has chosen units.
// A <select data-units="length"> or "angle" lets the person choose; both are remembered.

import { memory } from "./http.js";
import { all, around } from "./elements.js";
import { ANGLES, LENGTHS, chosen, measureIn, text } from "./measures.js";

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
  for (const element of /** @type {NodeListOf<HTMLDataElement>} */ (root.querySelectorAll("data.measure"))) {
    const { u, unit, decimals } = element.dataset;
    element.dataset.written ??= element.textContent ?? "";
    const measure = { value: Number(element.value), uncertainty: u === undefined ? null : Number(u), unit: unit ?? "", decimals: Number(decimals) };
    const inOther = memory.get("units", null) && measureIn(measure, units);
    element.textContent = inOther || element.dataset.written;
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
