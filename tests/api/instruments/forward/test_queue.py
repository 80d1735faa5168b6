"""What waits at a bench is kept once, in order, by one program and for one server."""

from __future__ import annotations

import json
import sqlite3
from contextlib import ExitStack
from pathlib import Path

import pytest

from api.instruments.forward.queue import Queue, QueueError
from tests.api.instruments.forward.bodies import body


def test_what_is_kept_twice_stands_once_and_leaves_no_gap(tmp_path):
    queue = Queue(tmp_path / "bench.sqlite")
    assert [queue.add("reading", body(text)) for text in ("1", "1", "1", "2", "1")] == [
        True,
        False,
        False,
        True,
        False,
    ]
    assert [(item.seq, item.body["sent"]) for item in queue.waiting()] == [(1, "1"), (2, "2")]
    queue.close()


def test_nobody_else_opens_a_queue_while_it_is_removed(tmp_path, monkeypatch):
    """What another program put into it in between would be deleted with it."""
    path = tmp_path / "beside.sqlite"
    queue = Queue(path)
    queue.add("reading", body("1"))
    deleted: list[str] = []
    unlink = Path.unlink

    def watched(file: Path) -> None:
        with pytest.raises(QueueError, match="another bothends has the queue"):
            Queue(path)
        unlink(file)
        deleted.append(file.name)

    monkeypatch.setattr(Path, "unlink", watched)
    queue.remove()
    assert {"beside.sqlite", "beside.lock"} <= set(deleted)
    assert list(tmp_path.iterdir()) == []
    other = Queue(path)
    assert other.waiting() == []
    other.close()


def test_a_queue_of_an_earlier_program_is_taken_over_doubles_and_all(tmp_path):
    path = tmp_path / "bench.sqlite"
    old = sqlite3.connect(path)
    old.executescript(
        "CREATE TABLE said (seq INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL,"
        " body TEXT NOT NULL);"
    )
    with old:
        for text in ("1", "2", "2"):
            old.execute(
                "INSERT INTO said (kind, body) VALUES ('reading', ?)", [json.dumps(body(text))]
            )
    old.close()
    for _ in range(2):
        queue = Queue(path)
        assert not queue.add("reading", body("2"))
        assert [item.body["sent"] for item in queue.waiting()] == ["1", "2", "2"]
        queue.close()


def test_one_program_has_a_queue_at_a_time(tmp_path):
    queue = Queue(tmp_path / "bench.sqlite")
    with pytest.raises(QueueError, match="another bothends has the queue in"):
        Queue(tmp_path / "bench.sqlite")
    queue.close()
    Queue(tmp_path / "bench.sqlite").close()


def test_a_queue_is_for_one_server_until_it_is_told_to_change(tmp_path):
    with ExitStack() as stack:
        queue = Queue(tmp_path / "bench.sqlite")
        stack.callback(queue.close)
        queue.claim("http://a:8017")
        queue.claim("http://a:8017")
        with pytest.raises(QueueError, match="for the server at http://a:8017, and none of"):
            queue.claim("http://b:8017")
        queue.add("reading", body("1"))
        with pytest.raises(QueueError, match=r"and 1 of .* --change-server"):
            queue.claim("http://b:8017")
        queue.claim("http://b:8017", change=True)
        queue.claim("http://b:8017")
