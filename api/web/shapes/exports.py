"""What an export holds, as JSON Schema says it, by its table and format."""

from __future__ import annotations

from typing import Any, Final

from api.exports import formats, senml
from api.exports.columns import Column, Kind, Table

_TYPES: Final[dict[Kind, dict[str, Any]]] = {
    "id": {"type": "string", "format": "uuid"},
    "name": {"type": "string"},
    "word": {"type": "string"},
    "words": {"type": "array", "items": {"type": "string"}},
    "moment": {"type": "string", "format": "date-time"},
    "integer": {"type": "integer"},
    "number": {"type": "number"},
    "decimal": {"type": "number"},
    "decimals": {"type": "array", "items": {"type": "number"}},
    "truth": {"type": "boolean"},
}
_NEVER_NULL: Final = ("words", "decimals", "truth")
_PACK: Final = {
    "type": "array",
    "minItems": 1,
    "description": "A pack, a record a reading; lengths in metres, moments in seconds since 1970."
    " Where there is no reading, one record with the sum of none.",
    "items": {
        "type": "object",
        "required": ["n", "u"],
        "properties": {
            "n": {"type": "string", "description": "bothends:BENCH:CALIPER"},
            "u": {"const": "m"},
            "t": {"type": "number"},
            "v": {"type": "number"},
            "s": {"type": "number"},
            "reading_id": _TYPES["id"],
        },
    },
}


def content_of(what: str, form: str) -> dict[str, Any]:
    """The content of an answer with the table `what` in the format `form`, by its media type."""
    media_type = formats.FORMATS[form].media_type.partition(";")[0]
    return {media_type: {"schema": _schema(formats.TABLES[what].TABLE, form, media_type)}}


def file_of(media_type: str) -> dict[str, Any]:
    """The content of an answer with a file that is no text."""
    file = {"type": "string", "format": "binary", "contentMediaType": media_type}
    return {media_type: {"schema": file}}


def row_schema(table: Table) -> dict[str, Any]:
    """The schema of a row as JSON Lines have it."""
    return {
        "type": "object",
        "required": list(table.header),
        "properties": {column.name: _cell(column) for column in table.columns},
        "additionalProperties": False,
    }


def _schema(table: Table, form: str, media_type: str) -> dict[str, Any]:
    text = {"type": "string", "contentMediaType": media_type}
    if media_type == senml.MEDIA_TYPE:
        return _PACK
    if form == "csv":
        return text | {"description": f"The header, and a line a row: {', '.join(table.header)}."}
    if form == "jsonl":
        return text | {
            "description": "A line a row; `contentSchema` is that of one.",
            "contentSchema": row_schema(table),
        }
    schema: dict[str, Any] = file_of(media_type)[media_type]["schema"]
    return schema


def _cell(column: Column) -> dict[str, Any]:
    unit = f", in {column.unit}" if column.unit else ""
    found = _TYPES[column.kind] | {"description": column.meaning + unit}
    if column.kind not in _NEVER_NULL:
        found["type"] = [found["type"], "null"]
    return found
