"""A page's scripts in one answer do what they do one by one."""

from __future__ import annotations

import subprocess

import pytest

from api.web.pages.shared.together import NotTogether, together

SCRIPTS = {
    "page/page.js": """import { add as sum, One } from "../shared/sums.js";
import * as state from "./state.js";
import "../shared/alone.js";

async function later() {
  const { twice } = await import("./late.js");
  return twice(sum(state.here.count, new One().value));
}
later().then((found) => console.log(found, globalThis.alone));
""",
    "page/state.js": "export const here = { count: 1 };\n",
    "page/late.js": """import { here } from "./state.js";
export { add } from "../shared/sums.js";
const twice = (/** @type {number} */ n) => 2 * n + here.count;
export { twice };
""",
    "shared/sums.js": """export function add(a, b) {
  return a + b;
}
export class One {
  value = 1;
}
""",
    "shared/alone.js": "globalThis.alone = (globalThis.alone ?? 0) + 1;\n",
}


def test_scripts_together_do_what_they_do_one_by_one(tmp_path):
    for name, text in SCRIPTS.items():
        file = tmp_path / name
        file.parent.mkdir(exist_ok=True)
        file.write_text(text)
    (tmp_path / "package.json").write_text('{"type": "module"}')
    one = tmp_path / "together.js"
    one.write_text(together("page/page.js", SCRIPTS))
    said = [
        subprocess.run(["node", str(file)], capture_output=True, text=True, check=True).stdout
        for file in (tmp_path / "page/page.js", one)
    ]
    assert said == ["5 1\n", "5 1\n"]


@pytest.mark.parametrize(
    ("late", "named"),
    [
        ('import { later } from "./page.js";', "page/page.js imports page/late.js imports page"),
        ("export default 1;", "page/late.js: export default 1;"),
        ('const a = import("./state.js");', "page/late.js: const a"),
    ],
)
def test_what_cannot_be_put_together_is_named(late, named):
    with pytest.raises(NotTogether, match=named):
        together("page/page.js", SCRIPTS | {"page/late.js": late})
