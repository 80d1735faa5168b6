"""The text that describes an instrument: parsed, or refused with the field that is wrong."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.errors import SpecError
from capture.spec import Spec, options, parse_spec
from capture.values import Pattern


def test_a_serial_port_needs_no_option() -> None:
    spec = parse_spec("serial:/dev/ttyUSB0")
    assert (spec.kind, spec.target, spec.bench, spec.mode) == (
        "serial",
        "/dev/ttyUSB0",
        "main",
        "press",
    )
    assert (spec.baud, spec.bytesize, spec.parity, spec.stopbits) == (9600, 8, "none", 1)
    assert spec.unit is None
    assert spec.name is None
    assert spec.dtr
    assert spec.gap == pytest.approx(0.150)


def test_all_options_reach_their_field() -> None:
    spec = parse_spec(
        "serial:COM3,name=left caliper,bench=saw,baud=4800,unit=in,mode=stream,gap=80ms,"
        "bytesize=7,parity=even,stopbits=2,dtr=0,mask=yes,settle=0.5,tolerance=0.001in,"
        "rearm=0.6mm,pattern=(?P<value>.*)"
    )
    assert spec == Spec(
        kind="serial",
        target="COM3",
        name="left caliper",
        bench="saw",
        baud=4800,
        unit="in",
        mode="stream",
        gap=0.08,
        bytesize=7,
        parity="even",
        stopbits=2,
        dtr=False,
        mask=True,
        settle=0.5,
        tolerance_nm=25_400,
        rearm_nm=600_000,
        pattern=Pattern("(?P<value>.*)"),
    )


def test_an_instrument_that_is_asked_knows_its_question() -> None:
    spec = parse_spec(r"serial:COM3,mode=ask,request=D?,,\r\x02,interval=0.5")
    assert spec.request == b"D?,\r\x02"
    assert spec.interval == 0.5
    assert parse_spec(str(spec)) == spec


@pytest.mark.parametrize(
    ("word", "on"), [("1", 1), ("on", 1), ("YES", 1), ("0", 0), ("off", 0), ("no", 0)]
)
def test_a_switch_takes_the_usual_words(word: str, on: int) -> None:
    assert parse_spec(f"serial:X,dtr={word}").dtr is bool(on)


def test_the_longest_and_shortest_times_are_allowed_and_off_only_for_gap() -> None:
    assert parse_spec("serial:X,gap=60").gap == 60
    assert parse_spec("serial:X,gap=5ms").gap == 0.005
    assert parse_spec("serial:X,gap=off").gap is None
    with pytest.raises(SpecError, match="seconds"):
        parse_spec("serial:X,settle=off")


def test_a_bare_tolerance_is_in_the_instruments_own_unit_wherever_that_stands() -> None:
    assert parse_spec("serial:X,tolerance=0.001,unit=in").tolerance_nm == 25_400
    assert parse_spec("serial:X,tolerance=0.02").tolerance_nm == 20_000


@pytest.mark.parametrize(
    ("text", "target", "unit"),
    [
        ("serial:socket://127.0.0.1:5001", "socket://127.0.0.1:5001", None),
        ("serial:socket://127.0.0.1:5001,unit=mm", "socket://127.0.0.1:5001", "mm"),
        (
            "serial:rfc2217://h:1?timeout=1&ign_set_control,unit=in",
            "rfc2217://h:1?timeout=1&ign_set_control",
            "in",
        ),
        ("serial:spy:///dev/ttyUSB0?file=a.txt,unit=mm", "spy:///dev/ttyUSB0?file=a.txt", "mm"),
        ("serial:spy:///dev/ttyUSB0?file=a,b.txt,unit=mm", "spy:///dev/ttyUSB0?file=a,b.txt", "mm"),
        ("serial:spy://X?file=a,,unit=b,unit=mm", "spy://X?file=a,unit=b", "mm"),
        ("serial:/dev/odd,,name,unit=mm", "/dev/odd,name", "mm"),
        ("serial:hwgrep://0403:6001", "hwgrep://0403:6001", None),
        ("serial:loop://", "loop://", None),
        ("serial:C:\\dev\\x", "C:\\dev\\x", None),
        ("SERIAL: COM3 , unit = MM", "COM3", "mm"),
    ],
)
def test_any_target_is_kept_whole(text: str, target: str, unit: str | None) -> None:
    spec = parse_spec(text)
    assert (spec.target, spec.unit) == (target, unit)
    assert parse_spec(str(spec)) == spec


def test_a_usb_device_is_named_by_its_ids_or_its_path() -> None:
    spec = parse_spec("hid:0627:1,layout=fr,gap=0.3")
    assert (spec.vid, spec.pid, spec.target) == (0x0627, 0x0001, "")
    assert (spec.layout, spec.gap) == ("fr", 0.3)
    assert str(spec) == "hid:0627:0001,gap=0.3,layout=fr"
    assert parse_spec("hid:/dev/hidraw3").target == "/dev/hidraw3"
    assert parse_spec("hid:1-5.3:1.2").target == "1-5.3:1.2"
    assert parse_spec("hid:1-5.3:1.2").vid is None


def test_a_typing_device_and_standard_input() -> None:
    keys = parse_spec("keys:/dev/input/by-id/usb-x-event-kbd,name=k,unit=mm")
    assert (keys.kind, keys.target, keys.gap) == ("keys", "/dev/input/by-id/usb-x-event-kbd", None)
    assert str(parse_spec("stdin:")) == "stdin:"
    assert parse_spec("stdin:,unit=mm").unit == "mm"


@pytest.mark.parametrize(
    ("text", "field", "why"),
    [
        ("", "kind", "serial:, hid:, keys: or stdin:"),
        ("/dev/ttyUSB0", "kind", "serial:"),
        ("usb:1", "kind", "serial:"),
        ("serial:", "target", "serial:/dev/ttyUSB0"),
        ("serial:,unit=mm", "target", "needs a target"),
        ("stdin:x", "target", "no target"),
        ("hid:zz:1", "target", "hexadecimal"),
        ("hid:12345:1", "target", "hexadecimal"),
        ("serial:/dev/ttyUSB0,9600", "options", "'9600'"),
        ("serial:/dev/ttyUSB0,", "options", "name=value"),
        ("serial:X,baudd=9600", "options", "baud,"),
        ("serial:socket://h:1,colour=red", "options", "colour"),
        ("serial:X,baud=fast", "baud", "50 to 4000000"),
        ("serial:X,baud=0", "baud", "50"),
        ("serial:X,baud=\u0661\u0662", "baud", "50"),
        ("serial:X,unit=cm", "unit", "mm or in"),
        ("serial:X,unit=", "unit", "mm or in"),
        ("serial:X,mode=push", "mode", "press, stream or ask"),
        ("serial:X,unit=mm,unit=in", "unit", "twice"),
        ("serial:X,name=", "name", "1 to 64"),
        ("serial:X,name=" + "n" * 65, "name", "1 to 64"),
        ("serial:X,bench=a/b", "bench", "letters"),
        ("serial:X,gap=-1", "gap", "seconds"),
        ("serial:X,gap=nan", "gap", "seconds"),
        ("serial:X,gap=.", "gap", "seconds"),
        ("serial:X,bytesize=5", "bytesize", "7 or 8"),
        ("serial:X,parity=odds", "parity", "even"),
        ("serial:X,stopbits=3", "stopbits", "1 or 2"),
        ("serial:X,dtr=maybe", "dtr", "on"),
        ("serial:X,settle=0", "settle", "seconds"),
        ("serial:X,tolerance=-1mm", "tolerance", "0.02mm"),
        ("serial:X,tolerance=1e-3", "tolerance", "0.02mm"),
        ("serial:X,tolerance=0.5mm", "tolerance", "less than rearm"),
        ("serial:X,tolerance=1mm,rearm=0.5mm", "tolerance", "less than rearm"),
        ("serial:X,pattern=[0-9]+", "pattern", "(?P<value>"),
        ("serial:X,frame=size:3", "frame", "value:"),
        ("serial:X,frame=size:3 value:0+20,pattern=(?P<value>.)", "frame", "not both"),
        ("serial:X,frame=size:3 value:0+20,gap=off", "gap", "only silence"),
        ("serial:X,frame=size:3 value:0+20,mode=stream", "gap", "gap=30ms"),
        ("serial:X,frame=size:3 value:0+20,mode=stream,gap=150ms", "gap", "below 150ms"),
        ("serial:X,mode=ask", "request", "request=TEXT"),
        ("stdin:,mode=ask", "mode", "only through serial:"),
        ("serial:X,request=D", "request", "mode=ask"),
        ("serial:X,interval=1", "interval", "mode=ask"),
        ("serial:X,mode=ask,request=\\q", "request", "printable"),
        ("serial:X,layout=us", "layout", "hid and keys"),
        ("hid:1:2,baud=9600", "baud", "only to serial"),
        ("keys:X,mode=stream", "mode", "serial and stdin"),
        ("keys:X,layout=klingon", "layout", "fr"),
        ("serial:X\n,unit=mm", "spec", "one line"),
    ],
)
def test_every_wrong_part_is_named_with_what_is_allowed(text: str, field: str, why: str) -> None:
    with pytest.raises(SpecError) as caught:
        parse_spec(text)
    assert caught.value.field == field
    assert why in caught.value.sentence
    assert "\n" not in caught.value.sentence


_WORDS = st.text("abcXYZ019 ,=:/?.-_\\#", min_size=1, max_size=20).map(str.strip).filter(bool)


@given(
    st.sampled_from(["/dev/x", "socket://h:1", "spy://p?file=f", "a,b", "a,name=b"]) | _WORDS,
    _WORDS,
    st.sampled_from([None, "mm", "in"]),
    st.sampled_from(["press", "stream"]),
    st.integers(50, 4_000_000),
    st.none() | st.integers(5, 60_000).map(lambda ms: ms / 1000),
    st.integers(0, 499_999),
)
@settings(max_examples=300)
def test_a_spec_written_out_is_the_same_spec(
    target: str, name: str, unit: str | None, mode: str, baud: int, gap: float | None, nm: int
) -> None:
    spec = Spec(
        kind="serial",
        target=target,
        name=name,
        unit=unit,  # type: ignore[arg-type]
        mode=mode,  # type: ignore[arg-type]
        baud=baud,
        gap=gap,
        tolerance_nm=nm,
    )
    assert parse_spec(str(spec)) == spec


@given(st.text(max_size=60) | st.text("serial:hidkeystdn,=/nameutbox019 ", max_size=60))
@settings(max_examples=500)
def test_no_text_raises_anything_but_the_one_error(text: str) -> None:
    try:
        spec = parse_spec(text)
    except SpecError:
        return
    assert parse_spec(str(spec)) == spec


@pytest.mark.parametrize("how", ["gap=30ms", "frame=size:3 value:0+20 sync:aa"])
def test_a_stream_of_frames_is_taken_once_something_tells_where_a_frame_begins(how: str) -> None:
    frame = "" if how.startswith("frame") else ",frame=size:3 value:0+20"
    assert parse_spec(f"serial:X,mode=stream,{how}{frame}").frame is not None


def test_every_option_is_told_with_what_it_means_and_a_default_that_parses() -> None:
    told = {name: (meaning, default) for name, meaning, default in options()}
    assert told.keys() == set(re.findall(r"[a-z]+", _known_options()))
    assert all(meaning for meaning, _ in told.values())
    assert (told["baud"][1], told["settle"][1], told["tolerance"][1]) == ("9600", "0.4", "0.03mm")
    assert told["baud"][0].endswith("(serial: only)")
    for name, (_, default) in told.items():
        if (" " not in default and default != "none") or name == "parity":
            kind = "keys:X" if name == "layout" else "serial:X"
            assert parse_spec(f"{kind},{name}={default}") == parse_spec(kind), name


def _known_options() -> str:
    """The names as a refusal lists them: of what `parse_spec` takes."""
    with pytest.raises(SpecError) as caught:
        parse_spec("serial:X,colour=red")
    return caught.value.sentence.partition("known are ")[2].partition(", each")[0]
