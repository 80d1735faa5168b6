// The live link: the server's events, each once, in order, with no hole after a break.

const KINDS = ["reading", "trial", "score", "caliper", "refusal", "bench"];
const RETRY_MS = 2000;

/**
 * Listen at `bench` for what comes after event `after`. `hear(kind, data)` gets each event,
 * `link(up)` whether the link is up.
 *
 * The browser reconnects by itself and says what it saw last. It gives up for good when it
 * gets an answer that is no stream (a server just starting), so that is begun anew here.
 */
export function listen(bench, after, hear, link) {
  let last = after;
  let source = null;

  function open() {
    source = new EventSource(`/api/live?bench=${encodeURIComponent(bench)}&after=${last}`);
    source.onopen = () => link(true);
    source.onerror = () => {
      link(false);
      if (source.readyState === EventSource.CLOSED) setTimeout(open, RETRY_MS);
    };
    for (const kind of KINDS) {
      source.addEventListener(kind, (event) => {
        const number = Number(event.lastEventId);
        if (event.lastEventId !== "" && number <= last) return;
        if (event.lastEventId !== "") last = number;
        hear(kind, JSON.parse(event.data));
      });
    }
  }

  open();
}
