"""A store that is damaged or gone under the running program: said, read as far as it is whole, and
no press lost."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from api.settings import KEPT_BESIDE_FILE
from api.store import backup
from api.store.engine import file_in, open_engine, sqlite_url
from api.store.salvage import salvage
from capture.pretend import PtyPort
from tests.api.damage import overwrite
from tests.ptys import plugged, until
from tests.whole.commands import done
from tests.whole.forked import serving
from tests.whole.serving import Serving


@pytest.fixture
def shop(tmp_path: Path, port: PtyPort) -> Iterator[Serving]:
    with _serving(tmp_path / "data", port) as server:
        assert server.calipers_listen()
        yield server


def _serving(data: Path, port: PtyPort) -> AbstractContextManager[Serving]:
    """A server whose backups are made by the test alone."""
    caliper = f"serial:{port.target},unit=mm,name=g"
    return serving(data, "--caliper", caliper, "--backups", "0")


def _press(server: Serving, port: PtyPort, *widths: str) -> None:
    """Press, and wait until each press is answered: stored, or kept beside the store."""
    for width in widths:
        before = _answered(server)
        port.send(f"{width}\r\n".encode())
        assert until(lambda before=before: _answered(server) > before), width


def _health(server: Serving) -> dict[str, object]:
    said: dict[str, object] = server.client.get("/api/health").json()
    return said


def _answered(server: Serving) -> int:
    beside = _health(server)["kept_beside"]
    assert isinstance(beside, int)
    stored = server.client.get("/api/readings.csv")
    return beside + (len(stored.text.splitlines()) - 1 if stored.status_code == 200 else 0)


def _back_up(server: Serving) -> Path:
    """A copy as the program makes it each day."""
    to = server.data / "backups" / "bothends-2026-11-28.sqlite"
    to.parent.mkdir()
    engine = open_engine(sqlite_url(server.data))
    backup.back_up(engine, to)
    engine.dispose()
    return to


def _damage(store: Path) -> None:
    """Overwrite the first page of the readings, and let nobody rely on what was read before."""
    with closing(sqlite3.connect(store)) as other:
        with other:
            other.execute("UPDATE benches SET last_seq = last_seq")
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (root,) = other.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'readings'"
        ).fetchone()
    overwrite(store, {root}, seed=1)


def _move_away(data: Path) -> None:
    away = data.parent / "away"
    away.mkdir()
    for name in ("bothends.sqlite", "bothends.sqlite-wal", "bothends.sqlite-shm"):
        if (data / name).exists():
            shutil.move(data / name, away)


def _said_without_traceback(server: Serving, *words: str) -> None:
    log = server.log.read_text()
    assert "Traceback" not in log
    for each in words:
        assert each in log


def test_presses_beside_a_damaged_store_are_stored_once_on_a_restored_copy(
    shop: Serving, port: PtyPort, page: Page
) -> None:
    series = shop.start_series()
    _press(shop, port, "11.00", "11.10")
    good = _back_up(shop)
    page.goto(shop.url)
    expect(page.locator("#sign-live")).to_contain_text("live")
    _damage(file_in(shop.data))
    damaged = file_in(shop.data).read_bytes()
    port.send(b"11.20\r\n")
    # The page answers the press, with a sound of its own.
    expect(page.locator("#state")).to_contain_text("kept beside the store")
    expect(page.locator("#value")).to_contain_text("11.20")
    expect(page.locator("#next")).to_be_hidden()  # it is not paired yet
    assert page.evaluate("document.documentElement.dataset.sounded") == "kept beside"
    port.send(b"11.30\r\n")
    expect(page.locator("#value")).to_contain_text("11.30")
    notice = page.locator("#notice")
    expect(notice).to_contain_text("is damaged")
    expect(notice).to_contain_text(good.name)
    expect(notice).to_contain_text("bothends restore")
    expect(notice).to_contain_text("Kept beside it so far: 2.")
    told = _health(shop)
    assert (told["status"], told["kept_beside"]) == ("store in trouble", 2)
    assert good.name in str(told["message"])
    (caliper,) = told["calipers"]  # type: ignore[misc]
    assert caliper["state"] == "trouble"  # type: ignore[index]
    assert "kept beside the store, 2 so far" in caliper["message"]  # type: ignore[index]

    # A bench elsewhere keeps its own.
    reading = {"bench": "main", "caliper": "x", "sent": "9.99", "unit": "mm"}
    reading |= {"id": "01939d3e-7c1a-7000-8000-000000000000", "taken_at": "2026-03-02T12:00:00Z"}
    refused = shop.client.post("/api/readings", json=[reading])
    assert refused.status_code == 503
    assert "--salvage" in refused.json()["detail"]
    assert _health(shop)["kept_beside"] == 2

    # A page that is loaded now, too.
    page.reload()
    expect(notice).to_contain_text("Kept beside it so far: 2.")
    assert shop.client.get("/series", headers={"Accept": "text/html"}).status_code in (200, 503)

    address = shop.port
    shop.kill()
    shop.start(address)  # on the same damaged store: what waits stays, in its order
    assert _health(shop)["kept_beside"] == 2
    _press(shop, port, "11.40")
    assert _health(shop)["kept_beside"] == 3
    assert shop.stop() == 0
    assert file_in(shop.data).read_bytes() == damaged
    _said_without_traceback(shop, "is damaged", good.name, "kept beside it")

    _move_away(shop.data)
    shutil.copy(good, file_in(shop.data))
    shop.start(address)
    assert _health(shop)["status"] == "ok"
    # A page that was open all the time.
    expect(page.locator("#sign-live")).to_have_text("live")
    # It may say what came while it was not connected.
    expect(notice).not_to_contain_text("damaged")
    expect(notice).not_to_contain_text("beside")
    wanted = [["11.00", "11.10"], ["11.20", "11.30"], ["11.40"]]
    assert shop.trials(series) == wanted
    assert not [
        p.name for p in shop.data.iterdir() if p.name.startswith(Path(KEPT_BESIDE_FILE).stem)
    ]
    shop.stop()
    shop.start()
    assert shop.trials(series) == wanted
    _said_without_traceback(shop)


def test_presses_go_into_no_series_of_a_backup_that_lacks_what_was_measured_before_them(
    shop: Serving, port: PtyPort
) -> None:
    old = shop.start_series("Old saw")
    _press(shop, port, "11.00")
    good = _back_up(shop)
    shop.post(f"/api/series/{old}/finish")
    shop.start_series("New saw")
    _press(shop, port, "20.00")
    _damage(file_in(shop.data))
    _press(shop, port, "20.10", "20.20")
    shop.stop()
    _move_away(shop.data)
    shutil.copy(good, file_in(shop.data))
    shop.start()
    assert shop.trials(old) == [["11.00"]]
    assert shop.get("/api/benches/main")["series"] is None
    sent = shop.client.get("/api/readings.csv").text
    assert [w in sent for w in ("20.10", "20.20")] == [True, True]
    _said_without_traceback(shop, "the series that ran in it was ended")


def test_presses_beside_a_damaged_store_are_stored_in_a_salvaged_one(
    shop: Serving, port: PtyPort
) -> None:
    shop.start_series()
    _press(shop, port, "11.00", "11.10", "11.20")
    _damage(file_in(shop.data))
    _press(shop, port, "11.30", "11.40")
    shop.stop(signal.SIGINT)
    salvage(file_in(shop.data), shop.data / "new.sqlite")
    _move_away(shop.data)
    os.rename(shop.data / "new.sqlite", file_in(shop.data))
    shop.start()
    assert _health(shop)["status"] == "ok"
    # The only page of the readings was lost, and the series ended there.
    sent = shop.client.get("/api/readings.csv").text
    assert [w in sent for w in ("11.20", "11.30", "11.40")] == [False, True, True]
    _said_without_traceback(shop)


def test_a_page_that_was_open_follows_a_restored_store_that_lacks_what_it_shows(
    shop: Serving, port: PtyPort, page: Page
) -> None:
    shop.start_series()
    _press(shop, port, "11.00", "11.10")
    good = _back_up(shop)
    page.goto(shop.url)
    _press(shop, port, "11.20", "11.30", "11.40", "11.50")
    expect(page.locator("#value")).to_contain_text("11.50")
    address = shop.port
    shop.stop()
    _move_away(shop.data)
    shutil.copy(good, file_in(shop.data))
    shop.start(address)
    expect(page.locator("#value")).to_contain_text("11.10")
    assert shop.calipers_listen()
    _press(shop, port, "15.50")
    expect(page.locator("#value")).to_contain_text("15.50")


def test_presses_beside_a_store_that_is_away_are_stored_when_it_is_back(
    shop: Serving, port: PtyPort, page: Page
) -> None:
    series = shop.start_series()
    _press(shop, port, "11.00")
    good = _back_up(shop)
    page.goto(shop.url)
    expect(page.locator("#sign-live")).to_contain_text("live")
    store = file_in(shop.data)
    away = store.rename(shop.data / "away.sqlite")
    port.send(b"11.10\r\n")
    expect(page.locator("#state")).to_contain_text("kept beside the store")
    expect(page.locator("#notice")).to_contain_text("put it back")
    assert until(lambda: good.name in str(_health(shop)["message"]))
    assert not store.exists()
    away.rename(store)
    # Nobody presses: it comes by itself.
    assert until(lambda: shop.trials(series) == [["11.00", "11.10"]])
    expect(page.locator("#notice")).to_be_hidden()
    assert _health(shop)["kept_beside"] == 0
    _said_without_traceback(shop)


def test_presses_beside_a_replaced_store_are_stored_in_that_one_at_the_next_start(
    shop: Serving, port: PtyPort
) -> None:
    series = shop.start_series()
    _press(shop, port, "11.00")
    good = _back_up(shop)
    _move_away(shop.data)
    shutil.copy(good, file_in(shop.data))
    before = file_in(shop.data).read_bytes()
    _press(shop, port, "11.10")
    assert "another file is at" in str(_health(shop)["message"])
    assert file_in(shop.data).read_bytes() == before
    shop.stop()
    shop.start()
    assert shop.trials(series) == [["11.00", "11.10"]]
    _said_without_traceback(shop)


def test_no_empty_store_is_made_where_presses_wait_for_theirs(tmp_path: Path) -> None:
    with (
        plugged() as port,
        _serving(tmp_path / "data", port) as server,
    ):
        assert server.calipers_listen()
        _press(server, port, "11.00")
        store = file_in(server.data)
        store.rename(server.data / "away.sqlite")
        _press(server, port, "11.10")
        server.kill()
        for suffix in ("-wal", "-shm"):
            Path(f"{store}{suffix}").unlink(missing_ok=True)
        server.start()
        assert not store.exists()
        assert "is missing" in str(_health(server)["message"])
        assert "presses wait for it" in str(_health(server)["message"])
        assert server.client.get("/").status_code == 200
        _press(server, port, "11.20")
        assert _health(server)["kept_beside"] == 2
        assert not store.exists()


def test_what_is_no_store_ends_the_program_in_a_sentence_and_stays_as_it_is(tmp_path: Path) -> None:
    text = tmp_path / "diary.txt"
    text.write_text("Dear diary, " * 500)
    (tmp_path / "folder" / "bothends.sqlite").mkdir(parents=True)
    for words in (
        ["--db", f"sqlite:///{text}", "--data", str(tmp_path / "data")],
        ["--data", str(tmp_path / "folder")],
        ["--pretend", "--db", f"sqlite:///{text}", "--data", str(tmp_path / "data")],
    ):
        ended = done("serve", "--port", "0", *words)
        assert ended.returncode == 2
        assert len(ended.stderr.splitlines()) == 1, ended.stderr
        assert "no database" in ended.stderr or "no file" in ended.stderr
    assert text.read_text() == "Dear diary, " * 500
    assert not any((tmp_path / "folder" / "bothends.sqlite").iterdir())
    assert sorted(p.name for p in tmp_path.iterdir()) == ["data", "diary.txt", "folder"]
