// The form that sets up a series: shows the fields that the method needs, with what is proposed, and
// sends them.

import { all, around, at, one } from "../shared/elements.js";
import { Refused, capital, get, messageOf, post } from "../shared/http.js";
import { keyboards } from "../shared/units.js";
import { field, form, show, visible } from "./form.js";
import * as proposing from "./proposing.js";

const WORKS = "/api/works?retired=true"; // a series may be for one that is retired

/** @type {Map<string, MethodOut>} */
let methods = new Map();
/** @type {ListedMachine[]} */
let machines = [];
/** @type {MadeWorkOut[]} */
let works = [];
let unitChanged = () => {};

export const unit = () => (field("unit").value === "in" ? "in" : "mm");
export const side = () => field("strip_side").value;
export const method = () => methods.get(field("method").value);
const machine = () => machines.find((m) => m.id === field("machine").value);
/** The kind of the machine chosen, as a person wrote it. */
export const kind = () => machine()?.kind ?? field("kind").value.trim();

/** The machine and stop that the link to this page names, if it does. */
export const named = () => new URLSearchParams(location.search);

/**
 * What `prepare` fills the form with: for the machine that the link to this page names, else for that of
 * a series.
 * @param {SeriesHead | null} after
 */
export function offered(after) {
  const machine = named().get("machine") ?? after?.machine.id ?? "";
  const stop = (named().has("machine") ? named().get("stop") : after?.stop.id) ?? "";
  return Promise.all([get("/api/machines"), get(WORKS), get(proposing.address({ machine, stop }))]);
}

/**
 * Whether the link to this page names another machine or stop than that of `series`.
 * @param {SeriesHead} series
 */
export function namesAnother({ machine, stop }) {
  /** @type {(key: string, of: { id: string, name: string }) => boolean} */
  const isOther = (key, { id, name }) => ![null, id, name].includes(named().get(key));
  return isOther("machine", machine) || isOther("stop", stop);
}

/**
 * What the link to this page names is measured by `series`: it proposes nothing any longer.
 * @param {SeriesHead} series
 */
export function measured(series) {
  if (location.search && !namesAnother(series)) history.replaceState(null, "", location.pathname);
}

/**
 * Fill the form: what is proposed, the known machines and works.
 * @param {Map<string, MethodOut>} known
 * @param {ListedMachine[]} machinesKnown
 * @param {MadeWorkOut[]} worksKnown those that are retired too
 * @param {ProposedOut | null} proposed null: it is not known
 * @param {boolean} [again] whether the page is loaded again, so that what was said before comes back
 */
export function prepare(known, machinesKnown, worksKnown, proposed, again) {
  methods = known;
  machines = machinesKnown;
  works = worksKnown;
  proposing.forget();
  offerMachines(proposed?.machine?.id);
  offerStops(proposed?.stop?.id);
  if (proposed) proposing.fill(proposed, methods);
  const recalled = again && proposing.recall(offerStops);
  filled();
  // The machine of last time is listed no more.
  if (recalled || (machines.length && !proposed?.machine)) proposing.ask(methods, filled);
  for (const box of all(form, "details", HTMLDetailsElement)) box.open = [...box.querySelectorAll("input")].some(saysMore);
}

/**
 * What was proposed is in the form, or `error` says why nothing is.
 * @param {unknown} [error]
 */
function filled(error) {
  for (const box of all(form, "details", HTMLDetailsElement)) box.open ||= [...box.querySelectorAll("[type=radio]")].some((radio) => radio.matches(":checked"));
  form.ariaBusy = "false";
  adapt();
  askNoMore(); // what was asked about may be another length now
  unitChanged();
  const shortcut = at("as-last");
  const proposed = proposing.proposal();
  shortcut.hidden = !proposed?.settings || !proposed.same_stop;
  if (!shortcut.hidden) one(shortcut, "span").textContent = asLast(/** @type {ProposedOut} */ (proposed));
  if (error) showProblem(error);
}

/** @param {ProposedOut} proposed */
function asLast({ machine: of, stop, settings, works: all_works }) {
  const where = (machine()?.stops.length ?? 0) > 1 ? `${of?.name}, ${stop?.name}` : of?.name;
  const how = methods.get(settings?.method ?? "")?.title ?? settings?.method;
  const length = settings?.baseline ? `, ${settings.baseline} ${settings.unit}` : "";
  const work = all_works.find((each) => each.chosen);
  return `${where}, ${how}${length}${work ? `, for ${work.name}` : ""}`;
}

export const settled = proposing.settled;

/** Fill in what was done last time, whatever was said since. */
export function asLastTime() {
  const proposed = proposing.proposal();
  if (!proposed) return;
  proposing.forget();
  proposing.fill(proposed, methods);
  filled();
}

/**
 * `changed` is called when the unit for typed values may have changed.
 * @param {() => void} changed
 */
export function onChange(changed) {
  unitChanged = changed;
  proposing.listen();
  form.addEventListener("change", (event) => {
    if (around(event, "[name=machine]")) offerStops();
    const proposed = proposing.proposal();
    if (around(event, "[name=unit]") && proposed) proposing.fill(proposed, methods);
    adapt();
    askNoMore();
    unitChanged();
    if (around(event, "[name=machine], [name=stop], [name=method], [name=work]")) proposing.ask(methods, filled);
  });
}

/**
 * Whether a field in a closed part of the form has any other than its usual value.
 * @param {HTMLInputElement} field
 */
const saysMore = (field) => (field.type === "radio" ? field.checked : !["", field.defaultValue].includes(field.value)) && !field.closest("[hidden]:not(form)");

/** @param {string} [wanted] the machine to choose, else the first that can be chosen */
function offerMachines(wanted) {
  at("machine", HTMLSelectElement).replaceChildren(
    ...machines.map((m) => new Option(`${m.name} (${m.kind})`, m.id, false, m.id === wanted)),
    new Option("A new machine…", "", false, !machines.length),
  );
}

/** @param {string} [wanted] of the machine chosen; else its oldest */
function offerStops(wanted) {
  at("stop", HTMLSelectElement).replaceChildren(...(machine()?.stops ?? []).map(({ stop }) => new Option(stop.name, stop.id, false, stop.id === wanted)));
}

/**
 * What the work of a series is called; "" where it was measured for none.
 * @param {SeriesHead} series
 */
export const workName = (series) => works.find((work) => work.id === series.work)?.name ?? "";

/**
 * The stop of a series in words, to follow its machine's name; nothing where the machine has no other.
 * @param {SeriesHead} series
 */
export function stopWords({ machine, stop }) {
  const known = machines.find((m) => m.id === machine.id);
  return !known || known.stops.every((each) => each.stop.id === stop.id) ? "" : `, ${stop.name}`;
}

/**
 * What a series is called over its strips and over its result.
 * @param {SeriesHead} series
 * @param {MethodOut | undefined} how
 */
export const titleOf = (series, how) => `${series.machine.name}${stopWords(series)}: ${how?.title ?? series.method}`;

function adapt() {
  keyboards();
  const chosen = method();
  if (!chosen) return;
  /** @type {Record<string, boolean>} */
  const shown = {
    baseline: (chosen.baseline ?? chosen.optional_baseline) != null,
    thickness: chosen.needs_thickness,
    pieces: chosen.pieces != null,
    strip_side: chosen.sided,
    inset: chosen.baseline != null && chosen.places.length > 1,
    strips: chosen.judges === "machine",
  };
  for (const element of all(form, "[data-for]")) element.hidden = !shown[String(element.dataset.for)];
  const measured = chosen.baseline ?? (chosen.optional_baseline && `${chosen.optional_baseline}, if it is known`);
  if (measured) at("baseline-label").textContent = capital(measured);
  if (chosen.pieces && !field("pieces").value) field("pieces").value = String(chosen.pieces);
  at("new-machine").hidden = field("machine").value !== "";
  at("stop-field").hidden = at("stop", HTMLSelectElement).options.length < 2;
  at("decimal-hint").hidden = !shown.baseline && !shown.thickness;
  at("strips-label").textContent = `How many ${chosen.noun}s?`;
  at("strips-why").textContent = proposing.sameNeed() ? (proposing.proposal()?.strips.sentence ?? "") : "";
  at("show-guide").textContent = chosen.sided ? "Show me the cuts" : "Show me how";
  adaptNeed(chosen);
}

/** @param {MethodOut} chosen */
function adaptNeed(chosen) {
  const angles = chosen.reveals.includes("angle") || chosen.reveals.includes("tilt");
  const lengths = chosen.reveals.includes("length");
  at("work").hidden = !angles || chosen.judges !== "machine";
  at("other-works").hidden = at("work").hidden || [proposing.OWN, ""].includes(field("work").value);
  at("own-tolerance").hidden = visible("work") && field("work").value !== proposing.OWN;
  for (const label of all(form, "[data-tolerance]")) {
    label.hidden = label.dataset.tolerance === "angle" ? !angles : !lengths;
    const radio = one(label, "input", HTMLInputElement);
    if (label.hidden && radio.checked) field("tolerance").value = "none";
  }
  for (const label of all(form, "[data-shown-by]")) label.hidden = label.dataset.shownBy !== field("tolerance").value;
}

/**
 * Fields that are empty or not a number, as [field name, sentence].
 * @returns {[string, string][]}
 */
function mistakes() {
  /** @type {[string, string][]} */
  const found = [];
  /** @type {(name: string, sentence: string) => void} */
  const needed = (name, sentence) => {
    if (visible(name) && !field(name).value.trim()) found.push([name, sentence]);
  };
  if (field("machine").value === "") {
    needed("machine_name", "Give the new machine a name.");
    needed("kind", "Say what kind of machine it is.");
  }
  if (visible("work") && !field("work").value) found.push(["work", "Choose what you make, or “None of these”."]);
  if (method()?.baseline) needed("baseline", "Measure it and type it here.");
  needed("thickness", "Measure the board’s thickness and type it here.");
  needed("tolerance_deg", "Type the largest angle you accept, or choose another way.");
  needed("tolerance_gap", "Type the largest gap you accept.");
  needed("tolerance_joint", "Type the length of the joint.");
  needed("tolerance_length", "Type how far off a length may be.");
  needed("tolerance_nominal", "Type the length that is wanted.");
  for (const name of ["baseline", "thickness", "inset", "jaw_width", "tolerance_deg", "tolerance_gap", "tolerance_joint", "tolerance_length", "tolerance_nominal"]) {
    const value = field(name).value;
    if (visible(name) && value.trim() && !/\d/.test(value)) found.push([name, `“${value}” has no number in it; type one such as 8.026, 203,86 or 8 1/32.`]);
  }
  for (const name of ["repeats", "pieces"]) {
    if (visible(name) && !/^\s*[1-9]\d*\s*$/.test(field(name).value)) found.push([name, "Type a whole number, 1 or more."]);
  }
  const strips = visible("strips") ? field("strips").value.trim() : "";
  if (strips && (!/^[1-9]\d*$/.test(strips) || Number(strips) > 1000)) found.push(["strips", "Type a whole number from 1 to 1000, or leave it empty."]);
  return found;
}

/** Whether the form is complete; marks the fields that are wrong and says why. */
export function check() {
  return !show(mistakes(), "");
}

function askNoMore() {
  for (const asked of form.querySelectorAll(".asked-length")) asked.remove();
}

/** @type {Set<string>} */
const kept = new Set(); // lengths that the person said are right

/**
 * Whether the server would start this series, and nothing is odd about its lengths or the person has
 * said that they are right; asks at the fields, `again` with each answer.
 * @param {string} bench
 * @param {() => void} again
 * @throws {Refused} what would be refused
 */
export async function accepted(bench, again) {
  const said = payload(bench, field("machine").value || field("machine_name").value.trim());
  /** @param {string} name */
  const typed = (name) => String(said[/** @type {keyof typeof said} */ (name)]);
  /** @param {string} name */
  const key = (name) => JSON.stringify([kind(), said.method, name, typed(name), said.unit]);
  const last = proposing.proposal()?.settings;
  const asBefore = last && last.method === said.method && last.unit === said.unit ? last : null;
  const found = await post("/api/set-up", machine() ? said : { ...said, kind: kind() });
  const asked = found.filter(({ field: name }) => !kept.has(key(name)) && asBefore?.[/** @type {keyof typeof asBefore} */ (name)] !== typed(name));
  askNoMore();
  const shown = asked.map((each) => {
    const answer = (/** @type {string | null} */ value) => {
      if (value === null) kept.add(key(each.field));
      else field(each.field).value = value;
      again();
    };
    return askLength(each, typed(each.field), answer);
  });
  shown[0]?.focus();
  return !asked.length;
}

/**
 * Ask about a length below its field; the first button of the answers.
 * @param {AskedLengthOut} asked
 * @param {string} typed
 * @param {(value: string | null) => void} answer the value to take, null to keep the one typed
 */
function askLength({ field: name, sentence, proposed }, typed, answer) {
  const label = at(name.replace("_", "-")).closest("label");
  const box = document.createElement("div");
  box.className = "asked-length";
  box.setAttribute("role", "group");
  const words = document.createElement("p");
  words.textContent = sentence;
  words.id = `${name}-asked`;
  box.setAttribute("aria-labelledby", words.id);
  const row = document.createElement("p");
  row.className = "row";
  const [first, ...more] = [...proposed, null].map((value) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = value === null ? `Keep ${typed} ${unit()}` : `Use ${value} ${unit()}`;
    button.addEventListener("click", () => answer(value));
    return button;
  });
  row.append(.../** @type {HTMLElement[]} */ ([first, ...more]));
  box.append(words, row);
  label?.after(box);
  box.closest("details")?.setAttribute("open", "");
  return first;
}

/**
 * What is other than last time by this method, in sentences; null where it was not used before.
 * sides: whether the strip falls to the other side.
 */
export function changed() {
  const proposed = proposing.proposal();
  if (!proposed || proposed.method !== field("method").value) return null;
  const { settings: last, series, same_stop, stop } = proposed;
  /** @type {string[]} */
  const sentences = [];
  if (!series) sentences.push("It is another machine.");
  else if (!same_stop) sentences.push(`It is another stop: ${stop?.name}.`);
  for (const name of /** @type {const} */ (["baseline", "thickness", "inset", "pieces", "repeats"])) {
    const ofLength = name !== "pieces" && name !== "repeats";
    const [now, before] = [field(name).value.trim(), String(last?.[name] ?? "")];
    if (!last || !visible(name) || (now === before && (!ofLength || last.unit === unit()))) continue;
    const words = one(form, `label[for="${name}"]`).firstChild?.textContent;
    sentences.push(ofLength ? `${words}: ${now} ${unit()}, last time ${before || "none"} ${last.unit}.` : `${words}: ${now}, last time ${before}.`);
  }
  const sides = Boolean(last && visible("strip_side") && last.strip_side !== side());
  if (sides) sentences.push(`The strip falls to the ${side()} of the blade, last time to the ${last?.strip_side}.`);
  return { sentences, sides };
}

/**
 * @param {string} bench
 * @param {string} machine
 */
function payload(bench, machine) {
  /** @param {string} name */
  const text = (name) => (visible(name) && field(name).value.trim()) || undefined;
  const work = text("work");
  return {
    machine,
    stop: field("stop").value || undefined,
    method: field("method").value,
    bench,
    baseline: text("baseline"),
    thickness: text("thickness"),
    unit: unit(),
    inset: text("inset") ?? "0",
    jaw_width: text("jaw_width"),
    strip_side: side(),
    repeats: Number(field("repeats").value),
    pieces: text("pieces") && Number(field("pieces").value),
    tolerance_deg: text("tolerance_deg"),
    tolerance_gap: text("tolerance_gap"),
    tolerance_joint: text("tolerance_joint"),
    tolerance_length: text("tolerance_length"),
    tolerance_nominal: text("tolerance_nominal"),
    work: work === proposing.OWN ? undefined : work,
    strips: text("strips") && Number(field("strips").value),
    note: field("note").value.trim() || undefined,
  };
}

/**
 * Add the machine if it is new, and the series.
 * @param {string} bench
 */
export async function start(bench) {
  let of = field("machine").value;
  if (of === "") {
    const made = await post("/api/machines", { name: field("machine_name").value.trim(), kind: field("kind").value.trim() });
    of = made.id;
    machines = await get("/api/machines");
    offerMachines(of);
    offerStops();
    adapt();
  }
  const said = payload(bench, of);
  await post("/api/series", said);
  // A usual work is one of the shop's own now.
  if (said.work && !works.some((work) => work.id === said.work)) works = await get(WORKS);
  field("machine_name").value = field("kind").value = field("note").value = "";
  show([], "");
  // Whatever the link named, this is what was chosen.
  history.replaceState(null, "", location.pathname);
}

/**
 * Show why the series could not start, at the fields where it names them.
 * @param {unknown} error
 */
export function showProblem(error) {
  const errors = error instanceof Refused ? error.errors : [];
  show(errors.map(({ field = "", message = "" }) => [field, message]), messageOf(error, form));
}
