// Corrects a machine and its setup changes, from the machine's page.

import { all, around, at } from "../shared/elements.js";
import { patch } from "../shared/http.js";
import { correct, done } from "../shared/trail.js";
import { by } from "../shared/who.js";

const machine = `/api/machines/${at("machine").dataset.machine}`;
const form = at("correct-form", HTMLFormElement);
form.addEventListener("submit", (event) => {
  event.preventDefault();
  correct(form, machine);
});

/**
 * A moment as a field of local time has it.
 * @param {Date} at
 */
const local = (at) => new Date(at.getTime() - at.getTimezoneOffset() * 60_000).toISOString().slice(0, 16);

for (const field of all(document, "[data-at]", HTMLInputElement)) field.defaultValue = local(new Date(String(field.dataset.at)));

for (const change of all(document, "[data-change]", HTMLFormElement)) {
  change.addEventListener("submit", (event) => {
    event.preventDefault();
    correct(change, `/api/setup-changes/${change.dataset.change}`, (said) => (said.at ? { ...said, at: new Date(said.at).toISOString() } : said));
  });
}

document.addEventListener("click", (event) => {
  const button = around(event, "[data-retire], [data-withdraw], [data-happened]");
  if (!button) return;
  const { retire, withdraw, happened } = button.dataset;
  if (retire) done(() => patch(machine, { ...by(), retired: retire === "yes" }));
  else done(() => patch(`/api/setup-changes/${withdraw ?? happened}`, { ...by(), withdrawn: withdraw !== undefined }));
});
