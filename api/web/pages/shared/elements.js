// Looking up elements: one that the page's template does not have is an error that names it.

/**
 * @template {Element} [T=HTMLElement]
 * @param {Element | null} found
 * @param {string} what
 * @param {{ new (): T }} [type]
 * @returns {T}
 */
function checked(found, what, type) {
  if (!(found instanceof (type ?? HTMLElement))) throw new Error(`This page has no ${(type ?? HTMLElement).name} ${what}.`);
  return /** @type {T} */ (found);
}

/**
 * The element with this `id`, of the class `type` where that matters.
 * @template {Element} [T=HTMLElement]
 * @param {string} id
 * @param {{ new (): T }} [type]
 * @returns {T}
 */
export const at = (id, type) => checked(document.getElementById(id), `#${id}`, type);

/**
 * The first element below `root` that `selector` finds.
 * @template {Element} [T=HTMLElement]
 * @param {ParentNode} root
 * @param {string} selector
 * @param {{ new (): T }} [type]
 * @returns {T}
 */
export const one = (root, selector, type) => checked(root.querySelector(selector), selector, type);

/**
 * All elements below `root` that `selector` finds.
 * @template {Element} [T=HTMLElement]
 * @param {ParentNode} root
 * @param {string} selector
 * @param {{ new (): T }} [type]
 * @returns {T[]}
 */
export const all = (root, selector, type) => [...root.querySelectorAll(selector)].map((found) => checked(found, selector, type));

/**
 * What `form` holds, by the names of its fields; no page sends files.
 * @param {HTMLFormElement} form
 * @returns {Record<string, string>}
 */
export const entries = (form) => Object.fromEntries([...new FormData(form)].map(([name, value]) => [name, String(value)]));

/**
 * The nearest element that `selector` finds, from where `event` happened outwards.
 * @template {Element} [T=HTMLElement]
 * @param {Event} event
 * @param {string} selector
 * @param {{ new (): T }} [type]
 * @returns {T | null}
 */
export function around(event, selector, type) {
  const found = event.target instanceof Element ? event.target.closest(selector) : null;
  return found && checked(found, selector, type);
}
