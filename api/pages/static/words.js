// Numbers and directions in words, the same wherever the page shows or says them.

const MM_PER_INCH = 25.4;

/** Decimals that show `uncertainty` to two significant digits, as the server's sentences do. */
export function decimalsFor(uncertainty, least = 1, most = 5) {
  if (!(uncertainty > 0)) return 3;
  return Math.min(most, Math.max(least, 1 - Math.floor(Math.log10(uncertainty))));
}

/** Which way a signed angle or tilt leans; "" within the last digit shown. */
export function leans(value, decimals = 3) {
  if (Number(Math.abs(value).toFixed(decimals)) === 0) return "";
  return value > 0 ? "right" : "left";
}

/** "0.025° right"; an angle of nothing is "0.000°". */
export function angle(value, decimals = 3) {
  const side = leans(value, decimals);
  return `${Math.abs(value).toFixed(decimals)}°${side ? " " + side : ""}`;
}

/** A length given in millimetres, in the series' own unit. */
export function length(mm, unit, decimals) {
  if (unit === "in") return `${trimMinus((mm / MM_PER_INCH).toFixed(decimals ?? 4))} in`;
  return `${trimMinus(mm.toFixed(decimals ?? 3))} mm`;
}

/** A deviation with its sign: in millimetres, or in thou (thousandths) for inches. */
export function deviation(mm, unit) {
  const value = Number(mm);
  const shown = trimMinus(unit === "in" ? ((value / MM_PER_INCH) * 1000).toFixed(1) : value.toFixed(3));
  return value > 0 && Number(shown) !== 0 ? `+${shown}` : shown;
}

function trimMinus(text) {
  return /^-[0.]+$/.test(text) ? text.slice(1) : text.replace("-", "−");
}

/** "strip 3" of a method that cuts strips, else "trial 3". */
export function trialName(method, number) {
  if (!method) return `trial ${number}`;
  return `${method.sided ? "strip" : method.key === "stop-block" ? "part" : "trial"} ${number}`;
}

/** What the page says aloud of a trial that has just become complete. */
export function spoken(trial, score, method) {
  const said = [];
  const name = trialName(method, trial.number);
  if (trial.angle_deg != null) said.push(spokenAngle(trial.angle_deg, ""));
  if (trial.tilt_deg != null) said.push(spokenAngle(trial.tilt_deg, trial.angle_deg == null ? "" : "tilt "));
  const first = said.length ? `${name}: ${said.join(", ")}.` : `${name} complete.`;
  const quantity = score && mainQuantity(score)?.[1];
  return quantity?.verdict ? `${first} So far: ${quantity.verdict}.` : first;
}

function spokenAngle(value, what) {
  const side = leans(value);
  return `${what}${Math.abs(value).toFixed(3)} degrees${side ? " to the " + side : ""}`;
}

/** The quantity a score is about first: the angle, else the tilt, else the length. */
export function mainQuantity(score) {
  for (const name of ["angle", "tilt", "length"]) {
    if (score.quantities[name]) return [name, score.quantities[name]];
  }
  return null;
}
