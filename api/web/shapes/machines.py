"""Machines, what is done to them, and who is called what."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

from pydantic import StringConstraints

from api.answers.moments import aware
from api.web.shapes import CorrectionIn, In, Name, Note, Out, SignedIn, When

SetupChangeKind = Literal[
    "swung and back", "adjusted", "blade changed", "moved", "cleaned", "other"
]


class MachineIn(SignedIn):
    name: Name
    kind: Annotated[Name, StringConstraints(max_length=100)] = "other"


class MachineChangeIn(CorrectionIn):
    """retired: out of the lists; its history stays."""

    name: Name | None = None
    kind: Annotated[Name, StringConstraints(max_length=100)] | None = None
    note: Note | None = None
    retired: bool | None = None


class MergeIn(CorrectionIn):
    """into: the machine that everything of this one belongs to from now on, by id or name."""

    into: Name


class MachineOut(Out):
    id: UUID
    name: str
    kind: str
    created_at: datetime
    note: str | None = None
    retired_at: datetime | None = None


class SetupChangeIn(SignedIn):
    machine: Name
    kind: SetupChangeKind
    at: When | None = None
    note: Note | None = None

    def moment(self) -> datetime | None:
        return None if self.at is None else aware(self.at)


class SetupChangeChangeIn(CorrectionIn):
    """withdrawn: it did not happen; it counts nowhere."""

    kind: SetupChangeKind | None = None
    at: When | None = None
    note: Note | None = None
    withdrawn: bool | None = None


class PersonIn(In):
    """One of both. anonymous: a name that is nobody's, which is the answer's."""

    name: Name | None = None
    anonymous: bool = False


class PersonOut(Out):
    id: UUID
    name: str


class RenamedOut(PersonOut):
    """still: where the old name is still, and what to do about it, in sentences."""

    still: list[str]


class SetupChangeOut(Out):
    id: UUID
    machine: UUID
    kind: str
    at: datetime
    note: str | None
    withdrawn: bool = False
