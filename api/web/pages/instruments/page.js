// The Instruments page: identifies a caliper step by step, and keeps what is plugged in up to date.

import { MAIN_BENCH, benchPage } from "../shared/addresses.js";
import { all, around, at, one } from "../shared/elements.js";
import { Refused, capital, get, getPage, memory, messageOf, post, remove } from "../shared/http.js";
import { catchKeys } from "../shared/keys.js";
import { listen } from "../shared/live.js";
import { show as showUnits } from "../shared/units.js";

const PROGRESS_MS = 400;
const LOOK_MS = 2000;
const STEPS = ["begin", "press", "found", "first", "over"];

/** @param {string} text */
function notice(text) {
  at("notice").hidden = !text;
  at("notice").textContent = text;
}

/**
 * Show one step; `focus` gets the focus, so that keyboard and voice follow.
 * @param {string} name
 * @param {string} focus
 */
function step(name, focus) {
  for (const each of STEPS) at(`step-${each}`).hidden = each !== name;
  at(focus).focus({ preventScroll: false });
}

/**
 * @param {string} id
 * @param {string} icon
 * @param {string} text
 */
function line(id, icon, text) {
  one(at(id), "use", SVGUseElement).setAttribute("href", `#mark-${icon}`);
  one(at(id), "span").textContent = text;
}

// ---- identifying

/** @type {(() => void) | null} */
let stopKeys = null;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let timer;
/** @type {IdentifiedOut | null} */
let found = null; // the caliper that pressed, as the server says
let pressed = false;
let run = 0; // the number of the search shown: answers to an earlier one are ignored
/** @type {Promise<unknown>} */
let released = Promise.resolve(); // the end of one search must not end the next

/**
 * What is plugged in and could be listened to.
 * @param {"serial" | "keys"} kind
 */
function ready(kind) {
  const items = all(document, `.found[data-kind=${kind}][data-ready=yes]`);
  return items.map(({ dataset: { device = "", likely = "", called = "" } }) => ({ device, likely, called }));
}

/** @param {HTMLElement} list */
const inputs = (list) => all(list, "input", HTMLInputElement);

/**
 * A box to tick, with its words.
 * @param {string} value
 * @param {string} text
 */
function tickBox(value, text, checked = false) {
  const label = document.createElement("label");
  const box = document.createElement("input");
  box.type = "checkbox";
  box.value = value;
  box.checked = checked;
  const words = document.createElement("span");
  words.textContent = text;
  label.append(box, words);
  return label;
}

/** One box to tick for each port that would be opened; ticks are remembered. */
function offerLeaveAlone() {
  const kept = new Set(memory.get("leave alone", null));
  const list = at("leave-alone-list");
  const there = ready("serial");
  at("no-ports").hidden = there.length > 0;
  const shown = inputs(list).map((box) => box.value);
  if (shown.join("\n") === there.map((port) => port.device).join("\n")) return;
  list.replaceChildren(...there.map(({ device, likely }) => tickBox(device, `${device}: ${likely}`, kept.has(device))));
}

/** One box for each device that types and could be taken from the system; none is ticked. */
export function offerListenTo() {
  const list = at("listen-to-list");
  const there = ready("keys");
  at("listen-to").hidden = there.length === 0;
  const shown = inputs(list).map((box) => box.value);
  if (shown.join("\n") === there.map((each) => each.device).join("\n")) return;
  list.replaceChildren(...there.map(({ device, called }) => tickBox(device, `${device}: ${called}`)));
}

function chosenTypists() {
  return inputs(at("listen-to-list"))
    .filter((box) => box.checked)
    .map((box) => box.value);
}

function keepLeftAlone() {
  const kept = new Set(memory.get("leave alone", null));
  for (const box of inputs(at("leave-alone-list"))) {
    if (box.checked) kept.add(box.value);
    else kept.delete(box.value);
  }
  memory.set("leave alone", [...kept]);
  return [...kept]; // some of them may not be plugged in today
}

const shownField = at("shown", HTMLInputElement);

async function begin() {
  notice("");
  run++; // an answer still on its way is of the earlier search
  await released;
  const also = at("also", HTMLInputElement).value.trim();
  try {
    await post("/api/identify", {
      leave_alone_later: keepLeftAlone(),
      listen_to: chosenTypists(),
      also: also ? [also] : [],
    });
  } catch (error) {
    if (!(error instanceof Refused && error.status === 409)) return notice(messageOf(error));
  }
  shownField.value = "";
  follow();
}

/** Continue with the server's search as it is now. */
function follow() {
  run++;
  pressed = false;
  at("shown-wrong").textContent = "";
  line("press-now", "waiting", "Press send on the caliper.");
  step("press", "shown");
  stopKeys ??= catchKeys({ field: shownField, take: takeKeys });
  look();
}

async function look() {
  clearTimeout(timer);
  const mine = run;
  try {
    const state = await post("/api/identify/keep");
    if (mine === run) notice("");
    progress(state, mine);
  } catch (error) {
    if (mine === run) notice(`${messageOf(error)} Trying again…`);
  }
  if (mine === run) timer = setTimeout(look, PROGRESS_MS);
}

/** @param {StrokeIn[]} strokes */
async function takeKeys(strokes) {
  const mine = run;
  try {
    progress(await post("/api/identify/keys", { strokes }), mine);
  } catch (error) {
    // A part of the burst may have come first and ended the search: the next request shows it.
    if (!(error instanceof Refused && error.status === 409)) notice(messageOf(error));
  }
}

/** @param {Event} event */
async function tellShown(event) {
  event.preventDefault();
  const value = shownField.value.trim();
  const unit = one(document, "[name=shown-in]:checked", HTMLInputElement).value;
  memory.set("shown unit", unit);
  at("shown-wrong").textContent = "";
  if (!value) {
    at("shown-wrong").textContent = "Type the number on the caliper’s display.";
    return;
  }
  const mine = run;
  try {
    progress(await post("/api/identify/shown", { value, unit }), mine);
  } catch (error) {
    at("shown-wrong").textContent = messageOf(error);
  }
}

/**
 * @param {IdentifyOut} state
 * @param {number} asked in which run
 */
function progress(state, asked) {
  if (asked !== run) return;
  if (state.state === "identified" && state.identified) return identified(state.identified);
  if (state.state !== "listening") return over(state.message);
  const items = state.ports.map((port) => `${port.device}: ${port.words}`);
  items.push(...state.left_out.map((port) => `${port.device}: not opened, ${port.why}`));
  if (!state.ports.length) items.unshift("No port could be opened. This page still hears a caliper that types like a keyboard.");
  fill(at("ports"), items);
  pressed ||= state.ports.some((port) => port.words.startsWith("heard"));
  const steps = [];
  if (state.heard_keys) steps.push(`This page’s keys brought ${state.heard_keys}.`);
  if (state.shown && !pressed) steps.push(`Looking for ${state.shown}. Press send; if nothing happens within a few seconds, press again: each time other speeds are tried.`);
  else if (state.shown) steps.push(`Something was heard, but not ${state.shown} yet. Press again.`);
  else if (pressed) steps.push("Something was heard. Type what the display shows, so that the right port and speed are taken.");
  say(at("progress"), steps.join(" "));
  const minutes = Math.ceil(state.seconds_left / 60);
  say(at("time-left"), `The ports are released by themselves in ${minutes === 1 ? "less than a minute" : `${minutes} minutes`}.`);
}

/**
 * @param {HTMLElement} list
 * @param {string[]} items
 */
function fill(list, items) {
  if ([...list.children].map((item) => item.textContent).join("\n") === items.join("\n")) return;
  list.replaceChildren(
    ...items.map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }),
  );
}

/**
 * Only where they changed: a screen reader would read the same words again.
 * @param {HTMLElement} element
 * @param {string} text
 */
function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function end() {
  run++;
  clearTimeout(timer);
  stopKeys?.();
  stopKeys = null;
}

/** @param {IdentifiedOut} caliper */
function identified(caliper) {
  end();
  found = caliper;
  const typed = caliper.spec === null;
  at("found-sentence").textContent = typed ? caliper.sentence : `${caliper.sentence}.`;
  at("listen-form").hidden = typed;
  at("typed-done").hidden = !typed;
  at("listen-wrong").textContent = "";
  line("found-title", "good", `Found it: ${caliper.sent}`);
  step("found", typed ? "found-title" : "listen-name");
}

/** @param {string} message */
function over(message) {
  end();
  at("over-why").textContent = message ? `${capital(message)}. Every port is released.` : "It was stopped. Every port is released.";
  step("over", "over-title");
}

function cancel() {
  end();
  step("begin", "begin");
  release((error) => notice(messageOf(error)));
}

function searchAgain() {
  release();
  step("begin", "begin");
}

/** @param {(error: unknown) => void} [wrong] */
function release(wrong) {
  released = remove("/api/identify").catch(wrong ?? (() => {}));
}

/** @param {Event} event */
async function listenToFound(event) {
  event.preventDefault();
  const button = at("listen");
  const called = at("listen-name", HTMLInputElement);
  if (button.ariaBusy === "true") return;
  button.ariaBusy = "true";
  at("listen-wrong").textContent = "";
  const bench = at("listen-bench", HTMLInputElement).value.trim() || MAIN_BENCH;
  try {
    const before = await get(`/api/benches/${encodeURIComponent(bench)}`);
    const kept = await post("/api/calipers", { spec: found?.spec, name: called.value.trim() || undefined, bench });
    called.value = "";
    release();
    first(kept, before.last_event);
    refresh();
  } catch (error) {
    at("listen-wrong").textContent = messageOf(error);
  } finally {
    button.ariaBusy = "false";
  }
}

// ---- the first reading

/** @type {ListenedOut | null} */
let waited = null; // the caliper whose first reading is awaited
const followed = new Set(); // benches whose live link is open

/**
 * @param {ListenedOut} caliper
 * @param {number} after which event it was listened to
 */
function first(caliper, after) {
  waited = caliper;
  line("first-title", "waiting", `Now listening to ${caliper.called}. Press send once more.`);
  at("first-heard").textContent = "";
  at("to-bench", HTMLAnchorElement).href = benchPage(caliper.bench);
  step("first", "first-title");
  if (followed.has(caliper.bench)) return;
  followed.add(caliper.bench);
  listen(caliper.bench, after, hear, () => {});
}

/** @param {LiveEvent} event */
function hear({ kind, data }) {
  if (!waited || (kind !== "reading" && kind !== "refusal")) return;
  if (data.bench !== waited.bench) return;
  if (data.caliper !== waited.called && !data.caliper.startsWith(`${waited.name} `)) return;
  if (kind === "reading") {
    line("first-title", "good", `${waited.called} works.`);
    heard(data.sent.includes(data.unit) ? data.sent : `${data.sent} ${data.unit}`, "Heard and kept. Measure on the Bench page.");
  } else {
    line("first-title", "refused", "Something came that is not a reading.");
    heard(data.text, data.reason);
  }
}

/**
 * @param {string} text
 * @param {string} words
 */
function heard(text, words) {
  const small = document.createElement("small");
  small.textContent = words;
  at("first-heard").replaceChildren(text, small);
}

// ---- the lists that are kept up to date

/** @type {WeakMap<Element, string>} */
const written = new WeakMap(); // each item as the server wrote it

/**
 * The items of a list.
 * @param {HTMLElement} list
 */
const itemsOf = (list) => all(list, ":scope > *");

/**
 * Take from `there` only what is new, so that what a person reads or types in stays.
 * @param {HTMLElement} list
 * @param {HTMLElement} there
 */
function takeOver(list, there) {
  const old = new Map(itemsOf(list).map((item) => [item.dataset.key, item]));
  /** @type {HTMLElement[]} */
  const order = [];
  for (const item of itemsOf(there)) {
    const known = old.get(item.dataset.key);
    if (known && (inUse(known) || written.get(known) === item.outerHTML)) order.push(known);
    else {
      const fresh = document.adoptNode(item);
      written.set(fresh, fresh.outerHTML);
      announce(known, fresh);
      showUnits(fresh);
      if (known) keepPlace(known, fresh);
      order.push(fresh);
    }
  }
  const same = order.length === list.children.length && order.every((item, index) => item === list.children[index]);
  if (same) return;
  // Not moved where it need not be: a moved element loses the focus.
  for (const item of itemsOf(list)) if (!order.includes(item)) item.remove();
  order.forEach((item, index) => {
    if (list.children[index] !== item) list.insertBefore(item, list.children[index] ?? null);
  });
  refocus?.focus({ preventScroll: true });
  refocus = null;
}

/**
 * Whether a person types in it, or has been asked a question in it.
 * @param {HTMLElement} item
 */
function inUse(item) {
  return inputs(item).some((field) => field === document.activeElement || field.value !== field.defaultValue) || item.querySelector("[data-sure]") !== null;
}

/** @type {HTMLElement | null} */
let refocus = null;

/**
 * What was open stays open, and what had the focus gets it again.
 * @param {HTMLElement} before
 * @param {HTMLElement} after
 */
function keepPlace(before, after) {
  const open = all(before, "details", HTMLDetailsElement).map((details) => details.open);
  all(after, "details", HTMLDetailsElement).forEach((details, index) => (details.open = open[index] ?? false));
  const has = all(after, "a, button, summary, pre");
  const index = all(before, "a, button, summary, pre").findIndex((each) => each === document.activeElement);
  if (index >= 0) refocus = has[Math.min(index, has.length - 1)] ?? null;
}

/**
 * Announce to a screen reader what a person at the bench wants to know.
 * @param {HTMLElement | undefined} before
 * @param {HTMLElement} item
 */
function announce(before, item) {
  const { name, state, device } = item.dataset;
  if (name && before && before.dataset.state !== state) say(at("announcement"), `${name}: ${one(item, ".state-line").textContent?.trim()}`);
  else if (device && !before) say(at("announcement"), `${device} is plugged in.`);
}

let refreshing = false;
let refreshAgain = false;
async function refresh() {
  if (document.hidden) return;
  if (refreshing) {
    refreshAgain = true; // the answer on its way may be older than what was done just now
    return;
  }
  refreshing = true;
  refreshAgain = false;
  try {
    const there = await getPage("/instruments/now");
    for (const list of all(document, "[data-keyed]")) {
      takeOver(list, one(there, `[data-keyed=${list.dataset.keyed}]`));
    }
    offerLeaveAlone();
    offerListenTo();
  } catch {
    // The server is unreachable: what is shown stays until it is back.
  }
  refreshing = false;
  if (refreshAgain) refresh();
}

/**
 * @param {HTMLFormElement} form
 * @param {string} spec
 */
async function listenTo(form, spec) {
  const wrong = one(form, ".wrong");
  wrong.textContent = "";
  if (!spec) {
    wrong.textContent = "Type what to listen to.";
    return;
  }
  try {
    const before = await get(`/api/benches/${MAIN_BENCH}`);
    const kept = await post("/api/calipers", { spec });
    form.reset();
    form.closest("details")?.removeAttribute("open");
    first(kept, kept.bench === MAIN_BENCH ? before.last_event : (await get(`/api/benches/${encodeURIComponent(kept.bench)}`)).last_event);
    refresh();
  } catch (error) {
    wrong.textContent = messageOf(error);
  }
}

/** @param {HTMLElement} button */
async function forget(button) {
  if (button.dataset.sure !== "yes") {
    button.dataset.sure = "yes";
    button.textContent = `Really stop listening to ${button.dataset.forget}? Its readings stay`;
    return;
  }
  const { forget: name = "", bench = "" } = button.dataset;
  try {
    const gone = await remove(`/api/calipers/${encodeURIComponent(name)}?bench=${encodeURIComponent(bench)}`);
    const words = gone.again ? `No longer listening to ${name}, until the next start: it is named on the command line.` : `No longer listening to ${name}.`;
    say(at("announcement"), words);
    button.blur();
    at("calipers-title").tabIndex = -1;
    at("calipers-title").focus();
    refresh();
  } catch (error) {
    notice(messageOf(error));
  }
}

// ---- begin

function wire() {
  at("begin").addEventListener("click", begin);
  at("try-again").addEventListener("click", begin);
  at("cancel").addEventListener("click", cancel);
  for (const id of ["not-it", "another", "again-after-keys"]) at(id).addEventListener("click", searchAgain);
  at("shown-form").addEventListener("submit", tellShown);
  at("listen-form").addEventListener("submit", listenToFound);
  const describe = at("describe-form", HTMLFormElement);
  describe.addEventListener("submit", (event) => {
    event.preventDefault();
    listenTo(describe, at("describe", HTMLInputElement).value.trim());
  });
  at("now").addEventListener("submit", (event) => {
    event.preventDefault();
    const form = around(event, "form", HTMLFormElement);
    if (form) listenTo(form, one(form, "[name=spec]", HTMLInputElement).value.trim());
  });
  at("now").addEventListener("click", (event) => {
    const button = around(event, "[data-forget]");
    if (button) forget(button);
  });
  at("leave-alone-list").addEventListener("change", keepLeftAlone);
  document.addEventListener("visibilitychange", refresh);
  const unit = memory.get("shown unit", "mm");
  for (const radio of all(document, "[name=shown-in]", HTMLInputElement)) radio.checked = radio.value === unit;
}

async function load() {
  for (const item of all(document, "[data-key]")) written.set(item, item.outerHTML);
  wire();
  offerLeaveAlone();
  offerListenTo();
  setInterval(refresh, LOOK_MS);
  // A page that was reloaded during a search continues it.
  const mine = run;
  const state = await get("/api/identify").catch(() => null);
  if (state?.state === "listening" && mine === run) follow();
}

load();
