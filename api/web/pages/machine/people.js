// Gives people and passes another name, or none, from the Machines page.

import { at, entries } from "../shared/elements.js";
import { messageOf, patch } from "../shared/http.js";

const form = at("people-form", HTMLFormElement);
const chosen = at("person", HTMLSelectElement);
const anonymous = at("anonymous", HTMLButtonElement);
const asks = anonymous.textContent;

/** @param {{ name: string } | { anonymous: true }} body */
async function rename(body) {
  const option = chosen.selectedOptions[0];
  if (!option) return;
  const before = option.text;
  unasked();
  try {
    const { name, still } = /** @type {RenamedOut} */ (await patch(`/api/people/${option.value}`, body));
    option.text = name;
    at("new-person-name", HTMLInputElement).value = "";
    at("people-status").textContent = [`${before} is called ${name} now.`, ...still].join(" ");
  } catch (error) {
    at("people-status").textContent = messageOf(error, form);
  }
}

function unasked() {
  delete anonymous.dataset.sure;
  anonymous.textContent = asks;
}

chosen.addEventListener("change", unasked);
form.addEventListener("submit", (event) => {
  event.preventDefault();
  rename({ name: entries(form).name?.trim() ?? "" });
});
anonymous.addEventListener("click", () => {
  if (anonymous.dataset.sure) rename({ anonymous: true });
  else {
    // It can't be undone: nothing keeps the name.
    anonymous.dataset.sure = "asked";
    anonymous.textContent = `Yes, forget the name ${chosen.selectedOptions[0]?.text}`;
  }
});
