"""Every example of README and the help does what it says.

Each page's examples are tried in their order, as a reader would: what a shell is told runs in a
shell, a query in its engine, and what is shown as output is compared with the output of the example
before it, where `...` stands for what differs each time. An example of a kind that is not known
here fails.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
import sqlite3
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import duckdb
import pytest

from analysis.methods.own import custom_method
from api.cli import main
from api.commands.serve import settings_of
from api.commands.settings_said import Said
from tests.api.postgres import PostgresServer
from tests.manual import PAGES, ROOT, Example, examples
from tests.ptys import plugged
from tests.whole.forked import serving
from tests.whole.reader import Reader
from tests.whole.serving import Serving
from tests.whole.shops import cut, measured, press

# What the reader has of the same kind, beside what differs from test to test.
_PLACES: Final = {
    ".venv/bin/": "",
    "/opt/bothends/bin/": "",
    "/opt/": "../opt/",
    "/usr/local/bin/": "../root/",
    "/etc/bothends.toml": "bothends.toml",
    "/var/lib/bothends": "../home/shop",
}
_PROGRAMS: Final = {"sh": "sh", "python": sys.executable, "sql": sys.executable, "r": "Rscript"}
"""By the languages of examples that run."""


class Manual:
    """A reader with a shop of their own beside the running server, whose history it had so far."""

    def __init__(
        self, folder: Path, server: Serving, series: str, port: str, database: str
    ) -> None:
        self.server = server
        self.last = ""
        self.reader = Reader(
            folder,
            {
                **_PLACES,
                "http://127.0.0.1:8017": server.url,
                "http://shop.local:8017": server.url,
                "/dev/serial/by-id/usb-YOUR-ADAPTER-if00-port0": port,
                "/dev/ttyUSB0": port,
                "postgresql://shop@db.local/shop": database,
                "sqlite:////home/me/shop/": f"sqlite:///{folder}/home/shop/",
                "~/shop": str(server.data),
                "series ID": f"series {series}",
                "strip ID": f"strip {series}",
            },
            {"URL": server.url, "SERIES": series},
        )
        here, home = self.reader.here, self.reader.home
        for name in ("requirements.txt", "pyproject.toml"):
            (here / name).symlink_to(ROOT / name)
        shutil.copy(ROOT / "fixtures" / "notebook" / "inches.csv", here / "notebook.csv")
        self.data = home / ".local" / "share" / "bothends"
        for copy in (self.data, home / "shop"):
            copy.mkdir(parents=True)
            with sqlite3.connect(server.data / "bothends.sqlite") as store:
                store.execute("VACUUM INTO ?", [str(copy / "bothends.sqlite")])
            store.close()
        (self.data / "backups").mkdir()
        backup = self.data / "backups" / "bothends-2026-03-02.sqlite"
        assert main(["backup", "--data", str(home / "shop"), "--to", str(backup)]) == 0

    def tries(self, example: Example) -> None:
        at = (example.place, example.language)
        _BEFORE.get(at, _nothing)(self)
        text = self.reader.meant(example.text)
        match example.language:
            case "sh":
                self.last = self.reader.types(text)
            case "python":
                text += _THEN_SAID.get(at, "")
                self.last = self.reader.runs(sys.executable, "-c", text)
            case "sql":
                asked = f"import duckdb\nprint(duckdb.sql({text!r}).fetchall())"
                self.last = self.reader.runs(sys.executable, "-c", asked)
            case "r":
                self.last = self.reader.runs("Rscript", "-e", text)
            case "text":
                shown = re.escape(text.strip()).replace(re.escape("..."), ".*")
                assert re.fullmatch(shown, self.last.strip(), re.DOTALL), (text, self.last)
            case "nginx":
                pass  # `test_behind_a_proxy` runs an nginx with it
            case "toml" if at in _AFTER:
                self.last = text
            case other:
                pytest.fail(f"no test knows what {other!r} at {example.place} is")
        _AFTER.get(at, _nothing)(self)

    def complete(self) -> int:
        """How many strips of the server are complete."""
        rows = self.server.client.get("/api/trials.csv").text
        return sum(row["state"] == "complete" for row in csv.DictReader(io.StringIO(rows)))


# ---------------------------------------------------------------- what is looked at of each


def _nothing(_manual: Manual) -> None:
    pass


def _a_settings_file(manual: Manual) -> None:
    (manual.reader.here / "bothends.toml").write_text(manual.last)
    said = Said({"config": manual.reader.here / "bothends.toml"}, {})
    assert (settings_of(said).port, len(settings_of(said).calipers)) == (8100, 2)


def _a_method_of_ones_own(manual: Manual) -> None:
    method = custom_method(tomllib.loads(manual.last))
    assert (method.key, method.title) == ("sled-turn", "Sled turn")


def _half_a_strip(manual: Manual) -> None:
    manual.server.start_series()
    press(manual.server, 12.30, 12.40, 12.31)


def _pulled_again(manual: Manual) -> None:
    """What is pulled the next time holds the strip that was completed meanwhile once more."""
    press(manual.server, 12.42)
    (example,) = (e for e in examples("exports") if e.place == "exports#on-a-schedule")
    manual.reader.types(manual.reader.meant(example.text))
    rows = [*csv.DictReader((manual.reader.here / "trials.csv").read_text().splitlines())]
    assert len({row["trial_id"] for row in rows}) == len(rows) - 1


def _nothing_is_new(manual: Manual) -> None:
    """At once after a whole pull: the heading alone."""
    assert len((manual.reader.here / "new.csv").read_text().splitlines()) == 1


def _alike_in_both_files(manual: Manual) -> None:
    shown = manual.last.splitlines()
    means = [float(line.split()[1]) for line in shown]
    assert means[0] == pytest.approx(means[1], rel=1e-12)
    assert [line.split()[0] for line in shown] == [str(manual.complete())] * 2
    assert all("UTC" in line for line in shown)


def _exact_lengths_and_moments(manual: Manual) -> None:
    assert "Window saw" in manual.last
    types = duckdb.sql(
        "SELECT typeof(deviation_mm), typeof(taken_at)"
        f" FROM '{manual.reader.here / 'trials.parquet'}'"
    ).fetchall()[0]
    assert types == ("DECIMAL(18,6)", "TIMESTAMP WITH TIME ZONE")


def _as_many(manual: Manual) -> None:
    assert manual.last == str(manual.complete())


_At = tuple[str, str]
_BEFORE: Final[dict[_At, Callable[[Manual], None]]] = {
    ("exports#on-a-schedule", "sh"): _half_a_strip,
}
_THEN_SAID: Final[dict[_At, str]] = {
    ("exports#pandas", "python"): (
        'print(len(same), same["angle_deg"].mean(), same["taken_at"].dtype)\n'
    ),
}
_AFTER: Final[dict[_At, Callable[[Manual], None]]] = {
    ("running#settings", "toml"): _a_settings_file,
    ("methods#a-method-of-your-own", "toml"): _a_method_of_ones_own,
    ("exports#on-a-schedule", "sh"): _pulled_again,
    ("exports#only-what-is-new", "sh"): _nothing_is_new,
    ("exports#pandas", "python"): _alike_in_both_files,
    ("exports#duckdb", "sql"): _exact_lengths_and_moments,
    ("exports#r", "r"): _as_many,
}


# ---------------------------------------------------------------- the tests


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, str]]:
    """A server of a shop that has what the examples name, and the id of a series."""
    with serving(tmp_path_factory.mktemp("manual") / "shop") as server:
        for machine in ("Window saw", "Miter saw"):
            of = server.post("/api/machines", {"name": machine, "kind": "miter saw"})["id"]
            server.post("/api/stops", {"machine": of, "name": "45 left", "nominal_deg": "-45"})
        server.post("/api/works", {"name": "window frames", "tolerance_deg": "0.05"})
        series = measured(
            server, "Window saw", (0.45, 0.44, 0.46, 0.45, 0.44), tolerance_deg="0.05"
        )
        server.start_series()
        cut(server, (0.02,))
        yield server, series


@pytest.fixture
def manual(
    request: pytest.FixtureRequest, name: str, tmp_path: Path, shop: tuple[Serving, str]
) -> Iterator[Manual]:
    database = ""
    if any("postgresql:" in example.text for example in examples(name)):
        postgres: PostgresServer = request.getfixturevalue("postgres_server")
        database = postgres.url(postgres.new_database())
    with plugged(tmp_path / "port") as port:
        made = Manual(tmp_path, *shop, port.target, database)
        yield made
        made.reader.close()


# `test_integrators` tries those with the clients that they name.
_TRIED = [name for name in PAGES if name != "integrators" and any(examples(name))]


@pytest.mark.parametrize("name", _TRIED)
def test_each_example_of_a_page_does_what_it_says(manual: Manual, name: str) -> None:
    for example in examples(name):
        if _is_here(example):
            manual.tries(example)


@pytest.mark.parametrize("name", PAGES)
def test_no_example_was_left_out_for_want_of_its_program(name: str) -> None:
    wanting = [example for example in examples(name) if not _is_here(example)]
    if wanting:
        pytest.skip(f"not tried, since its program is not here: {', '.join(map(str, wanting))}")


def _is_here(example: Example) -> bool:
    return shutil.which(_PROGRAMS.get(example.language, "sh")) is not None
