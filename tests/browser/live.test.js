import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { NOT_LET_IN } from "../../api/web/pages/shared/access.js";
import { listen } from "../../api/web/pages/shared/live.js";
import { Clock, Listeners, openWindow } from "./stand_ins.js";

class Source extends Listeners {
  static CONNECTING = 0;
  static OPEN = 1;
  static CLOSED = 2;
  static all = [];
  readyState = Source.CONNECTING;

  constructor(address) {
    super();
    this.address = address;
    Source.all.push(this);
  }
  close() {
    this.readyState = Source.CLOSED;
  }
  opens() {
    this.readyState = Source.OPEN;
    this.onopen();
  }
  breaks(state) {
    this.readyState = state;
    this.onerror();
  }
  brings(kind, number, data = {}) {
    this.tell(kind, { lastEventId: String(number), data: JSON.stringify(data) });
  }
}

let clock;
let window;
let heard;
let links;
let asked;
let alive; // whether the server answers when it is asked
let answers; // what it answers
const source = () => Source.all.at(-1);

beforeEach(() => {
  clock = new Clock();
  window = openWindow();
  globalThis.document = new Listeners();
  globalThis.EventSource = Source;
  Source.all = [];
  [heard, links, asked, alive] = [[], [], [], true];
  answers = () => new Response("");
  globalThis.fetch = (path, { signal }) => {
    asked.push(path);
    return new Promise((answer, fail) => (alive ? answer(answers()) : signal.addEventListener("abort", fail)));
  };
  listen("saw 1", 40, ({ kind, data }, number) => heard.push([kind, number, data]), (up, why) => links.push(why ?? up));
});

test("it asks for what comes after the last event known", () => {
  assert.equal(source().address, "/api/live?bench=saw%201&after=40");
});

test("each event is heard once, in order", () => {
  source().opens();
  source().brings("reading", 41, { sent: "11.41" });
  source().brings("trial", 42);
  source().brings("reading", 41);
  source().brings("trial", 42);
  source().brings("score", 43);
  assert.deepEqual(heard, [["reading", 41, { sent: "11.41" }], ["trial", 42, {}], ["score", 43, {}]]);
  assert.deepEqual(links, [true]);
});

test("a caliper's state, which has no number of its own, is always heard", () => {
  source().opens();
  source().brings("reading", 41);
  source().brings("caliper", 41, { state: "unplugged" });
  source().brings("caliper", "", { state: "listening" });
  source().brings("bench", "");
  assert.deepEqual(heard.map(([kind]) => kind), ["reading", "caliper", "caliper", "bench"]);
  source().brings("trial", 42);
  assert.equal(heard.length, 5);
});

test("a stream that the browser gave up is begun anew behind what was heard", async () => {
  source().opens();
  source().brings("reading", 41);
  source().breaks(Source.CLOSED);
  await clock.until(1999);
  assert.equal(Source.all.length, 1);
  await clock.until(2000);
  assert.equal(source().address, "/api/live?bench=saw%201&after=41");
  assert.deepEqual(links, [true, false]);
});

test("why a stream is refused is said, and it is tried again when the server says", async () => {
  const problem = { status: 503, headers: { "Retry-After": "15" } };
  answers = () => new Response(JSON.stringify({ detail: "1000 pages follow; close some" }), problem);
  source().breaks(Source.CLOSED);
  await clock.until(1);
  assert.deepEqual(asked, ["/api/live?bench=saw%201&after=40"]);
  assert.deepEqual(links, [false, "1000 pages follow; close some"]);
  await clock.until(14_999);
  assert.equal(Source.all.length, 1);
  await clock.until(15_001);
  assert.equal(Source.all.length, 2);
  source().opens();
  assert.deepEqual(links.slice(2), [true]);
});

test("a stream refused by something else is tried again soon", async () => {
  answers = () => new Response("<h1>Bad gateway</h1>", { status: 502 });
  source().breaks(Source.CLOSED);
  await clock.until(2000);
  assert.deepEqual(links, [false]);
  assert.equal(Source.all.length, 2);
});

test("a stream that the browser mends by itself is left to it", async () => {
  source().opens();
  source().breaks(Source.CONNECTING);
  await clock.until(60_000);
  assert.equal(Source.all.length, 1);
  assert.deepEqual(asked, []);
});

test("after a silence the server is asked; where it answers the stream stays", async () => {
  source().opens();
  await clock.until(19_000);
  source().brings("reading", 41);
  await clock.until(38_999);
  assert.deepEqual(asked, []);
  await clock.until(60_000);
  assert.deepEqual(asked, ["/api/health", "/api/health"]);
  assert.equal(Source.all.length, 1);
});

test("a connection that died without a word is begun anew", async () => {
  source().opens();
  alive = false;
  await clock.until(23_999);
  assert.deepEqual(links, [true]);
  await clock.until(25_999);
  assert.deepEqual(links, [true, false]);
  assert.equal(source().readyState, Source.CLOSED);
  await clock.until(26_000);
  assert.equal(Source.all.length, 2);
});

test("a network that is back is used at once", () => {
  source().opens();
  window.tell("online");
  assert.equal(Source.all.length, 1);
  source().breaks(Source.CONNECTING);
  window.tell("online");
  assert.equal(Source.all.length, 2);
});

// The last test of this file: access that has ended stays so until the page is loaded again.
test("a stream that is refused because access has ended is not opened again", async () => {
  source().opens();
  answers = () => new Response('{"detail": "There is no such access."}', { status: 401 });
  source().breaks(Source.CLOSED);
  await clock.until(60_000);
  window.tell("online");
  assert.equal(Source.all.length, 1);
  assert.equal(asked.length, 1);
  // The streams of the tests above end with it.
  assert.deepEqual([...new Set(links)], [true, false, NOT_LET_IN]);
  assert.ok(Source.all.every((each) => each.readyState === Source.CLOSED));
});
