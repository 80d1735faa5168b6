"""Each press at a bench elsewhere is answered once, and soon."""

from __future__ import annotations

import pytest

from api.instruments.forward.answering import Answering
from tests.api.entries import reading
from tests.ptys import until

_LONG_S = 3600.0


@pytest.fixture
def told():
    return []


def _answering(told, soon_s=_LONG_S):
    return Answering(lambda said, question: told.append((said.sent, question)), soon_s)


def test_what_the_server_asks_is_told_and_else_that_it_is_kept(told):
    answering = _answering(told)
    odd, plain, fast = reading("114.20"), reading("11.40"), reading("1.14")
    answering.press(odd, lambda _: True)
    answering.press(plain, lambda _: True)
    assert told == []
    answering.became(plain.id, "")
    answering.became(odd.id, "114.20?")

    def kept(_reading):
        # The server may be faster than the thread that keeps.
        answering.became(fast.id, "1.14?")
        return True

    answering.press(fast, kept)
    answering.became(odd.id, "again?")
    assert told == [("11.40", ""), ("114.20", "114.20?"), ("1.14", "1.14?")]
    answering.close()
    assert len(told) == 3


def test_without_an_answer_in_time_it_is_told_as_kept(told):
    answering = _answering(told, soon_s=0.02)
    late = reading("114.20")
    answering.press(late, lambda _: True)
    assert until(lambda: told == [("114.20", "")])
    answering.became(late.id, "114.20?")
    answering.close()
    assert told == [("114.20", "")]


def test_a_server_that_is_away_or_an_end_is_not_waited_for(told):
    answering = _answering(told)
    answering.reached(False)
    answering.press(reading("11.40"), lambda _: True)
    assert told == [("11.40", "")]
    answering.reached(True)
    answering.press(reading("11.44"), lambda _: True)
    answering.close()
    assert told == [("11.40", ""), ("11.44", "")]
    answering.press(reading("11.46"), lambda _: True)
    assert told[2:] == [("11.46", "")]


def test_what_waits_is_told_as_soon_as_the_server_is_found_away(told):
    """The press that finds it so is answered as soon as the later ones."""
    answering = _answering(told)
    answering.press(reading("11.40"), lambda _: True)
    answering.press(reading("11.44"), lambda _: True)
    assert told == []
    answering.reached(False)
    assert until(lambda: told == [("11.40", ""), ("11.44", "")])

    def kept(_reading):
        answering.reached(False)  # while it is being kept
        return True

    answering.reached(True)
    answering.press(reading("11.46"), kept)
    assert told[2:] == [("11.46", "")]
    answering.close()
    assert len(told) == 3


def test_what_is_not_kept_is_not_told(told):
    answering = _answering(told)

    def full(_reading):
        raise OSError("the disk is full")

    with pytest.raises(OSError, match="full"):
        answering.press(reading("11.40"), full)
    answering.press(reading("11.40"), lambda _: False)
    answering.close()
    assert told == []
