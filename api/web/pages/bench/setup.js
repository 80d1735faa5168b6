// The form that sets up a series: shows what the method needs, remembers, asks the server.

import { Refused, get, memory, post } from "../shared/http.js";

const NUMBER = /^\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)\s*$/;
const form = document.getElementById("setup");
const problem = document.getElementById("setup-problem");
const fields = form.elements;

let methods = new Map();
let machines = [];

export const unit = () => fields.unit.value;
export const side = () => fields.strip_side.value;
export const method = () => methods.get(fields.method.value);

/** Fill the form with what was set up last, and with the machines there are. */
export function prepare(known, machinesKnown) {
  methods = known;
  machines = machinesKnown;
  const last = memory.get("setup", null);
  if (last) remembered(last);
  offerMachines();
  adapt();
  for (const box of form.querySelectorAll("details")) box.open = [...box.querySelectorAll("input")].some(saysMore);
  const machine = machines.find((m) => m.id === fields.machine.value);
  const shortcut = document.getElementById("as-last");
  shortcut.hidden = !last || !machine;
  if (!shortcut.hidden) {
    const length = visible("baseline") ? `, ${fields.baseline.value} ${unit()}` : "";
    shortcut.querySelector("span").textContent = `${machine.name}, ${method()?.title}${length}`;
  }
}

/** `unitChanged` is called when the unit for typed values may have changed. */
export function onChange(unitChanged) {
  form.addEventListener("change", (event) => {
    if (event.target.name === "method") fields.repeats.value = method()?.default_repeats ?? 1;
    adapt();
    unitChanged();
  });
}

// Whether a field that is folded away holds anything but what it usually does.
const saysMore = (field) => (field.type === "radio" ? field.checked : !["", field.defaultValue].includes(field.value)) && !field.closest("[hidden]");

function offerMachines() {
  const wanted = memory.get("machine", null) ?? machines.at(-1)?.id;
  const select = fields.machine;
  select.replaceChildren(
    ...machines.map((m) => new Option(`${m.name} (${m.kind})`, m.id, false, m.id === wanted)),
    new Option("A new machine…", "", false, !machines.length),
  );
}

function remembered(values) {
  for (const [name, value] of Object.entries(values)) {
    const field = fields.namedItem(name);
    if (!field || name === "machine") continue;
    field.value = value;
  }
  if (![...form.querySelectorAll("[name=method]")].some((radio) => radio.checked)) fields.method[0].checked = true;
}

function adapt() {
  const chosen = method();
  if (!chosen) return;
  const shown = {
    baseline: (chosen.baseline ?? chosen.optional_baseline) != null,
    thickness: chosen.needs_thickness,
    pieces: chosen.pieces != null,
    strip_side: chosen.sided,
    inset: chosen.baseline != null && chosen.places.length > 1,
  };
  for (const element of form.querySelectorAll("[data-for]")) element.hidden = !shown[element.dataset.for];
  const measured = chosen.baseline ?? (chosen.optional_baseline && `${chosen.optional_baseline}, if it is known`);
  if (measured) document.getElementById("baseline-label").textContent = capital(measured);
  if (chosen.pieces && !fields.pieces.value) fields.pieces.value = chosen.pieces;
  document.getElementById("new-machine").hidden = fields.machine.value !== "";
  document.getElementById("decimal-hint").hidden = !shown.baseline && !shown.thickness;

  const angles = chosen.reveals.includes("angle") || chosen.reveals.includes("tilt");
  const lengths = chosen.reveals.includes("length");
  for (const label of form.querySelectorAll("[data-tolerance]")) {
    label.hidden = label.dataset.tolerance === "angle" ? !angles : !lengths;
    const radio = label.querySelector("input");
    if (label.hidden && radio.checked) fields.tolerance.value = "none";
  }
  for (const label of form.querySelectorAll("[data-shown-by]")) label.hidden = label.dataset.shownBy !== fields.tolerance.value;
  document.getElementById("show-guide").textContent = chosen.sided ? "Show me the cuts" : "Show me how";
}

const capital = (words) => words[0].toUpperCase() + words.slice(1);

function visible(name) {
  const field = document.getElementById(name.replace("_", "-"));
  return field && !field.closest("label[hidden], #new-machine[hidden]");
}

/** What is plainly missing or no number, as [field name, sentence]. */
function slips() {
  const found = [];
  const needed = (name, sentence) => visible(name) && !fields[name].value.trim() && found.push([name, sentence]);
  if (fields.machine.value === "") {
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
  for (const name of ["baseline", "thickness", "inset", "tolerance_deg", "tolerance_gap", "tolerance_joint", "tolerance_length", "tolerance_nominal"]) {
    const value = fields[name].value;
    if (visible(name) && value.trim() && !NUMBER.test(value)) found.push([name, `“${value}” is not a plain number such as 8.026 or 203,86.`]);
  }
  for (const name of ["repeats", "pieces"]) {
    if (visible(name) && !/^\s*[1-9]\d*\s*$/.test(fields[name].value)) found.push([name, "Type a whole number, 1 or more."]);
  }
  return found;
}

/** Whether the form can go on; marks and says what can't. */
export function check() {
  return !show(slips(), "");
}

/** Show `errors` at their fields and `detail` on top; false when there is neither. */
function show(errors, detail) {
  for (const mark of form.querySelectorAll(".wrong")) mark.remove();
  for (const field of form.querySelectorAll("[aria-invalid]")) {
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-errormessage");
  }
  let first = null;
  const elsewhere = [];
  for (const [name, sentence] of errors) {
    const field = document.getElementById({ name: "machine-name", kind: "machine-kind" }[name] ?? name.replace("_", "-"));
    const label = field?.closest("label");
    if (!label || label.hidden) {
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
  problem.textContent = detail || (first ? "Something is still missing or wrong: see the marked fields." : "") || elsewhere.join("\n");
  for (const mark of form.querySelectorAll(".wrong")) mark.closest("details")?.setAttribute("open", "");
  if (any) (first ?? problem).focus();
  return any;
}

function payload(bench, machine) {
  const chosen = method();
  const text = (name) => (visible(name) && fields[name].value.trim()) || undefined;
  return {
    machine,
    method: chosen.key,
    bench,
    baseline: text("baseline"),
    thickness: text("thickness"),
    unit: unit(),
    inset: text("inset") ?? "0",
    strip_side: side(),
    repeats: Number(fields.repeats.value),
    pieces: text("pieces") && Number(fields.pieces.value),
    tolerance_deg: text("tolerance_deg"),
    tolerance_gap: text("tolerance_gap"),
    tolerance_joint: text("tolerance_joint"),
    tolerance_length: text("tolerance_length"),
    tolerance_nominal: text("tolerance_nominal"),
    note: fields.note.value.trim() || undefined,
  };
}

/** Make the machine if it is new, and the series; remember everything for the next one. */
export async function start(bench) {
  let machine = fields.machine.value;
  if (machine === "") {
    const made = await post("/api/machines", { name: fields.machine_name.value.trim(), kind: fields.kind.value.trim() });
    machine = made.id;
    memory.set("machine", machine);
    machines = await get("/api/machines");
    offerMachines();
    adapt();
  }
  await post("/api/series", payload(bench, machine));
  memory.set("machine", machine);
  const kept = Object.fromEntries(new FormData(form));
  for (const name of ["machine", "machine_name", "kind", "note"]) delete kept[name];
  memory.set("setup", kept);
  fields.machine_name.value = fields.note.value = "";
  show([], "");
}

/** Show why the series could not start, at the fields where it names them. */
export function showProblem(error) {
  const errors = error instanceof Refused ? error.errors.map((e) => [e.field, e.message]) : [];
  show(errors, error.message);
}
