"""The pretend saw cuts by the relations that the analysis inverts; the caliper sends bytes."""

from __future__ import annotations

import math
import os
import statistics
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from analysis.geometry import series_values
from analysis.methods import METHODS, Side, custom_method
from analysis.units import parse_length
from capture.pretend import (
    Board,
    Caliper,
    PretendBench,
    PretendCaliper,
    PtyPort,
    Quirks,
    Saw,
    TcpPort,
    parse_mm,
    received_at,
    strip_widths,
)
from capture.values import Value, read_value
from tests.ptys import plugged, until

REVERSAL, ROLL, STOP_BLOCK = (METHODS[key] for key in ("reversal", "roll", "stop-block"))


def _at(board: Board) -> tuple[float, float]:
    """From the fence to where the jaws touch first and last."""
    return board.inset_mm, board.width_mm - board.inset_mm


# Each method's own formula: the difference of the first and another place, or the gap itself,
# for a strip that fell to the left; e the angle, t the tilt, in radians.
BY_HAND: dict[str, Callable[[float, float, Board], list[float]]] = {
    "reversal": lambda e, _t, b: [2 * (_at(b)[1] - _at(b)[0]) * math.tan(e)],
    "half-turn": lambda _e, t, b: [2 * b.thickness_mm * math.tan(t)],
    "roll": lambda e, t, b: [
        2 * y * math.tan(e) + 2 * z * math.tan(t)
        for y in (0.0, _at(b)[1] - _at(b)[0])
        for z in (0.0, b.thickness_mm)
    ][1:],
    "five-cut": lambda e, _t, b: [(_at(b)[1] - _at(b)[0]) * (math.tan(e) + math.tan(3 * e))],
    "blade-to-slot": lambda e, _t, b: [b.width_mm * math.tan(e)],
    "planed-thickness": lambda e, _t, b: [(_at(b)[1] - _at(b)[0]) * math.tan(e)],
    "closing-miters": lambda e, _t, b: [b.width_mm * math.tan(2 * b.pieces * e)],
    "stop-block": lambda _e, _t, _b: [],
    "known-block": lambda _e, _t, _b: [],
    "same-spot": lambda _e, _t, _b: [],
    "miter-pair": lambda e, _t, b: [b.width_mm * 2 * math.tan(2 * e)],
    "reversed-square": lambda e, _t, b: [b.width_mm * 2 * math.tan(e)],
    "three-edges": lambda _e, _t, _b: [0.0, 0.0, 0.0],
    "run-out": lambda _e, _t, _b: [0.0],
    "rebate-depth": lambda _e, _t, _b: [],
}


@pytest.mark.parametrize("key", sorted(METHODS))
@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("inset", [0.0, 3.0])
def test_a_strip_is_as_each_methods_own_formula_says(key: str, side: Side, inset: float) -> None:
    board = Board(inset_mm=inset, strip_side=side, pieces=6)
    widths = strip_widths(METHODS[key], Saw(0.7, 0.0, tilt_deg=-0.3), board)
    sign = -1 if side == "right" and METHODS[key].sided else 1
    told = list(widths) if len(widths) == 1 else [w - widths[0] for w in widths[1:]]
    wanted = [sign * d for d in BY_HAND[key](math.radians(0.7), math.radians(-0.3), board)]
    assert told == pytest.approx(wanted or [board.strip_mm], abs=1e-12)


@pytest.mark.parametrize("key", sorted(METHODS))
@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("angle", [-2.0, -0.001, 0.0, 0.08, 3.0])
@pytest.mark.parametrize("inset", [0.0, 3.0])
def test_the_angle_put_in_comes_back_out(key: str, side: Side, angle: float, inset: float) -> None:
    saw = Saw(angle_deg=angle, tilt_deg=-0.4 * angle, scatter_deg=0.0)
    board = Board(inset_mm=inset, strip_side=side)
    widths = strip_widths(METHODS[key], saw, board)
    assert len(widths) == len(METHODS[key].places)
    values = series_values(
        METHODS[key],
        [widths],
        baseline_mm=board.width_mm,
        thickness_mm=board.thickness_mm,
        inset_mm=inset,
        strip_side=side,
        pieces=board.pieces if METHODS[key].pieces else None,
    )
    reveals = METHODS[key].reveals
    if "angle" in reveals:
        assert math.degrees(values.angle_rad[0]) == pytest.approx(angle, abs=1e-9)
    if "tilt" in reveals:
        assert math.degrees(values.tilt_rad[0]) == pytest.approx(-0.4 * angle, abs=1e-9)
    if reveals == ("length",):
        # A difference of places is pretended to be nothing.
        length = board.strip_mm * sum(METHODS[key].relations[0].weights)
        assert values.length_mm[0] == pytest.approx(length, abs=1e-9)


def test_a_cut_that_leans_right_leaves_the_strip_on_the_left_wider_at_the_open_end() -> None:
    fence, open_end = strip_widths(REVERSAL, Saw(1.0, 0.0), Board(strip_side="left"))
    assert open_end > fence
    fence, open_end = strip_widths(REVERSAL, Saw(1.0, 0.0), Board(strip_side="right"))
    assert open_end < fence


def test_one_seed_is_one_saw() -> None:
    saw = Saw(scatter_deg=0.05, stop_error_deg=0.2)
    again = [strip_widths(ROLL, saw, Board(), trial=3, seed=7, setup=2) for _ in range(2)]
    assert again[0] == again[1]
    others = {
        strip_widths(ROLL, saw, Board(), trial=3, seed=7, setup=2),
        strip_widths(ROLL, saw, Board(), trial=4, seed=7, setup=2),
        strip_widths(ROLL, saw, Board(), trial=3, seed=8, setup=2),
        strip_widths(ROLL, saw, Board(), trial=3, seed=7, setup=1),
    }
    assert len(others) == 4


def test_scatter_is_the_spread_of_the_angles_from_trial_to_trial() -> None:
    saw, board = Saw(angle_deg=0.1, scatter_deg=0.03), Board()
    widths = [strip_widths(REVERSAL, saw, board, trial=n, seed=1) for n in range(1, 2001)]
    angles = series_values(REVERSAL, widths, baseline_mm=board.width_mm).angle_rad
    degrees = [math.degrees(each) for each in angles]
    # Four standard errors of a mean and of a standard deviation over 2000 draws.
    assert statistics.mean(degrees) == pytest.approx(0.1, abs=4 * 0.03 / math.sqrt(2000))
    assert statistics.stdev(degrees) == pytest.approx(0.03, abs=4 * 0.03 / math.sqrt(4000))


def test_a_saw_comes_back_off_its_stop_once_for_each_setup() -> None:
    saw, board = Saw(angle_deg=0.1, scatter_deg=0.0, stop_error_deg=0.2), Board()

    def angle(setup: int, trial: int) -> float:
        widths = strip_widths(REVERSAL, saw, board, trial=trial, seed=1, setup=setup)
        values = series_values(REVERSAL, [widths], baseline_mm=board.width_mm)
        return math.degrees(values.angle_rad[0])

    assert angle(0, 1) == pytest.approx(0.1, abs=1e-9)
    assert angle(1, 1) == pytest.approx(angle(1, 2), abs=1e-12)
    assert abs(angle(1, 1) - angle(2, 1)) > 1e-4


def test_parts_at_a_stop_block_drift_and_scatter() -> None:
    saw = Saw(length_drift_mm=0.1)
    lengths = [strip_widths(STOP_BLOCK, saw, Board(), trial=n)[0] for n in (1, 2, 3)]
    assert lengths == pytest.approx([12.7, 12.8, 12.9])
    saw = Saw(length_scatter_mm=0.05)
    lengths = [strip_widths(STOP_BLOCK, saw, Board(), trial=n)[0] for n in range(500)]
    assert statistics.stdev(lengths) == pytest.approx(0.05, abs=4 * 0.05 / math.sqrt(1000))


def test_a_method_of_the_users_own_is_cut_by_its_record() -> None:
    own = custom_method(
        {
            "key": "sled-turn",
            "places": ["runner end", "far corner"],
            "quantity": "angle",
            "terms": [[1, 1], [1, 3]],
            "baseline": "length of the sled's fence",
        }
    )
    runner, corner = strip_widths(own, Saw(0.4, 0.0), Board(width_mm=300.0))
    tangents = math.tan(math.radians(0.4)) + math.tan(math.radians(1.2))
    assert corner - runner == pytest.approx(300.0 * tangents, abs=1e-12)


@pytest.mark.parametrize(
    ("caliper", "line"),
    [
        (Caliper(repeatability_mm=0), b"12.34\r\n"),
        (Caliper("0.0005 in", 0), b"0.4860\r\n"),
        (Caliper("0.001 in", 0), b"0.486\r\n"),
        (Caliper("0.01 mm", 0, offset_mm=0.02, scale_error=1e-3), b"12.38\r\n"),
        (Caliper("0.01 mm", 0, quirks=Quirks(comma=True, plus=True)), b"+12,34\r\n"),
        (Caliper("0.01 mm", 0, quirks=Quirks(label="A1 ", unit_word=True)), b"A1 12.34 mm\r\n"),
        (Caliper("0.01 mm", 0, quirks=Quirks(terminator="")), b"12.34"),
        (Caliper("0.01 mm", 0, quirks=Quirks(bounce=1.0)), b"12.34\r\n12.34\r\n"),
        (Caliper("0.01 mm", 0, quirks=Quirks(half_line=1.0)), b"12."),
        (Caliper("0.01 mm", 0, quirks=Quirks(unit_slip=1.0)), b"0.4860\r\n"),
    ],
)
def test_a_press_sends_what_the_caliper_would_show(caliper: Caliper, line: bytes) -> None:
    assert PretendCaliper(caliper).line(12.344) == line


def test_a_stray_byte_is_in_the_line_and_nothing_is_missing() -> None:
    line = PretendCaliper(Caliper("0.01 mm", 0, quirks=Quirks(noise=1.0))).line(12.34)
    assert bytes(byte for byte in line if byte < 0x80) == b"12.34\r\n"
    assert len(line) == 8


@given(
    width=st.floats(-300, 300),
    resolution=st.sampled_from(["0.01 mm", "0.001 mm", "0.0005 in", "0.00005 in", "0.001 in"]),
)
def test_what_is_sent_reads_back_within_half_a_count(width: float, resolution: str) -> None:
    caliper = Caliper(resolution, 0)
    text = PretendCaliper(caliper).line(width).decode().strip()
    value = read_value(text, caliper.unit)
    assert isinstance(value, Value)
    number, unit = resolution.split()
    count_nm = parse_length(number, caliper.unit)
    assert unit == caliper.unit
    assert value.nm % count_nm == 0
    assert abs(Decimal(value.nm) - Decimal(width) * 1_000_000) <= Decimal(count_nm) / 2


@pytest.mark.parametrize("resolution", ["0.01", "0.01 cm", "fine", "0 mm", "-0.01 mm", ""])
def test_a_resolution_that_is_no_length_is_refused(resolution: str) -> None:
    with pytest.raises(ValueError, match=r"resolution|number"):
        Caliper(resolution)


@given(data=st.binary(min_size=1, max_size=40))
def test_at_its_own_speed_all_is_heard_and_at_half_of_it_half(data: bytes) -> None:
    assert received_at(data, 9600, 9600) == data
    assert len(received_at(data, 9600, 4800)) <= len(data)


def test_a_wrong_speed_sounds_as_worked_out_by_hand() -> None:
    # "U" is 0x55: start bit included, the wire goes 0 1 0 1 0 1 0 1 0 1 without end. Read at
    # half the speed each bit covers a low and a high, sampled where the second begins.
    assert received_at(b"U" * 20, 9600, 4800) == b""
    # Read at twice the speed every bit counts double: start, then 0 11 00 11 0 of 0x55.
    assert received_at(b"U", 9600, 19200)[:1] == bytes([0b01100110])


def test_a_length_is_taken_in_either_unit() -> None:
    assert parse_mm("8.026 in") == pytest.approx(203.8604, abs=1e-12)
    assert parse_mm("203,86 mm") == 203.86
    assert parse_mm("19") == 19.0
    with pytest.raises(ValueError, match="mm or in"):
        parse_mm("19 cubits")


@pytest.mark.parametrize("leads_to", [None, "/dev/null", "elsewhere"])
def test_a_file_of_somebody_is_never_replaced_by_the_name_of_a_port(
    tmp_path: Path, leads_to: str | None
) -> None:
    """Not by the port as it is plugged in, and not as it is unplugged."""
    theirs = tmp_path / "theirs"
    if leads_to is None:
        theirs.write_text("worth keeping")
    else:
        theirs.symlink_to(leads_to)
    with pytest.raises(FileExistsError, match="leads to no such port"):
        PtyPort(str(theirs))
    assert theirs.read_text() == "worth keeping" if leads_to is None else theirs.is_symlink()
    gauge = tmp_path / "gauge"
    port = PtyPort(str(gauge))
    gauge.unlink()
    gauge.write_text("worth keeping")
    port.close()
    assert gauge.read_text() == "worth keeping"


def test_the_name_that_an_ended_port_left_behind_is_used_again(tmp_path: Path) -> None:
    gauge = tmp_path / "gauge"
    gauge.symlink_to("/dev/pts/4711")
    port = PtyPort(str(gauge))
    assert gauge.exists()
    port.close()
    assert not gauge.is_symlink()


def test_a_press_depends_on_nothing_pressed_before() -> None:
    one, other = PretendBench(seed=4), PretendBench(seed=4)
    try:
        listeners = [serial.serial_for_url(each.spec.target, timeout=30) for each in (one, other)]
        other.press(REVERSAL, 0, 9)
        assert one.press(ROLL, 3, 2, series="s") == other.press(ROLL, 3, 2, series="s")
        assert one.press(ROLL, 3, 2, series="t") != one.press(ROLL, 3, 2, series="u")
        with pytest.raises(ValueError, match="place 4"):
            one.press(ROLL, 4, 2)
        one.send("LOW BAT")
        assert listeners[0].read_until(b"BAT\r\n").endswith(b"LOW BAT\r\n")
        for each in listeners:
            each.close()
    finally:
        one.close()
        other.close()


def test_a_pretend_port_comes_and_goes_under_its_lasting_name(tmp_path: Path) -> None:
    with plugged(tmp_path / "gauge") as port:
        name = port.target
        with serial.Serial(name, timeout=30) as listener:
            port.send(b"1.0\r\n")
            assert listener.read_until() == b"1.0\r\n"
            port.unplug()
            with pytest.raises((serial.SerialException, OSError)):
                listener.read_until()
        assert not os.path.lexists(name)
        port.send(b"2.0\r\n")  # Into the air.
        port.plug()
        with serial.Serial(name, timeout=30) as listener:
            port.send(b"3.0\r\n")
            assert listener.read_until() == b"3.0\r\n"


def test_a_port_nobody_reads_holds_up_no_press() -> None:
    with plugged() as port:
        for _ in range(3000):
            port.send(b"12.345678\r\n")
    pretend = TcpPort()
    try:
        for _ in range(3000):
            pretend.send(b"12.345678\r\n")
    finally:
        pretend.close()


def test_a_pretend_instrument_answers_when_asked() -> None:
    pty = PtyPort(answer=lambda asked: b"1.5\r\n" if asked == b"?" else b"")
    tcp = TcpPort(answer=lambda asked: b"2.5\r\n" if asked == b"?" else b"")
    try:
        for target, answer in ((pty.target, b"1.5\r\n"), (tcp.target, b"2.5\r\n")):
            with serial.serial_for_url(target, timeout=30) as listener:
                listener.write(b"?")
                assert listener.read_until() == answer
    finally:
        pty.close()
        tcp.close()


def test_every_listener_on_the_network_hears_and_may_go() -> None:
    port = TcpPort()
    try:
        one, two = (serial.serial_for_url(port.target, timeout=30) for _ in range(2))
        assert until(lambda: len(port._listeners) == 2)
        port.send(b"1.0\r\n")
        assert one.read_until() == two.read_until() == b"1.0\r\n"
        one.close()
        assert until(lambda: len(port._listeners) == 1)
        port.send(b"2.0\r\n")
        assert two.read_until() == b"2.0\r\n"
        two.close()
        assert not port.wait_for_listener(0.05) or until(lambda: not port._listeners)
    finally:
        port.close()
        port.close()
