"""What a pass may: four rungs of a ladder, each with all that the ones below it may."""

from __future__ import annotations

from enum import IntEnum
from typing import Final, Literal

RungName = Literal["read", "press", "run", "admin"]


class Rung(IntEnum):
    """`READ`: everything may be seen. `PRESS`: readings too, and what a bench does with its own.
    `RUN`: everything that is measured and recorded. `ADMIN`: calipers and access itself."""

    READ = 1
    PRESS = 2
    RUN = 3
    ADMIN = 4

    @property
    def word(self) -> RungName:
        return _WORDS[self]


_WORDS: Final[dict[Rung, RungName]] = {
    Rung.READ: "read",
    Rung.PRESS: "press",
    Rung.RUN: "run",
    Rung.ADMIN: "admin",
}
OF_A_BENCH: Final = Rung.PRESS
"""The rung of a pass that may be kept to some benches: the higher ones do what is of no bench."""

MAY: Final[dict[RungName, str]] = {
    "read": "look",
    "press": "look, and send readings",
    "run": "measure, record and correct",
    "admin": "do everything, also let others in",
}
"""What each lets its holder do, as people read it after "it may"."""

RUNGS: Final[dict[str, Rung]] = {word: rung for rung, word in _WORDS.items()}
"""The rungs by their words, the lowest first."""
