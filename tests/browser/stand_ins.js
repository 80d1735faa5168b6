// What a browser gives its pages and node does not, as far as the tested modules ask for it.

import { webcrypto } from "node:crypto";

// A global of its own only since node 19.
globalThis.crypto ??= webcrypto;

/** Lets every promise that can be kept be kept. */
export const settled = () => new Promise((done) => setImmediate(done));

/** A clock that goes on when it is told to; its timers take the place of the global ones. */
export class Clock {
  now = 0;
  #timers = new Map();
  #made = 0;

  constructor(began = Date.UTC(2026, 0, 5, 12)) {
    globalThis.setTimeout = (run, after = 0) => {
      this.#timers.set(++this.#made, { run, at: this.now + Math.max(0, after) });
      return this.#made;
    };
    globalThis.clearTimeout = (timer) => this.#timers.delete(timer);
    Object.defineProperty(globalThis, "performance", { value: { now: () => this.now }, configurable: true });
    Date.now = () => began + this.now;
  }

  /** Run every timer until the moment `at`, in order. */
  async until(at) {
    for (;;) {
      await settled();
      const [id, first] = [...this.#timers].sort(([, a], [, b]) => a.at - b.at)[0] ?? [];
      if (!first || first.at > at) break;
      this.#timers.delete(id);
      this.now = Math.max(this.now, first.at);
      first.run();
    }
    this.now = at;
  }
}

/** What a browser keeps for a site, its keys in no promised order; `full`: it keeps nothing more. */
export class Storage {
  full = false;
  #kept = new Map();

  get length() {
    return this.#kept.size;
  }
  key(index) {
    return [...this.#kept.keys()].reverse()[index] ?? null;
  }
  getItem(key) {
    return this.#kept.get(key) ?? null;
  }
  setItem(key, text) {
    if (this.full) throw new Error("the quota is used up");
    this.#kept.set(key, text);
  }
  removeItem(key) {
    this.#kept.delete(key);
  }
}

/** Listeners of the window or of a document, called by `tell`. */
export class Listeners {
  #all = [];
  addEventListener = (kind, run) => this.#all.push({ kind, run });
  removeEventListener = (kind, run) => {
    this.#all = this.#all.filter((each) => each.kind !== kind || each.run !== run);
  };
  tell = (kind, event) => this.#all.filter((each) => each.kind === kind).forEach((each) => each.run(event));
}

/** A window with nothing kept and nobody listening. */
export function openWindow() {
  const window = new Listeners();
  globalThis.addEventListener = window.addEventListener;
  globalThis.localStorage = new Storage();
  return window;
}
