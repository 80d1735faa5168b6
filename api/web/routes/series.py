"""Series: begun, finished, and what their trials say."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from fastapi import APIRouter

from analysis.geometry import series_values
from analysis.methods import Method, Side, method
from analysis.units import NM_PER_MM, Unit, mm, parse_length
from api.answers import series
from api.answers.methods import definition
from api.errors import InvalidField
from api.store.facts import tolerance_of
from api.store.journal import NewSeries
from api.web import convert
from api.web.deps import TheServer, TheStore
from api.web.routes.machines import machine_named
from api.web.shapes import SeriesChangeIn, SeriesIn, SeriesOut

router = APIRouter(tags=["series"])


@router.post("/series", status_code=201)
def start_series(body: SeriesIn, shop: TheServer) -> SeriesOut:
    """Begin a series: its bench feeds it from now on."""
    machine = machine_named(shop, body.machine)
    series_id = shop.journal.start(new_series(body, machine.id))
    with shop.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.get("/series/{series_id}")
def get_series(series_id: UUID, store: TheStore) -> SeriesOut:
    return convert.series_out(series.series(store, series_id))


@router.patch("/series/{series_id}")
def change_series(series_id: UUID, body: SeriesChangeIn, shop: TheServer) -> SeriesOut:
    """Change the note of a series; what was measured stays as it was."""
    shop.journal.note(series_id, body.note or None)
    with shop.reading() as store:
        return convert.series_out(series.series(store, series_id))


@router.post("/series/{series_id}/finish")
def finish_series(series_id: UUID, shop: TheServer) -> SeriesOut:
    """End a series; one that has ended stays as it is."""
    shop.journal.finish(series_id)
    with shop.reading() as store:
        return convert.series_out(series.series(store, series_id))


def new_series(body: SeriesIn, machine_id: UUID) -> NewSeries:
    """The settings in `body`, checked. Raises InvalidField naming the field that can't be right."""
    try:
        follows = method(body.method)
    except ValueError as error:
        raise InvalidField("method", _plain(error)) from None
    unit, side = _unit(body), body.strip_side or "left"
    if follows.sided and body.strip_side is None:
        raise InvalidField(
            "strip_side",
            "say to which side of the blade the strip fell at the last cut, left or right:"
            " it sets the sign",
        )
    baseline = _length("baseline", body.baseline, unit)
    thickness = _length("thickness", body.thickness, unit)
    inset = _length("inset", body.inset, unit) or _Length("0", 0)
    for field in ("baseline_within", "inset_within", "straightness"):
        bound = _length(field, getattr(body, field), unit)
        if bound is not None and bound.nm < 0:
            raise InvalidField(field, f"{bound.text} {unit} must be zero or more")
    if follows.baseline is not None and baseline is None:
        raise InvalidField("baseline", f"{follows.title} needs the {follows.baseline}; give it")
    if follows.needs_thickness and thickness is None:
        raise InvalidField("thickness", f"{follows.title} needs the board's thickness; give it")
    if body.pieces is not None and follows.pieces is None:
        raise InvalidField("pieces", f"{follows.title} has no pieces to count; leave it out")
    _try_geometry(follows, baseline, thickness, inset, unit, side, body.pieces)
    new = NewSeries(
        machine_id=machine_id,
        bench=body.bench,
        method=follows,
        unit=unit,
        baseline=baseline.text if baseline else None,
        baseline_nm=baseline.nm if baseline else None,
        thickness=thickness.text if thickness else None,
        thickness_nm=thickness.nm if thickness else None,
        inset=inset.text,
        inset_nm=inset.nm,
        strip_side=side,
        repeats=body.repeats or follows.default_repeats,
        pieces=body.pieces or follows.pieces,
        tolerance_deg=body.tolerance_deg,
        tolerance_gap=body.tolerance_gap,
        tolerance_joint=body.tolerance_joint,
        tolerance_length=body.tolerance_length,
        tolerance_nominal=body.tolerance_nominal,
        note=body.note,
        person=body.person,
        method_data=definition(follows.key),
        baseline_within=body.baseline_within,
        inset_within=body.inset_within,
        straightness=body.straightness,
    )
    _check_tolerance(new)
    return new


def _plain(error: ValueError) -> str:
    """What an error of the analysis says, without the field that it begins with."""
    field, _, message = str(error).partition(": ")
    return message or field


@dataclass(frozen=True, slots=True)
class _Length:
    text: str
    nm: int


def _length(field: str, text: str | None, unit: Unit) -> _Length | None:
    if text is None:
        return None
    try:
        return _Length(text, parse_length(text, unit))
    except ValueError as error:
        raise InvalidField(field, str(error)) from None


def _unit(body: SeriesIn) -> Unit:
    """The unit given; millimetres where there is no length that it would be the unit of."""
    if body.unit is not None:
        return body.unit
    lengths = (
        "baseline",
        "thickness",
        "tolerance_gap",
        "tolerance_length",
        "baseline_within",
        "inset_within",
        "straightness",
    )
    if any(getattr(body, name) is not None for name in lengths) or body.inset != "0":
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
) -> None:
    """Solve for a strip with parallel faces, so that the analysis says now what it can't take."""
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
        )
    except ValueError as error:
        field, _, message = str(error).partition(": ")
        raise InvalidField(field if message else "series", message or field) from None


def _check_tolerance(new: NewSeries) -> None:
    given = [
        name
        for name in ("tolerance_deg", "tolerance_gap", "tolerance_length")
        if getattr(new, name) is not None
    ]
    if len(given) > 1:
        raise InvalidField(given[1], f"give one tolerance only, this or {given[0]}")
    for name, partner in (
        ("tolerance_gap", "tolerance_joint"),
        ("tolerance_length", "tolerance_nominal"),
    ):
        for one, other in ((name, partner), (partner, name)):
            if getattr(new, one) is not None and getattr(new, other) is None:
                raise InvalidField(other, f"is needed with {one}")
    if not given:
        return
    reveals = new.method.reveals
    if given == ["tolerance_length"] and "length" not in reveals:
        raise InvalidField(
            given[0], f"{new.method.title} reveals an angle; give tolerance_deg or _gap"
        )
    if given != ["tolerance_length"] and reveals == ("length",):
        raise InvalidField(given[0], f"{new.method.title} reveals a length; give tolerance_length")
    try:
        tolerance_of(new)
    except ValueError as error:
        raise InvalidField(given[0], _plain(error)) from None
