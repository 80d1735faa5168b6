"""Every fuzzer, by subject."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from tests.fuzz import addresses, decoders, notebooks, own_methods, places, requests, specs
from tests.fuzz.fuzzing import Fuzzer

FUZZERS: Final[Sequence[Fuzzer]] = (
    *decoders.FUZZERS,
    *specs.FUZZERS,
    *own_methods.FUZZERS,
    *addresses.FUZZERS,
    *notebooks.FUZZERS,
    *places.FUZZERS,
    *requests.FUZZERS,
)
