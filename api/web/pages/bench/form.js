// The fields of the set-up, and what is wrong with them.

import { all, at, one } from "../shared/elements.js";
import { capital } from "../shared/http.js";

export const form = at("setup", HTMLFormElement);

/**
 * A field by its name: an input, a list, or a group of radio buttons.
 * @param {string} name
 */
export function field(name) {
  return /** @type {HTMLInputElement | HTMLSelectElement | RadioNodeList} */ (form.elements.namedItem(name));
}

/**
 * The element of a field, or of its group of radio buttons; null where the form has none.
 * @param {string} name as in the form or in a series
 */
function elementOf(name) {
  /** @type {Record<string, string>} */
  const others = { name: "machine-name", kind: "machine-kind", machine: field("machine").value ? "machine" : "machine-name" };
  return document.getElementById(others[name] ?? name.replace("_", "-"));
}

/**
 * Whether the form asks for a field now; one in a part that is folded away is asked for, too.
 * @param {string} name
 */
export function visible(name) {
  const element = elementOf(name);
  return Boolean(element && !element.closest("[hidden]:not(form)"));
}

/**
 * Show `errors`, by field, where they belong, and on top `detail`, or what belongs nowhere. Nothing to
 * show removes what was shown; whether there is anything.
 * @param {[string, string][]} errors
 * @param {string} detail
 */
export function show(errors, detail) {
  for (const mark of form.querySelectorAll(".wrong")) mark.remove();
  for (const wrong of form.querySelectorAll("[aria-invalid]")) {
    wrong.removeAttribute("aria-invalid");
    const others = (wrong.getAttribute("aria-describedby") ?? "").split(" ").filter((id) => !id.endsWith("-wrong"));
    describe(wrong, others);
  }
  const marked = errors.filter(([name]) => visible(name)).map(([name, sentence]) => mark(name, sentence));
  const elsewhere = errors.filter(([name]) => !visible(name)).map(([, sentence]) => capital(sentence));
  const problem = at("setup-problem");
  const any = errors.length > 0 || detail !== "";
  problem.hidden = !any;
  problem.textContent = marked.length && !elsewhere.length ? "Something is still missing or wrong: see the marked fields." : detail || elsewhere.join("\n");
  if (any) (firstOf(marked) ?? problem).focus();
  return any;
}

/** @param {HTMLElement[]} marked */
function firstOf(marked) {
  const [first] = marked.sort((a, b) => (a.compareDocumentPosition(b) & Node.DOCUMENT_POSITION_FOLLOWING ? -1 : 1));
  return first?.getAttribute("role") === "radiogroup" ? one(first, "input") : first;
}

/**
 * Say at a field what is wrong with it.
 * @param {string} name
 * @param {string} sentence
 */
function mark(name, sentence) {
  const element = /** @type {HTMLElement} */ (elementOf(name));
  const words = document.createElement("span");
  words.className = "wrong";
  words.id = `${element.id}-wrong`;
  words.textContent = capital(sentence);
  (element.closest("label") ?? element).append(words);
  element.setAttribute("aria-invalid", "true");
  describe(element, [...(element.getAttribute("aria-describedby") ?? "").split(" "), words.id]);
  for (const box of all(form, "details", HTMLDetailsElement)) if (box.contains(element)) box.open = true;
  return element;
}

/**
 * @param {Element} element
 * @param {string[]} ids
 */
function describe(element, ids) {
  const all = ids.filter(Boolean).join(" ");
  if (all) element.setAttribute("aria-describedby", all);
  else element.removeAttribute("aria-describedby");
}
