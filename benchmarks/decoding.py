"""How many lines a second become values, beside the simplest loops that do the same.

Run: python -m benchmarks.decoding [--lines N]. First in this one process on the same bytes,
in reads of 4 kB; the bare loop splits at CR LF and makes a Decimal, with no unit, no exact
length, no noise watch, no refusal, no halves kept between reads. Then both through one
pseudo-terminal that another process writes as fast as it is read: a bare pyserial loop that
reads what is there and makes Decimals of it, pyserial's own readline, and this program's
port and decoder.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from decimal import Decimal
from time import monotonic, process_time

import serial

from capture.line_decoder import LineDecoder
from capture.sources.serial_port import SerialPort
from capture.values import Value

READ = 4096


def bare(data: bytes) -> int:
    """Numbers made by splitting and `Decimal` alone."""
    numbers = [Decimal(part.decode()) for part in data.split(b"\r\n") if part]
    return len(numbers)


def decoded(data: bytes) -> int:
    """Values that the decoder of a serial instrument gives."""
    decoder = LineDecoder("mm")
    count = 0
    for at in range(0, len(data), READ):
        # As if all came at one moment: at the rate of a stream it would not be taken as presses.
        for event in decoder.feed(data[at : at + READ], at / 1e9):
            count += isinstance(event, Value)
    return count


def rate(work: Callable[[bytes], int], data: bytes, lines: int) -> float:
    """Best of five, in lines a second of one core's time."""
    best = float("inf")
    for _ in range(5):
        began = process_time()
        assert work(data) == lines
        best = min(best, process_time() - began)
    return lines / best


_WRITER = """
import os, sys, tty
master, slave = os.openpty()
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
data = sys.stdin.buffer.read()
while data:
    data = data[os.write(master, data):]
os.read(master, 1)  # until the reader has said that it has everything
"""


def read_line_by_line(name: str) -> Iterator[int]:
    """Numbers so far, by pyserial's own readline: a read for each byte."""
    with serial.Serial(name, timeout=1.0, exclusive=True) as port:
        yield 0
        count = 0
        while True:
            Decimal(port.readline().decode().strip())
            count += 1
            yield count


def read_what_is_there(name: str) -> Iterator[int]:
    """Numbers so far, by a bare pyserial loop that splits what is there."""
    with serial.Serial(name, timeout=1.0, exclusive=True) as port:
        yield 0
        count, half = 0, b""
        while True:
            *whole, half = (half + port.read(1) + port.read(port.in_waiting)).split(b"\r\n")
            count += len([Decimal(each.decode()) for each in whole])
            yield count


def read_by_this_program(name: str) -> Iterator[int]:
    """Values so far, by the port and the decoder of an instrument."""
    port, decoder, count = SerialPort(name), LineDecoder("mm", "ask"), 0
    port.open()
    try:
        yield 0
        while True:
            for event in decoder.feed(port.read(1.0), monotonic()):
                count += isinstance(event, Value)
            yield count
    finally:
        port.close()


def through_a_terminal(read: Callable[[str], Iterator[int]], data: bytes, lines: int) -> None:
    """Print how fast `read` makes numbers of what comes through a pseudo-terminal."""
    writer = subprocess.Popen(
        [sys.executable, "-c", _WRITER], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert writer.stdin is not None
    assert writer.stdout is not None
    name = writer.stdout.readline().decode().strip()
    counts = read(name)
    next(counts)  # it is open
    began, used = monotonic(), process_time()
    writer.stdin.write(data)
    writer.stdin.close()
    while next(counts) < lines:
        pass
    took, busy = monotonic() - began, process_time() - used
    writer.kill()
    writer.wait()
    writer.stdout.close()
    counts.close()  # type: ignore[attr-defined]
    words = read.__name__.replace("_", " ")
    print(f"{words:24} {lines / busy:12,.0f} lines/s   {lines / took:12,.0f} by the clock")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, default=100_000)
    lines = parser.parse_args().lines
    chance = random.Random(8017)
    numbers = [f"{chance.uniform(-150, 150):+.2f}" for _ in range(lines)]
    kinds = {
        "+12.34": "\r\n".join([*numbers, ""]).encode(),
        "+12.34 mm": "".join(f"{number} mm\r\n" for number in numbers).encode(),
        "A1 +12.34 mm OK": "".join(f"A1 {number} mm OK\r\n" for number in numbers).encode(),
    }
    floor = rate(bare, kinds["+12.34"], lines)
    print(f"bare split and Decimal   {floor:12,.0f} lines/s")
    for name, data in kinds.items():
        got = rate(decoded, data, lines)
        print(f"{name:24} {got:12,.0f} lines/s   {floor / got:5.1f} times the bare loop's time")
    for read in (read_line_by_line, read_what_is_there, read_by_this_program):
        fewer = lines // 10 if read is read_line_by_line else lines
        data = "".join(f"{number}\r\n" for number in numbers[:fewer]).encode()
        through_a_terminal(read, data, fewer)


if __name__ == "__main__":
    main()
