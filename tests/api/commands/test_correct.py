"""What was said wrong is said right from the command line, and bad words change nothing."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from uuid import UUID

import pytest
from sqlalchemy import Engine, make_url, select

from api.store import doctor
from api.store.engine import open_engine, sqlite_file
from api.store.in_use import Together
from api.store.tables import Caliper, Change, Machine, Series, Stop, Work
from tests.api.commands.running import status
from tests.api.stores import fill


@pytest.fixture
def shop(store_url: str) -> Engine:
    engine = open_engine(store_url)
    fill(engine)
    engine.dispose()
    return engine


def trail(engine: Engine) -> int:
    with engine.connect() as store:
        found = len(store.scalars(select(Change.id)).all())
    engine.dispose()
    return found


def test_a_series_its_strips_and_its_machine_are_corrected_and_undone(shop, store_url, capsys):
    def done(*words: object) -> str:
        assert status("correct", *words, "--db", store_url) == 0, capsys.readouterr().err
        return capsys.readouterr().out

    before = trail(shop)
    with shop.connect() as store:
        series = str(store.scalars(select(Series.id).where(Series.note.is_not(None))).one())
    shop.dispose()
    assert f"{series}  2026-03-02 12:00 UTC, Window saw, reversal" in done("series")
    would = done("series", series, "--set", "baseline=80.26", "--dry-run")
    assert "angle: 0.00 ± 0.32 degrees of 2 strips, cannot tell yet -> 0.000 ± 0.032" in would
    assert "1 series would be corrected" in would
    would = done("machine", "window  SAW", "--merge-into", "Blue sled", "--dry-run")
    assert "machine: Window saw -> Blue sled" in would
    assert "angle: no result -> -0.0250" in done("strip", series, 2, "move", "--dry-run")
    assert trail(shop) == before
    done("series", series, "--set", "baseline=80.26", "--who", "Ada", "--reason", "a slip")
    change, _, said = done("undo").splitlines()[-1].partition("  ")
    assert said.endswith(f"series {series}: baseline 8.026 -> 80.26 (by Ada, a slip)")
    assert "would read otherwise" in done("undo", change, "--dry-run")
    done("undo", change)
    done("strip", series, 1, "leave-out", "--reason", "it \x1b[2J\nslipped")
    assert "strip 1, left out" in done("strip", series)
    # What another device wrote moves no cursor, and makes no line.
    assert "strip 1: counted yes -> no (it \\x1b[2J\\nslipped)" in done("undo")
    assert "strip 1" not in done("strip", series, 2)
    done("strip", series, 2, "away")
    assert "strip 2" in (swung := done("undo").splitlines()[-1]), swung
    done("strip", series, 2, "stayed")
    done("machine", "Window saw", "--rename", "Door saw", "--set", "retired=true")
    assert "Door saw, retired" in done("machine")
    assert trail(shop) == before + 7
    with shop.connect() as store:
        assert sorted(store.scalars(select(Machine.name))) == ["Blue sled", "Door saw"]
        assert store.scalars(select(Series.baseline).where(Series.note.is_not(None))).one()[:4] == (
            "8.02"
        )
        assert list(doctor.findings(store)) == []
    shop.dispose()


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
def test_a_stop_a_work_and_a_caliper_are_corrected_and_undone(shop, store_url, capsys):
    def done(*words: object) -> str:
        assert status("correct", *words, "--db", store_url) == 0, capsys.readouterr().err
        return capsys.readouterr().out

    saw, stop = "Blue sled", UUID(int=9001)
    renamed = ("stop", "5  LEFT", "--of", saw, "--rename", "five left", "--set", "check_days=7")
    assert "0 series would be corrected" in done(*renamed, "--dry-run")
    done(*renamed)
    done("stop", stop, "--set", "retired=true", "--who", "Ada")
    assert "five left, -5 degrees, retired\n" in done("stop", "--of", saw)
    change, _, said = done("undo").splitlines()[-1].partition("  ")
    assert said.endswith("retired no -> yes (by Ada)")
    done("undo", change)
    done("work", "Window frames", "--rename", "doors", "--set", "tolerance_deg=0.1")
    assert done("work") == "doors\n"
    done("caliper", "main caliper", "--set", "check_days=365", "--set", "certificate=block 12")
    with shop.connect() as store:
        series = store.scalars(select(Series.id).where(Series.stop_id == stop)).first()
    done("series", series, "--set", "stop=square", "--set", "work=")
    with shop.connect() as store:
        said = select(Series.work_id, Stop.name).join(Stop).where(Series.id == series)
        assert store.execute(said).one() == (None, "square")
        said = select(Stop.name, Stop.check_days, Stop.retired_at).where(Stop.id == stop)
        assert store.execute(said).one() == ("five left", 7, None)
        said = select(Work.name, Work.tolerance_deg, Work.gap)
        assert store.execute(said).one() == ("doors", "0.1", None)
        said = select(Caliper.check_days, Caliper.certificate)
        assert (365, "block 12") in store.execute(said).all()
        assert list(doctor.findings(store)) == []
    shop.dispose()


WRONG = {
    "a field that is none": (("series", "ID", "--set", "basline=8"), "basline: is not a field"),
    "a length that is none": (("series", "ID", "--set", "baseline=wide"), "not a plain decimal"),
    "no value": (("series", "ID", "--set", "baseline"), "give a name and a value"),
    "nothing to correct": (("series", "ID"), "say what to correct"),
    "of which series": (("series", "--set", "note=x"), "say which series"),
    "of which machine": (("machine", "--rename", "x"), "say which machine"),
    "no strip to list": (("strip", "ID", "leave-out"), "has no strip leave-out"),
    "no series": (("series", "nope", "--set", "note=x"), "must be a UUID"),
    "no strip": (("strip", "ID", "99", "leave-out"), "no strip has that number"),
    "no machine": (("machine", "Nosaw", "--rename", "x"), "there is no machine Nosaw"),
    "no machine of the stop": (("stop", "5 left", "--rename", "x"), "with --of MACHINE"),
    "no stop": (("stop", "9", "--of", "Blue sled", "--rename", "x"), "Blue sled has no stop 9"),
    "square renamed": (
        ("stop", "square", "--of", "Blue sled", "--rename", "zero"),
        "square stays as it is",
    ),
    "an angle series rest on": (
        ("stop", "5 left", "--of", "Blue sled", "--set", "nominal_deg=-6"),
        "series were measured at 5 left",
    ),
    "no work": (("work", "boats", "--rename", "x"), "there is no work boats"),
    "no need": (("work", "window frames", "--set", "joint="), "joint"),
    "another's name": (("machine", "Blue sled", "--rename", "Window saw"), "merge Blue sled"),
}


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
def test_bad_words_get_one_clear_sentence_and_change_nothing(shop, store_url, capsys):
    before = trail(shop)
    with shop.connect() as store:
        series = str(store.scalars(select(Series.id).where(Series.note.is_not(None))).one())
    shop.dispose()
    for words, sentence in WRONG.values():
        named = [series if word == "ID" else word for word in words]
        assert status("correct", *named, "--db", store_url) in (1, 2)
        (said,) = capsys.readouterr().err.splitlines()
        assert sentence in said
    path = sqlite_file(make_url(store_url))
    assert path is not None
    server = Together(path)
    assert status("correct", "series", "--db", store_url) == 1
    assert "correct through that server, with --to URL" in capsys.readouterr().err
    server.close()
    assert trail(shop) == before


class _Older(BaseHTTPRequestHandler):
    """A server of a version that had no corrections."""

    def do_GET(self) -> None:
        self.send_response(404)
        self.end_headers()
        self.wfile.write(b'{"detail": "there is nothing at this address"}')

    def log_message(self, *_said: object) -> None:
        """Says nothing on the tests' output."""


def test_an_older_server_is_named_as_such(capsys):
    with HTTPServer(("127.0.0.1", 0), _Older) as older:
        serving = threading.Thread(target=older.handle_request)
        serving.start()
        address = f"http://127.0.0.1:{older.server_port}"
        assert status("correct", "undo", "--to", address) == 1
        serving.join()
    assert "bring that server up to date" in capsys.readouterr().err
