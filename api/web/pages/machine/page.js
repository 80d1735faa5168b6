// A machine's page: the server answers its forms without a new page.

import { followAgain } from "../shared/again.js";
import { all, at, entries, one } from "../shared/elements.js";
import { getPage, memory, messageOf, post } from "../shared/http.js";
import { show } from "../shared/units.js";
import { by } from "../shared/who.js";

/**
 * A form; null where the page has none of this id.
 * @param {string} id
 */
const formIfAny = (id) => (document.getElementById(id) ? at(id, HTMLFormElement) : null);

// ---- forms that the server answers with a part of a page

/**
 * Ask the address of `form` for its answer, and put it in place.
 * @param {HTMLFormElement} form
 * @param {string} answer the id of the element that holds it
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
 * Update the answer of `form` as its fields change; they are remembered as `key`.
 * @param {HTMLFormElement} form
 * @param {string} answer
 * @param {"work" | `fence ${string}`} key
 * @param {string[]} names of the fields to remember
 */
function follow(form, answer, key, names) {
  const ask = asking(form, answer);
  const kept = memory.get(key, null);
  // What the address says takes precedence over what was remembered.
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
    at(answer).scrollIntoView();
  });
}

const adjust = formIfAny("adjust-form");
const work = formIfAny("work-form");
if (adjust) follow(adjust, "adjust-answer", `fence ${adjust.dataset.machine}`, ["pivot", "span", "pitch", "setting", "setting_deg", "unit"]);
if (work) follow(work, "work-answer", "work", ["joint", "width", "height", "pieces", "gap", "unit"]);

// ---- the same series once more

followAgain();

// ---- parts that are folded: as they were left, when the server draws the page again

const folds = all(document, "details.fold:has(h2)", HTMLDetailsElement);
/** @param {HTMLDetailsElement} fold */
const nameOf = (fold) => one(fold, "h2").id;
for (const fold of folds) fold.open = history.state?.folds?.[nameOf(fold)] ?? fold.open;
for (const fold of folds) {
  fold.addEventListener("toggle", () => {
    history.replaceState({ folds: Object.fromEntries(folds.map((each) => [nameOf(each), each.open])) }, "");
  });
}

// ---- setup changes

const change = formIfAny("change-form");
change?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const status = at("change-status");
  const { kind, at: when, note } = entries(change);
  const body = {
    ...by(),
    machine: at("machine").dataset.machine,
    kind,
    at: when ? new Date(when).toISOString() : undefined,
    note: note?.trim() || undefined,
  };
  const button = one(change, "button", HTMLButtonElement);
  button.disabled = true;
  try {
    await post("/api/setup-changes", body);
    change.reset();
    // The state, the chart and the list all depend on it: the server draws them again.
    location.reload();
  } catch (error) {
    status.textContent = messageOf(error, change);
    button.disabled = false;
  }
});
