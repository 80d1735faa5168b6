"""Corrections of series, their trials and readings, and the trail of all corrections."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from sqlalchemy import Connection, Row

from analysis.units import mm_text
from api.answers import series
from api.answers.moments import aware
from api.answers.settings import (
    LENGTHS,
    TOLERANCES,
    check_settings,
    corrected_method,
    jaws_nm,
    only_tolerance,
    same_settings,
)
from api.answers.typed_lengths import plain_of
from api.answers.works import refuse_tolerance, tolerances
from api.errors import InvalidField, NotFound
from api.server import Server
from api.store.rows import changes
from api.store.rows import series as rows
from api.store.rows.readings import series_of_reading
from api.store.trail import By
from api.web import convert
from api.web.asked.machine import machine_named
from api.web.asked.stop import stop_named
from api.web.asked.work import work_named
from api.web.corrected import DryRun, IfMatch, as_corrected, etag, said, seen
from api.web.deps import TheAuthor, TheKept, TheServer, TheStore
from api.web.kept import series_body
from api.web.shapes import CorrectionIn, When
from api.web.shapes.corrections import MoveIn, ResultsOut, SeriesChangeIn
from api.web.shapes.series import ChangeOut, SeriesOut
from capture import records

router = APIRouter(tags=["corrections"])

MOST: Final = 500


Number = Annotated[int, Path(ge=1, le=2**31 - 1, description="of a strip of the series")]
"""Strips are numbered from one, and a store holds no greater number."""


class _Correction:
    """A request that corrects a series, and is answered with it."""

    def __init__(
        self,
        server: TheServer,
        kept: TheKept,
        author: TheAuthor,
        if_match: IfMatch = None,
        dry_run: DryRun = False,
    ) -> None:
        self.server = server
        self._author = author
        self._kept = kept
        self._if_match = if_match
        self.dry_run = dry_run

    def make(self, correct: Callable[[], UUID]) -> SeriesOut | ResultsOut:
        """The series that `correct` names, as it makes it, or would."""
        return as_corrected(
            self.server,
            correct,
            lambda store, found: convert.series_out(series.series(store, found)),
            self.dry_run,
        )

    def by(self, body: CorrectionIn | None, series_of: Callable[[Connection], UUID]) -> By:
        """Who corrects, and why, with the check of `If-Match`, which is that of the series."""
        return (body or CorrectionIn()).by(
            self._author,
            seen(
                self._if_match,
                lambda store: etag(series_body(store, self._kept, series_of(store))),
            ),
        )

    def by_any(self, body: CorrectionIn | None) -> By:
        """The same of what is of no series."""
        return (body or CorrectionIn()).by(self._author)

    def trial(
        self, series_id: UUID, act: records.Correction, body: CorrectionIn | None
    ) -> SeriesOut | ResultsOut:
        by = self.by(body, lambda _: series_id)

        def correct() -> UUID:
            self.server.corrections.trial(series_id, act, by)
            return series_id

        return self.make(correct)

    def reading(
        self,
        reading_id: UUID,
        act: records.TakeBack | records.Restore,
        body: CorrectionIn | None,
    ) -> SeriesOut | ResultsOut:
        by = self.by(body, lambda store: series_of_reading(store, reading_id))
        return self.make(lambda: self.server.corrections.reading(act, by))


TheCorrection = Annotated[_Correction, Depends()]


@router.patch("/series/{series_id}")
def correct_series(
    series_id: UUID, body: SeriesChangeIn, request: TheCorrection
) -> SeriesOut | ResultsOut:
    """Correct what was said of a series; all that follows is computed anew. What was read stays as
    it was, and so do other series."""
    given = said(body, "machine", "stop", "method", "unit", "strip_side")
    if not given:
        raise InvalidField("body", "say what to correct: the note, the baseline, the machine, ...")
    server = request.server
    settings = _settings(server, series_id, given)
    by = request.by(body, lambda _: series_id)

    def correct() -> UUID:
        server.corrections.series(series_id, settings, by, _check(server))
        return series_id

    return request.make(correct)


def _settings(server: Server, series_id: UUID, given: Mapping[str, Any]) -> dict[str, Any]:
    """What is given, as the trail says it, with what follows from it."""
    with server.reading() as store:
        row = rows.series(store, series_id)
    settings = dict(given) | plain_of(given, LENGTHS, given.get("unit", row.unit))
    if "inset" in given:
        settings["inset"] = settings["inset"] or "0"
    if "machine" in given:
        settings["machine"] = str(machine_named(server, given["machine"]).id)
    if "stop" in given:
        machine_id = UUID(settings.get("machine", str(row.machine_id)))
        settings["stop"] = str(stop_named(server, machine_id, given["stop"]).id)
    if "method" in given:
        settings |= corrected_method(row, given["method"], server.methods) | {
            name: given[name] for name in ("pieces", "jaw_width") if name in given
        }
    if "jaw_width" in given:
        jaws = jaws_nm(given["jaw_width"], given.get("unit", row.unit))
        settings["jaw_width"] = None if jaws is None else mm_text(jaws)
    return settings | only_tolerance(given) | _work(server, row, given)


def _work(server: Server, row: Row[Any], given: Mapping[str, Any]) -> dict[str, Any]:
    """What the work of a series, and what it needs, are to be."""
    unit = given.get("unit", row.unit)
    if given.get("work") is not None:
        work = work_named(server, given["work"])
        refuse_tolerance(work, given)
        return {"work": str(work.id), **tolerances(work, unit)}
    if row.work_id is None or "work" in given:
        return {}
    if not given.keys().isdisjoint(TOLERANCES):
        return {"work": None}
    if "unit" in given:  # the numbers of its lengths stay, but what the work needs does
        return tolerances(work_named(server, str(row.work_id)), unit)
    return {}


@router.post("/series/{series_id}/trials/{number}/swap-ends")
def swap_trial_ends(
    series_id: UUID, number: Number, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut | ResultsOut:
    """Swap the ends of a trial; also after the series has ended."""
    return request.trial(series_id, records.SwapEnds(number), body)


@router.post("/series/{series_id}/trials/{number}/leave-out")
def leave_trial_out(
    series_id: UUID, number: Number, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut | ResultsOut:
    """Leave a trial out: it is shown, and does not count. Say why in `reason`."""
    return request.trial(series_id, records.LeaveOut(number), body)


@router.post("/series/{series_id}/trials/{number}/count-again")
def count_trial_again(
    series_id: UUID, number: Number, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut | ResultsOut:
    """Let a trial that was left out count again."""
    return request.trial(series_id, records.CountAgain(number), body)


@router.post("/series/{series_id}/trials/{number}/away")
def say_trial_away(
    series_id: UUID, number: Number, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut | ResultsOut:
    """The machine was swung away and back to its stop before this trial: another visit begins."""
    return request.trial(series_id, records.Away(number), body)


@router.post("/series/{series_id}/trials/{number}/stayed")
def say_trial_stayed(
    series_id: UUID, number: Number, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut | ResultsOut:
    """It was not: the trial belongs to the visit of the one before."""
    return request.trial(series_id, records.Stayed(number), body)


@router.post("/series/{series_id}/trials/{number}/move")
def move_trial(
    series_id: UUID, number: Number, request: TheCorrection, body: MoveIn | None = None
) -> SeriesOut | ResultsOut:
    """Move a trial, or all from it on, to another series, or to a new one with the same settings.
    The answer is the series that has them now."""
    asked = body or MoveIn()
    by = request.by(asked, lambda _: series_id)
    return request.make(
        lambda: request.server.corrections.move(
            series_id, number, by, to=asked.to, new=same_settings, rest=asked.rest
        ),
    )


@router.post("/readings/{reading_id}/take-back")
def take_reading_back(
    reading_id: UUID, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut | ResultsOut:
    """Take a reading back: it stays in the log, and counts in no trial. The answer, and `If-Match`,
    are of its series."""
    return request.reading(reading_id, records.TakeBack(reading_id), body)


@router.post("/readings/{reading_id}/restore")
def restore_reading(
    reading_id: UUID, request: TheCorrection, body: CorrectionIn | None = None
) -> SeriesOut | ResultsOut:
    """Let a reading count that was taken back, bounced, or waits for an answer. The answer, and
    `If-Match`, are of its series."""
    return request.reading(reading_id, records.Restore(reading_id), body)


@router.post("/changes/{change_id}/undo")
def undo_change(
    change_id: UUID, request: TheCorrection, body: CorrectionIn | None = None
) -> ChangeOut | ResultsOut:
    """Undo a change, and the others of the same request, by another entry; one that is undone stays
    so. `If-Match` is that of its series, where it is of one."""
    server = request.server
    with server.reading() as store:
        series_id = changes.change(store, change_id).series_id
        kinds = {each.subject_kind for each in changes.not_undone(store, change_id)}
    of = series_id
    by = request.by_any(body) if of is None else request.by(body, lambda _: of)

    def correct() -> None:
        # A merge is of machines and of the series that it moved.
        if kinds <= {"series"}:
            server.corrections.undo(change_id, by, _check(server))
        else:
            server.machine_records.undo(change_id, by)

    def read(store: Connection, _: None) -> ChangeOut:
        return convert.change_out(changes.change(store, change_id))

    return as_corrected(server, correct, read, request.dry_run)


@router.get("/changes")
def list_changes(
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
