"""What a file and a pipe get of live events, wherever the program ends in between."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from api.exports import pull_state
from api.exports.followed import FollowedFile, FollowedPipe, Memory, NotKept
from api.exports.live_events import Line, Seen
from api.exports.sources import NoSuchQuestion
from tests.ptys import until

URL = "http://127.0.0.1:8017"


def line(number: int) -> Line:
    data = {"id": f"reading {number}", "caliper": "“ö”" * number}
    event = {"id": number, "event": "reading", "bench": "main", "data": data}
    text = json.dumps(event, ensure_ascii=False) + "\n"
    return Line(number, text.encode(), Seen(number, "reading", f"reading {number}"))


# Numbers of other benches' events are left out.
LINES = [line(number) for number in (3, 4, 7, 8, 9)]
WHOLE = b"".join(each.text for each in LINES)


@pytest.fixture(autouse=True)
def quick_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that is killed leaves to the system what it wrote; only a power cut does not."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


class Ended(BaseException):
    """As kill -9: nothing of the program runs after it."""


def follow(file: Path, together: int) -> None:
    """One run of the program, to which the events come `together` at a time."""
    followed = FollowedFile(file, URL, "main")
    try:
        if followed.memory.reached is None:
            followed.memory.begin(2)
        reached = followed.memory.reached
        assert reached is not None
        rest = [each for each in LINES if each.number > reached.after]
        for start in range(0, len(rest), together):
            followed.take(rest[start : start + together])
    finally:
        followed.memory.close()  # as the end of a process does


def ends_at(step: int, monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    """End the program at its step number `step`: before and after each write to the disk and each
    replacement of a file. Returns how many steps there were."""
    steps = 0

    def at() -> None:
        nonlocal steps
        steps += 1
        if steps == step:
            raise Ended

    def around(done: Callable[..., object]) -> Callable[..., None]:
        def run(*args: object) -> None:
            at()
            done(*args)
            at()

        return run

    monkeypatch.setattr(pull_state, "to_disk", around(pull_state.to_disk))
    monkeypatch.setattr(Path, "replace", around(Path.replace))
    return lambda: steps


@pytest.mark.parametrize("together", [1, 2, 5])
def test_a_file_gets_each_event_once_wherever_the_program_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, together: int
) -> None:
    with monkeypatch.context() as patch:
        count = ends_at(0, patch)
        follow(tmp_path / "whole.jsonl", together)
        steps = count()
    assert steps >= 6 * len(LINES) / together
    for step in range(1, steps + 1):
        file = tmp_path / f"{step}.jsonl"
        with monkeypatch.context() as patch:
            ends_at(step, patch)
            with pytest.raises(Ended):
                follow(file, together)
        follow(file, together)
        assert file.read_bytes() == WHOLE


@pytest.mark.parametrize("garbage", [b"", b"\0" * 40, b"\xff\n{}\n"])
def test_a_line_that_is_not_whole_on_the_disk_comes_again(tmp_path: Path, garbage: bytes) -> None:
    file = tmp_path / "events.jsonl"
    follow(file, 1)
    state = tmp_path / "events.jsonl.cursor"
    kept = json.loads(state.read_text())
    first = len(LINES[0].text)
    for cut in (first, first + 1, first + len(LINES[1].text) - 1, len(WHOLE) - 9, len(WHOLE)):
        # Remembered of the first line alone, and the others as far as they came to the disk.
        reached = {"after": 3, "seen": LINES[0].seen, "length": len(LINES[0].text)}
        state.write_text(json.dumps(kept | reached))
        file.write_bytes(WHOLE[:cut] + garbage)
        follow(file, 2)
        assert file.read_bytes() == WHOLE


def test_whoever_reads_on_in_a_file_sees_no_line_twice(tmp_path: Path) -> None:
    """What is whole stays where it was, though it was not remembered."""
    file = tmp_path / "events.jsonl"
    follow(file, 1)
    state = tmp_path / "events.jsonl.cursor"
    reached = {"after": 3, "seen": LINES[0].seen, "length": len(LINES[0].text)}
    state.write_text(json.dumps(json.loads(state.read_text()) | reached))
    file.write_bytes(WHOLE[:-1])
    followed = FollowedFile(file, URL, "main")
    followed.memory.close()
    assert file.read_bytes() == WHOLE[: -len(LINES[-1].text)]
    assert followed.memory.reached is not None
    assert (followed.memory.reached.after, followed.memory.reached.seen) == (8, LINES[3].seen)


def test_a_file_that_was_moved_away_is_begun_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file, moved = tmp_path / "events.jsonl", tmp_path / "events.1.jsonl"
    for step in range(1, 11):
        followed = FollowedFile(file, URL, "main")
        followed.memory.begin(2)
        followed.take(LINES[:2])
        file.rename(moved)
        with monkeypatch.context() as patch:
            ends_at(step, patch)
            with suppress(Ended):
                followed.take(LINES[2:])
        followed.memory.close()
        follow(file, 5)
        assert moved.read_bytes() + file.read_bytes() == WHOLE
        for each in tmp_path.iterdir():
            each.unlink()


@pytest.mark.skipif(sys.platform != "linux", reason="names of open files are told by Linux")
def test_a_power_cut_does_not_leave_what_is_remembered_without_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_disk: list[str] = []

    def fsync(descriptor: int) -> None:
        on_disk.append(Path(os.readlink(f"/proc/self/fd/{descriptor}")).name)

    monkeypatch.setattr(os, "fsync", fsync)
    follow(tmp_path / "events.jsonl", 3)
    state = "events.jsonl.cursor.new"
    assert on_disk == [state, "events.jsonl", tmp_path.name, state, "events.jsonl", state]


def test_a_file_that_nothing_is_known_of_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "events.jsonl"
    file.write_text("mine\n")
    with pytest.raises(NoSuchQuestion, match=r"events\.jsonl\.cursor, which says what it holds"):
        FollowedFile(file, URL, "main")
    assert file.read_text() == "mine\n"
    assert [each.name for each in tmp_path.iterdir()] == ["events.jsonl"]


def test_one_file_is_of_one_bench_of_one_server_and_of_one_program(tmp_path: Path) -> None:
    file = tmp_path / "events.jsonl"
    follow(file, 5)
    with pytest.raises(NoSuchQuestion, match=f"follows bench main of {URL}, not saw of {URL};"):
        FollowedFile(file, URL, "saw")
    first = FollowedFile(file, URL, "main")
    with pytest.raises(NoSuchQuestion, match="being followed into already"):
        FollowedFile(file, URL, "main")
    first.memory.close()
    (tmp_path / "events.jsonl.cursor").write_text('{"source": "x"}')
    with pytest.raises(NoSuchQuestion, match=r"move it and events\.jsonl away"):
        FollowedFile(file, URL, "main")


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    followed = FollowedFile(tmp_path / "events.jsonl", URL, "main")
    followed.memory.begin(2)
    (tmp_path / "events.jsonl").mkdir()
    with pytest.raises(NotKept, match=r"events\.jsonl cannot be written"):
        followed.take(LINES)
    followed.memory.close()


# ---------------------------------------------------------------- a pipe


def remembered(file: Path) -> int:
    after: int = json.loads(file.read_text())["after"]
    return after


def test_an_event_is_remembered_when_the_reader_of_a_pipe_has_taken_it(tmp_path: Path) -> None:
    state = tmp_path / "c"
    memory = Memory(state, state, URL, "main")
    memory.begin(2)
    theirs, ours = os.pipe()
    pipe = FollowedPipe(ours, memory)
    pipe.take(LINES[:3])
    assert remembered(state) == 2
    first, second = LINES[0].text, LINES[1].text
    assert os.read(theirs, len(first) + len(second) - 1).startswith(first)
    pipe.look()
    assert remembered(state) == 3
    os.read(theirs, 1)
    pipe.look()
    assert remembered(state) == 4
    os.close(theirs)
    for act in (pipe.look, lambda: pipe.take(LINES[3:])):
        with pytest.raises(BrokenPipeError):
            act()
    assert remembered(state) == 4
    memory.close()
    os.close(ours)
    again = Memory(state, state, URL, "main")
    assert again.reached is not None
    assert (again.reached.after, again.reached.seen) == (4, LINES[1].seen)
    again.close()


def test_what_a_reader_took_before_it_left_is_remembered(tmp_path: Path) -> None:
    state = tmp_path / "c"
    memory = Memory(state, state, URL, "main")
    memory.begin(2)
    theirs, ours = os.pipe()
    pipe = FollowedPipe(ours, memory)
    pipe.take(LINES[:2])
    os.read(theirs, len(LINES[0].text))
    os.close(theirs)
    with pytest.raises(BrokenPipeError):
        pipe.take(LINES[2:])
    assert remembered(state) == 3
    memory.close()
    os.close(ours)


def test_a_quick_reader_is_waited_for(tmp_path: Path) -> None:
    state = tmp_path / "c"
    memory = Memory(state, state, URL, "main")
    memory.begin(2)
    theirs, ours = os.pipe()
    if os.fork() == 0:
        os.close(ours)
        while os.read(theirs, 1000):
            pass
        os._exit(0)
    os.close(theirs)
    pipe = FollowedPipe(ours, memory)
    pipe.take(LINES)

    def taken() -> bool:
        pipe.look()
        return remembered(state) == 9

    assert until(taken)
    os.close(ours)
    os.wait()
    memory.close()


def test_without_a_file_it_is_remembered_while_the_program_runs(tmp_path: Path) -> None:
    with (tmp_path / "out").open("wb") as out:
        memory = Memory(None, Path("-"), URL, "main")
        memory.begin(2)
        FollowedPipe(out.fileno(), memory).take(LINES)
    assert (tmp_path / "out").read_bytes() == WHOLE
    assert memory.reached is not None
    assert memory.reached.after == 9
