// Numbers and directions in words, in the units that the person chose, the same wherever the
// page shows or says them.

import { capital } from "../shared/http.js";
import { ANGLES, LENGTHS, MM_PER_INCH, angleUnit, chosen, decimalsFor, fixed, measureIn, text } from "../shared/measures.js";

/** @typedef {string[]} Ways what stands beside a positive and a negative number */

/** @type {Ways} */
const NO_WAYS = ["", ""];

// Decimals with a digit for the caliper's last one.
const READ = { mm: 3, in: 4, thou: 1 };

/**
 * The units to show: of lengths, of small differences between them, and of angles. Where none
 * was chosen: lengths in the series' own unit, and thou for differences in inches.
 * @param {Pick<SeriesHead, "unit"> | null} series
 * @returns {Units}
 */
export function unitsFor(series) {
  const units = chosen();
  const length = units.length ?? series?.unit ?? "mm";
  return { ...units, length, deviation: length === "in" && !units.length ? "thou" : length };
}

/**
 * Which way a signed angle or tilt leans; "" within the last digit that `uncertainty` supports.
 * @param {number} value
 * @param {number} [uncertainty]
 */
export function leans(value, uncertainty) {
  if (Number(fixed(value, decimalsFor(uncertainty) ?? ANGLES.deg.usual)) === 0) return "";
  return value > 0 ? "right" : "left";
}

/**
 * The size of an angle without its direction: "0.025°" or "1.5′".
 * @param {number} degrees
 * @param {number | undefined} uncertainty
 * @param {Chosen} units
 */
export function angleSize(degrees, uncertainty, units) {
  return text(Math.abs(degrees), angleUnit(units), uncertainty);
}

/**
 * "0.025° leans right"; "0.000°" for an angle that rounds to zero, with its sign where the method
 * has no words for a direction.
 * @param {number} degrees
 * @param {number | undefined} uncertainty
 * @param {Chosen} units
 * @param {Ways} [ways]
 */
export function angle(degrees, uncertainty, units, ways) {
  if (!ways) return text(degrees, angleUnit(units), uncertainty, true);
  const way = wayOf(degrees, uncertainty, ways);
  return `${angleSize(degrees, uncertainty, units)}${way && ` ${way}`}`;
}

/**
 * The words for the direction of a signed angle; "" where it rounds to zero.
 * @param {number} value
 * @param {number | undefined} uncertainty
 * @param {Ways} ways
 */
export function wayOf(value, uncertainty, ways) {
  const side = leans(value, uncertainty);
  return (side && ways[side === "right" ? 0 : 1]) ?? "";
}

/**
 * A length given in mm, with its unit, in the digits that `uncertainty` supports.
 * @param {number} mm
 * @param {LengthUnit} unit
 * @param {number} [uncertainty]
 */
export function length(mm, unit, uncertainty) {
  return text(mm, LENGTHS[unit], uncertainty);
}

/**
 * A difference of lengths given in mm, with its sign and without its unit.
 * @param {number} mm
 * @param {LengthUnit} unit
 */
export function deviation(mm, unit) {
  const { per } = LENGTHS[unit];
  const shown = Math.abs(mm * per).toFixed(READ[unit]);
  return `${Number(shown) === 0 ? "" : mm < 0 ? "−" : "+"}${shown}`;
}

/**
 * The number in a reading's text as sent, digits untouched.
 * @param {Pick<ReadingOut, "sent" | "unit" | "mm">} reading
 */
export function numberIn(reading) {
  const wanted = reading.mm;
  for (const [found = ""] of reading.sent.matchAll(/[+−-]?\s*(\d+([.,]\d*)?|[.,]\d+)/g)) {
    const value = Number(found.replace(/\s/g, "").replace("−", "-").replace(",", "."));
    if (Math.abs(value * (reading.unit === "in" ? MM_PER_INCH : 1) - wanted) < 1e-6) return found.replace(/\s/g, "");
  }
  // To what is kept, a millionth of a millimetre, so that 29/64 is no 0.45312500000000006.
  return String(reading.unit === "in" ? Number((wanted / MM_PER_INCH).toFixed(8)) : wanted);
}

/**
 * What a reading is in another unit, with a digit for the caliper's last one: "0.4492 in".
 * @param {number} mm
 * @param {LengthUnit} unit
 */
export function converted(mm, unit) {
  return `${(mm * LENGTHS[unit].per).toFixed(READ[unit]).replace("-", "−")}${LENGTHS[unit].word}`;
}

/**
 * A sentence of the server, cut at its measures, with these in `units`.
 * @param {SentencePartOut[]} parts
 * @param {Chosen} units
 */
export function inUnits(parts, units) {
  return parts.map(({ text, measure }) => (measure ? measureIn(measure, units) ?? text : text)).join("");
}

/**
 * What the server says in the middle of a sentence, as one of its own.
 * @param {string} said
 */
export const sentence = (said) => `${capital(said)}.`;

/** @param {Pick<MethodOut, "noun"> | undefined} method */
export const nounOf = (method) => method?.noun ?? "strip";

/**
 * "1 strip", "5 strips".
 * @param {Pick<MethodOut, "noun"> | undefined} method
 * @param {number} number
 */
export const counted = (method, number) => `${number} ${nounOf(method)}${number === 1 ? "" : "s"}`;

/**
 * "strip 3"; "part 3" of a method that cuts parts.
 * @param {Pick<MethodOut, "noun"> | undefined} method
 * @param {number} number
 */
export function trialName(method, number) {
  return `${nounOf(method)} ${number}`;
}

/**
 * "strip 3", "strips 3 and 4", "strips 3 to 5".
 * @param {Pick<MethodOut, "noun"> | undefined} method
 * @param {number[]} numbers
 */
export function trialNames(method, numbers) {
  const first = numbers[0] ?? 0;
  const last = numbers.at(-1) ?? 0;
  if (numbers.length < 2) return trialName(method, first);
  const together = last - first === numbers.length - 1 && numbers.length > 2;
  const said = together ? `${first} to ${last}` : `${numbers.slice(0, -1).join(", ")} and ${last}`;
  return `${nounOf(method)}s ${said}`;
}

/**
 * What the page says aloud of a trial that has just become complete.
 * @param {Pick<TrialOut, "number" | "angle_deg" | "tilt_deg">} trial
 * @param {ScoreOut | null} score
 * @param {MethodOut | undefined} method
 * @param {Units} units
 */
export function spoken(trial, score, method, units) {
  const said = [];
  const name = trialName(method, trial.number);
  const { angle: turned = NO_WAYS, tilt: tilted = NO_WAYS } = method?.ways ?? {};
  if (trial.angle_deg != null) said.push(spokenAngle(trial.angle_deg, "", units, turned));
  if (trial.tilt_deg != null) said.push(spokenAngle(trial.tilt_deg, trial.angle_deg == null ? "" : "tilt ", units, tilted));
  const first = said.length ? `${name}: ${said.join(", ")}.` : `${name} complete.`;
  const quantity = score && mainQuantity(score)?.quantity;
  // Of a planned number there is no verdict before its end.
  return quantity?.verdict && quantity.rule !== "not yet" ? `${first} So far: ${quantity.verdict}.` : first;
}

/**
 * @param {number} value
 * @param {string} what
 * @param {Chosen} units
 * @param {Ways} ways
 */
function spokenAngle(value, what, units, ways) {
  const way = wayOf(value, undefined, ways);
  const measure = { value: Math.abs(value), uncertainty: null, unit: "degrees", decimals: ANGLES.deg.usual };
  const size = measureIn(measure, units) ?? `${fixed(measure.value, measure.decimals)} degrees`;
  return `${what}${size}${way && `, ${way}`}`;
}

// What asks for something to be done comes first: a large "good enough" must not hide it.
const URGENCY = { "needs adjusting": 0, "cannot tell yet": 1, "good enough": 2 };

/**
 * The quantity a score is about first: the one that asks most for something to be done; of those
 * alike the angle, then the tilt, then the length.
 * @param {Pick<ScoreOut, "quantities">} score
 */
export function mainQuantity(score) {
  /** @param {QuantityOut} quantity */
  const urgency = ({ verdict }) => (verdict ? URGENCY[verdict] : URGENCY["good enough"]);
  let main = null;
  for (const name of ["angle", "tilt", "length"]) {
    const quantity = score.quantities[name];
    if (quantity && (!main || urgency(quantity) < urgency(main.quantity))) main = { name, quantity };
  }
  return main;
}
