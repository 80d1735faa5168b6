"""Corrections of series, their trials and readings: each a change in the trail, and an entry of the
log where it changes which readings make which trial.

Each call is one transaction. Nothing is overwritten but settings, whose earlier values the trail
holds; readings and acts stay as they were said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import Row, Table, select, update

from analysis.units import mm_text, parse_length
from api.errors import Conflict, NotFound
from api.store.authors import NOBODY, Author
from api.store.facts import method_of
from api.store.log import read_series
from api.store.new_series import NewSeries
from api.store.rows import changes as trail_rows
from api.store.rows.machines import alike
from api.store.rows.machines import machine as machine_row
from api.store.rows.readings import series_of_reading
from api.store.rows.stops import stop_of
from api.store.stop_records import stop_there
from api.store.tables import Series, Trial
from api.store.trail import By, Correcting, Subject, check_unchanged
from api.store.transactions import Transactions, Writing
from capture import folded, pairing, records

_SERIES: Final = cast(Table, Series.__table__)

SETTINGS: Final = (
    *("machine", "stop", "work", "method", "baseline", "thickness", "inset", "jaw_width", "unit"),
    *("readings_unit", "strip_side", "pieces", "tolerance_deg", "tolerance_gap"),
    *("tolerance_joint", "tolerance_length", "tolerance_nominal", "person", "note"),
    *("baseline_within", "thickness_within", "inset_within", "straightness", "strips"),
)
"""What of a series can be corrected, by the names the trail has; all texts, but for `pieces` and
`strips`, numbers. machine, stop, work: an id. method: its key, or the definition of one's own.
jaw_width: in millimetres."""

_VALUES_REST_ON: Final = frozenset(SETTINGS) - {
    *("machine", "work", "person", "note", "strips"),
    *(name for name in SETTINGS if name.startswith("tolerance_")),
}
"""The settings that the stored values of a trial follow from."""

_IDS: Final = ("machine", "stop", "work")
_LENGTHS: Final = ("baseline", "thickness", "inset")

Check = Callable[[Mapping[str, Any]], None]
"""Given the columns of `tables.Series` as they would be; raises InvalidField where they can't be
right."""

_NOTHING: Final[dict[str, str]] = {
    "nothing to take back": "this reading counts in no trial of its series",
    "nothing to restore": "there is no place for this reading: it was measured again; take that"
    " reading back first",
    "nothing to swap": "there are no ends to swap: the method has none, or no strip has that"
    " number",
    "nothing to change": "this is so already, or no strip has that number",
    "nothing to move": "there are no such strips, or their numbers are taken by strips that were"
    " measured since",
}


class Corrections:
    """Corrects what was said of series. Safe to call from any thread."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def series(self, series_id: UUID, settings: Mapping[str, Any], by: By, check: Check) -> None:
        """Correct settings of a series (names of `SETTINGS`); what follows is computed anew.

        Raises NotFound where there is no such series or machine, and what `check` raises.
        """
        with self._transactions.writing() as written:
            _lock(written, series_id)
            _correct_settings(Correcting(written, by), series_id, settings, check, {})

    def trial(self, series_id: UUID, act: records.Correction, by: By) -> None:
        """Swap the ends of a trial, leave it out, or count it again.

        Raises NotFound where there is no such series, Conflict where it would change nothing.
        """
        with self._transactions.writing() as written:
            _lock(written, series_id)
            _correct_trial(Correcting(written, by), series_id, act)

    def reading(self, act: records.TakeBack | records.Restore, by: By) -> UUID:
        """Take back a reading, or let it count; its series.

        Raises NotFound where there is no such reading, or it belongs to no series; Conflict where
        it would change nothing.
        """
        assert act.reading is not None
        with self._transactions.writing() as written:
            series_id = series_of_reading(written.connection, act.reading)
            _lock(written, series_id)
            _correct_trial(Correcting(written, by), series_id, act)
        return series_id

    def move(
        self,
        series_id: UUID,
        number: int,
        by: By,
        *,
        to: UUID | None = None,
        new: Callable[[Row[Any]], NewSeries] | None = None,
        rest: bool = False,
    ) -> UUID:
        """Move a trial, or all from it on, to the series `to`, or to a new one; its id.

        new: makes the settings of the new series from the row of the old one, whose places it has.
        Raises NotFound where there is no such series or trial, Conflict where it can't be.
        """
        with self._transactions.writing() as written:
            _lock(written, series_id, to)
            return _move(Correcting(written, by), series_id, number, to, new, rest)

    def undo(self, change_id: UUID, by: By, check: Check) -> None:
        """Undo a change, and the others of the same request; one that is undone stays so.

        Raises NotFound where there is no such change of a series; Conflict where what it said was
        said otherwise since; what `check` raises.
        """
        with self._transactions.writing() as written:
            undone = trail_rows.not_undone(written.connection, change_id)
            _lock(written, *{change.series_id for change in undone})
            correcting = Correcting(written, by)
            for_settings: dict[UUID, list[Row[Any]]] = {}
            for change in trail_rows.not_undone(written.connection, change_id):
                if change.field in SETTINGS and change.trial is None:
                    for_settings.setdefault(change.series_id, []).append(change)
                else:
                    _undo_act(correcting, change)
            for series_id, said_then in for_settings.items():
                _undo_settings(correcting, series_id, said_then, check)


# ---------------------------------------------------------------- settings


def said(row: Mapping[str, Any], name: str) -> Any:
    """What the columns of a series say under a name of `SETTINGS`, as the trail has it."""
    if name in _IDS:
        return None if row[f"{name}_id"] is None else str(row[f"{name}_id"])
    if name == "jaw_width":
        return None if row["jaw_width_nm"] is None else mm_text(row["jaw_width_nm"])
    if name == "method" and row["method_data"] is not None:
        return row["method_data"]
    return row[name]


def _columns(name: str, value: Any) -> dict[str, Any]:
    if name in _IDS:
        return {f"{name}_id": value and UUID(value)}
    if name == "jaw_width":
        return {"jaw_width_nm": None if value is None else parse_length(value, "mm")}
    if name == "method":
        if isinstance(value, str):
            return {"method": value, "method_data": None}
        return {"method": value["key"], "method_data": value}
    return {name: value}


def _correct_settings(
    correcting: Correcting,
    series_id: UUID,
    settings: Mapping[str, Any],
    check: Check,
    undoes: Mapping[str, UUID],
) -> None:
    written = correcting.written
    row = dict(written.series(series_id)._mapping)
    after = _settled(written, row, settings, correcting.by)
    changed = [name for name in settings if said(after, name) != said(row, name)]
    if not changed:
        return
    if "stop" not in changed and alike(after["stop"]) != alike(row["stop"]):
        changed.append("stop")  # with the machine
    if "strips" in changed and _read(written, series_id):
        raise Conflict(
            "how many strips are planned is said before the first one is read: the verdict at their"
            " end is one look at a number that was not chosen by what they showed; start the series"
            " once more to plan another"
        )
    check(after)
    subject = Subject("series", str(series_id), row["bench_id"], series_id)
    for name in changed:
        correcting.say(subject, name, said(row, name), said(after, name), undoes.get(name))
    write_settings(written, series_id, {name: said(after, name) for name in changed})


def _read(written: Writing, series_id: UUID) -> bool:
    """Whether a reading of a series was ever in a trial."""
    query = select(Trial.id).where(Trial.series_id == series_id).limit(1)
    return written.connection.scalar(query) is not None


def _settled(
    written: Writing,
    row: Mapping[str, Any],
    settings: Mapping[str, Any],
    by: Author = NOBODY,
) -> dict[str, Any]:
    """The columns of a series, and what its stop is called and set to, as they are with other
    settings; lengths in nanometres are not. A machine without a stop said takes the series to the
    same setting there."""
    after = dict(row)
    for name, value in settings.items():
        after |= _columns(name, value)
    machine_id, stop_id = after["machine_id"], after["stop_id"]
    if (machine_id, stop_id) == (row["machine_id"], row["stop_id"]):
        return after
    machine_row(written.connection, machine_id)
    if stop_id == row["stop_id"]:
        stop = stop_there(written, stop_id, machine_id, by)
    else:
        stop = stop_of(written.connection, machine_id, stop_id)
    after |= {"stop_id": stop.id, "stop": stop.name}
    return after | {"nominal_deg": stop.nominal_deg, "bevel_deg": stop.bevel_deg}


def write_settings(written: Writing, series_id: UUID, settings: Mapping[str, Any]) -> None:
    """Write settings (names of `SETTINGS`) to the row of a series, and all that follows from them;
    nothing is said in the trail."""
    bench = written.bench_of(series_id)
    row = dict(written.series(series_id)._mapping)
    after = _settled(written, row, settings)
    for name in _LENGTHS:
        length = after[name]
        after[f"{name}_nm"] = None if length is None else parse_length(length, after["unit"])
    new = {c: value for c, value in after.items() if c in _SERIES.c and value != row[c]}
    written.connection.execute(update(_SERIES).where(_SERIES.c.id == series_id).values(new))
    written.forget(bench)
    written.add_event(bench.id, "series", series_id)
    if _VALUES_REST_ON.intersection(settings):
        written.project_all(series_id)
    elif bench.state.series == series_id:
        written.add_event(bench.id, "bench", series_id)
        written.add_event(bench.id, "score", series_id)


def _undo_settings(
    correcting: Correcting, series_id: UUID, changes: list[Row[Any]], check: Check
) -> None:
    row = dict(correcting.written.series(series_id)._mapping)
    for change in changes:
        check_unchanged(change.field, said(row, change.field), change.after)
    before = {change.field: change.before for change in changes}
    undoes = {change.field: change.id for change in changes}
    _correct_settings(correcting, series_id, before, check, undoes)


# ---------------------------------------------------------------- trials and readings


@dataclass(frozen=True, slots=True)
class _Said:
    """How the trail says an act on a trial or reading."""

    field: str
    before: Any
    after: Any


_ACTS: Final[dict[type[records.Correction], _Said]] = {
    records.LeaveOut: _Said("counted", True, False),
    records.CountAgain: _Said("counted", False, True),
    records.Away: _Said("visit", "same", "next"),
    records.Stayed: _Said("visit", "next", "same"),
    records.TakeBack: _Said("reading", "counted", "taken back"),
    records.Restore: _Said("reading", "not counted", "counted"),
}


def _correct_trial(
    correcting: Correcting,
    series_id: UUID,
    act: records.Correction,
    undoes: UUID | None = None,
) -> None:
    written = correcting.written
    bench = written.bench_of(series_id)
    state = pairing.fold(read_series(written.connection, series_id)).latest
    number, reading = _about(state, act)
    found = _ACTS.get(type(act)) or _ends(state, number)
    subject = Subject("series", str(series_id), bench.id, series_id, number, reading)
    change = correcting.say(subject, found.field, found.before, found.after, undoes)
    _do(written, series_id, act, change)


def _about(state: folded.State, act: records.Correction) -> tuple[int | None, UUID | None]:
    """The number of the trial, and the reading, that a correction is about."""
    if isinstance(act, records.TakeBack | records.Restore):
        number = next(
            (
                trial.number
                for trial in state.trials
                for placed in trial.slots
                if placed is not None and placed.reading.id == act.reading
            ),
            None,
        )
        return number, act.reading
    if not isinstance(act, records.MoveOut | records.MoveIn):
        return act.trial, None
    raise TypeError(f"{act!r} is a move")


def _ends(state: folded.State, number: int | None) -> _Said:
    swapped = any(trial.swapped for trial in state.trials if trial.number == number)
    said_of = {False: "as read", True: "swapped"}
    return _Said("ends", said_of[swapped], said_of[not swapped])


def _do(written: Writing, series_id: UUID, act: records.Correction, change: UUID) -> None:
    outcome = written.correct(series_id, act, change)
    if outcome.did_nothing:
        raise Conflict(_NOTHING[outcome.kind])


def _undo_act(correcting: Correcting, change: Row[Any]) -> None:
    if change.field == "moved":
        _undo_move(correcting, change)
    if change.field in ("moved", "moved out"):  # the one with the other
        return
    inverse: records.Correction
    match change.field, change.after:
        case "ends", _:
            inverse = records.SwapEnds(change.trial)
        case "counted", False:
            inverse = records.CountAgain(change.trial)
        case "counted", True:
            inverse = records.LeaveOut(change.trial)
        case "visit", "next":
            inverse = records.Stayed(change.trial)
        case "visit", _:
            inverse = records.Away(change.trial)
        case "reading", "taken back":
            inverse = records.Restore(change.reading_id)
        case "reading", _:
            inverse = records.TakeBack(change.reading_id)
        case field, _:
            raise NotFound(f"a change of {field} cannot be undone here")
    _correct_trial(correcting, change.series_id, inverse, change.id)


# ---------------------------------------------------------------- moves


def _move(
    correcting: Correcting,
    series_id: UUID,
    number: int,
    to: UUID | None,
    new: Callable[[Row[Any]], NewSeries] | None,
    rest: bool,
) -> UUID:
    written = correcting.written
    row = written.series(series_id)
    state = pairing.fold(read_series(written.connection, series_id)).latest
    moved = [t for t in state.trials if not t.empty and t.number >= number]
    if not rest:
        moved = [t for t in moved if t.number == number]
    if not moved or moved[0].number != number:
        raise NotFound(f"the series has no strip {number}")
    if to == series_id:
        raise Conflict("the strip belongs to that series already")
    out = _move_out(correcting, series_id, moved)
    if to is None:
        assert new is not None
        began, ended = _span(moved)
        bench = written.bench_of(series_id)
        to = written.set_up(bench, new(row), began, ended, out)
    _move_in(correcting, series_id, to, moved, out)
    return to


def _lock(written: Writing, *series: UUID | None) -> None:
    """Lock the benches of these series, by name, as every writer does.

    Raises NotFound where no series has one of the ids.
    """
    for name in sorted({written.bench_name(each) for each in series if each is not None}):
        written.bench(name)


def _span(trials: list[records.Trial]) -> tuple[datetime, datetime]:
    taken = [placed.reading.taken_at for t in trials for placed in t.slots if placed is not None]
    return min(taken), max(taken)


def _move_out(
    correcting: Correcting,
    series_id: UUID,
    trials: list[records.Trial],
    undoes: UUID | None = None,
) -> UUID:
    numbers = [trial.number for trial in trials]
    bench = correcting.written.bench_of(series_id)
    subject = Subject("series", str(series_id), bench.id, series_id, numbers[0])
    change = correcting.say(subject, "moved out", numbers, None, undoes)
    _do(correcting.written, series_id, records.MoveOut(tuple(numbers)), change)
    return change


def _move_in(
    correcting: Correcting,
    source: UUID,
    target: UUID,
    trials: list[records.Trial],
    out: UUID,
    numbers: list[int] | None = None,
    undoes: UUID | None = None,
) -> None:
    """numbers: those that the trials get, after the last where None."""
    written = correcting.written
    bench = written.bench_of(target)
    state = pairing.fold(read_series(written.connection, target)).latest
    alike = _places(written.series(source)) == _places(written.series(target))
    if not alike or any(len(t.slots) != state.layout.places * state.layout.repeats for t in trials):
        raise Conflict("that series reads other places; move the strip to one that reads the same")
    if numbers is None:
        last = state.trials[-1] if state.trials else None
        if last is not None and not last.complete and bench.state.series == target:
            raise Conflict("a strip of that series is being measured; finish it first")
        after = 0 if last is None else last.number
        numbers = list(range(after + 1, after + 1 + len(trials)))
    placed = tuple(replace(t, number=n) for t, n in zip(trials, numbers, strict=True))
    subject = Subject("series", str(target), bench.id, target, numbers[0])
    said_of = {"series": str(source), "trials": [t.number for t in trials], "change": str(out)}
    change = correcting.say(subject, "moved", said_of, numbers, undoes)
    _do(written, target, records.MoveIn(placed), change)


def _places(series: Row[Any]) -> list[str]:
    return [place.key for place in method_of(series).places]


def _undo_move(correcting: Correcting, change: Row[Any]) -> None:
    """Undo the arrival of trials, and with it their leaving."""
    written = correcting.written
    source = UUID(change.before["series"])
    state = pairing.fold(read_series(written.connection, change.series_id)).latest
    trials = [t for t in state.trials if t.number in change.after and not t.empty]
    check_unchanged("trials", [t.number for t in trials], change.after)
    out = _move_out(correcting, change.series_id, trials, UUID(change.before["change"]))
    numbers = change.before["trials"]
    _move_in(correcting, change.series_id, source, trials, out, numbers, change.id)
