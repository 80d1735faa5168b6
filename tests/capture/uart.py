"""What a receiver at one speed makes of bytes sent at another (a simulated serial line)."""

from __future__ import annotations


def received(
    lines: list[bytes], sent_baud: int, read_baud: int, idle_bits: float = 40.0
) -> list[bytes]:
    """The bytes that a receiver at `read_baud` hears of each line sent at `sent_baud`.

    8 data bits, no parity, one stop bit, least significant bit first; the receiver looks
    at the middle of each of its bits and passes bytes with a wrong stop bit on, as a
    serial port in raw mode does. `idle_bits` of silence follow each line.
    """
    heard = []
    ratio = sent_baud / read_baud
    for line in lines:
        bits = [1]
        for byte in line:
            bits += [0, *(byte >> place & 1 for place in range(8)), 1]
        edges = [at for at in range(1, len(bits)) if bits[at - 1] and not bits[at]]

        def level(at: float, bits: list[int] = bits) -> int:
            return bits[int(at)] if 0 <= at < len(bits) else 1

        out = bytearray()
        free = 0.0
        while True:
            start = next((edge for edge in edges if edge >= free), None)
            if level(free) == 0 and free > 0:
                start = None if free >= len(bits) else free  # still low: a start at once
            if start is None:
                break
            if level(start + 0.5 * ratio):
                free = start + 0.5 * ratio + 1e-9
                following = next((edge for edge in edges if edge > start), None)
                if following is None:
                    break
                free = max(free, following)
                continue
            value = 0
            for place in range(8):
                value |= level(start + (1.5 + place) * ratio) << place
            out.append(value)
            free = start + 9.5 * ratio
            if free >= len(bits) + idle_bits:
                break
        heard.append(bytes(out))
    return heard
