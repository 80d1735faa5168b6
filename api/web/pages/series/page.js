// A series' page: follows the bench while the series runs, and lets its readings be changed.

import { benchPage } from "../shared/addresses.js";
import { all, around, at, one } from "../shared/elements.js";
import { getPage, messageOf, patch, post } from "../shared/http.js";
import { listen } from "../shared/live.js";
import { showError } from "../shared/problem.js";
import { correct, offerLast } from "../shared/trail.js";
import { show } from "../shared/units.js";
import { by } from "../shared/who.js";

const page = at("series");
const [series, bench] = [String(page.dataset.series), String(page.dataset.bench)];
/** @type {Record<string, string>} */
const ACTS = {
  "take-back": "Taken back",
  "swap-ends": "Ends swapped",
  restore: "It counts now",
  "leave-out": "Left out",
  "count-again": "It counts again",
  away: "It begins another visit now",
  stayed: "It belongs to the visit before now",
};

// On a phone the result comes first, and all that it rests on is unfolded by a tap.
if (matchMedia("(max-width: 40rem)").matches) {
  for (const fold of all(page, "details[data-wide]", HTMLDetailsElement)) fold.open = fold.querySelector(":target") !== null;
}

/** @param {string} text */
function showMessage(text) {
  at("problem").hidden = true;
  at("message").textContent = text;
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
  const there = await getPage(location.pathname + location.search);
  const focused = all(document, "[data-act]").find((button) => button.contains(document.activeElement));
  for (const part of document.querySelectorAll("[data-live]")) {
    const fresh = there.getElementById(part.id);
    if (!fresh || fresh.innerHTML === drawn.get(part.id)) continue;
    drawn.set(part.id, fresh.innerHTML);
    for (const fold of all(part, "details[id]", HTMLDetailsElement)) {
      for (const same of all(fresh, `#${fold.id}`, HTMLDetailsElement)) same.open = fold.open;
    }
    part.replaceChildren(...fresh.childNodes);
    show(part);
  }
  at("sign").replaceWith(one(there, "#sign"));
  page.dataset.running = one(there, "#series").dataset.running;
  for (const visit of all(document, "#visit")) visit.dataset.on = page.dataset.running;
  followWork(there);
  offerLast();
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
      // It waits for an answer, in no trial whose event could tell it.
      if (kind === "reading" && data.outcome === "asked") redraw().catch(showError);
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
  return of.reading ? `/api/readings/${of.reading}/${act}` : `/api/series/${series}/trials/${of.trial}/${act}`;
}

const form = at("correct-form", HTMLFormElement);
form.addEventListener("submit", (event) => {
  event.preventDefault();
  correct(form, `/api/series/${series}`, (said) => ("pieces" in said ? { ...said, pieces: said.pieces && Number(said.pieces) } : said));
});

document.addEventListener("click", async (event) => {
  const button = around(event, "[data-act]");
  // Not disabled while it acts: a disabled button would lose the focus.
  if (!button || acting) return;
  const act = String(button.dataset.act);
  if (act === "move") return askWhere(String(button.dataset.trial));
  const reason = act === "leave-out" ? prompt("Why is it left out?") : null;
  if (act === "leave-out" && reason === null) return;
  acting = true;
  try {
    await post(addressOf(act, button.dataset), { ...by(), ...(reason && { reason }) });
    await redraw();
    showMessage(`${ACTS[act]}.`);
  } catch (error) {
    showError(error);
  }
  acting = false;
});

// ---- the machine, between two strips of a series that runs

const VISITS = { away: "The next one begins another visit.", stayed: "The next one belongs to the same visit." };

document.addEventListener("click", async (event) => {
  const act = around(event, "[data-visit]")?.dataset.visit === "away" ? "away" : "stayed";
  if (!around(event, "[data-visit]")) return;
  try {
    await post(`/api/benches/${encodeURIComponent(bench)}/${act}`);
    showMessage(VISITS[act]);
  } catch (error) {
    showError(error);
  }
});

// ---- moving strips

const moving = at("move", HTMLDialogElement);
let moved = ""; // the number of the trial

/** @param {string} number */
function askWhere(number) {
  moved = number;
  at("move-number").textContent = number;
  moving.returnValue = ""; // as where the dialog is left by a key
  moving.showModal();
}

moving.addEventListener("close", async () => {
  if (moving.returnValue !== "move") return;
  const to = at("move-to", HTMLSelectElement).value;
  const body = { ...by(), to: to || undefined, rest: at("move-rest", HTMLInputElement).checked };
  try {
    const found = await post(`/api/series/${series}/trials/${moved}/move`, body);
    location.assign(`/series/${/** @type {SeriesHead} */ (found).id}`);
  } catch (error) {
    showError(error);
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
    await patch(`/api/series/${series}`, { ...by(), note: at("note", HTMLTextAreaElement).value.trim() });
    status.textContent = "Saved.";
  } catch (error) {
    status.textContent = messageOf(error);
  }
}
