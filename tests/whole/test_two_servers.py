"""Several servers on one store: what one keeps the other shows, and nothing is counted twice."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx2
import pytest

from tests.api.postgres import postgres
from tests.ptys import until
from tests.whole.forked import serving
from tests.whole.serving import Serving


@pytest.fixture
def two(tmp_path: Path, store_url: str) -> Iterator[tuple[Serving, Serving]]:
    with (
        serving(tmp_path / "one", "--db", store_url) as one,
        serving(tmp_path / "other", "--db", store_url) as other,
    ):
        yield one, other


def _posted(number: int, sent: str) -> dict[str, str]:
    return {
        "id": f"00000000-0000-7000-8000-{number:012d}",
        "bench": "main",
        "caliper": "six-inch",
        "sent": sent,
        "unit": "mm",
        "taken_at": f"2026-03-02T12:{number // 15 % 60:02d}:{number % 15 * 4:02d}Z",
    }


@contextmanager
def _live(server: Serving) -> Iterator[Iterator[dict[str, Any]]]:
    """The readings that a reader of the server's live events hears, from now on."""
    with server.client.stream("GET", "/api/live?bench=main") as events:
        lines = events.iter_lines()
        assert next(lines).startswith("retry")
        yield (
            json.loads(line[6:])
            for line in lines
            if line.startswith("data: ") and '"outcome"' in line
        )


def test_a_reading_handed_to_one_server_is_told_by_the_other(two):
    one, other = two
    series = one.start_series()
    with _live(other) as heard:
        for number, sent in enumerate(["12.30", "12.40", "12.31"]):
            one.post("/api/readings", [_posted(number, sent)])
            # The next line on the other's stream, long before its 15 s of silence are over.
            assert next(heard)["sent"] == sent
    assert other.trials(series) == [["12.30", "12.40"], ["12.31"]]


def test_a_bench_may_hand_over_to_any_server_and_its_strips_stay_whole(two):
    series = two[0].start_series()
    sent = [f"12.{n:02d}" for n in range(10, 50)]
    for number, text in enumerate(sent):
        batch = [_posted(number, text)]
        assert two[number % 2].post("/api/readings", batch)["stored"] == 1
        assert two[number % 3 % 2].post("/api/readings", batch)["known"] == 1
    pairs = [sent[i : i + 2] for i in range(0, len(sent), 2)]
    assert [server.trials(series) for server in two] == [pairs, pairs]
    two[1].post("/api/benches/main/take-back")
    two[0].post("/api/readings", [_posted(90, "13.00")])
    assert two[1].trials(series)[-1] == ["12.48", "13.00"]
    assert two[0].get("/api/benches/main")["next"] == two[1].get("/api/benches/main")["next"]


def test_of_two_servers_starting_on_one_bench_together_one_wins_and_the_other_is_told(
    tmp_path, postgres_server, upgraded_database
):
    import psycopg

    name = postgres_server.new_database(upgraded_database)
    url = postgres_server.url(name)
    waiting = (
        "SELECT count(*) FROM pg_stat_activity"
        f" WHERE datname = '{name}' AND wait_event_type = 'Lock'"
    )
    with (
        serving(tmp_path / "one", "--db", url) as one,
        serving(tmp_path / "other", "--db", url) as other,
        ThreadPoolExecutor(2) as pool,
    ):
        before = one.start_series()
        machine = one.get("/api/machines")[0]["id"]
        body = {"machine": machine, "method": "reversal", "baseline": "200"}
        body |= {"unit": "mm", "strip_side": "left"}
        body |= {"unit": "mm", "strip_side": "left"}
        # Both requests arrive while a third writer holds the bench: they are truly together.
        with psycopg.connect(url) as third:
            third.execute("SELECT * FROM benches FOR UPDATE")
            asked = [pool.submit(s.client.post, "/api/series", json=body) for s in (one, other)]
            assert until(lambda: postgres_server.psql(waiting).strip() == "2")
            third.rollback()
        won, lost = sorted((a.result() for a in asked), key=lambda a: a.status_code)
        assert (won.status_code, lost.status_code) == (201, 409)
        assert "same moment" in lost.json()["detail"]
        for each in (one, other):
            assert each.get("/api/benches/main")["series"]["id"] == won.json()["id"]
        assert one.get(f"/api/series/{before}")["finished_at"] is not None
        # One after the other, a start takes the bench over, as usual.
        after = other.post("/api/series", body)["id"]
        assert one.get("/api/benches/main")["series"]["id"] == after


@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
def test_a_kill_of_a_server_on_postgresql_loses_nothing_acknowledged(tmp_path, store_url):
    with serving(tmp_path / "shop", "--db", store_url) as server:
        server.start_series()
        acknowledged: list[str] = []
        for round_number in range(3):
            with ThreadPoolExecutor(1) as pool:
                sending = pool.submit(_send_until_killed, server, round_number, acknowledged)
                assert until(lambda n=round_number: len(acknowledged) >= 20 * (n + 1))
                server.process.kill()
                sending.result()
            server.kill()
            server.start()
        # All readings: the first after a kill may be asked about, and is then in no trial.
        told = server.client.get("/api/readings.jsonl").text
        kept = [json.loads(line)["sent"] for line in told.splitlines()]
        # One that was on its way may be there too: kept, but its answer was lost.
        assert [s for s in kept if s in set(acknowledged)] == acknowledged
        assert len(kept) <= len(acknowledged) + 3


def _send_until_killed(server: Serving, round_number: int, acknowledged: list[str]) -> None:
    for n in range(10_000):
        number = round_number * 10_000 + n
        sent = f"{10 + number / 1000:.3f}"
        try:
            answer = server.client.post("/api/readings", json=[_posted(number, sent)])
        except httpx2.TransportError:
            return
        assert answer.json()["stored"] == 1
        acknowledged.append(sent)


def test_the_servers_outlive_a_restart_of_postgresql(tmp_path):
    with postgres() as own:
        url = own.url(own.new_database())
        with (
            serving(tmp_path / "one", "--db", url) as one,
            serving(tmp_path / "other", "--db", url) as other,
        ):
            series = one.start_series()
            with _live(other) as heard:
                one.post("/api/readings", [_posted(1, "12.30")])
                assert next(heard)["sent"] == "12.30"
                own.kill()
                answer = one.client.post("/api/readings", json=[_posted(2, "12.40")])
                assert answer.status_code == 503
                assert "try again" in answer.json()["detail"]
                own.start()
                assert until(
                    lambda: one.client.post("/api/readings", json=[_posted(2, "12.40")]).is_success
                )
                assert next(heard)["sent"] == "12.40"
            assert other.trials(series) == [["12.30", "12.40"]]
