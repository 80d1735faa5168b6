"""What is said before cutting or measuring at a machine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from analysis.kinds import Kind, kinds_named

_CLIMBS: Final = "A radial arm saw can climb toward you: hold it back all through the cut."
SAWING_CAUTIONS: Final = (
    "Keep the guards in place and wear eye and hearing protection.",
    "Hold the board, not the narrow strip, with your hands well clear of the blade.",
    "Let nothing trap the strip between the blade and a stop.",
    "Wait until the blade has stopped before you reach for the strip.",
    _CLIMBS,
    "The machine's manual, local rules and qualified help come before this page.",
)
STANDSTILL_CAUTIONS: Final = (
    "Unplug the machine before you measure at the blade or the cutterhead.",
    "The machine's manual, local rules and qualified help come before this page.",
)

# As the manuals of these machines say; usual practice.
_OF_KIND: Final[dict[Kind, tuple[str, ...]]] = {
    "a radial arm saw": (_CLIMBS,),
    "a miter saw": (
        "After the cut, hold the head of the saw down until the blade has stopped.",
        "Where the saw slides, pull it out first and cut while you push it back.",
    ),
    "a table saw": (
        "Stand beside the path of the blade: what it catches is thrown back along it.",
        "Do not guide a crosscut along the rip fence: the strip is caught between fence and blade.",
    ),
    "a sled": (
        "Stand beside the path of the blade: what it catches is thrown back along it.",
        "Keep both hands off the place where the blade comes out of the sled at the end of a cut.",
    ),
}


def cautions_on(cautions: Sequence[str], called: str | None) -> tuple[str, ...]:
    """The cautions of a method that cuts on a saw, with those for the kind of machine in place of
    those for another kind; what is of no known kind keeps all.

    called: what a person calls the kind. Cautions of any other method stay as they are.
    """
    kinds = kinds_named(called)
    if _CLIMBS not in cautions or not kinds:
        return tuple(cautions)
    at = cautions.index(_CLIMBS)
    own = dict.fromkeys(caution for kind in kinds for caution in _OF_KIND.get(kind, ()))
    return (*cautions[:at], *own, *cautions[at + 1 :])
