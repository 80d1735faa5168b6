"""Words that every page writes the same way."""

from __future__ import annotations

from typing import Final

FLAGS: Final = {
    "ends swapped": "ends swapped",
    "unit changed": "the unit changed",
    "unit slip?": "unit mixed up?",
    "negative": "negative",
    "beyond jaws": "longer than the jaws open",
    "late": "came late",
}
