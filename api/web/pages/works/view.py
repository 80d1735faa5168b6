"""The pages of works: the list, with the verdict on each stop, and one work with its parts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection, Row

from analysis.conformity import ADJUST, GOOD, UNKNOWN
from analysis.sentences import capital
from analysis.works.assemblies import FEWEST_SIDES, MOST_PIECES, MOST_SIDES
from api.answers import work_parts, works
from api.answers.work_parts import WorkAnswer
from api.answers.works import StopOfMachine, WorkVerdict
from api.errors import InvalidField, NotFound
from api.store.rows import changes as rows_of_changes
from api.store.rows import machines, stops
from api.store.rows import works as rows
from api.store.rows.machines import parse_id
from api.web.convert import change_out
from api.web.convert.works import Standings, need_words, work_urgency
from api.web.deps import TheKept, TheStore
from api.web.kept import standings_by_stop
from api.web.pages.shared.charts import Picture
from api.web.pages.shared.rendering import page
from api.web.pages.shared.trail import trail
from api.web.pages.works.chart import Gap, KnownError, errors_picture, gaps_picture

router = APIRouter(include_in_schema=False)

_KINDS: Final = {
    "frame": "a mitred frame",
    "case": "a case",
    "shelves": "a row of shelves",
    "joints": "single joints",
}
_FIELDS: Final = (
    "kind", "sides", "lengths", "joint", "width", "height", "depth", "count", "length",
)  # fmt: skip
_ROWS: Final = 3
"""Of the form for single joints: so many are empty beside those that are there."""
_ORDER: Final = (GOOD, UNKNOWN, ADJUST, None)


@router.get("/works")
def works_page(request: Request, store: TheStore, kept: TheKept) -> HTMLResponse:
    """Every work with the verdict on each stop, and a form for a new one."""
    every = rows.works(store, retired=True)
    listed = [work for work in every if work.retired_at is None]
    found = works.of_works(store, listed)
    standings = standings_by_stop(store, kept, machines.machines(store))
    return page(
        request,
        "works/list.html",
        part="works",
        works=[
            (work, need_words(work), _by_verdict(stops, standings), _good_for(work, stops))
            for work, stops in zip(listed, found, strict=True)
        ],
        retired=[work for work in every if work.retired_at is not None],
    )


@router.get("/works/{work_id}")
def work_page(request: Request, work_id: str, store: TheStore, kept: TheKept) -> HTMLResponse:
    """One work: whether the machines are good enough for it, its parts, its corrections."""
    try:
        work = rows.work(store, parse_id(work_id))
    except NotFound:
        return page(
            request,
            "shared/missing.html",
            status=404,
            title="No such work",
            message="There is no such work. The Works page lists all of them.",
        )
    (found,) = works.of_works(store, [work])
    standings = standings_by_stop(store, kept, machines.machines(store))
    changes = map(change_out, rows_of_changes.of_subject(store, "work", str(work.id)))
    return page(
        request,
        "works/page.html",
        part="works",
        work=work,
        need=need_words(work),
        stops=_by_verdict(found, standings),
        answer=_answer(store, work, found),
        kinds=_KINDS,
        fewest=FEWEST_SIDES,
        most=MOST_SIDES,
        most_pieces=MOST_PIECES,
        **_parts(store, work.parts or {}),
        trail=trail(store, changes, labels={"gap": "accepted gap", "joint": "length of the joint"}),
    )


_Found = Sequence[tuple[StopOfMachine, WorkVerdict]]


def _by_verdict(
    found: _Found, standings: Standings
) -> list[tuple[StopOfMachine, WorkVerdict, str]]:
    """With why its check is due, where it is."""
    each = []
    for stop, verdict in sorted(found, key=lambda each: _ORDER.index(each[1].verdict)):
        standing = standings[stop.stop.id]
        due = work_urgency(verdict, stop, standing) == "due"
        each.append((stop, verdict, standing.until if due else ""))
    return each


@dataclass(frozen=True, slots=True)
class _Answer:
    """lead: the answer in a sentence. caption: of the picture."""

    lead: str
    more: Sequence[str]
    picture: Picture
    caption: str


def _answer(store: Connection, work: Row[Any], found: _Found) -> _Answer:
    made: WorkAnswer | None = None
    missing: Sequence[str] = ()
    try:
        made = work_parts.answer(store, work)
    except InvalidField as error:  # a stop's angle, or the need, was corrected after the parts
        missing = (f"{capital(error.message)}: correct the parts.",)
    if made is not None:
        missing = made.missing
    if made is not None and made.chances is not None:
        chances, accepted = made.chances, min(made.accepted_mm)
        gaps = [Gap("As the machines are now", chances.most_mm)]
        gaps += [Gap(f"If {p.stop.called} cut true", p.without_mm) for p in chances.parts]
        caption = (
            "How far the worst joint stands open at most in 95 of 100, now and with one stop true"
            " and always alike."
            + ("" if len(set(made.accepted_mm)) == 1 else " Accepted: for the shortest joint.")
            + " By draws (JCGM 101)."
        )
        return _Answer(
            made.sentences[0],
            made.sentences[1:],
            gaps_picture(gaps, accepted, work.unit),
            caption,
        )
    limit = math.degrees(works.tolerance(work._asdict()).high)
    picture = errors_picture(_known(found), limit)
    lead = "How likely it succeeds is not known yet." if missing else _good_for(work, found)
    return _Answer(lead, missing, picture, "The list says which way each leans.")


def _good_for(work: Row[Any], found: _Found) -> str:
    good: dict[str, list[str]] = {}
    for stop, verdict in found:
        if verdict.verdict == GOOD:
            good.setdefault(stop.machine.name, []).append(stop.stop.name)
    if good:
        named = "; ".join(f"{machine}, {', '.join(stops)}" for machine, stops in good.items())
        return f"Good enough for {work.name}: {named}."
    if any(verdict.verdict is not None for _, verdict in found):
        return f"No stop is shown to be good enough for {work.name}."
    return "No stop has been measured since it was last set up: measure one first."


def _known(found: _Found) -> list[KnownError]:
    return [
        KnownError(
            stop.called
            if len(stop.known) == 1
            else f"{stop.called}, {known.series.facts.method.title}",
            math.degrees(known.check.mean),
            math.degrees(known.check.expanded),
        )
        for stop, verdict in found
        if verdict.verdict is not None
        for known in stop.known
    ]


# ---------------------------------------------------------------- the form of the parts


def _parts(store: Connection, parts: Mapping[str, Any]) -> dict[str, Any]:
    """What the form of the parts shows and offers."""
    joints = [
        {**joint, "cuts": [_value(cut) for cut in joint["cuts"]]}
        for joint in parts.get("joints", ())
    ]
    cuts = [_value(cut) for cut in parts.get("cuts", ())]
    offered = _offered(store)
    names = machines.names(store) | stops.stop_names(store)
    for value in [*cuts, *(cut for joint in joints for cut in joint["cuts"])]:
        if value not in offered:
            of, stop = value.split()
            called = f"{names.get(of, 'a machine')}, {names.get(stop, 'a stop')}"
            offered[value] = f"{called} (in no list any more)"
    return {
        "parts": {**dict.fromkeys(_FIELDS), **parts},
        "cuts": cuts,
        "joints": joints + [{"length": "", "count": 1, "cuts": []}] * _ROWS,
        "offered": offered,
    }


def _offered(store: Connection) -> dict[str, str]:
    """What each stop of each machine is called, by the ids of both."""
    every = stops.every_stop(store)
    return {
        f"{machine.id} {stop.id}": f"{machine.name}, {stop.name}"
        for machine in machines.machines(store)
        for stop in every
        if stop.machine_id == machine.id
    }


def _value(cut: Mapping[str, str]) -> str:
    return f"{cut['machine']} {cut['stop']}"
