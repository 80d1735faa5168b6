import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { entryText, outbox } from "../../api/web/pages/bench/outbox.js";
import { Clock, openWindow, settled } from "./stand_ins.js";

let clock;
let window;
let server; // (path, body) => [status, answer], or throws where it can't be reached
let posted;
let told;
let state;

beforeEach(() => {
  clock = new Clock();
  window = openWindow();
  [posted, told, state] = [[], [], null];
  server = () => [200, { stored: 1 }];
  globalThis.fetch = async (path, { body }) => {
    posted.push(idOf(JSON.parse(body)));
    const [status, answer] = server(path, JSON.parse(body));
    return new Response(JSON.stringify(answer), { status });
  };
});

const idOf = (body) => body.id ?? body[0]?.id ?? `back ${body.reading}`;
const away = () => {
  throw new TypeError("fetch failed");
};
const reading = (id) => [{ id, sent: `sent ${id}` }];

function open(bench = "main") {
  return outbox(bench, {
    answered: (entry, body) => told.push(["answered", idOf(entry.body), body]),
    refused: (entry, error) => told.push(["refused", idOf(entry.body), error.message]),
    changed: (now) => (state = now),
  });
}

async function put(box, ...ids) {
  for (const id of ids) box.put("/api/readings", reading(id));
  await settled();
}

test("entries go in order, each once, and are let go when they are answered", async () => {
  const ids = "lkjihgfedcba".split("");
  server = away;
  const box = open();
  await put(box, ...ids);
  server = () => [200, { stored: 1 }];
  posted = [];
  await box.send();
  assert.deepEqual(posted, ids);
  assert.deepEqual(told, ids.map((id) => ["answered", id, { stored: 1 }]));
  assert.equal(localStorage.length, 0);
  assert.deepEqual(state, { waiting: 0, aside: [], unsaved: false });
});

test("while the server is away everything waits, and is tried again after longer and longer", async () => {
  server = away;
  await put(open(), "a", "b");
  assert.equal(state.waiting, 2);
  await clock.until(499);
  assert.equal(posted.length, 1);
  await clock.until(20_000); // at 0.5, 1.5, 3.5, 7.5, 15.5 s
  assert.deepEqual(posted, Array(6).fill("a"));
  server = () => [200, {}];
  await clock.until(23_500);
  assert.deepEqual(posted.slice(6), ["a", "b"]);
  assert.equal(state.waiting, 0);
});

test("a server that was heard from is asked at once, and so is a network that is back", async () => {
  server = away;
  const box = open();
  await put(box, "a");
  await clock.until(4000);
  posted = [];
  await box.send();
  assert.deepEqual(posted, ["a"]);
  await clock.until(4500);
  assert.deepEqual(posted, ["a", "a"]);
  posted = ["a"];
  window.tell("online");
  await settled();
  assert.deepEqual(posted, ["a", "a"]);
});

test("what a closed page left is sent by the next one, that of its own bench alone", async () => {
  server = away;
  await put(open("main"), "a");
  await put(open("main 2"), "b");
  server = () => [200, {}];
  posted = [];
  await open("main").send();
  assert.deepEqual(posted, ["a"]);
  assert.equal(localStorage.length, 1);
});

for (const status of [409, 422]) {
  test(`what the server read and would not have (${status}) is told and let go`, async () => {
    server = (path, [{ id }]) => (id === "a" ? [status, { detail: "It is no length." }] : [200, {}]);
    await put(open(), "a", "b");
    assert.deepEqual(told, [["refused", "a", "It is no length."], ["answered", "b", {}]]);
    assert.equal(localStorage.length, 0);
  });
}

for (const status of [408, 429, 502, 503, 504]) {
  test(`a server that answers ${status} takes it later`, async () => {
    server = () => [status, {}];
    await put(open(), "a", "b");
    await clock.until(60_000);
    assert.deepEqual([...new Set(posted)], ["a"]);
    assert.deepEqual([state.waiting, state.aside], [2, []]);
  });
}

test("an entry that the server trips over is set aside after four times, and holds nobody up", async () => {
  server = (path, [{ id }]) => (id === "a" ? [500, { detail: "It failed." }] : [200, {}]);
  await put(open(), "a", "b");
  await clock.until(60_000);
  assert.deepEqual(posted, ["a", "a", "a", "a", "b"]);
  assert.equal(state.waiting, 0);
  assert.deepEqual(state.aside.map((entry) => [entryText(entry), entry.why]), [["sent a", "It failed."]]);
});

test("what was set aside is tried again or discarded when a person says so", async () => {
  server = () => [403, { detail: "Not from here." }];
  const box = open();
  await put(box, "a", "b");
  assert.deepEqual(state.aside.map(entryText), ["sent a", "sent b"]);
  server = (path, [{ id }]) => (id === "b" ? [200, {}] : [403, { detail: "Still not." }]);
  await box.retry();
  assert.deepEqual(state.aside.map((entry) => entry.why), ["Still not."]);
  assert.deepEqual(told, [["answered", "b", {}]]);
  box.discard();
  assert.deepEqual(state.aside, []);
  assert.equal(localStorage.length, 0);
});

test("where the browser keeps nothing the page does, and says so", async () => {
  localStorage.full = true;
  server = away;
  await put(open(), "a", "b");
  assert.deepEqual([state.waiting, state.unsaved], [2, true]);
  server = () => [200, {}];
  await clock.until(1000);
  assert.deepEqual(told.map(([, id]) => id), ["a", "b"]);
  assert.deepEqual([state.waiting, state.unsaved], [0, false]);
});

test("the newest reading that waits is the next one to take back, and goes with it where it was set aside", async () => {
  server = away;
  const box = open();
  await put(box, "a", "b");
  assert.equal(box.newest().id, "b");
  box.put("/api/benches/main/take-back", { reading: "b" });
  await settled();
  assert.equal(box.newest().id, "a");
  server = (path, body) => (Array.isArray(body) ? [404, { status: 404, detail: "Not now." }] : [200, {}]);
  await box.send();
  await settled();
  assert.deepEqual(state.aside.map(entryText), ["sent a"]);
});

test("a part that was set aside goes with the taking back of it", async () => {
  server = (path) => (path.endsWith("keys") ? [403, { detail: "No." }] : [200, {}]);
  const box = open();
  box.put("/api/benches/main/keys", { id: "part", strokes: [{ key: "1" }, { key: "Enter" }] });
  await settled();
  assert.deepEqual(state.aside.map(entryText), ["1"]);
  box.put("/api/benches/main/take-back", { reading: "part" });
  await settled();
  assert.deepEqual(posted, ["part", "back part"]);
  assert.deepEqual(state.aside, []);
});

test("the taking back of a part that counts nowhere is through", async () => {
  server = () => [409, { detail: "No series runs." }];
  const box = open();
  box.put("/api/benches/main/take-back", { reading: "part" });
  await settled();
  assert.deepEqual(told, []);
  assert.equal(localStorage.length, 0);
});

test("an entry that another page let go of meanwhile does not come back", async () => {
  server = () => {
    localStorage.removeItem(localStorage.key(0));
    return [403, { detail: "No." }];
  };
  await put(open(), "a");
  assert.equal(localStorage.length, 0);
  assert.deepEqual(state.aside, []);
});

test("an entry is called after what was typed or struck", () => {
  assert.equal(entryText({ body: [{ sent: "11.41" }] }), "11.41");
  assert.equal(entryText({ body: { strokes: [{ key: "1" }, { key: "." }, { key: "4" }, { key: "Enter" }] } }), "1.4");
  assert.equal(entryText({ body: { reading: "a" } }), "to take back a part of a value");
});

// The last test of this file: access that has ended stays so until the page is loaded again.
test("what was typed waits, and is asked about no more, where this browser is let in no more", async () => {
  server = () => [401, { detail: "Not let in." }];
  await put(open(), "a", "b");
  await clock.until(60_000);
  assert.deepEqual(posted, ["a"]);
  assert.deepEqual([state.waiting, state.aside, localStorage.length], [2, [], 2]);
});
