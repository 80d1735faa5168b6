// The door: trades a code for access, and goes on to the page that was asked for.

import { at } from "../shared/elements.js";
import { LEFT_DOOR } from "../shared/access.js";
import { codeIn, deviceName, leftWords, sentence, typed } from "../shared/codes.js";

const AWAY = "The server does not answer. Check that it runs and that this device is on its network, then try again.";
const NOT_KEPT = "This device was let in, but its browser kept nothing of it. Allow cookies for this address, then ask for a new code.";
const NOT_SENT = "This device is let in, but its browser did not say so with the page. Tap “Go on”.";

const [field, button] = [at("code", HTMLInputElement), at("let-in", HTMLButtonElement)];

// How this browser left the door last: so that it never goes to and fro by itself. A page that is not
// the door forgets it.
const left = {
  get() {
    try {
      return sessionStorage.getItem(LEFT_DOOR);
    } catch {
      return "unknown";
    }
  },
  /** @param {"joined" | "known"} how */
  set(how) {
    try {
      sessionStorage.setItem(LEFT_DOOR, how);
    } catch {
      // It keeps nothing, and gets a button to tap.
    }
  },
};

// Without the code. Whole, since a path that begins with two slashes would name another server.
const address = () => location.origin + location.pathname + location.search;

// The page at this address: it is not the door any more.
const goOn = () => location.replace(address());

/** @param {string} text */
function say(text, wrong = false) {
  at("said").textContent = text;
  at("said").toggleAttribute("data-wrong", wrong);
}

function showForm(code = "") {
  at("door").ariaBusy = "false";
  at("by-hand").hidden = false;
  field.value = code;
}

/**
 * @param {string} path
 * @param {RequestInit} [options]
 * @returns {Promise<Response | null>} null where there is no answer
 */
const ask = (path, options) => fetch(path, options).catch(() => null);

/** @param {Response} answer */
const told = (answer) => answer.json().catch(() => ({}));

/** @param {string} code */
async function join(code) {
  if (button.ariaBusy === "true") return;
  button.ariaBusy = "true";
  say("Letting this device in…");
  const body = JSON.stringify({ code, name: deviceName(navigator.userAgent) });
  const answer = await ask("/api/access/join", { method: "POST", headers: { "Content-Type": "application/json" }, body });
  button.ariaBusy = "false";
  if (!answer) {
    showForm(code);
    return say(AWAY, true);
  }
  if (answer.ok) {
    left.set("joined");
    return goOn();
  }
  const { detail } = await told(answer);
  if (answer.status === 429) {
    showForm(code);
    return countDown(Number(answer.headers.get("Retry-After")) || 60);
  }
  showForm();
  say(sentence(detail || `The server answered ${answer.status}`), true);
}

/** @type {ReturnType<typeof setInterval> | undefined} */
let counting;

/** @param {number} seconds */
function countDown(seconds) {
  const end = Date.now() + seconds * 1000;
  say("Too many codes were tried. Wait until the button below can be tapped again.", true);
  clearInterval(counting);
  const show = () => {
    const rest = (end - Date.now()) / 1000;
    button.disabled = rest > 0;
    button.textContent = rest > 0 ? `In ${leftWords(rest)}` : "Let this device in";
    if (rest > 0) return;
    clearInterval(counting);
    say("Now it can be tried again.");
  };
  counting = setInterval(show, 1000);
  show();
}

async function begin() {
  const code = codeIn(location.hash);
  // At once: a code must not stay where the next person sees it.
  if (location.hash) history.replaceState(null, "", address());
  if (code) return join(code);
  // A browser that comes from another app leaves its access out once (SameSite=Strict).
  const answer = await ask("/api/access/me");
  const known = answer?.ok ? await told(answer) : {};
  const before = left.get();
  if (known.may) {
    if (!before) {
      left.set("known");
      return goOn();
    }
    at("door").ariaBusy = "false";
    at("go-on").hidden = false;
    return say(NOT_SENT);
  }
  if (before === "joined") say(NOT_KEPT, true);
  if (!answer) say(AWAY, true);
  showForm();
}

at("go-on").addEventListener("click", goOn);
at("by-hand").addEventListener("submit", (event) => {
  event.preventDefault();
  const { code, wrong } = typed(field.value);
  at("code-wrong").textContent = wrong;
  field.setAttribute("aria-invalid", String(Boolean(wrong)));
  if (wrong) field.focus();
  else join(code);
});
field.addEventListener("input", () => {
  at("code-wrong").textContent = "";
  field.removeAttribute("aria-invalid");
});
// Another code was scanned while the door was open.
addEventListener("hashchange", () => location.hash && begin());
addEventListener("pageshow", (event) => event.persisted && location.reload());
begin();
