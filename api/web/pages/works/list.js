// The Works page: makes a work, and shows its page.

import { all, at, entries } from "../shared/elements.js";
import { messageOf, post, Refused } from "../shared/http.js";

const form = at("new-work", HTMLFormElement);

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const fields = all(form, "[name]");
  for (const field of fields) field.removeAttribute("aria-invalid");
  const said = Object.entries(entries(form)).map(([name, value]) => [name, value.trim()]);
  try {
    const made = await post("/api/works", Object.fromEntries(said.filter(([, value]) => value)));
    location.assign(`/works/${made.id}`);
  } catch (error) {
    at("new-status").textContent = messageOf(error, form);
    const wrong = fields.find((field) => error instanceof Refused && field.getAttribute("name") === error.errors[0]?.field);
    wrong?.setAttribute("aria-invalid", "true");
    wrong?.focus();
  }
});
