"""Pulling a long history: rate, memory, and what it costs when nothing is new.

    python -m benchmarks.exports [--trials N]

The bare baseline in the same run is the sqlite3 shell writing the same table as CSV to
nowhere (`.mode csv`), without joins, quoted formulas or a network.
"""

from __future__ import annotations

import argparse
import http.client
import os
import random
import shutil
import sqlite3
import statistics
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any
from uuid import UUID, uuid5

from api.server import open_store
from api.settings import Settings
from tests.whole.serving import Serving, serving

PER_SERIES = 20
FORMATS = ("trials.csv", "trials.jsonl", "history.zip", "trials.parquet")
ASKED = 200


def fill(folder: Path, count: int) -> None:
    """A store of `count` trials, written without the journal, which would take hours."""
    open_store(Settings(data=folder)).dispose()
    store = sqlite3.connect(folder / "bothends.sqlite", isolation_level=None)
    store.execute("PRAGMA synchronous=OFF")
    store.execute("BEGIN")
    chance = random.Random(8017)
    began = "2026-03-02 12:00:00.000000"
    machines = [UUID(int=n + 1).hex for n in range(5)]
    insert(
        store,
        "machines",
        (
            {"id": m, "name": f"Saw {n}", "kind": "other", "created_at": began}
            for n, m in enumerate(machines)
        ),
    )
    insert(store, "benches", [{"id": 1, "name": "main", "last_seq": 0}])
    series = [
        # As ids of version 7 are: in the order of time, the rest by chance.
        UUID(int=(1_750_000_000_000 + n) << 80 | 7 << 76 | 2 << 62 | chance.getrandbits(60))
        for n in range(count // PER_SERIES)
    ]
    insert(
        store,
        "series",
        (
            {
                "id": each.hex,
                "machine_id": machines[n % 5],
                "bench_id": 1,
                "method": "reversal",
                "unit": "mm",
                "baseline": "200",
                "baseline_nm": 200_000_000,
                "inset": "0",
                "inset_nm": 0,
                "strip_side": "left",
                "repeats": 1,
                "started_at": began,
            }
            for n, each in enumerate(series)
        ),
    )
    insert(store, "trials", trials(series, chance))
    store.execute(
        "INSERT INTO events (bench_id, kind, subject, data, at)"
        " SELECT 1, 'trial', id, '{}', ? FROM trials ORDER BY rowid",
        [began],
    )
    store.execute("COMMIT")
    store.close()


def trials(series: list[UUID], chance: random.Random) -> Iterator[dict[str, Any]]:
    for each in series:
        for number in range(1, PER_SERIES + 1):
            fence, deviation = chance.gauss(12.3, 0.02), chance.gauss(0.1, 0.02)
            yield {
                "id": uuid5(each, str(number)).hex,
                "series_id": each.hex,
                "number": number,
                "state": "complete",
                "swapped": 0,
                "flags": "[]",
                "taken_at": f"2026-03-02 12:{number:02d}:00.000000",
                "readings_mm": f"{fence:.2f} {fence + deviation:.2f}",
                "deviation_mm": f"{deviation:.2f}",
                "angle_deg": deviation * 0.1432394487827058,
                "expanded_uncertainty_deg": 0.01 + deviation / 1e3,
                "calipers": '["six-inch"]',
            }


def insert(store: sqlite3.Connection, table: str, rows: Any) -> None:
    rows = iter(rows)
    first = next(rows)
    sql = f"INSERT INTO {table} ({', '.join(first)}) VALUES ({', '.join(f':{c}' for c in first)})"
    store.execute(sql, first)
    store.executemany(sql, rows)


def shell(store: Path) -> float:
    """Seconds that the bare shell takes; the best of three."""
    best = float("inf")
    for _ in range(3):
        began = perf_counter()
        subprocess.run(
            ["sqlite3", "-readonly", str(store), ".mode csv", "SELECT * FROM trials"],
            stdout=subprocess.DEVNULL,
            check=True,
        )
        best = min(best, perf_counter() - began)
    return best


@dataclass
class Pulled:
    """One answer, read to its end: seconds, bytes, and the most that a process beside the
    server held in MB."""

    took: float
    size: int = 0
    beside: float = 0.0


def pull(
    server: Serving, path: str, headers: dict[str, str] | None = None, watched: bool = False
) -> Pulled:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=600)
    began = perf_counter()
    connection.request("GET", f"/api/{path}", headers=headers or {})
    answer = connection.getresponse()
    found = Pulled(0)
    while part := answer.read(1 << 18):
        found.size += len(part)
        if watched:
            found.beside = max(found.beside, beside(server.process.pid))
    found.took = perf_counter() - began
    connection.close()
    return found


def resident(process: int) -> float:
    """The peak memory of a process, in MB."""
    status = Path(f"/proc/{process}/status").read_text()
    # A process that has ended uses no memory.
    return int(status.split("VmHWM:")[1].split("kB")[0]) / 1024 if "VmHWM:" in status else 0.0


def beside(process: int) -> float:
    """The same for the processes that it started and that still run."""
    started = Path(f"/proc/{process}/task").glob("*/children")
    most = 0.0
    for child in " ".join(path.read_text() for path in started).split():
        with suppress(OSError):
            most = max(most, resident(int(child)))
    return most


def processor(process: int) -> float:
    """Seconds of processor time of the process and of its ended children."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=1_000_000)
    count = parser.parse_args().trials
    if shutil.which("sqlite3") is None:
        raise SystemExit("the sqlite3 shell is not here; install the package sqlite3")
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "shop"
        fill(data, count)
        with serving(data) as server:
            pid = server.process.pid
            print(f"{count:,} trials; resident before any pull {resident(pid):6.0f} MB")
            floor = shell(data / "bothends.sqlite")
            print(f"{'sqlite3 .mode csv':16} {count / floor:10,.0f} rows/s")
            for path in FORMATS:
                spent = processor(pid)
                found = pull(server, path, watched=True)
                print(
                    f"{path:16} {count / found.took:10,.0f} rows/s"
                    f"  {floor / found.took:4.0%} of the shell's  {found.size / 1e6:6.1f} MB"
                    f"  processor {processor(pid) - spent:5.1f} s"
                    f"  most resident so far {resident(pid):4.0f} MB"
                    + (f" and {found.beside:4.0f} MB beside" if found.beside else "")
                )
            answer = server.client.get("/api/trials.csv?since=2126-01-01")
            tag = answer.headers["etag"]
            asked = [pull(server, "trials.csv", {"If-None-Match": tag}).took for _ in range(ASKED)]
            print(f"nothing new (304)   median {statistics.median(asked) * 1e3:5.2f} ms")
            after = answer.headers["link"].partition("after=")[2].partition(">")[0]
            asked = [pull(server, f"trials.csv?after={after}").took for _ in range(ASKED)]
            print(f"nothing after       median {statistics.median(asked) * 1e3:5.2f} ms")


if __name__ == "__main__":
    main()
