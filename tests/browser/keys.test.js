import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { catchKeys, takesText } from "../../api/web/pages/shared/keys.js";
import { Clock, Listeners } from "./stand_ins.js";

const CODES = { ".": "Period", ",": "Comma", "-": "Minus", " ": "Space", Enter: "Enter", Tab: "Tab", ArrowDown: "ArrowDown", Shift: "ShiftLeft" };
const codeOf = (key) => CODES[key] ?? (/^\d$/.test(key) ? `Digit${key}` : `Key${key.toUpperCase()}`);

let clock;
let page; // the document
let elsewhere; // what has the focus where no field has it
let field;
let told;
let stop;

beforeEach(() => {
  clock = new Clock();
  page = new Listeners();
  elsewhere = { tagName: "BODY" };
  page.activeElement = elsewhere;
  field = { tagName: "INPUT", type: "text", value: "", focus: () => (page.activeElement = field) };
  globalThis.document = page;
  told = [];
  stop = catchKeys({
    field,
    take(strokes, takenAt) {
      told.push(["take", spelled(strokes), takenAt.getTime() - Date.UTC(2026, 0, 5, 12)]);
      return told.length;
    },
    withdraw: (sent) => told.push(["withdraw", sent]),
    refuse: (strokes, brokenAt) => told.push(["refuse", spelled(strokes), brokenAt]),
  });
});

const spelled = (strokes) => strokes.map((stroke) => (stroke.key.length === 1 ? stroke.key : `<${stroke.key}>`)).join("");
const withoutMoments = () => told.map((each) => (each[0] === "take" ? each.slice(0, 2) : each));

/** One key struck at the moment `at`, handled at once. True where the page kept it from the browser. */
async function strike(key, at, more = {}) {
  if (at > clock.now) await clock.until(at);
  let taken = false;
  const target = page.activeElement;
  page.tell("keydown", {
    key,
    code: codeOf(key),
    shiftKey: false,
    timeStamp: at,
    target,
    preventDefault: () => (taken = true),
    stopPropagation() {},
    ...more,
  });
  if (!taken && target === field && key.length === 1) field.value += key;
  return taken;
}

/** Keys `gap` ms apart; the moment of the last one. */
async function type(keys, at, gap) {
  for (const [i, key] of [...keys].entries()) await strike(key, at + i * gap);
  return at + (keys.length - 1) * gap;
}

const ENTER = ["Enter"];

test("a burst with its end key is taken whole, wherever the focus is, as of its last key", async () => {
  await type([..."203,86", ...ENTER], 1000, 10);
  page.activeElement = field;
  await type([..."-0.35", ...["Tab"]], 3000, 60);
  assert.deepEqual(told, [
    ["take", "203,86<Enter>", 1060],
    ["take", "-0.35<Tab>", 3300],
  ]);
  assert.equal(field.value, "");
});

test("what a person types in the field stays there, and Enter does what it does", async () => {
  page.activeElement = field;
  const last = await type("11.41", 1000, 150);
  assert.equal(await strike("Enter", last + 150), false);
  await clock.until(5000);
  assert.equal(field.value, "11.41");
  assert.deepEqual(told, []);
});

test("what a person types beside the field goes into it", async () => {
  await strike("1", 1000);
  await clock.until(1300);
  assert.equal(field.value, "1");
  assert.equal(page.activeElement, field);
  await type("1.4", 1500, 200);
  assert.equal(field.value, "11.4");
  assert.deepEqual(told, []);
});

test("text that stood in the field stays when a burst comes behind it", async () => {
  page.activeElement = field;
  await type("20", 1000, 180);
  await type([..."12.34", ...ENTER], 4000, 10);
  assert.deepEqual(withoutMoments(), [["take", "12.34<Enter>"]]);
  assert.equal(field.value, "20");
});

test("an end of line sent as two keys is one press", async () => {
  assert.equal(await type([..."11.41", ...ENTER], 1000, 10), 1050);
  assert.equal(await strike("Enter", 1060), true);
  assert.equal(await strike("ArrowDown", 1070), true);
  assert.equal(await strike("Enter", 1400), false);
  assert.equal(told.length, 1);
});

test("without an end key four characters so fast are a value once it is silent", async () => {
  const last = await type("12.3", 1000, 60);
  await clock.until(last + 299);
  assert.deepEqual(told, []);
  await clock.until(last + 400);
  assert.deepEqual(told, [["take", "12.3", last]]);
});

test("three characters, or four a little slower, are no value without an end key", async () => {
  await type("1.3", 1000, 10);
  await clock.until(2500);
  assert.equal(field.value, "1.3");
  field.value = "";
  page.activeElement = elsewhere;
  await type("12.3", 4000, 61);
  await clock.until(6000);
  assert.equal(field.value, "12.3");
  assert.deepEqual(told, []);
});

test("keys that a busy page handles late are judged by when they were struck", async () => {
  await type("12.3", 1000, 10);
  await clock.until(1400); // taken as a value; the page was busy with what follows
  assert.deepEqual(withoutMoments(), [["take", "12.3"]]);
  await strike("4", 1040);
  await strike("Enter", 1050);
  assert.deepEqual(withoutMoments().slice(1), [["withdraw", 1], ["take", "12.34<Enter>"]]);
});

test("an end key alone that comes late changes nothing", async () => {
  await type("12.3", 1000, 10);
  await clock.until(1400);
  assert.equal(await strike("Enter", 1040), true);
  await clock.until(3000);
  assert.deepEqual(withoutMoments(), [["take", "12.3"]]);
});

for (const gap of [110, 300, 900]) {
  test(`a first digit ${gap} ms before the rest is refused with it`, async () => {
    await strike("1", 1000);
    await type([..."1.41", ...ENTER], 1000 + gap, 2);
    assert.deepEqual(told, [["refuse", "11.41<Enter>", 1]]);
    assert.equal(field.value, "");
  });
}

test("a key a second before a burst is something else", async () => {
  await strike("1", 1000);
  await type([..."12.34", ...ENTER], 2000, 2);
  assert.deepEqual(withoutMoments(), [["take", "12.34<Enter>"]]);
});

test("a word before a burst is no part of its number", async () => {
  await strike("x", 1000);
  await type([..."12.34", ...ENTER], 1500, 2);
  assert.deepEqual(withoutMoments(), [["take", "12.34<Enter>"]]);
});

test("what a person typed before a press that is refused stays in the field", async () => {
  page.activeElement = field;
  const last = await type("20", 1000, 180);
  await type([..."12.34", ...ENTER], last + 200, 2);
  assert.deepEqual(withoutMoments(), [["refuse", "012.34<Enter>", 1]]);
  assert.equal(field.value, "20");
});

test("the end of a value that silence had ended takes it back", async () => {
  await type("12.3", 1000, 2);
  await type([..."4", ...ENTER], 1600, 2);
  assert.deepEqual(withoutMoments(), [["take", "12.3"], ["withdraw", 1], ["refuse", "12.34<Enter>", 4]]);
});

test("two whole values without end keys are two values", async () => {
  await type("12.3", 1000, 2);
  await type("45.6", 1600, 2);
  await clock.until(3000);
  assert.deepEqual(withoutMoments(), [["take", "12.3"], ["take", "45.6"]]);
});

test("a burst whose end key is held up is whole all the same", async () => {
  const last = await type("12.34", 1000, 10);
  assert.equal(await strike("Enter", last + 250), true);
  assert.deepEqual(withoutMoments(), [["take", "12.34<Enter>"]]);
});

test("a key that sticks types one character", async () => {
  await strike("1", 1000);
  assert.equal(await strike("1", 1005, { repeat: true }), true);
  await type([..."1.4", ...ENTER], 1010, 10);
  assert.deepEqual(withoutMoments(), [["take", "11.4<Enter>"]]);
});

test("shift is no character, and keys with control, alt or meta are the browser's", async () => {
  await strike("1", 1000);
  await strike("Shift", 1005);
  for (const held of ["ctrlKey", "altKey", "metaKey"]) assert.equal(await strike("5", 1007, { [held]: true }), false);
  await type([..."1.4", ...ENTER], 1010, 10);
  assert.deepEqual(withoutMoments(), [["take", "11.4<Enter>"]]);
});

test("keys of the keypad are digits whatever NumLock says", async () => {
  page.activeElement = field;
  assert.equal(await strike("End", 1000, { code: "Numpad1" }), true);
  await strike("Delete", 1010, { code: "NumpadDecimal" });
  await strike("4", 1020);
  await strike("Enter", 1030, { code: "NumpadEnter" });
  assert.deepEqual(withoutMoments(), [["take", "<End><Delete>4<Enter>"]]);
});

test("another field keeps what is typed there", async () => {
  page.activeElement = { tagName: "INPUT", type: "text" };
  await type([..."12.34", ...ENTER], 1000, 10);
  assert.deepEqual(told, []);
});

test("space beside the fields does what it does, a moment late", async () => {
  let clicked = 0;
  page.activeElement = { tagName: "BUTTON", matches: () => true, click: () => clicked++ };
  assert.equal(await strike(" ", 1000), true);
  await clock.until(2000);
  assert.equal(clicked, 1);
  assert.equal(field.value, "");
});

test("nothing is caught any more once it is stopped", async () => {
  stop();
  await type([..."12.34", ...ENTER], 1000, 10);
  assert.deepEqual(told, []);
});

test("typing goes into fields, lists and editable text, not into buttons and boxes", () => {
  assert.ok(takesText({ tagName: "INPUT", type: "text" }));
  assert.ok(takesText({ tagName: "SELECT" }));
  assert.ok(takesText({ tagName: "TEXTAREA" }));
  assert.ok(takesText({ tagName: "P", isContentEditable: true }));
  assert.equal(takesText({ tagName: "INPUT", type: "checkbox" }), false);
  assert.equal(takesText({ tagName: "BUTTON" }), false);
  assert.equal(takesText(null), false);
});
