"""A server keeps daily backups by itself, says so, and a shop comes back from them."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

import pytest
from playwright.sync_api import Page, expect

from tests.api.commands.running import status
from tests.clocks import FAKETIME, other_time
from tests.ptys import until
from tests.whole.browser import no_serious_axe_findings
from tests.whole.forked import serving
from tests.whole.serving import COMMAND, Process, Serving


class _AtMoment(Serving):
    """A server whose clock starts at a moment of the test."""

    moment = ""

    def _program(self, words: list[str], log: TextIO) -> Process:
        clock = other_time(FAKETIME=f"@{self.moment}", TZ="UTC")
        return subprocess.Popen(
            [*COMMAND, *words],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
            env=os.environ | clock,
        )


@contextmanager
def _serving_at(moment: str, data: Path, *options: str) -> Iterator[Serving]:
    kind = type("_Now", (_AtMoment,), {"moment": moment})
    server = kind(data, *options)
    try:
        yield server
    finally:
        server.kill()
        server.let_go()


def _made(server: Serving) -> dict[str, Any]:
    """The backup that the server makes at its start."""
    assert until(lambda: server.get("/api/health")["backup"]["made_at"])
    told: dict[str, Any] = server.get("/api/health")["backup"]
    return told


@pytest.mark.skipif(FAKETIME is None, reason="needs Debian's package faketime")
def test_day_after_day_the_last_ones_stay_and_one_command_brings_the_shop_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "shop"
    for day in (2, 3):
        with _serving_at(f"2026-03-0{day} 08:00:00", data, "--backups", "1") as server:
            told = _made(server)
            assert told["file"] == f"bothends-2026-03-0{day}.sqlite"
            assert told["made_at"].startswith(f"2026-03-0{day}T08:")
            assert told["trouble"] == ""
            body = {"id": f"00000000-0000-7000-8000-{day:012d}", "bench": "main", "caliper": "g"}
            body |= {"sent": f"1{day}.00", "unit": "mm", "taken_at": f"2026-03-0{day}T09:00:00Z"}
            server.post("/api/readings", [body])
    (kept,) = (data / "backups").glob("*.sqlite")
    assert kept.name == "bothends-2026-03-03.sqlite"
    for file in data.glob("bothends.sqlite*"):
        file.unlink()
    assert status("restore", "latest", "--data", data) == 0
    said = capsys.readouterr().out
    assert f"{kept.name} is now the store" in said
    # What was pressed after the backup of that day was made is not in it.
    assert ", 1 readings" in said
    assert "its newest reading is of 2026-03-02" in said
    assert status("doctor", "--data", data) == 0


@pytest.mark.parametrize(
    "options", [("--backups", "0"), ("--pretend",)], ids=["switched off", "a demo"]
)
def test_none_are_made_where_none_are_wanted(tmp_path: Path, page: Page, options) -> None:
    with serving(tmp_path / "shop", *options) as server:
        assert server.get("/api/health")["backup"] is None
        page.goto(f"{server.url}/instruments")
        expect(page.locator("h1")).to_be_visible()
        expect(page.locator(".backup")).to_have_count(0)


def test_a_demo_has_them_where_they_are_asked_for(tmp_path: Path) -> None:
    with serving(tmp_path / "shop", "--pretend", "--backups", "1") as server:
        assert (tmp_path / "shop" / "backups" / _made(server)["file"]).exists()


def test_two_servers_on_one_store_elsewhere_keep_them_beside_it(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    store = ("--db", f"sqlite:///{tmp_path}/there/ours.sqlite")
    with serving(tmp_path / "one", *store) as one, serving(tmp_path / "other", *store) as other:
        names = {_made(server)["file"] for server in (one, other)}
    (name,) = names
    assert name.startswith("ours-")
    assert sorted(p.name for p in (tmp_path / "there" / "backups").iterdir()) == [
        name,
        f"{name}.sha256",
    ]
    assert not (tmp_path / "one" / "backups").exists()


@pytest.mark.parametrize(("scheme", "width"), [("dark", 390)])
def test_pages_say_when_it_was_made_and_what_is_wrong_but_not_while_measuring(
    tmp_path: Path, page: Page, width: int, scheme: str
) -> None:
    data = tmp_path / "shop"
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": width, "height": 844})
    data.mkdir()
    (data / "backups").write_text("no folder")
    with serving(data) as server:
        said = page.locator(".backup")
        assert until(lambda: server.get("/api/health")["backup"]["trouble"])
        for address in ("/instruments", "/"):
            page.goto(server.url + address)
            expect(said).to_contain_text("There is no good backup yet.")
            expect(said).to_contain_text("see to the disk and to the rights")
            no_serious_axe_findings(page)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            _keep(page, f"backup-trouble-{address.strip('/') or 'bench'}-{width}-{scheme}")
        server.start_series()
        expect(page.locator("#measuring")).to_be_visible()
        expect(said).to_be_hidden()
        server.kill()
        (data / "backups").unlink()
        server.start(server.port)
        _made(server)
        page.goto(f"{server.url}/instruments")
        expect(said).to_contain_text("Last backup: ")
        no_serious_axe_findings(page)
        _keep(page, f"backup-good-{width}-{scheme}")


def _keep(page: Page, name: str) -> None:
    """A picture for people to look at, where $PICTURES names a folder."""
    if folder := os.environ.get("PICTURES"):
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)
