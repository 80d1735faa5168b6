// A series' page: follows the bench while the series runs, and lets its readings be changed.

import { benchPage } from "../shared/addresses.js";
import { all, around, at, one } from "../shared/elements.js";
import { getPage, messageOf, patch, post, Refused } from "../shared/http.js";
import { listen } from "../shared/live.js";
import { show } from "../shared/units.js";

const page = at("series");
const [series, bench] = [String(page.dataset.series), String(page.dataset.bench)];
/** @type {Record<string, string>} */
const ACTS = {
  "take-back": "Taken back",
  "swap-ends": "Ends swapped",
  restore: "It counts now",
  "leave-out": "Left out",
  "count-again": "It counts again",
  move: "Moved",
  "move-rest": "Moved",
  undo: "Undone",
};

/** @param {string} text */
function showMessage(text) {
  at("problem").hidden = true;
  at("message").textContent = text;
}

/** @param {unknown} error */
function showError(error) {
  at("problem").textContent = messageOf(error);
  at("problem").hidden = false;
}

// ---- parts that the server draws again while the series runs

const RETRY_MS = 2000;
/** @type {Promise<void> | null} */
let drawing = null;
let again = false;
let failure = ""; // why the page shows an older state
/** @type {ReturnType<typeof setTimeout> | undefined} */
let retry;
/** @type {Map<string, string>} */
const drawn = new Map();

/** Fetch the page again and replace its live parts; one request at a time. */
function redraw() {
  if (drawing) {
    again = true;
    return drawing;
  }
  clearTimeout(retry);
  drawing = draw().then(upToDate, notDrawn).finally(() => {
    drawing = null;
    if (again) {
      again = false;
      redraw().catch(showError);
    }
  });
  return drawing;
}

function upToDate() {
  if (failure && at("problem").textContent === failure) at("problem").hidden = true;
  failure = "";
}

/**
 * Tries again by itself: the next event of the bench may be long in coming.
 * @param {unknown} error
 * @returns {never}
 */
function notDrawn(error) {
  failure = messageOf(error);
  retry = setTimeout(() => redraw().catch(showError), RETRY_MS);
  throw error;
}

async function draw() {
  const there = await getPage(location.pathname);
  const focused = all(document, "[data-act]").find((button) => button.contains(document.activeElement));
  for (const part of document.querySelectorAll("[data-live]")) {
    const fresh = there.getElementById(part.id);
    if (!fresh || fresh.innerHTML === drawn.get(part.id)) continue;
    drawn.set(part.id, fresh.innerHTML);
    part.replaceChildren(...fresh.childNodes);
    show(part);
  }
  at("sign").replaceWith(one(there, "#sign"));
  page.dataset.running = one(there, "#series").dataset.running;
  followWork(there);
  if (focused && !focused.isConnected) refocus(focused);
}

/**
 * The button that had the focus was replaced or removed: keep the focus in the same place.
 * @param {HTMLElement} button
 */
function refocus(button) {
  const { act, reading, trial } = button.dataset;
  const same = all(document, `[data-act="${act}"]`).find(
    (other) => other.dataset.reading === reading && other.dataset.trial === trial,
  );
  const nearest = same ?? document.getElementById(`trial-${trial}`);
  (nearest ?? at("readings-title", HTMLElement)).focus();
}

/**
 * Answer the form about the work with the error as it is now.
 * @param {Document} there
 */
function followWork(there) {
  const [form] = all(document, "#work-form", HTMLFormElement);
  const [fresh] = all(there, "#work-form", HTMLFormElement);
  at("work").hidden = !fresh;
  if (!fresh) return;
  if (!form) {
    at("work").replaceChildren(...one(there, "#work").childNodes);
    import("../machine/page.js"); // answers the form, which the page did not have until now
    return;
  }
  for (const name of ["angle_deg", "u_deg"]) one(form, `[name=${name}]`, HTMLInputElement).value = one(fresh, `[name=${name}]`, HTMLInputElement).value;
  // Not before the module that answers it is loaded.
  import("../machine/page.js").then(() => form.dispatchEvent(new Event("input")));
}

// ---- continuing a finished series

page.addEventListener("click", async (event) => {
  const resume = around(event, "#resume");
  if (!resume || resume.ariaBusy === "true") return;
  resume.ariaBusy = "true";
  try {
    await post(`/api/series/${series}/resume`);
    location.assign(benchPage(bench));
  } catch (error) {
    showError(error);
    resume.ariaBusy = "false";
  }
});

// ---- the bench, as it happens

if (page.dataset.running === "yes") {
  listen(
    bench,
    Number(page.dataset.after),
    ({ kind, data }) => {
      if (kind === "trial" && data.series === series && data.state === "complete") showMessage(`Complete: number ${data.number}`);
      if ((kind === "trial" || kind === "score") && data.series === series) redraw().catch(showError);
      if (kind === "bench" && page.dataset.running === "yes") redraw().catch(showError);
    },
    (up, why) => {
      const words = "The live connection is down. What the server keeps in the meantime is shown when it is back.";
      if (!up) showMessage(why ? `${words} The server says: ${why}.` : words);
      else if (at("message").textContent?.startsWith(words)) showMessage("");
    },
  );
}

// ---- changing readings, and the note

let acting = false;

/**
 * Where an act is posted.
 * @param {string} act
 * @param {DOMStringMap} of
 */
function addressOf(act, of) {
  if (act === "undo") return `/api/changes/${of.change}/undo`;
  if (of.reading) return `/api/readings/${of.reading}/${act}`;
  return `/api/series/${series}/trials/${of.trial}/${act === "move-rest" ? "move" : act}`;
}

// Only what differs from what the page showed is corrected.
document.getElementById("correct-form")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = at("correct-form", HTMLFormElement);
  const fields = [...all(form, "input", HTMLInputElement), ...all(form, "select", HTMLSelectElement)];
  /** @type {Record<string, string | null>} */
  const said = {};
  for (const field of fields) {
    const before = field instanceof HTMLInputElement ? field.defaultValue : ([...field.options].find((o) => o.defaultSelected)?.value ?? "");
    field.removeAttribute("aria-invalid");
    if (field.value.trim() !== before) said[field.name] = field.value.trim() || null;
  }
  try {
    await patch(`/api/series/${series}`, "pieces" in said ? { ...said, pieces: said.pieces && Number(said.pieces) } : said);
    location.reload();
  } catch (error) {
    at("correct-status").textContent = messageOf(error);
    const wrong = fields.find((field) => error instanceof Refused && field.name === error.errors[0]?.field);
    wrong?.setAttribute("aria-invalid", "true");
    wrong?.focus();
  }
});

document.addEventListener("click", async (event) => {
  const button = around(event, "[data-act]");
  // Not disabled while it acts: a disabled button would lose the focus.
  if (!button || acting) return;
  const act = String(button.dataset.act);
  const reason = act === "leave-out" ? prompt("Why is it left out?") : null;
  if (act === "leave-out" && reason === null) return;
  acting = true;
  try {
    const found = await post(addressOf(act, button.dataset), act === "move-rest" ? { rest: true } : reason ? { reason } : {});
    if (act.startsWith("move")) location.assign(`/series/${/** @type {SeriesHead} */ (found).id}`);
    else if (act === "undo") location.reload(); // the form shows the settings too
    else await redraw();
    showMessage(`${ACTS[act]}.`);
  } catch (error) {
    showError(error);
  }
  acting = false;
});

document.getElementById("jaws-form")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const status = at("jaws-status");
  const field = at("jaw-width", HTMLInputElement);
  field.removeAttribute("aria-invalid");
  try {
    await patch(`/api/series/${series}`, { jaw_width: field.value.trim() || null });
    location.reload();
  } catch (error) {
    status.textContent = messageOf(error);
    field.setAttribute("aria-invalid", "true");
    field.focus();
  }
});

// One after the other, so that the last text is the one that is kept.
let savingNote = Promise.resolve();

at("note-form").addEventListener("submit", (event) => {
  event.preventDefault();
  savingNote = savingNote.then(saveNote);
});

async function saveNote() {
  const status = at("note-status");
  try {
    await patch(`/api/series/${series}`, { note: at("note", HTMLTextAreaElement).value.trim() });
    status.textContent = "Saved.";
  } catch (error) {
    status.textContent = messageOf(error);
  }
}
