"""Corrections of series, their trials and readings, and the trail of all corrections."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response

from analysis.units import mm_text
from api.answers import series
from api.answers.moments import aware
from api.answers.settings import (
    check_settings,
    corrected_method,
    jaws_nm,
    only_tolerance,
    same_settings,
)
from api.errors import InvalidField, NotFound
from api.server import Server
from api.store.rows import changes
from api.store.rows import series as rows
from api.store.rows.readings import series_of_reading
from api.web import convert
from api.web.asked.machine import machine_named
from api.web.asked.matching import IfMatch, check_series_match
from api.web.deps import TheKept, TheServer, TheStore
from api.web.shapes import ChangeOut, SeriesOut, When
from api.web.shapes.corrections import CorrectionIn, MoveIn, SeriesChangeIn
from capture import records

router = APIRouter(tags=["corrections"])

MOST: Final = 500
DryRun = Annotated[bool, Query(description="answer what would be, and store nothing")]
_NOT_ABSENT: Final = ("machine", "method", "unit", "strip_side")


@router.patch("/series/{series_id}")
def correct_series(
    series_id: UUID,
    body: SeriesChangeIn,
    server: TheServer,
    kept: TheKept,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SeriesOut:
    """Correct what was said of a series; all that follows is computed anew. What was read stays as
    it was, and so do other series."""
    given = {name: getattr(body, name) for name in body.model_fields_set - {"who", "reason"}}
    if not given:
        raise InvalidField("body", "say what to correct: the note, the baseline, the machine, ...")
    for name in _NOT_ABSENT:
        if name in given and given[name] is None:
            raise InvalidField(name, "cannot be absent; say what it is, or leave it out")
    settings = _settings(server, series_id, given)

    def correct() -> UUID:
        server.corrections.series(series_id, settings, body.by(), _check(server))
        return series_id

    check_series_match(server, kept, series_id, if_match)
    return _corrected(server, dry_run, correct)


def _settings(server: Server, series_id: UUID, given: Mapping[str, Any]) -> dict[str, Any]:
    """What is given, as the trail says it, with what follows from it."""
    with server.reading() as store:
        row = rows.series(store, series_id)
    settings = dict(given)
    for name in ("note", "inset"):
        if name in given:
            settings[name] = given[name] or {"note": None, "inset": "0"}[name]
    if "machine" in given:
        settings["machine"] = str(machine_named(server, given["machine"]).id)
    if "method" in given:
        settings |= corrected_method(row, given["method"], server.methods) | {
            name: given[name] for name in ("pieces", "jaw_width") if name in given
        }
    if "jaw_width" in given:
        jaws = jaws_nm(given["jaw_width"], given.get("unit", row.unit))
        settings["jaw_width"] = None if jaws is None else mm_text(jaws)
    return settings | only_tolerance(given)


@router.post("/series/{series_id}/trials/{number}/swap-ends")
def swap_ends(
    series_id: UUID,
    number: int,
    server: TheServer,
    kept: TheKept,
    body: CorrectionIn | None = None,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SeriesOut:
    """Swap the ends of a trial; also after the series has ended."""
    check_series_match(server, kept, series_id, if_match)
    return _trial(server, series_id, records.SwapEnds(number), body, dry_run)


@router.post("/series/{series_id}/trials/{number}/leave-out")
def leave_out(
    series_id: UUID,
    number: int,
    server: TheServer,
    kept: TheKept,
    body: CorrectionIn | None = None,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SeriesOut:
    """Leave a trial out: it is shown, and does not count. Say why in `reason`."""
    check_series_match(server, kept, series_id, if_match)
    return _trial(server, series_id, records.LeaveOut(number), body, dry_run)


@router.post("/series/{series_id}/trials/{number}/count-again")
def count_again(
    series_id: UUID,
    number: int,
    server: TheServer,
    kept: TheKept,
    body: CorrectionIn | None = None,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SeriesOut:
    """Let a trial that was left out count again."""
    check_series_match(server, kept, series_id, if_match)
    return _trial(server, series_id, records.CountAgain(number), body, dry_run)


@router.post("/series/{series_id}/trials/{number}/move")
def move(
    series_id: UUID,
    number: int,
    server: TheServer,
    kept: TheKept,
    body: MoveIn | None = None,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SeriesOut:
    """Move a trial, or all from it on, to another series, or to a new one with the same settings.
    The answer is the series that has them now."""
    asked = body or MoveIn()

    def correct() -> UUID:
        return server.corrections.move(
            series_id, number, asked.by(), to=asked.to, new=same_settings, rest=asked.rest
        )

    check_series_match(server, kept, series_id, if_match)
    return _corrected(server, dry_run, correct)


@router.post("/readings/{reading_id}/take-back")
def take_back(
    reading_id: UUID,
    server: TheServer,
    kept: TheKept,
    body: CorrectionIn | None = None,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SeriesOut:
    """Take a reading back: it stays in the log, and counts in no trial. The answer, and `If-Match`,
    are of its series."""
    act = records.TakeBack(reading_id)
    return _reading(server, kept, act, body, if_match, dry_run)


@router.post("/readings/{reading_id}/restore")
def restore(
    reading_id: UUID,
    server: TheServer,
    kept: TheKept,
    body: CorrectionIn | None = None,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SeriesOut:
    """Let a reading count that was taken back, bounced, or waits for an answer. The answer, and
    `If-Match`, are of its series."""
    act = records.Restore(reading_id)
    return _reading(server, kept, act, body, if_match, dry_run)


@router.post("/changes/{change_id}/undo")
def undo(
    change_id: UUID,
    server: TheServer,
    kept: TheKept,
    body: CorrectionIn | None = None,
    if_match: IfMatch = None,
) -> ChangeOut:
    """Undo a change, and the others of the same request, by another entry; one that is undone stays
    so. `If-Match` is that of its series."""
    by = (body or CorrectionIn()).by()
    with server.reading() as store:
        change = changes.change(store, change_id)
        kinds = {each.subject_kind for each in changes.not_undone(store, change_id)}
    if change.series_id is not None:
        check_series_match(server, kept, change.series_id, if_match)
    # A merge is of machines and of the series that it moved.
    if kinds <= {"series"}:
        server.corrections.undo(change_id, by, _check(server))
    else:
        server.machine_records.undo(change_id, by)
    with server.reading() as store:
        return convert.change_out(changes.change(store, change_id))


@router.get("/changes")
def all_changes(
    request: Request,
    response: Response,
    store: TheStore,
    since: Annotated[When | None, Query(description="only those made then or later")] = None,
    after: Annotated[UUID | None, Query(description="a change: only those that follow it")] = None,
    limit: Annotated[int, Query(ge=1, le=MOST)] = MOST,
) -> list[ChangeOut]:
    """All corrections in order.

    The `Link` header (RFC 8288) with rel="next" is the address of the next page.
    """
    moment = None if since is None else aware(since)
    try:
        found = changes.since(store, moment, after, limit + 1)
    except NotFound:
        raise InvalidField("after", "no change has that id; take it from an earlier page") from None
    shown = found[:limit]
    if len(found) > limit:
        address = request.url.include_query_params(after=str(shown[-1].id))
        response.headers["Link"] = f'<{address}>; rel="next"'
    return [convert.change_out(row) for row in shown]


def _check(server: Server) -> Callable[[Mapping[str, Any]], None]:
    return lambda columns: check_settings(columns, server.methods)


def _trial(
    server: Server,
    series_id: UUID,
    act: records.Correction,
    body: CorrectionIn | None,
    dry_run: bool,
) -> SeriesOut:
    by = (body or CorrectionIn()).by()

    def correct() -> UUID:
        server.corrections.trial(series_id, act, by)
        return series_id

    return _corrected(server, dry_run, correct)


def _reading(
    server: Server,
    kept: TheKept,
    act: records.TakeBack | records.Restore,
    body: CorrectionIn | None,
    if_match: str | None,
    dry_run: bool,
) -> SeriesOut:
    by = (body or CorrectionIn()).by()
    if if_match is not None:
        assert act.reading is not None
        with server.reading() as store:
            found = series_of_reading(store, act.reading)
        check_series_match(server, kept, found, if_match)
    return _corrected(server, dry_run, lambda: server.corrections.reading(act, by))


def _corrected(server: Server, dry_run: bool, correct: Callable[[], UUID]) -> SeriesOut:
    """The series that `correct` names, as it makes it, or would."""
    if dry_run:
        with server.journal.transactions.dry_run() as would_be:
            return convert.series_out(series.series(would_be, correct()))
    series_id = correct()
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))
