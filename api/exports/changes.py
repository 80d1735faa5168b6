"""The trail of corrections, one row each."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, or_, select

from api.exports.columns import (
    Blocks,
    Column,
    Join,
    Table,
    group_id_texts,
    id_texts,
    moment_texts,
)
from api.exports.wanted import Wanted, fetch
from api.store.authors import name_of
from api.store.rows.changes import PERSON, called, people_by_id
from api.store.statements import as_sent
from api.store.tables import Change, Series

TABLE: Final = Table(
    name="changes",
    title="Corrections: what was said of a measurement and is said otherwise since",
    columns=(
        Column("id", "id", "the change; the same in every pull"),
        Column("act", "id", "the same for all changes of one request"),
        Column("at", "moment", "when it was made, in UTC"),
        Column("who", "name", "who made it: the person named, else the pass"),
        Column("reason", "name", "why, where said"),
        Column("subject_kind", "name", "series, machine, stop, work, caliper or setup change"),
        Column("subject", "name", "its id; of a caliper, the name it is heard under"),
        Column("series_id", "id", "the series it is about"),
        Column("trial", "integer", "the number of the trial it is about"),
        Column("reading_id", "id", "the reading it is about"),
        Column("field", "name", "what was corrected"),
        Column("before", "name", "what was said before, as JSON; empty where nothing"),
        Column("after", "name", "what is said since, as JSON; empty where nothing"),
        Column("undoes", "id", "the change that this one undoes"),
        Column("through", "name", "the pass by which it came, from another computer"),
    ),
    key=("id",),
    joins=(
        Join("series_id", "series", "series_id"),
        Join("reading_id", "readings", "reading_id"),
        Join("undoes", "changes", "id"),
    ),
)


def blocks(connection: Connection, wanted: Wanted) -> Blocks:
    """The changes in order; with a machine or method, those of its series; with `since` or
    `after`, those made since."""
    query = select(
        as_sent(Change.id),
        as_sent(Change.act),
        as_sent(Change.at),
        name_of(Change.person_id, "who"),
        Change.reason,
        Change.subject_kind,
        Change.subject,
        as_sent(Change.series_id),
        Change.trial,
        as_sent(Change.reading_id),
        Change.field,
        Change.before,
        Change.after,
        as_sent(Change.undoes),
        name_of(Change.pass_id, "through"),
    ).order_by(Change.id)
    if wanted.machine is not None or wanted.method is not None:
        query = query.where(Change.series_id.in_(wanted.of_series(select(Series.id))))
    if wanted.since is not None:
        query = query.where(Change.at >= wanted.since)
    if wanted.after:
        query = query.where(_made_or_renamed(wanted))
    people = people_by_id(connection)
    for ids, acts, at, who, why, kinds, subjects, series, *rest in fetch(connection, query):
        trials, readings, fields, before, after, undoes, through = rest
        yield [
            id_texts(ids),
            id_texts(acts),
            moment_texts(at),
            *(who, why, kinds, subjects),
            group_id_texts(series),
            trials,
            group_id_texts(readings),
            fields,
            [_json(value) for value in _called(fields, before, people)],
            [_json(value) for value in _called(fields, after, people)],
            group_id_texts(undoes),
            through,
        ]


def _made_or_renamed(wanted: Wanted) -> ColumnElement[bool]:
    """Those that were made after `wanted.after`, also by a merge, which tells of each series alone;
    and those that name a person who was renamed."""
    renamed = wanted.subjects_of("person")
    return or_(
        Change.id.in_(wanted.subjects_of("correction")),
        Change.series_id.in_(wanted.subjects_of("series")),
        Change.person_id.in_(renamed),
        Change.pass_id.in_(renamed),
        (Change.field == PERSON) & renamed.exists(),
    )


def _called(fields: Sequence[str], values: Sequence[Any], people: Mapping[str, str]) -> list[Any]:
    return [
        called(value, people) if field == PERSON else value
        for field, value in zip(fields, values, strict=True)
    ]


def _json(value: Any) -> str | None:
    return None if value is None else json.dumps(value, ensure_ascii=False)
