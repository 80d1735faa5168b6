"""What a round comes to: what was lost, doubled, out of order or passed over in silence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from itertools import pairwise

from tests.faults.presses import Press, Session


@dataclass
class Tally:
    """The figures of a round, or of many; `breaches` are what must never be.

    pressed: heard or not. unheard: those that no process took in, or whose process was killed
    before it answered. said: sentences that told the person what is wrong.
    """

    pressed: int = 0
    unheard: int = 0
    acknowledged: int = 0
    stored: int = 0
    doubled: int = 0
    out_of_order: int = 0
    lost: int = 0
    silent: int = 0
    refused: int = 0
    said: int = 0
    breaches: list[str] = field(default_factory=list)

    def __iadd__(self, other: Tally) -> Tally:
        for each in fields(self):
            setattr(self, each.name, getattr(self, each.name) + getattr(other, each.name))
        return self


def tally(
    presses: Sequence[Press], sessions: Iterable[Session], stored: Sequence[str], refused: set[str]
) -> Tally:
    """Compare what was pressed with what is kept.

    stored: the texts of the readings in the store, each bench in its order; refused: the texts
    that the store has as no readings.
    """
    times = Counter(stored)
    kept = set(stored)
    found = Tally(pressed=len(presses), stored=len(stored))
    for press in presses:
        is_kept = press.text in (refused if press.nonsense else kept)
        found.unheard += not press.owed
        found.acknowledged += press.acknowledged
        found.refused += press.nonsense and is_kept
        if press.acknowledged and not is_kept:
            found.lost += 1
            found.breaches.append(f"{press.source} {press.text} was acknowledged, and is not kept")
        elif press.owed and not is_kept and not press.said:
            found.silent += 1
            found.breaches.append(f"{press.source} {press.text} was heard, and nothing was said")
    for text in (text for text, count in times.items() if count > 1):
        found.doubled += 1
        found.breaches.append(f"{text} is stored {times[text]} times")
    known = {press.text for press in presses}
    found.breaches += [f"{text} is stored, and nobody pressed it" for text in kept - known]
    _order(presses, stored, found)
    for session in sessions:
        _holes(session, kept, found)
    return found


def _order(presses: Sequence[Press], stored: Sequence[str], found: Tally) -> None:
    """Each source's readings are in the order in which they were pressed."""
    number = {press.text: n for n, press in enumerate(presses)}
    source = {press.text: press.source for press in presses}
    for each in sorted(set(source.values())):
        texts = [text for text in dict.fromkeys(stored) if source.get(text) == each]
        for one, other in pairwise(texts):
            if number[other] < number[one]:
                found.out_of_order += 1
                found.breaches.append(f"{other} from {each} is stored after {one}")


def _holes(session: Session, kept: set[str], found: Tally) -> None:
    """What a process heard before what it kept is kept as well."""
    missing = ""
    for press in session.presses:
        if press.nonsense:
            continue
        if press.text not in kept:
            missing = missing or press.text
        elif missing:
            found.lost += 1
            found.breaches.append(f"{press.text} is kept, and {missing} before it is not")
            return
