"""Chooses the analysis of a same-spot study by its design: how many people, how many spots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.caliper_study import CaliperStudy, LengthUnit, crossed, same_spot, several_spots


@dataclass(frozen=True, slots=True)
class AnalysedStudy:
    """A study, the number of spots in it, and its design in words."""

    study: CaliperStudy
    spots: int
    laid_out: str


def spots_by_people(
    people: Sequence[Sequence[Sequence[float]]],
    *,
    tolerance: float | None = None,
    unit: LengthUnit = "mm",
) -> AnalysedStudy:
    """The study of one or several people's readings of one or several spots.

    people: for each person (at least one), for each spot (in the same order), the readings, all in
    `unit`; where several people read several spots, each of them equally often. Spots that not
    everyone read do not count. tolerance: the full width of the tolerance to be judged with the
    caliper, in `unit`.
    Several people on several spots are analysed as `crossed`, one person on several as
    `several_spots`, one spot as `same_spot`.
    Raises ValueError where several people did not read several spots equally often.
    """
    spots = min(len(person) for person in people)
    counted = [person[:spots] for person in people]
    if len(counted) > 1 and spots > 1:
        by_part = list(zip(*counted, strict=True))  # parts by people by repeats
        study = crossed(by_part, tolerance=tolerance, unit=unit)
        laid_out = f"{len(counted)} people read the same {spots} spots, in the same order"
        if max(len(person) for person in people) > spots:
            laid_out += "; spots that not all of them read are left out"
        return AnalysedStudy(study, spots, laid_out)
    if spots > 1:
        study = several_spots(counted[0], tolerance=tolerance, unit=unit)
        return AnalysedStudy(study, spots, f"one person read {spots} spots, each several times")
    study = same_spot(
        [spot for person in counted for spot in person], tolerance=tolerance, unit=unit
    )
    laid_out = "one spot, one person"
    if len(counted) > 1:
        laid_out = f"one spot, the same for {len(counted)} people"
    return AnalysedStudy(study, 1, laid_out)
