"""Every result of a pulled package, computed again from the package alone, with nothing of this
project: its columns and the description of its series say how."""

from __future__ import annotations

import csv
import io
import json
import math
import zipfile
from collections.abc import Iterator
from statistics import fmean
from typing import Any


def results(package: bytes) -> Iterator[tuple[dict[str, str], dict[str, float | None]]]:
    """Each complete trial's row, and what its readings give: angle_deg, tilt_deg, length_mm,
    deviation_mm."""
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        table = {
            name.removesuffix(".csv"): list(
                csv.DictReader(io.StringIO(archive.read(name).decode(), newline=""))
            )
            for name in archive.namelist()
            if name.endswith(".csv")
        }
    lengths = {row["reading_id"]: float(row["reading_mm"]) for row in table["readings"]}
    series = {row["series_id"]: row for row in table["series"]}
    read: dict[str, dict[str, list[float]]] = {}
    for slot in table["trial_readings"]:
        places = read.setdefault(slot["trial_id"], {})
        places.setdefault(slot["place"], []).append(lengths[slot["reading_id"]])
    for trial in table["trials"]:
        places, said = read.get(trial["trial_id"], {}), series[trial["series_id"]]
        method = json.loads(said["definition"])
        if all(len(places.get(p, ())) == int(said["repeats"]) for p in method["places"]):
            yield trial, _computed(method, said, [fmean(places[p]) for p in method["places"]])


def _computed(
    method: dict[str, Any], said: dict[str, str], means: list[float]
) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    for relation in method["relations"]:
        contrast = math.fsum(w * m for w, m in zip(relation["weights"], means, strict=True))
        if not relation["terms"]:
            found["length_mm"] = contrast
            continue
        found.setdefault("deviation_mm", contrast)
        base = _base(relation, said)
        sign = -1 if method["sided"] and said["strip_side"] == "right" else 1
        pieces = int(said["pieces"] or method["pieces"] or 1)
        found[f"{relation['quantity']}_deg"] = (
            None if base is None else _angle(relation, pieces, contrast / (sign * base))
        )
    return found


def _base(relation: dict[str, Any], said: dict[str, str]) -> float | None:
    given = said[f"{relation['over']}_mm"]
    if not given or not relation["insets"]:
        return float(given) if given else None
    inset, jaws = float(said["inset_mm"]), float(said["jaw_width_mm"] or 0)
    return float(given) - inset - max(inset, jaws / 2)


def _angle(relation: dict[str, Any], pieces: int, ratio: float) -> float:
    """In degrees, by halving between the poles of the tangents that are next to zero."""
    terms = [
        (t["coefficient"], t["multiple"] * (pieces if t["per_piece"] else 1))
        for t in relation["terms"]
    ]
    high = math.pi / 2 / max(multiple for _, multiple in terms)
    low = -high
    for _ in range(100):
        a = (low + high) / 2
        there = sum(coefficient * math.tan(multiple * a) for coefficient, multiple in terms)
        if there / (math.cos(a) if relation["over_cosine"] else 1) < ratio:
            low = a
        else:
            high = a
    return math.degrees(a) - float(relation["nominal_deg"])
