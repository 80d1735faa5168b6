// Numbers in the units that the person chose. The server writes them in mm and degrees.
//
// <data class="len" value="203.86" data-u="0.02">203.86 mm</data>  a length, value in mm
// <data class="ang" value="0.0521" data-u="0.011">0.052°</data>    an angle, value in degrees
// In a drawing: <text class="len" data-value="...">. `data-u`, where given, is the uncertainty
// that decides how many digits are worth showing; `data-sign` shows a plus as well.
// A <select data-units="length"> or "angle" lets the person choose; both are remembered.

import { memory } from "./http.js";
import { ANGLES, LENGTHS, chosen, text } from "./measures.js";

const KINDS = { len: ["length", LENGTHS, "mm"], ang: ["angle", ANGLES, "deg"] };
const WHERE = ["len", "ang"].map((kind) => `data.${kind}, svg .${kind}[data-value]`).join(", ");

export function choose(kind, unit) {
  memory.set("units", { ...chosen(), [kind]: unit });
  show();
}

/** Write all marked numbers below `root` in the chosen units. */
export function show(root = document) {
  const units = chosen();
  for (const element of root.querySelectorAll(WHERE)) {
    const [kind, table, usual] = KINDS[element.classList.contains("len") ? "len" : "ang"];
    // As the server wrote it; kept, so that its digits come back with its unit.
    element.dataset.written ??= element.textContent;
    const value = Number(element.dataset.value ?? element.getAttribute("value"));
    const own = units[kind] === usual;
    element.textContent = own
      ? element.dataset.written
      : text(value, table[units[kind]], Number(element.dataset.u), "sign" in element.dataset);
  }
  for (const select of root.querySelectorAll("select[data-units]")) select.value = units[select.dataset.units];
}

document.addEventListener("change", (event) => {
  const kind = event.target.dataset?.units;
  if (kind) choose(kind, event.target.value);
});
// Another window of this browser chose.
addEventListener("storage", () => show());
show();
