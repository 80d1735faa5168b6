// Adds and corrects the stops of a machine, on the machine's page.

import { all, around, at, entries, one } from "../shared/elements.js";
import { messageOf, patch, post } from "../shared/http.js";
import { correct, done } from "../shared/trail.js";
import { by } from "../shared/who.js";

const ADDED = "#stop-form";
const form = at("stop-form", HTMLFormElement);
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = one(form, "button", HTMLButtonElement);
  button.disabled = true;
  const stops = asked();
  const made = [];
  try {
    if (typeof stops === "string") throw new Error(stops);
    for (const stop of stops) {
      await post("/api/stops", { ...by(), machine: at("machine").dataset.machine, ...stop });
      made.push(`“${stop.name}” is added. `);
    }
    location.hash = ADDED;
    location.reload();
  } catch (error) {
    one(form, ".status").textContent = made.join("") + messageOf(error, form);
    button.disabled = false;
  }
});

/** The stops that the form asks for, or what is still to be said. */
function asked() {
  const { side, ...rest } = entries(form);
  /** @type {Record<string, string>} */
  const said = { ...rest, bevel_deg: rest.bevel_deg?.trim() || "0" };
  const name = said.name?.trim();
  const typed = (said.nominal_deg ?? "").trim();
  const angle = (typed.endsWith("°") ? typed.slice(0, -1).trim() : typed).replace("−", "-");
  const size = angle.replace(/^[-+]/, "");
  if (!size) return "Type the nominal angle.";
  if (side === "both") {
    return ["left", "right"].map((way) => ({ ...said, name: `${name || size} ${way}`, nominal_deg: turned(size, way) }));
  }
  const signed = angle !== size;
  const straight = /^[0.,]+$/.test(size);
  if (!side && !signed && !straight) return "Say to which side the open end leans.";
  if (signed && side && side !== (angle.startsWith("-") ? "left" : "right")) {
    return `${said.nominal_deg} is not to the ${side}: choose the other side, or leave the sign out.`;
  }
  const way = side ?? (angle.startsWith("-") ? "left" : "right");
  return [{ ...said, name: name || (straight ? "" : `${size} ${way}`), nominal_deg: straight ? size : turned(size, way) }];
}

/**
 * @param {string} size
 * @param {string} way
 */
const turned = (size, way) => (way === "left" ? `-${size}` : size);

// A machine gets its stops one after the other.
if (location.hash === ADDED) {
  for (const details of all(at("stops"), "details")) if (details.contains(form)) details.setAttribute("open", "");
}

for (const stop of all(document, "[data-stop]", HTMLFormElement)) {
  stop.addEventListener("submit", (event) => {
    event.preventDefault();
    correct(stop, `/api/stops/${stop.dataset.stop}`);
  });
}

document.addEventListener("click", (event) => {
  const button = around(event, "[data-retire-stop], [data-revive-stop]");
  if (!button) return;
  const { retireStop, reviveStop } = button.dataset;
  done(() => patch(`/api/stops/${retireStop ?? reviveStop}`, { ...by(), retired: retireStop !== undefined }));
});
