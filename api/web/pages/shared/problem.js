// Why an act could not be done, in the page's element of role alert.

import { at } from "./elements.js";
import { messageOf } from "./http.js";

/** @param {unknown} error */
export function showError(error) {
  const problem = at("problem");
  problem.textContent = messageOf(error);
  problem.hidden = false;
  problem.scrollIntoView({ block: "nearest" });
}
