"""What a line costs until it is a value, beside the simplest loops that do the same.

In one process on the same bytes, in reads of 4 kB: the bare loop splits at CR LF and makes a
Decimal, with no unit, no exact length, no noise watch, no refusal, no halves kept between reads.
Then through one pseudo-terminal that another process writes as fast as it is read: beside a bare
pyserial loop that reads what is there, and beside pyserial's own readline, a read for each byte.
"""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable, Generator, Iterator
from decimal import Decimal
from functools import partial
from time import monotonic, process_time

import serial

from benchmarks.measuring import Measurement
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


def in_memory(work: Callable[[bytes], int], data: bytes, lines: int) -> list[float]:
    """µs of processor time for a line."""
    began = process_time()
    assert work(data) == lines
    return [1e6 * (process_time() - began) / lines]


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

Counts = Generator[int, None, None]


def read_line_by_line(name: str) -> Counts:
    """Numbers so far, by pyserial's own readline: a read for each byte."""
    with serial.Serial(name, timeout=1.0, exclusive=True) as port:
        yield 0
        count = 0
        while True:
            Decimal(port.readline().decode().strip())
            count += 1
            yield count


def read_what_is_there(name: str) -> Counts:
    """Numbers so far, by a bare pyserial loop that splits what is there."""
    with serial.Serial(name, timeout=1.0, exclusive=True) as port:
        yield 0
        count, half = 0, b""
        while True:
            *whole, half = (half + port.read(1) + port.read(port.in_waiting)).split(b"\r\n")
            count += len([Decimal(each.decode()) for each in whole])
            yield count


def read_by_this_program(name: str) -> Counts:
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


def through_a_terminal(read: Callable[[str], Counts], numbers: list[str]) -> list[float]:
    """µs of this process's time for each line that comes through a pseudo-terminal."""
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as writer:
        assert writer.stdin is not None
        assert writer.stdout is not None
        counts = read(writer.stdout.readline().decode().strip())
        next(counts)  # it is open
        began = process_time()
        writer.stdin.write("".join(f"{number}\r\n" for number in numbers).encode())
        writer.stdin.close()
        while next(counts) < len(numbers):
            pass
        took = process_time() - began
        writer.kill()
        counts.close()
    return [1e6 * took / len(numbers)]


def measurements(short: bool) -> Iterator[Measurement]:
    lines = 10_000 if short else 100_000
    chance = random.Random(8017)
    numbers = [f"{chance.uniform(-150, 150):+.2f}" for _ in range(lines)]
    plain = "".join(f"{number}\r\n" for number in numbers).encode()
    for shape in ("{}", "{} mm", "A1 {} mm OK"):
        data = "".join(f"{shape.format(number)}\r\n" for number in numbers).encode()
        yield Measurement(
            f"a line '{shape.format('+12.34')}' decoded",
            "µs",
            partial(in_memory, decoded, data, lines),
            {"split and Decimal": partial(in_memory, bare, plain, lines)},
        )
    yield Measurement(
        "a line read from a port and decoded",
        "µs",
        partial(through_a_terminal, read_by_this_program, numbers),
        {
            "bare pyserial loop": partial(through_a_terminal, read_what_is_there, numbers),
            "pyserial readline": partial(
                through_a_terminal, read_line_by_line, numbers[: lines // 10]
            ),
        },
    )
