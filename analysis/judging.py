"""The verdict on a series by the rule that fits how it is looked at, and which rule that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis import conformity, sequential
from analysis.conformity import Tolerance, Verdict
from analysis.sentences import cuts
from analysis.sequential import EarlierScatter, Rule

_PLUS_MINUS: Final = "± is the uncertainty of one look, at 95 % (JCGM 100)"


@dataclass(frozen=True, slots=True)
class Judged:
    """verdict: None without a tolerance, and then so is the rule. decides: the half-width about
    the mean that it rests on, None where nothing can be said. statement: which statements
    ± and verdict are, and why they may differ. by_earlier: what the verdict takes from earlier
    series, as a sentence; empty where it takes nothing."""

    verdict: Verdict | None
    rule: Rule | None = None
    decides: float | None = None
    statement: str = ""
    by_earlier: str = ""

    @property
    def asks_earlier(self) -> bool:
        """Whether the scatter of earlier series may tell what the series' own trials do not."""
        return self.verdict == conformity.UNKNOWN and self.rule == "each look"


@dataclass(frozen=True, slots=True)
class Seen:
    """What a series shows of one quantity, radians or mm.

    trials: those that count; complete: set aside or not. mean, sd (None for one trial). expanded:
    by JCGM 100. shared: how far the parts that all trials share may shift the mean. visits: to the
    stop; visit_sd: of their means, None for one visit.
    """

    trials: int
    complete: int
    mean: float
    sd: float | None
    expanded: float
    shared: float
    visits: int = 1
    visit_sd: float | None = None

    @property
    def half(self) -> float:
        """The half-width at each look, of what is anew in each trial, and in each visit."""
        of_trials = sequential.own(self.trials, self.sd)
        if self.visits < 2:
            return of_trials
        return max(of_trials, sequential.own(self.visits, self.visit_sd))


def judged(
    seen: Seen,
    tolerance: Tolerance | None,
    planned: int | None = None,
    ended: bool = False,
    earlier: EarlierScatter | None = None,
) -> Judged:
    """The verdict by ISO 14253-1, on an interval that holds however often one looks.

    A result that lies within, or outside, the tolerance by less than its expanded uncertainty
    proves nothing under any rule. Of those who stop at the first verdict, or at the one look that
    that was planned, at most 2.5 % get a wrong one, each way. Of several visits to the stop the
    scatter of their means counts too, and no earlier series stands in for it: how it scatters
    within a visit says nothing of how it comes back.
    """
    if tolerance is None:
        return Judged(None)
    rule = sequential.rule(planned, ended, seen.complete, seen.trials)
    if rule == "not yet":
        assert planned is not None
        return Judged(conformity.UNKNOWN, rule, None, _not_yet(planned))
    if rule == "one look":
        found = conformity.verdict(seen.mean, seen.expanded, tolerance)
        return Judged(found, rule, seen.expanded, _one_look(seen.trials))
    half = _at_each_look(seen, seen.half)
    found = conformity.verdict(seen.mean, half, tolerance)
    if found == conformity.UNKNOWN and earlier is not None and seen.visits < 2:
        by_them = _at_each_look(seen, float(sequential.with_earlier(seen.trials, seen.sd, earlier)))
        told = conformity.verdict(seen.mean, by_them, tolerance)
        if told != conformity.UNKNOWN:
            words = _scatter_of(earlier)
            return Judged(
                told,
                "earlier series",
                by_them,
                f"{_EACH_LOOK}, with the scatter of earlier series.",
                f"This takes {words}.",
            )
    return Judged(found, rule, None if math.isinf(half) else half, f"{_EACH_LOOK}.")


def _at_each_look(seen: Seen, half: float) -> float:
    return max(seen.expanded, half + seen.shared)


_EACH_LOOK: Final = (
    f"{_PLUS_MINUS}; the verdict asks for more, so that it holds though you look after every strip"
)


def _one_look(trials: int) -> str:
    return f"{_PLUS_MINUS}, and so is the verdict: {cuts(trials)} were planned before the first."


def _not_yet(planned: int) -> str:
    return f"{_PLUS_MINUS}; the verdict comes at the end of the {cuts(planned)} planned."


def _scatter_of(earlier: EarlierScatter) -> str:
    which = "an earlier series" if earlier.series == 1 else f"{earlier.series} earlier series"
    return (
        f"the scatter of {which} of this machine since {earlier.since} "
        f"({cuts(earlier.trials)}) as its scatter now"
    )
