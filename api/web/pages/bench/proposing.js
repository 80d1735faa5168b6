// What the set-up proposes, as the server has it of last time: asked for, and filled in where the
// person has said nothing.

import { all, at, one } from "../shared/elements.js";
import { get } from "../shared/http.js";
import { field, form } from "./form.js";

/** In place of a work: the person says what is good enough. */
export const OWN = "own";
const SHOWN = 6; // works that are offered at once; others are folded away
const TOLERANCES = /** @type {const} */ (["deg", "gap", "joint", "length", "nominal"]);

/** @type {ProposedOut | null} */
let latest = null;
/** @type {Set<string>} */
const said = new Set(); // fields that the person filled in
let asked = 0;
/** @type {Promise<void>} */
let pending = Promise.resolve();

/** What is proposed for the machine, stop and method chosen; null where it is not known. */
export const proposal = () => latest;

/** Until what was asked for is filled in. */
export const settled = () => pending;

/**
 * The address of what is proposed.
 * @param {{ machine?: string, stop?: string, method?: string, work?: string }} chosen
 */
export function address(chosen) {
  const given = Object.entries(chosen).filter(([, value]) => value);
  return /** @type {const} */ (`/api/set-up/proposed?${new URLSearchParams(given)}`);
}

/**
 * Ask what is proposed now, and fill it in; `then` follows, with the error where there is no answer.
 * @param {Map<string, MethodOut>} methods
 * @param {(error?: unknown) => void} then
 */
export function ask(methods, then) {
  const mine = ++asked;
  /** @param {string} name */
  const own = (name) => (said.has(name) && field(name).value !== OWN ? field(name).value : "");
  const chosen = { machine: field("machine").value, stop: field("stop").value, method: own("method"), work: own("work") };
  form.ariaBusy = "true";
  pending = get(address(chosen)).then(
    (found) => {
      if (mine !== asked) return;
      fill(found, methods);
      then();
    },
    (error) => {
      if (mine !== asked) return;
      latest = null;
      then(error);
    },
  );
}

/** Listen to what the person fills in: it is not written over. */
export function listen() {
  for (const kind of ["input", "change", "click"]) {
    form.addEventListener(kind, ({ target }) => {
      // A button that is chosen already tells a click alone.
      if ((target instanceof HTMLInputElement || target instanceof HTMLSelectElement) && target.name && (kind !== "click" || target.type === "radio")) said.add(target.name);
    });
  }
  // Also before a phone discards the page, which it does not tell.
  document.addEventListener("visibilitychange", keep);
}

const KEPT = `bothends set-up ${location.pathname}`;

/** Keep what the person said until this tab loads the page again. */
function keep() {
  const names = said.size ? new Set(["machine", "stop", ...said]) : [];
  try {
    sessionStorage.setItem(KEPT, JSON.stringify(Array.from(names, (name) => [name, field(name).value])));
  } catch {
    // It is typed once more then.
  }
}

/**
 * Fill in what the person had said before the page was loaded again; whether there was anything.
 * @param {() => void} offerStops of the machine chosen
 */
export function recall(offerStops) {
  /** @type {[string, string][]} */
  let kept = [];
  try {
    kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "[]");
  } catch {
    // Nothing is kept.
  }
  for (const [name, value] of kept) {
    field(name).value = value;
    said.add(name);
    if (name === "machine") offerStops();
  }
  return kept.length > 0;
}

/** Nothing is said any longer: what is proposed is filled in whole. */
export function forget() {
  said.clear();
  offeredFor = null;
}

/**
 * Fill in what is proposed, where the person said nothing else.
 * @param {ProposedOut} found
 * @param {Map<string, MethodOut>} methods
 */
export function fill(found, methods) {
  latest = found;
  const settings = found.settings;
  if (found.method && methods.has(found.method)) put("method", found.method);
  put("unit", settings?.unit ?? found.unit ?? field("unit").value);
  const chosen = methods.get(field("method").value);
  const fits = settings?.method === chosen?.key ? settings : null;
  const lengths = fits?.unit === field("unit").value ? fits : null;
  put("baseline", lengths?.baseline ?? "");
  put("thickness", lengths?.thickness ?? "");
  put("inset", lengths?.inset ?? "0");
  put("repeats", String(fits?.repeats ?? chosen?.default_repeats ?? 1));
  put("pieces", String(fits?.pieces ?? chosen?.pieces ?? ""));
  put("strip_side", fits?.strip_side ?? "left");
  put("tolerance", (fits && TOLERANCES.find((kind) => fits[`tolerance_${kind}`] != null)) ?? "none");
  for (const kind of TOLERANCES) put(`tolerance_${kind}`, ((kind === "deg" ? fits : lengths)?.[`tolerance_${kind}`] ?? ""));
  put("strips", String(found.strips.strips ?? ""));
  offerWorks(found);
}

/**
 * @param {string} name
 * @param {string} value
 */
function put(name, value) {
  if (!said.has(name)) field(name).value = value;
}

/** @param {ProposedWorkOut} work */
const keyOf = (work) => work.work ?? work.name;

/** @type {string | null} */
let offeredFor = null; // the machine whose works are offered

/**
 * Offer the works of a machine, which then stay in their places. Where it was measured for one last
 * time that is chosen, where for none, none is; and where nothing is known of it, the person says it.
 * @param {ProposedOut} found
 */
function offerWorks({ machine, works, settings }) {
  const given = said.has("work") ? field("work").value : null;
  const chosen = works.find((work) => work.chosen);
  const wanted = given ?? (chosen ? keyOf(chosen) : settings ? OWN : null);
  if (offeredFor !== (machine?.id ?? "")) {
    const [first, more] = all(form, "#work > .works, #work details > .works");
    first?.replaceChildren(...works.slice(0, SHOWN).map(card));
    more?.replaceChildren(...works.slice(SHOWN).map(card));
    one(form, ".more-works").hidden = works.length <= SHOWN;
    offeredFor = machine?.id ?? "";
  }
  for (const radio of all(form, "[name=work]", HTMLInputElement)) radio.checked = radio.value === wanted || !works.length;
}

/** @param {ProposedWorkOut} work */
function card(work) {
  const label = document.importNode(one(form, "#work-card", HTMLTemplateElement).content, true);
  one(label, "input", HTMLInputElement).value = keyOf(work);
  one(label, "b").textContent = work.name;
  one(label, ".need").textContent = `${work.need}${work.work ? "" : " Common practice."}${work.before ? " As before." : ""}`;
  return label;
}

/** Whether the need that is chosen is the one that the number of strips was worked out for. */
export function sameNeed() {
  if (!latest) return false;
  const chosen = latest.works.find((work) => work.chosen);
  const work = at("work").hidden ? OWN : field("work").value;
  if (chosen || work !== OWN) return Boolean(chosen) && work === keyOf(/** @type {ProposedWorkOut} */ (chosen));
  const last = latest.settings;
  const kind = field("tolerance").value;
  const names = { none: [], deg: ["tolerance_deg"], gap: ["tolerance_gap", "tolerance_joint"], length: ["tolerance_length", "tolerance_nominal"] }[kind] ?? [];
  return TOLERANCES.every((each) => {
    const name = /** @type {const} */ (`tolerance_${each}`);
    return (names.includes(name) ? field(name).value.trim() : "") === (last?.[name] ?? "");
  });
}
