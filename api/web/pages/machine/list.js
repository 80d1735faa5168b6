// The Machines page: numbers in the units chosen, a new machine, finding one of many, and the list of
// changed verdicts, until it is seen.

import { all, at, entries, one } from "../shared/elements.js";
import { Refused, getPage, messageOf, post } from "../shared/http.js";
import { show } from "../shared/units.js";

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

const form = at("new-machine", HTMLFormElement);
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const { name = "", kind = "" } = entries(form);
  at("new-status").textContent = "";
  for (const field of ["name", "kind"]) wrong(field);
  try {
    const made = await post("/api/machines", { name: name.trim(), kind: kind.trim() });
    const address = `/machine/${made.id}`;
    // The server answers a name that is there already with the machine that has it.
    if (!document.querySelector(`[data-machine="${made.id}"]`)) return location.assign(address);
    const link = Object.assign(document.createElement("a"), { href: address, textContent: made.name });
    wrong("name", "There is a machine of this name already, so none was added: ", link);
  } catch (error) {
    if (error instanceof Refused && error.errors.length) {
      for (const { field = "", message = "" } of error.errors) wrong(field, `It ${message}.`);
    } else at("new-status").textContent = messageOf(error);
  }
});

/**
 * Say at its field what is wrong; nothing takes it away.
 * @param {string} field
 * @param {(string | Node)[]} what
 */
function wrong(field, ...what) {
  const input = at(`new-${field}`, HTMLInputElement);
  at(`new-${field}-wrong`).replaceChildren(...what);
  if (!what.length) return input.removeAttribute("aria-invalid");
  input.setAttribute("aria-invalid", "true");
  input.focus();
}

// ---- what was measured meanwhile: a page that is looked at again shows how things stand now

document.addEventListener("visibilitychange", async () => {
  const list = document.getElementById("machines");
  if (document.visibilityState !== "visible" || !list) return;
  const there = await getPage(location.pathname).catch(() => null);
  const fresh = there?.getElementById("machines");
  // Whoever is in a row with the keyboard stays there.
  if (!fresh || list.contains(document.activeElement)) return;
  list.replaceChildren(...fresh.children);
  show(list);
  document.getElementById("find")?.dispatchEvent(new Event("input"));
});

// ---- finding one of many: the rows that have all the words that are typed

const search = document.getElementById("find");
if (search instanceof HTMLInputElement) follow(search);

/** @param {HTMLInputElement} field */
function follow(field) {
  const listed = () => all(at("machines"), "[data-words]");
  const shown = () => listed().filter((row) => !row.hidden);
  const filter = () => {
    const rows = listed();
    const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const row of rows) row.hidden = !words.every((word) => row.dataset.words?.toLowerCase().includes(word));
    const found = shown().length;
    at("found").textContent = words.length ? `${found} of ${rows.length} machines` : "";
    at("none-found").hidden = found > 0;
  };
  field.addEventListener("input", filter);
  field.addEventListener("keydown", ({ key }) => {
    const [first, second] = shown();
    if (key === "Escape") field.value = "";
    else if (key === "Enter" && first && !second) one(first, "h2 a").click();
    filter();
  });
  at("show-all").addEventListener("click", () => {
    field.value = "";
    filter();
    field.focus();
  });
  one(document, ".find").hidden = false;
  filter(); // a browser that comes back keeps what was typed
}
