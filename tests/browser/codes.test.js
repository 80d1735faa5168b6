import assert from "node:assert/strict";
import { test } from "node:test";

import { codeIn, deviceName, leftWords, sentence, typed } from "../../api/web/pages/shared/codes.js";

test("a code is taken out of the fragment of an address, and out of nothing else", () => {
  assert.equal(codeIn("#join=ABCDE12345"), "ABCDE12345");
  assert.equal(codeIn("#join=abcde-12345"), "ABCDE12345");
  for (const other of ["", "#", "#content", "#join=", "#joined=ABCDE12345"]) assert.equal(codeIn(other), "");
});

test("dashes, spaces and small letters of a typed code do not matter, and a pasted address is its code", () => {
  for (const text of ["abcde12345", " ABCDE-12345 ", "abc de1 23-45", "http://192.0.2.7:8017/bench/saw#join=ABCDE12345"]) {
    assert.deepEqual(typed(text), { code: "ABCDE12345", wrong: "" });
  }
});

test("a code that is no code says what is missing", () => {
  assert.equal(typed(" - ").wrong, "Type the code that is shown or printed.");
  assert.equal(typed("A").wrong, "A code has 10 letters and digits; 1 has been typed.");
  assert.equal(typed("ABCDE123456").wrong, "A code has 10 letters and digits; 11 have been typed.");
});

test("a device that nobody named is called by what it is", () => {
  const agents = {
    iPhone: "Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1.15",
    "Android phone": "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 Chrome/126.0.0.0 Mobile Safari/537.36",
    "Android tablet": "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 Chrome/126.0.0.0 Safari/537.36",
    "Linux computer": "Mozilla/5.0 (X11; Linux x86_64; rv:128.0) Gecko/20100101 Firefox/128.0",
    Mac: "Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15",
    device: "",
  };
  for (const [name, agent] of Object.entries(agents)) assert.equal(deviceName(agent), name);
});

test("what is left of a time is read at a glance", () => {
  assert.deepEqual([600, 599.2, 61, 60, 58.01, 1, 0, -3].map(leftWords), ["10 min 0 s", "10 min 0 s", "1 min 1 s", "1 min 0 s", "59 s", "1 s", "0 s", "0 s"]);
});

test("a sentence of the server begins and ends as one", () => {
  assert.equal(sentence("this code was used; ask for a new one"), "This code was used; ask for a new one.");
  assert.equal(sentence("Ended."), "Ended.");
});
