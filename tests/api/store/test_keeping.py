"""Readings that requests hand over at the same time share a commit; each gets its own answer."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from api.store.journal import Acknowledgement, Handed
from api.store.keeping import Keeping
from tests.api.entries import reading
from tests.ptys import PATIENCE_S, until


class Slow:
    """A journal whose first commit lasts until it may go on."""

    def __init__(self) -> None:
        self.together: list[int] = []
        self.sizes: list[list[int]] = []
        self.begun, self.go_on = threading.Event(), threading.Event()

    def keep_each(self, asked: Sequence[Handed]) -> list[Acknowledgement | Exception]:
        self.together.append(len(asked))
        self.sizes.append([len(h.readings) * (-1 if h.more else 1) for h in asked])
        self.begun.set()
        assert self.go_on.wait(PATIENCE_S)
        return [
            ValueError(handed.readings[0].sent)
            if handed.readings[0].sent == "0"
            else Acknowledgement(i, 0)
            for i, handed in enumerate(asked)
        ]


def named() -> list[str]:
    return [each.name for each in threading.enumerate()]


def test_what_arrives_during_a_commit_is_kept_in_the_next_one(monkeypatch):
    monkeypatch.setattr("api.store.keeping._MOST_TOGETHER", 4)
    journal = Slow()
    keeping = Keeping(journal.keep_each)
    asked = [keeping.keep([reading("12.30")])]
    assert journal.begun.wait(PATIENCE_S)
    asked += [keeping.keep([reading(sent)]) for sent in ("1", "0", "2", "3", "4")]
    gone = keeping.keep([reading("5")])
    assert gone.cancel()  # who asked has gone; the reading is kept all the same
    keeping.close()
    journal.go_on.set()
    done = [each.exception(PATIENCE_S) or each.result().stored for each in asked]
    assert [str(each) if isinstance(each, Exception) else each for each in done] == [
        *(0, 0, "0", 2, 3, 0)
    ]
    assert until(lambda: "keeping" not in named())
    assert journal.together == [1, 4, 2]


def test_what_is_asked_after_the_end_is_kept_too():
    journal = Slow()
    journal.go_on.set()
    keeping = Keeping(journal.keep_each)
    keeping.keep([reading("12.30")]).result(PATIENCE_S)
    keeping.close()
    keeping.close()
    assert keeping.keep([reading("12.40")]).result(PATIENCE_S).stored == 0
    keeping.close()
    assert until(lambda: "keeping" not in named())
    assert journal.together == [1, 1]


def test_a_press_does_not_wait_for_thousands_of_readings_of_somebody_else():
    journal = Slow()
    keeping = Keeping(journal.keep_each)
    many = keeping.keep([reading("12.30")] * 600)
    assert journal.begun.wait(PATIENCE_S)
    press = keeping.keep([reading("1")])
    gone = keeping.keep([reading("2")] * 300)
    assert gone.cancel()
    keeping.close()
    journal.go_on.set()
    assert press.result(PATIENCE_S).stored == 0
    assert many.result(PATIENCE_S).stored == 0 + 1 + 0
    assert until(lambda: "keeping" not in named())
    # Negative: more of it follows. Each has its turn, and nothing is left at the end.
    assert journal.sizes == [[-250], [1, -250], [-250], [50, 100]]


def test_what_is_wrong_in_a_part_is_told_of_the_whole():
    journal = Slow()
    journal.go_on.set()
    keeping = Keeping(journal.keep_each)
    done = keeping.keep([reading("1")] * 250 + [reading("0")])
    assert str(done.exception(PATIENCE_S)) == "0"
    keeping.close()
