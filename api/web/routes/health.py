"""The state of the server and its instruments."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from analysis.rules import RULES
from api import VERSION
from api.web import convert
from api.web.deps import TheServer
from api.web.shapes.health import BackupOut, HealthOut, LivesOut
from api.web.visitors import visitor

router = APIRouter(tags=["health"])


@router.get(
    "/health", responses={503: {"model": HealthOut, "description": "the store can't be read"}}
)
def get_health(server: TheServer, request: Request, response: Response) -> HealthOut | LivesOut:
    """The state of the server; 503 while its store is damaged or can't be read, with what to do in
    `message`. To who is not let in it says only that it lives."""
    if visitor(request.scope).rung is None:
        return LivesOut()
    message = server.trouble()
    backup = server.backup()
    if message:
        response.status_code = 503
    return HealthOut(
        status="store in trouble" if message else "ok",
        version=VERSION,
        rules=RULES,
        store=server.engine.dialect.name,
        message=message,
        kept_beside=server.kept_beside.waiting,
        calipers=[convert.caliper_out(state) for state in server.calipers()],
        backup=None if backup is None else BackupOut.model_validate(backup),
    )
