// What the page itself took in (bursts of keys, typed values) and the server has not yet.
//
// Each entry is kept in this browser before it is sent, sent in order, and let go only when
// the server has answered. Its id makes sending it twice harmless.

import { Refused, memory, post } from "./http.js";

const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 8000;
// An entry that the server itself trips over must not hold back all that come after it.
const MOST_FAILURES = 4;

/**
 * `answered(entry, body)` and `refused(entry, error)` are told of each entry's end,
 * `waiting(count)` of how many the server has not got while it can't be reached.
 */
export function outbox(key, { answered, refused, waiting }) {
  let entries = memory.get(key, []);
  let sending = false;
  let wait = FIRST_WAIT_MS;
  let timer = null;
  let failures = 0;

  const keep = () => memory.set(key, entries);

  async function send() {
    if (sending) return;
    sending = true;
    clearTimeout(timer);
    while (entries.length) {
      const entry = entries[0];
      try {
        const body = await post(entry.path, entry.body);
        done();
        answered(entry, body);
      } catch (error) {
        if (isFinal(error) || (error.status === 500 && ++failures >= MOST_FAILURES)) {
          done();
          refused(entry, error);
          continue;
        }
        waiting(entries.length);
        timer = setTimeout(send, wait);
        wait = Math.min(wait * 2, LONGEST_WAIT_MS);
        break;
      }
    }
    sending = false;
  }

  // A refusal is an answer. A server that is in trouble or busy will take it later.
  function isFinal(error) {
    return error instanceof Refused && error.status < 500 && error.status !== 429 && error.status !== 408;
  }

  function done() {
    failures = 0;
    entries.shift();
    keep();
    wait = FIRST_WAIT_MS;
    waiting(0);
  }

  addEventListener("online", send);
  return {
    /** Keep `body` and send it to `path` as soon as all before it are through. */
    put(path, body) {
      entries.push({ path, body });
      keep();
      send();
    },
    /** Try again now: the server has been heard from. */
    send() {
      wait = FIRST_WAIT_MS;
      send();
    },
  };
}
