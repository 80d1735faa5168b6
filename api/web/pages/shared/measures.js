// Units that a person may choose, and how many digits a number gets.

import { memory } from "./http.js";

export const MM_PER_INCH = 25.4;
/** @type {Record<LengthUnit, ShownUnit>} */
export const LENGTHS = { mm: { per: 1, word: " mm", usual: 2 }, in: { per: 1 / MM_PER_INCH, word: " in", usual: 4 }, thou: { per: 1000 / MM_PER_INCH, word: " thou", usual: 1 } };
const DEG = Math.PI / 180;

/**
 * An angle told by what it makes over a length: `over` times its tangent.
 * @param {number} over the length, in the unit of what is told
 * @param {string} word
 * @param {number} usual
 * @param {string} said in a sentence
 * @returns {ShownUnit}
 */
const slope = (over, word, usual, said) => ({ per: over * DEG, over, word, usual, said });

/** @type {Record<Exclude<AngleUnit, "gap">, ShownUnit>} */
export const ANGLES = {
  deg: { per: 1, word: "°", usual: 3, said: "degrees" },
  arcmin: { per: 60, word: "′", usual: 1, said: "arc minutes" },
  "thou per foot": slope(12000, " thou/ft", 1, "thou per foot"),
  "mm per 300 mm": slope(300, " mm/300 mm", 3, "mm per 300 mm"),
};

/**
 * How `units` show an angle; a gap is told over the person's own joint.
 * @param {Chosen} units
 * @returns {ShownUnit}
 */
export function angleUnit({ length, angle, joint }) {
  if (angle !== "gap") return ANGLES[angle];
  if (!joint) return ANGLES.deg;
  const { mm, unit } = joint;
  const { per, word, usual } = LENGTHS[length ?? unit];
  const inches = length ? length !== "mm" : unit === "in";
  return slope(mm * per, `${word} gap`, usual + (per === 1 ? 1 : 0), `${word.trim()} over ${short(mm, inches ? "in" : "mm")}`);
}

/**
 * A length of a joint or board: in inches or mm, without zeros at its end.
 * @param {number} mm
 * @param {"mm" | "in"} unit
 */
const short = (mm, unit) => `${Number((mm * LENGTHS[unit].per).toFixed(unit === "mm" ? 2 : 4))} ${unit}`;

// Thou per foot for each mm in 300 mm: 12 in / 300 mm / 0.001 in, 1 in = 25.4 mm.
const THOU_PER_FOOT = 40;

/** @type {(unit: string | undefined) => unit is LengthUnit} */
const isLength = (unit) => Object.hasOwn(LENGTHS, String(unit));

/** @type {(unit: string | undefined) => unit is AngleUnit} */
const isAngle = (unit) => unit === "gap" || Object.hasOwn(ANGLES, String(unit));

/**
 * The units chosen; a length is null where the unit of the caliper is to stay.
 * @returns {Chosen}
 */
export function chosen() {
  const { length, angle, joint } = memory.get("units", null) ?? {};
  const known = joint && joint.mm > 0 ? { mm: joint.mm, unit: /** @type {"mm" | "in"} */ (joint.unit === "in" ? "in" : "mm") } : null;
  return { length: isLength(length) ? length : null, angle: isAngle(angle) ? angle : "deg", joint: known };
}

/**
 * `value` (mm or degrees) as a number of `unit`.
 * @param {number} value
 * @param {Pick<ShownUnit, "per" | "over">} unit
 */
const inUnit = (value, { per, over }) => (over ? over * Math.tan(value * DEG) : value * per);

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
  const shown = inUnit(value, unit);
  const digits = fixed(Math.abs(shown), decimalsFor(Math.abs(inUnit(uncertainty, unit))) ?? unit.usual);
  const zero = Number(digits) === 0;
  return `${zero ? "" : shown < 0 ? "−" : signed ? "+" : ""}${digits}${unit.word}`;
}

/**
 * A measure in `units`, with the digits it had, and 2 at least; null where it stays as the server wrote it.
 * @param {Omit<MeasureOut, "unit"> & { unit: string }} measure
 * @param {Chosen} units
 */
export function measureIn({ value, uncertainty, unit, decimals }, units) {
  const other = conversion(unit, value, units);
  if (!other) return null;
  const digits =
    uncertainty === null
      ? Math.max(decimals - Math.floor(Math.log10(other.per) + 1e-9), decimalsFor(Math.abs(inUnit(value, other))) ?? 0)
      : (decimalsFor(inUnit(uncertainty, other)) ?? decimals);
  /** @param {number} number */
  const shown = (number) => fixed(inUnit(number, other), digits);
  return `${shown(value)}${uncertainty === null ? "" : ` ± ${shown(uncertainty)}`} ${other.word}`;
}

/**
 * How a number of `unit` is shown in `units`; null where it stays.
 * @param {string} unit
 * @param {number} value
 * @param {Chosen} units
 * @returns {{ per: number, over?: number, word: string } | null}
 */
function conversion(unit, value, units) {
  const { length, angle } = units;
  if (unit === "degrees") {
    const { per, over, said } = angleUnit(units);
    return angle === "deg" || said === "degrees" ? null : { per, over, word: String(said) };
  }
  const per300 = { "mm per 300 mm": 1, "thou per foot": 1 / THOU_PER_FOOT }[unit];
  if (per300) {
    // It stands beside the angle: where that is told as a slope, it says the degrees.
    if (angleUnit(units).over) return { per: per300 / 300 / DEG, word: "degrees" };
    const inches = length ? length !== "mm" : unit === "thou per foot";
    if (inches === (unit === "thou per foot")) return null;
    return inches ? { per: THOU_PER_FOOT, word: "thou per foot" } : { per: per300, word: "mm per 300 mm" };
  }
  if (!length) return null;
  const mm = unit === "in" ? MM_PER_INCH : unit === "thou" ? MM_PER_INCH / 1000 : 1;
  // Nobody tells boards and joints in thou.
  const as = length === "thou" && Math.abs(value) * mm >= MM_PER_INCH ? "in" : length;
  return unit === as ? null : { per: mm * LENGTHS[as].per, word: as };
}
