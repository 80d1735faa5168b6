"""How a machine comes back to a stop, by all its series of several visits there."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from analysis.visits import Returns, returns
from api.answers.checks import CheckedSeries


def of_stop(series: Iterable[CheckedSeries], stop_id: UUID) -> Returns | None:
    """Of its angle, in radians; None where no series has several visits."""
    at_stop = (of.checks.get("angle") for of in series if of.row.stop_id == stop_id)
    return returns(c.visits for c in at_stop if c is not None and c.visits is not None)
