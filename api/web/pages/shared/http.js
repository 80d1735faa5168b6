// Requests to the page's own server, and ids made here.

import { NOT_LET_IN, end, hasEnded } from "./access.js";

// The key in the session's storage that says when this tab last had the server do something: the page that
// comes then can undo it.
const ACTED = "bothends acted";
const JSON_ALONE = { headers: { Accept: "application/json" } };
// A server of which too much is asked did nothing, and says when to come again. Where that is soon, nobody
// need know.
const SOON_S = 3;
const TIMES = 4;

/** The server refused: the message says what to do, `errors` names fields. */
export class Refused extends Error {
  /**
   * @param {number} status
   * @param {Partial<Problem>} problem
   */
  constructor(status, problem) {
    super(problem.detail || problem.title || `The server answered ${status}.`);
    this.status = status;
    this.errors = problem.errors ?? [];
  }
}

/** No answer at all: the server can't be reached. */
export class Unreachable extends Error {
  constructor() {
    super("The server does not answer. Check that it runs and that this device is on its network.");
  }
}

/**
 * The message of a caught error, for a person: a field that the server refused is called by its
 * label in `form`, and by nothing without one.
 * @param {unknown} error
 * @param {HTMLFormElement} [form]
 */
export function messageOf(error, form) {
  if (!(error instanceof Refused)) return error instanceof Error ? error.message : String(error);
  if (!error.errors.length) return capital(error.message);
  const sentences = error.errors.map(({ field = "", message = "" }) => {
    const label = form && labelOf(form, field);
    return label ? `${label}: ${message}` : capital(message);
  });
  return sentences.join("; ");
}

/**
 * The text with its first letter as a capital.
 * @param {string} text
 */
export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/**
 * What `form` calls the innermost part of a field such as `parts.frame.cuts` that it shows; "" where
 * it shows none.
 * @param {HTMLFormElement} form
 * @param {string} field
 */
function labelOf(form, field) {
  for (const name of field.split(".").reverse()) {
    const named = [...form.querySelectorAll(`[name="${CSS.escape(name)}"]`)].find((each) => each.getClientRects().length);
    const label = named?.closest("label") ?? named?.querySelector("legend");
    if (!label) continue;
    const words = /** @type {Element} */ (label.cloneNode(true));
    for (const other of words.querySelectorAll("input, select, textarea, .wrong")) other.remove();
    // What follows in brackets explains the field.
    return ((words.textContent ?? "").split(" (")[0] ?? "").trim();
  }
  return "";
}

/**
 * @param {string} path
 * @param {RequestInit} options
 */
async function answer(path, options = {}) {
  if (hasEnded()) throw new Refused(401, { detail: NOT_LET_IN });
  /** @type {Response} */
  let response;
  for (let left = TIMES; ; left--) {
    try {
      response = await fetch(path, options);
    } catch {
      throw new Unreachable();
    }
    const wait = Number(response.headers.get("Retry-After"));
    if (response.status !== 429 || !left || !(wait > 0) || wait > SOON_S) break;
    await new Promise((done) => setTimeout(done, 1000 * wait));
  }
  if (response.status === 401) end();
  return response;
}

/**
 * @param {string} path
 * @param {RequestInit} options
 */
const request = async (path, options) => read(await answer(path, options));

/** @param {Response} response */
async function read(response) {
  const text = await response.text();
  let body = {};
  try {
    body = text ? JSON.parse(text) : {};
  } catch {
    body = { detail: `The server answered ${response.status} with something that is not JSON.` };
  }
  if (!response.ok) throw new Refused(response.status, body);
  return body;
}

/**
 * @template {keyof Got} P
 * @param {P} path
 * @returns {Promise<Got[P]>}
 */
export const get = (path) => /** @type {Promise<Got[P]>} */ (request(path, JSON_ALONE));

/**
 * The same, with the number of the event up to which it knows all.
 * @template {keyof Got} P
 * @param {P} path
 * @returns {Promise<[Got[P], number]>}
 */
export async function getAsOf(path) {
  const response = await answer(path, JSON_ALONE);
  return [/** @type {Got[P]} */ (await read(response)), Number(response.headers.get("Last-Event-ID"))];
}

/**
 * @param {"POST" | "PATCH"} method
 * @param {object} body
 * @returns {RequestInit}
 */
const withBody = (method, body) => ({ method, headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });

/**
 * @param {string} path
 * @param {RequestInit} options
 */
async function act(path, options) {
  const made = await request(path, options);
  try {
    sessionStorage.setItem(ACTED, String(Date.now()));
  } catch {
    // It keeps nothing: what was done is undone where it is listed.
  }
  return made;
}

/** How many seconds ago that was; infinite where it did nothing. */
export function actedAgo() {
  try {
    return (Date.now() - Number(sessionStorage.getItem(ACTED) ?? -Infinity)) / 1000;
  } catch {
    return Infinity;
  }
}

/**
 * @template {string & keyof Posted} P
 * @param {P} path
 * @param {object} body
 * @returns {Promise<Posted[P]>}
 */
export const post = (path, body = {}) => act(path, withBody("POST", body));

/**
 * @param {string} path
 * @param {object} body
 */
export const patch = (path, body) => act(path, withBody("PATCH", body));

/**
 * @template {string & keyof Deleted} P
 * @param {P} path
 * @returns {Promise<Deleted[P]>}
 */
export const remove = (path) => /** @type {Promise<Deleted[P]>} */ (request(path, { method: "DELETE" }));

// The one text that a page takes for HTML: where the browser knows of trusted types, no other can be.
const ownPages = globalThis.trustedTypes?.createPolicy("own-pages", { createHTML: (text) => text });

/**
 * A page of this server, to take parts of.
 * @param {string} path
 */
export async function getPage(path) {
  const response = await answer(path);
  if (!response.ok) throw new Refused(response.status, {});
  const text = await response.text();
  return new DOMParser().parseFromString(ownPages ? ownPages.createHTML(text) : text, "text/html");
}

/**
 * A UUID of version 7 (RFC 9562, section 5.7). crypto.randomUUID would be version 4, and is
 * missing where the page comes over plain HTTP from another computer.
 */
export function uuid7(now = Date.now()) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  for (let i = 0; i < 6; i++) bytes[i] = Math.floor(now / 2 ** (8 * (5 - i))) % 256;
  bytes[6] = (bytes[6] & 0x0f) | 0x70;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

/** Small settings kept in this browser; where it keeps none, the page works without. */
export const memory = {
  /**
   * @template {string & keyof Kept} K
   * @template {Kept[K] | null} O
   * @param {K} key
   * @param {O} otherwise
   * @returns {Kept[K] | O}
   */
  get(key, otherwise) {
    try {
      const text = localStorage.getItem(`bothends ${key}`);
      return text == null ? otherwise : JSON.parse(text);
    } catch {
      return otherwise;
    }
  },
  /**
   * Whether it could be kept.
   * @template {string & keyof Kept} K
   * @param {K} key
   * @param {Kept[K]} value
   */
  set(key, value) {
    try {
      localStorage.setItem(`bothends ${key}`, JSON.stringify(value));
      return true;
    } catch {
      return false;
    }
  },
  /** @param {string & keyof Kept} key */
  remove(key) {
    try {
      localStorage.removeItem(`bothends ${key}`);
    } catch {
      // Nothing is kept, so there is nothing to remove.
    }
  },
  /**
   * All keys that begin with `prefix`.
   * @template {string} P
   * @param {P} prefix
   * @returns {`${P}${string}`[]}
   */
  keys(prefix) {
    try {
      const all = Array.from({ length: localStorage.length }, (_, i) => (localStorage.key(i) ?? "").slice("bothends ".length));
      return all.filter(/** @returns {key is `${P}${string}`} */ (key) => key.startsWith(prefix));
    } catch {
      return [];
    }
  },
};
