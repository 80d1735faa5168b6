"""The application: built on what a running server holds, independent of how it is served."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import Depends, FastAPI
from fastapi.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from api import VERSION
from api.access.tries import Tries
from api.addresses import mapped
from api.server import Server
from api.web import contract, convert, problems
from api.web.admitted import Admitted
from api.web.guard import Guard
from api.web.headers import SafeAnswers
from api.web.kept import KeptAnswers
from api.web.limited import Limited, Limits, Pulls
from api.web.live import MOST_READERS, Live
from api.web.live_hub import Sources
from api.web.new_names import NewNames
from api.web.pages.access import view as access_page
from api.web.pages.bench import view as bench_page
from api.web.pages.compare import view as compare_page
from api.web.pages.help import view as help_page
from api.web.pages.instruments import view as instruments_page
from api.web.pages.machine import view as machine_page
from api.web.pages.plan import view as plan_page
from api.web.pages.series import view as series_page
from api.web.pages.shared.static import StaticPages
from api.web.pages.works import view as works_page
from api.web.routes import (
    access,
    ask,
    benches,
    calipers,
    comparison,
    corrections,
    exports,
    health,
    history,
    instruments,
    live,
    load,
    machines,
    methods,
    plan,
    readings,
    rules,
    series,
    series_list,
    set_up,
    stops,
    work,
    works,
)
from api.web.verbs import HeadAsGet
from api.web.visitors import Identified


class _Application(FastAPI):
    def openapi(self) -> dict[str, Any]:
        if self.openapi_schema is None:
            contract.describe(super().openapi())
        assert self.openapi_schema is not None
        return self.openapi_schema

    def build_middleware_stack(self) -> ASGIApp:
        # Around all else, also around what answers a failure of the program itself.
        return SafeAnswers(super().build_middleware_stack())


def build(server: Server, readers: int = MOST_READERS) -> FastAPI:
    """The application on `server`, which the caller starts and closes.

    readers: how many may follow live events at once.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        server: Server = app.state.server
        server.signal.attach(asyncio.get_running_loop())
        sources = Sources(
            server.engine,
            server.signal,
            server.calipers,
            server.pretends,
            lambda bench: convert.store_out(server.damage(), *server.kept(bench)),
            server.called,
            server.condition.met,
        )
        app.state.live = Live(sources, readers)
        yield

    app = _Application(
        title="bothends",
        version=VERSION,
        summary="Caliper readings at the saw, paired into trials, scored with their uncertainty.",
        description=contract.DESCRIPTION,
        generate_unique_id_function=contract.name_of,
        lifespan=lifespan,
        docs_url=None,  # its page loads scripts from elsewhere; /openapi.json needs nothing
        redoc_url=None,
    )
    app.state.server = server
    app.state.kept = KeptAnswers()
    app.state.limits = Limits()
    app.state.new_names = NewNames()
    app.state.tries = Tries()
    app.state.pulls = Pulls()
    problems.install(app)
    # A phone at the saw is often far from the router. Live streams are not compressed.
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    app.add_middleware(HeadAsGet)
    # What is added last comes first.
    app.add_middleware(Admitted)
    app.add_middleware(Limited)
    app.add_middleware(Guard, bound=server.settings.host, allowed=server.settings.allow_hosts)
    app.add_middleware(Identified, behind_proxy=bool(server.settings.behind))
    if server.settings.behind:
        # Where the proxy says that the request comes from, and whether by TLS.
        proxies = [form for each in server.settings.behind for form in (each, mapped(each))]
        app.add_middleware(ProxyHeadersMiddleware, trusted_hosts=proxies)
    # Each straight into the application: what is included twice, FastAPI works out twice.
    known = [Depends(contract.only_known_parameters)]
    # What is asked for most often first: addresses are tried in this order.
    for resource in (
        readings,
        live,
        series,
        corrections,
        benches,
        health,
        machines,
        stops,
        history,
        work,
        works,
        methods,
        series_list,
        ask,
        exports,
        load,
        comparison,
        plan,
        set_up,
        instruments,
        calipers,
        rules,
        access,
    ):
        app.include_router(resource.router, prefix="/api", dependencies=known)
    for page in (
        bench_page,
        machine_page,
        works_page,
        series_page,
        compare_page,
        plan_page,
        instruments_page,
        access_page,
        help_page,
    ):
        app.include_router(page.router)
    app.mount("/static", StaticPages(), name="static")
    return app
