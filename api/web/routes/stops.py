"""The stops of machines."""

from __future__ import annotations

from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Query, Response
from sqlalchemy import Row

from api.answers.stop_angles import MOST_DEG, angle_text
from api.store.rows import stops as rows
from api.store.rows.machines import machine
from api.web.asked.machine import machine_named
from api.web.corrected import DryRun, IfMatch, corrected, said, tag
from api.web.deps import TheAuthor, TheServer, TheStore
from api.web.shapes.corrections import ResultsOut
from api.web.shapes.stops import StopChangeIn, StopIn, StopOut

router = APIRouter(tags=["stops"])


@router.get("/machines/{machine_id}/stops")
def list_stops(
    machine_id: UUID,
    store: TheStore,
    retired: Annotated[bool, Query(description="those that are retired too")] = False,
) -> list[StopOut]:
    """The stops of a machine, the oldest first: `square`, which every machine has, and its own."""
    found = rows.stops(store, machine(store, machine_id).id, retired=retired)
    return [stop_out(row) for row in found]


@router.post("/stops", status_code=201)
def add_stop(body: StopIn, server: TheServer, author: TheAuthor) -> StopOut:
    """Add a stop to a machine; 409 where it has one with this name."""
    of = machine_named(server, body.machine)
    angles = {name: angle_text(name, getattr(body, name)) for name in MOST_DEG}
    stop_id = server.machine_records.add_stop(
        of.id,
        body.name,
        angles,
        body.note or None,
        body.check_days,
        author.naming(body.who),
    )
    with server.reading() as store:
        return stop_out(rows.stop(store, stop_id))


@router.get("/stops/{stop_id}")
def get_stop(stop_id: UUID, response: Response, store: TheStore) -> StopOut:
    """One stop."""
    found = stop_out(rows.stop(store, stop_id))
    response.headers["ETag"] = tag(found)
    return found


@router.patch("/stops/{stop_id}")
def correct_stop(
    stop_id: UUID,
    body: StopChangeIn,
    response: Response,
    server: TheServer,
    author: TheAuthor,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> StopOut | ResultsOut:
    """Rename a stop, correct its note, angles or interval between checks, or retire it."""
    values = said(body, "name", "retired", *MOST_DEG)
    for name in MOST_DEG.keys() & values.keys():
        values[name] = angle_text(name, values[name])
    return corrected(
        server,
        response,
        lambda store: stop_out(rows.stop(store, stop_id)),
        lambda seen: server.machine_records.stop(stop_id, values, body.by(author, seen)),
        if_match,
        dry_run,
    )


def stop_out(row: Row[Any]) -> StopOut:
    return StopOut(
        id=row.id,
        machine=row.machine_id,
        name=row.name,
        nominal_deg=float(row.nominal_deg),
        bevel_deg=float(row.bevel_deg),
        note=row.note,
        check_days=row.check_days,
        created_at=row.created_at,
        retired_at=row.retired_at,
    )
