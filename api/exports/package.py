"""The whole history as a zipped Tabular Data Package (Frictionless Data Package 1.0).

`datapackage.json` says of every table what its columns mean, their types and units, and
what joins them, so that a program can read it without further information.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import Connection

from analysis.rules import RULES
from api import VERSION
from api.exports import (
    calipers,
    changes,
    machines,
    readings,
    series,
    trial_readings,
    trials,
)
from api.exports.columns import Blocks, Column, Join, Kind, Table, moment_text
from api.exports.csv import csv_chunks
from api.exports.wanted import Wanted
from api.exports.write_buffer import WriteBuffer

MEDIA_TYPE: Final = "application/zip"
_Blocks = Callable[[Connection, Wanted], Blocks]
_PARTS: Final[tuple[tuple[Table, _Blocks], ...]] = (
    (trials.TABLE, trials.blocks),
    (readings.TABLE, readings.blocks),
    (trial_readings.TABLE, trial_readings.blocks),
    (changes.TABLE, changes.blocks),
    (series.TABLE, series.blocks),
    (machines.MACHINES, machines.machines),
    (machines.STOPS, machines.stops),
    (machines.SETUP_CHANGES, machines.setup_changes),
    (machines.WORKS, machines.works),
    (calipers.CALIPERS, calipers.calipers),
    (calipers.STUDIES, calipers.studies),
)
_TYPES: Final[dict[Kind, dict[str, str]]] = {
    "id": {"type": "string", "format": "uuid"},
    # The zone is read, so that the moments that come out have one.
    "moment": {"type": "datetime", "format": "%Y-%m-%dT%H:%M:%S.%f%z"},
    "integer": {"type": "integer"},
    "number": {"type": "number"},
    "decimal": {"type": "number"},
    "truth": {"type": "boolean"},
    "object": {"type": "object"},
}
_TEXT: Final = {"type": "string"}


def package_chunks(connection: Connection, wanted: Wanted) -> Iterator[bytes]:
    """The zip, member by member as it is written."""
    buffer = WriteBuffer()
    # Deflate's fastest level: the tables still shrink to a fifth, and the server stays responsive.
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("datapackage.json", json.dumps(descriptor(wanted), indent=2) + "\n")
        yield buffer.take()
        for table, blocks in _PARTS:
            with archive.open(f"{table.name}.csv", "w", force_zip64=True) as member:
                for chunk in csv_chunks(table, blocks(connection, wanted)):
                    member.write(chunk)
                    yield buffer.take()
    yield buffer.take()


def descriptor(wanted: Wanted) -> dict[str, Any]:
    """What `datapackage.json` says."""
    return {
        "profile": "tabular-data-package",
        "name": "bothends-history",
        "title": "Caliper readings, the trials made of them, and all that was set and said",
        "description": "Text that a spreadsheet would run as a formula has an apostrophe before"
        " it. Of several rows with the same key in successive pulls, the last counts.",
        "created": moment_text(datetime.now(UTC)),
        "bothends": VERSION,
        "rules": RULES,
        "resources": [_resource(table, wanted) for table, _ in _PARTS],
    }


def _resource(table: Table, wanted: Wanted) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(column, table) for column in table.columns],
        "missingValues": [""],
        "primaryKey": list(table.key),
    }
    # A part of the history may refer to rows of an earlier pull.
    if table.joins and wanted == Wanted():
        schema["foreignKeys"] = [_foreign_key(join, table) for join in table.joins]
    said = {"description": table.note} if table.note else {}
    return {
        "profile": "tabular-data-resource",
        "name": _resource_name(table.name),
        "path": f"{table.name}.csv",
        "title": table.title,
        **said,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "header": True},
        "schema": schema,
    }


def _resource_name(table: str) -> str:
    return table.replace("_", "-")


def _foreign_key(join: Join, table: Table) -> dict[str, Any]:
    # A resource refers to itself by an empty name (Table Schema 1.0, foreign keys).
    other = "" if join.table == table.name else _resource_name(join.table)
    return {"fields": join.column, "reference": {"resource": other, "fields": join.theirs}}


def _field(column: Column, table: Table) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, **_TYPES.get(column.kind, _TEXT)}
    field["description"] = column.meaning
    if column.unit:
        field["unit"] = column.unit
    if column.name in table.key:
        field["constraints"] = {"required": True}
    return field
