"""Calipers, and what studies showed of each."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

from sqlalchemy import Connection

from analysis.units import trimmed
from api.answers.caliper_studies import BlockStudy, Estimate, SpotStudy, caliper_studies
from api.answers.studies import KNOWN_BLOCK, SAME_SPOT
from api.exports.columns import (
    Blocks,
    Column,
    Join,
    Table,
    in_blocks,
    length_text,
    moment_text,
)
from api.exports.wanted import Wanted
from api.store.rows.calipers import said_of_calipers

CALIPERS: Final = Table(
    name="calipers",
    title="Calipers: what was said of each instrument",
    columns=(
        Column("caliper", "name", "what it is called now"),
        Column("heard_as", "name", "the names that its readings came with, as a JSON list"),
        Column("first_heard_at", "moment", "when it was heard first, in UTC"),
        Column("jaw_width_mm", "decimal", "of its flat jaws, where said", "mm"),
        Column("readings_unit", "word", "mm or in: what its numbers without a unit count"),
        Column("check_days", "integer", "days between checks, where a person said so"),
        Column("certificate", "name", "what certifies it, or the block that it is checked with"),
        Column("note", "name", "what was noted"),
        Column("retired_at", "moment", "since when it is out of the lists, in UTC"),
    ),
    key=("caliper",),
)
STUDIES: Final = Table(
    name="caliper_studies",
    title="Studies of calipers: how well each repeats, and how it reads known blocks",
    columns=(
        Column("caliper", "name", "the caliper that was studied"),
        Column("series_id", "id", "the first series of the study"),
        Column("all_series", "words", "the ids of all its series"),
        Column("method", "word", "same-spot, or known-block"),
        Column("started_at", "moment", "when it began, in UTC; of blocks the last series"),
        Column("readings", "integer", "how many readings it rests on"),
        Column("repeatability_mm", "number", "standard deviation: one person, one spot", "mm"),
        Column("repeatability_df", "integer", "degrees of freedom of that"),
        Column("reproducibility_mm", "number", "standard deviation from person to person", "mm"),
        Column("gauge_mm", "number", "both together", "mm"),
        Column("blocks_mm", "decimals", "the stated sizes of the blocks", "mm"),
        Column("offset_mm", "number", "reading = offset + (1 + scale) * stated size", "mm"),
        Column("offset_standard_uncertainty_mm", "number", "of the offset", "mm"),
        Column("offset_expanded_uncertainty_mm", "number", "of the offset, at 95 %", "mm"),
        Column("scale", "number", "relative error of the scale; of two sizes or more"),
        Column("scale_standard_uncertainty", "number", "of the scale"),
        Column("scale_expanded_uncertainty", "number", "of the scale, at 95 %"),
        Column("residual_sd_mm", "number", "scatter about the line through the blocks", "mm"),
    ),
    key=("caliper", "series_id"),
    joins=(Join("caliper", "calipers", "caliper"), Join("series_id", "series", "series_id")),
)


def calipers(connection: Connection, wanted: Wanted) -> Blocks:  # noqa: ARG001
    """All calipers."""
    yield from in_blocks(
        (
            said.name,
            json.dumps(said.heard_as, ensure_ascii=False),
            moment_text(said.first_heard),
            length_text(said.jaw_width_nm),
            said.readings_unit,
            said.check_days,
            said.certificate,
            said.note,
            None if said.retired_at is None else moment_text(said.retired_at),
        )
        for said in said_of_calipers(connection)
    )


def studies(connection: Connection, wanted: Wanted) -> Blocks:  # noqa: ARG001
    """The studies of all calipers, each caliper's by their beginning."""
    yield from in_blocks(_rows(connection))


def _rows(connection: Connection) -> Iterator[tuple[Any, ...]]:
    for said in said_of_calipers(connection):
        found = caliper_studies(connection, said.name)
        both: list[SpotStudy | BlockStudy] = [*found.same_spot, *found.known_block]
        for study in sorted(both, key=lambda each: (each.started_at, each.series)):
            shown = _spots(study) if isinstance(study, SpotStudy) else _known(study)
            yield (
                said.name,
                str(study.series[0]),
                " ".join(map(str, study.series)),
                SAME_SPOT if isinstance(study, SpotStudy) else KNOWN_BLOCK,
                moment_text(study.started_at),
                study.readings,
                *shown,
            )


def _spots(study: SpotStudy) -> tuple[Any, ...]:
    parts = (study.repeatability, study.reproducibility, study.gauge)
    repeatability, reproducibility, gauge = (each and each.sd for each in parts)
    df = study.repeatability_degrees_of_freedom
    return (repeatability, df, reproducibility, gauge, "", *(None,) * 7)


def _known(study: BlockStudy) -> tuple[Any, ...]:
    sizes = " ".join(trimmed(f"{block.size_mm:.6f}") for block in study.blocks)
    scale = _estimate(study.scale)
    return (*(None,) * 4, sizes, *_estimate(study.offset), *scale, study.residual_sd_mm)


def _estimate(found: Estimate | None) -> tuple[float | None, ...]:
    if found is None:
        return (None, None, None)
    return (found.estimate, found.standard_uncertainty, found.expanded_uncertainty)
