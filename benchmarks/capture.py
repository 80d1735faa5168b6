"""What 150 streaming instruments cost, beside a bare pyserial loop over as many ports.

    python -m benchmarks.capture [--instruments 150] [--seconds 10]

A child process holds the other ends of as many pseudo-terminals and sends a line on each
ten times a second: a new length each second, as a hand would move the jaws, so that each
port owes one settled reading a second. The bare loop is a thread for each port that reads
a byte, then what else is there, and counts lines. Printed for both: the share of one core
with nothing sent and with all streaming, and what arrived of what was owed.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack

import serial

from capture.bench import Instruments
from capture.records import CaliperState, Reading, Refusal
from capture.spec import parse_spec

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


def _share(work: Callable[[], None]) -> float:
    """The share of one core that this process used meanwhile."""
    began, used = time.monotonic(), time.process_time()
    work()
    return (time.process_time() - used) / (time.monotonic() - began)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instruments", type=int, default=150)
    parser.add_argument("--seconds", type=int, default=10)
    args = parser.parse_args()
    shares: dict[str, tuple[float, float]] = {}
    with ExitStack() as stack:
        sender = stack.enter_context(
            subprocess.Popen(
                [sys.executable, "-c", _SENDER, str(args.instruments)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                bufsize=1,
            )
        )
        into, out = sender.stdin, sender.stdout
        assert into is not None
        assert out is not None
        names = out.readline().split()
        lines = args.seconds * _HOLD

        def stream() -> None:
            into.write(f"{lines}\n")
            out.readline()

        for listener in (_Bare, _Bothends):
            ears = listener(names)
            idle = _share(lambda: time.sleep(args.seconds))
            busy = _share(stream)
            time.sleep(0.5)
            count, owed = ears.count(), round(lines * len(names) * listener.owed_a_line)
            ears.stop()
            name = listener.__name__.strip("_").lower()
            shares[name] = idle, busy
            print(f"{name:9} idle {idle:6.1%}, streaming {busy:6.1%} of a core; {count} of {owed}")
        into.close()
    for what, idle_or_busy in enumerate(("idle", "streaming")):
        ratio = shares["bothends"][what] / shares["bare"][what]
        print(f"bothends / bare, {idle_or_busy}: {ratio:.2f}")


if __name__ == "__main__":
    main()
