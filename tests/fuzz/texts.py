"""Texts and bytes like those that come in, and unlike them."""

from __future__ import annotations

from random import Random

_WORDS = [
    *["12.34", "-0,5 in", "A1 +1.000mm OK", "0", "1e3", "nan", "-", "+", "E1", "----", "\u22121.5"],
    *["", " ", "\t", "\r\n", "\n", "\0", "\ufeff", "\x1b[1m", "\u2028", "\ud800", "\u0661", "é"],
    *["é", "ß", "\U0001f980", "x" * 300, "9" * 400, "'", '"', "\\", "%00", "%", "_", "/", ".."],
    *["2024-05-03", "3.5.2024", "14:30", "2026-03-02T12:00:00Z", "null", "true", "[]", "{}", ","],
    *[";", ",,", "=", ":", "(?P<value>[0-9]+)", "mm", "in", "main", "reversal", "a" * 65],
]


def text(chance: Random, most: int = 6) -> str:
    """Some words, one after the other, or any characters."""
    return "".join(
        chance.choice(_WORDS)
        if chance.random() < 0.7
        else chr(chance.choice((chance.randrange(128), chance.randrange(0xD800))))
        for _ in range(chance.randrange(most + 1))
    )


def altered(given: str, chance: Random, others: str = "") -> str:
    """The text with a few changes: a character added, taken away, doubled, exchanged; or as it
    is. `others`: characters that are put in more often than any."""
    marks = list(given)
    for _ in range(chance.choice((0, 1, 1, 1, 2, 5))):
        at = chance.randrange(len(marks) + 1)
        new = chance.choice(others) if others and chance.random() < 0.7 else text(chance, 1)
        match chance.randrange(4):
            case 0:
                marks[at:at] = new
            case 1:
                del marks[at : at + chance.choice((1, 1, 3))]
            case 2:
                marks[at : at + 1] = new
            case _:
                marks[at:at] = marks[at : at + chance.randrange(1, 9)]
    return "".join(marks)
