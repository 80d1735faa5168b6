"""A pulled file is brought up to date, or stays as it was."""

from __future__ import annotations

import csv
import json
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime

import openpyxl
import pytest

from api.exports import formats
from api.exports import trials as trials_table
from api.exports.jsonl import read_jsonl
from api.exports.pulled_file import pull_to, since_text
from api.exports.sources import NoSuchQuestion, OtherHistory, PullFailed, Question, StoreSource
from capture.records import TakeBack
from tests.api.conftest import ON_SQLITE
from tests.api.stores import fill

TRIALS = Question("trials")


def unseen(_size, _lines, _rows):
    """Nobody looks at how far it has come."""


@pytest.fixture
def source(engine):
    return StoreSource(engine, "here")


@pytest.fixture
def journal(engine):
    return fill(engine)


def kept(file):
    return json.loads(file.with_name(f"{file.name}.cursor").read_text())


def trials(file):
    """The trials and states in a CSV file; of one trial the last row counts."""
    with file.open(newline="") as text:
        return {row["trial_id"]: row["state"] for row in csv.DictReader(text)}


def test_an_empty_store_makes_a_file_that_later_trials_are_added_to(engine, source, tmp_path):
    file = tmp_path / "trials.csv"
    assert pull_to(file, source, TRIALS, unseen)
    assert trials(file) == {}
    assert not pull_to(file, source, TRIALS, unseen)
    header = file.read_bytes()
    fill(engine)
    assert pull_to(file, source, TRIALS, unseen)
    assert file.read_bytes().startswith(header)
    assert len(trials(file)) == 7


@ON_SQLITE
@pytest.mark.usefixtures("journal")
def test_the_progress_names_the_bytes_and_lines_that_came(source, tmp_path):
    seen = []
    pull_to(tmp_path / "t.csv", source, TRIALS, lambda *now: seen.append(now))
    size = (tmp_path / "t.csv").stat().st_size
    assert seen[-1] == (size, 8, 7)  # the header is a line and no row


@ON_SQLITE
@pytest.mark.usefixtures("journal")
def test_the_progress_of_a_file_written_here_names_its_bytes_and_rows(source, tmp_path):
    seen = []
    pull_to(tmp_path / "t.parquet", source, TRIALS, lambda *now: seen.append(now))
    assert seen[0] == (0, 7, 7)
    assert seen[-1] == ((tmp_path / "t.parquet").stat().st_size, 7, 7)


@pytest.mark.usefixtures("journal")
@pytest.mark.parametrize("what", ["trials", "readings"])
def test_rows_of_a_store_are_exactly_those_that_its_server_sends(source, what):
    with source.rows(Question(what)) as here, source.pull(Question(what), "jsonl") as sent:
        lines = b"".join(sent.parts).splitlines(keepends=True)
        there = read_jsonl(formats.TABLES[what].TABLE, lines)
        found = [[list(column) for column in block] for block in here.blocks]
        # As text, so that 1 and True, and 12.3 and "12.3", are not the same.
        assert repr(found) == repr([[list(column) for column in block] for block in there])
        assert (here.cursor, here.rows) == (sent.cursor, sent.rows)
    assert found


def test_a_trial_that_is_gone_is_added_to_a_csv_and_left_out_of_a_workbook(
    journal, source, tmp_path
):
    added, rewritten = tmp_path / "t.csv", tmp_path / "t.xlsx"
    for file in (added, rewritten):
        pull_to(file, source, TRIALS, unseen)
    journal.act("main", TakeBack())
    for file in (added, rewritten):
        assert pull_to(file, source, TRIALS, unseen)
    assert list(trials(added).values()) == ["complete"] * 6 + ["gone"]
    book = openpyxl.load_workbook(rewritten)
    assert book["trials"].max_row == 7


@ON_SQLITE
def test_what_a_power_cut_left_is_cut_back(journal, source, tmp_path):
    file = tmp_path / "t.csv"
    pull_to(file, source, TRIALS, unseen)
    good = file.read_bytes()
    state = kept(file)
    file.with_name("t.csv.cursor").write_text(json.dumps(state | {"length": len(good)}))
    file.write_bytes(good + b"half a ro")
    assert not pull_to(file, source, TRIALS, unseen)
    assert file.read_bytes() == good
    file.write_bytes(good + b"half a ro")
    journal.act("main", TakeBack())
    assert pull_to(file, source, TRIALS, unseen)
    assert file.read_bytes().startswith(good)
    assert kept(file)["length"] is None
    assert len(trials(file)) == 7


class BreaksOff(StoreSource):
    """A source whose answer ends with an error after its first part."""

    @contextmanager
    def pull(self, question, form):
        with super().pull(question, form) as answer:

            def parts():
                yield from answer.parts
                raise PullFailed("the cable was pulled out")

            yield replace(answer, parts=parts())

    @contextmanager
    def rows(self, question):
        with super().rows(question) as answer:

            def blocks():
                yield from answer.blocks
                raise PullFailed("the cable was pulled out")

            yield replace(answer, blocks=blocks())


@ON_SQLITE
@pytest.mark.parametrize("ending", ["csv", "jsonl", "xlsx", "parquet", "zip"])
def test_an_answer_that_breaks_off_changes_nothing(engine, journal, source, tmp_path, ending):
    file = tmp_path / f"t.{ending}"
    question = Question("history" if ending == "zip" else "trials")
    with pytest.raises(PullFailed, match="pulled out"):
        pull_to(file, BreaksOff(engine, "here"), question, unseen)
    assert list(tmp_path.glob("t.*")) == []
    pull_to(file, source, question, unseen)
    before = {f.name: f.read_bytes() for f in tmp_path.glob("t.*")}
    assert len(before) == 2
    journal.act("main", TakeBack())
    with pytest.raises(PullFailed, match="pulled out"):
        pull_to(file, BreaksOff(engine, "here"), question, unseen)
    assert {f.name: f.read_bytes() for f in tmp_path.glob("t.*")} == before
    assert pull_to(file, source, question, unseen)


@pytest.mark.usefixtures("journal")
def test_a_cursor_of_another_history_pulls_everything_again(source, tmp_path):
    file = tmp_path / "t.csv"
    pull_to(file, source, TRIALS, unseen)
    whole, state = file.read_bytes(), kept(file)
    number = state["after"].partition("-")[0]
    file.with_name("t.csv.cursor").write_text(json.dumps(state | {"after": f"{number}-00000000"}))
    file.write_bytes(b"of the other history")
    assert pull_to(file, source, TRIALS, unseen)
    assert (file.read_bytes(), kept(file)) == (whole, state)


def test_a_source_that_is_of_another_history_each_time_contradicts_itself(engine, tmp_path):
    class OtherEachTime(StoreSource):
        def pull(self, _question, _form):
            raise OtherHistory

    with pytest.raises(PullFailed, match="here contradicts itself"):
        pull_to(tmp_path / "t.csv", OtherEachTime(engine, "here"), TRIALS, unseen)


@ON_SQLITE
def test_a_file_of_another_question_or_source_is_left_alone(engine, source, tmp_path):
    file = tmp_path / "t.csv"
    pull_to(file, source, TRIALS, unseen)
    before = file.read_bytes()
    for other, says in (
        ((source, Question("readings")), "--what trials, not --what readings"),
        ((source, Question("trials", method="roll")), "no --method, not --method roll"),
        ((StoreSource(engine, "there"), TRIALS), "from here, not from there"),
    ):
        with pytest.raises(NoSuchQuestion, match=says):
            pull_to(file, *other, unseen)
    assert file.read_bytes() == before


@ON_SQLITE
def test_a_file_that_was_not_pulled_is_left_alone(source, tmp_path):
    file = tmp_path / "t.csv"
    file.write_text("my own\n")
    with pytest.raises(NoSuchQuestion, match=r"but not t\.csv\.cursor"):
        pull_to(file, source, TRIALS, unseen)
    file.with_name("t.csv.cursor").write_text("[]")
    with pytest.raises(NoSuchQuestion, match=r"cannot be read; move it and t\.csv away"):
        pull_to(file, source, TRIALS, unseen)
    assert file.read_text() == "my own\n"


@ON_SQLITE
def test_a_file_that_cannot_be_written_is_a_sentence(source, tmp_path):
    with pytest.raises(PullFailed, match="cannot be written"):
        pull_to(tmp_path / "no" / "t.csv", source, TRIALS, unseen)


def test_since_is_a_moment_in_utc_where_no_zone_is_given():
    assert since_text("2026-03-02") == datetime(2026, 3, 2, tzinfo=UTC)
    assert since_text("2026-03-02T14:30:00+02:00") == datetime(2026, 3, 2, 12, 30, tzinfo=UTC)
    for wrong in ("", "yesterday", "2026-02-30"):
        with pytest.raises(NoSuchQuestion, match="is not a moment"):
            since_text(wrong)


@ON_SQLITE
@pytest.mark.usefixtures("journal")
@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_file_with_fewer_columns_is_pulled_again_as_a_whole(
    source, tmp_path, journal, monkeypatch, ending
):
    file = tmp_path / f"trials.{ending}"
    whole, blocks = trials_table.TABLE, trials_table.blocks
    with monkeypatch.context() as earlier:
        earlier.setattr(trials_table, "TABLE", replace(whole, columns=whole.columns[:-5]))
        earlier.setattr(trials_table, "blocks", lambda *asked: (b[:-5] for b in blocks(*asked)))
        assert pull_to(file, source, TRIALS, unseen)
    journal.act("main", TakeBack())
    assert pull_to(file, source, TRIALS, unseen)
    fresh = tmp_path / f"fresh.{ending}"
    assert pull_to(fresh, source, TRIALS, unseen)
    assert file.read_bytes() == fresh.read_bytes()
