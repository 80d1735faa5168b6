// The card: printed from here, with numbers in the person's own units.

import { at } from "../shared/elements.js";
import "../shared/units.js";

at("print").addEventListener("click", () => print());
