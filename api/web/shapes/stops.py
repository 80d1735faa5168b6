"""The stops of machines."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

from pydantic import Field

from analysis.conformity import Verdict
from api.web.shapes import CorrectionIn, LengthText, Name, Note, Out, SignedIn
from api.web.shapes.machines import MachineOut
from api.web.shapes.scores import VisitsOut
from api.web.shapes.series import StopHead

CheckDays = Annotated[int, Field(ge=1, le=3650)]


class StopIn(SignedIn):
    """A setting of a machine, by its id or name.

    nominal_deg: the angle it is made for, from square; positive where the open end of the cut
    leans to the right, seen from above with the fence at the bottom, negative where it leans to
    the left. bevel_deg: positive where the cut leans to the right going up. check_days: how often
    a person wants it checked.
    """

    machine: Name
    name: Name
    nominal_deg: LengthText
    bevel_deg: LengthText = "0"
    note: Note | None = None
    check_days: CheckDays | None = None


class StopChangeIn(CorrectionIn):
    """What is corrected of a stop. nominal_deg, bevel_deg: only while no series belongs to it.
    retired: out of the lists; its history stays."""

    name: Name | None = None
    note: Note | None = None
    retired: bool | None = None
    nominal_deg: LengthText | None = None
    bevel_deg: LengthText | None = None
    check_days: CheckDays | None = None


class StopOut(Out):
    """A stop of a machine."""

    id: UUID
    machine: UUID
    name: str
    nominal_deg: float
    bevel_deg: float
    note: str | None
    check_days: int | None
    created_at: datetime
    retired_at: datetime | None


class MappedStopOut(Out):
    """One stop in the map; null of each where nothing is known of its angle. visits: how it
    returned within that series."""

    stop: StopHead
    series: UUID | None = None
    checked_at: datetime | None = None
    error_deg: float | None = None
    expanded_uncertainty_deg: float | None = None
    verdict: Verdict | None = None
    visits: VisitsOut | None = None


class FittedOut(Out):
    """A part of the pattern, with its expanded uncertainty (95 %)."""

    value: float
    expanded_uncertainty: float


class MachineMapOut(Out):
    """The stops of a machine together, by their nominal angles.

    told: "too few" stops of different angles; "nothing" beyond what measuring explains; a
    "pattern"; "not told" where several fit; "no pattern" where none does. zero, in degrees, scale,
    a ratio, and bad, in degrees beside the others, with the name of the bad stop: what of the
    pattern is told. At most 5 % of what is told is wrong. first: which to mend first. left_out:
    stops with a bevel.
    """

    machine: MachineOut
    stops: list[MappedStopOut]
    left_out: list[str]
    told: Literal["too few", "nothing", "not told", "pattern", "no pattern"]
    zero: FittedOut | None
    scale: FittedOut | None
    bad: FittedOut | None
    bad_stop: str | None
    first: Literal["zero", "scale", "stop"] | None
    sentence: str
