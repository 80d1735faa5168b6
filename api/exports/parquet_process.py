"""Parquet written in a child process.

The library and what its first group of rows leaves allocated are 120 MB, which a server would
keep from the first download until it stops. So the rows go to a process that ends with the file,
and only the file's bytes come back. (`python -m benchmarks exports` prints a server's memory;
without this it rose from 91 MB to 212 with one file of 100,000 rows.)

The two take turns: each message (the table, then rows, then None) is answered with the parts of
the file that it completed, the last of them empty. So the pipes never deadlock.
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
    """The same file as from `parquet_chunks`. The process has ended when this ends or is closed.

    Raises MissingExtra where pyarrow is not installed, ChildProcessError where the process
    ended before its work did.
    """
    find("pyarrow", "Parquet")
    with subprocess.Popen(
        [sys.executable, "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,  # Ctrl-C goes to the server alone, which ends this process
    ) as process:
        into, out = process.stdin, process.stdout
        assert into is not None
        assert out is not None
        try:
            _send(into, table)
            # The next rows are read from the store while the process writes the previous ones.
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
    """The process has ended."""


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


# ---------------------------------------------------------------- in the child process


def _answer(source: IO[bytes], out: IO[bytes]) -> None:
    """Raises EOFError when the server has closed its end."""

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
    # When the server is gone, this ends without a message.
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)
    with contextlib.suppress(EOFError):
        _answer(sys.stdin.buffer, sys.stdout.buffer)
