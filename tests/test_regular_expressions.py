"""Every regular expression of the program answers soon, whatever it is given.

All of them are found in the source, so that a new one is tried too. Each meets long texts made
of what it matches: one that tries its ways one after the other (quadratic or worse) would not be
done in hours, and the test's limit on time ends it. Those that see short texts only are tried at
the length that they are held to, by what is named beside them. So are those by which pydantic
checks a text, and those that people give to instruments; SQL matches none. What the pages' scripts
match is tried in tests/browser/expressions.test.js.
"""

from __future__ import annotations

import ast
import importlib
import re
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import combinations, islice
from pathlib import Path
from typing import Annotated, Any

import pytest
from pydantic import StringConstraints, TypeAdapter, ValidationError

from capture.errors import PatternError
from capture.lines import LONGEST
from capture.values import Pattern, Value, read_value

ROOT = Path(__file__).parents[1]
LONG = 300_000  # characters
_CALLS = ("compile", "match", "fullmatch", "search", "sub", "split", "findall", "finditer")

# Modules whose expressions see no text longer than this, and why.
HELD_TO = {
    "analysis.uncertainty": 256,  # what a reading may have as sent
    "capture.values": 256,  # lines.LONGEST, checked before any of them
    "capture.lines": 4096,  # a read of a port; a line's buffer is capped at 256 bytes
    "capture.spec": 1000,  # a SPEC over HTTP; else whoever starts the program wrote it
    "api.answers.notebook": 131_072,  # a cell, as csv.field_size_limit() has it
}
# Expressions that see shorter texts than their module's others.
SHORTER = {
    "_HEADING_UNIT": 100,  # _LONGEST_HEADING
    "_NUMBERED": 100,  # _LONGEST_HEADING
}
# Expressions put together while the program runs: what they are made of.
MADE = {
    ("capture.spec", "allowed"): "written in that file, one for each option",
    ("capture.frames", "_WORD[name]"): "written in that file, one for each word",
    ("api.commands.install", ast.unparse(ast.parse("""rf'^SUBSYSTEMS=="usb", {ids}'"""))): (
        "made of two written in that file"
    ),
}


@dataclass(frozen=True)
class Found:
    module: str
    name: str
    pattern: re.Pattern[Any]
    way: str  # how it is applied

    def __str__(self) -> str:
        return f"{self.module} {self.name} {self.way}"


def _modules() -> Iterator[tuple[str, Path]]:
    for room in ("analysis", "capture", "api"):
        for path in sorted((ROOT / room).rglob("*.py")):
            if "migrations" in path.parts:
                continue
            parts = path.relative_to(ROOT).with_suffix("").parts
            yield ".".join(p for p in parts if p != "__init__"), path


def _found() -> Iterator[Found]:
    for name, path in _modules():
        source = path.read_text(encoding="utf-8")
        if not re.search(r"\bre\.\w+\(", source):
            continue
        if name.endswith("_windows"):
            continue
        module = importlib.import_module(name)
        tree = ast.parse(source)
        named = {
            id(node.value): target.id
            for node in ast.walk(tree)
            if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None
            for target in (node.targets if isinstance(node, ast.Assign) else [node.target])
            if isinstance(target, ast.Name)
        }
        for node in ast.walk(tree):
            if not (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and isinstance(node.func.value, ast.Name)
                and node.func.value.id == "re"
                and node.func.attr in _CALLS
            ):
                continue
            if node.func.attr == "compile":
                constant = named[id(node)]
                ways = set(re.findall(rf"\b{constant}\.(\w+)\(", source))
                assert ways, f"{name}: {constant} is not used where it is compiled"
                for way in sorted(ways):
                    yield Found(name, constant, getattr(module, constant), way)
                continue
            first = node.args[0]
            flags = [ast.unparse(a) for a in (*node.args[1:], *(k.value for k in node.keywords))]
            flag = next((eval(f) for f in flags if f.startswith("re.")), 0)
            for choice in (first.body, first.orelse) if isinstance(first, ast.IfExp) else (first,):
                said = ast.unparse(choice)
                if (name, said) in MADE:
                    continue
                try:
                    text = eval(said, dict(vars(module)))
                except NameError:
                    raise AssertionError(f"{name}: {said} is made as it runs; see MADE") from None
                yield Found(name, said, re.compile(text, flag), node.func.attr)


ALL = list(_found())
# The same expression, applied in the same way to texts as long, is tried once.
EACH = list({(found.module, found.pattern, found.way): found for found in ALL}.values())


def _nasty(length: int, *, anywhere: bool = False) -> Iterator[str]:
    """Texts that make an expression begin again and again. anywhere: of an expression that may
    begin at any place, for which the order of two pieces that take turns is one text."""
    pieces = (" ", "0", "9", "a", "e", "-", ".", ",", '"', "/", "_", "=", "(", "\\", ":", "*")
    turns = [*pieces, *(one + other for one, other in combinations(pieces, 2))]
    if not anywhere:
        turns += [other + one for one, other in combinations(pieces, 2)]
    for each in turns:
        yield (each * length)[: length - 1] + "!"
    for end in ("a", "0", " "):
        yield "a" + " " * (length - 2) + end
        yield "0" + "." * (length - 2) + end


@pytest.mark.parametrize("found", EACH, ids=str)
def test_an_expression_is_done_soon(found: Found) -> None:
    length = SHORTER.get(found.name, HELD_TO.get(found.module, LONG))
    begins = found.way in ("match", "fullmatch") or str(found.pattern.pattern).startswith("^")
    for text in _nasty(length, anywhere=not begins):
        given: Any = text.encode() if isinstance(found.pattern.pattern, bytes) else text
        apply = getattr(found.pattern, found.way)
        result = apply("", given) if found.way == "sub" else apply(given)
        if found.way == "finditer":
            list(result)


def _checked() -> Iterator[tuple[str, str]]:
    """The expressions by which pydantic checks a text, and where they are."""
    for name, path in _modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "pattern":
                if isinstance(node.value, ast.Constant):
                    yield name, node.value.value
                else:
                    # What people give to instruments, read by RE2; tried below.
                    assert name.startswith("capture."), f"{name}: {ast.unparse(node.value)}"


CHECKED = list(_checked())


@pytest.mark.parametrize("pattern", [pattern for _, pattern in CHECKED])
def test_what_pydantic_checks_is_done_soon(pattern: str) -> None:
    checked = TypeAdapter(Annotated[str, StringConstraints(pattern=pattern)])
    for text in _nasty(LONG):
        with suppress(ValidationError):
            checked.validate_python(text)


# Each would keep an engine that tries one way after the other busy for years.
GIVEN = [
    *["(?P<value>(0*)*1)", "(?P<value>(0|0)*1)", "(?P<value>(.*)(.*)(.*)(.*)(.*)1)"],
    *["(?P<value>(0?){99}0{99}1)", "(?P<value>([0-9]+)+1)", r"(?P<value>(\w+\s?)+1)"],
]
TOO_LARGE = ["(?P<value>((0{1,999}){1,999}){1,999})", "(?P<value>0{1001})"]


@pytest.mark.parametrize("given", GIVEN)
def test_what_a_person_gives_to_an_instrument_is_done_soon(given: str) -> None:
    pattern = Pattern(given)
    for text in _nasty(LONGEST):
        assert not isinstance(read_value(text, "mm", pattern), Value)
    # Its engine takes as long as the text is.
    for text in islice(_nasty(LONG), 20):
        pattern._compiled.fullmatch(text)


@pytest.mark.parametrize("given", TOO_LARGE)
def test_what_would_take_a_computers_memory_is_refused(given: str) -> None:
    with pytest.raises(PatternError, match="no regular expression that can be used here"):
        Pattern(given)


def test_no_text_is_a_pattern_in_sql() -> None:
    operators = {"like", "ilike", "regexp_match", "regexp_replace", "icontains", "match"}
    for name, path in _modules():
        if not name.startswith("api.store") and "sqlalchemy" not in path.read_text("utf-8"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute):
                assert node.attr not in operators, f"{name}: {ast.unparse(node)}"
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found = re.search(r"\b(I?LIKE|GLOB|SIMILAR TO|REGEXP)\b", node.value)
                assert found is None, f"{name}: {node.value}"


def test_an_expression_comes_from_no_other_place() -> None:
    for name, path in _modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            match node:
                case ast.ImportFrom(module="re" | "re2" | "regex" | "fnmatch"):
                    raise AssertionError(f"{name}: import the module, so that its calls are found")
                case ast.Import(names=names):
                    for each in names:
                        assert each.name not in ("regex", "fnmatch"), name
                        assert each.name != "re" or each.asname is None, name
                        assert each.name != "re2" or name == "capture.values", name
                case ast.keyword(arg="regex_engine"):
                    raise AssertionError(f"{name}: pydantic's own engine never tries again")


def test_the_expressions_are_found() -> None:
    assert len(ALL) > 60
    assert len(CHECKED) >= 1
    assert {"capture.values", "api.answers.notebook", "analysis.units"} <= {f.module for f in ALL}
    assert "re" in sys.modules


def test_a_heading_of_spaces_is_an_unknown_column() -> None:
    from analysis.methods import METHODS
    from api.answers.headings import column_of, headings_of_places

    places = headings_of_places(METHODS.values())
    assert column_of("a" + " " * 1_000_000 + "b" * 200, places) is None
    assert column_of("fence   end \t (mm)", places) is not None
