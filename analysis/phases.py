"""A machine's checks phase by phase: the result of each phase between two setup changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from analysis.conversions import SizeUnit
from analysis.drift import ChangePoint, History, history

SUSPECTED: Final = 0.05
"""A shift is suspected where shuffled checks show as large a one less often than this."""


@dataclass(frozen=True, slots=True)
class PhaseByPhase:
    """A history, a sentence for each of its phases, and the suspected shifts, each with the number
    of its phase (from 0) and its places counted in the whole history."""

    history: History
    sentences: tuple[str, ...]
    shifts: tuple[tuple[int, ChangePoint], ...]


def phase_by_phase(
    values: Sequence[float],
    *,
    setup_changes: Sequence[int] = (),
    labels: Sequence[str],
    unit: SizeUnit = "rad",
    resolution: float = 0.0,
) -> PhaseByPhase:
    """The history of `values` as in `drift.history`, and each earlier phase as if it were the
    last one.

    values: (n,) in `unit`; arguments and errors are those of `drift.history`. Shifts are suspected
    where their p lies below `SUSPECTED`.
    """
    whole = history(
        values, setup_changes=setup_changes, labels=labels, unit=unit, resolution=resolution
    )
    shifts: list[tuple[int, ChangePoint]] = []
    sentences: list[str] = []
    for number, phase in enumerate(whole.phases):
        if number == len(whole.phases) - 1:
            sentence, change = whole.sentence, whole.change
        else:
            part = slice(phase.start, phase.stop)
            alone = history(values[part], labels=labels[part], unit=unit, resolution=resolution)
            sentence = alone.sentence
            change = None if alone.change is None else _moved(alone.change, phase.start)
        sentences.append(sentence)
        if change is not None and change.p < SUSPECTED:
            shifts.append((number, change))
    return PhaseByPhase(whole, tuple(sentences), tuple(shifts))


def _moved(change: ChangePoint, by: int) -> ChangePoint:
    return replace(change, index=change.index + by, first=change.first + by, last=change.last + by)
