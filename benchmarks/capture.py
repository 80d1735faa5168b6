"""What 150 streaming instruments cost, beside a bare pyserial loop over as many ports.

A child process holds the other ends of as many pseudo-terminals and sends a line on each
ten times a second: a new length each second, as a hand would move the jaws, so that each
port owes one settled reading a second. The bare loop is a thread for each port that reads
a byte, then what else is there, and counts lines.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial

import serial

from benchmarks.measuring import Measurement
from capture.bench import Instruments
from capture.records import CaliperState, Reading, Refusal
from capture.spec import parse_spec
from tests.ptys import until

_HOLD = 10  # Lines for which a length stays the same.

_SENDER = """
import os, sys, time, tty
ends = [os.openpty() for _ in range(int(sys.argv[1]))]
for _, slave in ends:
    tty.setraw(slave)
print(*(os.ttyname(slave) for _, slave in ends), flush=True)
for word in sys.stdin:
    began = time.monotonic()
    for turn in range(int(word)):
        for master, _ in ends:
            os.write(master, b"%d.25\\r\\n" % (1 + turn // 10 % 97))
        time.sleep(max(0.0, began + (turn + 1) / 10 - time.monotonic()))
    print("sent", flush=True)
"""


class _Bare:
    """A thread for each port, counting lines."""

    owed_a_line = 1.0

    def __init__(self, names: list[str]) -> None:
        self._over = threading.Event()
        self._counts = [0] * len(names)
        ports = [serial.Serial(name, timeout=0.1, exclusive=True) for name in names]
        self._threads = [
            threading.Thread(target=self._read, args=each) for each in enumerate(ports)
        ]
        for each in self._threads:
            each.start()

    def _read(self, number: int, port: serial.Serial) -> None:
        while not self._over.is_set():
            data = port.read(1)
            if data:
                self._counts[number] += (data + port.read(port.in_waiting)).count(b"\n")
        port.close()

    def count(self) -> int:
        return sum(self._counts)

    def stop(self) -> None:
        self._over.set()
        for each in self._threads:
            each.join()


class _Bothends:
    """The program's own way: lines are decoded, settled and passed on."""

    owed_a_line = 1.0 / _HOLD

    def __init__(self, names: list[str]) -> None:
        self._heard = 0
        self._instruments = Instruments(self._keep, self._refuse, self._report)
        self._instruments.start(parse_spec(f"serial:{name},unit=mm,mode=stream") for name in names)
        while any(each.state != "listening" for each in self._instruments.states()):
            time.sleep(0.01)

    def _keep(self, _reading: Reading) -> None:
        self._heard += 1

    def _refuse(self, _refusal: Refusal) -> None: ...

    def _report(self, _state: CaliperState) -> None: ...

    def count(self) -> int:
        return self._heard

    def stop(self) -> None:
        self._instruments.stop()


class _Instruments:
    """As many pseudo-terminals; each round opens them anew."""

    def __init__(self, count: int, seconds: float) -> None:
        self._sender = subprocess.Popen(
            [sys.executable, "-c", _SENDER, str(count)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        assert self._sender.stdin is not None
        assert self._sender.stdout is not None
        self._into, self._out = self._sender.stdin, self._sender.stdout
        self._names = self._out.readline().split()
        self._seconds = seconds
        self.missing = 0.0

    def close(self) -> None:
        self._into.close()
        self._sender.wait()
        self._out.close()

    def idle(self, kind: type[_Bare | _Bothends]) -> list[float]:
        """% of a core that this process uses while nothing is sent."""
        ears = kind(self._names)
        share = _share(lambda: time.sleep(self._seconds))
        ears.stop()
        return [share]

    def streaming(self, kind: type[_Bare | _Bothends]) -> list[float]:
        """The same while all send; how much of what is owed did not come is kept."""
        ears = kind(self._names)
        lines = round(self._seconds * _HOLD)
        share = _share(lambda: self._stream(lines))
        owed = round(lines * len(self._names) * ears.owed_a_line)
        until(lambda: ears.count() >= owed, 1.0)
        if kind is _Bothends:
            self.missing = 100 * max(0.0, 1 - ears.count() / owed)
        ears.stop()
        return [share]

    def _stream(self, lines: int) -> None:
        self._into.write(f"{lines}\n")
        self._out.readline()


def _share(work: Callable[[], None]) -> float:
    """The share of one core, in %, that this process used meanwhile."""
    began, used = time.monotonic(), time.process_time()
    work()
    return 100 * (time.process_time() - used) / (time.monotonic() - began)


def measurements(short: bool) -> Iterator[Measurement]:
    count = 30 if short else 150
    with closing(_Instruments(count, 1.0 if short else 10.0)) as instruments:
        for what, shares in (("silent", instruments.idle), ("streaming", instruments.streaming)):
            yield Measurement(
                f"{count} instruments, {what}",
                "% of a core",
                partial(shares, _Bothends),
                {"bare pyserial loops": partial(shares, _Bare)},
            )

        yield Measurement(
            f"readings of {count} streaming instruments missed",
            "%",
            lambda: [instruments.missing],
            rounds=1,
        )
