"""Machines and their setup changes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Row

from api.answers.moments import aware, check_past
from api.answers.urgency import asks_first
from api.errors import InvalidField, NotFound
from api.store.rows import changes as rows_of_changes
from api.store.rows import machines as rows
from api.store.stamps import now
from api.web.asked.machine import machine_named
from api.web.convert.history import stop_urgencies, urgency_of
from api.web.corrected import DryRun, IfMatch, corrected, said, tag
from api.web.deps import TheAuthor, TheKept, TheServer, TheStore
from api.web.kept import standings_of
from api.web.shapes.corrections import ResultsOut
from api.web.shapes.history import ListedMachine
from api.web.shapes.machines import (
    MachineChangeIn,
    MachineIn,
    MachineOut,
    MergeIn,
    PersonIn,
    PersonOut,
    RenamedOut,
    SetupChangeChangeIn,
    SetupChangeIn,
    SetupChangeOut,
)
from api.web.still_called import still_called

router = APIRouter(tags=["machines"])

# More than a shop has, so that one request gets all.
MOST = 500


@router.get("/machines")
def list_machines(
    request: Request,
    response: Response,
    store: TheStore,
    kept: TheKept,
    limit: Annotated[int, Query(ge=1, le=MOST)] = MOST,
    after: Annotated[
        UUID | None, Query(description="a machine: only those that follow it by name")
    ] = None,
    retired: Annotated[bool, Query(description="those that are retired too")] = False,
    order: Annotated[
        Literal["name", "urgency"], Query(description="urgency: what asks most to be done first")
    ] = "name",
) -> list[ListedMachine]:
    """Machines with their stops: how each is, and until when it may be trusted.

    The `Link` header (RFC 8288) with rel="next" is the address of the next page, by name. By
    urgency come the `limit` most urgent ones of all, and no further page.
    """
    if order == "urgency":
        if after is not None:
            raise InvalidField("after", "leads from page to page by name; leave it out")
        every = _listed(store, kept, rows.machines(store, retired=retired))
        every.sort(key=lambda each: asks_first(each.urgency, stop_urgencies(each.stops)))
        return every[:limit]
    try:
        found = rows.machines(store, after=after, limit=limit + 1, retired=retired)
    except NotFound:
        raise InvalidField(
            "after", "no machine has that id; take it from an earlier page"
        ) from None
    shown = found[:limit]
    if len(found) > limit:
        address = request.url.include_query_params(after=str(shown[-1].id))
        response.headers["Link"] = f'<{address}>; rel="next"'
    return _listed(store, kept, shown)


def _listed(store: TheStore, kept: TheKept, machines: Sequence[Row[Any]]) -> list[ListedMachine]:
    return [
        ListedMachine(
            **MachineOut.model_validate(row).model_dump(), stops=stops, urgency=urgency_of(stops)
        )
        for row, stops in zip(machines, standings_of(store, kept, machines), strict=True)
    ]


@router.post("/machines", status_code=201)
def add_machine(body: MachineIn, server: TheServer, author: TheAuthor) -> MachineOut:
    """Add a machine; where one has the same name, that one is returned unchanged."""
    machine_id = server.journal.add_machine(body.name, body.kind, author.naming(body.who))
    with server.reading() as store:
        return MachineOut.model_validate(rows.machine(store, machine_id))


@router.get("/machines/{machine_id}")
def get_machine(machine_id: UUID, response: Response, store: TheStore) -> MachineOut:
    """One machine; of one that was merged, the machine it was merged into."""
    found = MachineOut.model_validate(rows.machine(store, machine_id))
    response.headers["ETag"] = tag(found)
    return found


@router.patch("/machines/{machine_id}")
def correct_machine(
    machine_id: UUID,
    body: MachineChangeIn,
    response: Response,
    server: TheServer,
    author: TheAuthor,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> MachineOut | ResultsOut:
    """Rename a machine, correct its kind or note, retire it or take it back into the lists."""
    values = said(body, "name", "kind", "retired")
    return corrected(
        server,
        response,
        lambda store: MachineOut.model_validate(rows.machine(store, machine_id)),
        lambda seen: server.machine_records.machine(machine_id, values, body.by(author, seen)),
        if_match,
        dry_run,
    )


@router.post("/machines/{machine_id}/merge")
def merge_machine(
    machine_id: UUID,
    body: MergeIn,
    response: Response,
    server: TheServer,
    author: TheAuthor,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> MachineOut | ResultsOut:
    """Make two machines one: all series and setup changes belong to `into`, which is answered."""
    try:
        into = machine_named(server, body.into).id
    except InvalidField as error:
        raise InvalidField("into", error.message) from None
    return corrected(
        server,
        response,
        lambda store: MachineOut.model_validate(rows.machine(store, machine_id)),
        lambda seen: server.machine_records.merge(machine_id, into, body.by(author, seen)),
        if_match,
        dry_run,
    )


@router.patch("/setup-changes/{change_id}")
def correct_setup_change(
    change_id: UUID,
    body: SetupChangeChangeIn,
    response: Response,
    server: TheServer,
    author: TheAuthor,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> SetupChangeOut | ResultsOut:
    """Correct time, kind or note of a setup change, or withdraw it."""
    values = said(body, "kind", "at", "withdrawn")
    if body.at is not None:
        at = aware(body.at)
        check_past("at", at, now())
        values["at"] = at.isoformat()
    return corrected(
        server,
        response,
        lambda store: _change_out(rows.setup_change(store, change_id)),
        lambda seen: server.machine_records.setup_change(change_id, values, body.by(author, seen)),
        if_match,
        dry_run,
    )


@router.get("/people")
def list_people(store: TheStore) -> list[PersonOut]:
    """Who is named as an author or in the trail of changes, by name: people and passes."""
    return [PersonOut.model_validate(row) for row in rows_of_changes.people(store)]


@router.patch("/people/{person_id}")
def rename_person(
    person_id: UUID, body: PersonIn, server: TheServer, request: Request
) -> RenamedOut:
    """Give a person or pass another name, or none, wherever it stands: in the log, its trail and
    whatever is read of them. The old name is not kept. All that one author did keeps one author."""
    if (body.name is None) is not body.anonymous:
        raise InvalidField("name", "give the new name, or anonymous: true")
    before, name = server.people_records.rename(person_id, body.name)
    still = [] if before == name else still_called(request.scope, before)
    return RenamedOut(id=person_id, name=name, still=still)


def _change_out(row: Row[Any]) -> SetupChangeOut:
    return SetupChangeOut(
        id=row.id,
        machine=row.machine_id,
        kind=row.kind,
        at=row.at,
        note=row.note,
        withdrawn=row.withdrawn_at is not None,
    )


@router.post("/setup-changes", status_code=201)
def add_setup_change(body: SetupChangeIn, server: TheServer, author: TheAuthor) -> SetupChangeOut:
    """Record what happened to a machine; its history is divided into phases by it."""
    machine = machine_named(server, body.machine)
    at = body.moment() or now()
    check_past("at", at, now())
    by = author.naming(body.who)
    change_id = server.journal.add_setup_change(machine.id, body.kind, at, body.note, by)
    return SetupChangeOut(id=change_id, machine=machine.id, kind=body.kind, at=at, note=body.note)
