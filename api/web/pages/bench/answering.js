// Answers presses on a page that is not the Bench's: what was read, where the next one goes, and the
// way back. What a caliper types here is taken for the bench, as on its own page.

import { NOT_LET_IN, hasEnded } from "../shared/access.js";
import { benchPage } from "../shared/addresses.js";
import { messageOf, uuid7 } from "../shared/http.js";
import { catchKeys } from "../shared/keys.js";
import { listen } from "../shared/live.js";
import * as sounds from "../shared/sounds.js";
import { entryText, outbox, waitingWords } from "./outbox.js";
import { numberIn } from "./words.js";

/** @type {Record<string, string>} */
const SAID = {
  kept: "kept",
  complete: "kept, and complete",
  "taken back": "jaws shut: the reading before it is taken back",
  "nothing to take back": "jaws shut: there is nothing to take back",
  bounced: "ignored: repeat",
  "no series": "kept, but no series is running",
};
/** @type {Record<string, string>} */
const SOUND = { "no series": "kept", "nothing to take back": "taken back" };

/**
 * Answer what comes at the bench called `name` from now on.
 * @param {string} name
 * @param {SeriesHead} series that runs there
 * @param {BenchOut} now
 */
export function answer(name, series, now) {
  const { say, link } = bar(name);
  /** @param {NextOut | null} next */
  const onward = (next) => (next ? ` Next: ${next.label}.` : "");
  const machine = document.createElement("span");
  machine.className = "name";
  machine.textContent = series.machine.name;
  say("A series of ", machine, ` is running.${onward(now.next)}`);
  /** @type {Map<string, number>} */
  const readings = new Map(); // how many each trial has
  let away = false;
  let closed = false; // jaws that were shut have said that a reading was taken back

  /** @param {ReadingOut} reading */
  function heardReading(reading) {
    const { outcome } = reading;
    closed = outcome === "taken back";
    const answered = reading.question ? `${reading.question} It does not count yet: answer on the Bench.` : `${SAID[outcome] ?? outcome}.${onward(reading.next)}`;
    say(`${numberIn(reading)} ${reading.unit}: ${answered}`);
    if (outcome !== "bounced") sounds.play(SOUND[outcome] ?? outcome);
  }

  /** @param {TrialOut} trial */
  function heardTrial(trial) {
    const fewer = trial.readings.length < (readings.get(trial.id) ?? 0);
    readings.set(trial.id, trial.readings.length);
    if (fewer && !closed) {
      say("A reading was taken back.");
      sounds.play("taken back");
    }
    if (fewer) closed = false;
  }

  /** @param {string} text */
  function refused(text) {
    say(`Not understood: ${text}`);
    sounds.play("refused");
  }

  /** @param {LiveEvent} event */
  function hear({ kind, data }) {
    if (kind === "reading") heardReading(data);
    else if (kind === "trial") heardTrial(data);
    else if (kind === "refusal") refused(`${data.text} (${data.reason})`);
    else if (kind === "bench" && !data.series) say("The series is finished.");
    else if (kind === "store" && data.last) {
      say(`${numberIn(data.last)} ${data.last.unit}: kept beside the store.`);
      sounds.play("kept beside");
    }
  }

  listen(name, now.last_event, hear, (up) => {
    if (hasEnded()) say(NOT_LET_IN);
    else if (!up) say("Not connected to the server; trying again.");
    else if (away) say("Connected again.");
    away = !up;
    link(up);
  });
  takeKeys(name, series, refused, say);
}

/**
 * @param {string} name of the bench
 * @param {SeriesHead} series
 * @param {(text: string) => void} refused
 * @param {(text: string) => void} say
 */
function takeKeys(name, series, refused, say) {
  if (location.pathname === "/instruments") return; // it asks for presses itself
  const unit = series.readings_unit ?? series.unit;
  const box = outbox(name, {
    answered() {},
    refused: (entry, error) => refused(`${entryText(entry)} (${messageOf(error)})`),
    changed({ waiting, unsaved }) {
      if (!waiting) return;
      say(`${waitingWords(waiting, unsaved)}.`);
      sounds.play("kept beside");
    },
  });
  const path = `/api/benches/${encodeURIComponent(name)}`;
  catchKeys({
    field: document.createElement("input"), // what a person types is for the page's own fields
    take(strokes, takenAt) {
      const id = uuid7();
      box.put(`${path}/keys`, { id, taken_at: takenAt.toISOString(), strokes, unit });
      return id;
    },
    withdraw: (id) => box.put(`${path}/take-back`, { reading: id }),
    refuse: (strokes, brokenAt, takenAt) => box.put(`${path}/keys`, { id: uuid7(), taken_at: takenAt.toISOString(), strokes, broken_at: brokenAt }),
  });
  box.send();
}

/**
 * The line at the bottom of the page.
 * @param {string} name of the bench
 */
function bar(name) {
  const line = document.createElement("p");
  line.className = "answering";
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  const back = Object.assign(document.createElement("a"), { href: benchPage(name), textContent: "To the Bench" });
  line.append(said, " ", back);
  document.body.append(line);
  sounds.unlockByTouch();
  return {
    /** @param {(string | Node)[]} what */
    say: (...what) => said.replaceChildren(...what),
    /** @param {boolean} up */
    link: (up) => (line.dataset.on = String(up)),
  };
}
