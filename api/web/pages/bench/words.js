// Numbers and directions in words, in the units that the person chose, the same wherever the
// page shows or says them.

import { memory } from "../shared/http.js";
import { ANGLES, LENGTHS, MM_PER_INCH, chosen, decimalsFor, fixed, text } from "../shared/measures.js";

// Decimals with a digit for the caliper's last one.
const READ = { mm: 3, in: 4, thou: 1 };
// Thou per foot for each mm in 300 mm: 12 in / 300 mm / 0.001 in, 1 in = 25.4 mm.
const THOU_PER_FOOT = 40;

/**
 * The units to show: of lengths, of small differences between them, and of angles. A person
 * who chose none gets lengths in the series' own unit, and thou for differences in inches.
 */
export function unitsFor(series) {
  const own = memory.get("units", {})?.length;
  const length = Object.hasOwn(LENGTHS, own) ? own : (series?.unit ?? "mm");
  return { length, deviation: length === "in" && own !== "in" ? "thou" : length, angle: chosen().angle };
}

/** Which way a signed angle or tilt leans; "" within the last digit that `uncertainty` supports. */
export function leans(value, uncertainty) {
  if (Number(fixed(value, decimalsFor(uncertainty) ?? ANGLES.deg.usual)) === 0) return "";
  return value > 0 ? "right" : "left";
}

/** How large an angle is, whichever way it leans: "0.025°" or "1.5′". */
export function angleSize(degrees, uncertainty, units) {
  return text(Math.abs(degrees), ANGLES[units.angle], uncertainty);
}

/** "0.025° right"; an angle of nothing is "0.000°". */
export function angle(degrees, uncertainty, units) {
  const side = leans(degrees, uncertainty);
  return `${angleSize(degrees, uncertainty, units)}${side ? " " + side : ""}`;
}

/** A length given in mm, with its unit, in the digits that `uncertainty` supports. */
export function length(mm, unit, uncertainty) {
  return text(mm, LENGTHS[unit], uncertainty);
}

/** A difference of lengths given in mm, with its sign and without its unit. */
export function deviation(mm, unit) {
  const { per } = LENGTHS[unit];
  const shown = Math.abs(mm * per).toFixed(READ[unit]);
  return `${Number(shown) === 0 ? "" : mm < 0 ? "−" : "+"}${shown}`;
}

/** What a reading is in another unit, with a digit for the caliper's last one: "0.4492 in". */
export function converted(mm, unit) {
  return `${Number(mm * LENGTHS[unit].per).toFixed(READ[unit]).replace("-", "−")}${LENGTHS[unit].word}`;
}

// "0.062 ± 0.059 degrees", "11.412 mm", "0.33 mm per 300 mm", "4 thou per foot"
const MEASURE = /(\d+(?:\.\d+)?)( ± (\d+(?:\.\d+)?))? (degrees|mm per 300 mm|thou per foot|mm|in)\b/g;

/** A sentence of the server with its measures in `units`; it speaks degrees and mm or inches. */
export function inUnits(sentence, units) {
  return sentence.replace(MEASURE, (all, value, both, uncertainty, unit) => {
    const [factor, word] = conversion(unit, units);
    if (factor == null || (unit === "in" && !value.includes("."))) return all; // "1 in 20" is no length
    const decimals = both
      ? (decimalsFor(uncertainty * factor) ?? 3)
      : Math.max(0, (value.split(".")[1]?.length ?? 0) - Math.floor(Math.log10(factor) + 1e-9));
    const shown = (number) => fixed(number * factor, decimals);
    return `${shown(value)}${both ? " ± " + shown(uncertainty) : ""} ${word}`;
  });
}

function conversion(unit, units) {
  const inches = units.length !== "mm";
  if (unit === "degrees") return units.angle === "arcmin" ? [60, "arc minutes"] : [];
  if (unit === "mm per 300 mm") return inches ? [THOU_PER_FOOT, "thou per foot"] : [];
  if (unit === "thou per foot") return inches ? [] : [1 / THOU_PER_FOOT, "mm per 300 mm"];
  if (unit === units.length) return [];
  return [(unit === "in" ? MM_PER_INCH : 1) * LENGTHS[units.length].per, units.length];
}

/** "strip 3" of a method that cuts strips; "trial 3" where the method is not known. */
export function trialName(method, number) {
  return `${method?.noun ?? "trial"} ${number}`;
}

/** What the page says aloud of a trial that has just become complete. */
export function spoken(trial, score, method, units) {
  const said = [];
  const name = trialName(method, trial.number);
  if (trial.angle_deg != null) said.push(spokenAngle(trial.angle_deg, "", units));
  if (trial.tilt_deg != null) said.push(spokenAngle(trial.tilt_deg, trial.angle_deg == null ? "" : "tilt ", units));
  const first = said.length ? `${name}: ${said.join(", ")}.` : `${name} complete.`;
  const quantity = score && mainQuantity(score)?.[1];
  return quantity?.verdict ? `${first} So far: ${quantity.verdict}.` : first;
}

function spokenAngle(value, what, units) {
  const side = leans(value);
  const size = units.angle === "arcmin" ? `${(Math.abs(value) * 60).toFixed(1)} arc minutes` : `${Math.abs(value).toFixed(3)} degrees`;
  return `${what}${size}${side ? " to the " + side : ""}`;
}

/** The quantity a score is about first: the angle, else the tilt, else the length. */
export function mainQuantity(score) {
  for (const name of ["angle", "tilt", "length"]) {
    if (score.quantities[name]) return [name, score.quantities[name]];
  }
  return null;
}
