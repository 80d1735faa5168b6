"""Each fuzzer for a moment, with the same inputs in every run; `python -m tests.fuzz` goes on."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from tests.fuzz.every import FUZZERS
from tests.fuzz.fuzzing import SEED, Fuzzer, Place, run

PLAIN = [each for each in FUZZERS if not each.stored]
STORED = [each for each in FUZZERS if each.stored]
# A server of its own is slow: on one engine, operations on the stricter one.
SERVED = {"operations over HTTP": "postgresql", "last event seen": "sqlite"}


def _keeps_its_promise(fuzzer: Fuzzer, place: Place) -> None:
    with fuzzer.open(place) as one:
        figures = run(one, SEED, inputs=fuzzer.inputs)
    assert figures.faults == [], fuzzer.promise
    # Where all is refused, or nothing, the inputs try too little.
    assert figures.taken >= fuzzer.inputs / 50


@pytest.mark.parametrize("fuzzer", PLAIN, ids=lambda each: each.name)
def test_whatever_comes_in_the_promise_is_kept(fuzzer: Fuzzer, tmp_path: Path) -> None:
    _keeps_its_promise(fuzzer, Place(tmp_path, "none"))


@pytest.mark.parametrize(
    ("fuzzer", "store_url"),
    [
        pytest.param(each, engine, id=f"{engine}-{each.name}")
        for each in STORED
        for engine in ("sqlite", "postgresql")
        if SERVED.get(each.name, engine) == engine
    ],
    indirect=["store_url"],
)
def test_whatever_comes_in_the_promise_is_kept_on_either_engine(
    fuzzer: Fuzzer, tmp_path: Path, store_url: str
) -> None:
    _keeps_its_promise(fuzzer, Place(tmp_path, store_url))


def test_a_fault_is_told_with_what_makes_it_again() -> None:
    def one(chance: Random) -> bool:
        assert chance.random() < 0.9
        return chance.random() < 0.5

    figures = run(one, 1, inputs=50)
    assert (figures.inputs, run(one, 1, inputs=50).faults) == (50, figures.faults)
    assert 0 < len(figures.faults) < 20
    number = int(figures.faults[0].partition("input ")[2].partition(":")[0])
    with pytest.raises(AssertionError):
        one(Random(f"1/{number}"))
