// Codes that let a device in, as they come, and what is said of them and of access.

import { JOIN } from "./access.js";

const LENGTH = 10;
const LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/**
 * The code in the fragment of an address; "" where it has none.
 * @param {string} fragment such as `#join=ABCDE-12345`
 */
export function codeIn(fragment) {
  return fragment.startsWith(JOIN) ? typed(fragment.slice(JOIN.length)).code : "";
}

/**
 * What was typed as a code, and what is wrong with it: "" where nothing is. Dashes, spaces and small
 * letters do not matter; whoever pastes the whole address means the code in it.
 * @param {string} text
 */
export function typed(text) {
  const said = text.slice(text.lastIndexOf("=") + 1).toUpperCase();
  const code = [...said].filter((each) => LETTERS.includes(each)).join("");
  if (!code) return { code, wrong: "Type the code that is shown or printed." };
  const has = `${code.length} ${code.length === 1 ? "has" : "have"} been typed`;
  return { code, wrong: code.length === LENGTH ? "" : `A code has ${LENGTH} letters and digits; ${has}.` };
}

/**
 * What a device is called that nobody has named: by what its browser says of itself.
 * @param {string} agent
 */
export function deviceName(agent) {
  /** @type {[RegExp, string][]} */
  const known = [
    [/iPhone/, "iPhone"],
    [/iPad/, "iPad"],
    [/Android.*Mobile/, "Android phone"],
    [/Android/, "Android tablet"],
    [/Windows/, "Windows computer"],
    [/Macintosh/, "Mac"],
    [/CrOS/, "Chromebook"],
    [/Linux/, "Linux computer"],
  ];
  return known.find(([sign]) => sign.test(agent))?.[1] ?? "device";
}

/**
 * How long is left, to be read at a glance: "9 min 40 s".
 * @param {number} seconds
 */
export function leftWords(seconds) {
  const whole = Math.max(0, Math.ceil(seconds));
  const minutes = Math.floor(whole / 60);
  return minutes ? `${minutes} min ${whole % 60} s` : `${whole} s`;
}

/**
 * A sentence of the server as a person reads it.
 * @param {string} detail
 */
export function sentence(detail) {
  const said = detail.charAt(0).toUpperCase() + detail.slice(1);
  return /[.!?…]$/.test(said) ? said : `${said}.`;
}
