"""SenML (RFC 8428): readings as sensor measurements, in JSON, lengths in metres.

Metres because its registry of units (12.1) has no millimetre and advises against prefixes.
Values and times are exact decimals.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import lru_cache
from typing import Final

from analysis.units import trimmed
from api.exports.columns import Blocks, Table

MEDIA_TYPE: Final = "application/senml+json"
_ALL: Final = "bothends:"
# What a name may hold (RFC 8428, 4.5.1), except the character that escapes the rest.
_OTHER: Final = re.compile(r"[^A-Za-z0-9:./-]")


def senml_chunks(table: Table, blocks: Blocks) -> Iterator[bytes]:
    """One pack, a record a reading; the blocks come in the order of time (RFC 8428, 4.4).

    A pack has one record or more (2), and a record a value or a sum (4.2): where there is no
    reading, one says that the sum of none is zero.
    """
    yield b"["
    ids, benches, calipers, lengths, moments = (
        table.index(name) for name in ("reading_id", "bench", "caliper", "reading_mm", "taken_at")
    )
    first = True
    for block in blocks:
        records = [
            f'{{"n":"{sensor_name(bench, caliper)}","u":"m","t":{seconds(moment)},'
            f'"v":{metres(length)},"reading_id":"{reading}"}}'
            for reading, bench, caliper, length, moment in zip(
                *(block[i] for i in (ids, benches, calipers, lengths, moments)), strict=True
            )
        ]
        yield ("\n" if first else ",\n").encode() + ",\n".join(records).encode()
        first = False
    if first:
        yield f'\n{{"n":"{_ALL}","u":"m","s":0}}'.encode()
    yield b"\n]\n"


@lru_cache(maxsize=4096)
def sensor_name(bench: str, caliper: str) -> str:
    """`bothends:BENCH:CALIPER`, with each byte that no name may hold as `_` and two hex digits."""
    return f"{_ALL}{_named(bench)}:{_named(caliper)}"


def _named(text: str) -> str:
    # The colon separates the two, so that no two instruments share a name.
    return _OTHER.sub(
        lambda found: "".join(f"_{byte:02x}" for byte in found[0].encode()), text
    ).replace(":", "_3a")


def metres(millimetres: str) -> str:
    """Exact millimetres, to a nanometre, as exact metres: "12.34" is "0.01234"."""
    sign = "-" if millimetres.startswith("-") else ""
    whole, _, rest = millimetres.lstrip("-").partition(".")
    digits = f"{whole}{rest:0<6}".rjust(10, "0")
    return trimmed(f"{sign}{digits[:-9]}.{digits[-9:]}")


def seconds(moment: str) -> str:
    """RFC 3339 as exact seconds since 1970 began, leap seconds not counted."""
    since = datetime.fromisoformat(moment) - datetime(1970, 1, 1, tzinfo=UTC)
    whole = since.days * 86_400 + since.seconds
    return trimmed(f"{whole}.{since.microseconds:06d}")
