"""SECURITY.md promises what is tested, and says of each operation what the server asks for."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest
from fastapi import FastAPI

from tests.api.conftest import application, upgraded_file  # noqa: F401 (fixtures)
from tests.manual import ROOT
from tests.needs import SECURITY, table, with_table, written

TEXT = SECURITY.read_text(encoding="utf-8")
PROMISES = TEXT.partition("## What is promised")[2].partition("\n## ")[0]
_NAMED = re.compile(r"`(tests/[\w/.]+?\.py)(?:::(\w+))?`")


@cache
def known_in(file: Path) -> frozenset[str]:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    return frozenset(
        node.name
        for node in ast.walk(tree)
        if isinstance(node, functions) and node.name.startswith("test_")
    )


def test_every_test_that_it_names_is_there() -> None:
    named = _NAMED.findall(TEXT)
    assert len(named) > 50
    for file, test in named:
        assert (ROOT / file).is_file(), file
        assert known_in(ROOT / file), file
        assert not test or test in known_in(ROOT / file), (file, test)


def test_every_promise_names_a_test() -> None:
    promises = [line for line in PROMISES.splitlines() if line.startswith("| ")]
    promises = [line for line in promises if not line.startswith(("| promise", "| ---"))]
    assert len(promises) > 20
    for line in promises:
        _, _promise, shown, _ = re.split(r" ?\| ?", line)
        assert _NAMED.search(shown), line


def test_what_each_operation_needs_is_what_the_openapi_document_says(
    application: FastAPI,  # noqa: F811
) -> None:
    """After a change: `python -m tests.needs --write`."""
    made = table(application.openapi())
    assert made.count("\n") > 60
    assert written(TEXT) == made
    # A change would be seen, and nothing else is written over.
    assert written(with_table(TEXT, made.replace("admin", "read"))) != made
    assert with_table(TEXT, made) == TEXT


def test_a_text_without_room_for_the_table_is_left_alone() -> None:
    with pytest.raises(ValueError, match=r"tests\.needs --write"):
        with_table("# Security\n", "| a |\n")
