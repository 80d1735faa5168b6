// The page of who is let in: each device and program with a button that ends its access, and this
// device's way out.

import { all, at, one } from "../shared/elements.js";
import { get, messageOf, post, remove } from "../shared/http.js";
import "../shared/invitation.js";
import { ago, day, minute } from "./moments.js";

const LOOK_MS = 5000;
const SURE_TO_LEAVE = "Really leave? This device is out then, until it scans a new code";

/** @param {string} text */
function notice(text) {
  at("notice").hidden = !text;
  at("notice").textContent = text;
}

/**
 * Let `button` ask once more before it does something that a code alone brings back.
 * @param {HTMLElement} button
 * @param {string} sure what it says then
 * @param {() => Promise<unknown>} doing
 */
function ask(button, sure, doing) {
  button.addEventListener("click", async () => {
    if (button.dataset.sure === undefined) {
      button.dataset.sure = "";
      button.textContent = sure;
      return;
    }
    if (button.ariaBusy === "true") return;
    button.ariaBusy = "true";
    try {
      await doing();
    } catch (error) {
      notice(messageOf(error));
    } finally {
      button.ariaBusy = "false";
    }
  });
}

/** The page at this address is the door then. */
async function leave() {
  await post("/api/access/leave");
  location.reload();
}

/**
 * @param {string} id
 * @param {string} gone what is announced then
 */
async function end(id, gone) {
  await remove(/** @type {any} */ (`/api/access/${id}`));
  at("announcement").textContent = gone;
  at("passes-title").focus();
  await look(true);
}

/**
 * @param {string} id
 * @param {{ name: string, may: string, when: string, own?: boolean, button: string, sure: string, doing: () => Promise<unknown> }} said
 */
function card(id, { name, may, when, own, button, sure, doing }) {
  const item = one(at("pass", HTMLTemplateElement).content, "li").cloneNode(true);
  if (!(item instanceof HTMLElement)) throw new Error("This page has no card.");
  item.dataset.id = id;
  item.toggleAttribute("data-own", Boolean(own));
  one(item, "h3").textContent = name;
  one(item, ".may").textContent = may;
  one(item, ".when").textContent = when;
  const ends = one(item, "button");
  const whose = Object.assign(document.createElement("span"), { className: "unseen", textContent: `: ${name}` });
  ends.append(button, whose);
  ask(ends, sure, doing);
  return item;
}

/** @type {Record<string, string>} */
let words = {};

/** @param {PassOut | InvitationOut} of */
const mayWords = ({ may }) => `May ${words[may]} (${may})`;

/** @param {PassOut | InvitationOut} of */
const by = ({ invited_by }) => (invited_by ? ` by ${invited_by}` : "");

/** @param {PassOut} pass */
function passCard(pass) {
  const { id, name, kind, own, benches } = pass;
  const used = pass.last_used_at && new Date(pass.last_used_at);
  const at = benches ? `, at bench ${benches.join(", ")}` : "";
  return card(id, {
    name: own ? `${name} (this device)` : name,
    may: `${mayWords(pass)}${at}.`,
    when: `${kind === "token" ? "A program, since" : "Let in on"} ${day(new Date(pass.made_at))}${by(pass)}. ${used ? `Last used ${ago(used, new Date())} (${minute(used)}).` : "Not used yet."}`,
    own,
    button: own ? "Leave on this device" : "End its access",
    sure: own ? SURE_TO_LEAVE : `Really end the access of ${name}?`,
    doing: own ? leave : () => end(id, `${name} is out.`),
  });
}

/** @param {InvitationOut} invitation */
function invitationCard(invitation) {
  const name = invitation.name ?? "A device without a name yet";
  return card(invitation.id, {
    name,
    may: `${mayWords(invitation)}.`,
    when: `Made${by(invitation) || " at the server’s own computer"}, until ${minute(new Date(invitation.until))}.`,
    button: "End this code",
    sure: "Really end this code?",
    doing: () => end(invitation.id, "The code has ended."),
  });
}

/**
 * Show `cards` in `list`, unless a person is being asked there, or has the focus in it.
 * @param {HTMLElement} list
 * @param {HTMLElement[]} cards
 */
function fill(list, cards, always = false) {
  if (!always && (list.querySelector("[data-sure]") || list.contains(document.activeElement))) return;
  if (list.textContent === cards.map((each) => each.textContent).join("")) return;
  list.replaceChildren(...cards);
}

async function look(always = false) {
  try {
    const { passes, invitations } = await get("/api/access");
    const none = Object.assign(document.createElement("li"), { textContent: "Nobody is let in yet." });
    fill(at("passes"), passes.length ? passes.map(passCard) : [none], always);
    fill(at("invitations"), invitations.map(invitationCard), always);
    at("waiting").hidden = !invitations.length;
    at("passes").ariaBusy = "false";
    notice("");
  } catch (error) {
    notice(messageOf(error));
  }
}

for (const button of all(document, "#leave")) ask(button, SURE_TO_LEAVE, leave);
if (document.getElementById("passes")) {
  words = JSON.parse(at("words").textContent ?? "{}");
  look();
  document.addEventListener("invited", () => look());
  setInterval(() => document.visibilityState === "visible" && look(), LOOK_MS);
}
