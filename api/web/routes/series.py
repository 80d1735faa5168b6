"""Series: starting and finishing them, and what their trials say."""

from __future__ import annotations

from uuid import UUID

from fastapi import APIRouter, Response

from api.answers import series
from api.answers.known import known
from api.answers.settings import AskedSeries, new_series
from api.web import convert
from api.web.asked.machine import machine_named
from api.web.convert.known import known_out
from api.web.corrected import etag
from api.web.deps import TheKept, TheServer, TheStore
from api.web.kept import series_body
from api.web.shapes import SeriesIn, SeriesOut
from api.web.shapes.known import KnownOut

router = APIRouter(tags=["series"])


@router.post("/series", status_code=201)
def start_series(body: SeriesIn, server: TheServer) -> SeriesOut:
    """Start a series: its bench feeds it from now on."""
    machine = machine_named(server, body.machine)
    asked = AskedSeries(**body.model_dump(exclude={"machine"}))
    jaws = server.jaw_width_nm(asked.bench)
    series_id = server.journal.start(new_series(asked, machine.id, server.methods, jaws))
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.get("/series/{series_id}", response_model=SeriesOut)
def get_series(series_id: UUID, server: TheServer, kept: TheKept) -> Response:
    """A series with its trials and what they say; its `ETag` is for `If-Match` of corrections."""
    with server.reading() as store:
        body = series_body(store, kept, series_id)
    return Response(body, media_type="application/json", headers={"ETag": etag(body)})


@router.post("/series/{series_id}/finish")
def finish_series(series_id: UUID, server: TheServer) -> SeriesOut:
    """End a series; one that has ended stays as it is."""
    server.journal.finish(series_id)
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.post("/series/{series_id}/resume")
def resume_series(series_id: UUID, server: TheServer) -> SeriesOut:
    """Let the bench of a series that has ended feed it again; 409 while it feeds another."""
    server.journal.resume(series_id)
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.get("/series/{series_id}/known")
def how_it_is_known(series_id: UUID, store: TheStore) -> KnownOut:
    """How a series' result is known: by its budget, and by Monte Carlo, which takes a moment."""
    return known_out(known(store, series_id))
