"""Pages and events receive the same words about where the next reading goes."""

from __future__ import annotations

from analysis.methods import METHODS
from api.store.next_place import NextPlace
from capture.folded import Next


def test_the_place_is_named_and_counted():
    open_end = METHODS["reversal"].places[1]
    following = NextPlace(Next(trial=3, slot=4, place=1, repeat=2), open_end, repeats=3)
    assert following.as_json() == {
        "trial": 3,
        "place": "open end",
        "label": open_end.label,
        "index": 1,
        "repeat": 2,
        "repeats": 3,
    }
