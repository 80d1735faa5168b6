// A machine's page: what is asked is answered by the server without leaving the page.

import { at, entries, one } from "../shared/elements.js";
import { getPage, memory, messageOf, post } from "../shared/http.js";
import { show } from "../shared/units.js";

/**
 * A form that not every page with this script has.
 * @param {string} id
 */
const formIfAny = (id) => (document.getElementById(id) ? at(id, HTMLFormElement) : null);

// ---- questions that the server answers with a part of a page

/**
 * Ask `form`'s own address what it says now, and put that part of the answer in place.
 * @param {HTMLFormElement} form
 * @param {string} answer the id of that part
 */
function asking(form, answer) {
  let latest = 0;
  return async () => {
    const mine = ++latest;
    const address = `${form.getAttribute("action")}?${new URLSearchParams(entries(form))}`;
    try {
      const there = await getPage(address);
      if (mine !== latest) return;
      at(answer).replaceChildren(...one(there, `#${answer}`).childNodes);
    } catch (error) {
      if (mine !== latest) return;
      const problem = document.createElement("p");
      problem.className = "problem";
      problem.textContent = messageOf(error);
      at(answer).replaceChildren(problem);
    }
    show(at(answer));
  };
}

/**
 * @param {HTMLFormElement} form
 * @param {Record<string, string>} kept
 */
function fill(form, kept) {
  for (const [name, value] of Object.entries(kept)) {
    const field = form.elements.namedItem(name);
    if (field && "value" in field && typeof value === "string") field.value = value;
  }
}

/**
 * A form whose answer follows what is typed; what was typed is remembered as `key`.
 * @param {HTMLFormElement} form
 * @param {string} answer
 * @param {"work" | `fence ${string}`} key
 * @param {string[]} names of the fields to remember
 */
function follow(form, answer, key, names) {
  const ask = asking(form, answer);
  const kept = memory.get(key, null);
  // What the address says goes before what was remembered.
  if (kept && !location.search) {
    fill(form, kept);
    ask();
  }
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let waiting;
  /** @param {number} after */
  const changed = (after) => {
    const given = entries(form);
    memory.set(key, Object.fromEntries(names.map((name) => [name, given[name] ?? ""])));
    clearTimeout(waiting);
    waiting = setTimeout(ask, after);
  };
  form.addEventListener("input", () => changed(300));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    changed(0);
  });
}

const mend = formIfAny("mend-form");
const work = formIfAny("work-form");
if (mend) follow(mend, "mend-answer", `fence ${mend.dataset.machine}`, ["pivot", "span", "pitch", "unit"]);
if (work) follow(work, "work-answer", "work", ["joint", "width", "height", "pieces", "gap", "unit"]);

// ---- what happened to the machine

const change = formIfAny("change-form");
change?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const said = at("change-said");
  const { kind, at: when, note } = entries(change);
  const body = {
    machine: at("machine").dataset.machine,
    kind,
    at: when ? new Date(when).toISOString() : undefined,
    note: note?.trim() || undefined,
  };
  const button = one(change, "button", HTMLButtonElement);
  button.disabled = true;
  try {
    await post("/api/setup-changes", body);
    said.textContent = "Recorded.";
    change.reset();
    // How it stands, the chart and the list all follow from it: the server draws them anew.
    location.reload();
  } catch (error) {
    said.textContent = messageOf(error);
    button.disabled = false;
  }
});
