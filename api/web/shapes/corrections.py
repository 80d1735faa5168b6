"""Corrections of what was said of a measurement, and their trail."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import Field

from analysis.units import Unit
from api.answers.settings import FEWEST_PIECES, MOST_PIECES, MOST_STRIPS
from api.web.shapes import CorrectionIn, LengthText, Name, Note, Out
from api.web.shapes.series_list import SeriesLine


class SeriesChangeIn(CorrectionIn):
    """What is corrected of a series; what is left out stays, null clears what may be absent.

    Fields as in a series to start. machine, stop: by id or name; a machine without a stop takes the
    series to the same stop there, made if missing. work: what the verdict is for, by id or name; it
    says what is needed in place of a tolerance, and a tolerance takes the place of a work. method:
    one that reads the same places. unit: that of the lengths, whose numbers stay. readings_unit: in
    which unit all its readings were sent that do not say one themselves; null, as they were kept. A
    tolerance of another kind takes the place of the one before. strips: only before the first one
    is read.
    """

    machine: Name | None = None
    stop: Name | None = None
    work: Name | None = None
    method: Name | None = None
    baseline: LengthText | None = None
    thickness: LengthText | None = None
    inset: LengthText | None = None
    jaw_width: LengthText | None = None
    unit: Unit | None = None
    readings_unit: Unit | None = None
    strip_side: Literal["left", "right"] | None = None
    pieces: Annotated[int, Field(ge=FEWEST_PIECES, le=MOST_PIECES)] | None = None
    tolerance_deg: LengthText | None = None
    tolerance_gap: LengthText | None = None
    tolerance_joint: LengthText | None = None
    tolerance_length: LengthText | None = None
    tolerance_nominal: LengthText | None = None
    person: Name | None = None
    note: Note | None = None
    baseline_within: LengthText | None = None
    thickness_within: LengthText | None = None
    inset_within: LengthText | None = None
    straightness: LengthText | None = None
    strips: Annotated[int, Field(ge=1, le=MOST_STRIPS)] | None = None


class MoveIn(CorrectionIn):
    """Where a trial belongs. to: a series that reads the same places; without it, a new one with
    the same settings. rest: all later trials move too."""

    to: UUID | None = None
    rest: bool = False


class ResultMovedOut(Out):
    """A series whose result, strips or machine would be others. before: null where the correction
    makes it."""

    before: SeriesLine | None
    after: SeriesLine


class ResultsOut(Out):
    """What a correction would move.

    corrected: how many series it corrects, of a merge the latest alone. looked_at: how many were
    compared: the latest of these, and the latest of all, whose verdicts may rest on others.
    """

    corrected: int
    looked_at: int
    moved: list[ResultMovedOut]
