// Compare: of each list first the machine, then its series, without its name; no series is offered twice.

import { all } from "../shared/elements.js";
import "../shared/units.js";

const lists = all(document, "select[data-series]", HTMLSelectElement);
// The first list has every series.
const machines = lists.length ? all(lists[0], "optgroup", HTMLOptGroupElement).map((group) => ({
  name: group.label,
  series: all(group, "option", HTMLOptionElement).map(({ value, text, dataset }) => ({ value, text: dataset.words ?? text })),
})) : [];
const choosers = machines.length > 1 ? lists.map(chooserOf) : [];

/**
 * The list of machines before a list of series.
 * @param {HTMLSelectElement} list
 */
function chooserOf(list) {
  const label = document.createElement("label"), chooser = document.createElement("select");
  label.className = "field";
  label.htmlFor = chooser.id = `${list.id}-machine`;
  label.append(`${list.labels[0]?.firstChild?.textContent ?? ""}: machine`, chooser);
  chooser.append(new Option(list.options[0].text, ""), ...machines.map(({ name }, at) => new Option(name, String(at))));
  chooser.value = String(machines.findIndex(({ series }) => series.some(({ value }) => value && value === list.value)));
  if (chooser.selectedIndex < 0) chooser.value = "";
  chooser.addEventListener("change", () => {
    list.replaceChildren(list.options[0]);
    show(list, true);
    lists.forEach((each) => show(each));
  });
  list.labels[0]?.before(label);
  return chooser;
}

/**
 * The series of the chosen machine that no list before this one has chosen; the latest is chosen
 * where `choose` says so or the chosen one is gone.
 * @param {HTMLSelectElement} list
 * @param {boolean} [choose]
 */
function show(list, choose) {
  const at = lists.indexOf(list), before = lists.slice(0, at).map(({ value }) => value);
  const wanted = list.value, nothing = list.options[0];
  const chosen = choosers.length ? Number(choosers[at].value || -1) : 0;
  const series = machines[chosen]?.series ?? [];
  const left = series.filter(({ value }) => !before.includes(value));
  list.replaceChildren(nothing, ...left.map(({ value, text }) => new Option(text, value)));
  const kept = left.some(({ value }) => value === wanted);
  list.value = kept ? wanted : (choose || wanted) && left.length ? left[0].value : "";
}

for (const list of lists) {
  show(list);
  list.addEventListener("change", () => lists.forEach((each) => show(each)));
}
