"""What is asked about a reading as it is kept."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Row

from analysis.guard import Question
from capture import pairing, records


def question(
    series: Row[Any],  # noqa: ARG001
    folding: pairing.Folding,  # noqa: ARG001
    reading: records.Reading,  # noqa: ARG001
) -> Question | None:
    """What is asked about a reading that would be placed; None: nothing."""
    return None
