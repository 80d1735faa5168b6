"""How the server and its instruments fare."""

from __future__ import annotations

from fastapi import APIRouter
from sqlalchemy import text

from api import VERSION
from api.web import convert
from api.web.deps import TheServer, TheStore
from api.web.shapes import HealthOut

router = APIRouter(tags=["health"])


@router.get("/health")
def health(shop: TheServer, store: TheStore) -> HealthOut:
    store.execute(text("SELECT 1"))
    return HealthOut(
        status="ok",
        version=VERSION,
        store=shop.engine.dialect.name,
        calipers=[convert.caliper_out(state) for state in shop.calipers()],
    )
