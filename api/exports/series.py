"""Series, one row each: all that was set, with the formula that its results follow from."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Connection, Text, cast, select

from analysis.definition import FORMULA, definition
from analysis.geometry import at_stop
from api.exports.columns import (
    Blocks,
    Column,
    Join,
    Table,
    degrees,
    given_length_texts,
    group_id_texts,
    id_texts,
    length_text,
    moment_texts,
)
from api.exports.corrected import Corrected
from api.exports.signed import SIGNED, began
from api.exports.wanted import Wanted, fetch
from api.store.facts import method_as_stored
from api.store.statements import as_sent
from api.store.tables import Bench, Machine, Series, Stop, Work

TABLE: Final = Table(
    name="series",
    title="Series: trials of one machine, method and setup, with every setting",
    columns=(
        Column("series_id", "id", "the series; the same in every pull"),
        Column("machine_id", "id", "the machine that was checked"),
        Column("machine", "name", "what it is called"),
        Column("stop_id", "id", "the stop of the machine that its strips were cut at"),
        Column("stop", "name", "what it is called"),
        Column("nominal_deg", "number", "the stop's nominal angle", "deg"),
        Column("bevel_deg", "number", "the stop's nominal bevel", "deg"),
        Column("method", "word", "what was cut and read"),
        Column(
            "definition",
            "object",
            "the method as it measured this series: its places in reading order, and how each"
            " result follows from them (see the description of this table)",
        ),
        Column("bench", "name", "where it was measured"),
        Column("unit", "word", "mm or in: what its lengths were given in"),
        Column("baseline_mm", "decimal", "the length that the method asks for, exact", "mm"),
        Column("baseline_within_mm", "decimal", "how far that may be off", "mm"),
        Column("thickness_mm", "decimal", "the thickness of the board, exact", "mm"),
        Column("thickness_within_mm", "decimal", "how far that may be off", "mm"),
        Column("inset_mm", "decimal", "from a strip's end to the middle of the jaws, exact", "mm"),
        Column("inset_within_mm", "decimal", "how far that may be off", "mm"),
        Column("jaw_width_mm", "decimal", "of the flat jaws that measured, where said", "mm"),
        Column("straightness_mm", "decimal", "how far edge or fence may be from straight", "mm"),
        Column("strip_side", "word", "left or right: where the strip fell at the last cut"),
        Column("repeats", "integer", "how often each place is read, one after the other"),
        Column("pieces", "integer", "of how many pieces a frame is, where said"),
        Column("strips", "integer", "how many were planned, said before the first one"),
        Column("readings_unit", "word", "in which unit its readings are read, where corrected"),
        Column("tolerance_deg", "number", "good enough: within so much of nominal", "deg"),
        Column("tolerance_gap_mm", "decimal", "good enough: at most this gap", "mm"),
        Column("tolerance_joint_mm", "decimal", "over a joint of this length", "mm"),
        Column("tolerance_length_mm", "decimal", "good enough: within so much", "mm"),
        Column("tolerance_nominal_mm", "decimal", "of this length", "mm"),
        Column("note", "name", "what was noted"),
        Column("person", "name", "who measured, where said"),
        Column("work_id", "id", "the work that its verdict is for, where said"),
        Column("work", "name", "what that is called"),
        Column("started_at", "moment", "when it began, in UTC"),
        Column("finished_at", "moment", "when it ended, in UTC; empty while it runs"),
        Column("corrected", "words", "the settings that were said otherwise before"),
        *SIGNED,
    ),
    key=("series_id",),
    joins=(
        Join("machine_id", "machines", "machine_id"),
        Join("stop_id", "stops", "stop_id"),
        Join("work_id", "works", "work_id"),
    ),
    note=FORMULA,
)


def blocks(connection: Connection, wanted: Wanted) -> Blocks:
    """The series of the machine and method wanted, all of them with `since` or `after` too: they
    say what the rows of other tables mean."""
    query = (
        select(*_SELECTED.values())
        .outerjoin(Machine, Machine.id == Series.machine_id)
        .outerjoin(Stop, Stop.id == Series.stop_id)
        .outerjoin(Bench, Bench.id == Series.bench_id)
        .outerjoin(Work, Work.id == Series.work_id)
        .order_by(Series.id)
    )
    narrowed = wanted.machine is not None or wanted.method is not None
    corrected = Corrected(connection, wanted.of_series(select(Series.id)) if narrowed else None)
    for block in fetch(connection, wanted.of_series(query)):
        said = dict(zip(_SELECTED, block, strict=True))
        ids = id_texts(said["series_id"])
        columns = said | {
            "series_id": ids,
            "definition": list(
                map(_defined, *(said[n] for n in ("method", "own", "nominal_deg", "bevel_deg")))
            ),
            "corrected": corrected.of_whole(ids),
        }
        columns |= {name: group_id_texts(said[name]) for name in _IDS}
        columns |= {name: list(map(degrees, said[name])) for name in _ANGLES}
        columns |= {name: list(map(length_text, said[name])) for name in _EXACT}
        columns |= {name: given_length_texts(said[name], said["unit"]) for name in _GIVEN}
        columns |= {name: moment_texts(said[name]) for name in _MOMENTS}
        yield [columns[name] for name in TABLE.header]


_SELECTED: Final[dict[str, Any]] = {
    "series_id": as_sent(Series.id),
    "machine_id": as_sent(Series.machine_id),
    "machine": Machine.name,
    "stop_id": as_sent(Series.stop_id),
    "stop": Stop.name,
    "nominal_deg": Stop.nominal_deg,
    "bevel_deg": Stop.bevel_deg,
    "method": Series.method,
    "own": cast(Series.method_data, Text),
    "bench": Bench.name,
    "unit": Series.unit,
    "baseline_mm": Series.baseline_nm,
    "baseline_within_mm": Series.baseline_within,
    "thickness_mm": Series.thickness_nm,
    "thickness_within_mm": Series.thickness_within,
    "inset_mm": Series.inset_nm,
    "inset_within_mm": Series.inset_within,
    "jaw_width_mm": Series.jaw_width_nm,
    "straightness_mm": Series.straightness,
    "strip_side": Series.strip_side,
    "repeats": Series.repeats,
    "pieces": Series.pieces,
    "strips": Series.strips,
    "readings_unit": Series.readings_unit,
    "tolerance_deg": Series.tolerance_deg,
    "tolerance_gap_mm": Series.tolerance_gap,
    "tolerance_joint_mm": Series.tolerance_joint,
    "tolerance_length_mm": Series.tolerance_length,
    "tolerance_nominal_mm": Series.tolerance_nominal,
    "note": Series.note,
    "person": Series.person,
    "work_id": as_sent(Series.work_id),
    "work": Work.name,
    "started_at": as_sent(Series.started_at),
    "finished_at": as_sent(Series.finished_at),
    "who": began("person_id", "who"),
    "through": began("pass_id", "through"),
}
_IDS: Final = ("machine_id", "stop_id", "work_id")
_ANGLES: Final = ("nominal_deg", "bevel_deg", "tolerance_deg")
_EXACT: Final = ("baseline_mm", "thickness_mm", "inset_mm", "jaw_width_mm")
_GIVEN: Final = (
    *("baseline_within_mm", "thickness_within_mm", "inset_within_mm", "straightness_mm"),
    *("tolerance_gap_mm", "tolerance_joint_mm", "tolerance_length_mm", "tolerance_nominal_mm"),
)
_MOMENTS: Final = ("started_at", "finished_at")


@lru_cache(maxsize=1024)
def _defined(key: str, own: str | None, nominal: str | None, bevel: str | None) -> str:
    method = at_stop(method_as_stored(key, own), float(nominal or 0), float(bevel or 0))
    return json.dumps(definition(method), ensure_ascii=False)
