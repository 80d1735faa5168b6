// A work's page: its parts and its corrections.

import { all, around, at, one } from "../shared/elements.js";
import { patch } from "../shared/http.js";
import { correct, done } from "../shared/trail.js";
import { by } from "../shared/who.js";

const work = `/api/works/${at("work").dataset.work}`;
const form = at("correct-form", HTMLFormElement);
form.addEventListener("submit", (event) => {
  event.preventDefault();
  correct(form, work);
});

/**
 * What is said in the field `name` below `root`; null where nothing is.
 * @param {ParentNode} root
 * @param {string} name
 */
function said(root, name) {
  const field = /** @type {HTMLInputElement | HTMLSelectElement} */ (one(root, `[name="${name}"]`));
  return field.value.trim() || null;
}

/**
 * The one or two stops chosen below `root`; none where the first is not.
 * @param {ParentNode} root
 */
function cuts(root) {
  if (!said(root, "left")) return [];
  return ["left", "right"].flatMap((end) => {
    const [machine, stop] = said(root, end)?.split(" ") ?? [];
    return machine && stop ? [{ machine, stop }] : [];
  });
}

/**
 * The fields of these names below `root`, without those that are empty.
 * @param {ParentNode} root
 * @param {string[]} names
 */
const filled = (root, ...names) => Object.fromEntries(names.map((name) => [name, said(root, name)]).filter(([, value]) => value));

/**
 * The parts as the form says them; null: not said.
 * @param {HTMLFormElement} parts
 */
function partsOf(parts) {
  const kind = said(parts, "kind");
  if (!kind) return null;
  const set = one(parts, `[data-kind="${kind}"]`);
  if (kind === "joints") {
    const rows = all(set, ".joint").filter((row) => said(row, "length"));
    return { kind, joints: rows.map((row) => ({ ...filled(row, "length", "count"), cuts: cuts(row) })) };
  }
  const shared = { kind, cuts: cuts(one(parts, `[data-kind="frame case shelves"]`)) };
  if (kind === "case") return { ...shared, ...filled(set, "width", "height", "depth") };
  if (kind === "shelves") return { ...shared, ...filled(set, "count", "length", "depth") };
  const lengths = (said(set, "lengths") ?? "").split(";").map((each) => each.trim());
  return { ...shared, ...filled(set, "sides", "joint"), lengths: lengths.filter((each) => each) };
}

if (document.getElementById("parts-form")) {
  const parts = at("parts-form", HTMLFormElement);
  parts.addEventListener("submit", (event) => {
    event.preventDefault();
    correct(parts, work, () => ({ parts: partsOf(parts) }));
  });
}

document.addEventListener("click", (event) => {
  const button = around(event, "[data-retire]");
  if (button) done(() => patch(work, { ...by(), retired: button.dataset.retire === "yes" }));
});
