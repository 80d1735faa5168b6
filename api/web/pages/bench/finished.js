// After Finish: what was found, the one thing to do now, and whether what was done before it helped.
// Loaded as a series is shown, so that the set-up comes sooner.

import { all, at, one } from "../shared/elements.js";
import { Refused, capital, get, getPage, memory, messageOf } from "../shared/http.js";
import * as sounds from "../shared/sounds.js";
import { show as showUnits } from "../shared/units.js";
import { figure, showSince, verdictMark } from "./measuring.js";
import * as setup from "./setup.js";
import * as words from "./words.js";

export { followAgain } from "../shared/again.js";

/** @type {SeriesHead | null} */
let shown = null;
/** @type {MethodOut | undefined} */
let shownMethod;

/**
 * Show the result of `series`, and ask what to do now. What was asked before is answered no more.
 * @param {SeriesHead} series that has ended
 * @param {MethodOut | undefined} method
 * @param {boolean} aloud whether it ended just now
 */
export function begin(series, method, aloud) {
  shown = series;
  shownMethod = method;
  const when = new Date(series.finished_at ?? Date.now());
  at("finished-title").textContent = `${setup.titleOf(series, method)}, finished on ${when.toLocaleString("en-GB", { dateStyle: "long", timeStyle: "short" })}`;
  for (const id of ["did-it", "once-more"]) at(id).dataset.again = series.id;
  for (const [id, path] of Object.entries(pagesOf(series))) at(id, HTMLAnchorElement).href = path;
  for (const id of ["finished-heard", "found-doubts"]) at(id).hidden = true;
  for (const id of ["found-since", "cautions", "found-works", "instruction-more"]) at(id).replaceChildren();
  at("steps").hidden = true;
  at("instruction").textContent = "…";
  mainButton(null);
  // What comes would move the buttons away from the finger.
  at("finished").ariaBusy = "true";
  ask(series, aloud);
}

/** What is to be done may be another thing by now. */
export function refresh() {
  if (shown) ask(shown);
}

/** @param {SeriesHead} series */
const pagesOf = ({ id, machine }) => ({
  "to-series": `/series/${id}`,
  "to-doubts": `/series/${id}#doubts-title`,
  "to-report": `/series/${id}/report`,
  "to-machine": `/machine/${machine.id}`,
  "to-card": `/machine/${machine.id}/card`,
});

/** Another series is shown, or none. */
export function end() {
  shown = null;
}

/**
 * The result in large: of what asks most for something to be done.
 * @param {ScoreOut | null} score
 * @param {Units} units
 * @param {string} work what the verdict is for, where it is for a work
 * @param {MethodOut | undefined} method
 */
export function showResult(score, units, work, method) {
  const main = score && words.mainQuantity(score);
  const { verdict = null, mean = null } = main?.quantity ?? {};
  at("found").dataset.verdict = verdict ?? "";
  const line = at("found-verdict");
  one(line, "use", SVGUseElement).setAttribute("href", `#mark-${verdictMark(verdict)}`);
  const of = Object.assign(document.createElement("small"), { textContent: work && ` for ${work}` });
  one(line, "span").replaceChildren(...(verdict ? [capital(verdict), of] : ["No result"]));
  line.hidden = !verdict && mean !== null;
  at("found-figure").replaceChildren(...(main && mean !== null ? figure(main.quantity, main.name, mean, units, method) : []));
  const said = Object.values(score?.quantities ?? {}).map((quantity) => words.inUnits(quantity.sentence_parts, units));
  at("found-sentence").textContent = said.join(" ");
}

/**
 * @param {SeriesHead} series
 * @param {boolean} [aloud]
 */
async function ask(series, aloud = false) {
  try {
    // In the table of what is answered, its address is one of a series too.
    const found = /** @type {NextActOut} */ (/** @type {unknown} */ (await get(`/api/series/${series.id}/next`)));
    // No move without its cautions.
    const move = found.act === "adjust" ? await moveOf(series, found) : null;
    if (shown !== series) return;
    showNext(found, words.unitsFor(series));
    if (move) showMove(move);
    if (aloud) sounds.say(["Finished.", found.verdict && `${capital(found.verdict)}${found.work ? ` for ${found.work}` : ""}.`, ...found.since_change.map((each) => words.inUnits(each.sentence_parts, words.unitsFor(series)))].filter(Boolean).join(" "));
    at("finished").ariaBusy = "false";
  } catch (error) {
    if (shown !== series) return;
    at("finished").ariaBusy = "false";
    const again = !(error instanceof Refused);
    at("instruction").textContent = messageOf(error) + (again ? " Trying again…" : "");
    if (again) setTimeout(() => shown === series && ask(series, aloud), 2000);
  }
}

/**
 * @param {NextActOut} found
 * @param {Units} units
 */
function showNext(found, units) {
  // Of a date the reason is small.
  const [date, , ...why] = found.check_by ? found.instruction_parts : [];
  at("instruction").textContent = date ? `${date.text}.` : words.inUnits(found.instruction_parts, units);
  at("instruction-more").textContent = capital(words.inUnits(why, units));
  at("cautions").replaceChildren();
  at("steps").hidden = true;
  showSince(at("found-since"), found.since_change, units);
  at("found-doubts").hidden = !found.doubted.length;
  at("to-doubts").textContent = `Look again at ${words.trialNames(shownMethod, found.doubted)} first`;
  mainButton(found);
  const others = found.works.filter((each) => !each.own && each.verdict);
  const each = others.map(({ name, verdict, urgency }) => `${name}: ${verdict}${urgency === "due" ? ", but its check is due" : ""}`);
  at("found-works").textContent = each.length ? `For other works: ${each.join("; ")}.` : "";
}

/**
 * The button of what is to be done now is the main one.
 * @param {NextActOut | null} found
 */
function mainButton(found) {
  const act = found?.act;
  const more = act === "measure more" && (found?.way === null || found?.way === "more cuts");
  at("did-it").hidden = act !== "adjust";
  at("resume").classList.toggle("main", more);
  at("once-more").classList.toggle("main", act === "measure again");
  at("again").classList.toggle("main", act === "check again" || act === "none");
  const link = at("act-link", HTMLAnchorElement);
  link.hidden = act !== "say the need" && act !== "see the later series";
  link.textContent = act === "say the need" ? "Say it on the series’ page" : "See the later series";
  if (found) link.href = found.later ? `/series/${found.later}` : found.links.series;
}

/**
 * The move with its cautions, as the machine's page says it by what this browser remembers of the
 * fence; without that where it can't be right.
 * @param {SeriesHead} series
 * @param {NextActOut} found
 */
async function moveOf(series, { links }) {
  const fence = memory.get(`fence ${series.machine.id}`, null);
  const asked = fence && (await getPage(`${links.mend}&${new URLSearchParams(fence)}`)).querySelector("#move");
  return asked || one(await getPage(links.mend), "#move");
}

/** @param {Element} move */
function showMove(move) {
  at("instruction").replaceChildren("Unplug it first. ", ...all(move, ".todo b").flatMap((each) => [each.cloneNode(true), ". "]));
  at("instruction-more").textContent = "";
  at("cautions").replaceChildren(...all(move, ":scope > .notice"), one(move, ".cautions"));
  one(at("steps"), "div").replaceChildren(...move.childNodes);
  at("steps").hidden = false;
  for (const id of ["instruction", "steps"]) showUnits(at(id));
}
