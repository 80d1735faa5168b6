"""`bothends listen` as its user meets it."""

from __future__ import annotations

import json
import os
import re
import signal
import threading
import time
from pathlib import Path

import pytest
import serial

from capture.spec import options
from tests.ptys import PATIENCE_S, plugged, until
from tests.whole.commands import done, line_with, running

# RFC 3339, 5.6, with the capital T and Z that it recommends.
RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", re.ASCII)


def test_a_press_is_printed_as_sent_and_as_understood() -> None:
    with plugged() as port, running("listen", f"serial:{port.target},name=blue,unit=mm") as listen:
        line_with(listen, "blue  listening")
        port.send(b"12,34\r\n")
        assert line_with(listen, "12,34") == "blue  '12,34'  12.34 mm, sent in mm\n"
        port.send(b"1,234.5\r\n")
        refused = line_with(listen, "1,234.5")
        assert "no reading: more than one decimal mark" in refused
        port.unplug()
        line_with(listen, "blue  unplugged")


def test_json_can_be_read_line_by_line() -> None:
    with plugged() as port, running("listen", "--json", f"serial:{port.target},name=g") as listen:
        state = json.loads(line_with(listen, "listening"))
        assert (state["event"], state["caliper"], state["state"]) == ("state", "g", "listening")
        port.send(b"0.5 in\r\n")
        reading = json.loads(line_with(listen, "reading"))
        assert (reading["sent"], reading["unit"], reading["nm"]) == ("0.5 in", "in", 12_700_000)
        assert RFC_3339.fullmatch(reading["taken_at"])
        port.send(b"0.5\r\n")
        refusal = json.loads(line_with(listen, "refusal"))
        assert refusal["raw"] == "0.5"
        assert "unit" in refusal["reason"]
        assert RFC_3339.fullmatch(refusal["heard_at"])


def test_standard_input_is_an_instrument_too_and_its_end_the_end() -> None:
    listen = done("listen", "stdin:,unit=in", said="0.584\n1.617\n")
    assert listen.returncode == 0
    assert "14.8336 mm" in listen.stdout
    assert "41.0718 mm" in listen.stdout
    assert "standard input has ended" in listen.stdout
    assert listen.stderr == ""


def test_a_pattern_can_be_tried() -> None:
    spec = r"stdin:,unit=mm,pattern=CH[12] = (?P<value>[0-9.]+) T[0-9]+"
    listen = done("listen", spec, said="CH1 = 7.25 T20\nCH3 = 7.25 T20\n")
    assert "7.25 mm" in listen.stdout
    assert "does not match" in listen.stdout


def test_it_ends_after_as_many_readings_as_asked_for() -> None:
    with (
        plugged() as port,
        running("listen", "--count", "2", f"serial:{port.target},unit=mm") as it,
    ):
        line_with(it, "listening")
        port.send(b"1.00\r\n2.00\r\n3.00\r\n")
        line_with(it, "2.00")
        assert it.wait(PATIENCE_S) == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["listen", "parallel:1"], "begin with serial:"),
        (["listen", "serial:/dev/ttyUSB0,baud=fast"], "baud must be"),
        (["listen", "--count", "0"], "--count"),
    ],
)
def test_a_wrong_word_is_answered_in_one_sentence(words: list[str], said: str) -> None:
    listen = done(*words)
    assert listen.returncode == 2
    assert said in listen.stderr
    assert "Traceback" not in listen.stderr
    assert listen.stdout == ""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopping_releases_the_port_and_leaves_no_traceback(number: signal.Signals) -> None:
    with plugged() as port, running("listen", f"serial:{port.target}") as listen:
        line_with(listen, "listening")
        port.send(b"12.3")
        listen.send_signal(number)
        out, err = listen.communicate(timeout=PATIENCE_S)
        assert listen.returncode == 0
        assert err == ""
        # A half line is no reading.
        assert "mm, sent" not in out
        serial.Serial(port.target, exclusive=True).close()


def test_kill_releases_the_port() -> None:
    """By kill -9, in mid-line."""
    with plugged() as port, running("listen", f"serial:{port.target}") as listen:
        line_with(listen, "listening")
        port.send(b"12.3")
        listen.kill()
        listen.wait()
        serial.Serial(port.target, exclusive=True).close()


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs to see a process stopped")
def test_presses_from_before_a_resume_are_kept_in_order_and_marked_late() -> None:
    """A process held up for a while, as by a suspended computer."""
    with (
        plugged() as port,
        running("listen", "--json", f"serial:{port.target},name=g,unit=mm") as listen,
    ):
        line_with(listen, "listening")

        def on_time() -> bool:
            port.send(b"1.00\r\n")
            return json.loads(line_with(listen, '"late"'))["late"] is False

        assert until(on_time)  # a busy machine may hold it up as well
        os.kill(listen.pid, signal.SIGSTOP)
        stat = Path(f"/proc/{listen.pid}/stat")
        assert until(lambda: stat.read_text().rpartition(") ")[2].startswith("T"))
        port.send(b"2.00\r\n")
        port.send(b"3.00\r\n")
        # Held up is a wait that outlasts the longest one meant by half a second.
        resume = time.monotonic() + 1.6
        assert until(lambda: time.monotonic() > resume)
        os.kill(listen.pid, signal.SIGCONT)
        late = [json.loads(line_with(listen, '"late"')) for _ in range(2)]
        assert [(each["sent"], each["late"]) for each in late] == [("2.00", True), ("3.00", True)]
        # It is on time again as soon as one look found nothing more.
        assert until(on_time)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs to see a process stopped")
def test_what_a_stream_sent_before_a_resume_counts_for_nothing() -> None:
    """Where the jaws stood then, however often it was sent, is no reading now."""
    over = threading.Event()
    with (
        plugged() as port,
        running("listen", "--json", f"serial:{port.target},unit=mm,mode=stream") as listen,
    ):
        line_with(listen, "listening")
        os.kill(listen.pid, signal.SIGSTOP)
        stat = Path(f"/proc/{listen.pid}/stat")
        assert until(lambda: stat.read_text().rpartition(") ")[2].startswith("T"))
        # Within the tolerance of what comes later, and far more often.
        port.send(b"14.00\r\n" * 500)
        resume = time.monotonic() + 1.6
        assert until(lambda: time.monotonic() > resume)
        os.kill(listen.pid, signal.SIGCONT)

        def stream() -> None:
            while not over.wait(0.05):
                port.send(b"14.02\r\n")

        thread = threading.Thread(target=stream)
        thread.start()
        try:
            assert json.loads(line_with(listen, "reading"))["sent"] == "14.02"
        finally:
            over.set()
            thread.join()


@pytest.mark.parametrize("command", ["listen", "serve", "bench"])
def test_help_tells_every_option_of_a_spec(command: str) -> None:
    told = done(command, "--help")
    assert told.returncode == 0
    for name, _, default in options():
        assert re.search(rf"^  {name} +\S", told.stdout, re.M), name
        assert f"[{default}]" in " ".join(told.stdout.split())
    # A mistake is answered shortly, not by all of that.
    assert "tolerance" not in done(command, "--nonsense").stderr
