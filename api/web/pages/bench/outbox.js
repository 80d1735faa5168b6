// What the page itself recorded (bursts of keys, typed values, taking back a part of a burst)
// and the server does not have yet.
//
// Each entry is kept in this browser before it is sent, under a key of its own, so that two
// pages of one bench never overwrite each other's. Entries are sent in order and removed only when
// the server has answered; their ids make sending twice harmless. An entry that the server can't
// take is set aside, where it does not block the others, until a person tries again or discards it.

import { Refused, memory, messageOf, post } from "../shared/http.js";

const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 8000;
// An entry on which the server fails must not block all those after it.
const MOST_FAILURES = 4;
const DIGITS = 9;

/**
 * How many entries wait for the server, and where they are until then.
 * @param {number} waiting
 * @param {boolean} unsaved whether this browser keeps none
 */
export const waitingWords = (waiting, unsaved) =>
  `${waiting} kept ${unsaved ? "on this page (leave it open)" : "in this browser"}, sent as soon as the server answers`;

/**
 * An entry in words for a person: what was typed.
 * @param {{ body: Taken }} entry
 */
export function entryText(entry) {
  if ("reading" in entry.body) return "to take back a part of a value";
  if ("strokes" in entry.body) return entry.body.strokes.map((s) => (s.key.length === 1 ? s.key : "")).join("");
  return entry.body[0]?.sent ?? "";
}

/**
 * The id of the reading that an entry brings or takes back.
 * @param {Taken} body
 */
function readingOf(body) {
  if ("reading" in body) return body.reading;
  return "id" in body ? body.id : body[0]?.id;
}

/**
 * `answered(entry, body)` and `refused(entry, error)` get the server's answer to an entry.
 * `changed({ waiting, aside, unsaved })` gets what is still here: how many entries wait because
 * the server can't be reached, which are set aside (each with its `why`), and whether some are
 * lost when the page is closed, because this browser could not store them.
 *
 * @param {string} bench
 * @param {{
 *   answered: (entry: Entry, body: unknown) => void,
 *   refused: (entry: Entry, error: Refused) => void,
 *   changed: (state: { waiting: number, aside: Entry[], unsaved: boolean }) => void,
 * }} handlers
 */
export function outbox(bench, { answered, refused, changed }) {
  const prefix = /** @type {const} */ (`outbox ${encodeURIComponent(bench)} `);
  /** @type {Map<Entry["name"], KeptEntry>} */
  const unsaved = new Map(); // where the browser keeps nothing
  const failures = new Map();
  let sending = false;
  let late = false; // whether an entry had to wait for the server
  let wait = FIRST_WAIT_MS;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let timer;

  const names = () => [...new Set([...memory.keys(prefix), ...unsaved.keys()])].sort();
  const all = () =>
    names()
      .map((name) => ({ name, ...(unsaved.get(name) ?? memory.get(name, null)) }))
      .filter(/** @returns {entry is Entry} */ (entry) => Boolean(entry.path));
  const queue = () => all().filter((entry) => !entry.why);
  const aside = () => all().filter((entry) => entry.why);

  /**
   * @param {Entry["name"]} name
   * @param {KeptEntry} entry
   */
  function save(name, { path, body, why }) {
    if (memory.set(name, { path, body, why })) unsaved.delete(name);
    else unsaved.set(name, { path, body, why });
  }

  /** @param {Entry} entry */
  function drop(entry) {
    unsaved.delete(entry.name);
    memory.remove(entry.name);
    failures.delete(entry.name);
  }

  /**
   * Remove the entry that takes `reading` back: the server has answered it. The reading itself,
   * where it was set aside, must not be sent after that.
   * @param {Entry} entry
   * @param {string} reading
   */
  function dropTakenBack(entry, reading) {
    drop(entry);
    all()
      .filter(({ body }) => readingOf(body) === reading)
      .forEach(drop);
  }

  /**
   * Unless it was removed while the server was asked: here, or by another page of the bench.
   * @param {Entry} entry
   * @param {string} why
   */
  function setAside(entry, why) {
    if (names().includes(entry.name)) save(entry.name, { ...entry, why });
  }

  function reportState() {
    const waiting = late ? queue().length : 0;
    changed({ waiting, aside: aside(), unsaved: unsaved.size > 0 });
  }

  async function send() {
    if (sending) return;
    sending = true;
    clearTimeout(timer);
    for (let entry; (entry = queue()[0]); ) {
      const error = await deliver(entry);
      if (!error) continue;
      if (mustWait(entry, error)) {
        late = true;
        timer = setTimeout(send, wait);
        wait = Math.min(wait * 2, LONGEST_WAIT_MS);
        break;
      }
      setAside(entry, messageOf(error));
    }
    if (!queue().length) {
      late = false;
      wait = FIRST_WAIT_MS;
    }
    sending = false;
    reportState();
  }

  // A server that is busy, unreachable or starting will take it later, as will one that has to let this
  // browser in first; one that fails may, too.
  /**
   * @param {Entry} entry
   * @param {unknown} error
   */
  function mustWait(entry, error) {
    if (!(error instanceof Refused) || [401, 408, 429, 502, 503, 504].includes(error.status)) return true;
    const failed = (failures.get(entry.name) ?? 0) + 1;
    failures.set(entry.name, failed);
    return error.status >= 500 && failed < MOST_FAILURES;
  }

  /**
   * Send one entry. Returns the error, or null when the server has answered for good.
   * @param {Entry} entry
   */
  async function deliver(entry) {
    const part = "reading" in entry.body ? entry.body.reading : null;
    try {
      const body = await post(entry.path, entry.body);
      if (part) dropTakenBack(entry, part);
      else drop(entry);
      answered(entry, body);
    } catch (error) {
      if (!(error instanceof Refused)) return error;
      if (error.status === 409 && part) {
        // Nothing to take back: no series runs, or it was not a reading.
        dropTakenBack(entry, part);
        return null;
      }
      if (error.status !== 422 && error.status !== 409) return error;
      // The server read it: it is no length, or not the one stored. Sending it again changes nothing.
      drop(entry);
      refused(entry, error);
    }
    return null;
  }

  /** Try what was set aside once more, in order. */
  async function retry() {
    for (const entry of aside()) {
      const error = await deliver(entry);
      if (error instanceof Refused) setAside(entry, messageOf(error));
      else if (error) break;
    }
    reportState();
  }

  addEventListener("online", send);
  addEventListener("storage", reportState); // another page of this bench
  return {
    /**
     * Keep `body` and send it to `path` after all entries before it.
     * @param {string} path
     * @param {Taken} body
     */
    put(path, body) {
      const last = Number(names().at(-1)?.slice(prefix.length, prefix.length + DIGITS) ?? 0);
      save(`${prefix}${String(last + 1).padStart(DIGITS, "0")} ${readingOf(body)}`, { path, body });
      send();
    },
    /** Try again now: the server answers again. */
    send() {
      wait = FIRST_WAIT_MS;
      return send();
    },
    /** The newest reading that waits here and is not taken back, if there is one. */
    newest() {
      const waiting = queue().map((entry) => ({ id: readingOf(entry.body), text: entryText(entry), body: entry.body }));
      const back = new Set(waiting.filter(({ body }) => "reading" in body).map(({ id }) => id));
      return waiting.reverse().find(({ id, body }) => !back.has(id) && !("broken_at" in body));
    },
    retry,
    /** Delete what was set aside. */
    discard() {
      aside().forEach(drop);
      reportState();
    },
  };
}
