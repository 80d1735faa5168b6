"""Corrections of series, their trials and readings, and the trail of all corrections."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Depends, Query, Request, Response

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
from api.web.corrected import DryRun, IfMatch, as_corrected, check_match, etag
from api.web.deps import TheKept, TheServer, TheStore
from api.web.kept import series_body
from api.web.shapes import ChangeOut, CorrectionIn, SeriesOut, When
from api.web.shapes.corrections import MoveIn, SeriesChangeIn
from capture import records

router = APIRouter(tags=["corrections"])

MOST: Final = 500
_NOT_ABSENT: Final = ("machine", "method", "unit", "strip_side")


class _Correction:
    """A request that corrects a series, and is answered with it."""

    def __init__(
        self,
        server: TheServer,
        kept: TheKept,
        if_match: IfMatch = None,
        dry_run: DryRun = False,
    ) -> None:
        self.server = server
        self._kept = kept
        self._if_match = if_match
        self._dry_run = dry_run

    def make(self, series_id: UUID, correct: Callable[[], UUID]) -> SeriesOut:
        """The series that `correct` names, as it makes it, or would.

        Raises NotFound where `If-Match` is given and there is no series to match, HTTPException
        412 where it is another one's.
        """
        self.check_match(series_id)
        return as_corrected(
            self.server,
            correct,
            lambda store, found: convert.series_out(series.series(store, found)),
            self._dry_run,
        )

    def check_match(self, series_id: UUID) -> None:
        if self._if_match is not None:
            with self.server.reading() as store:
                check_match(self._if_match, etag(series_body(store, self._kept, series_id)))

    def trial(
        self, series_id: UUID, act: records.Correction, body: CorrectionIn | None
    ) -> SeriesOut:
        by = (body or CorrectionIn()).by()

        def correct() -> UUID:
            self.server.corrections.trial(series_id, act, by)
            return series_id

        return self.make(series_id, correct)

    def reading(
        self,
        reading_id: UUID,
        act: records.TakeBack | records.Restore,
        body: CorrectionIn | None,
    ) -> SeriesOut:
        by = (body or CorrectionIn()).by()
        with self.server.reading() as store:
            found = series_of_reading(store, reading_id)
        return self.make(found, lambda: self.server.corrections.reading(act, by))


TheCorrection = Annotated[_Correction, Depends()]


@router.patch("/series/{series_id}")
def correct_series(series_id: UUID, body: SeriesChangeIn, request: TheCorrection) -> SeriesOut:
    """Correct what was said of a series; all that follows is computed anew. What was read stays as
    it was, and so do other series."""
    given = body.given()
    if not given:
        raise InvalidField("body", "say what to correct: the note, the baseline, the machine, ...")
    for name in _NOT_ABSENT:
        if name in given and given[name] is None:
            raise InvalidField(name, "cannot be absent; say what it is, or leave it out")
    server = request.server
    settings = _settings(server, series_id, given)

    def correct() -> UUID:
        server.corrections.series(series_id, settings, body.by(), _check(server))
        return series_id

    return request.make(series_id, correct)


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
    series_id: UUID, number: int, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut:
    """Swap the ends of a trial; also after the series has ended."""
    return request.trial(series_id, records.SwapEnds(number), body)


@router.post("/series/{series_id}/trials/{number}/leave-out")
def leave_out(
    series_id: UUID, number: int, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut:
    """Leave a trial out: it is shown, and does not count. Say why in `reason`."""
    return request.trial(series_id, records.LeaveOut(number), body)


@router.post("/series/{series_id}/trials/{number}/count-again")
def count_again(
    series_id: UUID, number: int, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut:
    """Let a trial that was left out count again."""
    return request.trial(series_id, records.CountAgain(number), body)


@router.post("/series/{series_id}/trials/{number}/move")
def move(
    series_id: UUID, number: int, request: TheCorrection, body: MoveIn | None = None
) -> SeriesOut:
    """Move a trial, or all from it on, to another series, or to a new one with the same settings.
    The answer is the series that has them now."""
    asked = body or MoveIn()
    return request.make(
        series_id,
        lambda: request.server.corrections.move(
            series_id, number, asked.by(), to=asked.to, new=same_settings, rest=asked.rest
        ),
    )


@router.post("/readings/{reading_id}/take-back")
def take_back(
    reading_id: UUID, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut:
    """Take a reading back: it stays in the log, and counts in no trial. The answer, and `If-Match`,
    are of its series."""
    return request.reading(reading_id, records.TakeBack(reading_id), body)


@router.post("/readings/{reading_id}/restore")
def restore(
    reading_id: UUID, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut:
    """Let a reading count that was taken back, bounced, or waits for an answer. The answer, and
    `If-Match`, are of its series."""
    return request.reading(reading_id, records.Restore(reading_id), body)


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
        _Correction(server, kept, if_match).check_match(change.series_id)
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
