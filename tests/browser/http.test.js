import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { NOT_LET_IN, whenEnded } from "../../api/web/pages/shared/access.js";
import { Refused, Unreachable, get, memory, patch, post, remove, uuid7 } from "../../api/web/pages/shared/http.js";
import { Clock, openWindow } from "./stand_ins.js";

beforeEach(openWindow);

const answer = (text, status) => (globalThis.fetch = async () => new Response(text, { status }));

test("an id is a UUID of version 7 that sorts by when it was made", () => {
  const moment = Date.UTC(2026, 0, 5, 12);
  const id = uuid7(moment);
  assert.match(id, /^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
  assert.equal(parseInt(id.replaceAll("-", "").slice(0, 12), 16), moment);
  assert.ok(uuid7(moment + 1) > id);
  assert.notEqual(uuid7(moment), id);
});

test("what the server does not take says what to do and which fields are meant", async () => {
  const errors = [{ field: "baseline", message: "is needed" }];
  answer(JSON.stringify({ title: "Unprocessable", detail: "Give a baseline.", errors }), 422);
  await assert.rejects(post("/api/series"), (error) => {
    assert.ok(error instanceof Refused);
    assert.deepEqual([error.status, error.message, error.errors], [422, "Give a baseline.", errors]);
    return true;
  });
});

test("an answer that is no JSON is a refusal with its status", async () => {
  answer("<h1>Bad gateway</h1>", 502);
  await assert.rejects(get("/api/health"), { status: 502, message: "The server answered 502 with something that is not JSON." });
  answer("{}", 500);
  await assert.rejects(get("/api/health"), { status: 500, message: "The server answered 500.", errors: [] });
  answer("", 200);
  assert.deepEqual(await get("/api/health"), {});
});

test("no answer at all is told apart from a refusal", async () => {
  globalThis.fetch = async () => {
    throw new TypeError("fetch failed");
  };
  await assert.rejects(get("/api/health"), Unreachable);
});

test("each kind of request goes out as what it is, and is refused alike", async () => {
  const asked = [];
  globalThis.fetch = async (path, options) => {
    asked.push([path, options.method, options.body, options.headers?.["Content-Type"]]);
    return new Response('{"detail": "Not now."}', { status: 409 });
  };
  await assert.rejects(post("/api/series", { unit: "mm" }), { status: 409, message: "Not now." });
  await assert.rejects(patch("/api/series/1", { note: "" }), { status: 409, message: "Not now." });
  await assert.rejects(remove("/api/identify"), { status: 409, message: "Not now." });
  assert.deepEqual(asked, [
    ["/api/series", "POST", '{"unit":"mm"}', "application/json"],
    ["/api/series/1", "PATCH", '{"note":""}', "application/json"],
    ["/api/identify", "DELETE", undefined, undefined],
  ]);
});

test("of a server that is asked too much the page waits, and asks again", async () => {
  const clock = new Clock();
  const asked = [];
  globalThis.fetch = async (path, options) => {
    asked.push([clock.now, options.body]);
    const headers = { "Retry-After": "2" };
    return asked.length < 3 ? new Response('{"detail": "Go on more slowly."}', { status: 429, headers }) : new Response("{}");
  };
  const said = post("/api/series", { unit: "mm" });
  await clock.until(60_000);
  assert.deepEqual(await said, {});
  assert.deepEqual(asked, [0, 2000, 4000].map((at) => [at, '{"unit":"mm"}']));
});

test("a page does not wait without an end, nor for long", async () => {
  const clock = new Clock();
  for (const [after, times] of [["1", 5], ["3600", 1], ["", 1]]) {
    let asked = 0;
    globalThis.fetch = async () => {
      asked++;
      return new Response('{"detail": "Go on more slowly."}', { status: 429, headers: { "Retry-After": after } });
    };
    const refused = assert.rejects(get("/api/machines"), { status: 429, message: "Go on more slowly." });
    await clock.until(clock.now + 60_000);
    await refused;
    assert.equal(asked, times);
  }
});

test("settings are kept in this browser, under keys that begin alike", () => {
  assert.equal(memory.get("sounds", true), true);
  assert.ok(memory.set("sounds", false));
  assert.equal(memory.get("sounds", true), false);
  memory.set("outbox main 1", {});
  assert.deepEqual(memory.keys("outbox "), ["outbox main 1"]);
  memory.remove("outbox main 1");
  assert.deepEqual(memory.keys("outbox "), []);
});

test("a browser that keeps nothing, or something else, takes nothing away from the page", () => {
  localStorage.full = true;
  assert.equal(memory.set("sounds", false), false);
  localStorage.full = false;
  localStorage.setItem("bothends sounds", "{");
  assert.equal(memory.get("sounds", true), true);
  delete globalThis.localStorage;
  assert.equal(memory.get("sounds", true), true);
  assert.deepEqual(memory.keys(""), []);
  memory.remove("sounds");
});

// The last test of this file: access that has ended stays so until the page is loaded again.
test("once the server lets this browser in no more, that is told once and nothing more is asked", async () => {
  let asked = 0;
  let told = 0;
  whenEnded(() => told++);
  globalThis.fetch = async () => {
    asked++;
    return new Response('{"detail": "There is no such access."}', { status: 401 });
  };
  await assert.rejects(get("/api/machines"), { status: 401, message: "There is no such access." });
  await assert.rejects(post("/api/series"), { status: 401, message: NOT_LET_IN });
  await assert.rejects(get("/api/machines"), Refused);
  whenEnded(() => told++);
  assert.deepEqual([asked, told], [1, 2]);
});
