// The Machines page: numbers in the units chosen, and the list of changed verdicts, until it is seen.

import { at, one } from "../shared/elements.js";
import { messageOf, post } from "../shared/http.js";
import "../shared/units.js";

document.getElementById("changed-seen")?.addEventListener("click", async () => {
  const button = one(document, "#changed-seen", HTMLButtonElement);
  button.disabled = true;
  try {
    await post("/api/rules/seen", { rules: Number(button.dataset.rules) });
    at("changed-rules").remove();
  } catch (error) {
    at("changed-status").textContent = messageOf(error);
    button.disabled = false;
  }
});
