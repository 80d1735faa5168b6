"""Which reading is at which position of which trial: what joins trials and readings."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, Text, cast, select

from api.exports.changed import changed_trials
from api.exports.columns import Blocks, Column, Join, Table, group_id_texts, id_texts
from api.exports.wanted import Wanted, fetch
from api.store.facts import method_as_stored
from api.store.statements import as_sent
from api.store.tables import Series, Trial, TrialReading

TABLE: Final = Table(
    name="trial_readings",
    title="The readings that count in each trial, and the place that each is of",
    columns=(
        Column("trial_id", "id", "the trial"),
        Column("slot", "integer", "the reading's position in reading order, from 0"),
        Column("place", "name", "what was read there, as the ends are named now"),
        Column("reading_id", "id", "the reading"),
    ),
    key=("trial_id", "slot"),
    joins=(
        Join("trial_id", "trials", "trial_id"),
        Join("reading_id", "readings", "reading_id"),
    ),
)


def blocks(connection: Connection, wanted: Wanted) -> Blocks:
    """The slots of the trials wanted; with `after`, all slots of those that changed since."""
    query = (
        select(
            as_sent(TrialReading.trial_id),
            TrialReading.slot,
            Series.method,
            cast(Series.method_data, Text),
            TrialReading.place,
            as_sent(TrialReading.reading_id),
        )
        .outerjoin(Trial, Trial.id == TrialReading.trial_id)
        .outerjoin(Series, Series.id == Trial.series_id)
        .order_by(TrialReading.trial_id, TrialReading.slot)
    )
    query = wanted.of_series(query)
    if wanted.since is not None:
        query = query.where(Trial.taken_at >= wanted.since)
    if wanted.after is not None:
        query = query.where(TrialReading.trial_id.in_(changed_trials(connection, wanted)))
    for trials, slots, methods, own, places, readings in fetch(connection, query):
        keys = [
            method_as_stored(key, definition).places[place].key
            for key, definition, place in zip(methods, own, places, strict=True)
        ]
        yield [group_id_texts(trials), slots, keys, id_texts(readings)]
