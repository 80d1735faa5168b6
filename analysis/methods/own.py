"""Methods of the user's own, from plain data such as a TOML file."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final

from analysis.methods.built_in import METHODS
from analysis.methods.cautions import SAWING_CAUTIONS
from analysis.methods.record import Method, Place, Relation, Step, Term
from analysis.methods.sawing import DIFFERENCE, blade_tilt, cut_angle

_CUSTOM_FIELDS: Final = frozenset(
    {
        "key", "title", "summary", "places", "quantity", "terms", "baseline", "sided",
        "closed_jaws", "repeats", "cuts", "needs", "checks", "source",
    }
)  # fmt: skip


def custom_method(data: Mapping[str, object]) -> Method:
    """A method of the user's own with one or two readings, from plain data.

    `key`, `places` (one or two labels in reading order; the second minus the first is the
    deviation) and `quantity` ("angle", "tilt" or "length") are needed. An angle or a tilt
    also needs `terms`, a list of [coefficient, multiple] with deviation / base = sum of
    coefficient * tan(multiple * angle), and an angle needs `baseline`, the words for what
    is measured as the baseline; a tilt is taken over the thickness. Of two places, a length
    is the mean. Optional: `title`, `summary`, `sided`, `closed_jaws`, `repeats`, `needs`,
    `checks`, `source`, and `cuts`: how many cuts a trial averages, or the weight of each; 0 for
    none. Without it a trial averages as many cuts as `terms` count the error times, so that a
    single cut is never taken to be steadier than it is.

    Raises ValueError with a sentence that names the field.
    """
    unknown = sorted(str(name) for name in set(data) - _CUSTOM_FIELDS)
    if unknown:
        raise ValueError(f"{unknown[0]}: not a field of a method; use {_listed(_CUSTOM_FIELDS)}")
    key = _text(data, "key")
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", key):
        raise ValueError(f"key: {key!r} must be small letters, digits and hyphens")
    if key in METHODS:
        raise ValueError(f"key: {key!r} is a built-in method; choose another key")
    quantity = _text(data, "quantity")
    if quantity not in ("angle", "tilt", "length"):
        raise ValueError(f"quantity: {quantity!r} must be angle, tilt or length")
    places = _places(data.get("places"), quantity)
    two = len(places) == 2
    repeats = data.get("repeats", 1)
    if isinstance(repeats, bool) or not isinstance(repeats, int) or not 1 <= repeats <= 100:
        raise ValueError("repeats: must be a whole number from 1 to 100")
    relation = _custom_relation(data, quantity, two)
    sided = _flag(data, "sided", False)
    baseline = _text(data, "baseline", None if quantity == "angle" else "")
    return Method(
        key=key,
        title=_text(data, "title", key),
        summary=_text(data, "summary", ""),
        places=places,
        relations=(relation,),
        swap=(1, 0) if two else None,
        closed_jaws=_flag(data, "closed_jaws", True),
        default_repeats=repeats,
        baseline=baseline if quantity == "angle" else None,
        needs_thickness=quantity == "tilt",
        sided=sided,
        noun="strip" if sided else "measurement",
        cuts=_custom_cuts(data.get("cuts"), relation),
        steps=(Step("measure", "Read " + ", then ".join(p.label for p in places) + "."),),
        cautions=SAWING_CAUTIONS,
        needs=_text(data, "needs", ""),
        checks=_text(data, "checks", f"the {relation.words}"),
        source=_text(data, "source", "given by the user"),
        definition=dict(data),
    )


def _custom_relation(data: Mapping[str, object], quantity: str, two: bool) -> Relation:
    if quantity == "length":
        if "terms" in data:
            raise ValueError("terms: a length has none; leave it out")
        return Relation("length", (0.5, 0.5) if two else (1.0,))
    weights = DIFFERENCE if two else (1.0,)
    terms = _terms(data.get("terms"))
    if quantity == "tilt":
        return blade_tilt(weights, terms)
    return cut_angle(weights, terms, _text(data, "baseline"), 2 if two else 0)


_MOST_CUTS: Final = 200


def _custom_cuts(value: object, relation: Relation) -> tuple[float, ...]:
    if value is None:
        value = max(1, math.ceil(sum(t.coefficient * t.multiple for t in relation.terms) - 1e-9))
        value = min(value, _MOST_CUTS)
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= _MOST_CUTS:
        return (1 / value,) * value if value else ()
    if (
        isinstance(value, list | tuple)
        and 1 <= len(value) <= _MOST_CUTS
        and all(isinstance(w, int | float) and not isinstance(w, bool) for w in value)
        and all(0 < w <= 1 for w in value)
        and abs(math.fsum(value) - 1) <= 0.01
    ):
        return tuple(map(float, value))
    raise ValueError(
        f"cuts: give how many cuts a trial averages, 0 to {_MOST_CUTS}, or the weight of each, "
        "such as [0.5, 0.5], 1 together"
    )


def _listed(names: frozenset[str]) -> str:
    return ", ".join(sorted(names))


def _text(data: Mapping[str, object], name: str, default: str | None = None) -> str:
    value = data.get(name, default)
    if not isinstance(value, str) or (default is None and not value.strip()):
        raise ValueError(f"{name}: give it as words")
    return value.strip()


def _flag(data: Mapping[str, object], name: str, default: bool) -> bool:
    value = data.get(name, default)
    if not isinstance(value, bool):
        raise ValueError(f"{name}: must be true or false")
    return value


def _places(value: object, quantity: str) -> tuple[Place, ...]:
    if (
        not isinstance(value, list | tuple)
        or not 1 <= len(value) <= 2
        or not all(isinstance(label, str) and label.strip() for label in value)
    ):
        raise ValueError("places: give a list of 1 or 2 names, in reading order")
    labels = [str(label).strip() for label in value]
    if len(set(labels)) != len(labels):
        raise ValueError("places: the 2 names must differ")
    spots = (0.5,) if len(labels) == 1 else (0.0, 1.0)
    if quantity == "tilt":
        return tuple(Place(la, la, up=s) for la, s in zip(labels, spots, strict=True))
    return tuple(Place(la, la, along=s) for la, s in zip(labels, spots, strict=True))


def _terms(value: object) -> tuple[Term, ...]:
    wrong = "terms: give a list of 1 to 4 pairs [coefficient, multiple], such as [[2, 1]]"
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= 4:
        raise ValueError(wrong)
    terms = []
    for pair in value:
        if not isinstance(pair, list | tuple) or len(pair) != 2:
            raise ValueError(wrong)
        for number in pair:
            if isinstance(number, bool) or not isinstance(number, int | float):
                raise ValueError(wrong)
            # With positive terms the sum increases with the angle, so there is one solution.
            if not 0 < number <= 1000:
                raise ValueError("terms: each coefficient and multiple must be from 0 to 1000")
        terms.append(Term(float(pair[0]), float(pair[1])))
    return tuple(terms)
