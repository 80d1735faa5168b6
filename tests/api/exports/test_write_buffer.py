"""A file that is read while it is written gives each byte once, in order."""

from __future__ import annotations

import io
import zipfile

import pytest

from api.exports.write_buffer import WriteBuffer


def test_what_was_written_is_given_away_once():
    written = WriteBuffer()
    assert written.take() == b""
    assert written.write(b"12") == 2
    assert written.write(memoryview(b"345")) == 3
    assert written.take() == b"12345"
    assert written.take() == b""
    written.write(b"6")
    assert (written.tell(), written.take()) == (6, b"6")


def test_what_is_written_over_afterwards_was_taken_as_it_stood():
    buffer = bytearray(b"12")
    written = WriteBuffer()
    written.write(buffer)
    buffer[:] = b"99"
    assert written.take() == b"12"


def test_nobody_is_led_to_believe_that_it_can_go_back():
    written = WriteBuffer()
    assert written.writable()
    assert not written.seekable()
    assert not written.readable()
    with pytest.raises(io.UnsupportedOperation):
        written.seek(0)


def test_an_archive_written_in_pieces_is_whole():
    written, pieces = WriteBuffer(), []
    with zipfile.ZipFile(written, "w") as archive:
        for name in ("a.csv", "b.csv"):
            archive.writestr(name, name * 100)
            pieces.append(written.take())
    pieces.append(written.take())
    assert all(pieces)
    whole = zipfile.ZipFile(io.BytesIO(b"".join(pieces)))
    assert whole.testzip() is None
    assert whole.read("b.csv") == b"b.csv" * 100
