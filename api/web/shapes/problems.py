"""What is answered where something is wrong."""

from __future__ import annotations

from pydantic import Field

from api.web.shapes import Out
from api.web.shapes.readings import AcknowledgementOut


class WrongField(Out):
    """field: of the body, with dots where it is inside another one, or a parameter; `body`, all of
    it."""

    field: str
    message: str


class Problem(Out):
    """An RFC 9457 problem document; `detail` says what to do."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[WrongField] = Field(default=[])


class NotTakenProblem(Problem, AcknowledgementOut):
    """Some of what was handed over was refused; what became of the rest is said as ever."""
