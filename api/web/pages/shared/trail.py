"""What was changed, as pages list it: the trail in words, request by request."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection

from analysis.methods import METHODS
from analysis.sentences import capital
from api.store.authors import in_words
from api.store.log import acts_of
from api.store.rows import changes as rows
from api.store.rows.machines import names
from api.store.rows.stops import stop_names
from api.store.rows.works import work_names
from api.store.stamps import now
from api.web.shapes.series import ChangeOut

UNDO_OFFERED_S: Final = 60
"""For so long after an act a page offers to undo it with one button."""


@dataclass(frozen=True, slots=True)
class Done:
    """What one request changed. change: by which it can be undone, None where it can't be here.
    undone: all of it; undoes: it is itself the undoing of another. seconds: for so long its undoing
    is offered at once, 0 where it is not. by: who did it, "" where nobody is known."""

    latest: ChangeOut
    words: tuple[str, ...]
    undone: bool
    undoes: bool
    change: UUID | None
    seconds: float
    by: str


@dataclass(frozen=True, slots=True)
class Trail:
    """done: the latest first. people: who may be picked as the one who corrects."""

    done: tuple[Done, ...]
    people: Sequence[str]


def trail(
    connection: Connection,
    changes: Iterable[ChangeOut],
    noun: str = "",
    labels: Mapping[str, str] | None = None,
    called: Mapping[str, str] | None = None,
) -> Trail:
    """The trail of one page, from its changes in order.

    noun: what a trial of the series is called. labels: what the page's form calls a field. called:
    what a setup change or a stop is called, by its id.
    """
    acts: dict[UUID, list[ChangeOut]] = {}
    for change in changes:
        acts.setdefault(change.act, []).append(change)
    of_ids = names(connection) | stop_names(connection) | work_names(connection)
    wording = _Wording(noun, of_ids, _LABELS | dict(labels or {}), called or {})
    merges = rows.merges(connection, acts.keys())
    done = [_done(act, wording, merges) for act in acts.values()]
    if done:
        done[-1] = _offered(done[-1])
    return Trail(tuple(reversed(done)), rows.known_people(connection))


def signed_acts(connection: Connection, series_id: UUID) -> list[tuple[str, datetime, str]]:
    """What was done at the bench of a series, when, and by whom, where anybody is known of any; its
    corrections are in the trail."""
    acts = [row for row in acts_of(connection, series_id) if row.kind in _DONE_AT_BENCH]
    acts = [row for row in acts if row.change_id is None]
    if not any(row.who for row in acts):
        return []
    at_the_computer = "at the computer itself"
    return [
        (
            _DONE_AT_BENCH[row.kind],
            row.at,
            in_words(row.who, row.through) if row.who else at_the_computer,
        )
        for row in acts
    ]


_DONE_AT_BENCH: Final = {
    "start": "Started",
    "finish": "Finished",
    "resume": "Resumed",
    "take back": "A reading taken back",
    "restore": "A reading counted again",
    "swap ends": "Ends swapped",
    "away": "The machine swung away and back",
    "stayed": "It was not swung away",
}


def seconds_left(age_s: float) -> float:
    """For how long the undoing of what was done so long ago is still offered."""
    return max(0.0, round(UNDO_OFFERED_S - age_s, 3))


@dataclass(frozen=True, slots=True)
class _Wording:
    noun: str
    names: Mapping[str, str]
    labels: Mapping[str, str]
    called: Mapping[str, str]


def _done(act: Sequence[ChangeOut], wording: _Wording, merges: frozenset[UUID]) -> Done:
    words = [_words(change, wording) for change in act]
    # What a merge moved goes back with the merge, on the machine's page.
    merged = act[0].act in merges and act[0].subject_kind == "series"
    if merged:
        words = [f"{each}, since they were merged" for each in words]
    standing = [c.id for c in act if not (c.undone or c.undoes or merged)]
    return Done(
        act[-1],
        tuple(dict.fromkeys(words)),
        all(c.undone for c in act),
        act[0].undoes is not None,
        standing[-1] if standing else None,
        0.0,
        in_words(act[-1].who, act[-1].through) if act[-1].who else "",
    )


def _offered(done: Done) -> Done:
    if done.change is None:
        return done
    age = (now() - done.latest.at).total_seconds()
    return replace(done, seconds=seconds_left(age))


_LABELS: Final = {
    "at": "time",
    "bevel_deg": "bevel, in degrees",
    "check_days": "days between series",
    "jaw_width": "width of the jaws, in mm",
    "strip_side": "the strip fell to the",
    "nominal_deg": "nominal angle, in degrees",
    "readings_unit": "the caliper was set to",
}
"""Where a field is called otherwise than by its name."""


def _words(change: ChangeOut, wording: _Wording) -> str:
    """What a change changed."""
    noun = capital(wording.noun)
    of = f"{noun} {change.trial}"
    match change.field, change.after:
        case "counted", after:
            return f"{of}: {'counted again' if after else 'left out'}"
        case "ends", _:
            return f"{of}: ends swapped"
        case "visit", after:
            moved = "after the machine was swung away and back"
            return f"{of}: cut {moved if after == 'next' else 'in the same visit as before'}"
        case "reading", after:
            where = "A reading" if change.trial is None else f"{of}: a reading"
            return f"{where} {'taken back' if after == 'taken back' else 'counted again'}"
        case "moved out", _:
            return f"{noun}s moved to another series: {_listed(change.before)}"
        case "moved", after:
            return f"{noun}s moved here from another series, now {_listed(after)}"
        case rows.MERGED, None:
            return f"{wording.names[change.subject]} is a machine of its own again"
        case rows.MERGED, _:
            return f"{wording.names[change.subject]} merged into this machine"
    about = f"{called}: " if (called := wording.called.get(change.subject)) else ""
    if isinstance(change.after, bool):
        yes, no = {"retired": ("retired", "brought back")}.get(
            change.field, ("withdrawn", "counts again")
        )
        said = yes if change.after else no
    else:
        label = wording.labels.get(change.field, change.field.replace("_", " "))
        before, after = (
            _said(change.field, value, wording.names) for value in (change.before, change.after)
        )
        said = f"{label}: {before} → {after}"
    return about + (said if about else capital(said))


def _said(field: str, value: Any, names: Mapping[str, str]) -> str:
    if value is None or value == "":
        return "none"
    if field in ("machine", "stop", "work"):
        return names.get(value, f"a {field}")
    if field == "parts":
        return _parts(value, names)
    if field == "method":
        if isinstance(value, dict):
            return str(value.get("title") or value["key"])
        return METHODS[value].title if value in METHODS else str(value)
    return str(value)


def _parts(parts: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """The parts of a work: their kind, their numbers, and the stops they are cut at."""
    if parts["kind"] == "joints":
        each = [
            f"{joint['count']} of {joint['length']}, {_cut_at(joint['cuts'], names)}"
            for joint in parts["joints"]
        ]
        return f"joints ({'; '.join(each)})"
    said = [
        f"{name} {', '.join(value) if isinstance(value, list) else value}"
        for name, value in parts.items()
        if name not in ("kind", "cuts")
    ]
    return f"{parts['kind']} ({', '.join(said)}, {_cut_at(parts['cuts'], names)})"


def _cut_at(cuts: Sequence[Mapping[str, str]], names: Mapping[str, str]) -> str:
    return "cut at " + " and ".join(
        f"{_said('machine', cut['machine'], names)}, {_said('stop', cut['stop'], names)}"
        for cut in cuts
    )


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(str(number) for number in numbers)
