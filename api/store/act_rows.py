"""Acts and corrections as rows of `acts`, and back."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Row

from analysis.guard import Question
from api.store.authors import UNSIGNED, Authored
from capture import records

BEGINNING: Final = ("start", "resume")
"""The kinds of acts that make a bench feed a series from there on."""
MADE: Final = ("start", "set up")
"""The kinds of acts that a series begins with."""
TURNING: Final = (*BEGINNING, "finish")
"""The kinds of acts from which on a bench feeds another series, or none."""

_KINDS: Final[dict[type[records.Entry | records.Correction], str]] = {
    records.Start: "start",
    records.SetUp: "set up",
    records.Ask: "ask",
    records.TakeBack: "take back",
    records.SwapEnds: "swap ends",
    records.Restore: "restore",
    records.LeaveOut: "leave out",
    records.CountAgain: "count again",
    records.MoveOut: "move out",
    records.MoveIn: "move in",
    records.Away: "away",
    records.Stayed: "stayed",
    records.Finish: "finish",
    records.Resume: "resume",
}
Columns = dict[str, Any]


def act_columns(entry: records.Entry) -> Columns:
    """The columns kind, series_id, layout, reading_id, trial and data of an entry that is no press:
    what was asked, not its outcome, so that a replay asks the same."""
    if isinstance(entry, records.Corrected):
        return _columns(entry.act) | {"series_id": entry.series}
    return _columns(entry)


def _columns(entry: records.Entry | records.Correction) -> Columns:
    layout = getattr(entry, "layout", None)
    # The reading that is asked about is not there yet, so no column may point to it.
    asked = isinstance(entry, records.Ask)
    return {
        "kind": _KINDS[type(entry)],
        "series_id": getattr(entry, "series", None),
        "layout": None if layout is None else asdict(layout),
        "reading_id": None if asked else getattr(entry, "reading", None),
        "trial": getattr(entry, "trial", None),
        "data": _data(entry),
    }


def _data(entry: records.Entry | records.Correction) -> dict[str, Any] | None:
    match entry:
        case records.Ask():
            return {"reading": str(entry.reading), **asdict(entry.question)}
        case records.Away():
            return None if entry.to_deg is None else {"to_deg": entry.to_deg}
        case records.MoveOut():
            return {"trials": list(entry.trials)}
        case records.MoveIn():
            return {"trials": [_trial_json(trial) for trial in entry.trials]}
        case _:
            return None


def _trial_json(trial: records.Trial) -> dict[str, Any]:
    return {
        "number": trial.number,
        "swapped": trial.swapped,
        "left_out": trial.left_out,
        "visit": trial.visit,
        "slots": [
            None
            if placed is None
            else {
                "reading": str(placed.reading.id),
                "order": placed.order,
                "flags": list(placed.flags),
            }
            for placed in trial.slots
        ],
    }


def readings_moved(data: Mapping[str, Any]) -> Iterator[UUID]:
    """The readings that an act of kind `move in` brings from another series; data: its column."""
    for trial in data["trials"]:
        yield from (UUID(slot["reading"]) for slot in trial["slots"] if slot is not None)


def entry_of(row: Row[Any], readings: Mapping[UUID, records.Reading]) -> records.Entry:
    """The entry that a row of `acts` was made of; readings: at least those it names."""
    if row.kind == "ask":
        said = dict(row.data)
        return records.Ask(UUID(said.pop("reading")), Question(**said))
    if row.kind in _BENCH:
        return _BENCH[row.kind](row)
    act = _correction(row, readings)
    if row.series_id is not None:
        return records.Corrected(row.series_id, act)
    if isinstance(act, _AT_BENCH):
        return act
    raise ValueError(f"the log holds an act {row.kind!r} of no series")


_AT_BENCH: Final = (
    *(records.TakeBack, records.SwapEnds, records.Restore),
    *(records.Away, records.Stayed),
)


def _layout(row: Row[Any]) -> records.Layout:
    layout = dict(row.layout)
    swap = layout.pop("swap")
    return records.Layout(**layout, swap=None if swap is None else tuple(swap))


_BENCH: Final[dict[str, Callable[[Row[Any]], records.Entry]]] = {
    "start": lambda row: records.Start(row.series_id, _layout(row)),
    "set up": lambda row: records.SetUp(row.series_id, _layout(row)),
    "finish": lambda _row: records.Finish(),
    "resume": lambda row: records.Resume(row.series_id),
}


def _correction(row: Row[Any], readings: Mapping[UUID, records.Reading]) -> records.Correction:
    match row.kind:
        case "take back":
            return records.TakeBack(row.reading_id)
        case "swap ends":
            return records.SwapEnds(row.trial)
        case "restore":
            return records.Restore(row.reading_id)
        case "leave out":
            return records.LeaveOut(row.trial)
        case "count again":
            return records.CountAgain(row.trial)
        case "away":
            return records.Away(row.trial, None if row.data is None else row.data["to_deg"])
        case "stayed":
            return records.Stayed(row.trial)
        case "move out":
            return records.MoveOut(tuple(row.data["trials"]))
        case "move in":
            return records.MoveIn(tuple(_trial(said, readings) for said in row.data["trials"]))
        case kind:
            raise ValueError(f"the log holds an act {kind!r} that this program does not know")


def _trial(said: dict[str, Any], readings: Mapping[UUID, records.Reading]) -> records.Trial:
    slots = tuple(
        None
        if slot is None
        else records.Placed(readings[UUID(slot["reading"])], slot["order"], tuple(slot["flags"]))
        for slot in said["slots"]
    )
    visit = said.get("visit", 1)  # moves of an earlier version knew no visits
    return records.Trial(said["number"], slots, said["swapped"], said["left_out"], visit)


def act_row(
    entry: records.Entry,
    act_id: UUID,
    bench_id: int,
    seq: int,
    at: datetime,
    by: Authored = UNSIGNED,
    change: UUID | None = None,
) -> Columns:
    """The whole row of `acts` of an entry that is no press. by: who did it; of a correction, its
    `change` says so."""
    where = {"id": act_id, "bench_id": bench_id, "seq": seq, "at": at, "change_id": change}
    return act_columns(entry) | where | by._asdict()
