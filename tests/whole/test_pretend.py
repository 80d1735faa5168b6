"""`bothends pretend` as its user meets it, with the listener beside it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.ptys import PATIENCE_S
from tests.whole.commands import done, line_with, running


def test_what_it_offers_to_paste_is_heard() -> None:
    with running("pretend", "--angle", "0.5", "--scatter", "0") as pretend:
        offered = line_with(pretend, "--caliper").split()[1]
        with running("listen", f"{offered},name=g") as listen:
            line_with(listen, "g  listening")
            assert pretend.stdin is not None
            sent = []
            for _ in range(4):
                pretend.stdin.write("\n")
                sent.append(re.search(r"b'(.*?)\\", line_with(pretend, "trial")))
            heard = [line_with(listen, "mm, sent") for _ in range(4)]
            assert all(
                each and f"'{each[1]}'" in line for each, line in zip(sent, heard, strict=True)
            )
            pretend.stdin.close()
            assert pretend.wait(PATIENCE_S) == 0


def test_a_listener_at_another_speed_hears_noise_and_at_its_own_the_number() -> None:
    with running("pretend", "--baud", "19200") as pretend:
        offered = line_with(pretend, "--caliper").split()[1]
        assert offered.endswith(",baud=19200")
        assert pretend.stdin is not None
        with running("listen", f"{offered.replace('19200', '9600')},name=g") as listen:
            line_with(listen, "g  listening")
            for _ in range(20):
                pretend.stdin.write("\n")
                line_with(pretend, "trial")
            assert "baud" in line_with(listen, "wrong speed?")
        with running("listen", f"{offered},name=g") as listen:
            line_with(listen, "g  listening")
            pretend.stdin.write("\n")
            sent = re.search(r"b'(.*?)\\", line_with(pretend, "trial"))
            assert sent is not None
            assert f"'{sent[1]}'" in line_with(listen, "mm, sent")


def test_a_stream_gives_one_reading_for_each_place_it_is_laid_on() -> None:
    with running("pretend", "--stream", "20") as pretend:
        offered = line_with(pretend, "--caliper").split()[1]
        assert offered.endswith(",mode=stream")
        with running("listen", f"{offered},name=g") as listen:
            line_with(listen, "g  listening")
            assert pretend.stdin is not None
            for _ in range(3):
                pretend.stdin.write("\n")
                sent = re.search(r"b'(.*?)\\", line_with(pretend, "trial"))
                assert sent is not None
                assert f"'{sent[1]}'" in line_with(listen, "mm, sent")


def test_it_presses_by_itself_over_the_network() -> None:
    with running("pretend", "--tcp", "0", "--every", "0.05", "--resolution", "0.0005 in") as it:
        target = line_with(it, "socket://").strip()
        listen = done("listen", f"serial:{target},name=g,unit=in", "--count", "3")
        assert listen.returncode == 0
        assert listen.stdout.count("sent in in") == 3


def test_it_counts_its_presses_and_ends() -> None:
    pretend = done("pretend", "--method", "roll", "--count", "5", "--every", "0.01", "--seed", "3")
    assert pretend.returncode == 0
    assert "trial 2 place 1 of 4" in pretend.stdout
    again = done("pretend", "--method", "roll", "--count", "5", "--every", "0.01", "--seed", "3")
    lines = [
        [line for line in each.stdout.splitlines() if line.startswith("trial")]
        for each in (pretend, again)
    ]
    assert lines[0] == lines[1]
    assert len(lines[0]) == 5


def test_pulling_its_plug_is_survived(tmp_path: Path) -> None:
    words = ("--every", "0.3", "--unplug", "1", "--link", str(tmp_path / "gauge"))
    with running("pretend", *words) as pretend:
        line_with(pretend, "--caliper")
        with running("listen", f"serial:{tmp_path / 'gauge'},name=g,unit=mm") as listen:
            line_with(listen, "mm, sent")
            line_with(listen, "unplugged")
            line_with(listen, "g  listening")
            line_with(listen, "mm, sent")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--method", "sideways"], "reversal, half-turn"),
        (["--resolution", "fine"], "resolution"),
        (["--width", "8 furlongs"], "--width"),
        (["--every", "0"], "--every"),
        (["--every", "nan"], "--every"),
        (["--count", "0"], "--count"),
        (["--noise", "2"], "2 is not a chance; give a number from 0 to 1"),
        (["--angle", "nan"], "nan is not an angle in degrees"),
        (["--width", "0"], "--width 0 must be more than zero"),
        (["--inset", "300"], "--inset 300 at each end leaves nothing"),
        (["--stream", "0"], "--stream"),
        (["--baud", "3"], "--baud"),
        (["--baud", "9600", "--tcp", "0"], "drop --tcp"),
        (["--tcp", "99999"], "port"),
        (["--link", "/nowhere/at/all"], "port"),
    ],
)
def test_a_wrong_word_is_answered_in_one_sentence(words: list[str], said: str) -> None:
    pretend = done("pretend", *words)
    assert pretend.returncode == 2
    assert said in pretend.stderr
    assert "Traceback" not in pretend.stderr
