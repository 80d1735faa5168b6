"""What a handler asks for."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy import Connection

from api.server import Shop


def _shop(request: Request) -> Shop:
    shop: Shop = request.app.state.shop
    return shop


def _store(shop: Annotated[Shop, Depends(_shop)]) -> Iterator[Connection]:
    with shop.reading() as connection:
        yield connection


TheServer = Annotated[Shop, Depends(_shop)]
TheStore = Annotated[Connection, Depends(_store)]
