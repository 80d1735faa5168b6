// How many strips the series is to have, which can be changed until the first is read, and how far
// it is.

import { around, at, one } from "../shared/elements.js";
import { patch } from "../shared/http.js";
import { here, method, running, shownUnits } from "./here.js";
import * as words from "./words.js";

export function show() {
  const series = running();
  const complete = [...here.trials.values()].filter((trial) => trial.state === "complete").length;
  const begun = [...here.trials.values()].some((trial) => trial.readings.length);
  const planned = series?.strips;
  at("target").hidden = !series || begun || method()?.judges !== "machine";
  one(at("target"), "[data-by='-1']").hidden = !planned || planned === 1;
  at("planned").textContent = planned ? `${words.counted(method(), planned)} planned` : `No number of ${words.nounOf(method())}s planned`;
  const line = at("progress");
  // The score may come a moment after its strip.
  const of = here.score?.trials ?? 0;
  const behind = here.behind && of > 0;
  line.hidden = !series || !begun || (!behind && here.progress?.strips !== complete);
  line.textContent = behind ? `The result is of ${words.counted(method(), of)}; the next one is being worked out.` : here.progress ? words.inUnits(here.progress.sentence_parts, shownUnits()) : "";
  const enough = !behind && (here.progress?.enough ?? false);
  line.dataset.enough = String(enough);
  at("finish").classList.toggle("main", enough);
}

/**
 * @param {typeof import("./acts.js").during} during
 * @param {() => void} next shows where the next reading goes
 */
export function wire(during, next) {
  at("target").addEventListener("click", (event) => {
    const button = around(event, "button");
    const series = running();
    if (!button || !series) return;
    const strips = series.strips ? Math.max(1, series.strips + Number(button.dataset.by)) : Number(at("target").dataset.usual);
    during(button, async () => {
      await patch(`/api/series/${series.id}`, { strips });
      series.strips = strips;
      show();
      next();
    });
  });
}
