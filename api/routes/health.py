"""How the server and its instruments fare."""

from __future__ import annotations

from fastapi import APIRouter
from sqlalchemy import text

from api import VERSION
from api.needs import TheShop, TheStore
from api.shapes import HealthOut

router = APIRouter(tags=["health"])


@router.get("/health")
def health(shop: TheShop, store: TheStore) -> HealthOut:
    store.execute(text("SELECT 1"))
    return HealthOut(
        status="ok",
        version=VERSION,
        store=shop.engine.dialect.name,
        calipers=shop.calipers(),
    )
