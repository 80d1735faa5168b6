"""`bothends instruments` as its user meets it."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
import serial

from capture.pretend import PtyPort
from tests.ptys import plugged, until
from tests.whole.commands import done


def test_it_answers_with_or_without_anything_plugged_in() -> None:
    plain = done("instruments")
    assert plain.returncode == 0
    assert plain.stderr == ""
    assert plain.stdout.strip()


def test_json_is_one_object_a_line() -> None:
    found = done("instruments", "--json")
    assert found.returncode == 0
    for line in found.stdout.splitlines():
        assert {"kind", "device", "spec", "likely", "missing", "remedy"} <= json.loads(line).keys()


def test_identifying_without_a_port_or_a_unit_says_what_is_needed() -> None:
    said = done("instruments", "--identify", "12.34")
    assert said.returncode == 2
    assert "such as 12.34 mm" in said.stderr


# A shop whose one serial port is this pseudo-terminal, since what is plugged in here is unknown.
_ONE_PORT = """
import sys
from api.cli import main
from capture import finding
port = sys.argv.pop(1)
there = finding.Found("serial", port, f"serial:{port}", "a pretend port")
finding.serial_instruments = lambda: [there]
raise SystemExit(main(sys.argv[1:]))
"""


def identify(port: PtyPort, *words: str, stdin: int = subprocess.DEVNULL) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _ONE_PORT, port.target, "instruments", "--identify", *words],
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def free(port: PtyPort) -> bool:
    try:
        serial.Serial(port.target, exclusive=True).close()
    except serial.SerialException:
        return False
    return True


def found(process: subprocess.Popen[str], port: PtyPort) -> str:
    """What it finds, the send button being pressed now and then."""

    def ended() -> bool:
        if not free(port):
            port.send(b"12.34\r\n")
        return process.poll() is not None

    assert until(ended, 60)
    out, _ = process.communicate()
    return out


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_no_port_is_opened_before_a_person_has_seen_which() -> None:
    master, slave = os.openpty()
    with plugged() as port:
        process = identify(port, "12.34 mm", stdin=slave)
        try:
            assert process.stderr is not None
            said = ""
            while "Enter opens them" not in said:
                line = process.stderr.readline()
                assert line, said
                said += line
            assert f"    {port.target}\n" in said
            assert "restart a small board" in said
            assert free(port)
            os.write(master, b"\n")
            assert until(lambda: not free(port))
            assert f"--caliper serial:{port.target},unit=mm" in found(process, port)
        finally:
            process.kill()
            process.communicate()
            os.close(master)
            os.close(slave)


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_a_script_says_yes_beforehand_or_nothing_is_opened() -> None:
    with plugged() as port:
        refused = identify(port, "12.34 mm")
        out, said = refused.communicate(timeout=60)
        assert (refused.returncode, out) == (2, "")
        assert "add --yes to open these ports" in said
        agreed = identify(port, "12.34 mm", "--yes")
        try:
            assert "12.34" in found(agreed, port)
        finally:
            agreed.kill()
            agreed.communicate()


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_a_slip_in_a_port_to_leave_alone_opens_nothing() -> None:
    with plugged() as port:
        refused = identify(port, "12.34 mm", "--yes", "--leave-alone", "ttyUBS0")
        _, said = refused.communicate(timeout=60)
        assert refused.returncode == 2
        assert "ttyUBS0 is no port here" in said
        assert "Traceback" not in said
