// The card: printed from here, with numbers in the person's own units.

import "../shared/units.js";

document.getElementById("print").addEventListener("click", () => print());
