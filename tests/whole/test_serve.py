"""The main job through the program itself: real process, real pty, real store."""

from __future__ import annotations

import json
import socket
import sqlite3
import statistics
import subprocess
from decimal import Decimal
from math import atan, degrees

import numpy as np
import pytest

from tests.ptys import PATIENCE_S, plugged, until
from tests.whole.forked import serving
from tests.whole.serving import COMMAND
from tests.whole.serving import serving as program


def test_twenty_strips_pressed_on_a_port_are_scored(tmp_path):
    rng = np.random.default_rng(20)
    # Neighbours differ, for the test presses faster than a hand: equal ones would be bounces.
    widths = [f"{w:.2f}" for w in 12 + 0.3 * (np.arange(40) % 2) + rng.normal(0, 0.02, 40)]
    with (
        plugged() as port,
        program(tmp_path / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        series = server.start_series(tolerance_deg="0.1")
        assert server.calipers_listen()
        for count, width in enumerate(widths, 1):
            port.send(f"{width}\r\n".encode())
            assert until(lambda n=count: sum(map(len, server.trials(series))) == n), server.trials(
                series
            )
        found = server.get(f"/api/series/{series}")

    assert [[r["sent"] for r in t["readings"]] for t in found["trials"]] == [
        widths[i : i + 2] for i in range(0, 40, 2)
    ]
    # Worked out again without the program: exact differences, then the tangent.
    angles = [
        degrees(atan(float(Decimal(widths[i + 1]) - Decimal(widths[i])) / 400))
        for i in range(0, 40, 2)
    ]
    score = found["score"]["quantities"]["angle"]
    assert [t["angle_deg"] for t in found["trials"]] == pytest.approx(angles, rel=1e-9)
    assert score["mean"] == pytest.approx(statistics.mean(angles), rel=1e-9)
    assert score["sd"] == pytest.approx(statistics.stdev(angles), rel=1e-9)
    assert score["trials"] == 20
    # At least the scatter's own share: t(0.975, 19) = 2.093 (NIST e-Handbook, 1.3.6.7.2).
    assert score["expanded_uncertainty"] >= 2.09 * statistics.stdev(angles) / 20**0.5


def test_a_kill_right_after_the_acknowledgement_loses_and_doubles_nothing(tmp_path):
    with (
        plugged() as port,
        serving(tmp_path / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        series = server.start_series()
        sent: list[str] = []
        for round_number in range(3):
            assert server.calipers_listen()
            with server.client.stream("GET", "/api/live?bench=main") as events:
                lines = events.iter_lines()
                assert next(lines).startswith("retry")
                sent.append(f"12.3{round_number}")
                port.send(f"{sent[-1]}\r\n".encode())
                heard = next(json.loads(line[6:]) for line in lines if _is_reading(line))
                assert heard["sent"] == sent[-1]
                server.kill()
            server.start()
            assert [s for trial in server.trials(series) for s in trial] == sent
        assert server.get("/api/benches/main")["next"] == {
            "trial": 2,
            "place": "open end",
            "label": "open end",
            "index": 1,
            "repeat": 0,
            "repeats": 1,
        }


def _is_reading(line: str) -> bool:
    return line.startswith("data: ") and '"outcome"' in line


def test_a_reader_that_was_away_misses_nothing_and_hears_nothing_twice(tmp_path):
    with serving(tmp_path / "shop") as server:
        server.start_series()
        before = server.get("/api/benches/main")["last_event"]
        for number, sent in enumerate(["12.30", "12.40", "12.31", "12.41"]):
            server.post("/api/readings", [_posted(number, sent)])

        def heard(after: int, count: int) -> list[tuple[int, str]]:
            found = []
            with server.client.stream(
                "GET", "/api/live?bench=main", headers={"Last-Event-ID": str(after)}
            ) as events:
                number = 0
                for line in events.iter_lines():
                    if line.startswith("id: "):
                        number = int(line[4:])
                    if line.startswith("data: ") and '"outcome"' in line:
                        found.append((number, json.loads(line[6:])["sent"]))
                        if len(found) == count:
                            return found
            raise AssertionError(found)

        whole = heard(before, 4)
        assert [sent for _, sent in whole] == ["12.30", "12.40", "12.31", "12.41"]
        assert heard(whole[1][0], 2) == whole[2:]


def _posted(number: int, sent: str) -> dict[str, str]:
    return {
        "id": f"00000000-0000-7000-8000-{number:012d}",
        "bench": "main",
        "caliper": "six-inch",
        "sent": sent,
        "unit": "mm",
        "taken_at": f"2026-03-02T12:00:{number * 4:02d}Z",
    }


def test_readings_cannot_be_changed_even_with_a_database_tool(tmp_path):
    with serving(tmp_path / "shop") as server:
        server.start_series()
        server.post("/api/readings", [_posted(1, "12.30")])
        server.post("/api/benches/main/take-back")
    store = sqlite3.connect(tmp_path / "shop" / "bothends.sqlite")
    for table in ("readings", "acts", "refusals", "changes"):
        if table in ("readings", "acts"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                store.execute(f"UPDATE {table} SET bench_id = 7")
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                store.execute(f"DELETE FROM {table}")
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                store.execute(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
        triggers = store.execute(
            "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", [table]
        )
        assert triggers.fetchone() == (3,)
    assert store.execute("SELECT count(*) FROM readings").fetchone() == (1,)
    store.close()


def test_stopping_ends_live_streams_and_is_no_error(tmp_path):
    with program(tmp_path / "shop") as server:
        with server.client.stream("GET", "/api/live?bench=main") as events:
            lines = events.iter_lines()
            assert next(lines).startswith("retry")
            server.process.terminate()
            assert list(lines) is not None
        assert server.process.wait(PATIENCE_S) == 0
        assert server.log.read_text() == ""


def test_the_demo_shop_is_measured_by_its_pretend_caliper(tmp_path):
    with program(tmp_path / "shop", "--pretend") as server:
        assert server.calipers_listen()
        assert server.get("/api/benches/main")["series"]["machine"]["name"] == "Birch sled"
        # The sled's ends may read the same, which would be a bounce so fast; this one's
        # are far apart.
        series = server.start_series(machine="Window bench miter saw")
        for count in range(1, 7):
            sent = server.post("/api/benches/main/pretend-press")["sent"]
            assert until(lambda n=count: sum(map(len, server.trials(series))) == n)
            assert server.trials(series)[-1][-1] == sent
        assert server.get(f"/api/series/{series}")["score"]["trials"] == 3
        machines = {m["name"] for m in server.get("/api/machines")}
        assert len(machines) == 3
        # A second start finds the demo data and changes nothing.
        server.stop()
        server.start()
        assert {m["name"] for m in server.get("/api/machines")} == machines
        assert sum(map(len, server.trials(series))) == 6


def test_the_csv_is_plain_and_a_second_pull_gives_only_what_is_new(tmp_path):
    with serving(tmp_path / "shop") as server:
        server.start_series(machine='=SUM(1;2), "the" saw')
        server.post("/api/readings", [_posted(1, "12.30"), _posted(2, "12.40")])
        first = server.client.get("/api/trials.csv")
        assert first.headers["content-type"].startswith("text/csv; charset=utf-8")
        head, row, end = first.text.split("\r\n")
        assert head == (
            "trial_id,series_id,machine,method,number,taken_at,baseline_mm,readings_mm,"
            "deviation_mm,angle_deg,tilt_deg,expanded_uncertainty_deg,state,flags,caliper,"
            "length_mm,stop,nominal_deg,levels,corrected,visit"
        )
        assert ',"\'=SUM(1;2), ""the"" saw",reversal,1,2026-03-02T12:00:08.000000Z,200,' in row
        assert ",12.3 12.4,0.1," in row
        assert end == ""

        following = first.headers["link"].partition(">")[0].lstrip("<")
        assert server.client.get(following).text == head + "\r\n"
        server.post("/api/readings", [_posted(3, "12.50")])
        second = server.client.get(following)
        assert second.text.count("\r\n") == 2
        assert ",12.5,,,,,open,," in second.text
        # Taken back since: sent as gone to readers that have it, not to new ones.
        server.post("/api/benches/main/take-back")
        third = server.client.get(second.headers["link"].partition(">")[0].lstrip("<"))
        assert ",gone,," in third.text
        assert ",gone,," not in server.client.get("/api/trials.csv").text
        assert server.client.get("/api/trials.csv?after=x").status_code == 422


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--caliper", "cereal:/dev/x"], "serial"),
        (["--caliper", "serial:/dev/x,unit=cm"], "unit"),
        (["--caliper", "serial:/dev/x,colour=red"], "colour"),
        (["--port", "70000"], "65535"),
        (["--backups", "-1"], "0 for none"),
        (["--host", "no.such.host.invalid"], "127.0.0.1"),
        (["--db", "oracle://x/y"], "SQLite or PostgreSQL"),
        (["--db", "hello"], "sqlite:"),
    ],
)
def test_a_wrong_option_is_one_sentence_and_exit_2(tmp_path, options, says):
    done = subprocess.run(
        [*COMMAND, "serve", "--data", str(tmp_path / "d"), "--port", "0", *options],
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 2
    assert says in done.stderr
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_a_port_in_use_says_so_and_how_to_choose_another(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        done = subprocess.run(
            [*COMMAND, "serve", "--data", str(tmp_path), "--port", str(taken.getsockname()[1])],
            capture_output=True,
            text=True,
            timeout=30,
        )
    assert done.returncode == 2
    assert "--port" in done.stderr


def test_a_store_of_a_newer_program_is_refused_with_a_sentence(tmp_path):
    with serving(tmp_path / "shop"):
        pass
    store = sqlite3.connect(tmp_path / "shop" / "bothends.sqlite")
    store.execute("UPDATE alembic_version SET version_num = '9999'")
    store.commit()
    store.close()
    done = subprocess.run(
        [*COMMAND, "serve", "--data", str(tmp_path / "shop"), "--port", "0"],
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 2
    assert "newer bothends" in done.stderr
