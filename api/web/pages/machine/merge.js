// The page that makes two machines one.

import { at } from "../shared/elements.js";
import { post } from "../shared/http.js";
import { showError } from "../shared/problem.js";
import { by } from "../shared/who.js";

document.getElementById("merge")?.addEventListener("click", async () => {
  const button = at("merge", HTMLButtonElement);
  button.disabled = true;
  try {
    await post(`/api/machines/${button.dataset.machine}/merge`, { ...by(), into: button.dataset.into });
    location.assign(`/machine/${button.dataset.into}`);
  } catch (error) {
    showError(error);
    button.disabled = false;
  }
});
