"""Works: what is made, what it needs, and what the machines do for it."""

from __future__ import annotations

from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel

from api.answers import work_parts, works
from api.answers.typed_lengths import plain_of
from api.server import Server
from api.store.rows import machines
from api.store.rows import works as rows
from api.store.rows.machines import parse_id
from api.web.convert.works import made_work_out, stop_works_out, work_answer_out
from api.web.corrected import DryRun, IfMatch, corrected, said, tag
from api.web.deps import TheAuthor, TheKept, TheServer, TheStore
from api.web.kept import standings_by_stop
from api.web.shapes.corrections import ResultsOut
from api.web.shapes.works import MadeWorkOut, StopWorksOut, WorkAnswerOut, WorkChangeIn, WorkIn

router = APIRouter(tags=["works"])

_NEEDS: Final = (("tolerance_deg",), ("gap", "joint"))
_NEED: Final = ("unit", *_NEEDS[0], *_NEEDS[1])


@router.get("/works")
def list_works(
    store: TheStore,
    retired: Annotated[bool, Query(description="those that are retired too")] = False,
) -> list[MadeWorkOut]:
    """Works by name."""
    return [made_work_out(row) for row in rows.works(store, retired=retired)]


@router.post("/works", status_code=201)
def add_work(body: WorkIn, server: TheServer, author: TheAuthor) -> MadeWorkOut:
    """Say what is made, and what it needs; 409 where a work has that name."""
    values = body.model_dump(exclude={"parts", "who"})
    values["note"] = values["note"] or None
    by = author.naming(body.who)
    work_id = server.machine_records.add_work(_checked(server, values, body.parts), by)
    with server.reading() as store:
        return made_work_out(rows.work(store, work_id))


@router.get("/works/{work_id}")
def get_work(work_id: UUID, response: Response, store: TheStore) -> MadeWorkOut:
    """One work."""
    found = made_work_out(rows.work(store, work_id))
    response.headers["ETag"] = tag(found)
    return found


@router.patch("/works/{work_id}")
def correct_work(
    work_id: UUID,
    body: WorkChangeIn,
    response: Response,
    server: TheServer,
    author: TheAuthor,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> MadeWorkOut | ResultsOut:
    """Rename a work, correct its need, parts or note, retire it or take it back into the lists."""
    given = said(body, "name", "unit", "retired")
    given |= _only_need(given)
    if not given.keys().isdisjoint(("parts", *_NEED)):
        with server.reading() as store:
            before = made_work_out(rows.work(store, work_id)).model_dump()
        whole = {name: before[name] for name in _NEED} | given
        parts = body.parts if "parts" in given else before["parts"]
        found = _checked(server, whole, parts)
        given = {name: found.get(name, value) for name, value in given.items()}
    return corrected(
        server,
        response,
        lambda store: made_work_out(rows.work(store, work_id)),
        lambda seen: server.machine_records.work(work_id, given, body.by(author, seen)),
        if_match,
        dry_run,
    )


@router.get("/works/{work_id}/answer")
def get_work_answer(work_id: UUID, store: TheStore, kept: TheKept) -> WorkAnswerOut:
    """What is known now of every stop, for this work; with parts, how likely it succeeds."""
    work = rows.work(store, work_id)
    (stops,) = works.of_works(store, [work])
    standings = standings_by_stop(store, kept, machines.machines(store))
    return work_answer_out(work, stops, work_parts.answer(store, work), standings)


@router.get("/machines/{machine:path}/works")
def get_machine_works(machine: str, store: TheStore, kept: TheKept) -> list[StopWorksOut]:
    """Whether each stop of a machine (by id or name) is good enough for each work."""
    found = machines.machine(store, parse_id(machine))
    standings = standings_by_stop(store, kept, [found])
    return [stop_works_out(*each, standings) for each in works.of_machine(store, found.id)]


def _only_need(given: dict[str, Any]) -> dict[str, Any]:
    """A need of one kind takes the place of the other."""
    for kind, other in (_NEEDS, _NEEDS[::-1]):
        if any(given.get(name) is not None for name in kind):
            return {name: None for name in other if name not in given}
    return {}


def _checked(
    server: Server, values: dict[str, Any], parts: BaseModel | dict[str, Any] | None
) -> dict[str, Any]:
    values = values | plain_of(values, ("gap", "joint"), values["unit"])
    works.need(values)
    if isinstance(parts, BaseModel):
        parts = parts.model_dump()
    if parts is not None:
        with server.reading() as store:
            parts = work_parts.resolved(store, parts, values)
    return values | {"parts": parts}
