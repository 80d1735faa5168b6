"""The program as a whole: press to event, start, memory.

    python -m benchmarks.program

Press to event: a line's terminator is written to a pseudo-terminal; the clock stops when the
`reading` event arrives at a client of the live stream, after the commit. Beside it, in the
same run: a bare pyserial loop on a pseudo-terminal followed by a bare SQLite commit.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import subprocess
import tempfile
import threading
import time
import tty
from pathlib import Path

import serial

from tests.ptys import plugged
from tests.whole.serving import COMMAND, serving

PRESSES = 300


def percentile(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def report(name: str, seconds: list[float]) -> None:
    print(
        f"{name:44s} median {statistics.median(seconds) * 1e3:7.2f} ms"
        f"  p99 {percentile(seconds, 0.99) * 1e3:7.2f} ms"
    )


def press_to_event(folder: Path) -> None:
    took: list[float] = []
    with (
        plugged() as port,
        serving(folder / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        server.start_series()
        server.calipers_listen()
        with server.client.stream("GET", "/api/live?bench=main") as events:
            lines = events.iter_lines()
            next(lines)
            for number in range(PRESSES):
                text = f"{10 + number / 100:.2f}"
                port.send(text.encode())
                began = time.perf_counter()
                port.send(b"\n")
                for line in lines:
                    if line.startswith("data: ") and '"outcome"' in line and text in line:
                        break
                took.append(time.perf_counter() - began)
                for line in lines:
                    if line.startswith("event: score"):
                        break
        memory = Path(f"/proc/{server.process.pid}/status").read_text()
        kib = int(memory.split("VmRSS:")[1].split("kB")[0])
    report(f"press to event, {PRESSES} presses", took)
    print(f"{'resident memory of serve after them':44s} {kib / 1024:7.1f} MB")


def bare(folder: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    store = sqlite3.connect(folder / "bare.sqlite", check_same_thread=False)
    store.execute("PRAGMA journal_mode=WAL")
    store.execute("PRAGMA synchronous=FULL")
    store.execute("CREATE TABLE said (text)")
    done = threading.Event()

    def listen() -> None:
        with serial.Serial(os.ttyname(slave), timeout=5) as port:
            ready.set()
            for _ in range(PRESSES):
                line = port.read_until(b"\n")
                with store:
                    store.execute("INSERT INTO said VALUES (?)", (line,))
                done.set()

    ready = threading.Event()
    reader = threading.Thread(target=listen)
    reader.start()
    ready.wait()
    took = []
    for number in range(PRESSES):
        done.clear()
        os.write(master, f"{10 + number / 100:.2f}".encode())
        began = time.perf_counter()
        os.write(master, b"\n")
        done.wait()
        took.append(time.perf_counter() - began)
    reader.join()
    store.close()
    report("bare pyserial line and SQLite commit", took)


def starts(folder: Path) -> None:
    took = []
    for _ in range(5):
        began = time.perf_counter()
        with serving(folder / "start"):
            took.append(time.perf_counter() - began)
    report("serve to ready (the first makes the store)", took)
    took = []
    for _ in range(10):
        began = time.perf_counter()
        subprocess.run([*COMMAND, "--help"], stdout=subprocess.DEVNULL, check=True)
        took.append(time.perf_counter() - began)
    report("bothends --help", took)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bare(folder)
        press_to_event(folder)
        starts(folder)


if __name__ == "__main__":
    main()
