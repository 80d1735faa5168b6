"""The page of who is let in."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from api.access.book import DEVICE_FOR_S
from api.access.rungs import MAY
from api.addresses import loopback
from api.web.deps import TheServer
from api.web.pages.shared import phone
from api.web.pages.shared.invitations import offered
from api.web.pages.shared.rendering import page
from api.web.visitors import visitor

router = APIRouter(include_in_schema=False)


@router.get("/access")
def access_page(request: Request, server: TheServer) -> HTMLResponse:
    """What this device may and how it leaves; for who may do everything, who is let in."""
    return page(
        request,
        "access/page.html",
        who=visitor(request.scope),
        words=MAY,
        rungs=offered(request),
        phone=phone.address(request, server.settings.host, "/"),
        listens=not loopback(server.settings.host),
        days=DEVICE_FOR_S // 86_400,
    )
