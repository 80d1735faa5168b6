"""How many lines a second become values, beside the barest loop that could.

Run: python -m benchmarks.decoding [--lines N]. Both work in this one process on the same
bytes, in reads of 4 kB; the bare loop splits at CR LF and makes a Decimal, with no unit,
no exact length, no noise watch, no refusal, no halves kept between reads.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Callable
from decimal import Decimal
from time import process_time

from capture.decoding import LineDecoder
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
        for event in decoder.feed(data[at : at + READ], at / 1e6):
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


if __name__ == "__main__":
    main()
