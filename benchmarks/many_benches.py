"""A busy shop: 40 benches post 200 readings a second for ten minutes, 20 live pages look on.

Each bench posts one reading at a time on a connection of its own, five a second, and starts a new
series after every 20 trials. An acknowledgement takes from the moment the reading was due: one
that waits behind a late one is late too. Each page reads the events of one bench. A round is two
minutes, five are ten; between them the minimal app has the same load for a fifth of the time.

At the end each acknowledged reading must be in the store once and have been told to the page of
its bench once; anything else is an error, not a figure.
"""

from __future__ import annotations

import json
import os
import sqlite3
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np

from api.store.engine import file_in
from api.store.stamps import new_id
from benchmarks.client import Client
from benchmarks.measuring import Measurement, memory
from benchmarks.program import TRIALS, MinimalServing, text_of
from tests.ptys import until
from tests.whole.serving import Serving, serving

BENCHES, PAGES = 40, 20
EACH_S = 0.2
SECONDS = 120.0  # a round
_LOOK_S = 1.0


class Page:
    """A live page of a bench: the ids of the readings it was told of."""

    def __init__(self, url: str, bench: str) -> None:
        self.told: list[str] = []
        self._client = Client(url, timeout_s=None)
        self._events = self._client.events(f"/api/live?bench={bench}")
        next(self._events)
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        self.told.extend(data["id"] for kind, data in self._events if kind == "reading")

    def has(self, count: int) -> bool:
        return len(self.told) >= count

    def close(self) -> None:
        self._client.end()
        self._thread.join()
        self._client.close()


class Shop:
    """A server under load.

    start: starts a series on a bench, None where there are none.
    """

    def __init__(
        self, server: Serving, stack: ExitStack, start: Callable[[Client, str], object] | None
    ) -> None:
        self.server, self._start = server, start
        self.benches = [f"bench-{number}" for number in range(BENCHES)]
        self.pages = {
            bench: stack.enter_context(closing(Page(server.url, bench)))
            for bench in self.benches[:PAGES]
        }
        self.acknowledged: dict[str, list[str]] = {bench: [] for bench in self.benches}
        self.memory: list[tuple[int, int]] = []
        """Readings acknowledged and bytes resident, now and then."""
        self.worked_s = self.busy_s = 0.0

    def load(self, seconds: float) -> list[float]:
        """ms from when each reading was due until it was acknowledged."""
        with closing(Client(self.server.url)) as client:
            if self._start is not None:
                for bench in self.benches:
                    self._start(client, bench)
        self._look()
        began, used = time.monotonic(), _processor_s(self.server.process.pid)
        over = threading.Event()
        watch = threading.Thread(target=self._watch, args=(over,))
        watch.start()
        with ThreadPoolExecutor(BENCHES) as pool:
            took = list(pool.map(partial(self._press, seconds), range(BENCHES), self.benches))
        over.set()
        watch.join()
        self._look()
        self.worked_s += time.monotonic() - began
        self.busy_s += _processor_s(self.server.process.pid) - used
        return [each for bench in took for each in bench]

    def _press(self, seconds: float, number: int, bench: str) -> list[float]:
        took = []
        began = time.monotonic() + EACH_S * number / BENCHES
        with closing(Client(self.server.url)) as client:
            for press in range(int(seconds / EACH_S)):
                # Not all benches at once.
                if self._start is not None and (press + number) % (2 * TRIALS) == 2 * TRIALS - 1:
                    self._start(client, bench)
                due = began + EACH_S * press
                time.sleep(max(0.0, due - time.monotonic()))
                reading = _reading(bench, press)
                client.post("/api/readings", json.dumps([reading]).encode())
                took.append(1e3 * (time.monotonic() - due))
                self.acknowledged[bench].append(reading["id"])
        return took

    def _watch(self, over: threading.Event) -> None:
        while not over.wait(_LOOK_S):
            self._look()

    def _look(self) -> None:
        count = sum(map(len, self.acknowledged.values()))
        self.memory.append((count, memory(self.server.process.pid)))

    def slope(self) -> list[float]:
        """Bytes of resident memory for each reading, over the second half."""
        half = np.array(self.memory[len(self.memory) // 2 :], float)
        return [float(np.polyfit(half[:, 0], half[:, 1], 1)[0])]

    def processor(self) -> list[float]:
        return [100 * self.busy_s / self.worked_s]

    def check(self, store: Path) -> None:
        """Raises AssertionError where an acknowledged reading is not stored and told once."""
        with closing(sqlite3.connect(store)) as connection:
            found = connection.execute("SELECT id FROM readings").fetchall()
        stored = Counter(each.replace("-", "") for (each,) in found)
        said = [each for ids in self.acknowledged.values() for each in ids]
        assert stored == Counter(each.replace("-", "") for each in said), "readings were lost"
        for bench, page in self.pages.items():
            ids = self.acknowledged[bench]
            until(partial(page.has, len(ids)))
            assert page.told == ids, f"the page of {bench} was told something else"


def _reading(bench: str, press: int) -> dict[str, str]:
    return {
        "id": str(new_id()),
        "bench": bench,
        "caliper": "six-inch",
        "sent": text_of(press),
        "unit": "mm",
        "taken_at": datetime.now(UTC).isoformat(),
    }


def _processor_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:13])) / os.sysconf("SC_CLK_TCK")


def measurements(short: bool) -> Iterator[Measurement]:
    seconds = 1.0 if short else SECONDS
    rate = f"{BENCHES / EACH_S:.0f} readings/s of {BENCHES} benches, {PAGES} pages"
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = stack.enter_context(serving(folder / "shop"))
        beside = stack.enter_context(serving(folder / "minimal", kind=MinimalServing))
        saw = server.post("/api/machines", {"name": "Window saw", "kind": "other"})["id"]
        settings = {"method": "reversal", "baseline": "200", "unit": "mm", "strip_side": "left"}

        def start(client: Client, bench: str) -> None:
            body = settings | {"machine": saw, "bench": bench}
            client.post("/api/series", json.dumps(body).encode())

        program, minimal = Shop(server, stack, start), Shop(beside, stack, None)
        yield Measurement(
            f"{rate}: acknowledged",
            "ms",
            partial(program.load, seconds),
            {"minimal app": partial(minimal.load, seconds / 5)},
            tails=True,
        )
        program.check(file_in(server.data))
        minimal.check(beside.data / "minimal.sqlite")
        yield Measurement(
            f"{rate}: processor",
            "% of a core",
            program.processor,
            {"minimal app": minimal.processor},
            rounds=1,
        )
        yield Measurement(f"{rate}: memory for each reading", "bytes", program.slope, rounds=1)
