"""How long a machine's history takes: five years of weekly checks, 5,200 trials.

The JSON and the pages, beside a bare read of the same trials. The store is filled as a bench
would fill it, reading by reading.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
from fastapi.testclient import TestClient
from sqlalchemy import select

from analysis.methods import method
from analysis.units import parse_length
from api.server import Server
from api.settings import Settings
from api.store.new_series import NewSeries
from api.store.stamps import new_id
from api.store.tables import Trial
from api.web.app import build
from benchmarks.measuring import Measurement, timed
from capture.records import Reading

TRIALS = 20  # a week


def fill(server: Server, weeks: int) -> str:
    """A saw whose stop wears, adjusted once a year; its id."""
    rng = np.random.default_rng(5)
    machine = server.journal.add_machine("Window saw", "miter saw")
    begin = datetime(2021, 1, 4, 8, tzinfo=UTC)
    for week in range(weeks):
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


def measurements(short: bool) -> Iterator[Measurement]:
    weeks = 26 if short else 260
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(Server(Settings(data=Path(folder)))) as server,
    ):
        machine = fill(server, weeks)
        client = TestClient(build(server), "http://127.0.0.1:8017", client=("127.0.0.1", 5))

        def bare() -> object:
            with server.reading() as store:
                return store.execute(select(Trial.series_id, Trial.angle_deg)).all()

        def asked(path: str) -> object:
            return client.get(path).raise_for_status()

        asked("/api/machines")
        for path in (
            f"/api/machines/{machine}/history",
            f"/api/machines/{machine}/advice?span=600",
            f"/machine/{machine}",
            "/machines",
        ):
            yield Measurement(
                f"{path.replace(machine, '{id}')} of {weeks * TRIALS:,} trials",
                "ms",
                timed(partial(asked, path), "ms", 3),
                {"bare read of the trials": timed(bare, "ms", 3)},
            )
