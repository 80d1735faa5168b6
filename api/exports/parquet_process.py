"""Parquet written in a process of its own.

The library and what its first group of rows leaves behind are 120 MB, which a server would
carry from the first download for as long as it runs. So the rows go to a process that ends
with the file, and only the file's bytes come back. (`benchmarks.exports` prints what a server
holds; the rise of 91 MB to 212 at one file of 100,000 rows was measured without this.)

The two take turns: each message (the table, then rows, then None) is answered with the parts
that it completed, the last of them empty. So neither ever waits for the other to read.
"""

from __future__ import annotations

import contextlib
import pickle
import signal
import subprocess
import sys
from collections.abc import Iterator
from itertools import chain, islice
from typing import IO, Any, Final

from api.exports.columns import Block, Blocks, Table
from api.exports.extras import find
from api.exports.parquet import parquet_chunks

_BLOCKS_A_MESSAGE: Final = 10
_SIZE: Final = 4  # bytes before each part that say how long it is


def parquet_in_child(table: Table, blocks: Blocks) -> Iterator[bytes]:
    """The same file as of `parquet_chunks`. The process is gone when this ends or is closed.

    Raises MissingExtra where pyarrow is not installed, ChildProcessError where the process
    ended before its work did.
    """
    find("pyarrow", "Parquet")
    with subprocess.Popen(
        [sys.executable, "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for the server, which ends it
    ) as process:
        into, out = process.stdin, process.stdout
        assert into is not None
        assert out is not None
        try:
            _send(into, table)
            # The next rows are read from the store while those before are written.
            for message in chain(_messages(blocks), [None]):
                yield from _parts(out)
                _send(into, message)
            yield from _parts(out)
        except _Gone:
            raise ChildProcessError(
                f"the process that writes Parquet ended with {process.wait()} before its work did"
            ) from None
        finally:
            with contextlib.suppress(BrokenPipeError):
                into.close()
            process.kill()


class _Gone(Exception):
    """The process is no longer there."""


def _messages(blocks: Blocks) -> Iterator[list[Block]]:
    while message := list(islice(blocks, _BLOCKS_A_MESSAGE)):
        yield message


def _send(into: IO[bytes], message: Table | list[Block] | None) -> None:
    try:
        pickle.dump(message, into)
        into.flush()
    except BrokenPipeError:
        raise _Gone from None


def _parts(out: IO[bytes]) -> Iterator[bytes]:
    while size := int.from_bytes(_read(out, _SIZE), "big"):
        yield _read(out, size)


def _read(out: IO[bytes], size: int) -> bytes:
    data = out.read(size)
    if len(data) < size:
        raise _Gone
    return data


# ---------------------------------------------------------------- in the process


def _answer(source: IO[bytes], out: IO[bytes]) -> None:
    """Raises EOFError where nobody sends any more."""

    def part(data: bytes) -> None:
        out.write(len(data).to_bytes(_SIZE, "big"))
        out.write(data)

    def done() -> None:
        part(b"")
        out.flush()

    def blocks() -> Iterator[Any]:
        done()
        while (message := pickle.load(source)) is not None:
            yield from message
            done()

    for data in filter(None, parquet_chunks(pickle.load(source), blocks())):
        part(data)
    done()


if __name__ == "__main__":
    # Whoever reads is gone: then this ends too, and says nothing.
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    with contextlib.suppress(EOFError):
        _answer(sys.stdin.buffer, sys.stdout.buffer)
