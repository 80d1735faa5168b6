"""What is said of a work's chances, in its own unit."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.conversions import size_text
from analysis.units import Unit
from analysis.work import Words
from analysis.works.assemblies import Assembly
from analysis.works.chances import Chances, Matching, PartOf
from analysis.works.known import KnownStop


def told(
    assembly: Assembly, found: Chances, accepted_mm: Sequence[float], unit: Unit
) -> tuple[str, ...]:
    """How likely the work succeeds, what contributes most, what would have to be reached, and
    whether pieces match: a sentence each."""
    say = Words(unit)
    return (
        _likely(assembly, found, accepted_mm, say),
        *_most(found, say),
        *_reach(found),
        *(matching(each, say) for each in found.matching),
    )


def uncounted(assembly: Assembly, stops: Sequence[KnownStop]) -> tuple[str, ...]:
    """What the answer leaves out; of strips in visits of their own their scatter has the return.

    It matters where a machine is swung only before the work as well: of saws that return within
    0.02 degrees, works said to succeed 97 times of 100 did so 88 times (own simulation).
    """
    used = {cut.stop for cut in assembly.cuts}
    once = [
        s for at, s in enumerate(stops) if at in used and s.returned is None and s.mean_df is None
    ]
    unknown = [s.called for s in once if s.swung]
    stays = [s.called for s in once if not s.swung]
    as_it_stood = (
        f"{' and '.join(stays)} counted as when measured: if the machine is swung away before the"
        " work is cut, how it comes back is not known and not counted; measure again, with “Away"
        " and back” between strips."
    )
    which = " and ".join(unknown)
    back = (
        f"How well {which} come{'s' if len(unknown) == 1 else ''} back between the cuts is not "
        "known and not counted: measure again, with “Away and back” between strips."
    )
    sides = ", nor how square the ends of the sides are: they close no joint"
    bevel = f"The bevel of the cuts is not counted{sides if assembly.noun == 'case' else ''}."
    return (*((back,) if unknown else ()), *((as_it_stood,) if stays else ()), bevel)


def of_hundred(probability: float) -> str:
    """ "about 93 of 100"; near the ends, "more than 99 of 100"."""
    if probability > 0.99:
        return "more than 99 of 100"
    if probability < 0.01:
        return "fewer than 1 of 100"
    return f"about {round(100 * probability)} of 100"


def matching(found: Matching, say: Words) -> str:
    """Whether two pieces cut to one stop match."""
    called = found.stop.called
    if found.differ_mm is None or found.within is None:
        return (
            f"How well lengths repeat on {called} is not known, so all pieces are taken as equally "
            "long: measure some by the method Stop block."
        )
    return (
        f"2 pieces cut to one stop on {called} differ by no more than "
        f"{say.small(found.differ_mm)} in 95 of 100 pairs; in {of_hundred(found.within)} by no "
        "more than the accepted gap."
    )


def _likely(assembly: Assembly, found: Chances, accepted_mm: Sequence[float], say: Words) -> str:
    many = len(assembly.joints) > 1
    within = say.small(accepted_mm[0]) if len(set(accepted_mm)) == 1 else "its accepted gap"
    which = f"every joint of such a {assembly.noun} stays" if many else "such a joint stays"
    worst = "the worst joint stands" if many else "it stands"
    return (
        f"In {of_hundred(found.within)} {which} within {within}; in 95 of 100 {worst} open by no "
        f"more than {say.small(found.most_mm)}."
    )


def _most(found: Chances, say: Words) -> tuple[str, ...]:
    first = found.parts[0]
    if len(found.parts) < 2 or first.without_mm >= found.most_mm:
        return ()
    return (
        f"{first.stop.called} contributes most: if it cut true and always alike, that would be "
        f"{say.small(first.without_mm)}.",
    )


def _reach(found: Chances) -> tuple[str, ...]:
    said = [_reached(part) for part in found.parts]
    if len(found.parts) > 1:
        said.append(
            "All of them true is not enough: their cuts scatter too much."
            if found.together_rad is None
            else "All of them at once: within "
            f"{size_text(found.together_rad, 'rad', found.together_rad / 10)} of nominal."
        )
    return tuple(said)


def _reached(part: PartOf) -> str:
    called = part.stop.called
    if part.reach_rad is not None:
        size = size_text(part.reach_rad, "rad", part.reach_rad / 10)
        return (
            f"For 95 of 100, {called} has to be within {size} of nominal, with all else as it is."
        )
    if part.reach_sd is not None:
        size = size_text(part.reach_sd, "rad", part.reach_sd / 10)
        return (
            f"For 95 of 100, {called} has to be true and its single cuts have to scatter by no "
            f"more than {size} (one standard deviation)."
        )
    return f"For 95 of 100 it is not enough to mend {called} alone."
