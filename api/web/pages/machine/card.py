"""The card of a machine: what stands on it, and the papers that it is printed on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from markupsafe import Markup

from analysis import sentences
from api.answers.good_until import good_until_by_stop
from api.answers.history import MachineHistory
from api.answers.machine_state import KnownCheck
from api.answers.moments import day
from api.web.convert import outward
from api.web.convert.history import stop_state_out
from api.web.pages.shared.numbers import Unit, with_uncertainty
from api.web.pages.shared.verdicts import VERDICT_MARKS
from api.web.shapes.history import StopStandingOut

PAPERS: Final = {
    "card": "85 × 54 mm",
    "a7": "A7",
    "sheet": "A sheet of any size, to cut out",
}
"""What can be printed on, in words; the first where none is asked for."""

# More lines would not fit beside the headline.
_MORE: Final = 1


@dataclass(frozen=True, slots=True)
class Card:
    """mark: of the verdict. found: which way it leans, and at which stop where the machine has
    several. more: what else the same series tells."""

    mark: str
    verdict: str
    work: str
    figure: Markup
    found: str
    more: tuple[Markup, ...]
    measured: str
    tolerance: str
    check: str


def card_of(found: MachineHistory, moment: datetime) -> Card:
    """What is known of a machine now, as short as a card."""
    state = found.state
    untils = good_until_by_stop(found, moment)
    stops = [stop_state_out(each, untils[each.stop.id]) for each in state.stops]
    check = check_again(stops, moment)
    if not state.known:
        return Card("bounced", "not checked yet", "", Markup(), "", (), "", "", check)
    first = state.known[0]
    of = first.check
    if state.caveat:
        mark, verdict = "cannot", "not known now"
    elif state.verdict:
        mark, verdict = VERDICT_MARKS[state.verdict], state.verdict
    else:
        mark, verdict = "bounced", "no tolerance given"
    several = sum(stop.checked_at is not None for stop in stops)
    rest = [known for known in state.known[1:] if known.series.id == first.series.id]
    return Card(
        mark=mark,
        verdict=verdict,
        work=(first.series.row.work or "") if state.verdict else "",
        figure=_figure(first),
        found=_found(first, several, "before it was changed" if state.caveat else ""),
        more=tuple(map(_line, rest[:_MORE])),
        measured=day(first.at),
        tolerance=of.tolerance.text if of.tolerance else "",
        check=check,
    )


def _figure(known: KnownCheck) -> Markup:
    check = known.check
    unit: Unit = "mm" if check.quantity == "length" else "deg"
    mean, expanded = (outward(v, check.quantity) for v in (check.mean, check.expanded))
    return with_uncertainty(mean if unit == "mm" else abs(mean), expanded, unit)


def _line(known: KnownCheck) -> Markup:
    """ "Tilt: 0.012° ± 0.008°, good enough"."""
    found = Markup("{}: {}").format(sentences.capital(known.check.quantity), _figure(known))
    return found + f", {known.check.verdict}" if known.check.verdict else found


def _found(first: KnownCheck, stops: int, when: str) -> str:
    """ "The open end of the cut leans to the right, at the stop 45 left, the worst of 3"."""
    check = first.check
    leans = sentences.direction(check.mean, check.expanded, first.relation.leans)
    at = f"at the stop {first.stop}" if first.named else ""
    if at and stops > 1:
        at += f", the worst of {stops}"
    half = f"{first.half} half of the fence" if first.half else ""
    return sentences.capital(", ".join(each for each in (when, leans, at, half) if each))


def check_again(stops: Sequence[StopStandingOut], moment: datetime) -> str:
    """When the stop that is due first is to be checked, as what follows "check again"."""
    first = due_first(stops)
    if first.good_until is None:
        when = f"{first.until[:1].lower()}{first.until[1:].rstrip('.')}"
    elif first.good_until < moment:
        when = f"now: due since {day(first.good_until)}"
    else:
        when = f"by {day(first.good_until)}"
    return when if len(stops) == 1 else f"{when} ({first.stop.name})"


def due_first(stops: Sequence[StopStandingOut]) -> StopStandingOut:
    """The stop that is due first, of those alike the one off by the most of its tolerance; one that
    was never checked counts only where none was."""
    checked = [stop for stop in stops if stop.checked_at] or stops
    return min(checked, key=_first)


def _first(stop: StopStandingOut) -> tuple[float, float]:
    off = stop.result.off_in_tolerances if stop.result else 0.0
    return stop.good_until.timestamp() if stop.good_until else -math.inf, -off
