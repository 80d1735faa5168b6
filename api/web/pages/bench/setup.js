// The form that sets up a series: shows the fields that the method needs, remembers them, sends them.

import { all, around, at, entries, one } from "../shared/elements.js";
import { Refused, get, memory, messageOf, post } from "../shared/http.js";

const NUMBER = /^\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)\s*$/;
const form = at("setup", HTMLFormElement);
const problem = at("setup-problem");

/** @type {Map<string, MethodOut>} */
let methods = new Map();
/** @type {MachineOut[]} */
let machines = [];

/**
 * A field by its name: an input, a list, or a group of radio buttons.
 * @param {string} name
 */
function field(name) {
  return /** @type {HTMLInputElement | HTMLSelectElement | RadioNodeList} */ (form.elements.namedItem(name));
}

export const unit = () => (field("unit").value === "in" ? "in" : "mm");
export const side = () => field("strip_side").value;
export const method = () => methods.get(field("method").value);

/**
 * Fill the form with the last settings and the known machines.
 * @param {Map<string, MethodOut>} known
 * @param {MachineOut[]} machinesKnown
 */
export function prepare(known, machinesKnown) {
  methods = known;
  machines = machinesKnown;
  const last = memory.get("setup", null);
  if (last) remembered(last);
  offerMachines();
  adapt();
  for (const box of form.querySelectorAll("details")) box.open = [...box.querySelectorAll("input")].some(saysMore);
  const machine = machines.find((m) => m.id === field("machine").value);
  const shortcut = at("as-last");
  shortcut.hidden = !last || !machine;
  if (last && machine) {
    const length = visible("baseline") ? `, ${field("baseline").value} ${unit()}` : "";
    one(shortcut, "span").textContent = `${machine.name}, ${method()?.title}${length}`;
  }
}

/**
 * `unitChanged` is called when the unit for typed values may have changed.
 * @param {() => void} unitChanged
 */
export function onChange(unitChanged) {
  form.addEventListener("change", (event) => {
    if (around(event, "[name=method]")) field("repeats").value = String(method()?.default_repeats ?? 1);
    adapt();
    unitChanged();
  });
}

/**
 * Whether a field in a closed part of the form has any other than its usual value.
 * @param {HTMLInputElement} field
 */
const saysMore = (field) => (field.type === "radio" ? field.checked : !["", field.defaultValue].includes(field.value)) && !field.closest("[hidden]");

function offerMachines() {
  const wanted = memory.get("machine", null) ?? machines.at(-1)?.id;
  const select = at("machine", HTMLSelectElement);
  select.replaceChildren(
    ...machines.map((m) => new Option(`${m.name} (${m.kind})`, m.id, false, m.id === wanted)),
    new Option("A new machine…", "", false, !machines.length),
  );
}

/** @param {Record<string, string>} values */
function remembered(values) {
  for (const [name, value] of Object.entries(values)) {
    if (name !== "machine" && form.elements.namedItem(name)) field(name).value = value;
  }
  const radios = all(form, "[name=method]", HTMLInputElement);
  if (radios[0] && !radios.some((radio) => radio.checked)) radios[0].checked = true;
}

function adapt() {
  const chosen = method();
  if (!chosen) return;
  /** @type {Record<string, boolean>} */
  const shown = {
    baseline: (chosen.baseline ?? chosen.optional_baseline) != null,
    thickness: chosen.needs_thickness,
    pieces: chosen.pieces != null,
    strip_side: chosen.sided,
    inset: chosen.baseline != null && chosen.places.length > 1,
  };
  for (const element of all(form, "[data-for]")) element.hidden = !shown[String(element.dataset.for)];
  const measured = chosen.baseline ?? (chosen.optional_baseline && `${chosen.optional_baseline}, if it is known`);
  if (measured) at("baseline-label").textContent = capital(measured);
  if (chosen.pieces && !field("pieces").value) field("pieces").value = String(chosen.pieces);
  at("new-machine").hidden = field("machine").value !== "";
  at("decimal-hint").hidden = !shown.baseline && !shown.thickness;

  const angles = chosen.reveals.includes("angle") || chosen.reveals.includes("tilt");
  const lengths = chosen.reveals.includes("length");
  for (const label of all(form, "[data-tolerance]")) {
    label.hidden = label.dataset.tolerance === "angle" ? !angles : !lengths;
    const radio = one(label, "input", HTMLInputElement);
    if (label.hidden && radio.checked) field("tolerance").value = "none";
  }
  for (const label of all(form, "[data-shown-by]")) label.hidden = label.dataset.shownBy !== field("tolerance").value;
  at("show-guide").textContent = chosen.sided ? "Show me the cuts" : "Show me how";
}

/** @param {string} words */
const capital = (words) => words.charAt(0).toUpperCase() + words.slice(1);

/** @param {string} name */
function visible(name) {
  const field = document.getElementById(name.replace("_", "-"));
  return field && !field.closest("label[hidden], #new-machine[hidden]");
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
  if (method()?.baseline) needed("baseline", "Measure it and type it here.");
  needed("thickness", "Measure the board’s thickness and type it here.");
  needed("tolerance_deg", "Type the largest angle you accept, or choose another way.");
  needed("tolerance_gap", "Type the largest gap you accept.");
  needed("tolerance_joint", "Type the length of the joint.");
  needed("tolerance_length", "Type how far off a length may be.");
  needed("tolerance_nominal", "Type the length that is wanted.");
  for (const name of ["baseline", "thickness", "inset", "jaw_width", "tolerance_deg", "tolerance_gap", "tolerance_joint", "tolerance_length", "tolerance_nominal"]) {
    const value = field(name).value;
    if (visible(name) && value.trim() && !NUMBER.test(value)) found.push([name, `“${value}” is not a plain number such as 8.026 or 203,86.`]);
  }
  for (const name of ["repeats", "pieces"]) {
    if (visible(name) && !/^\s*[1-9]\d*\s*$/.test(field(name).value)) found.push([name, "Type a whole number, 1 or more."]);
  }
  const strips = field("strips").value.trim();
  if (strips && !/^[1-9]\d*$/.test(strips)) found.push(["strips", "Type a whole number, 1 or more, or leave it empty."]);
  return found;
}

/** Whether the form is complete; marks the fields that are wrong and says why. */
export function check() {
  return !show(mistakes(), "");
}

/**
 * Show `errors` at their fields and `detail` on top; false when there is neither.
 * @param {[string, string][]} errors
 * @param {string} detail
 */
function show(errors, detail) {
  for (const mark of form.querySelectorAll(".wrong")) mark.remove();
  for (const field of form.querySelectorAll("[aria-invalid]")) {
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-errormessage");
  }
  /** @type {HTMLElement | null} */
  let first = null;
  const elsewhere = [];
  for (const [name, sentence] of errors) {
    const id = name === "name" ? "machine-name" : name === "kind" ? "machine-kind" : name.replace("_", "-");
    const field = document.getElementById(id);
    const label = field?.closest("label");
    if (!field || !label || label.hidden) {
      elsewhere.push(`${name}: ${sentence}`);
      continue;
    }
    const mark = document.createElement("span");
    mark.className = "wrong";
    mark.id = `${field.id}-wrong`;
    mark.textContent = sentence;
    label.append(mark);
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-errormessage", mark.id);
    first ??= field;
  }
  const any = errors.length > 0 || detail !== "";
  problem.hidden = !any;
  problem.textContent = first && !elsewhere.length ? "Something is still missing or wrong: see the marked fields." : detail || elsewhere.join("\n");
  for (const mark of form.querySelectorAll(".wrong")) mark.closest("details")?.setAttribute("open", "");
  if (any) (first ?? problem).focus();
  return any;
}

/**
 * @param {string} bench
 * @param {string} machine
 */
function payload(bench, machine) {
  /** @param {string} name */
  const text = (name) => (visible(name) && field(name).value.trim()) || undefined;
  return {
    machine,
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
    strips: text("strips") && Number(field("strips").value),
    note: field("note").value.trim() || undefined,
  };
}

/**
 * Add the machine if it is new, and the series; remember the form for the next one.
 * @param {string} bench
 */
export async function start(bench) {
  let machine = field("machine").value;
  if (machine === "") {
    const made = await post("/api/machines", { name: field("machine_name").value.trim(), kind: field("kind").value.trim() });
    machine = made.id;
    memory.set("machine", machine);
    machines = await get("/api/machines");
    offerMachines();
    adapt();
  }
  await post("/api/series", payload(bench, machine));
  memory.set("machine", machine);
  const kept = entries(form);
  for (const name of ["machine", "machine_name", "kind", "strips", "note", "jaw_width"]) delete kept[name];
  memory.set("setup", kept);
  field("machine_name").value = field("strips").value = field("note").value = "";
  show([], "");
}

/**
 * Show why the series could not start, at the fields where it names them.
 * @param {unknown} error
 */
export function showProblem(error) {
  const errors = error instanceof Refused ? error.errors : [];
  show(errors.map(({ field = "", message = "" }) => [field, message]), messageOf(error));
}
