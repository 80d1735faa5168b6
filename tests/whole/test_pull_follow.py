"""`bothends pull --follow`: each event as it happens, through every end of either program."""

from __future__ import annotations

import io
import json
import signal
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr
from pathlib import Path
from typing import Any

import pytest

from api.cli import main
from tests.ptys import PATIENCE_S, until
from tests.whole.forked import Forked, serving
from tests.whole.presses import press
from tests.whole.serving import Serving


@contextmanager
def following(log: Path, *words: object) -> Iterator[Forked]:
    with log.open("a") as errors:
        process = Forked(["pull", *map(str, words), "--follow"], errors)
    try:
        yield process
    finally:
        process.kill()
        process.wait(PATIENCE_S)
        if process.stdout is not None:
            process.stdout.close()


def events(file: Path) -> list[dict[str, Any]]:
    # What is still being written may end within a line.
    text = file.read_text() if file.exists() else ""
    return [json.loads(line) for line in text[: text.rfind("\n") + 1].splitlines()]


def read(found: list[dict[str, Any]]) -> list[str]:
    return [each["data"]["id"] for each in found if each["event"] == "reading"]


def said(log: Path, words: str) -> bool:
    return until(lambda: words in log.read_text())


def test_a_file_gets_each_event_once_whoever_is_killed_and_restarted(tmp_path: Path) -> None:
    file, state, log = (tmp_path / name for name in ("events.jsonl", "events.jsonl.cursor", "log"))
    with serving(tmp_path / "shop") as shop:
        words = (shop.url, "--to", file, "--after", "0")
        shop.start_series()
        pressed = press(shop, "12.30", "12.40")
        with following(log, *words) as process:
            assert until(lambda: read(events(file)) == pressed)
            pressed += press(shop, "12.31")
            assert until(lambda: read(events(file)) == pressed)
            process.kill()
        pressed += press(shop, "12.42", "12.33")
        with following(log, *words) as process:
            assert until(lambda: read(events(file)) == pressed)
            shop.kill()
            assert said(log, "it is asked again until it is back")
            shop.start(shop.port)
            pressed += press(shop, "12.44")
            assert until(lambda: read(events(file)) == pressed)
            assert said(log, f"{shop.url} is back")
            assert until(lambda: events(file)[-1]["event"] == "score")
            # So that what is put into the state below is not older than the file.
            assert until(lambda: json.loads(state.read_text())["length"] == file.stat().st_size)
            process.send_signal(signal.SIGTERM)
            assert process.wait(PATIENCE_S) == 0
        found = events(file)
        numbers = [each["id"] for each in found]
        assert numbers == sorted(set(numbers))
        assert {each["bench"] for each in found} == {"main"}
        assert {"bench", "reading", "trial"} <= {each["event"] for each in found}
        assert len(log.read_text().splitlines()) == 2
        # Of another store, which has other readings: it is said, and nothing is mixed up.
        before = file.read_bytes()
        kept = json.loads(state.read_text())
        state.write_text(json.dumps(kept | {"seen": [*kept["seen"][:2], "another"]}))
        with following(log, *words) as process:
            assert process.wait(PATIENCE_S) == 1
        assert f"move {file} and {file}.cursor away" in log.read_text()
        assert file.read_bytes() == before


def test_a_pipe_gets_what_its_reader_did_not_take_again(tmp_path: Path) -> None:
    log, cursor = tmp_path / "log", tmp_path / "c"
    with serving(tmp_path / "shop") as shop:
        shop.start_series()
        press(shop, "12.30", "12.40")
        words = (shop.url, "--to", "-", "--cursor", cursor)
        with following(log, *words) as process:
            # Nothing of before it began, and all from then on.
            assert until(cursor.exists)
            pressed = press(shop, "12.31")
            assert process.stdout is not None
            first = json.loads(process.stdout.readline())
            assert (first["event"], first["data"]["id"]) == ("reading", pressed[0])
            process.kill()
        pressed += press(shop, "12.42")
        with following(log, *words) as process:
            assert process.stdout is not None
            again: list[str] = []
            while pressed[1] not in again:
                again += read([json.loads(process.stdout.readline())])
            assert set(again) <= set(pressed)
            # A reader that leaves ends it without a word.
            process.stdout.close()
            process.stdout = None
            press(shop, "12.33")
            assert process.wait(PATIENCE_S) == 1
        assert log.read_text() == ""


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--to", "t.jsonl"], "give its URL"),
        (["{url}", "--to", "t.csv"], "end the name with .jsonl"),
        (["{url}", "--to", "-", "--what", "readings"], "leave out --what"),
        (["{url}", "--to", "-", "--format", "csv"], "leave out --format"),
        (["{url}", "--to", "t.jsonl", "--cursor", "c"], "--cursor is for --to -"),
        (["{url}", "--to", "no/such/t.jsonl"], "there is no folder"),
        (["{url}", "--to", "{here}/t.jsonl", "--after", "-1"], "0 is before the first"),
        (["{url}", "--to", "{here}/t.jsonl", "--after", "999999"], "the latest event there is"),
        (["{url}", "--to", "{here}/t.jsonl", "--bench", "a/b"], "no bench's name"),
        (["{url}", "--to", "{here}/pulled.jsonl"], "was pulled without --follow"),
        (["ftp://x", "--to", "{here}/t.jsonl"], "is not a server's address"),
    ],
)
def test_words_that_do_not_fit_are_one_sentence(
    shared: Serving, tmp_path: Path, words: list[str], says: str
) -> None:
    assert main(["pull", shared.url, "--to", str(tmp_path / "pulled.jsonl")]) == 0
    given = [word.format(url=shared.url, here=tmp_path) for word in words]
    told = io.StringIO()
    with redirect_stderr(told), pytest.raises(SystemExit) as end:
        main(["pull", "--follow", *given])
    assert (end.value.code, told.getvalue().count("\n")) == (2, 1)
    assert says in told.getvalue()


def test_another_server_is_told_from_one_that_is_away(shared: Serving, tmp_path: Path) -> None:
    told = io.StringIO()
    with redirect_stderr(told):
        words = ["pull", f"{shared.url}/api", "--to", str(tmp_path / "t.jsonl"), "--follow"]
        assert main(words) == 1
    assert f"{shared.url}/api answers, but is not bothends" in told.getvalue()


def test_a_followed_file_is_not_pulled_into(shared: Serving, tmp_path: Path) -> None:
    file = tmp_path / "events.jsonl"
    with following(tmp_path / "log", shared.url, "--to", file):
        assert until((tmp_path / "events.jsonl.cursor").exists)
    file.touch()
    told = io.StringIO()
    with redirect_stderr(told), pytest.raises(SystemExit):
        main(["pull", shared.url, "--to", str(file)])
    assert "is kept by pull --follow; give another name with --to" in told.getvalue()
