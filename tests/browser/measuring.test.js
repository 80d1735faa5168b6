import assert from "node:assert/strict";
import { test } from "node:test";

import { numberIn } from "../../api/web/pages/bench/measuring.js";

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
    assert.equal(numberIn({ sent, unit, mm }), shown);
  });
}

test("a reading whose text does not show its number is shown by its length", () => {
  assert.equal(numberIn({ sent: "000B8F", unit: "mm", mm: 29.59 }), "29.59");
  assert.equal(numberIn({ sent: "000B8F", unit: "in", mm: 25.4 }), "1");
});
