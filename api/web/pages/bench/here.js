// What the Bench page knows: all its modules read it here, and say here what is new.

import { at } from "../shared/elements.js";
import * as words from "./words.js";

export const page = at("bench");
export const name = String(page.dataset.bench);
export const benchPath = /** @type {const} */ (`/api/benches/${encodeURIComponent(name)}`);

/**
 * @typedef {object} Here
 * @property {Map<string, MethodOut>} methods
 * @property {BenchOut | null} bench as GET /api/benches/{name} says
 * @property {SeriesHead | null} series the series shown: the running one, or the one just finished
 * @property {Map<string, TrialOut>} trials of the series shown
 * @property {Map<string, number>} told by the ids of trials, and of the series for its score: the event that told them last
 * @property {number} asOf the event up to which all that is shown was asked for; later ones are news
 * @property {ScoreOut | null} score
 * @property {boolean} behind whether trials were told since that the score does not know of
 * @property {NowOut[] | null} doubts what to do about doubtful strips at once; null before it was told
 * @property {SinceChangeOut[]} since what the change before the running series did
 * @property {ProgressOut | null} progress how far the series is; null before it was told
 * @property {boolean | null} linked whether the live connection is up; null before it was
 * @property {Map<string, CaliperOut>} calipers
 * @property {StoreOut} store what is wrong with it, and what is kept beside it
 * @property {typeof import("./finished.js") | null} finished what shows a series that has ended, once it is loaded
 * @property {string} meanwhile what came while there was no connection; "" once the next press came
 */

/** @type {Here} */
export const here = {
  methods: new Map(),
  bench: null,
  series: null,
  trials: new Map(),
  told: new Map(),
  asOf: 0,
  score: null,
  behind: false,
  doubts: null,
  progress: null,
  since: [],
  linked: null,
  calipers: new Map(),
  store: { message: "", kept_beside: 0, last: null },
  finished: null,
  meanwhile: "",
};

export const method = () => (here.series ? here.methods.get(here.series.method) : undefined);
export const shownUnits = () => words.unitsFor(here.series);
/** The running series; null where none runs. */
export const running = () => (here.series && !here.series.finished_at ? here.series : null);
