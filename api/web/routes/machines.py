"""Machines and their setup changes."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response

from api.answers.moments import check_past
from api.errors import InvalidField, NotFound
from api.store.rows import machines as rows
from api.store.stamps import now
from api.web.asked.machine import machine_named
from api.web.deps import TheServer, TheStore
from api.web.shapes import MachineIn, MachineOut, SetupChangeIn, SetupChangeOut

router = APIRouter(tags=["machines"])

# More than a shop has, so that one request gets all.
MOST = 500


@router.get("/machines")
def machines(
    request: Request,
    response: Response,
    store: TheStore,
    limit: Annotated[int, Query(ge=1, le=MOST)] = MOST,
    after: Annotated[
        UUID | None, Query(description="a machine: only those that follow it by name")
    ] = None,
) -> list[MachineOut]:
    """Machines by name.

    The `Link` header (RFC 8288) with rel="next" is the address of the next page.
    """
    try:
        found = rows.machines(store, after=after, limit=limit + 1)
    except NotFound:
        raise InvalidField(
            "after", "no machine has that id; take it from an earlier page"
        ) from None
    shown = found[:limit]
    if len(found) > limit:
        address = request.url.include_query_params(after=str(shown[-1].id))
        response.headers["Link"] = f'<{address}>; rel="next"'
    return [MachineOut.model_validate(row) for row in shown]


@router.post("/machines", status_code=201)
def add_machine(body: MachineIn, server: TheServer) -> MachineOut:
    """Add a machine; where one has the same name, that one is returned unchanged."""
    machine_id = server.journal.add_machine(body.name, body.kind)
    with server.reading() as store:
        return MachineOut.model_validate(rows.machine(store, machine_id))


@router.post("/setup-changes", status_code=201)
def add_setup_change(body: SetupChangeIn, server: TheServer) -> SetupChangeOut:
    """Record what happened to a machine; its history is divided into phases by it."""
    machine = machine_named(server, body.machine)
    at = body.moment() or now()
    check_past("at", at, now())
    change_id = server.journal.add_setup_change(machine.id, body.kind, at, body.note)
    return SetupChangeOut(id=change_id, machine=machine.id, kind=body.kind, at=at, note=body.note)
