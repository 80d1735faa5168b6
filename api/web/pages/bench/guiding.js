// How the method is done, as the server draws it: before the first cut, and beside the readings.

import { at, one } from "../shared/elements.js";
import { getPage, messageOf } from "../shared/http.js";
import { here, name, page } from "./here.js";
import { notice, view } from "./screen.js";
import * as setup from "./setup.js";

/**
 * @param {string} key of the method
 * @param {string} side of the blade to which the strip falls
 * @param {string} kind of machine, which has cautions of its own
 */
async function guide(key, side, kind) {
  const there = await getPage(`/guide/${encodeURIComponent(key)}?${new URLSearchParams({ side, kind })}`);
  return document.adoptNode(one(there, "#guide-article"));
}

/** Ask about the set-up, then show how it is done. */
async function beginGuide() {
  await setup.settled();
  if (!setup.check()) return;
  try {
    if (await setup.accepted(name, beginGuide)) await showGuide();
  } catch (error) {
    setup.showProblem(error);
  }
}

// So that the browser's own way back leads from the guide to the set-up.
const GUIDE = "guide";

let latestGuide = 0;
async function showGuide() {
  const mine = ++latestGuide;
  const chosen = setup.method();
  if (!chosen) return;
  let article;
  try {
    article = await guide(chosen.key, setup.side(), setup.kind());
  } catch (error) {
    // Nobody may start without having seen the cautions.
    return setup.showProblem(error);
  }
  // In the meantime another guide was asked for, or a series was started elsewhere.
  if (mine !== latestGuide || page.dataset.view !== "setup") return;
  at("guide-title").textContent = `${chosen.title}: how it is done`;
  at("guide-body").replaceChildren(article);
  showChanged(article);
  at("start").textContent = article.querySelector(".cautions") ? "I follow these cautions: start measuring" : "Start measuring";
  if (history.state !== GUIDE) history.pushState(GUIDE, "");
  view("guide");
}

/**
 * To a person who knows the method say what is other than last time, and fold its steps away; the
 * cautions stay.
 * @param {HTMLElement} article
 */
function showChanged(article) {
  const changed = setup.changed();
  const box = at("guide-changed");
  box.hidden = !changed;
  if (!changed) return;
  const { sentences, sides } = changed;
  one(box, "h3").textContent = sentences.length ? "Changed since last time" : "Nothing has changed since last time";
  one(box, "ul").replaceChildren(...sentences.map((said) => Object.assign(document.createElement("li"), { textContent: said })));
  // Each picture is mirrored then.
  one(article, ".guide-steps", HTMLDetailsElement).open = sides;
}

/** @param {SeriesHead} shown */
export async function showPlaces(shown) {
  const article = await guide(shown.method, shown.strip_side, shown.machine.kind).catch(() => null);
  if (here.series !== shown || !article) return;
  const drawing = one(article, "#places-drawing", HTMLTemplateElement);
  at("places").replaceChildren(...document.importNode(drawing.content, true).children);
  showGuideAgain(article);
}

/** @param {HTMLElement} article */
function showGuideAgain(article) {
  one(article, "#places-drawing", HTMLTemplateElement).remove();
  article.removeAttribute("id");
  at("guide-again").replaceChildren(article);
}

/** The guide is opened beside the readings: fetch it where it is not there yet. */
async function opened() {
  const shown = here.series;
  if (!shown || !at("again-guide", HTMLDetailsElement).open || at("guide-again").hasChildNodes()) return;
  const article = await guide(shown.method, shown.strip_side, shown.machine.kind).catch(() => null);
  if (article && here.series === shown) showGuideAgain(article);
}

/**
 * Follow the set-up and the guide to the start of a series; `started` is called when one began.
 * @param {() => Promise<void>} started
 */
export function wire(started) {
  at("setup").addEventListener("submit", (event) => {
    event.preventDefault();
    beginGuide();
  });
  one(at("as-last"), "button").addEventListener("click", () => {
    setup.asLastTime();
    beginGuide();
  });
  const start = at("start", HTMLButtonElement);
  at("back-to-setup").addEventListener("click", () => history.back());
  addEventListener("popstate", () => page.dataset.view === "guide" && view("setup"));
  start.addEventListener("click", async () => {
    start.disabled = true;
    try {
      await setup.start(name);
      await started();
    } catch (error) {
      // Another device may have started a series first: that one is shown then.
      if (here.series && !here.series.finished_at) notice(messageOf(error));
      else {
        view("setup", false);
        setup.showProblem(error);
      }
    }
    start.disabled = false;
  });
  at("again-guide").addEventListener("toggle", opened);
}
