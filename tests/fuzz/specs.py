"""How instruments are described: SPEC."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

from capture.errors import SpecError
from capture.spec import parse_spec
from tests.fuzz import texts
from tests.fuzz.fuzzing import Fuzzer, plain

_TARGETS = (
    *("serial:/dev/ttyUSB0", "serial:socket://127.0.0.1:5001", "serial:rfc2217://[::1]:1,2"),
    *("serial:/dev/serial/by-id/usb-a,,b", "hid:0483:5740", "hid:/dev/hidraw0", "hid:0x1:2"),
    *("keys:/dev/input/event3", "keys:a b", "stdin:", "STDIN:", "serial:", "ftp:x", "serial:a=b"),
)
_OPTIONS = {
    "name": ("six-inch", "a,,b", "Müller 1", "x" * 64, "x" * 65, " ", "a=b"),
    "bench": ("main", "a.b-c_d", "-a", "a/b"),
    "unit": ("mm", "in", "IN", "cm"),
    "mode": ("press", "stream", "ask"),
    "baud": ("9600", "50", "4000000", "4000001", "9_600", "\u0661\u0662\u0660\u0660"),
    "bytesize": ("7", "8", "9"),
    "parity": ("none", "even", "space", "x"),
    "stopbits": ("1", "2"),
    "dtr": ("0", "1", "on", "no"),
    "mask": ("1", "off"),
    "gap": ("off", "30ms", "0.3", ".5s", "60", "61", "nan", "0.000000001"),
    "settle": ("0.4", "50ms", "0"),
    "tolerance": ("0.02mm", "0.001in", "0", "1", "-1mm", "1e3"),
    "rearm": ("0.5mm", "0.02in", "0"),
    "layout": ("us", "fr", "xx"),
    "pattern": ("(?P<value>[0-9.]+).*", "(?P<value>[0-9]{1,,3})", "(", "x"),
    "frame": ("size:3 value:0+20", "size:3 value:0+20 sync:aa55", "size:3"),
    "request": (r"R\r", r"\x41\\", "a,,b", "é", r"\q"),
    "interval": ("0.01", "1h", "2s"),
    "odd": ("1",),
}


def _written(chance: Random) -> tuple[str, list[str]]:
    target = chance.choice(_TARGETS)
    names = chance.sample(sorted(_OPTIONS), chance.choice((0, 1, 1, 2, 3, 6)))
    return target, [f"{name}={chance.choice(_OPTIONS[name])}" for name in names]


def _specs(chance: Random) -> bool:
    target, options = _written(chance)
    given = ",".join((target, *options))
    changed = chance.random() < 0.5
    if changed:
        given = texts.altered(given, chance, ",=: ")
    try:
        spec = parse_spec(given)
    except SpecError as error:
        assert error.field
        assert str(error).isprintable(), "the sentence cannot be shown"
        return False
    assert parse_spec(str(spec)) == spec, "the description that is shown is another instrument"
    assert str(parse_spec(str(spec))) == str(spec)
    if not changed:
        chance.shuffle(options)
        assert parse_spec(",".join((target, *options))) == spec, "the order of options counts"
    return True


FUZZERS: Sequence[Fuzzer] = (
    plain("SPEC", "refused naming the field, or printed so that it parses equal", _specs, 3000),
)
