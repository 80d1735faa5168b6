"""Pulling a long history: time, memory, and what it costs when nothing is new.

From a running server beside what others write: the sqlite3 shell, to nowhere, of the view
`trial_history`, which holds what the files hold; sqlite-utils, to nowhere, and datasette's stream
over HTTP, both of the table `trials` with no joins. None writes exact decimals or quotes formulas.
Parquet into a file by the command, beside pandas that reads the view, each from its start to its
end.
"""

from __future__ import annotations

import http.client
import random
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from functools import partial
from pathlib import Path
from time import perf_counter
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID, uuid5

from api.settings import Settings
from api.store.engine import file_in
from api.store.opening import open_store
from benchmarks.measuring import Measurement, memory, timed
from tests.ptys import until
from tests.whole.serving import COMMAND, Serving, serving

PER_SERIES = 20


def fill(folder: Path, count: int) -> None:
    """A store of `count` trials, written without the journal, which would take hours."""
    open_store(Settings(data=folder)).dispose()
    store = sqlite3.connect(file_in(folder), isolation_level=None)
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


def ran(words: list[str]) -> list[float]:
    """s of a command whose output nobody reads."""
    began = perf_counter()
    subprocess.run(words, stdout=subprocess.DEVNULL, check=True)
    return [perf_counter() - began]


def got(url: str, head: tuple[tuple[str, str], ...] = ()) -> list[float]:
    """s until the answer has been read to its end, on a connection of its own."""
    where = urlsplit(url)
    began = perf_counter()
    with closing(http.client.HTTPConnection(where.netloc, timeout=600)) as connection:
        connection.request("GET", f"{where.path}?{where.query}", headers=dict(head))
        answer = connection.getresponse()
        assert answer.status in (200, 304), answer.status
        while answer.read(1 << 18):
            pass
    return [perf_counter() - began]


@contextmanager
def datasette(store: Path) -> Iterator[str]:
    """The address of the store's table of trials, served by datasette."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = ["serve", str(store), "-p", str(port), "--setting", "max_csv_mb", "0"]
    with subprocess.Popen(
        [sys.executable, "-m", "datasette", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as it:

        def answers() -> bool:
            with suppress(OSError), socket.create_connection(("127.0.0.1", port)):
                return True
            return False

        try:
            assert until(answers), "datasette did not start"
            yield f"http://127.0.0.1:{port}/{store.stem}/trials"
        finally:
            it.kill()


PANDAS = """
import sqlite3, sys
import pandas
store = sqlite3.connect(sys.argv[1])
pandas.read_sql("SELECT * FROM trial_history", store).to_parquet(sys.argv[2])
"""


def into_file(words: list[str], file: Path) -> list[float]:
    """s of a command that writes `file`, which is then gone again."""
    [took] = ran([*words, str(file)])
    assert file.stat().st_size > 0
    for each in file.parent.glob(f"{file.name}*"):
        each.unlink()
    return [took]


def from_server(server: Serving, store: Path, what: str) -> Iterator[Measurement]:
    trials = f"{server.url}/api/trials"
    shell = ["sqlite3", "-readonly", str(store)]
    utils = [sys.executable, "-m", "sqlite_utils", "rows", str(store), "trials"]
    select = "SELECT * FROM trial_history"
    csv = partial(ran, [*shell, ".mode csv", select])
    with datasette(store) as theirs:
        yield Measurement(
            f"CSV of {what}",
            "s",
            partial(got, f"{trials}.csv"),
            {
                "sqlite3 shell": csv,
                "sqlite-utils rows": partial(ran, [*utils, "--csv"]),
                "datasette": partial(got, f"{theirs}.csv?_stream=1"),
            },
        )
    yield Measurement(
        f"JSON Lines of {what}",
        "s",
        partial(got, f"{trials}.jsonl"),
        {
            "sqlite3 shell, JSON": partial(ran, [*shell, ".mode json", select]),
            "sqlite-utils rows": partial(ran, [*utils, "--nl"]),
        },
    )
    history = partial(got, f"{server.url}/api/history.zip")
    yield Measurement(f"history.zip of {what}", "s", history, {"sqlite3 shell, CSV": csv})


def nothing_new(server: Serving) -> Iterator[Measurement]:
    answer = server.client.get("/api/trials.csv?since=2126-01-01")
    after = answer.headers["link"].partition("after=")[2].partition(">")[0]
    for name, path, head in (
        ("by its tag, 304", "/api/trials.csv", (("If-None-Match", answer.headers["etag"]),)),
        ("after a cursor", f"/api/trials.csv?after={after}", ()),
    ):
        yield Measurement(
            f"nothing new {name}",
            "ms",
            timed(partial(got, server.url + path, head), "ms", 20),
            {"health": timed(partial(got, f"{server.url}/api/health"), "ms", 20)},
        )


def measurements(short: bool) -> Iterator[Measurement]:
    count = 2_000 if short else 200_000
    if shutil.which("sqlite3") is None:
        raise SystemExit("the sqlite3 shell is not here; install the package sqlite3")
    with tempfile.TemporaryDirectory() as name:
        data, file = Path(name) / "shop", Path(name) / "trials.parquet"
        fill(data, count)
        store, what = file_in(data), f"{count:,} trials"
        pandas = partial(into_file, [sys.executable, "-c", PANDAS, str(store)], file)
        yield Measurement(
            f"Parquet of {what} by pull --data",
            "s",
            partial(into_file, [*COMMAND, "pull", "--data", str(data), "--to"], file),
            {"pandas": pandas},
        )
        with serving(data) as server:
            pid = server.process.pid
            before = memory(pid, peak=True)
            yield from from_server(server, store, what)
            yield Measurement(
                f"Parquet of {what} from the server",
                "s",
                partial(got, f"{server.url}/api/trials.parquet"),
                {"pandas": pandas},
            )
            grown = (memory(pid, peak=True) - before) / 2**20
            yield Measurement("the server's memory grown by these", "MB", lambda: [grown], rounds=1)
            yield from nothing_new(server)
