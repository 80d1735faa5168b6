"""`bothends pull --to -`: the history through a pipe."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import NamedTuple

import pyarrow.parquet
import pytest

from api.cli import main
from tests.whole.forked import serving
from tests.whole.presses import press
from tests.whole.serving import COMMAND, Serving


class Came(NamedTuple):
    status: int | str | None
    out: bytes
    said: str


def pull(*words: object) -> Came:
    """The command in this process: its many starts would take most of the tests' time."""
    out, said = io.BytesIO(), io.StringIO()
    text = io.TextIOWrapper(out)
    with redirect_stdout(text), redirect_stderr(said):
        try:
            status: int | str | None = main(["pull", *map(str, words)])
        except SystemExit as end:
            status = end.code
    text.flush()
    return Came(status, out.getvalue(), said.getvalue())


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("piped") / "shop") as server:
        server.start_series()
        press(server, "12.30", "12.40", "12.31")
        yield server


@pytest.mark.parametrize("form", ["csv", "jsonl", "senml", "parquet"])
def test_standard_output_gets_what_the_server_gives(shop: Serving, form: str) -> None:
    what = ["--what", "readings"] if form != "senml" else []
    came = pull(shop.url, "--to", "-", "--format", form, *what)
    assert (came.status, came.said) == (0, "")
    whole = shop.client.get(f"/api/readings.{form}").content
    if form == "parquet":
        tables = [pyarrow.parquet.read_table(io.BytesIO(each)) for each in (came.out, whole)]
        assert tables[0].equals(tables[1])
    else:
        assert came.out == whole


def test_without_a_word_about_it_the_trials_come_as_csv(shop: Serving) -> None:
    came = pull(shop.url, "--to", "-")
    assert came.out == shop.client.get("/api/trials.csv").content
    # From the store itself just so.
    assert pull("--data", shop.data, "--to", "-").out == came.out


@pytest.mark.parametrize("form", ["csv", "jsonl", "senml"])
def test_with_a_cursor_each_pull_brings_what_is_new(
    shop: Serving, tmp_path: Path, form: str
) -> None:
    what = ["--what", "readings"] if form != "senml" else []
    words = (shop.url, "--to", "-", "--format", form, "--cursor", tmp_path / "c", *what)
    assert len(readings(pull(*words).out, form)) == len(
        readings(shop.client.get(f"/api/readings.{form}").content, form)
    )
    assert pull(*words) == Came(0, b"", "")
    pressed = press(shop, "12.44")
    assert readings(pull(*words).out, form) == pressed
    assert [each.name for each in tmp_path.iterdir()] == ["c"]


def readings(data: bytes, form: str) -> list[str]:
    text = data.decode()
    match form:
        case "csv":
            rows = list(csv.DictReader(io.StringIO(text, newline="")))
        case "jsonl":
            rows = [json.loads(line) for line in text.splitlines()]
        case _:
            rows = json.loads(text)
    return [row["reading_id"] for row in rows]


def test_what_the_reader_left_comes_again(shop: Serving, tmp_path: Path) -> None:
    """And a reader that leaves is no trouble of this program: it ends without a word."""
    words = [*COMMAND, "pull", shop.url, "--to", "-", "--cursor", str(tmp_path / "c")]
    theirs, ours = os.pipe()
    os.close(theirs)
    left = subprocess.run(words, stdout=ours, stderr=subprocess.PIPE, timeout=60, check=False)
    os.close(ours)
    assert (left.returncode, left.stderr) == (1, b"")
    assert not (tmp_path / "c").exists()
    assert pull(*words[2:]).out == shop.client.get("/api/trials.csv").content


def test_a_senml_file_is_a_whole_pack_each_time(shop: Serving, tmp_path: Path) -> None:
    file = tmp_path / "readings.senml"
    for _ in range(2):
        assert pull(shop.url, "--to", file) == Came(0, b"", "")
        assert file.read_bytes() == shop.client.get("/api/readings.senml").content
        press(shop, "12.50")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--to", "t.csv", "--format", "csv"], "the ending of a file says its format"),
        (["--to", "t.csv", "--cursor", "c"], "FILE.cursor remembers"),
        (["--to", "t.senml", "--what", "trials"], "SenML is for readings"),
        (["--to", "-", "--cursor", "no/such/c"], "there is no folder no/such"),
        (["--to", "-", "--format", "zip", "--what", "trials"], "holds everything"),
    ],
)
def test_words_that_do_not_fit_are_one_sentence(words: list[str], says: str) -> None:
    came = pull("http://127.0.0.1:9", *words)
    assert (came.status, came.out, came.said.count("\n")) == (2, b"", 1)
    assert says in came.said


def test_a_cursor_belongs_to_one_question(shop: Serving, tmp_path: Path) -> None:
    pull(shop.url, "--to", "-", "--cursor", tmp_path / "c")
    other = pull(shop.url, "--to", "-", "--cursor", tmp_path / "c", "--method", "roll")
    assert other.status == 2
    assert "give another name with --cursor" in other.said
    (tmp_path / "c").write_text("[]")
    broken = pull(shop.url, "--to", "-", "--cursor", tmp_path / "c")
    assert broken.status == 2
    assert f"{tmp_path / 'c'} cannot be read; move it away" in broken.said
