"""Answers about calipers and their studies."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from api.instruments.calipers import Heard
from api.web.shapes import Out
from api.web.shapes.scores import IntervalOut


class ComponentOut(Out):
    """A source of scatter: its standard deviation in mm and its interval. `hidden`: the rest
    hides it, so it is given as zero."""

    sd: float
    interval: IntervalOut
    hidden: bool


class SpotStudyOut(Out):
    """A same-spot study: one series, or several people's of the same spots.

    repeatability: equipment variation (ISO 5725-2; ASTM E2782), the others as defined there: null
    where the design of the study does not show it. tolerance_fraction: 6 gauge / tolerance, of
    `tolerance_mm` from end to end. distinct_categories: sizes of these spots told apart.
    """

    series: list[UUID]
    started_at: datetime
    people: list[str]
    spots: int
    readings: int
    repeatability: ComponentOut | None
    repeatability_degrees_of_freedom: int | None
    reproducibility: ComponentOut | None
    gauge: ComponentOut | None
    parts: ComponentOut | None
    distinct_categories: int | None
    tolerance_mm: float | None
    tolerance_fraction: float | None
    tolerance_fraction_interval: IntervalOut | None
    sentence: str
    laid_out: str


class EstimateOut(Out):
    """An estimate with its expanded uncertainty at 95 %, null with too few readings."""

    estimate: float
    standard_uncertainty: float | None
    expanded_uncertainty: float | None


class BlockOut(Out):
    """One block: its stated size, how far that may be off, null where it is not said, and how far
    the caliper read off it, in mm."""

    series: list[UUID]
    size_mm: float
    size_within_mm: float | None
    readings: int
    error: EstimateOut


class BlockCheckOut(Out):
    """Known blocks read together: reading = offset + (1 + scale) * size.

    offset in mm; scale is a ratio, null with blocks of one size. A block's stated size enters with
    the bound given for it, and is exact without one.
    """

    series: list[UUID]
    started_at: datetime
    blocks: list[BlockOut]
    readings: int
    offset: EstimateOut | None
    scale: EstimateOut | None
    residual_sd_mm: float | None
    sentence: str


class CaliperUntilOut(Out):
    """When a caliper is due for its next check, by known blocks or on one spot: fields as of a
    machine's stop. note: which limit its checks are held to, and what is known of the block."""

    of: str
    good_until: datetime | None
    chance: float | None
    until: str
    note: str


class CaliperStudiesOut(Out):
    """The studies of a caliper, the oldest first. `blocks_now`: of each size the latest. `until`:
    when its next checks are due."""

    name: str
    same_spot: list[SpotStudyOut]
    known_block: list[BlockCheckOut]
    blocks_now: BlockCheckOut | None
    until: list[CaliperUntilOut]


class CaliperOnRecord(Out):
    """A caliper that is listened to, or was heard at some time.

    name: what it is called; heard_as: the names its readings come in under.
    heard: `here` by this server, `elsewhere` by a bench program, `page` by the Bench page, or
    `not now`. state: that of an instrument (waiting, listening, quiet, unplugged, trouble,
    stopped), or "not listened to". words: the state, for a person. message: what to do,
    where something can be done. spec: how it is listened to here. remembered: at the next
    start too. jaw_width_mm: of its flat jaws, null where it is not said.
    check_days: a person's own interval between checks; certificate: of it, or of its block.
    same_spot: the latest such study; known_block: of each size the latest.
    """

    name: str
    bench: str | None
    heard: Heard
    state: str
    message: str
    words: str
    first_heard: datetime | None
    last_heard: datetime | None
    readings: int
    spec: str | None
    remembered: bool
    jaw_width_mm: float | None
    heard_as: list[str]
    note: str | None
    readings_unit: str | None
    retired: bool
    check_days: int | None
    certificate: str | None
    same_spot: SpotStudyOut | None
    known_block: BlockCheckOut | None
