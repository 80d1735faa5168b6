import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { beforeEach, test } from "node:test";

import { ANGLES, LENGTHS, chosen, decimalsFor, fixed, measureIn, text } from "../../api/web/pages/shared/measures.js";
import { openWindow } from "./stand_ins.js";

beforeEach(openWindow);

const { cases } = JSON.parse(readFileSync(new URL("../../fixtures/numbers/digits.json", import.meta.url), "utf8"));

for (const { value, uncertainty, shown } of cases) {
  test(`${value} with ${uncertainty} is shown as ${shown}`, () => {
    const decimals = decimalsFor(uncertainty);
    assert.equal(`${fixed(value, decimals)} ± ${fixed(uncertainty, decimals)}`, shown);
  });
}

test("an uncertainty that says nothing leaves the digits to the unit", () => {
  for (const nothing of [0, -1, NaN, Infinity, undefined]) assert.equal(decimalsFor(nothing), null);
  assert.equal(text(203.8604, LENGTHS.mm), "203.86 mm");
  assert.equal(text(203.8604, LENGTHS.in), "8.0260 in");
  assert.equal(text(0.0521, ANGLES.deg), "0.052°");
});

test("value and uncertainty are brought to the unit before digits are counted", () => {
  assert.equal(text(0.0521, ANGLES.arcmin, 0.011), "3.13′");
  assert.equal(text(25.4, LENGTHS.thou, 0.254), "1000 thou");
});

test("a sign is shown where it says something", () => {
  assert.equal(text(-0.0521, ANGLES.deg, 0.011), "−0.052°");
  assert.equal(text(0.0521, ANGLES.deg, 0.011, true), "+0.052°");
  assert.equal(text(-0.0001, ANGLES.deg, 0.11, true), "0.00°");
});

test("a length of an inch or more is not told in thou", () => {
  const units = { length: "thou", angle: "deg", joint: null };
  const joint = { value: 150, uncertainty: null, unit: "mm", decimals: 0 };
  assert.equal(measureIn(joint, units), "5.91 in"); // 150 mm / 25.4 mm
  assert.equal(measureIn({ ...joint, value: 0.254, decimals: 3 }, units), "10.00 thou");
});

test("units that this version does not know are as if none were chosen", () => {
  assert.deepEqual(chosen(), { length: null, angle: "deg", joint: null });
  localStorage.setItem("bothends units", JSON.stringify({ length: "thou", angle: "arcmin" }));
  assert.deepEqual(chosen(), { length: "thou", angle: "arcmin", joint: null });
  localStorage.setItem("bothends units", JSON.stringify({ length: "toString", angle: "gon" }));
  assert.deepEqual(chosen(), { length: null, angle: "deg", joint: null });
});
