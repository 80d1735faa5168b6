"""Machines, their stops, what happened to them, and the works that are made on them."""

from __future__ import annotations

import json
from typing import Any, Final

from sqlalchemy import Connection, Select, select

from api.exports.columns import (
    Blocks,
    Column,
    Join,
    Table,
    degrees,
    given_length_texts,
    group_id_texts,
    id_texts,
    moment_texts,
)
from api.exports.signed import SIGNED, names_of
from api.exports.wanted import Wanted, fetch
from api.store.rows.machines import merged_into
from api.store.statements import as_sent
from api.store.tables import Machine, SetupChange, Stop, Work

MACHINES: Final = Table(
    name="machines",
    title="Machines",
    columns=(
        Column("machine_id", "id", "the machine; the same in every pull"),
        Column("machine", "name", "what it is called"),
        Column("kind", "name", "what it is"),
        Column("created_at", "moment", "when it was named first, in UTC"),
        Column("note", "name", "what was noted"),
        Column("retired_at", "moment", "since when it is out of the lists, in UTC"),
        Column("merged_into", "id", "the machine that it turned out to be one with"),
        *SIGNED,
    ),
    key=("machine_id",),
    joins=(Join("merged_into", "machines", "machine_id"),),
)
STOPS: Final = Table(
    name="stops",
    title="Stops: named settings of machines",
    columns=(
        Column("stop_id", "id", "the stop; the same in every pull"),
        Column("machine_id", "id", "its machine"),
        Column("name", "name", "what it is called"),
        Column(
            "nominal_deg",
            "decimal",
            "its nominal angle; positive: the open end of a cut leans to the right",
            "deg",
        ),
        Column(
            "bevel_deg",
            "decimal",
            "its nominal bevel; positive: a cut leans to the right going up",
            "deg",
        ),
        Column("created_at", "moment", "when it was named first, in UTC"),
        Column("note", "name", "what was noted"),
        Column("retired_at", "moment", "since when it is out of the lists, in UTC"),
        Column("check_days", "integer", "days between checks, where a person said so"),
        *SIGNED,
    ),
    key=("stop_id",),
    joins=(Join("machine_id", "machines", "machine_id"),),
)
SETUP_CHANGES: Final = Table(
    name="setup_changes",
    title="Setup changes: what happened to a machine between two series",
    columns=(
        Column("setup_change_id", "id", "the setup change; the same in every pull"),
        Column("machine_id", "id", "the machine"),
        Column("kind", "name", "what happened"),
        Column("at", "moment", "when, in UTC"),
        Column("note", "name", "what was noted"),
        Column("recorded_at", "moment", "when it was said, in UTC"),
        Column("withdrawn_at", "moment", "since when it is known not to have happened, in UTC"),
        *SIGNED,
    ),
    key=("setup_change_id",),
    joins=(Join("machine_id", "machines", "machine_id"),),
)
WORKS: Final = Table(
    name="works",
    title="Works: what is made, and what it needs",
    columns=(
        Column("work_id", "id", "the work; the same in every pull"),
        Column("work", "name", "what it is called"),
        Column("unit", "word", "mm or in: what its lengths were given in"),
        Column("tolerance_deg", "number", "good enough: within so much of nominal", "deg"),
        Column("gap_mm", "decimal", "good enough: at most this gap", "mm"),
        Column("joint_mm", "decimal", "over a joint of this length", "mm"),
        Column(
            "parts",
            "object",
            "how many joints or pieces of which length are cut at which machine and stop, where"
            " said",
        ),
        Column("note", "name", "what was noted"),
        Column("created_at", "moment", "when it was named first, in UTC"),
        Column("retired_at", "moment", "since when it is out of the lists, in UTC"),
        *SIGNED,
    ),
    key=("work_id",),
)


def machines(connection: Connection, wanted: Wanted) -> Blocks:
    """All machines; with a machine, that one and those that were merged into it. None of these
    tables is narrowed by a moment: they say what the rows of others mean."""
    query = select(
        as_sent(Machine.id),
        Machine.name,
        Machine.kind,
        as_sent(Machine.created_at),
        Machine.note,
        as_sent(Machine.retired_at),
        as_sent(Machine.merged_into),
        *names_of(Machine),
    ).order_by(Machine.id)
    if wanted.machine is not None:
        merged = merged_into(connection, wanted.machine)
        query = query.where(Machine.id.in_([wanted.machine, *merged]))
    for ids, names, kinds, created, notes, retired, merged_ids, *by in fetch(connection, query):
        yield [
            id_texts(ids),
            names,
            kinds,
            moment_texts(created),
            notes,
            moment_texts(retired),
            group_id_texts(merged_ids),
            *by,
        ]


def stops(connection: Connection, wanted: Wanted) -> Blocks:
    """The stops of the machine wanted, or of all."""
    query = select(
        as_sent(Stop.id),
        as_sent(Stop.machine_id),
        Stop.name,
        Stop.nominal_deg,
        Stop.bevel_deg,
        as_sent(Stop.created_at),
        Stop.note,
        as_sent(Stop.retired_at),
        Stop.check_days,
        *names_of(Stop),
    ).order_by(Stop.id)
    for block in fetch(connection, _of_machine(query, Stop.machine_id, wanted)):
        ids, machine_ids, names, nominal, bevel, created, notes, retired, days, *by = block
        yield [
            id_texts(ids),
            group_id_texts(machine_ids),
            names,
            nominal,
            bevel,
            moment_texts(created),
            notes,
            moment_texts(retired),
            days,
            *by,
        ]


def setup_changes(connection: Connection, wanted: Wanted) -> Blocks:
    """The setup changes of the machine wanted, or of all, also those that were withdrawn."""
    query = select(
        as_sent(SetupChange.id),
        as_sent(SetupChange.machine_id),
        SetupChange.kind,
        as_sent(SetupChange.at),
        SetupChange.note,
        as_sent(SetupChange.recorded_at),
        as_sent(SetupChange.withdrawn_at),
        *names_of(SetupChange),
    ).order_by(SetupChange.id)
    for block in fetch(connection, _of_machine(query, SetupChange.machine_id, wanted)):
        ids, machine_ids, kinds, at, notes, recorded, withdrawn, *by = block
        yield [
            id_texts(ids),
            group_id_texts(machine_ids),
            kinds,
            moment_texts(at),
            notes,
            moment_texts(recorded),
            moment_texts(withdrawn),
            *by,
        ]


def works(connection: Connection, wanted: Wanted) -> Blocks:  # noqa: ARG001
    """All works."""
    query = select(
        as_sent(Work.id),
        Work.name,
        Work.unit,
        Work.tolerance_deg,
        Work.gap,
        Work.joint,
        Work.parts,
        Work.note,
        as_sent(Work.created_at),
        as_sent(Work.retired_at),
        *names_of(Work),
    ).order_by(Work.id)
    for block in fetch(connection, query):
        ids, names, units, tolerances, gaps, joints, parts, notes, created, retired, *by = block
        yield [
            id_texts(ids),
            names,
            units,
            [degrees(text) for text in tolerances],
            given_length_texts(gaps, units),
            given_length_texts(joints, units),
            [None if said is None else json.dumps(said, ensure_ascii=False) for said in parts],
            notes,
            moment_texts(created),
            moment_texts(retired),
            *by,
        ]


def _of_machine(query: Select[Any], column: Any, wanted: Wanted) -> Select[Any]:
    return query if wanted.machine is None else query.where(column == wanted.machine)
