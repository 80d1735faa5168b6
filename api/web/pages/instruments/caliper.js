// A caliper's own page: begins a study and opens the Bench page, which then waits for presses.

import { Refused, memory, post } from "../shared/http.js";

const caliper = document.querySelector("[data-caliper]").dataset.caliper;
const forms = [...document.querySelectorAll("[data-begin]")];

async function begin(event) {
  event.preventDefault();
  const form = event.target;
  const wrong = form.querySelector(".wrong");
  const instead = form.querySelector("[name=instead]");
  const fields = Object.fromEntries(new FormData(form));
  for (const field of form.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
  wrong.textContent = "";
  memory.set("study", { unit: fields.unit, person: fields.person.trim() });
  try {
    const series = await post(`/api/calipers/${encodeURIComponent(caliper)}/studies`, {
      method: form.dataset.begin,
      unit: fields.unit,
      person: fields.person.trim() || undefined,
      repeats: fields.repeats ? Number(fields.repeats) : undefined,
      block: fields.block?.trim() || undefined,
      instead: event.submitter === instead,
    });
    location.href = `/bench/${encodeURIComponent(series.bench)}`;
  } catch (error) {
    wrong.textContent = error.message;
    if (error instanceof Refused && error.status === 409) {
      wrong.textContent += " Or end it now: what it measured stays.";
      instead.hidden = false;
    }
    for (const { field } of error.errors ?? []) form.elements.namedItem(field)?.setAttribute("aria-invalid", "true");
    form.querySelector("[aria-invalid]")?.focus();
  }
}

const kept = memory.get("study", {});
for (const form of forms) {
  form.addEventListener("submit", begin);
  if (kept.unit) form.elements.unit.value = kept.unit;
  if (kept.person) form.elements.person.value = kept.person;
}
