import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { beforeEach, test } from "node:test";

import * as words from "../../api/web/pages/bench/words.js";
import { openWindow } from "./stand_ins.js";

const MM = { length: "mm", deviation: "mm", angle: "deg", joint: null };
const INCH = { length: "in", deviation: "thou", angle: "arcmin", joint: null };
const FOOT = { ...INCH, angle: "thou per foot" };
const SLOPE = { ...MM, angle: "mm per 300 mm" };
const GAP = { ...INCH, angle: "gap", joint: { mm: 203.2, unit: "in" } };
const LEAN = ["leans right", "leans left"];
const STRIPS = { noun: "strip", ways: { angle: LEAN, tilt: LEAN } };

const MEASURES = JSON.parse(readFileSync(new URL("../../fixtures/numbers/measures.json", import.meta.url), "utf8")).cases;

beforeEach(openWindow);

const chose = (units) => localStorage.setItem("bothends units", JSON.stringify(units));

test("who chose no unit sees the series' own, and thou for differences of inches", () => {
  assert.deepEqual(words.unitsFor({ unit: "in" }), { length: "in", deviation: "thou", angle: "deg", joint: null });
  assert.deepEqual(words.unitsFor({ unit: "mm" }), MM);
  assert.deepEqual(words.unitsFor(null), MM);
});

test("who chose a unit sees it everywhere", () => {
  chose({ length: "in", angle: "arcmin" });
  assert.deepEqual(words.unitsFor({ unit: "mm" }), { length: "in", deviation: "in", angle: "arcmin", joint: null });
  chose({ length: "furlong" });
  assert.deepEqual(words.unitsFor({ unit: "mm" }), MM);
});

test("an angle leans to a side only as far as its digits show", () => {
  assert.equal(words.angle(0.0251, 0.011, MM, LEAN), "0.025° leans right");
  assert.equal(words.angle(-0.0251, 0.011, INCH, LEAN), "1.51′ leans left");
  assert.equal(words.angle(-0.0004, 0.11, MM, LEAN), "0.00°");
  assert.equal(words.leans(0.0004), "");
});

test("what a method calls its two directions stands beside its number", () => {
  assert.equal(words.angle(-0.0251, 0.011, MM, ["", "too acute"]), "0.025° too acute");
  assert.equal(words.angle(0.0251, 0.011, MM, ["", "too acute"]), "0.025°");
  assert.equal(words.angle(-0.0251, 0.011, MM, undefined), "−0.025°");
});

test("an angle is shown as the slope or gap that a person chose", () => {
  // tan(0.0573 degrees) * 12 in = 0.012 in; * 300 mm = 0.300 mm; * 8 in = 0.0080 in.
  assert.equal(words.angle(0.0573, 0.0123, FOOT, LEAN), "12.0 thou/ft leans right");
  assert.equal(words.angle(0.0573, 0.0123, SLOPE, LEAN), "0.300 mm/300 mm leans right");
  assert.equal(words.angle(0.0573, 0.0123, GAP, LEAN), "0.0080 in gap leans right");
  assert.equal(words.angle(0.0573, 0.0123, { ...GAP, joint: null }, LEAN), "0.057° leans right");
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

for (const { text, mm, in: inch, foot, slope, gap, ...measure } of MEASURES) {
  test(`“${text}” in other units`, () => {
    const sentence = [{ text: "It is ", measure: null }, { text, measure }, { text: ", 1 in 20.", measure: null }];
    assert.equal(words.inUnits(sentence, MM), `It is ${mm}, 1 in 20.`);
    assert.equal(words.inUnits(sentence, INCH), `It is ${inch}, 1 in 20.`);
    assert.equal(words.inUnits(sentence, FOOT), `It is ${foot}, 1 in 20.`);
    assert.equal(words.inUnits(sentence, SLOPE), `It is ${slope}, 1 in 20.`);
    assert.equal(words.inUnits(sentence, GAP), `It is ${gap}, 1 in 20.`);
  });
}

test("a trial is called after what was cut", () => {
  assert.equal(words.trialName(STRIPS, 3), "strip 3");
  assert.equal(words.trialName({ noun: "part" }, 3), "part 3");
  assert.equal(words.trialName(undefined, 3), "strip 3");
});

test("a complete trial is said aloud with its side and the verdict so far", () => {
  const trial = { number: 2, angle_deg: -0.0251, tilt_deg: 0.1 };
  const score = { quantities: { angle: { verdict: "good enough" } } };
  assert.equal(
    words.spoken(trial, score, STRIPS, MM),
    "strip 2: 0.025 degrees, leans left, tilt 0.100 degrees, leans right. So far: good enough.",
  );
  assert.equal(
    words.spoken({ number: 2, angle_deg: null, tilt_deg: 0.1 }, null, STRIPS, INCH),
    "strip 2: 6.00 arc minutes, leans right.",
  );
  assert.equal(words.spoken({ number: 2, angle_deg: null, tilt_deg: null }, null, STRIPS, MM), "strip 2 complete.");
  // Of a planned number there is no verdict before its end.
  const planned = { quantities: { angle: { verdict: "cannot tell yet", rule: "not yet" } } };
  assert.equal(words.spoken({ number: 2, angle_deg: null, tilt_deg: null }, planned, STRIPS, MM), "strip 2 complete.");
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
  assert.equal(words.numberIn({ sent: "29/64", unit: "in", mm: 11.509375 }), "0.453125");
});
