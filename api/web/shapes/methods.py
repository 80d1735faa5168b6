"""What a method measures, and how."""

from __future__ import annotations

from typing import Literal

from api.web.shapes import Out


class PlaceOut(Out):
    key: str
    label: str
    along: float
    up: float


class MethodOut(Out):
    """cuts: the weight of each cut in the value of a trial; of a method of several pieces those of
    one piece, each then divided by their number; none where nothing is cut. ways: by quantity, what
    stands beside a positive and a negative number of it: "leans right". judges: a machine, the hand
    that holds the caliper, or the caliper itself."""

    key: str
    title: str
    summary: str
    places: list[PlaceOut]
    baseline: str | None
    optional_baseline: str | None
    needs_thickness: bool
    sided: bool
    noun: str
    reveals: list[str]
    ways: dict[str, list[str]]
    closed_jaws: bool
    default_repeats: int
    pieces: int | None
    cuts: list[float]
    cautions: list[str]
    traps: list[str]
    judges: Literal["machine", "hand", "caliper"]
