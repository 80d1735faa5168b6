// Numbers in the units that the person chose. The server writes them in mm and degrees.
//
// <data class="len" value="203.86" data-u="0.02">203.86 mm</data>  a length, value in mm
// <data class="ang" value="0.0521" data-u="0.011">0.052°</data>    an angle, value in degrees
// In a drawing: <text class="len" data-value="...">. `data-u`, where given, is the uncertainty
// that decides how many digits are shown; `data-sign` shows a plus as well.
// <data class="measure" value="0.0286" data-u="0.0037" data-unit="degrees" data-decimals="4">, in a
// sentence. Each stays as the server wrote it until the person has chosen units.
// <select data-units="length"> and "angle" and <input data-units="joint"> let the person choose; all
// are remembered.

import { get, memory, messageOf } from "./http.js";
import { all, around } from "./elements.js";
import { LENGTHS, angleUnit, chosen, measureIn, text } from "./measures.js";

const WHERE = ["len", "ang"].map((kind) => `data.${kind}, svg .${kind}[data-value]`).join(", ");

/**
 * Write all marked numbers below `root` in the chosen units.
 * @param {ParentNode} root
 */
export function show(root = document) {
  const units = chosen();
  const angle = units.angle === "deg" ? null : angleUnit(units);
  const length = units.length && LENGTHS[units.length];
  for (const element of /** @type {NodeListOf<HTMLElement | SVGElement>} */ (root.querySelectorAll(WHERE))) {
    const unit = element.classList.contains("len") ? length : angle;
    // A page of a long series has a thousand that need no change.
    if (!unit && element.dataset.written === undefined) continue;
    // As the server wrote it; kept, so that its digits come back with its unit.
    element.dataset.written ??= element.textContent ?? "";
    const value = Number(element.dataset.value ?? element.getAttribute("value"));
    const shown = unit && text(value, bare(element, unit), Number(element.dataset.u), "sign" in element.dataset);
    element.textContent = shown ?? element.dataset.written;
  }
  for (const element of /** @type {NodeListOf<HTMLDataElement>} */ (root.querySelectorAll("data.measure"))) {
    const { u, unit, decimals } = element.dataset;
    const measure = { value: Number(element.value), uncertainty: u === undefined ? null : Number(u), unit: unit ?? "", decimals: Number(decimals) };
    const shown = measureIn(measure, units);
    if (!shown && element.dataset.written === undefined) continue;
    element.dataset.written ??= element.textContent ?? "";
    // The unit of "0.1 to 0.3 mm" is written once.
    element.textContent = (shown && "bare" in element.dataset ? shown.split(" ")[0] : shown) ?? element.dataset.written;
  }
  // The marks of an axis have no room for it.
  for (const said of root.querySelectorAll("figure .in-units")) {
    const angles = said.closest("figure")?.querySelector("svg .ang");
    said.textContent = angles && angle?.over ? `Angles are in ${angle.said}.` : "";
  }
  for (const unit of root.querySelectorAll("svg .unit")) unit.textContent = length ? "" : "mm";
  for (const select of all(root, "select[data-units]", HTMLSelectElement)) {
    select.value = (select.dataset.units === "length" ? units.length : units.angle) ?? "";
  }
  for (const field of all(root, "input[data-units=joint]", HTMLInputElement)) {
    const { mm, unit } = units.joint ?? { mm: 0, unit: "mm" };
    if (mm && field !== document.activeElement) field.value = `${Number((mm * LENGTHS[unit].per).toFixed(6))} ${unit}`;
    const label = field.closest("label");
    if (label) label.hidden = units.angle !== "gap";
  }
}

/**
 * The unit without its word where that stands elsewhere: a slope's is too long for the marks of an
 * axis, and once is enough for a value and its uncertainty.
 * @param {HTMLElement | SVGElement} element
 * @param {ShownUnit} unit
 */
function bare(element, unit) {
  const first = element.parentElement?.classList.contains("with-u") && element.nextElementSibling;
  return unit.over && (first || element instanceof SVGElement) ? { ...unit, word: "" } : unit;
}

/**
 * The keyboard for lengths in `unit`: the keypad of digits has no "/" for fractions of an inch.
 * @param {string} unit
 */
export const keyboardOf = (unit) => (unit === "in" ? "text" : "decimal");

/**
 * Give each field for a length the keyboard for the unit of its form, which is called as its
 * `data-length` says, or "unit".
 */
export function keyboards() {
  for (const field of all(document, "input[data-length]", HTMLInputElement)) {
    const unit = field.form?.elements.namedItem(field.dataset.length || "unit");
    if (unit && "value" in unit) field.inputMode = keyboardOf(String(unit.value));
  }
}

/** @param {HTMLSelectElement | HTMLInputElement} field */
async function choose(field) {
  const before = memory.get("units", null) ?? {};
  if (field.dataset.units !== "joint") {
    memory.set("units", { ...before, [String(field.dataset.units)]: field.value || undefined });
    return;
  }
  // The server reads it, as it reads every length that is typed.
  const unit = chosen().length === null || chosen().length === "mm" ? "mm" : "in";
  try {
    const joint = await get(`/api/length?unit=${unit}&text=${encodeURIComponent(field.value)}`);
    memory.set("units", { ...before, joint });
    field.setCustomValidity("");
  } catch (error) {
    field.setCustomValidity(messageOf(error));
  }
  field.reportValidity();
}

document.addEventListener("change", async (event) => {
  keyboards();
  const field = around(event, "select[data-units], input[data-units]");
  if (!(field instanceof HTMLSelectElement || field instanceof HTMLInputElement)) return;
  await choose(field);
  show();
  document.dispatchEvent(new Event("units"));
});
// Chosen in another window of this browser.
addEventListener("storage", () => show());
show();
keyboards();
