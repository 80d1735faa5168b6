"""Which names of passes a person takes for the same."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

# Default_Ignorable_Code_Point (Unicode, DerivedCoreProperties), and the empty pattern of Braille:
# nothing of them is seen.
_NOT_SEEN: Final = re.compile(
    "[\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u202a-\u202e\u2060-\u206f"
    "\u2800\u3164\ufe00-\ufe0f\ufeff\uffa0\ufff0-\ufff8\U0001bca0-\U0001bca3\U0001d173-\U0001d17a"
    "\U000e0000-\U000e0fff]"
)


def alike(name: str) -> str:
    """`name` as it is compared: whatever its case, spaces, the composition of its letters (NFKC,
    UAX 15) and what is not seen of it. Letters of two alphabets that look the same differ."""
    seen = _NOT_SEEN.sub("", name)
    return " ".join(unicodedata.normalize("NFKC", seen).casefold().split())
