// A caliper's own page: corrects what is said of it; starts a study and opens the Bench page, which
// then waits for presses.

import { benchPage } from "../shared/addresses.js";
import { all, around, entries, one } from "../shared/elements.js";
import { Refused, memory, messageOf, patch, post } from "../shared/http.js";
import { correct, done } from "../shared/trail.js";
import { by } from "../shared/who.js";

const caliper = String(one(document, "[data-caliper]").dataset.caliper);
/** @type {`/api/calipers/${string}`} */
const address = `/api/calipers/${encodeURIComponent(caliper)}`;
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
    const series = await post(`${address}/studies`, {
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
    wrong.textContent = messageOf(error, form);
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

jaws.addEventListener("submit", (event) => {
  event.preventDefault();
  correct(jaws, address, (said) => {
    const width = "jaw_width" in said || "unit" in said;
    const unit = "readings_unit" in said;
    return {
      ...(width && { jaw_width: entries(jaws).jaw_width?.trim() || null, unit: entries(jaws).unit }),
      ...(unit && { readings_unit: said.readings_unit }),
    };
  });
});

const checks = one(document, "#checks-form", HTMLFormElement);
checks.addEventListener("submit", (event) => {
  event.preventDefault();
  correct(checks, address);
});

const correcting = one(document, "#correct-form", HTMLFormElement);
correcting.addEventListener("submit", (event) => {
  event.preventDefault();
  const others = all(document, "#others option", HTMLOptionElement).map((option) => option.value);
  correct(correcting, address, (said) => {
    const another = said.name && others.includes(said.name);
    return another && !confirm(`Another caliper is called ${said.name}. Are they the same caliper? Their readings are those of one from then on; it can be undone.`) ? null : said;
  }, (said) => `/calipers/${encodeURIComponent(said.name ?? caliper)}`);
});

document.addEventListener("click", (event) => {
  const button = around(event, "[data-retire]");
  if (button) done(() => patch(address, { ...by(), retired: button.dataset.retire === "yes" }));
});

const kept = memory.get("study", null);
for (const form of forms) {
  form.addEventListener("submit", (event) => begin(form, event));
  if (kept?.unit) one(form, "[name=unit]", HTMLSelectElement).value = kept.unit;
  if (kept?.person) one(form, "[name=person]", HTMLInputElement).value = kept.person;
}
