"""Corrections of what was said of a measurement, and their trail."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from pydantic import Field

from analysis.units import Unit
from api.answers.settings import FEWEST_PIECES, MOST_PIECES
from api.web.shapes import CorrectionIn, LengthText, Name, Note


class SeriesChangeIn(CorrectionIn):
    """What is corrected of a series; what is left out stays, null clears what may be absent.

    Fields as in a series to start. machine: by id or name. method: one that reads the same places.
    unit: that of the lengths, whose numbers stay. readings_unit: in which unit all its readings
    were sent that do not say one themselves; null, as they were kept. A tolerance of another kind
    takes the place of the one before.
    """

    machine: Name | None = None
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


class MoveIn(CorrectionIn):
    """Where a trial belongs. to: a series that reads the same places; without it, a new one with
    the same settings. rest: all later trials move too."""

    to: UUID | None = None
    rest: bool = False
