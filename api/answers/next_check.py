"""When a machine is due for its next check."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median
from typing import Final

from analysis import sentences
from analysis.conformity import ADJUST, UNKNOWN
from api.answers.history import MachineHistory
from api.answers.machine_state import all_known
from api.answers.moments import day

_FEWEST_GAPS: Final = 2
_LATEST_GAPS: Final = 10
_ALWAYS: Final = "after every blade change, move, adjustment or knock"


def next_check(found: MachineHistory, moment: datetime) -> str:
    """When the machine is due, as a sentence.

    At once where something is still to be done; else as often as it was checked so far: one
    median gap between its latest days of checks after the last check.
    """
    state = found.state
    if not state.known:
        return "Now: it has not been checked yet."
    if state.caveat:
        return "Now: it was changed since it was measured."
    verdicts = {known.check.verdict for known in state.known}
    if ADJUST in verdicts:
        return "Now: adjust it, then measure it again."
    if UNKNOWN in verdicts:
        return "Now: more trials are needed for a verdict."
    checked = (known.at for series in found.series for known in all_known(series))
    days = sorted({at.astimezone().date() for at in checked})
    gaps = [(later - earlier).days for earlier, later in pairwise(days)]
    if len(gaps) < _FEWEST_GAPS:
        return f"{sentences.capital(_ALWAYS)}, and before work that needs this tolerance."
    by = state.known[0].at + timedelta(days=median(gaps[-_LATEST_GAPS:]))
    words = f"overdue since {day(by)}" if by < moment else f"by {day(by)}"
    return f"{sentences.capital(words)} (as often as so far), and {_ALWAYS}."
