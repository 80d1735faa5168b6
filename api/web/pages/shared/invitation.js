// One more device is let in: a code to scan, made when it is asked for. The page includes invitation.html.

import { leftWords } from "./codes.js";
import { all, entries, one } from "./elements.js";
import { messageOf, post } from "./http.js";

const SVG = "http://www.w3.org/2000/svg";

/**
 * The paths of an SVG document, made here: no text becomes markup on a page.
 * @param {string} text
 */
function drawn(text) {
  const picture = document.createElementNS(SVG, "svg");
  picture.setAttribute("viewBox", /viewBox="([\d ]+)"/.exec(text)?.[1] ?? "");
  for (const [, said = ""] of text.matchAll(/<path ([^>]*)>/g)) {
    const path = document.createElementNS(SVG, "path");
    for (const [, name = "", value = ""] of said.matchAll(/\b(d|fill|stroke|transform)="([^"]*)"/g)) path.setAttribute(name, value);
    picture.append(path);
  }
  return picture;
}

/**
 * @param {HTMLElement} form
 * @param {InvitationMadeOut} made
 */
function show(form, made) {
  const [shown, scan] = [one(form, ".invited"), one(form, ".scan")];
  scan.replaceChildren(drawn(made.drawn));
  scan.ariaLabel = `Code to scan for ${made.address}`;
  one(form, ".address").textContent = made.address;
  const may = one(form, `option[value=${made.may}]`).dataset.said;
  shown.hidden = false;
  shown.scrollIntoView({ block: "nearest" });
  one(form, "button").textContent = "Show another code";
  one(form, ".whom").textContent = `Scan it with the other device’s camera. It lets 1 device in${made.name ? `, called ${made.name}` : ""}, which may ${may}.`;
}

/** @param {HTMLElement} form */
function hide(form) {
  one(form, ".invited").hidden = true;
  one(form, ".scan").replaceChildren();
  one(form, ".address").textContent = "";
  one(form, "button").textContent = "Show a code";
}

/** @type {WeakMap<HTMLElement, ReturnType<typeof setInterval>>} */
const counting = new WeakMap();

/**
 * @param {HTMLElement} form
 * @param {number} seconds for which the code holds
 */
function countDown(form, seconds) {
  const end = performance.now() + seconds * 1000;
  clearInterval(counting.get(form));
  const tick = () => {
    const left = (end - performance.now()) / 1000;
    one(form, ".holds").textContent = `The code holds for ${leftWords(left)}, and is used once.`;
    if (left > 0) return;
    clearInterval(counting.get(form));
    hide(form);
    one(form, ".wrong").textContent = "The code has ended. Show another one.";
  };
  counting.set(form, setInterval(tick, 1000));
  tick();
}

for (const form of all(document, "form.invite", HTMLFormElement)) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const button = one(form, "button");
    if (button.ariaBusy === "true") return;
    button.ariaBusy = "true";
    one(form, ".wrong").textContent = "";
    const { may, name = "" } = entries(form);
    try {
      const made = await post("/api/access/invitations", { may, name: name.trim() || undefined, opens: form.dataset.opens || undefined });
      show(form, made);
      countDown(form, made.seconds_left);
      document.dispatchEvent(new Event("invited"));
    } catch (error) {
      one(form, ".wrong").textContent = messageOf(error, form);
    } finally {
      button.ariaBusy = "false";
    }
  });
}
