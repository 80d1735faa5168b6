"""The rules by which verdicts are given and findings said, numbered, so that what was said by other
rules can be told from what is said now."""

from __future__ import annotations

from typing import Final

CHANGED: Final[dict[int, str]] = {
    1: "A verdict compares mean and expanded uncertainty with the tolerance, for a number of"
    " strips that was set before; how often a person looked was not counted.",
    2: "A verdict holds however often a person looks while a series runs; the full strength of a"
    " fixed number of strips is given only where that number was set before the first one. 1 strip"
    " shows nothing of how much the machine scatters. Rounding, the width of jaws and the scatter"
    " of single cuts are counted as they are.",
}
"""What each number of the rules changed, as a person reads it. A change of a verdict's or finding's
rule adds a number here."""

RULES: Final = max(CHANGED)
