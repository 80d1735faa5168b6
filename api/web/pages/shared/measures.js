// Units that a person may choose, and how many digits a number gets.

import { memory } from "./http.js";

export const MM_PER_INCH = 25.4;
/** @type {Record<LengthUnit, ShownUnit>} */
export const LENGTHS = { mm: { per: 1, word: " mm", usual: 2 }, in: { per: 1 / MM_PER_INCH, word: " in", usual: 4 }, thou: { per: 1000 / MM_PER_INCH, word: " thou", usual: 1 } };
/** @type {Record<AngleUnit, ShownUnit>} */
export const ANGLES = { deg: { per: 1, word: "°", usual: 3 }, arcmin: { per: 60, word: "′", usual: 1 } };

// Thou per foot for each mm in 300 mm: 12 in / 300 mm / 0.001 in, 1 in = 25.4 mm.
const THOU_PER_FOOT = 40;

/** @type {(unit: string | undefined) => unit is LengthUnit} */
export const isLength = (unit) => Object.hasOwn(LENGTHS, String(unit));

/** @type {(unit: string | undefined) => unit is AngleUnit} */
const isAngle = (unit) => Object.hasOwn(ANGLES, String(unit));

/**
 * The units chosen.
 * @returns {{ length: LengthUnit, angle: AngleUnit }}
 */
export function chosen() {
  const { length, angle } = memory.get("units", null) ?? {};
  return { length: isLength(length) ? length : "mm", angle: isAngle(angle) ? angle : "deg" };
}

/**
 * Decimals at which `uncertainty` shows two significant digits, 0 to 6; null where it says
 * nothing. The rule of the server's sentences: fixtures/numbers/digits.json tries both.
 * @param {number} [uncertainty]
 */
export function decimalsFor(uncertainty) {
  if (!uncertainty || !(uncertainty > 0) || uncertainty === Infinity) return null;
  let decimals = 1 - Math.floor(Math.log10(uncertainty));
  // 0.0996 shown to two digits is 0.10: one decimal fewer.
  if (Number(uncertainty.toExponential(1)) >= Number(`1e${2 - decimals}`)) decimals -= 1;
  return Math.min(6, Math.max(0, decimals));
}

/**
 * `value` with `decimals`, ties to the even digit as the server rounds, never "-0.00".
 * @param {number} value
 * @param {number} decimals
 */
export function fixed(value, decimals) {
  const scaled = Math.abs(value) * 10 ** decimals;
  // Only a number of few binary digits lies exactly between two decimals; toFixed rounds it up.
  const tie = scaled % 1 === 0.5 && Number.isInteger(value * 2 ** (decimals + 1));
  const size = tie ? (2 * Math.round(scaled / 2)) / 10 ** decimals : Math.abs(value);
  const digits = size.toFixed(decimals);
  return value < 0 && Number(digits) !== 0 ? `-${digits}` : digits;
}

/**
 * `value` (mm or degrees) in `unit`, with the digits that `uncertainty` supports.
 * @param {number} value
 * @param {ShownUnit} unit
 * @param {number} [uncertainty]
 */
export function text(value, unit, uncertainty = NaN, signed = false) {
  const shown = value * unit.per;
  const digits = fixed(Math.abs(shown), decimalsFor(Math.abs(uncertainty * unit.per)) ?? unit.usual);
  const zero = Number(digits) === 0;
  return `${zero ? "" : shown < 0 ? "−" : signed ? "+" : ""}${digits}${unit.word}`;
}

/**
 * A measure in `units`, with the digits it had; null where it stays as the server wrote it.
 * @param {Omit<MeasureOut, "unit"> & { unit: string }} measure
 * @param {{ length: LengthUnit, angle: AngleUnit }} units
 */
export function measureIn({ value, uncertainty, unit, decimals }, units) {
  const other = conversion(unit, units);
  if (!other) return null;
  const { factor, word } = other;
  const digits =
    uncertainty === null
      ? Math.max(0, decimals - Math.floor(Math.log10(factor) + 1e-9))
      : (decimalsFor(uncertainty * factor) ?? decimals);
  /** @param {number} number */
  const shown = (number) => fixed(number * factor, digits);
  return `${shown(value)}${uncertainty === null ? "" : ` ± ${shown(uncertainty)}`} ${word}`;
}

/**
 * What the number is multiplied by and the new word for the unit; null where it stays.
 * @param {string} unit
 * @param {{ length: LengthUnit, angle: AngleUnit }} units
 */
function conversion(unit, units) {
  const inches = units.length !== "mm";
  if (unit === "degrees") return units.angle === "arcmin" ? { factor: 60, word: "arc minutes" } : null;
  if (unit === "mm per 300 mm") return inches ? { factor: THOU_PER_FOOT, word: "thou per foot" } : null;
  if (unit === "thou per foot") return inches ? null : { factor: 1 / THOU_PER_FOOT, word: "mm per 300 mm" };
  if (unit === units.length) return null;
  return { factor: (unit === "in" ? MM_PER_INCH : 1) * LENGTHS[units.length].per, word: units.length };
}
