"""Calipers: those that are listened to now, and all that were ever heard."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal, TypedDict

from sqlalchemy import Connection

from analysis.units import mm
from api.answers.caliper_studies import BlockStudy, SpotStudy, latest_studies
from api.answers.moments import ago
from api.instruments.listening import OF_THE_PAGE, Listened
from api.store.rows.calipers import KnownCaliper, known_calipers
from capture.records import CaliperState

Heard = Literal["here", "elsewhere", "page", "not now"]

_OF_THE_PAGE: Final = {
    "keyboard": "What a caliper types like a keyboard, while the Bench page is in front.",
    "typed": "What a person types into the Bench page.",
}


@dataclass(frozen=True, slots=True)
class CaliperRecord:
    """A caliper that is listened to, or was heard at some time.

    heard: `here` by this server, `elsewhere` by a bench program, `page` by the Bench page, or
    `not now`. state: that of an instrument (waiting, listening, quiet, unplugged, trouble,
    stopped), or "not listened to". name: what it is called; heard_as: the names its readings come
    in under. words: its state, for a person. message: what to do,
    where something can be done. spec: how it is listened to here. remembered: at the next
    start as well. jaw_width_mm: of its flat jaws, None where it is not said.
    check_days: a person's own interval between checks; certificate: of it, or of its block.
    same_spot: the latest such study; known_block: of each size the latest.
    """

    name: str
    heard_as: tuple[str, ...]
    bench: str | None
    heard: Heard
    state: str
    message: str
    words: str
    first_heard: datetime | None
    last_heard: datetime | None
    readings: int
    spec: str | None
    remembered: bool
    jaw_width_mm: float | None
    note: str | None
    readings_unit: str | None
    retired: bool
    check_days: int | None
    certificate: str | None
    same_spot: SpotStudy | None
    known_block: BlockStudy | None


def calipers_on_record(
    store: Connection,
    listened: Iterable[Listened],
    here: Sequence[CaliperState],
    elsewhere: Sequence[CaliperState],
    now: datetime,
) -> list[CaliperRecord]:
    """All of them: those that have a state first, then by name.

    listened: those that a person may have this server stop listening to. here, elsewhere: the
    states of this server's instruments and of those at benches elsewhere.
    """
    specs = {(each.bench, each.name): each for each in listened}
    known = {heard: each for each in known_calipers(store) for heard in each.heard_as}
    behind = _behind_one_port(known, specs.values())
    found = []
    heard: Heard
    for heard, states in (("here", here), ("elsewhere", elsewhere)):
        for state in states:
            spec = specs.get((state.bench, state.caliper))
            found.append(_listened(state, spec, known.get(state.caliper), heard, now))
    by_name = {state.caliper: state for state in (*here, *elsewhere)}
    for each in dict.fromkeys(known.values()):
        if not by_name.keys().isdisjoint(each.heard_as):
            continue
        port = next((behind[heard] for heard in each.heard_as if heard in behind), None)
        if port is not None and port.name in by_name:
            state = replace(by_name[port.name], caliper=each.name, last_heard=each.last_heard)
            found.append(_listened(state, None, each, "here", now))
        else:
            found.append(_at_rest(each, now))
    studied = latest_studies(store, list({each.name for each in found}))
    return [
        replace(each, same_spot=studied[each.name][0], known_block=studied[each.name][1])
        for each in found
    ]


def _behind_one_port(known: Iterable[str], listened: Iterable[Listened]) -> dict[str, Listened]:
    """Calipers that share a port and are distinguished by a label in their lines, and the port."""
    ports = [each for each in listened if each.spec.pattern is not None]
    return {name: port for name in known for port in ports if name.startswith(f"{port.name} ")}


def _listened(
    state: CaliperState,
    listened: Listened | None,
    known: KnownCaliper | None,
    heard: Heard,
    now: datetime,
) -> CaliperRecord:
    last = max(
        (at for at in (state.last_heard, known.last_heard if known else None) if at is not None),
        default=None,
    )
    return CaliperRecord(
        name=known.name if known else state.caliper,
        heard_as=known.heard_as if known else (state.caliper,),
        bench=state.bench,
        heard=heard,
        state=state.state,
        message=state.message,
        words=in_words(state.state, last, now),
        first_heard=known.first_heard if known else None,
        last_heard=last,
        readings=known.readings if known else 0,
        spec=str(listened.spec) if listened else None,
        remembered=listened.remembered if listened else False,
        jaw_width_mm=_jaw_width_mm(known),
        **_said(known),
        same_spot=None,
        known_block=None,
    )


def _at_rest(known: KnownCaliper, now: datetime) -> CaliperRecord:
    page = known.name in OF_THE_PAGE
    last = f" Last heard {since(known.last_heard, now)}." if known.last_heard else ""
    words = _OF_THE_PAGE[known.name] if page else "Not listened to now."
    return CaliperRecord(
        name=known.name,
        heard_as=known.heard_as,
        bench=known.bench,
        heard="page" if page else "not now",
        state="not listened to",
        message="",
        words=words + last,
        first_heard=known.first_heard,
        last_heard=known.last_heard,
        readings=known.readings,
        spec=None,
        remembered=False,
        jaw_width_mm=_jaw_width_mm(known),
        **_said(known),
        same_spot=None,
        known_block=None,
    )


class _Said(TypedDict):
    note: str | None
    readings_unit: str | None
    retired: bool
    check_days: int | None
    certificate: str | None


def _said(known: KnownCaliper | None) -> _Said:
    if known is None:
        return {
            "note": None,
            "readings_unit": None,
            "retired": False,
            "check_days": None,
            "certificate": None,
        }
    return {
        "note": known.note,
        "readings_unit": known.readings_unit,
        "retired": known.retired,
        "check_days": known.check_days,
        "certificate": known.certificate,
    }


def _jaw_width_mm(known: KnownCaliper | None) -> float | None:
    return None if known is None or known.jaw_width_nm is None else mm(known.jaw_width_nm)


def in_words(state: str, last_heard: datetime | None, now: datetime) -> str:
    """The state of a caliper, in a sentence."""
    match state:
        case "listening":
            if last_heard is None:
                return "Listening. Nothing heard yet: press its send button."
            return f"Listening. Last heard {since(last_heard, now)}."
        case "quiet":
            if last_heard is None:
                return "Quiet since it was opened."
            return f"Quiet for {lasting(last_heard, now)}."
        case "waiting":
            return "Waiting for it."
        case "unplugged":
            return "Unplugged. It is heard again as soon as it is plugged in."
        case "stopped":
            return "Stopped: no longer listened to."
        case _:
            return "Trouble."


def lasting(start: datetime, now: datetime) -> str:
    """ "a moment", "40 seconds", "3 minutes", "2 hours", "5 days"."""
    seconds = (now - start).total_seconds()
    for size, word in ((86_400, "day"), (3600, "hour"), (60, "minute")):
        if (count := int(seconds // size)) >= 1:
            return f"{count} {word}{'s' if count > 1 else ''}"
    # By tens, so that what is shown does not change all the time.
    return f"{int(seconds // 10)}0 seconds" if seconds >= 10 else "a moment"


def since(at: datetime, now: datetime) -> str:
    """ "just now", "3 minutes ago", "yesterday", "5 weeks ago"."""
    if (now - at).total_seconds() >= 6 * 3600:
        day = ago(at, now)
        if day != "today":
            return day
    length = lasting(at, now)
    return "just now" if length == "a moment" else f"{length} ago"
