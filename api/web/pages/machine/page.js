// A machine's page: what is asked is answered by the server without leaving the page.

import { Unreachable, memory, post } from "../shared/http.js";
import { show } from "../shared/units.js";

const at = (id) => document.getElementById(id);

// ---- questions that the server answers with a part of a page

const fields = (form) => Object.fromEntries(new FormData(form));

/** Ask `form`'s own address what it says now, and put that part of the answer in place. */
function asking(form, answer) {
  let latest = 0;
  return async () => {
    const mine = ++latest;
    const address = `${form.getAttribute("action")}?${new URLSearchParams(fields(form))}`;
    try {
      const response = await fetch(address);
      const there = new DOMParser().parseFromString(await response.text(), "text/html");
      const found = there.getElementById(answer);
      if (mine !== latest || !found) return;
      at(answer).replaceChildren(...found.childNodes);
    } catch {
      if (mine !== latest) return;
      const problem = document.createElement("p");
      problem.className = "problem";
      problem.textContent = new Unreachable().message;
      at(answer).replaceChildren(problem);
    }
    show(at(answer));
  };
}

function fill(form, kept) {
  for (const [name, value] of Object.entries(kept)) {
    const field = form.elements[name];
    if (field && typeof value === "string") field.value = value;
  }
}

/** A form whose answer follows what is typed; what was typed is remembered as `key`. */
function follow(form, answer, key, names) {
  if (!form) return;
  const ask = asking(form, answer);
  const kept = memory.get(key, null);
  // What the address says goes before what was remembered.
  if (kept && !location.search) {
    fill(form, kept);
    ask();
  }
  let waiting;
  const changed = (after) => {
    const given = fields(form);
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

const mend = at("mend-form");
follow(mend, "mend-answer", `fence ${mend?.dataset.machine}`, ["pivot", "span", "pitch", "unit"]);
follow(at("work-form"), "work-answer", "work", ["joint", "width", "height", "pieces", "gap", "unit"]);

// ---- what happened to the machine

at("change-form")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = event.target;
  const said = at("change-said");
  const { kind, at: when, note } = fields(form);
  const body = { machine: at("machine").dataset.machine, kind };
  if (when) body.at = new Date(when).toISOString();
  if (note.trim()) body.note = note.trim();
  const button = form.querySelector("button");
  button.disabled = true;
  try {
    await post("/api/setup-changes", body);
    said.textContent = "Recorded.";
    form.reset();
    // How it stands, the chart and the list all follow from it: the server draws them anew.
    location.reload();
  } catch (error) {
    said.textContent = error.message;
    button.disabled = false;
  }
});
