"""The whole history as a zipped Tabular Data Package (Frictionless Data Package 1.0).

`datapackage.json` says of every table what its columns mean, their types and units, and
what joins them, so that a program can read it without further information.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import Connection

from analysis.rules import RULES
from api import VERSION
from api.exports import changes, readings, trial_readings, trials
from api.exports.columns import Column, Kind, Table, moment_text
from api.exports.csv import csv_chunks
from api.exports.wanted import Wanted
from api.exports.write_buffer import WriteBuffer

MEDIA_TYPE: Final = "application/zip"
_PARTS: Final = (trials, readings, trial_readings, changes)
_TYPES: Final[dict[Kind, dict[str, str]]] = {
    "id": {"type": "string", "format": "uuid"},
    "moment": {"type": "datetime", "format": "%Y-%m-%dT%H:%M:%S.%fZ"},
    "integer": {"type": "integer"},
    "number": {"type": "number"},
    "decimal": {"type": "number"},
    "truth": {"type": "boolean"},
}
_TEXT: Final = {"type": "string"}
_JOINS: Final = (("trial_id", "trials"), ("reading_id", "readings"))


def package_chunks(connection: Connection, wanted: Wanted) -> Iterator[bytes]:
    """The zip, member by member as it is written."""
    buffer = WriteBuffer()
    # Deflate's fastest level: the tables still shrink to a fifth, and the server stays responsive.
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("datapackage.json", json.dumps(descriptor(wanted), indent=2) + "\n")
        yield buffer.take()
        for part in _PARTS:
            with archive.open(f"{part.TABLE.name}.csv", "w", force_zip64=True) as member:
                for chunk in csv_chunks(part.TABLE, part.blocks(connection, wanted)):
                    member.write(chunk)
                    yield buffer.take()
    yield buffer.take()


def descriptor(wanted: Wanted) -> dict[str, Any]:
    """What `datapackage.json` says."""
    return {
        "profile": "tabular-data-package",
        "name": "bothends-history",
        "title": "Caliper readings and the trials made of them",
        "description": "Text that a spreadsheet would run as a formula has an apostrophe before"
        " it. Of several rows with the same key in successive pulls, the last counts.",
        "created": moment_text(datetime.now(UTC)),
        "bothends": VERSION,
        "rules": RULES,
        "resources": [_resource(part.TABLE, wanted) for part in _PARTS],
    }


def _resource(table: Table, wanted: Wanted) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(column, table) for column in table.columns],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }
    # A part of the history may refer to rows of an earlier pull.
    if table is trial_readings.TABLE and wanted == Wanted():
        schema["foreignKeys"] = [
            {"fields": field, "reference": {"resource": other, "fields": field}}
            for field, other in _JOINS
        ]
    return {
        "profile": "tabular-data-resource",
        "name": table.name.replace("_", "-"),
        "path": f"{table.name}.csv",
        "title": table.title,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "header": True},
        "schema": schema,
    }


def _field(column: Column, table: Table) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, **_TYPES.get(column.kind, _TEXT)}
    field["description"] = column.meaning
    if column.unit:
        field["unit"] = column.unit
    if column.name in table.key:
        field["constraints"] = {"required": True}
    return field
