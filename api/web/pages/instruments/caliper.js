// A caliper's own page: starts a study and opens the Bench page, which then waits for presses.

import { benchPage } from "../shared/addresses.js";
import { all, entries, one } from "../shared/elements.js";
import { Refused, memory, messageOf, patch, post } from "../shared/http.js";

const caliper = String(one(document, "[data-caliper]").dataset.caliper);
const forms = all(document, "[data-begin]", HTMLFormElement);

/**
 * @param {HTMLFormElement} form
 * @param {SubmitEvent} event
 */
async function begin(form, event) {
  event.preventDefault();
  const wrong = one(form, ".wrong");
  const instead = one(form, "[name=instead]");
  const fields = entries(form);
  const person = (fields.person ?? "").trim();
  for (const field of form.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
  wrong.textContent = "";
  memory.set("study", { unit: fields.unit, person });
  try {
    const series = await post(`/api/calipers/${encodeURIComponent(caliper)}/studies`, {
      method: form.dataset.begin,
      unit: fields.unit,
      person: person || undefined,
      repeats: fields.repeats ? Number(fields.repeats) : undefined,
      block: fields.block?.trim() || undefined,
      block_within: fields.block_within?.trim() || undefined,
      instead: event.submitter === instead,
    });
    location.href = benchPage(series.bench);
  } catch (error) {
    wrong.textContent = messageOf(error);
    if (error instanceof Refused && error.status === 409) {
      wrong.textContent += " Or end it now: its readings stay.";
      instead.hidden = false;
    }
    const named = error instanceof Refused ? error.errors.map(({ field }) => form.elements.namedItem(String(field))) : [];
    const fields = named.filter(/** @returns {field is HTMLElement} */ (field) => field instanceof HTMLElement);
    for (const field of fields) field.setAttribute("aria-invalid", "true");
    all(form, "[aria-invalid]")[0]?.focus();
  }
}

const jaws = one(document, "#jaws-form", HTMLFormElement);

/** @param {SubmitEvent} event */
async function rememberJaws(event) {
  event.preventDefault();
  const wrong = one(jaws, ".wrong");
  const field = one(jaws, "[name=jaw_width]", HTMLInputElement);
  wrong.textContent = "";
  field.removeAttribute("aria-invalid");
  try {
    await patch(`/api/calipers/${encodeURIComponent(caliper)}`, {
      jaw_width: field.value.trim() || null,
      unit: entries(jaws).unit,
    });
    location.reload();
  } catch (error) {
    wrong.textContent = messageOf(error);
    field.setAttribute("aria-invalid", "true");
    field.focus();
  }
}

jaws.addEventListener("submit", rememberJaws);

const kept = memory.get("study", null);
for (const form of forms) {
  form.addEventListener("submit", (event) => begin(form, event));
  if (kept?.unit) one(form, "[name=unit]", HTMLSelectElement).value = kept.unit;
  if (kept?.person) one(form, "[name=person]", HTMLInputElement).value = kept.person;
}
