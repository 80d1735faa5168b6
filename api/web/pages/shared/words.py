"""Words of this program as every page writes them."""

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
