"""A file that is read while it is written gives each byte once, in order."""

from __future__ import annotations

import io
import zipfile

import pytest

from api.exports.drain import Drain


def test_what_was_written_is_given_away_once():
    drain = Drain()
    assert drain.drain() == b""
    assert drain.write(b"12") == 2
    assert drain.write(memoryview(b"345")) == 3
    assert drain.drain() == b"12345"
    assert drain.drain() == b""
    drain.write(b"6")
    assert (drain.tell(), drain.drain()) == (6, b"6")


def test_what_is_written_over_afterwards_was_taken_as_it_stood():
    buffer = bytearray(b"12")
    drain = Drain()
    drain.write(buffer)
    buffer[:] = b"99"
    assert drain.drain() == b"12"


def test_nobody_is_led_to_believe_that_it_can_go_back():
    drain = Drain()
    assert drain.writable()
    assert not drain.seekable()
    assert not drain.readable()
    with pytest.raises(io.UnsupportedOperation):
        drain.seek(0)


def test_an_archive_written_in_pieces_is_whole():
    drain, pieces = Drain(), []
    with zipfile.ZipFile(drain, "w") as archive:
        for name in ("a.csv", "b.csv"):
            archive.writestr(name, name * 100)
            pieces.append(drain.drain())
    pieces.append(drain.drain())
    assert all(pieces)
    whole = zipfile.ZipFile(io.BytesIO(b"".join(pieces)))
    assert whole.testzip() is None
    assert whole.read("b.csv") == b"b.csv" * 100
