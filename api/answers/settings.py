"""The settings of a new series, checked before it begins."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Row

from analysis.geometry import at_stop, series_values
from analysis.methods import METHODS, Method, Side, custom_method, method
from analysis.sentences import plain
from analysis.units import NM_PER_MM, Unit, mm, parse_length
from api.answers.typed_lengths import plain_of
from api.errors import InvalidField
from api.store.facts import method_of, tolerance_of
from api.store.new_series import NewSeries
from capture.spec import MAIN_BENCH

LONGEST_NOTE = 4000
LONGEST_NAME = 200
UNSEEN = (
    r"\u0000-\u001f\u007f-\u00a0\u00ad\u034f\u061c\u115f\u1160\u1680\u17b4\u17b5\u180e\u2000-\u200f"
    r"\u2028-\u202f\u205f-\u206f\u2800\u3000\u3164\ufeff\uffa0\ufff9-\uffff"
)
"""What no name may hold, as a class of a regular expression has it, in Python and in ECMA-262:
controls, spaces and blanks but the plain one, marks that turn or join what stands beside them.
What is not yet assigned may become a letter."""
_PLAIN = re.compile(f"[^{UNSEEN}]*")
# Wider than the jaws of any caliper.
LONGEST_JAWS_MM = 100.0
CLOSED_DEG = 0.1
"""How far the corners of a frame may miss a full turn by a stop's rounded angle, in degrees."""
# A frame has three pieces at least.
FEWEST_PIECES, MOST_PIECES = 3, 100
# Nobody plans more in one series; a greater number is a slip.
MOST_STRIPS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedSeries:
    """A series as it is asked for: lengths as text in `unit`; fields as `NewSeries`. nominal_deg,
    bevel_deg: of its stop."""

    method: str
    bench: str = MAIN_BENCH
    baseline: str | None = None
    thickness: str | None = None
    unit: Unit | None = None
    inset: str = "0"
    strip_side: Side | None = None
    repeats: int | None = None
    pieces: int | None = None
    tolerance_deg: str | None = None
    tolerance_gap: str | None = None
    tolerance_joint: str | None = None
    tolerance_length: str | None = None
    tolerance_nominal: str | None = None
    note: str | None = None
    person: str | None = None
    baseline_within: str | None = None
    inset_within: str | None = None
    straightness: str | None = None
    thickness_within: str | None = None
    jaw_width: str | None = None
    strips: int | None = None
    stop_id: UUID | None = None
    nominal_deg: str = "0"
    bevel_deg: str = "0"


# Lengths that say how far off others may be.
_WITHIN: Final = ("baseline_within", "thickness_within", "inset_within", "straightness")
LENGTHS: Final = (
    *("baseline", "thickness", "inset", *_WITHIN),
    *("tolerance_gap", "tolerance_joint", "tolerance_length", "tolerance_nominal"),
)
"""The settings of a series that are kept as lengths in its unit."""


def is_plain(name: str) -> bool:
    """Whether a name shows all that it holds."""
    return _PLAIN.fullmatch(name) is not None


def new_series(
    asked: AskedSeries,
    machine_id: UUID,
    methods: Mapping[str, Method] = METHODS,
    jaw_width_nm: int | None = None,
) -> NewSeries:
    """`asked`, checked. jaw_width_nm: of the caliper, where the series says none itself.

    Raises InvalidField naming the field that can't be right.
    """
    try:
        follows = method(asked.method, methods)
    except ValueError as error:
        raise InvalidField("method", _plain(error)) from None
    unit, side = _unit(asked), asked.strip_side or "left"
    if follows.sided and asked.strip_side is None:
        raise InvalidField(
            "strip_side",
            "say to which side of the blade the strip fell at the last cut, left or right:"
            " it sets the sign",
        )
    asked = replace(asked, **plain_of(asdict(asked), LENGTHS, unit))
    baseline = _length("baseline", asked.baseline, unit)
    thickness = _length("thickness", asked.thickness, unit)
    inset = _length("inset", asked.inset, unit) or _Length("0", 0)
    jaws = jaws_nm(asked.jaw_width, unit)
    if jaws is not None:
        jaw_width_nm = jaws
    if not any(relation.insets for relation in follows.relations):
        jaw_width_nm = None
    for field in _WITHIN:
        bound = _length(field, getattr(asked, field), unit)
        if bound is not None and bound.nm < 0:
            raise InvalidField(field, f"{bound.text} {unit} must be zero or more")
    if follows.baseline is not None and baseline is None:
        raise InvalidField("baseline", f"{follows.title} needs the {follows.baseline}; give it")
    if follows.needs_thickness and thickness is None:
        raise InvalidField("thickness", f"{follows.title} needs the board's thickness; give it")
    if asked.pieces is not None and follows.pieces is None:
        raise InvalidField("pieces", f"{follows.title} has no pieces to count; leave it out")
    at = measures_stop(
        follows, float(asked.nominal_deg), float(asked.bevel_deg), asked.pieces or follows.pieces
    )
    _try_geometry(at, baseline, thickness, inset, unit, side, asked.pieces, jaw_width_nm)
    _check_bounds(asked, baseline, thickness, inset, unit)
    new = NewSeries(
        machine_id=machine_id,
        bench=asked.bench,
        method=follows,
        unit=unit,
        baseline=baseline.text if baseline else None,
        baseline_nm=baseline.nm if baseline else None,
        thickness=thickness.text if thickness else None,
        thickness_nm=thickness.nm if thickness else None,
        inset=inset.text,
        inset_nm=inset.nm,
        strip_side=side,
        repeats=asked.repeats or follows.default_repeats,
        pieces=asked.pieces or follows.pieces,
        tolerance_deg=asked.tolerance_deg,
        tolerance_gap=asked.tolerance_gap,
        tolerance_joint=asked.tolerance_joint,
        tolerance_length=asked.tolerance_length,
        tolerance_nominal=asked.tolerance_nominal,
        note=asked.note,
        person=asked.person,
        baseline_within=asked.baseline_within,
        inset_within=asked.inset_within,
        straightness=asked.straightness,
        thickness_within=asked.thickness_within,
        jaw_width_nm=jaw_width_nm,
        strips=asked.strips,
        stop_id=asked.stop_id,
    )
    _check_tolerance(new)
    return new


def measures_stop(follows: Method, nominal: float, bevel: float, pieces: int | None) -> Method:
    """The method as it measures a stop of these angles, in degrees; pieces: of its frame, None
    where it has none. Raises InvalidField where it does not."""
    try:
        at = at_stop(follows, nominal, bevel)
    except ValueError as error:
        raise InvalidField("stop", _plain(error)) from None
    if pieces and nominal and bevel:
        raise InvalidField(
            "stop",
            f"{follows.title} measures an angle or a bevel, not both at once; make a stop for each",
        )
    corner = abs(nominal or bevel)
    if corner and pieces and abs(corner * pieces - 180) > CLOSED_DEG:
        raise InvalidField(
            "pieces",
            f"{pieces} pieces close a frame at a stop of {plain(180 / pieces, 4)} degrees, and this"
            f" one is at {plain(corner)}; give the number of pieces that it closes, or choose the"
            " stop",
        )
    return at


def _check_bounds(
    asked: AskedSeries,
    baseline: _Length | None,
    thickness: _Length | None,
    inset: _Length,
    unit: Unit,
) -> None:
    """A length that may be off by all of itself says nothing; nor does what is left of a cut."""
    cut = None if baseline is None else _Length(baseline.text, baseline.nm // 2 - inset.nm)
    for field, length in (
        ("baseline_within", baseline),
        ("thickness_within", thickness),
        ("inset_within", cut),
    ):
        bound = _length(field, getattr(asked, field), unit)
        if bound is not None and length is not None and bound.nm >= length.nm:
            raise InvalidField(
                field,
                f"a length of {length.text} {unit} that may be off by {bound.text} {unit} shows"
                " nothing; check number and unit",
            )


# The columns of a series that `AskedSeries` has by the same name.
_SAME: Final = frozenset(field.name for field in fields(AskedSeries)) - {"bench", "jaw_width"}


def as_asked(columns: Mapping[str, Any]) -> AskedSeries:
    """A series as it would be asked for, from the columns of `tables.Series`; its bench is not
    said."""
    return AskedSeries(**{name: columns[name] for name in _SAME})


def same_settings(row: Row[Any]) -> NewSeries:
    """The settings of a series that was measured, for another that is made of its trials. How many
    strips were planned is not among them: the number was not chosen before these were read."""
    follows = method_of(row)
    asked = replace(as_asked(dict(row._mapping)), strips=None)
    made = new_series(asked, row.machine_id, {follows.key: follows}, row.jaw_width_nm)
    return replace(made, readings_unit=row.readings_unit, work_id=row.work_id)


def alike(row: Row[Any], methods: Mapping[str, Method]) -> list[Method]:
    """The methods that read the same places as that of a series, its own among them."""
    own = method_of(row)
    known = {own.key: own} | dict(methods)
    return [each for each in known.values() if _read(each) == _read(own)]


def _read(of: Method) -> tuple[Any, ...]:
    """How a method's readings are taken."""
    return [place.key for place in of.places], of.swap, of.closed_jaws


def corrected_method(row: Row[Any], key: str, methods: Mapping[str, Method]) -> dict[str, Any]:
    """The settings that correct the method of a series: what was read stays in its places.

    Raises InvalidField where there is no such method, or it reads other places.
    """
    try:
        follows = method(key, methods)
    except ValueError as error:
        raise InvalidField("method", _plain(error)) from None
    before = method_of(row)
    if _read(follows) != _read(before):
        raise InvalidField(
            "method",
            f"{follows.title} does not read the places that {before.title} read; start a series"
            " of its own",
        )
    settings: dict[str, Any] = {"method": follows.definition or follows.key}
    if follows.pieces != before.pieces:
        settings["pieces"] = follows.pieces
    if not any(relation.insets for relation in follows.relations):
        settings["jaw_width"] = None
    return settings


_TOLERANCES: Final = (
    ("tolerance_deg",),
    ("tolerance_gap", "tolerance_joint"),
    ("tolerance_length", "tolerance_nominal"),
)
TOLERANCES: Final = tuple(name for kind in _TOLERANCES for name in kind)
"""The settings of a series that say what is good enough."""


def only_tolerance(given: Mapping[str, Any]) -> dict[str, Any]:
    """The tolerances that no longer hold with those `given`: of the other kinds, and the partner of
    one that is cleared; none that is given itself."""
    cleared: set[str] = set()
    for kind in _TOLERANCES:
        named = [name for name in kind if name in given]
        if any(given[name] is None for name in named):
            cleared.update(kind)
        elif named:
            cleared.update(name for other in _TOLERANCES if other != kind for name in other)
    return {name: None for name in cleared if name not in given}


def check_settings(columns: Mapping[str, Any], methods: Mapping[str, Method] = METHODS) -> None:
    """Check the settings of a series that was measured, as a correction would make them.

    columns: those of `tables.Series`. Raises InvalidField naming the field that can't be right.
    """
    known = dict(methods)
    definition = columns["method_data"]
    if definition is not None:
        known[columns["method"]] = custom_method(definition)
    jaws = columns["jaw_width_nm"]
    follows = new_series(as_asked(columns), columns["machine_id"], known, jaws).method
    if jaws is not None and not any(relation.insets for relation in follows.relations):
        raise InvalidField("jaw_width", f"{follows.title} does not ask for it; leave it out")


def jaws_nm(text: str | None, unit: Unit) -> int | None:
    """The width of a caliper's flat jaws, in nm; None where it is not said.

    Raises InvalidField where no caliper has such jaws.
    """
    if text is None or not text.strip():
        return None
    width = _nm("jaw_width", text, unit)
    if width < 0:
        raise InvalidField("jaw_width", f"{text} {unit} must be zero or more")
    if mm(width) > LONGEST_JAWS_MM:
        raise InvalidField(
            "jaw_width",
            f"{text} {unit} is wider than the jaws of any caliper; check number and unit",
        )
    return width


def _plain(error: ValueError) -> str:
    """What an error of the analysis says, without the field that it begins with."""
    field, _, message = str(error).partition(": ")
    return message or field


@dataclass(frozen=True, slots=True)
class _Length:
    text: str
    nm: int


def _length(field: str, text: str | None, unit: Unit) -> _Length | None:
    return None if text is None else _Length(text, _nm(field, text, unit))


def _nm(field: str, text: str, unit: Unit) -> int:
    try:
        return parse_length(text, unit)
    except ValueError as error:
        raise InvalidField(field, str(error)) from None


def _unit(asked: AskedSeries) -> Unit:
    """The unit given; millimetres where there is no length that it would be the unit of."""
    if asked.unit is not None:
        return asked.unit
    lengths = (
        "baseline",
        "thickness",
        "tolerance_gap",
        "tolerance_length",
        *_WITHIN,
        "jaw_width",
    )
    if any(getattr(asked, name) is not None for name in lengths) or asked.inset != "0":
        raise InvalidField("unit", "say in which unit the lengths are, 'mm' or 'in'")
    return "mm"


def _try_geometry(
    follows: Method,
    baseline: _Length | None,
    thickness: _Length | None,
    inset: _Length,
    unit: Unit,
    side: Side,
    pieces: int | None,
    jaw_width_nm: int | None,
) -> None:
    """Solve for a strip with parallel faces, so that the analysis rejects lengths now."""
    for field, length in (("baseline", baseline), ("thickness", thickness)):
        if length is not None and length.nm <= 0:
            raise InvalidField(field, f"{length.text} {unit} must be greater than zero")
        if length is not None and length.nm < NM_PER_MM:
            raise InvalidField(
                field, f"{length.text} {unit} is less than a millimetre; check number and unit"
            )
    if inset.nm < 0:
        raise InvalidField("inset", f"{inset.text} {unit} must be zero or more")
    if baseline is not None and 2 * inset.nm >= baseline.nm:
        raise InvalidField(
            "inset",
            f"{inset.text} {unit} at each end leaves nothing of a cut"
            f" {baseline.text} {unit} long; give a smaller inset",
        )
    try:
        series_values(
            follows,
            [[[1.0]] * len(follows.places)],
            mm(baseline.nm) if baseline else None,
            mm(thickness.nm) if thickness else None,
            mm(inset.nm),
            side,
            pieces,
            None if jaw_width_nm is None else mm(jaw_width_nm),
        )
    except ValueError as error:
        field, _, message = str(error).partition(": ")
        raise InvalidField(field if message else "series", message or field) from None


# The settings of a tolerance in words, where one is named beside the field that was refused.
_CALLED: Final = {
    "tolerance_deg": "the angle",
    "tolerance_gap": "the gap",
    "tolerance_joint": "the length of the joint",
    "tolerance_length": "how far the length may be off",
    "tolerance_nominal": "the nominal length",
}


def _check_tolerance(new: NewSeries) -> None:
    given = [
        name
        for name in ("tolerance_deg", "tolerance_gap", "tolerance_length")
        if getattr(new, name) is not None
    ]
    if len(given) > 1:
        raise InvalidField(given[1], f"give one tolerance only, this or {_CALLED[given[0]]}")
    for name, partner in (
        ("tolerance_gap", "tolerance_joint"),
        ("tolerance_length", "tolerance_nominal"),
    ):
        for one, other in ((name, partner), (partner, name)):
            if getattr(new, one) is not None and getattr(new, other) is None:
                raise InvalidField(other, f"is needed with {_CALLED[one]}")
    if not given:
        return
    reveals = new.method.reveals
    if given == ["tolerance_length"] and "length" not in reveals:
        raise InvalidField(
            given[0],
            f"{new.method.title} shows an angle; say how far it may be off, or a gap and its joint",
        )
    if given != ["tolerance_length"] and reveals == ("length",):
        raise InvalidField(
            given[0],
            f"{new.method.title} shows a length; give its nominal length and how far it may be off",
        )
    try:
        tolerance_of(new)
    except ValueError as error:
        raise InvalidField(given[0], _plain(error)) from None
