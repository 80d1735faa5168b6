"""The application: built from a shop, knowing nothing of how it is served."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from threading import BoundedSemaphore

from fastapi import APIRouter, FastAPI
from fastapi.middleware.gzip import GZipMiddleware

from api import VERSION, problems
from api.pages import StaticPages
from api.routes import (
    ask,
    benches,
    calipers,
    comparison,
    comparison_page,
    exports,
    health,
    history,
    instruments,
    instruments_page,
    live,
    load,
    machine_page,
    machines,
    methods,
    pages,
    plan,
    plan_page,
    readings,
    series,
    series_list,
    series_page,
    work,
)
from api.shop import Shop


def build(shop: Shop) -> FastAPI:
    """The application on `shop`; whoever made the shop starts and closes it."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        app.state.shop.signal.attach(asyncio.get_running_loop())
        yield

    app = FastAPI(
        title="bothends",
        version=VERSION,
        summary="Caliper readings at the saw, paired into trials, scored with their uncertainty.",
        lifespan=lifespan,
        docs_url=None,  # its page loads scripts from elsewhere; /openapi.json needs nothing
        redoc_url=None,
    )
    app.state.shop = shop
    app.state.pulls = BoundedSemaphore(4)
    # A phone at the saw is often far from the router. Live streams are passed over by it.
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    problems.install(app)
    under_api = APIRouter(prefix="/api")
    for room in (
        health,
        machines,
        history,
        work,
        methods,
        series,
        series_list,
        readings,
        benches,
        ask,
        exports,
        load,
        live,
        comparison,
        plan,
        instruments,
        calipers,
    ):
        under_api.include_router(room.router)
    app.include_router(under_api)
    app.include_router(pages.router)
    app.include_router(machine_page.router)
    app.include_router(series_page.router)
    app.include_router(comparison_page.router)
    app.include_router(plan_page.router)
    app.include_router(instruments_page.router)
    app.mount("/static", StaticPages(), name="static")
    return app
