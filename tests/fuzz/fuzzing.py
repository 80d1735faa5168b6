"""What a fuzzer is, and how it is run: for so many inputs, or for so long.

Each input is made from a chance of its own, `Random(f"{seed}/{number}")`, so a fault can be had
again by its seed and number alone.
"""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

SEED = 8017
_MOST_FAULTS = 20

Try = Callable[[Random], bool]
"""Makes one input and tries it: whether it was taken, False where it was refused in words.
Raises AssertionError, or anything else, where the promise is broken."""


@dataclass(frozen=True)
class Place:
    """What a fuzzer may use: an empty folder, and the URL of a store that holds nothing yet."""

    folder: Path
    store: str


@dataclass(frozen=True)
class Fuzzer:
    """`open`: makes ready what it needs, and gives its `Try`. Where `stored`, it needs a store
    and is run on each engine. inputs: how many a short run tries."""

    name: str
    promise: str
    open: Callable[[Place], AbstractContextManager[Try]]
    inputs: int = 500
    stored: bool = False


def plain(name: str, promise: str, one: Try, inputs: int = 500) -> Fuzzer:
    """A fuzzer that needs nothing."""

    @contextmanager
    def ready(_place: Place) -> Iterator[Try]:
        yield one

    return Fuzzer(name, promise, ready, inputs)


@dataclass
class Figures:
    """What became of the inputs; each fault with the number of its input."""

    taken: int = 0
    refused: int = 0
    faults: list[str] = field(default_factory=list)

    @property
    def inputs(self) -> int:
        return self.taken + self.refused + len(self.faults)


def run(one: Try, seed: int, *, inputs: int | None = None, seconds: float = 0.0) -> Figures:
    """Try `inputs` inputs, or as many as `seconds` allow, and go on after a fault."""
    figures = Figures()
    until = time.monotonic() + seconds
    while figures.inputs < inputs if inputs is not None else time.monotonic() < until:
        number = figures.inputs
        try:
            if one(Random(f"{seed}/{number}")):
                figures.taken += 1
            else:
                figures.refused += 1
        except Exception:
            figures.faults.append(f"--seed {seed}, input {number}:\n{traceback.format_exc()}")
            if len(figures.faults) == _MOST_FAULTS:
                break
    return figures
