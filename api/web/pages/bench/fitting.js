// Large words and numbers in the room that there is: what is too long for it is made narrower, not
// lower, so that it is read from as far. Narrower than LEAST it would not be read, and is lower.

import { at } from "../shared/elements.js";

const LEAST = 0.6;
const DRAWN = 100; // px; the size at which a text is measured

const drawing = document.createElement("canvas").getContext("2d");
const family = getComputedStyle(document.documentElement).fontFamily;
/** @type {Map<string, number>} */
const widths = new Map(); // of a word in a bold font of 1 px, in px
/** @type {Map<HTMLElement, { room: number, size: number }>} */
let rooms = new Map();
/** @type {Map<HTMLElement, [string, number]>} */
const shown = new Map();

/** @param {string} word */
function width(word) {
  const like = word.replace(/\d/g, "0"); // digits are all as wide
  const known = widths.get(like);
  if (known !== undefined || !drawing) return known ?? 0;
  drawing.font = `700 ${DRAWN}px ${family}`;
  const found = drawing.measureText(like).width / DRAWN;
  widths.set(like, found);
  return found;
}

/**
 * Let the longest word of `text` fit into `line`, which shows it.
 * @param {HTMLElement} line
 * @param {string} text
 * @param {number} [beside] what stands beside it, in the size of the line's font
 */
export function fit(line, text, beside = 0) {
  shown.set(line, [text, beside]);
  let there = rooms.get(line);
  if (!there) {
    there = { room: line.clientWidth, size: parseFloat(getComputedStyle(line).fontSize) };
    if (!there.room) return; // not shown now
    rooms.set(line, there);
  }
  const natural = Math.max(...text.split(" ").map(width)) * there.size;
  const narrow = Math.min(1, (there.room - beside * there.size) / natural || 1);
  line.style.setProperty("--narrow", `${narrow}, ${Math.min(1, narrow / LEAST)}`);
  // What it takes less than it would: a transformed element keeps its room.
  line.style.setProperty("--spare", `${Math.floor((narrow - 1) * natural)}px`);
}

// The room for what is shown is another. A row more in the table changes the height alone.
function again() {
  rooms = new Map();
  for (const [line, [text, beside]] of shown) fit(line, text, beside);
}

let before = 0;
new ResizeObserver(([entry]) => {
  const now = entry?.contentRect.width ?? 0;
  if (now !== before) again();
  before = now;
}).observe(at("measuring"));
addEventListener("resize", again);
