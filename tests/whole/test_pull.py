"""`bothends pull` and `bothends load` as a schedule and a person run them."""

from __future__ import annotations

import csv
import io
import json
import pty
import subprocess
import tty
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from pathlib import Path
from typing import Any, NamedTuple

import openpyxl
import pyarrow.parquet
import pytest

from api.cli import main
from tests.whole.forked import serving
from tests.whole.presses import press
from tests.whole.serving import COMMAND, Serving

NOTEBOOK = Path(__file__).parents[2] / "fixtures" / "notebook"


class Done(NamedTuple):
    stdout: str
    stderr: str


def run(*words: object, status: int = 0) -> Done:
    """The command in this process: its many starts would take most of the tests' time."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            came = main([*map(str, words)])
        except SystemExit as end:
            came = end.code
    assert came == status, err.getvalue()
    return Done(out.getvalue(), err.getvalue())


def quiet(*words: object) -> None:
    done = run(*words)
    assert done == ("", "")


def at_a_terminal(*words: object) -> str:
    """What the command writes to a terminal."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    shown = b""
    with open(ours, "rb", buffering=0) as here:
        with open(theirs, "wb") as there:
            subprocess.run([*COMMAND, *map(str, words)], check=True, stderr=there)
        # One read need not give all. The end is an error on Linux.
        with suppress(OSError):
            while part := here.read(100_000):
                shown += part
    return shown.decode()


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("whole") / "shop") as server:
        yield server


def table(file: Path) -> list[dict[str, Any]]:
    """The rows of any of the formats, ids and states only: of one id the last counts."""
    match file.suffix:
        case ".csv":
            with file.open(newline="") as text:
                found = list(csv.DictReader(text))
        case ".jsonl":
            found = [json.loads(line) for line in file.read_text().splitlines()]
        case ".parquet":
            found = pyarrow.parquet.read_table(file).to_pylist()
        case _:
            header, *rows = openpyxl.load_workbook(file)["trials"].iter_rows(values_only=True)
            found = [dict(zip(header, row, strict=True)) for row in rows]
    return found


def state_by_id(file: Path) -> dict[str, str]:
    folded = {row["trial_id"]: row["state"] for row in table(file)}
    return {trial: state for trial, state in folded.items() if state != "gone"}


def truth(server: Serving) -> dict[str, str]:
    answer = server.client.get("/api/trials.jsonl")
    rows = [json.loads(line) for line in answer.text.splitlines()]
    return {row["trial_id"]: row["state"] for row in rows}


@pytest.mark.parametrize("ending", ["csv", "jsonl", "parquet", "xlsx"])
@pytest.mark.parametrize("origin", ["url", "data"])
def test_a_scheduled_pull_keeps_a_file_up_to_date(shop, tmp_path, ending, origin):
    source = [shop.url] if origin == "url" else ["--data", shop.data]
    file = tmp_path / f"trials.{ending}"
    shop.start_series()
    press(shop, "12.30", "12.40", "12.31")
    quiet("pull", *source, "--to", file)
    assert state_by_id(file) == truth(shop)
    before = file.read_bytes(), file.stat().st_mtime_ns
    quiet("pull", *source, "--to", file)
    assert (file.read_bytes(), file.stat().st_mtime_ns) == before
    press(shop, "12.45", "12.60")
    quiet("pull", *source, "--to", file)
    assert state_by_id(file) == truth(shop)
    shop.post("/api/benches/main/take-back")
    quiet("pull", *source, "--to", file)
    assert state_by_id(file) == truth(shop)
    if ending in ("csv", "jsonl"):
        assert file.read_bytes().startswith(before[0])
        assert table(file)[-1]["state"] == "gone"
    else:
        assert len(table(file)) == len(truth(shop))
    assert sorted(p.name for p in tmp_path.iterdir()) == [file.name, f"{file.name}.cursor"]


def test_the_program_itself_pulls_and_a_bad_word_is_no_traceback(shop, tmp_path):
    shop.start_series()
    for words, status in ((["--to", "t.csv"], 0), (["--to", "t.ods"], 2)):
        done = subprocess.run(
            [*COMMAND, "pull", shop.url, *words], cwd=tmp_path, capture_output=True, text=True
        )
        assert (done.returncode, done.stdout) == (status, "")
        assert done.stderr.count("\n") == bool(status)
    assert state_by_id(tmp_path / "t.csv") == truth(shop)


@pytest.mark.parametrize("ending", ["csv", "parquet", "zip"])
def test_a_person_at_a_terminal_sees_how_far_a_pull_has_come(shop, tmp_path, ending):
    shop.start_series()
    press(shop, "13.21", "13.52")
    file = tmp_path / f"trials.{ending}"
    shown = at_a_terminal("pull", shop.url, "--to", file)
    # How many rows a package will have is not known before it is written.
    assert ("[##############################] 100%" in shown) == (ending != "zip")
    assert " MB\x1b[K" in shown
    assert shown.endswith("\r\x1b[K")
    press(shop, "13.30", "13.31")
    assert "100%" in at_a_terminal("pull", shop.url, "--to", file) or ending == "zip"


def test_merged_parquet_equals_one_pulled_whole(shop, tmp_path):
    shop.start_series()
    press(shop, "12.30", "12.40")
    file, whole = tmp_path / "kept.parquet", tmp_path / "whole.parquet"
    quiet("pull", shop.url, "--to", file)
    press(shop, "12.50", "12.55", "12.60")
    quiet("pull", shop.url, "--to", file)
    quiet("pull", shop.url, "--to", whole)
    merged, once = (pyarrow.parquet.read_table(path).sort_by("trial_id") for path in (file, whole))
    assert merged.equals(once, check_metadata=True)


def test_readings_and_the_whole_package_are_pulled_too(shop, tmp_path):
    shop.start_series(machine="Sled")
    press(shop, "12.30", "12.40")
    readings, package = tmp_path / "readings.csv", tmp_path / "history.zip"
    quiet("pull", shop.url, "--to", readings, "--what", "readings", "--machine", "Sled")
    quiet("pull", shop.url, "--to", package)
    count = len(table(readings))
    press(shop, "12.50")
    quiet("pull", shop.url, "--to", readings, "--what", "readings", "--machine", "Sled")
    assert len(table(readings)) == count + 1
    before = package.read_bytes()
    quiet("pull", shop.url, "--to", package)
    assert package.read_bytes() != before


def test_a_pull_broken_off_leaves_no_half_and_no_double_rows(shop, tmp_path):
    shop.start_series()
    press(shop, "12.30", "12.40")
    file = tmp_path / "trials.csv"
    beside = tmp_path / "trials.csv.cursor"
    quiet("pull", shop.url, "--to", file)
    good, kept = file.read_bytes(), json.loads(beside.read_text())
    # As a power cut in the middle of adding leaves it.
    beside.write_text(json.dumps(kept | {"length": len(good)}))
    file.write_bytes(good + b"0a1b2c3d-half a ro")
    press(shop, "12.50")
    quiet("pull", shop.url, "--to", file)
    assert file.read_bytes().startswith(good)
    assert len(table(file)) == len({row["trial_id"] for row in table(file)})
    assert state_by_id(file) == truth(shop)


def test_a_store_put_back_from_a_backup_is_pulled_whole(tmp_path):
    file = tmp_path / "trials.csv"
    # Without a backup beside it: a store that is gone while there is one is not made anew.
    with serving(tmp_path / "one", "--backups", "0") as one:
        one.start_series()
        press(one, "12.30", "12.40", "12.50", "12.60")
        port = one.port
        quiet("pull", one.url, "--to", file)
        assert len(table(file)) == 2
        one.stop()
        for part in one.data.glob("bothends.sqlite*"):
            part.unlink()
        one.start(port)
        one.start_series()
        press(one, "12.70")
        quiet("pull", one.url, "--to", file)
        assert state_by_id(file) == truth(one)
        assert [row["state"] for row in table(file)] == ["open"]


def test_a_server_that_is_not_there_is_one_sentence_and_exit_1(tmp_path):
    for source in (["http://127.0.0.1:9"], ["--data", tmp_path / "nowhere"]):
        done = run("pull", *source, "--to", tmp_path / "t.csv", status=1)
        assert done.stderr.count("\n") == 1
        assert not (tmp_path / "nowhere").exists()
    assert list(tmp_path.iterdir()) == []


@contextmanager
def answering(body: bytes, **headers: str) -> Iterator[str]:
    """Another server, which answers every GET so."""
    from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
    from threading import Thread

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            for name, value in headers.items():
                self.send_header(name.replace("_", "-"), value)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


def test_an_answer_that_breaks_off_changes_nothing(tmp_path):
    link = "<http://x/api/trials.csv?after=9-00000000>; rel=next"
    with answering(b"trial_id\r\n1\r\n", Link=link, Content_Length="5000") as url:
        done = run("pull", url, "--to", tmp_path / "t.csv", status=1)
        assert "broke off" in done.stderr
    with answering(b"", Link=link, Content_Length="5000") as url:
        assert "broke off" in run("pull", url, "--to", tmp_path / "t.parquet", status=1).stderr
    with answering(b"<html>hello</html>") as url:
        assert "is not bothends" in run("pull", url, "--to", tmp_path / "t.csv", status=1).stderr
    assert list(tmp_path.iterdir()) == []


def test_a_pull_goes_through_the_proxy_that_the_settings_name_for_it(tmp_path, monkeypatch):
    words = ("pull", "http://shop.invalid:8017", "--to", tmp_path / "t.csv")
    with answering(b"the proxy's") as proxy:
        for name in ("http_proxy", "HTTP_PROXY", "no_proxy", "NO_PROXY"):
            monkeypatch.delenv(name, raising=False)
        # Not for this: few programs use it, and it would come before a server on this computer.
        monkeypatch.setenv("all_proxy", "socks5://127.0.0.1:9")
        assert "did not answer" in run(*words, status=1).stderr
        monkeypatch.setenv("http_proxy", proxy.removeprefix("http://"))
        assert "is not bothends" in run(*words, status=1).stderr
        monkeypatch.setenv("no_proxy", "shop.invalid")
        assert "did not answer" in run(*words, status=1).stderr
        monkeypatch.delenv("no_proxy")
        monkeypatch.setenv("http_proxy", "socks5://127.0.0.1:9")
        assert "the proxy for" in run(*words, status=1).stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{url}", "--to", "t.ods"], ".parquet"),
        (["{url}", "--to", "no/such/t.csv"], "no folder"),
        (["ftp://x", "--to", "t.csv"], "give one such as http://shop.local:8017"),
        (["{url}", "--data", "x", "--to", "t.csv"], "not several"),
        (["{url}", "--to", "t.zip", "--what", "readings"], "holds everything"),
        (["{url}", "--to", "t.csv", "--since", "yesterday"], "2026-03-02"),
        (["{url}", "--to", "t.csv", "--machine", "Nobody's"], "Nobody's"),
        (["{url}", "--to", "t.csv", "--method", "sawing"], "sawing"),
        (["{url}", "--to", "mine.csv"], "mine.csv.cursor"),
    ],
)
def test_what_cannot_be_pulled_is_one_sentence_and_exit_2(shop, tmp_path, words, says):
    (tmp_path / "mine.csv").write_text("my own\n")
    words = [w.format(url=shop.url) for w in words]
    at = words.index("--to") + 1
    words[at] = str(tmp_path / words[at])
    done = run("pull", *words, status=2)
    assert says in done.stderr
    assert done.stderr.count("\n") == 1
    assert (tmp_path / "mine.csv").read_text() == "my own\n"
    assert [p.name for p in tmp_path.iterdir()] == ["mine.csv"]


def test_a_file_pulled_with_other_words_is_left_alone(shop, tmp_path):
    shop.start_series()
    file = tmp_path / "t.csv"
    quiet("pull", shop.url, "--to", file)
    before = file.read_bytes()
    for more in (["--method", "roll"], ["--what", "readings"], ["--since", "2026-01-01"]):
        done = run("pull", shop.url, "--to", file, *more, status=2)
        assert "another name with --to" in done.stderr
    assert file.read_bytes() == before


# ---------------------------------------------------------------- load


def test_a_notebook_is_loaded_into_a_store_and_into_a_running_server(tmp_path):
    page = NOTEBOOK / "inches.csv"
    dry = run("load", page, "--data", tmp_path / "a", "--dry-run")
    assert dry.stdout == (
        "5 strips (10 readings) would be loaded, 0 known already, 0 lines refused\n"
    )
    first = run("load", page, "--data", tmp_path / "a")
    assert first.stdout.startswith("5 strips (10 readings) loaded, 0 known")
    assert run("load", page, "--data", tmp_path / "a").stdout.startswith(
        "0 strips (0 readings) loaded, 5 known"
    )
    with serving(tmp_path / "a") as server:
        assert len(truth(server)) == 5
        assert "5 known already" in run("load", page, "--to", server.url).stdout
        assert "2 strips" in run("load", NOTEBOOK / "komma.csv", "--to", server.url).stdout
        assert len(truth(server)) == 7


def test_refused_lines_are_listed_and_strict_takes_none(tmp_path):
    page = NOTEBOOK / "faulty.csv"
    strict = run("load", page, "--data", tmp_path / "a", "--strict", status=1)
    assert "nothing was loaded" in strict.stderr
    assert not (tmp_path / "a").exists()
    done = run("load", page, "--data", tmp_path / "a")
    assert done.stderr.count("\n") == 11
    assert done.stderr.startswith("line 3: ")
    assert done.stdout.startswith("2 strips (4 readings) loaded")


def test_what_cannot_be_loaded_is_one_sentence_and_exit_2(tmp_path):
    (tmp_path / "x.csv").write_text("a,b\n1,2\n")
    for words in (["nowhere.csv"], [tmp_path / "x.csv"], [tmp_path]):
        done = run("load", *words, "--data", tmp_path / "a", status=2)
        assert done.stderr.count("\n") == 1
    assert run("load", NOTEBOOK / "inches.csv", "--to", "http://127.0.0.1:9", status=1)
