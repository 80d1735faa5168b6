// The live connection: the server's events, each once and in order, none lost after a break.

import { NOT_LET_IN, end, hasEnded, whenEnded } from "./access.js";

/** @type {LiveEvent["kind"][]} */
const KINDS = ["reading", "trial", "score", "caliper", "refusal", "bench", "store"];
const RETRY_MS = 2000;
const SILENCE_MS = 20_000;
const PATIENCE_MS = 4000;

/**
 * Listen to `bench` for what comes after event `after`. `hear(event, number)` gets each event,
 * `link(up, why)` whether the connection is up, and the server's sentence where it refused one.
 *
 * The browser reconnects by itself and says what it saw last. It gives up for good when it
 * gets an answer that is not a stream (a server just starting, or with too many readers), and does
 * not say what that was: so the server is asked why, and the stream is opened again here, unless this browser
 * is let in no more. And it does not notice a connection that died silently, as when a phone leaves its
 * network: so after a silence the server is asked whether it is still there.
 *
 * @param {string} bench
 * @param {number} after
 * @param {(event: LiveEvent, number: number) => void} hear
 * @param {(up: boolean, why?: string) => void} link
 */
export function listen(bench, after, hear, link) {
  let last = after;
  let broken = false;
  /** @type {EventSource} */
  let source;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let again;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let silence;

  const address = () => `/api/live?bench=${encodeURIComponent(bench)}&after=${last}`;

  function open() {
    clearTimeout(again);
    if (hasEnded()) return;
    source?.close();
    source = new EventSource(address());
    source.onopen = () => {
      link(true);
      heard();
      if (broken) lookWhetherRestored();
      broken = false;
    };
    source.onerror = () => {
      broken = true;
      link(false);
      clearTimeout(silence);
      if (source.readyState === EventSource.CLOSED) refused();
    };
    for (const kind of KINDS) {
      source.addEventListener(kind, (event) => {
        heard();
        const number = Number(event.lastEventId);
        // A caliper's state and the store's have no number of their own: the browser gives that of the
        // event before.
        if (kind !== "caliper" && kind !== "store" && event.lastEventId !== "" && number <= last) return;
        if (event.lastEventId !== "") last = Math.max(last, number);
        hear({ kind, data: JSON.parse(event.data) }, number);
      });
    }
  }

  function later(wait = RETRY_MS) {
    clearTimeout(again);
    again = setTimeout(open, wait);
  }

  async function refused() {
    later();
    const asked = source;
    const patience = new AbortController();
    setTimeout(() => patience.abort(), PATIENCE_MS);
    try {
      const answer = await fetch(address(), { signal: patience.signal });
      if (answer.status === 401) return end();
      if (answer.ok) return;
      const { detail } = await answer.json();
      if (asked !== source || source.readyState !== EventSource.CLOSED) return;
      link(false, detail);
      later(1000 * Number(answer.headers.get("Retry-After")) || RETRY_MS);
    } catch {
      // It can't be reached, or it is no server of ours: that there is no connection has been said.
    } finally {
      patience.abort();
    }
  }

  function shutOut() {
    clearTimeout(again);
    clearTimeout(silence);
    source.close();
    link(false, NOT_LET_IN);
  }

  // A store that was put back from a backup has fewer events than were heard of: what is shown is not
  // in it, and its next events have numbers that were heard before.
  async function lookWhetherRestored() {
    const known = last;
    try {
      const answer = await fetch(`/api/benches/${encodeURIComponent(bench)}`);
      if (answer.ok && (await answer.json()).last_event < known) location.reload();
    } catch {
      // The connection broke again, and this is asked once more when it is back.
    }
  }

  function heard() {
    clearTimeout(silence);
    silence = setTimeout(probe, SILENCE_MS);
  }

  async function probe() {
    const asked = source;
    const patience = new AbortController();
    setTimeout(() => patience.abort(), PATIENCE_MS);
    try {
      await fetch("/api/health", { signal: patience.signal });
      if (asked === source && source.readyState === EventSource.OPEN) heard();
    } catch {
      if (asked !== source) return;
      source.close();
      broken = true;
      link(false);
      later();
    }
  }

  addEventListener("offline", probe);
  addEventListener("online", () => source.readyState !== EventSource.OPEN && open());
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && source.readyState === EventSource.OPEN && probe());
  open();
  whenEnded(shutOut);
}
