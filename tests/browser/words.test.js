import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { beforeEach, test } from "node:test";

import * as words from "../../api/web/pages/bench/words.js";
import { openWindow } from "./stand_ins.js";

const MM = { length: "mm", deviation: "mm", angle: "deg" };
const INCH = { length: "in", deviation: "thou", angle: "arcmin" };
const STRIPS = { noun: "strip" };

const MEASURES = JSON.parse(readFileSync(new URL("../../fixtures/numbers/measures.json", import.meta.url), "utf8")).cases;

beforeEach(openWindow);

const chose = (units) => localStorage.setItem("bothends units", JSON.stringify(units));

test("who chose no unit sees the series' own, and thou for differences of inches", () => {
  assert.deepEqual(words.unitsFor({ unit: "in" }), { length: "in", deviation: "thou", angle: "deg" });
  assert.deepEqual(words.unitsFor({ unit: "mm" }), MM);
  assert.deepEqual(words.unitsFor(null), MM);
});

test("who chose a unit sees it everywhere", () => {
  chose({ length: "in", angle: "arcmin" });
  assert.deepEqual(words.unitsFor({ unit: "mm" }), { length: "in", deviation: "in", angle: "arcmin" });
  chose({ length: "furlong" });
  assert.deepEqual(words.unitsFor({ unit: "mm" }), MM);
});

test("an angle leans to a side only as far as its digits show", () => {
  assert.equal(words.angle(0.0251, 0.011, MM), "0.025° right");
  assert.equal(words.angle(-0.0251, 0.011, INCH), "1.51′ left");
  assert.equal(words.angle(-0.0004, 0.11, MM), "0.00°");
  assert.equal(words.leans(0.0004), "");
});

test("a deviation has a sign unless it shows as nothing", () => {
  assert.equal(words.deviation(0.1778, "thou"), "+7.0");
  assert.equal(words.deviation(-0.1778, "mm"), "−0.178");
  assert.equal(words.deviation(-0.0001, "mm"), "0.000");
});

test("a reading in another unit keeps a digit for the caliper's last one", () => {
  assert.equal(words.converted(11.41, "in"), "0.4492 in");
  assert.equal(words.converted(-0.35, "mm"), "−0.350 mm");
  assert.equal(words.length(203.8604, "in", 0.02), "8.02600 in");
});

for (const { text, mm, in: inch, ...measure } of MEASURES) {
  test(`“${text}” in other units`, () => {
    const sentence = [{ text: "It is ", measure: null }, { text, measure }, { text: ", 1 in 20.", measure: null }];
    assert.equal(words.inUnits(sentence, MM), `It is ${mm}, 1 in 20.`);
    assert.equal(words.inUnits(sentence, INCH), `It is ${inch}, 1 in 20.`);
  });
}

test("a trial is called after what was cut", () => {
  assert.equal(words.trialName(STRIPS, 3), "strip 3");
  assert.equal(words.trialName({ noun: "part" }, 3), "part 3");
  assert.equal(words.trialName(undefined, 3), "trial 3");
});

test("a complete trial is said aloud with its side and the verdict so far", () => {
  const trial = { number: 2, angle_deg: -0.0251, tilt_deg: 0.1 };
  const score = { quantities: { angle: { verdict: "good enough" } } };
  assert.equal(
    words.spoken(trial, score, STRIPS, MM),
    "strip 2: 0.025 degrees to the left, tilt 0.100 degrees to the right. So far: good enough.",
  );
  assert.equal(
    words.spoken({ number: 2, angle_deg: null, tilt_deg: 0.1 }, null, STRIPS, INCH),
    "strip 2: 6.0 arc minutes to the right.",
  );
  assert.equal(words.spoken({ number: 2, angle_deg: null, tilt_deg: null }, null, STRIPS, MM), "strip 2 complete.");
});

test("a score is about its angle first, then its tilt, then its length", () => {
  const [angle, tilt, length] = [{}, {}, {}];
  assert.deepEqual(words.mainQuantity({ quantities: { length, tilt, angle } })?.name, "angle");
  assert.deepEqual(words.mainQuantity({ quantities: { length, tilt } })?.name, "tilt");
  assert.deepEqual(words.mainQuantity({ quantities: { length } })?.name, "length");
  assert.equal(words.mainQuantity({ quantities: {} }), null);
});

test("a tilt that needs adjusting is not hidden behind an angle that is good enough", () => {
  const of = (angle, tilt) => ({ quantities: { angle: { verdict: angle }, tilt: { verdict: tilt } } });
  assert.equal(words.mainQuantity(of("good enough", "needs adjusting"))?.name, "tilt");
  assert.equal(words.mainQuantity(of("good enough", "cannot tell yet"))?.name, "tilt");
  assert.equal(words.mainQuantity(of("needs adjusting", "needs adjusting"))?.name, "angle");
  assert.equal(words.mainQuantity(of("needs adjusting", "cannot tell yet"))?.name, "angle");
  assert.equal(words.mainQuantity(of(null, null))?.name, "angle");
});

for (const [sent, unit, mm, shown] of [
  ["  11.41 mm\r", "mm", 11.41, "11.41"],
  ["11,410", "mm", 11.41, "11,410"],
  ["01A+0.4490", "in", 11.4046, "+0.4490"],
  ["- 0.35", "mm", -0.35, "-0.35"],
  ["−0.35", "mm", -0.35, "−0.35"],
  [".475", "in", 12.065, ".475"],
  ["3 of 7: 11.41", "mm", 11.41, "11.41"],
]) {
  test(`“${sent.trim()}” is shown as ${shown}, its digits untouched`, () => {
    assert.equal(words.numberIn({ sent, unit, mm }), shown);
  });
}

test("a reading whose text does not show its number is shown by its length", () => {
  assert.equal(words.numberIn({ sent: "000B8F", unit: "mm", mm: 29.59 }), "29.59");
  assert.equal(words.numberIn({ sent: "000B8F", unit: "in", mm: 25.4 }), "1");
});
