// Measuring a series once more, after something was done to the machine or as it is, and taking that
// back while nothing was read.
//
// In a template: {% import "shared/again.html" as once_more %}
//   {{ once_more.again(series_id, "Measure this again") }}
//   {{ once_more.again(series_id, "I did it: measure again", "adjusted") }}
// In its script: `followAgain()` once, also for buttons that come into the page later. The new series
// is shown on its bench's page, which offers to undo it; what is wrong is said beside the button.
// A second tap, here or on another screen, begins nothing more. A series that still runs would be
// ended: a link leads to it instead.

import { benchPage } from "./addresses.js";
import { around } from "./elements.js";
import { Refused, get, memory, messageOf, patch, post } from "./http.js";

/** @typedef {{ series: string, change: string | null }} Begun a series begun once more, and what was recorded with it */

/** @param {BegunOut} made */
const open = (made) => location.assign(benchPage(made.bench));

/**
 * @param {string} problem
 * @param {HTMLElement} button
 * @param {string} [running] the page of the series that is in the way
 */
function sayBeside(problem, button, running) {
  const status = button.closest(".again")?.querySelector(".status");
  if (!status) return;
  status.textContent = problem;
  if (running) status.append(" ", Object.assign(document.createElement("a"), { href: running, textContent: "Go on with it" }));
}

/**
 * Where the series runs that keeps `series` from being measured once more; nothing of other errors.
 * @param {unknown} error
 * @param {string | undefined} series
 */
async function running(error, series) {
  if (!(error instanceof Refused) || error.status !== 409) return undefined;
  const { bench } = await get(/** @type {`/api/series/${string}`} */ (`/api/series/${series}`));
  return benchPage(bench);
}

/**
 * Let the buttons of this page that have `data-again` do what they say.
 * @param {(made: BegunOut) => unknown} [begun] what comes then; without it the bench's page is opened
 * @param {(problem: string, button: HTMLElement, running?: string) => void} [failed] "" takes the problem away
 */
export function followAgain(begun = open, failed = sayBeside) {
  document.addEventListener("click", async (event) => {
    const button = around(event, "[data-again]");
    if (!button || button.ariaBusy === "true") return;
    button.ariaBusy = "true";
    failed("", button);
    try {
      await begun(await once(button.dataset));
    } catch (error) {
      failed(messageOf(error), button, await running(error, button.dataset.again).catch(() => undefined));
    } finally {
      button.ariaBusy = "false";
    }
  });
}

/** @param {DOMStringMap} asked */
async function once({ again, changed }) {
  const made = await post(`/api/series/${again}/again`, changed ? { changed } : {});
  memory.set(`begun ${made.bench}`, { series: made.id, change: made.setup_change, at: Date.now() });
  return made;
}

/**
 * What was begun once more in this browser, if it is `series`, and for how many of `seconds` that can
 * still be undone; null where nothing is to be undone.
 * @param {Pick<SeriesHead, "id" | "bench">} series that has no reading yet
 * @param {number} seconds for which an undo is offered
 */
export function begunNow(series, seconds) {
  const begun = memory.get(`begun ${series.bench}`, null);
  if (begun?.series !== series.id) return null;
  const left = seconds - (Date.now() - begun.at) / 1000;
  return left > 0 ? { ...begun, left } : null;
}

/**
 * Take it back: what was recorded is withdrawn, and the new series, still empty, ends.
 * @param {Begun} begun
 */
export async function takeBack({ series, change }) {
  if (change) await patch(`/api/setup-changes/${change}`, { withdrawn: true });
  await post(`/api/series/${series}/finish`);
}
