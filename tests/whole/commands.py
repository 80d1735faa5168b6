"""The program as its user starts it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection

BOTHENDS = (sys.executable, "-m", "api.cli")


@contextmanager
def running(*words: str) -> Iterator[subprocess.Popen[str]]:
    """A command under way, with its three streams; killed at the end if it is still there."""
    process = subprocess.Popen(
        [*BOTHENDS, *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        bufsize=1,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout, process.stderr):
            if stream is not None:
                with suppress(BrokenPipeError):
                    stream.close()


def done(*words: str, said: str = "") -> subprocess.CompletedProcess[str]:
    """A command run to its end, with `said` on its standard input."""
    return subprocess.run(
        [*BOTHENDS, *words], input=said, capture_output=True, text=True, timeout=60, check=False
    )


def line_with(process: subprocess.Popen[str], words: str) -> str:
    """The next line of output that holds `words`; fails where the output ends before."""
    assert process.stdout is not None
    for line in process.stdout:
        if words in line:
            return line
    raise AssertionError(f"the output ended without {words!r}")


def as_program(words: list[str], out: Connection, log: str) -> None:
    """Run the program in this process, which was forked for it."""
    from api.cli import main

    with open(log, "a") as errors:
        os.dup2(errors.fileno(), 2)
    os.dup2(out.fileno(), 1)
    out.close()
    raise SystemExit(main(words))
