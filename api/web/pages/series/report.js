// The report: numbers in the person's units, and a button that prints.

import "../shared/units.js";

const button = document.getElementById("print");
button.hidden = false;
button.addEventListener("click", () => print());
