"""Which lines of an old notebook hold a reading that can hardly be right: told, never asked."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from analysis.geometry import at_stop, nominal_mm
from analysis.guard import Guard, Sent, listed, suspicious
from analysis.units import mm
from api.answers.loading import by_series
from api.answers.notebook import NotebookLine


class Suspicious(NamedTuple):
    """A line to look at: its number in the file (the header is 1), and why."""

    line: int
    reason: str


def suspicious_lines(lines: Iterable[NotebookLine]) -> list[Suspicious]:
    """The lines to look at, in the order of the file; each is taken nevertheless."""
    found = [told for series in by_series(lines) for told in _of_series(series)]
    return sorted(found)


def _of_series(lines: list[NotebookLine]) -> list[Suspicious]:
    new = lines[0].checked
    settings = lines[0].settings
    baseline = None if new.baseline_nm is None else mm(new.baseline_nm)
    at = at_stop(new.method, float(settings.nominal_deg), float(settings.bevel_deg))
    guard = Guard(
        new.method,
        baseline,
        None if new.thickness_nm is None else mm(new.thickness_nm),
        new.pieces,
        wedge_mm=nominal_mm(at, baseline, settings.strip_side or "left"),
    )
    trials = [[Sent(v.nm, v.sent, v.unit) for v in line.readings] for line in lines]
    return [
        Suspicious(
            lines[number].number,
            listed(question, trials[number][index], new.method, index // new.repeats),
        )
        for number, index, question in suspicious(guard, trials)
    ]
