"""A machine's checks through the years as a picture: each one shown, whatever the years were."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from api.web.pages.machine.chart import Change, history_chart
from api.web.shapes.history import CreepOut, DriftOut, PhaseOut, ShiftOut
from tests.api.web.pages.pictures import of_class, parsed, words

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def phase(count: int, *, out: tuple[int, ...] = ()):
    return PhaseOut(
        start=0,
        stop=count,
        since=0,
        setup_changes=[],
        checks=count,
        centre=0.0,
        sigma=None,
        lower=None,
        upper=None,
        between=None,
        out=[UUID(int=n) for n in out],
        sentence="",
    )


def line(
    *values: float,
    phases: tuple[PhaseOut, ...] = (),
    days: int = 30,
    limits: tuple[float, float] | None = None,
) -> DriftOut:
    """A line of checks, one each so many days; limits: of each from the third on."""
    return DriftOut(
        method="reversal",
        quantity="angle",
        half=None,
        stop="square",
        nominal_deg=0,
        unit="deg",
        series=[UUID(int=n) for n in range(len(values))],
        at=[NOON + timedelta(days=days * n) for n in range(len(values))],
        values=list(values),
        expanded_uncertainty=[0.01] * len(values),
        expected=[limits if n > 1 else None for n in range(len(values))],
        phases=list(phases),
        suspected_shifts=[],
        creeps=[],
        sentence="Nothing moved.",
    )


def chart_of(*of, **more) -> str:
    return history_chart(*of, **more).svg


def steps(picture: str, name: str, letter: str) -> int:
    """How many strokes the one path of a class has."""
    (path,) = of_class(picture, name)
    return (path.get("d") or "").count(letter)


def test_every_check_has_its_dot_and_its_bar():
    picture = chart_of(line(0.1, 0.0, -0.1, phases=(phase(3),)), [], None, "Angle")
    assert (len(of_class(picture, "check")), steps(picture, "bars", "V")) == (3, 3)
    assert "Angle: 3 series. Nothing moved." in picture


def test_a_single_check_exactly_square_can_be_drawn():
    picture = chart_of(line(0.0, phases=(phase(1),)), [], None, "Angle")
    assert "nan" not in picture
    assert len(of_class(picture, "check")) == 1
    assert not of_class(picture, "centre")


def test_a_check_outside_the_limits_is_a_shape_of_its_own_and_no_dot_as_well():
    found = line(0.0, 0.01, 0.0, 0.3, phases=(phase(4, out=(3,)),), limits=(-0.05, 0.05))
    picture = chart_of(found, [], None, "Angle")
    assert len(of_class(picture, "outside")) == 1
    assert len(of_class(picture, "check")) == 3
    assert len(of_class(picture, "usual")) == 1
    assert len(of_class(picture, "control")) == 2


def test_limits_that_are_still_wide_do_not_press_the_picture_flat():
    wide = line(0.0, 0.01, 0.0, phases=(phase(3),), limits=(-90.0, 90.0))
    narrow = line(0.0, 0.01, 0.0, phases=(phase(3),))
    dots = [of_class(chart_of(of, [], None, "Angle"), "check") for of in (wide, narrow)]
    assert [d.get("cy") for d in dots[0]] == [d.get("cy") for d in dots[1]]
    (band,) = of_class(chart_of(wide, [], None, "Angle"), "usual")
    heights = {float(p.split()[1]) for p in band.get("d").replace("M", "L").split("L") if p}
    assert min(heights) >= 0
    assert max(heights) <= 100


@pytest.mark.parametrize(("limit", "drawn"), [(0.2, 2), (5.0, 0)])
def test_a_tolerance_far_wider_than_all_that_happened_is_left_out(limit, drawn):
    picture = chart_of(line(0.1, -0.1), [], (-limit, limit), "Angle")
    assert len(of_class(picture, "limit")) == drawn


def test_a_setup_change_after_the_last_check_is_seen_and_one_before_the_first_is_not():
    changes = [Change(1, NOON - timedelta(days=900)), Change(2, NOON + timedelta(days=300))]
    picture = chart_of(line(0.1, 0.0), changes, None, "Angle")
    assert [e.text for e in of_class(picture, "change-word")] == ["2"]
    assert len(of_class(picture, "change")) == 1


def test_numbers_that_would_run_into_one_another_stand_together():
    changes = [Change(n, NOON + timedelta(days=n)) for n in range(1, 16)]
    picture = chart_of(line(0.1, 0.0), changes, None, "Angle")
    assert len(of_class(picture, "change")) == 15
    shown = [e.text for e in of_class(picture, "change-word")]
    assert len(shown) < 15
    assert shown[0].startswith("1–")
    assert shown[-1].endswith("15")


def test_a_suspected_shift_that_is_sure_to_a_day_is_still_wide_enough_to_see():
    found = line(0.0, 0.2)
    at = found.at[1]
    found.suspected_shifts.append(
        ShiftOut(
            phase=0,
            series=found.series[1],
            at=at,
            first=found.series[1],
            first_at=at,
            last=found.series[1],
            last_at=at,
            told_at=found.series[1],
            before=0.0,
            after=0.2,
            p=0.01,
            sentence="",
        )
    )
    picture = chart_of(found, [], None, "Angle")
    (band,) = of_class(picture, "suspect")
    assert band.get("width") == "1.60%"
    assert "?" in words(picture)


def test_a_creep_is_a_line_from_where_it_began_to_where_it_has_come():
    found = line(0.0, 0.1, 0.2)
    found.creeps.append(
        CreepOut(
            phase=0,
            first=found.series[0],
            first_at=found.at[0],
            last=found.series[2],
            last_at=found.at[2],
            told_at=found.series[2],
            before=0.0,
            after=0.2,
            sentence="",
        )
    )
    assert len(of_class(chart_of(found, [], None, "Angle"), "creep")) == 1


@pytest.mark.parametrize("days", [1, 7, 30, 365, 3650])
def test_a_date_or_a_few_stand_below_any_span_of_time(days):
    picture = chart_of(line(0.1, 0.0, 0.1, days=days), [], None, "Angle")
    dates = [e for e in parsed(picture).iter() if e.get("dy") == "1.4em"]
    assert 1 <= len(dates) <= 7
    assert len({e.text for e in dates}) == len(dates)
