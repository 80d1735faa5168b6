"""The types in the pages' scripts are those of the server's shapes."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from fastapi import FastAPI
from pydantic import BaseModel

import api.web.app  # noqa: F401 - with it come all shapes
from api.web.pages.shared.static import PAGES
from api.web.shapes import In, Out

INTERFACES = dict(
    re.findall(
        r"^interface (\w+) \{\n(.*?)^\}",
        (PAGES / "shared/shapes.d.ts").read_text(encoding="utf-8"),
        re.MULTILINE | re.DOTALL,
    )
)


def _shapes(base: type[BaseModel]) -> dict[str, type[BaseModel]]:
    found = {}
    for each in base.__subclasses__():
        found |= {each.__name__: each} | _shapes(each)
    return found


OUT = sorted(INTERFACES.keys() & _shapes(Out).keys())
IN = sorted(INTERFACES.keys() & _shapes(In).keys())


def _types(schema: dict[str, Any]) -> set[str]:
    """A JSON schema as TypeScript writes it; of a union each part."""
    if "anyOf" in schema:
        return set().union(*(_types(part) for part in schema["anyOf"]))
    if "enum" in schema:
        return {json.dumps(value) for value in schema["enum"]}
    return {_type(schema)}


def _type(schema: dict[str, Any]) -> str:
    if "$ref" in schema:
        return str(schema["$ref"]).rsplit("/", 1)[-1]
    kind = str(schema["type"])
    if kind == "array":
        return f"{_type(schema['items'])}[]"
    if kind == "object":
        return f"Record<string, {_type(schema['additionalProperties'])}>"
    return "number" if kind == "integer" else kind


def _fields(name: str) -> dict[str, tuple[set[str], bool]]:
    """Of each field its types, and whether it may be missing."""
    found = re.findall(r"^  (\w+)(\??): (.+);$", INTERFACES[name], re.MULTILINE)
    assert len(found) == INTERFACES[name].count("\n"), f"{name}: a line of it is not read here"
    return {field: (set(types.split(" | ")), missing == "?") for field, missing, types in found}


def test_every_shape_that_sounds_like_the_servers_is_compared() -> None:
    sounding = {name for name in INTERFACES if name.endswith(("Out", "In"))}
    assert sounding | {"SeriesHead", "StopHead", "ListedMachine", "Problem", "WrongField"} == {
        *OUT,
        *IN,
    }


@pytest.mark.parametrize("name", OUT)
def test_what_a_page_reads_is_what_the_server_says(name: str) -> None:
    schema = _shapes(Out)[name].model_json_schema(mode="serialization")
    for field, (types, _) in _fields(name).items():
        assert (field, types) == (field, _types(schema["properties"][field]))


@pytest.mark.parametrize("name", IN)
def test_what_a_page_sends_is_what_the_server_takes(name: str) -> None:
    schema = _shapes(In)[name].model_json_schema()
    fields = _fields(name)
    for field, (types, missing) in fields.items():
        assert types <= _types(schema["properties"][field]), field
        assert not (missing and field in schema.get("required", [])), field
    assert set(schema.get("required", [])) <= fields.keys()


@pytest.mark.parametrize(
    ("table", "method", "least"),
    [("Got", "get", 4), ("Posted", "post", 4), ("Deleted", "delete", 2)],
)
def test_each_address_answers_what_a_page_expects(
    application: FastAPI, table: str, method: str, least: int
) -> None:
    paths = application.openapi()["paths"]
    by_address = {re.sub(r"\{[^}]*\}", "{}", path): said for path, said in paths.items()}
    entries = re.findall(r'^  (?:\[\w+: `(.+)`\]|"(.+)"): (.+);$', INTERFACES[table], re.MULTILINE)
    assert len(entries) >= least
    for pattern, plain, expected in entries:
        address = (pattern or plain).removesuffix("?${string}").replace("${string}", "{}")
        answers = by_address[address][method]["responses"]
        (good,) = (answer for status, answer in answers.items() if status.startswith("2"))
        assert _type(good["content"]["application/json"]["schema"]) == expected, pattern or plain
