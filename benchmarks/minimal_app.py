"""The baseline on the same stack: what a good engineer would write in an hour.

A reading is heard on a port or posted, committed, and told by Server-Sent Events; those of a bench
are given as JSON. SQLAlchemy's mapped classes, as its tutorial uses them, and the settings of
SQLite that bothends has. No units, no pairing, no uncertainty, no check of who asks.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import socket
import threading
from collections import defaultdict
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import serial
import uvicorn
from sqlalchemy import Engine, create_engine, event, select
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, StreamingResponse
from starlette.routing import Route


class Base(DeclarativeBase):
    pass


class Reading(Base):
    __tablename__ = "readings"
    number: Mapped[int] = mapped_column(primary_key=True)
    id: Mapped[str] = mapped_column(unique=True)
    bench: Mapped[str] = mapped_column(index=True)
    caliper: Mapped[str]
    sent: Mapped[str]
    unit: Mapped[str]
    taken_at: Mapped[str]


FIELDS = ("id", "bench", "caliper", "sent", "unit", "taken_at")


def open_store(folder: Path) -> Engine:
    folder.mkdir(parents=True, exist_ok=True)
    engine = create_engine(f"sqlite:///{folder / 'minimal.sqlite'}")

    @event.listens_for(engine, "connect")
    def _settings(driver: Any, _record: object) -> None:
        driver.execute("PRAGMA journal_mode=WAL")
        driver.execute("PRAGMA synchronous=FULL")

    Base.metadata.create_all(engine)
    return engine


class App:
    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.readers: dict[str, set[asyncio.Queue[str]]] = defaultdict(set)
        self.loop = asyncio.get_running_loop()

    def keep(self, rows: list[dict[str, str]]) -> None:
        with Session(self.engine) as store:
            store.add_all(Reading(**row) for row in rows)
            store.commit()
        self.loop.call_soon_threadsafe(self.tell, rows)

    def tell(self, rows: list[dict[str, str]]) -> None:
        for row in rows:
            for reader in self.readers[row["bench"]]:
                reader.put_nowait(f"event: reading\ndata: {json.dumps(row)}\n\n")

    def listen(self, path: str) -> None:
        with serial.Serial(path) as port:
            while line := port.readline():
                row = {"id": str(uuid4()), "bench": "main", "caliper": path, "unit": "mm"}
                taken = {"sent": line.decode().strip(), "taken_at": datetime.now(UTC).isoformat()}
                self.keep([row | taken])

    async def post(self, request: Request) -> JSONResponse:
        rows = await request.json()
        await run_in_threadpool(self.keep, rows)
        return JSONResponse({"stored": len(rows)})

    def series(self, request: Request) -> JSONResponse:
        asked = select(Reading).where(Reading.bench == request.path_params["bench"])
        with Session(self.engine) as store:
            found = store.scalars(asked.order_by(Reading.number))
            return JSONResponse([{name: getattr(row, name) for name in FIELDS} for row in found])

    async def live(self, request: Request) -> StreamingResponse:
        messages = self.messages(request.query_params["bench"])
        return StreamingResponse(messages, media_type="text/event-stream")

    async def messages(self, bench: str) -> AsyncIterator[str]:
        queue = asyncio.Queue[str]()
        self.readers[bench].add(queue)
        try:
            yield ": here\n\n"
            while True:
                yield await queue.get()
        finally:
            self.readers[bench].discard(queue)


async def serve(data: Path, ports: list[str]) -> None:
    app = App(open_store(data))
    for path in ports:
        threading.Thread(target=app.listen, args=(path,), daemon=True).start()
    routes = [
        Route("/api/readings", app.post, methods=["POST"]),
        Route("/api/series/{bench}", app.series),
        Route("/api/live", app.live),
    ]
    # As bothends does: with the protocol named, asyncio sets TCP_NODELAY.
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.bind(("127.0.0.1", 0))
    listener.listen(128)
    print(f"ready http://127.0.0.1:{listener.getsockname()[1]}", flush=True)
    config = uvicorn.Config(
        Starlette(routes=routes), log_config=None, access_log=False, server_header=False
    )
    await uvicorn.Server(config).serve([listener])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--caliper", action="append", default=[], metavar="PATH")
    args = parser.parse_args()
    asyncio.run(serve(args.data, args.caliper))
