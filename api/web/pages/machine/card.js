// The card: numbers in the units chosen, and a button that prints.

import { at } from "../shared/elements.js";
import "../shared/units.js";

at("print").addEventListener("click", () => print());
