import assert from "node:assert/strict";
import { test } from "node:test";

import { benchPage } from "../../api/web/pages/shared/addresses.js";

test("each bench has one page, whatever its name", () => {
  assert.equal(benchPage("main"), "/");
  assert.equal(benchPage("by the window/2"), "/bench/by%20the%20window%2F2");
  assert.equal(benchPage("Nordwänd <b>&2"), "/bench/Nordw%C3%A4nd%20%3Cb%3E%262");
});
