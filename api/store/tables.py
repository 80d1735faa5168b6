"""The tables of the store, the same on SQLite and PostgreSQL.

Source of truth: readings, acts, refusals, changes (append-only, enforced by triggers), machines,
their stops, series, works, calipers, setup changes, people. What of these is corrected is
corrected in its row; `changes` holds what was there before. person_id and pass_id say who did it
(`api.store.authors`). Derived, and rebuilt by replaying the
log: trials, trial_readings, asides, and the series that a bench feeds with the reading that waits
there. `events` numbers what happened, so that a reader can continue after the last one it saw.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any
from uuid import UUID

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeEngine

# BIGINT does not autoincrement on SQLite, where every INTEGER has 64 bits anyway.
_BigId = BigInteger().with_variant(Integer, "sqlite")


class _AsWritten(sqlite.DATETIME):
    """SQLAlchemy's DATETIME of SQLite, for texts that are in its form already."""

    def bind_processor(self, dialect: Dialect) -> None:  # noqa: ARG002
        return None


def _utc(value: datetime | None) -> datetime | None:
    if value is None:
        return None
    if value.tzinfo is None:
        raise ValueError(f"{value!r} has no time zone")
    return value.astimezone(UTC)


def _utc_text(value: datetime | None) -> str | None:
    value = _utc(value)
    return None if value is None else value.replace(tzinfo=None).isoformat(" ", "microseconds")


class Moment(TypeDecorator[datetime]):
    """A moment in UTC: timestamptz on PostgreSQL, ISO text without zone on SQLite."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        kind = (
            _AsWritten()  # type: ignore[no-untyped-call]
            if dialect.name == "sqlite"
            else DateTime(timezone=True)
        )
        return dialect.type_descriptor(kind)

    def bind_processor(self, dialect: Dialect) -> Any:
        # Directly: what SQLAlchemy wraps around it takes longer than the text itself.
        return _utc_text if dialect.name == "sqlite" else super().bind_processor(dialect)

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | str | None:
        return _utc_text(value) if dialect.name == "sqlite" else _utc(value)

    def process_result_value(
        self,
        value: Any,
        dialect: Dialect,  # noqa: ARG002
    ) -> datetime | None:
        if value is None:
            return None
        moment: datetime = value
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


@lru_cache(maxsize=4096)
def _texts_written(texts: tuple[str, ...]) -> str:
    return json.dumps(texts)


@lru_cache(maxsize=4096)
def texts_read(written: str) -> tuple[str, ...]:
    """The value of a column of `Texts`, from its text as the driver gives it.

    Raises ValueError where that is not a JSON list.
    """
    found = json.loads(written)
    if not isinstance(found, list):
        raise ValueError(f"{written!r} is not a list")
    return tuple(found)


class Texts(TypeDecorator[tuple[str, ...]]):
    """A few texts in their order, with any content, as one text: a JSON list."""

    impl = Text
    cache_ok = True

    def process_bind_param(
        self,
        value: tuple[str, ...] | None,
        dialect: Dialect,  # noqa: ARG002
    ) -> str | None:
        return None if value is None else _texts_written(value)

    def process_result_value(
        self,
        value: str | None,
        dialect: Dialect,  # noqa: ARG002
    ) -> tuple[str, ...] | None:
        return None if value is None else texts_read(value)


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012
        datetime: Moment,
        str: Text,
        tuple[str, ...]: Texts,
        dict[str, Any]: JSON,
    }


class Machine(Base):
    """A saw, sled, planer, ... that is being checked.

    retired_at: since when it is out of the lists. merged_into: the machine that all that was
    measured on this one belongs to.
    """

    __tablename__ = "machines"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    kind: Mapped[str]
    created_at: Mapped[datetime]
    note: Mapped[str | None]
    retired_at: Mapped[datetime | None]
    # No foreign key: a move copies machines in the order of their ids.
    merged_into: Mapped[UUID | None]
    person_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))
    pass_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))


class Stop(Base):
    """A named setting of a machine, with its nominal angle and bevel.

    nominal_deg, bevel_deg: exact decimals as texts; an angle is positive where the open end of the
    cut leans to the right, a bevel where the cut leans to the right going up. They change only
    while no series belongs to the stop. check_days: a person's own interval between checks.
    """

    __tablename__ = "stops"
    __table_args__ = (UniqueConstraint("machine_id", "name"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    machine_id: Mapped[UUID] = mapped_column(ForeignKey("machines.id"))
    name: Mapped[str]
    nominal_deg: Mapped[str]
    bevel_deg: Mapped[str]
    created_at: Mapped[datetime]
    note: Mapped[str | None]
    retired_at: Mapped[datetime | None]
    check_days: Mapped[int | None]
    person_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))
    pass_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))


class Work(Base):
    """What is made, and what it needs: a tolerance as of a series, at most one.

    parts: how many joints or pieces of which length are cut at which machine and stop, which it
    names by their ids; None where only the need is said.
    """

    __tablename__ = "works"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    unit: Mapped[str] = mapped_column(String(2))
    tolerance_deg: Mapped[str | None]
    gap: Mapped[str | None]
    joint: Mapped[str | None]
    parts: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    note: Mapped[str | None]
    created_at: Mapped[datetime]
    retired_at: Mapped[datetime | None]
    person_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))
    pass_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))


class Bench(Base):
    """A place with one order of readings and acts: `last_seq` is the latest number given.

    A writer locks its row, so each number is used once, in order of commit.
    """

    __tablename__ = "benches"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    last_seq: Mapped[int] = mapped_column(_BigId, default=0)
    # How far the clock of a remote bench was behind ours, and when that was measured.
    clock_behind_ms: Mapped[int | None] = mapped_column(BigInteger)
    clock_checked_at: Mapped[datetime | None]
    # No foreign key: series refer to their bench, and two tables cannot each be created first.
    series_id: Mapped[UUID | None]
    # The reading that waits for an answer there.
    awaiting: Mapped[UUID | None]
    # How often settings of its series were corrected, which its log does not hold.
    corrected: Mapped[int] = mapped_column(default=0, server_default="0")


class Caliper(Base):
    """An instrument, heard under `name`, which its readings come with, and called `shown`. Rows
    with the same `shown` are one instrument.

    jaw_width_nm: of its flat jaws, None where not said. readings_unit: what a number without a unit
    counts, in series that begin since. retired_at: since when it is out of the lists.
    """

    __tablename__ = "calipers"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    first_heard_at: Mapped[datetime]
    jaw_width_nm: Mapped[int | None] = mapped_column(BigInteger)
    # The default is for the rows of older stores, while a step fills them.
    shown: Mapped[str] = mapped_column(index=True, server_default="")
    note: Mapped[str | None]
    readings_unit: Mapped[str | None] = mapped_column(String(2))
    retired_at: Mapped[datetime | None]
    # A person's own interval between checks of it.
    check_days: Mapped[int | None]
    # What certifies it, or the block that it is checked with.
    certificate: Mapped[str | None]


class Series(Base):
    """What is measured, on which machine and bench, and with what settings.

    Lengths are stored exactly in nanometres and as they were given. A tolerance is at most one
    of an angle (degrees), a gap over a joint's length, and a length around a nominal one.
    """

    __tablename__ = "series"
    __table_args__ = (
        Index("ix_series_machine_id_started_at", "machine_id", "started_at"),
        Index("ix_series_method_started_at", "method", "started_at"),
        Index("ix_series_started_at_id", "started_at", "id"),
        Index(
            "ix_series_machine_id_stop_id_method_strip_side",
            "machine_id",
            "stop_id",
            "method",
            "strip_side",
            "started_at",
            "id",
        ),
    )

    id: Mapped[UUID] = mapped_column(primary_key=True)
    machine_id: Mapped[UUID] = mapped_column(ForeignKey("machines.id"))
    bench_id: Mapped[int] = mapped_column(ForeignKey("benches.id"), index=True)
    method: Mapped[str] = mapped_column(String(64))
    unit: Mapped[str] = mapped_column(String(2))
    baseline: Mapped[str | None]
    baseline_nm: Mapped[int | None] = mapped_column(BigInteger)
    thickness: Mapped[str | None]
    thickness_nm: Mapped[int | None] = mapped_column(BigInteger)
    inset: Mapped[str]
    inset_nm: Mapped[int] = mapped_column(BigInteger)
    strip_side: Mapped[str] = mapped_column(String(5))
    repeats: Mapped[int]
    pieces: Mapped[int | None]
    tolerance_deg: Mapped[str | None]
    tolerance_gap: Mapped[str | None]
    tolerance_joint: Mapped[str | None]
    tolerance_length: Mapped[str | None]
    tolerance_nominal: Mapped[str | None]
    note: Mapped[str | None]
    person: Mapped[str | None]
    # The definition of a method of the user's own: what was measured by it keeps its meaning
    # when the file it came from is changed or taken away.
    method_data: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    # How far these lengths may be off, and edge or fence from straight: bounds, in `unit`.
    baseline_within: Mapped[str | None]
    inset_within: Mapped[str | None]
    straightness: Mapped[str | None]
    started_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]
    thickness_within: Mapped[str | None]
    # Of the flat jaws that measured; None: not said.
    jaw_width_nm: Mapped[int | None] = mapped_column(BigInteger)
    # How many strips were to be cut, said before the first one.
    strips: Mapped[int | None]
    # In which unit all its readings are to be read, where not in the one they were kept with.
    readings_unit: Mapped[str | None] = mapped_column(String(2))
    # Where it is not said: the machine's own `square`. Empty only in a store that lost the stop.
    stop_id: Mapped[UUID | None] = mapped_column(ForeignKey("stops.id"), index=True)
    # The work that its verdict is for.
    work_id: Mapped[UUID | None] = mapped_column(ForeignKey("works.id"))


class RulesSaid(Base):
    """By which rules the verdicts of this store were said, and since when: a row for each number
    of the rules that it met. The last one said has the greatest. A store that was filled before
    the rules had a number has no row of that time.

    changed: the verdicts that these rules changed when the store met them, None where none was
    compared; seen_at: when a person was told of them.
    """

    __tablename__ = "rules_said"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    rules: Mapped[int] = mapped_column(unique=True)
    program: Mapped[str]
    said_at: Mapped[datetime]
    changed: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    seen_at: Mapped[datetime | None]


class Reading(Base):
    """One value as sent; `seq` is its number in its bench's order. Append-only.

    pass_id: by which pass it was handed over; none of what a caliper of this computer sent.
    """

    __tablename__ = "readings"
    __table_args__ = (UniqueConstraint("bench_id", "seq"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    bench_id: Mapped[int] = mapped_column(ForeignKey("benches.id"))
    seq: Mapped[int] = mapped_column(BigInteger)
    caliper_id: Mapped[int] = mapped_column(ForeignKey("calipers.id"))
    sent: Mapped[str]
    unit: Mapped[str] = mapped_column(String(2))
    nm: Mapped[int] = mapped_column(BigInteger)
    taken_at: Mapped[datetime]
    kept_at: Mapped[datetime]
    origin: Mapped[str] = mapped_column(String(8))
    since_previous_ms: Mapped[int | None] = mapped_column(BigInteger)
    late: Mapped[bool]
    pass_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))


class Person(Base):
    """A person or a pass that is named as an author or in the trail of changes."""

    __tablename__ = "people"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)


class Change(Base):
    """What was said about a measurement and is said otherwise now: the trail. Append-only.

    act: the same for the changes of one request. subject: an id as text, or the name a caliper is
    heard under. series_id, trial and reading_id: what it is about, where it is about one. undoes:
    the change that this one undoes.
    """

    __tablename__ = "changes"
    __table_args__ = (Index("ix_changes_subject_kind_subject", "subject_kind", "subject"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    act: Mapped[UUID] = mapped_column(index=True)
    at: Mapped[datetime]
    person_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))
    reason: Mapped[str | None]
    subject_kind: Mapped[str] = mapped_column(String(16))
    subject: Mapped[str]
    series_id: Mapped[UUID | None] = mapped_column(ForeignKey("series.id"), index=True)
    trial: Mapped[int | None]
    reading_id: Mapped[UUID | None] = mapped_column(ForeignKey("readings.id"))
    field: Mapped[str] = mapped_column(String(32))
    before: Mapped[Any] = mapped_column(JSON(none_as_null=True), nullable=True)
    after: Mapped[Any] = mapped_column(JSON(none_as_null=True), nullable=True)
    undoes: Mapped[UUID | None] = mapped_column(ForeignKey("changes.id"), index=True)
    pass_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))


class Act(Base):
    """What was done at a bench other than measuring, and the corrections of its series that change
    its trials. Append-only.

    change_id: the change that a correction is, which has its author. data: what a question or a
    move says.
    """

    __tablename__ = "acts"
    __table_args__ = (UniqueConstraint("bench_id", "seq"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    bench_id: Mapped[int] = mapped_column(ForeignKey("benches.id"))
    seq: Mapped[int] = mapped_column(BigInteger)
    kind: Mapped[str] = mapped_column(String(16))
    series_id: Mapped[UUID | None] = mapped_column(ForeignKey("series.id"), index=True)
    layout: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    reading_id: Mapped[UUID | None] = mapped_column(ForeignKey("readings.id"))
    trial: Mapped[int | None]
    at: Mapped[datetime]
    change_id: Mapped[UUID | None] = mapped_column(ForeignKey("changes.id"))
    data: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    person_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))
    pass_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))


class Refusal(Base):
    """Something an instrument sent that is not a reading, as received (escaped). Append-only."""

    __tablename__ = "refusals"

    id: Mapped[UUID] = mapped_column(primary_key=True)
    bench_id: Mapped[int] = mapped_column(ForeignKey("benches.id"), index=True)
    caliper_id: Mapped[int] = mapped_column(ForeignKey("calipers.id"))
    raw: Mapped[str]
    reason: Mapped[str]
    heard_at: Mapped[datetime]


class SetupChange(Base):
    """What happened to a machine between two series. withdrawn_at: since when it is known not to
    have happened."""

    __tablename__ = "setup_changes"
    __table_args__ = (Index("ix_setup_changes_machine_id_at", "machine_id", "at"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    machine_id: Mapped[UUID] = mapped_column(ForeignKey("machines.id"))
    kind: Mapped[str] = mapped_column(String(32))
    at: Mapped[datetime]
    note: Mapped[str | None]
    recorded_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]
    person_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))
    pass_id: Mapped[UUID | None] = mapped_column(ForeignKey("people.id"))


class Trial(Base):
    """A trial as replaying the log gives it, with its computed values. Derived."""

    __tablename__ = "trials"
    __table_args__ = (UniqueConstraint("series_id", "number"),)

    id: Mapped[UUID] = mapped_column(primary_key=True)
    series_id: Mapped[UUID] = mapped_column(ForeignKey("series.id"))
    number: Mapped[int]
    state: Mapped[str] = mapped_column(String(8))
    swapped: Mapped[bool]
    flags: Mapped[tuple[str, ...]]
    taken_at: Mapped[datetime | None]
    readings_mm: Mapped[str]
    deviation_mm: Mapped[str | None]
    angle_deg: Mapped[float | None]
    tilt_deg: Mapped[float | None]
    length_mm: Mapped[float | None]
    expanded_uncertainty_deg: Mapped[float | None]
    calipers: Mapped[tuple[str, ...]]
    # Strips that were cut without moving the machine away from its stop share a number.
    visit: Mapped[int] = mapped_column(server_default="1")


class TrialReading(Base):
    """Which reading is in which slot of a trial, and the place it was read at. Derived.

    unit and nm: how its series reads it, where not as it was kept.
    """

    __tablename__ = "trial_readings"

    trial_id: Mapped[UUID] = mapped_column(
        ForeignKey("trials.id", ondelete="CASCADE"), primary_key=True
    )
    slot: Mapped[int] = mapped_column(primary_key=True)
    place: Mapped[int]
    reading_id: Mapped[UUID] = mapped_column(ForeignKey("readings.id"), index=True)
    unit: Mapped[str | None] = mapped_column(String(2))
    nm: Mapped[int | None] = mapped_column(BigInteger)


class Aside(Base):
    """A reading that a series heard and that is in no trial, and why. Derived."""

    __tablename__ = "asides"

    reading_id: Mapped[UUID] = mapped_column(ForeignKey("readings.id"), primary_key=True)
    series_id: Mapped[UUID] = mapped_column(ForeignKey("series.id"), index=True)
    why: Mapped[str] = mapped_column(String(16))


class Event(Base):
    """Something a page may want to know. `data` is what the subject's row does not say."""

    __tablename__ = "events"
    __table_args__ = (
        Index("ix_events_bench_id_id", "bench_id", "id"),
        Index("ix_events_kind_id", "kind", "id"),
        {"sqlite_autoincrement": True},  # a number is never used twice
    )

    id: Mapped[int] = mapped_column(_BigId, primary_key=True)
    bench_id: Mapped[int] = mapped_column(ForeignKey("benches.id"))
    kind: Mapped[str] = mapped_column(String(16))
    subject: Mapped[UUID | None]
    data: Mapped[dict[str, Any]]
    at: Mapped[datetime]


APPEND_ONLY = ("readings", "acts", "refusals", "changes")
