// The card: numbers in the units chosen, and a button that prints.

import { at } from "../shared/elements.js";
import "../shared/units.js";

const button = at("print");
button.hidden = false;
button.addEventListener("click", () => print());
