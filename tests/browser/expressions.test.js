// Every regular expression of the pages is done soon, whatever it is given.
//
// All of them are found in the scripts and templates by TypeScript's own parser, so that a new one is
// tried too. One that tries its ways one after the other (quadratic or worse) would not be done with
// the long texts in hours; those that see short texts only are tried at the length they are held to.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { readFileSync, readdirSync, realpathSync } from "node:fs";
import { createRequire } from "node:module";
import { test } from "node:test";
import vm from "node:vm";

const PAGES = new URL("../../api/web/pages/", import.meta.url);
const LONG = 300_000;
// Scripts whose expressions see no text longer than this, and why.
const HELD_TO = {
  "bench/words.js": 256, // what a reading may have as sent
};

const tsc = realpathSync(execFileSync("which", ["tsc"], { encoding: "utf8" }).trim());
const ts = createRequire(tsc)("../lib/typescript.js");

/** The files of the pages whose names end so, each with its text. */
const files = (end) =>
  readdirSync(PAGES, { recursive: true })
    .filter((name) => name.endsWith(end))
    .sort()
    .map((name) => [name, readFileSync(new URL(name, PAGES), "utf8")]);

/** The literals of a script; fails where an expression is made as it runs. */
function found(name, source) {
  const literals = [];
  const visit = (node) => {
    if (ts.isRegularExpressionLiteral(node)) literals.push(node.text);
    if (ts.isIdentifier(node)) assert.notEqual(node.text, "RegExp", `${name} makes an expression as it runs`);
    if (ts.isCallExpression(node) && ["match", "matchAll", "search"].includes(node.expression.name?.text)) {
      assert.ok(!ts.isStringLiteralLike(node.arguments[0]), `${name} makes an expression of a text`);
    }
    ts.forEachChild(node, visit);
  };
  visit(ts.createSourceFile(name, source, ts.ScriptTarget.Latest, false));
  return literals;
}

const SCRIPTS = files(".js").flatMap(([name, source]) => found(name, source).map((literal) => ({ name, literal })));
// A browser matches the whole of a field, in its v mode.
const FIELDS = files(".html").flatMap(([name, source]) =>
  [...source.matchAll(/\spattern="([^"]*)"/g)].map(([, pattern]) => ({ name, literal: `/^(?:${pattern})$/v` })),
);

/** Texts that make an expression begin again and again. */
function* nasty(length) {
  const pieces = ["", " ", "0", "9", "a", "e", "-", ".", ",", "N", "D", "/", "_", "+"];
  for (const one of pieces) {
    for (const other of pieces) {
      if (one + other) yield (one + other).repeat(length).slice(0, length - 1) + "!";
    }
  }
  for (const end of ["a", "0", " "]) {
    yield "a" + " ".repeat(length - 2) + end;
    yield "0" + ".".repeat(length - 2) + end;
  }
  yield "Numpad" + "a".repeat(length - 7) + "!";
}

/** Whether the expression is done with every nasty text before its limit. */
function done(literal, length, limit_ms) {
  const sandbox = { texts: [...nasty(length)] };
  const each = `const e = ${literal}; for (const t of texts) { e.global ? [...t.matchAll(e)] : e.test(t); }`;
  try {
    vm.runInNewContext(each, sandbox, { timeout: limit_ms });
    return true;
  } catch (error) {
    if (error.code === "ERR_SCRIPT_EXECUTION_TIMEOUT") return false;
    throw error;
  }
}

for (const { name, literal } of [...SCRIPTS, ...FIELDS]) {
  test(`${literal} of ${name} is done soon`, () => {
    assert.ok(done(literal, HELD_TO[name] ?? LONG, 60_000));
  });
}

test("the expressions are found, and one that grows too fast is noticed", () => {
  assert.ok(SCRIPTS.length >= 9);
  assert.deepEqual(
    Object.keys(HELD_TO).filter((name) => !SCRIPTS.some((each) => each.name === name)),
    [],
  );
  assert.equal(done(String.raw`/\s+!$/`, LONG, 500), false);
  assert.throws(() => found("made.js", "export const e = new RegExp(given);"), /as it runs/);
});
