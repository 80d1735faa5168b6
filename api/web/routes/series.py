"""Series: starting and finishing them, and what their trials say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Response

from analysis.units import mm_text
from api.answers import series
from api.answers.known import known
from api.answers.settings import AskedSeries, check_settings, jaws_nm, new_series
from api.errors import InvalidField
from api.store.rows import series as rows
from api.store.trail import By
from api.web import convert
from api.web.asked.machine import machine_named
from api.web.convert.known import known_out
from api.web.deps import TheKept, TheServer, TheStore
from api.web.shapes import SeriesChangeIn, SeriesIn, SeriesOut
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
    """A series with its trials and what they say."""
    with server.reading() as store:

        def answer() -> bytes:
            found = convert.series_out(series.series(store, series_id))
            return found.model_dump_json().encode()

        return Response(kept.get(store, series_id, answer), media_type="application/json")


@router.patch("/series/{series_id}")
def change_series(series_id: UUID, body: SeriesChangeIn, server: TheServer) -> SeriesOut:
    """Change the note of a series, or the width of the jaws that measured it; what was read stays
    as it was, and so do other series."""
    if not body.model_fields_set:
        raise InvalidField("note", "say what to change: the note, or the jaw_width")
    with server.reading() as store:
        row = rows.series(store, series_id)
    settings: dict[str, Any] = {}
    if "jaw_width" in body.model_fields_set:
        jaws = jaws_nm(body.jaw_width, row.unit)
        settings["jaw_width"] = None if jaws is None else mm_text(jaws)
    if "note" in body.model_fields_set:
        settings["note"] = body.note or None

    def check(columns: Mapping[str, Any]) -> None:
        check_settings(columns, server.methods)

    server.corrections.series(series_id, settings, By(), check)
    with server.reading() as store:
        return convert.series_out(series.series(store, series_id))


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
