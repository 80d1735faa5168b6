"""Standard input as an instrument: read until it ends, and never again."""

from __future__ import annotations

import io
import os
import sys
import threading
from collections.abc import Iterator

import pytest

from capture.sources import SourceEndedError
from capture.sources.standard_input import StandardInput


class Piped:
    """A standard input into which a test writes."""

    def __init__(self) -> None:
        self.ear, self._mouth = os.pipe()

    def fileno(self) -> int:
        return self.ear

    def send(self, data: bytes) -> None:
        os.write(self._mouth, data)

    def end(self) -> None:
        if self._mouth >= 0:
            os.close(self._mouth)
            self._mouth = -1


@pytest.fixture
def piped(monkeypatch: pytest.MonkeyPatch) -> Iterator[Piped]:
    made = Piped()
    monkeypatch.setattr(sys, "stdin", made)
    yield made
    made.end()
    os.close(made.ear)


@pytest.fixture
def source(piped: Piped) -> Iterator[StandardInput]:  # noqa: ARG001 (it is what is opened)
    made = StandardInput()
    made.open()
    yield made
    made.close()


def test_what_was_written_is_read_and_then_the_end_is_told(
    source: StandardInput, piped: Piped
) -> None:
    assert source.read(0) == b""
    piped.send(b"12.34\n")
    assert source.read(None) == b"12.34\n"
    piped.send(b"5")
    piped.end()
    assert source.read(None) == b"5"
    with pytest.raises(SourceEndedError, match="has ended"):
        source.read(None)


@pytest.mark.skipif(sys.platform == "win32", reason="a read on Windows cannot be woken")
def test_a_waiting_read_is_woken_from_another_thread(source: StandardInput) -> None:
    threading.Timer(0.01, source.wake).start()
    assert source.read(None) == b""


def test_who_closes_it_leaves_the_programs_own_input_open(
    source: StandardInput, piped: Piped
) -> None:
    source.close()
    source.close()
    source.wake()
    piped.send(b"7\n")
    assert os.read(piped.ear, 10) == b"7\n"


def test_what_breaks_off_has_ended(source: StandardInput, piped: Piped) -> None:
    folder = os.open("/", os.O_RDONLY)
    try:
        os.dup2(folder, piped.ear)  # a folder can be opened and waited for, and not read
        source.close()
        source.open()
        with pytest.raises(SourceEndedError, match="broken off"):
            source.read(None)
    finally:
        os.close(folder)


@pytest.mark.parametrize("stdin", [None, io.StringIO("12.34\n")])
def test_a_program_without_standard_input_is_told_so(
    monkeypatch: pytest.MonkeyPatch, stdin: object
) -> None:
    monkeypatch.setattr(sys, "stdin", stdin)
    with pytest.raises(SourceEndedError, match="no standard input"):
        StandardInput().open()
