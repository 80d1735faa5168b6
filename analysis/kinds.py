"""What kind of machine is meant, by what a person calls it."""

from __future__ import annotations

from typing import Final, Literal

Kind = Literal["a miter saw", "a radial arm saw", "a sled", "a table saw", "a planer"]

# By the words in what the kind is called, case, spaces and hyphens apart; the first that is found.
_KINDS: Final[tuple[tuple[tuple[str, ...], Kind], ...]] = (
    (("mitersaw", "mitresaw", "chopsaw"), "a miter saw"),
    (("radial",), "a radial arm saw"),
    (("sled",), "a sled"),
    (("tablesaw",), "a table saw"),
    (("planer", "thicknesser"), "a planer"),
)


def kinds_named(called: str | None) -> tuple[Kind, ...]:
    """The kinds that may be meant by `called`, the likeliest first; none where it says nothing."""
    said = (called or "").casefold().replace(" ", "").replace("-", "")
    return tuple(kind for words, kind in _KINDS if any(word in said for word in words))
