"""What a receiver at one speed makes of bytes sent at another (a simulated serial line)."""

from __future__ import annotations


def received(lines: list[bytes], sent_baud: int, read_baud: int) -> list[bytes]:
    """The bytes that a receiver at `read_baud` reads of each line sent at `sent_baud`.

    8 data bits, no parity, one stop bit, least significant bit first; the receiver looks
    at the middle of each of its bits and passes bytes with a wrong stop bit on, as a
    serial port in raw mode does. The line rests between the lines sent.
    """
    return [_heard(line, sent_baud / read_baud) for line in lines]


def _heard(line: bytes, ratio: float) -> bytes:
    bits = [1]
    for byte in line:
        bits += [0, *(byte >> place & 1 for place in range(8)), 1]

    def level(at: float) -> int:
        return bits[int(at)] if at < len(bits) else 1

    out = bytearray()
    now = 0.0
    while now < len(bits):
        if level(now):
            now = int(now) + 1.0  # to the next edge
            continue
        if level(now + 0.5 * ratio):
            now += 0.5 * ratio  # a spike, no start bit
            continue
        out.append(sum(level(now + (1.5 + place) * ratio) << place for place in range(8)))
        now += 9.5 * ratio
    return bytes(out)
