"""The methods."""

from __future__ import annotations

from fastapi import APIRouter

from api.web.deps import TheServer
from api.web.shapes.methods import MethodOut

router = APIRouter(tags=["methods"])


@router.get("/methods")
def list_methods(server: TheServer) -> list[MethodOut]:
    return [MethodOut.model_validate(m) for m in server.methods.values()]
