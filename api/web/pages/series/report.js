// The report: numbers in the person's units, and a button that prints.

import { at } from "../shared/elements.js";
import "../shared/units.js";

const button = at("print");
button.hidden = false;
button.addEventListener("click", () => print());
