"""What the headings of a notebook's columns mean."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from analysis.methods import Method
from analysis.units import UNIT_WORDS, Unit

WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "date": ("date", "day", "when", "taken", "taken at"),
    "time": ("time", "hour"),
    "machine": ("machine", "saw", "tool"),
    "kind": ("kind", "machine kind", "kind of machine"),
    "method": ("method", "test", "check"),
    "baseline": (
        "cut length",
        "length of cut",
        "length of the cut",
        "baseline",
        "board width",
        "width",
        "length",
    ),
    "thickness": ("thickness", "board thickness"),
    "inset": ("inset",),
    "unit": ("unit", "units"),
    "strip_side": ("strip side", "side", "strip fell", "strip fell to"),
    "pieces": ("pieces",),
    "series": ("series", "setup", "set up"),
    "series_id": ("series id",),
    "stop": ("stop",),
    "nominal_deg": ("nominal deg", "nominal angle"),
    "bevel_deg": ("bevel deg", "bevel"),
    "visit": ("visit",),
    "work": ("work",),
    "state": ("state",),
    "readings": ("readings",),
    "caliper": ("caliper", "instrument"),
    "person": ("person", "who", "measured by"),
    "note": ("note", "notes", "remark", "remarks", "comment"),
}
"""The heading words that are understood, for each field that a column can hold."""

_PLAIN: Final = {"baseline": "cut length", "nominal_deg": "nominal angle", "bevel_deg": "bevel"}

_FIELD_OF: Final = {word: name for name, words in WORDS.items() for word in words}
_HEADING_UNIT: Final = re.compile(
    r"[\s_]*[(\[]?\s*(?<![^\W_])(mm|in|inch|inches)\s*[)\]]?$", re.IGNORECASE
)
_NUMBERED: Final = re.compile(r"(.*?)\s*([1-9][0-9]?)")
_LONGEST_HEADING: Final = 100  # characters; none that is understood is as long


@dataclass(frozen=True, slots=True)
class Column:
    """What a column holds: a field of WORDS, or readings of `place` (or of no named place)."""

    field: str
    unit: Unit | None = None
    place: str = ""
    number: int = 1


def heading_of(name: str) -> str:
    """The heading by which a person says a field; for all but these it is the field's name."""
    return _PLAIN.get(name, name.replace("_", " "))


def columns_of(headings: Sequence[str], places: Mapping[str, str]) -> list[Column | None]:
    """What each heading means. A pull of trials says beside the length of the cut, which was set,
    the length that was found; that is not loaded."""
    words = [heading.strip().lower() for heading in headings]
    found = "length_mm" if "baseline_mm" in words else None
    return [None if word == found else column_of(word, places) for word in words]


def column_of(heading: str, places: Mapping[str, str]) -> Column | None:
    """None where it is not understood. places: as `headings_of_places` gives them."""
    unit: Unit | None = None
    words = " ".join(heading.lower().split())
    if len(words) > _LONGEST_HEADING:
        return None
    if found := _HEADING_UNIT.search(words):
        unit, words = UNIT_WORDS[found[1]], words[: found.start()]
    words = " ".join(re.findall(r"[^\W_]+", words))
    if words in _FIELD_OF:
        return Column(_FIELD_OF[words], unit)
    place, number = words, 1
    if found := _NUMBERED.fullmatch(words):
        place, number = found[1], int(found[2])
    if place in ("reading", "r"):
        return Column("reading", unit, number=number)
    if place in places:
        return Column("reading", unit, places[place], number)
    return None


def headings_of_places(methods: Iterable[Method]) -> dict[str, str]:
    """The headings that name a place: its key, its label, its key's first word alone."""
    found: dict[str, str] = {}
    for method in methods:
        firsts = Counter(place.key.split()[0] for place in method.places)
        for place in method.places:
            words = [place.key, place.label]
            if firsts[place.key.split()[0]] == 1:
                words.append(place.key.split()[0])
            for word in words:
                found.setdefault(" ".join(re.findall(r"[^\W_]+", word.lower())), place.key)
    return found
