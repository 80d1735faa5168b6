// A series' page: it follows the bench while the series runs, and acts on its readings.

import { benchPage } from "../shared/addresses.js";
import { all, around, at, one } from "../shared/elements.js";
import { get, getPage, messageOf, patch, post } from "../shared/http.js";
import { listen } from "../shared/live.js";
import { show } from "../shared/units.js";

const page = at("series");
const [series, bench] = [String(page.dataset.series), String(page.dataset.bench)];
const api = /** @type {const} */ (`/api/benches/${encodeURIComponent(bench)}`);
/** @type {Record<string, string>} */
const ACTS = { "take-back": "Taken back", "swap-ends": "Ends swapped", restore: "It counts now" };

/** @param {string} text */
function tell(text) {
  at("problem").hidden = true;
  at("told").textContent = text;
}

/** @param {unknown} error */
function complain(error) {
  at("problem").textContent = messageOf(error);
  at("problem").hidden = false;
}

// ---- the server draws; what it draws anew is put in place

const RETRY_MS = 2000;
/** @type {Promise<void> | null} */
let drawing = null;
let again = false;
let failure = ""; // why what is shown is older than what was told
/** @type {ReturnType<typeof setTimeout> | undefined} */
let retry;
/** @type {Map<string, string>} */
const drawn = new Map();

/** Fetch the page anew and put its living parts in place of these; one at a time. */
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
      redraw().catch(complain);
    }
  });
  return drawing;
}

function upToDate() {
  if (failure && at("problem").textContent === failure) at("problem").hidden = true;
  failure = "";
}

/**
 * Nothing more may happen at the bench for long, so the page does not wait for it.
 * @param {unknown} error
 * @returns {never}
 */
function notDrawn(error) {
  failure = messageOf(error);
  retry = setTimeout(() => redraw().catch(complain), RETRY_MS);
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
 * The button that had the focus was drawn anew, or is gone: stay where the person was.
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
 * What the error does to the work is asked with the error as it is now.
 * @param {Document} there
 */
function followWork(there) {
  const [form] = all(document, "#work-form", HTMLFormElement);
  const [fresh] = all(there, "#work-form", HTMLFormElement);
  at("work").hidden = !fresh;
  if (!fresh) return;
  if (!form) {
    at("work").replaceChildren(...one(there, "#work").childNodes);
    import("../machine/page.js"); // answers the form, which was not there until now
    return;
  }
  for (const name of ["angle_deg", "u_deg"]) one(form, `[name=${name}]`, HTMLInputElement).value = one(fresh, `[name=${name}]`, HTMLInputElement).value;
  // Not before there is somebody to answer: the module may still be on its way.
  import("../machine/page.js").then(() => form.dispatchEvent(new Event("input")));
}

// ---- going on with one that was finished

page.addEventListener("click", async (event) => {
  const resume = around(event, "#resume");
  if (!resume || resume.ariaBusy === "true") return;
  resume.ariaBusy = "true";
  try {
    await post(`/api/series/${series}/resume`);
    location.assign(benchPage(bench));
  } catch (error) {
    complain(error);
    resume.ariaBusy = "false";
  }
});

// ---- the bench, as it happens

if (page.dataset.running === "yes") {
  listen(
    bench,
    Number(page.dataset.after),
    ({ kind, data }) => {
      if (kind === "trial" && data.series === series && data.state === "complete") tell(`Complete: number ${data.number}`);
      if ((kind === "trial" || kind === "score") && data.series === series) redraw().catch(complain);
      if (kind === "bench" && page.dataset.running === "yes") redraw().catch(complain);
    },
    (up) => {
      const words = "The live link is down: what the server keeps meanwhile is shown once it is back.";
      if (!up) tell(words);
      else if (at("told").textContent === words) tell("");
    },
  );
}

// ---- acts on readings, and the note

let acting = false;

document.addEventListener("click", async (event) => {
  const button = around(event, "[data-act]");
  // Not disabled meanwhile: a disabled button would lose the focus.
  if (!button || acting) return;
  const { act, reading, trial } = button.dataset;
  acting = true;
  try {
    // The bench may feed another series by now, which a trial's number would meet.
    const now = await get(api);
    if (now.series?.id !== series) throw new Error("This series no longer runs on its bench, so it stays as it is.");
    await post(`${api}/${act}`, act === "swap-ends" ? { trial: Number(trial) } : { reading });
    tell(`${ACTS[String(act)]}.`);
    await redraw();
  } catch (error) {
    complain(error);
  }
  acting = false;
});

// One after the other, so that what was written last is what stays.
let noting = Promise.resolve();

at("note-form").addEventListener("submit", (event) => {
  event.preventDefault();
  noting = noting.then(keepNote);
});

async function keepNote() {
  const said = at("note-said");
  try {
    await patch(`/api/series/${series}`, { note: at("note", HTMLTextAreaElement).value.trim() });
    said.textContent = "Kept.";
  } catch (error) {
    said.textContent = messageOf(error);
  }
}
