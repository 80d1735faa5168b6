"""Same-spot studies, each analysed as its readings are laid out."""

from __future__ import annotations

import pytest

from analysis.caliper_study import crossed, same_spot, several_spots
from analysis.spots import spots_by_people

ANN = [[12.30, 12.32], [15.01, 15.00], [20.02, 20.05]]
BEN = [[12.33, 12.36], [15.02, 15.05], [20.04, 20.04]]


def test_one_persons_one_spot_shows_how_well_it_repeats() -> None:
    found = spots_by_people([[[12.30, 12.32, 12.31]]], tolerance=0.4)
    assert found.study == same_spot([[12.30, 12.32, 12.31]], tolerance=0.4)
    assert (found.spots, found.laid_out) == (1, "one spot, one person")


def test_several_people_on_one_spot_are_told_apart() -> None:
    found = spots_by_people([[ANN[0]], [BEN[0]]], unit="in")
    assert found.study == same_spot([ANN[0], BEN[0]], unit="in")
    assert found.study.reproducibility is not None
    assert (found.spots, found.laid_out) == (1, "one spot, the same for 2 people")


def test_one_persons_several_spots_are_not_taken_for_people() -> None:
    found = spots_by_people([ANN], tolerance=0.4)
    assert found.study == several_spots(ANN, tolerance=0.4)
    assert found.study.reproducibility is None
    assert (found.spots, found.laid_out) == (3, "one person read 3 spots, each several times")


def test_several_people_on_several_spots_are_crossed_part_by_part() -> None:
    found = spots_by_people([ANN, BEN], tolerance=0.4)
    assert found.study == crossed(
        [[ANN[0], BEN[0]], [ANN[1], BEN[1]], [ANN[2], BEN[2]]], tolerance=0.4
    )
    assert found.laid_out == "2 people read the same 3 spots, in the same order"


def test_a_spot_that_not_everybody_read_does_not_count_and_that_is_said() -> None:
    found = spots_by_people([ANN, BEN[:2]])
    assert found.study == spots_by_people([ANN[:2], BEN[:2]]).study
    assert found.spots == 2
    assert found.laid_out.endswith("; spots that not all of them read are left out")
    alone = spots_by_people([ANN, BEN[:1]])
    assert alone.study == same_spot([ANN[0], BEN[0]])
    assert alone.laid_out == "one spot, the same for 2 people"


def test_people_who_read_unequally_often_are_refused() -> None:
    with pytest.raises(ValueError, match="inhomogeneous"):
        spots_by_people([ANN, [[*spot, spot[0]] for spot in BEN]])
