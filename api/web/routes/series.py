"""Series: starting and finishing them, and what their trials say."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Body, Request, Response

from api.answers import series
from api.answers.again import again, proposed_move
from api.answers.known import known
from api.answers.next_act import next_act
from api.answers.settings import new_series
from api.store.log import acts_of
from api.store.rows import series as rows
from api.store.rows.events import last_event_id
from api.web import convert
from api.web.asked.machine import machine_named
from api.web.asked.series import refuse_retired, series_asked
from api.web.asked.stop import stop_named
from api.web.asked.work import work_made, work_or_usual
from api.web.convert.known import known_out
from api.web.convert.next_act import next_act_out
from api.web.corrected import etag
from api.web.deps import TheAuthor, TheKept, TheServer, TheSigned, TheStore
from api.web.kept import series_body
from api.web.new_names import may_name
from api.web.shapes.known import KnownOut
from api.web.shapes.next_act import AgainIn, BegunOut, NextActOut
from api.web.shapes.series import ActOut, SeriesIn, SeriesOut

router = APIRouter(tags=["series"])


@router.post("/series", status_code=201)
def start_series(
    body: SeriesIn, request: Request, server: TheServer, author: TheAuthor
) -> SeriesOut:
    """Start a series: its bench feeds it from now on."""
    machine = machine_named(server, body.machine)
    stop = stop_named(server, machine.id, body.stop)
    refuse_retired(machine, stop)
    work = None if body.work is None else work_or_usual(server, body.work)
    asked = series_asked(body, stop, work)
    may_name(request, [asked.bench])
    new = new_series(asked, machine.id, server.methods, server.jaw_width_nm(asked.bench))
    read_in = server.readings_unit(asked.bench)
    by = author.naming(body.person)
    work_id = None if work is None else work_made(server, work, by)
    new = replace(new, work_id=work_id, readings_unit=read_in)
    series_id = server.journal.start(new, by=by)
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.get("/series/{series_id}", response_model=SeriesOut)
def get_series(series_id: UUID, server: TheServer, kept: TheKept) -> Response:
    """A series with its trials and what they say; its `ETag` is for `If-Match` of corrections. All
    events up to the number in `Last-Event-ID` are in it."""
    with server.reading() as store:
        latest = last_event_id(store)
        body = series_body(store, kept, series_id, latest)
    headers = {"ETag": etag(body), "Last-Event-ID": str(latest)}
    return Response(body, media_type="application/json", headers=headers)


@router.post("/series/{series_id}/finish")
def finish_series(series_id: UUID, server: TheServer, by: TheSigned) -> SeriesOut:
    """End a series; one that has ended stays as it is."""
    server.journal.finish(series_id, by=by)
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.post("/series/{series_id}/resume")
def resume_series(series_id: UUID, server: TheServer, by: TheSigned) -> SeriesOut:
    """Let the bench of a series that has ended feed it again; 409 while it feeds another."""
    server.journal.resume(series_id, by)
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.post("/series/{series_id}/again", status_code=201)
def measure_again(
    series_id: UUID,
    request: Request,
    server: TheServer,
    author: TheAuthor,
    body: Annotated[AgainIn | None, Body()] = None,
) -> BegunOut:
    """Start a series once more: same machine, stop, method and settings; and record what was done
    to the machine in between, where something was. 409 while its bench feeds another one, or the
    series itself, to which nothing was done, still runs."""
    asked = body or AgainIn()
    with server.reading() as store:
        new = again(store, series_id, asked.bench, asked.strips, asked.changed is not None)
        note = asked.note or None
        if asked.changed == "adjusted" and note is None:
            note = proposed_move(store, series_id)
    machine = machine_named(server, str(new.machine_id))
    refuse_retired(machine, stop_named(server, machine.id, str(new.stop_id)))
    may_name(request, [new.bench])
    new = replace(new, readings_unit=server.readings_unit(new.bench))
    by = author.naming(asked.who)
    begun, change = server.journal.again(series_id, new, asked.changed, note, by)
    with server.reading() as store:
        made = convert.series_out(series.series(store, begun))
    return BegunOut(**dict(made), setup_change=change)


@router.get("/series/{series_id}/acts")
def list_series_acts(series_id: UUID, store: TheStore) -> list[ActOut]:
    """What was done in a series besides measuring, in order, and who did it."""
    rows.series(store, series_id)
    return [
        ActOut(
            id=row.id,
            at=row.at,
            kind=row.kind,
            who=row.who,
            through=row.through,
            trial=row.trial,
            reading=row.reading_id,
            change=row.change_id,
        )
        for row in acts_of(store, series_id)
    ]


@router.get("/series/{series_id}/next")
def get_next_act(series_id: UUID, store: TheStore) -> NextActOut:
    """What a series found, and one act to do next, as things stand now."""
    return next_act_out(next_act(store, series_id))


@router.get("/series/{series_id}/known")
def explain_series(series_id: UUID, store: TheStore) -> KnownOut:
    """How a series' result is known: by its budget, and by Monte Carlo, which takes a moment."""
    return known_out(known(store, series_id))
