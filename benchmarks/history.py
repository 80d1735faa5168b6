"""How long a machine's history takes: five years of weekly checks, 5,200 trials.

    python benchmarks/history.py

Prints the time of the JSON and of the page beside a bare read of the same trials in the same
run. The store is filled as a bench would fill it, reading by reading.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from fastapi.testclient import TestClient
from sqlalchemy import select

from analysis.methods import method
from analysis.units import parse_length
from api.server import Server
from api.settings import Settings
from api.store.journal import NewSeries, new_id
from api.store.tables import Trial
from api.web.app import build
from capture.records import Reading

WEEKS, TRIALS = 260, 20


def fill(server: Server) -> str:
    """A saw whose stop wears, adjusted once a year; its id."""
    rng = np.random.default_rng(5)
    machine = server.journal.add_machine("Window saw", "miter saw")
    begin = datetime(2021, 1, 4, 8, tzinfo=UTC)
    for week in range(WEEKS):
        at = begin + timedelta(weeks=week)
        if week % 52 == 26:
            server.journal.add_setup_change(machine, "adjusted", at - timedelta(hours=1), None)
        new = NewSeries(
            machine_id=machine,
            bench="main",
            method=method("reversal"),
            unit="mm",
            baseline="200",
            baseline_nm=parse_length("200", "mm"),
            thickness=None,
            thickness_nm=None,
            inset="0",
            inset_nm=0,
            strip_side="left",
            repeats=1,
            tolerance_gap="0.1",
            tolerance_joint="150",
        )
        series = server.journal.start(new, at)
        lean = 0.1 + 0.002 * (week % 52)
        readings: list[Reading] = []
        for trial in range(TRIALS):
            for end in (0.0, lean):
                sent = f"{10 + end + rng.normal(0, 0.03):.2f}"
                moment = at + timedelta(minutes=trial, seconds=10 * len(readings) % 20)
                readings.append(
                    Reading(
                        id=new_id(),
                        bench="main",
                        caliper="six-inch",
                        sent=sent,
                        unit="mm",
                        nm=parse_length(sent, "mm"),
                        taken_at=moment,
                    )
                )
        server.journal.keep(readings)
        server.journal.finish(series, at + timedelta(minutes=TRIALS))
    return str(machine)


def times(work: Callable[[], object], rounds: int = 15) -> tuple[float, float]:
    """Milliseconds of the first and of the middle round."""
    taken = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        taken.append(1e3 * (time.perf_counter() - start))
    return taken[0], sorted(taken)[rounds // 2]


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        server = Server(Settings(data=Path(folder)))
        machine = fill(server)
        client = TestClient(build(server), base_url="http://127.0.0.1:8017")

        def bare() -> object:
            with server.reading() as store:
                return store.execute(select(Trial.series_id, Trial.angle_deg)).all()

        def asked(path: str) -> Callable[[], object]:
            return lambda: client.get(path).raise_for_status()

        client.get("/api/machines")
        _, base = times(bare)
        print(f"bare read of {WEEKS * TRIALS} trials            {base:7.1f} ms")
        for path in (
            f"/api/machines/{machine}/history",
            f"/api/machines/{machine}/advice?span=600",
            f"/machine/{machine}",
            "/machines",
        ):
            first, usual = times(asked(path))
            shown = path.replace(machine, "{id}")
            print(f"{shown:40} {usual:7.1f} ms  {usual / base:5.2f} x   (first {first:.1f} ms)")
        server.close()


if __name__ == "__main__":
    main()
