"""What a refusal says to a person: no name of the API, no option, in any sentence."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import api

_ROOM = Path(api.__file__).parent
_ERRORS = {"InvalidField": 1, "Conflict": 0, "NotFound": 0}
# Said to who starts the program.
_OPTIONS_ARE_MEANT = {"access.py", "benches.py", "listening.py"}


def _sentences() -> Iterator[tuple[str, str]]:
    for path in _ROOM.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            if node.func.id not in _ERRORS:
                continue
            for argument in node.args[_ERRORS[node.func.id] :]:
                texts = [c.value for c in ast.walk(argument) if isinstance(c, ast.Constant)]
                yield path.name, " ".join(t for t in texts if isinstance(t, str))


def test_a_refusal_names_no_field_path_and_no_option():
    found = list(_sentences())
    assert len(found) > 100
    odd = re.compile(r"[a-z]_[a-z]|[a-z]\.[a-z]+\.|(?<!\w)--?[a-z]+-?[a-z]*\b|\b[0-9]+\.[a-z]")
    said = [each for each in found if odd.search(each[1]) and each[0] not in _OPTIONS_ARE_MEANT]
    assert said == []
