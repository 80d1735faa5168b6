"""Parses the text that describes an instrument (SPEC).

    serial:TARGET     a port name, or any pyserial URL such as socket://127.0.0.1:5001
    hid:VID:PID       a USB device by its two hexadecimal ids; hid:PATH by its path
    keys:PATH         a Linux input device that types (grabbed, so no other program sees it)
    stdin:            lines from standard input

Options follow as `,name=value`. A comma that belongs to a target or a value is written
twice, `,,`; in a URL a single one is kept unless `word=` follows it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, Final, Literal, cast

from analysis.units import Unit, mm_text, parse_length, trimmed
from capture.errors import SpecError
from capture.frames import FrameLayout, parse_layout
from capture.keys import LAYOUTS
from capture.lines import GAP_S
from capture.values import Pattern, escaped

Kind = Literal["serial", "hid", "keys", "stdin"]
Mode = Literal["press", "stream", "ask"]
Parity = Literal["none", "even", "odd", "mark", "space"]

MAIN_BENCH: Final = "main"
"""The bench where nobody names another."""


@dataclass(frozen=True, slots=True)
class Spec:
    """One instrument, as described. `str()` gives a text that parses to the same Spec.

    kind and target: where it is read; `vid` and `pid` instead of a path for `hid:VID:PID`.
    name: its name at the bench, None to derive it from the stable name of its port.
    unit: used where the line names none. mode: `press` sends when its button is pressed,
    `stream` by itself all the time, `ask` when it is sent `request` (every `interval`
    seconds, or on demand when None).
    baud, bytesize, parity, stopbits, dtr: the serial line. mask: clear every top bit.
    gap: silence in seconds that ends a line (serial: where no terminator ever came; keys
    and hid: where no Enter comes), None for never.
    settle, tolerance_nm, rearm_nm: see `settling.Settling`; 0.03 mm is two counts of a
    display in steps of 0.01 mm or 0.0005 in.
    layout: the keyboard layout that a typing instrument is set to.
    pattern: finds the value in a line. frame: lines are packed bits instead of text.
    """

    kind: Kind
    target: str = ""
    vid: int | None = None
    pid: int | None = None
    name: str | None = None
    bench: str = MAIN_BENCH
    unit: Unit | None = None
    mode: Mode = "press"
    baud: int = 9600
    bytesize: Literal[7, 8] = 8
    parity: Parity = "none"
    stopbits: Literal[1, 2] = 1
    dtr: bool = True
    mask: bool = False
    gap: float | None = None
    settle: float = 0.4
    tolerance_nm: int = 30_000
    rearm_nm: int = 500_000
    layout: str = "us"
    pattern: Pattern | None = None
    frame: FrameLayout | None = None
    request: bytes | None = None
    interval: float | None = None

    def __str__(self) -> str:
        place = f"{self.vid:04x}:{self.pid:04x}" if self.vid is not None else self.target
        out = [f"{self.kind}:{_doubled(place)}"]
        plain = _DEFAULTS[self.kind]
        for option in _OPTIONS.values():
            value = getattr(self, option.field)
            if value != getattr(plain, option.field):
                out.append(f"{option.name}={_doubled(option.write(value))}")
        return ",".join(out)


@dataclass(frozen=True, slots=True)
class _Option:
    name: str
    field: str
    kinds: tuple[Kind, ...]
    read: Callable[[str, Spec], Any]
    write: Callable[[Any], str]


def parse_spec(text: str) -> Spec:
    """The instrument that `text` describes.

    Raises SpecError naming the field that is wrong and saying what is allowed.
    """
    if not text.isprintable():
        raise SpecError("spec", "a caliper is described in printable characters on one line")
    head, *rest = _split(text.strip())
    kind, colon, target = head.partition(":")
    kind = kind.strip().lower()
    target = target.strip()
    if not colon or kind not in _DEFAULTS:
        raise SpecError(
            "kind",
            f"{text!r} names no kind of caliper; begin with serial:, hid:, keys: or stdin:",
        )
    spec = _with_target(cast(Kind, kind), target)
    given: dict[str, str] = {}
    for part in rest:
        name, equals, value = part.partition("=")
        name = name.strip()
        option = _OPTIONS.get(name)
        if not equals or option is None:
            raise SpecError(
                "options",
                f"{part.strip()!r} is no option of a caliper; known are "
                f"{', '.join(_OPTIONS)}, each as name=value (a comma that belongs to the "
                "text itself is written twice)",
            )
        if spec.kind not in option.kinds:
            raise SpecError(
                name,
                f"{name} does not apply to {spec.kind}: calipers, only to "
                f"{' and '.join(option.kinds)}",
            )
        if name in given:
            raise SpecError(name, f"{name} is given twice; give it once")
        given[name] = value.strip()
    # Lengths depend on the unit, so it is read first, whatever the order of the options.
    for name in sorted(given, key=lambda each: each != "unit"):
        option = _OPTIONS[name]
        spec = replace(spec, **{option.field: option.read(given[name], spec)})
    return _checked(spec)


def _split(text: str) -> list[str]:
    """The target and the options; a doubled comma is a comma."""
    held = text.replace(",,", "\0")
    # A URL may contain commas; a path or an id hardly does, and there an option without its
    # `name=` must not silently become part of the target.
    url = "://" in held.partition(",")[0]
    target, *rest = re.split(r",(?=\s*[A-Za-z_]\w*\s*=)" if url else ",", held, maxsplit=1)
    parts = [target, *(rest[0].split(",") if rest else ())]
    return [part.replace("\0", ",") for part in parts]


def _doubled(text: str) -> str:
    return text.replace(",", ",,")


def _with_target(kind: Kind, target: str) -> Spec:
    if kind == "stdin":
        if target:
            raise SpecError("target", f"stdin: takes no target, but {target!r} follows it")
    elif not target:
        example = {"serial": "serial:/dev/ttyUSB0", "hid": "hid:0483:5740", "keys": "keys:PATH"}
        raise SpecError("target", f"{kind}: needs a target, for example {example[kind]}")
    spec = replace(_DEFAULTS[kind], target=target)
    if kind == "hid":
        ids = re.fullmatch(r"([0-9A-Fa-f]{1,4}):([0-9A-Fa-f]{1,4})", target, re.ASCII)
        if ids:
            return replace(spec, target="", vid=int(ids[1], 16), pid=int(ids[2], 16))
        if re.fullmatch(r"(0[xX])?[0-9A-Za-z]+:(0[xX])?[0-9A-Za-z]+", target):
            raise SpecError(
                "target",
                f"{target!r} is not VID:PID; give both ids as up to 4 hexadecimal digits, "
                "for example hid:0483:5740",
            )
    return spec


def _checked(spec: Spec) -> Spec:
    if spec.mode == "ask" and spec.kind != "serial":
        raise SpecError("mode", f"nothing can be asked through {spec.kind}:, only through serial:")
    if spec.mode == "ask" and spec.request is None:
        raise SpecError("request", "mode=ask needs request=TEXT, what the caliper is asked with")
    if spec.mode != "ask" and spec.request is not None:
        raise SpecError("request", "request is only sent with mode=ask; add it or drop request")
    if spec.mode != "ask" and spec.interval is not None:
        raise SpecError("interval", "interval is only used with mode=ask; add it or drop interval")
    if spec.tolerance_nm >= spec.rearm_nm:
        raise SpecError(
            "tolerance",
            f"tolerance ({mm_text(spec.tolerance_nm)} mm) must be less than rearm "
            f"({mm_text(spec.rearm_nm)} mm)",
        )
    if spec.frame is not None and spec.pattern is not None:
        raise SpecError("frame", "give either frame (packed bits) or pattern (text), not both")
    if spec.frame is not None and not spec.frame.sync:
        if spec.gap is None:
            raise SpecError(
                "gap",
                "without sync, only silence separates the frames: give gap=TIME, or sync:BYTES in"
                " the frame",
            )
        if spec.mode == "stream" and spec.gap >= GAP_S:
            raise SpecError(
                "gap",
                "without sync, only silence separates the frames of a stream: give a gap"
                f" below {GAP_S * 1000:.0f}ms and shorter than the pause between frames,"
                " such as gap=30ms, or sync:BYTES in the frame",
            )
    return spec


def _one_of(name: str, *allowed: str) -> Callable[[str, Spec], str]:
    def read(text: str, _spec: Spec) -> str:
        if text.lower() not in allowed:
            raise SpecError(name, f"{name} must be {_or(allowed)}, not {text!r}")
        return text.lower()

    return read


def _or(words: tuple[str, ...]) -> str:
    return f"{', '.join(words[:-1])} or {words[-1]}" if len(words) > 1 else words[0]


def _whole(name: str, least: int, most: int) -> Callable[[str, Spec], int]:
    def read(text: str, _spec: Spec) -> int:
        if not re.fullmatch(r"[0-9]{1,9}", text, re.ASCII) or not least <= int(text) <= most:
            raise SpecError(
                name, f"{name} must be a whole number from {least} to {most}, not {text!r}"
            )
        return int(text)

    return read


def _digit(name: str, *allowed: int) -> Callable[[str, Spec], int]:
    words = _one_of(name, *(str(number) for number in allowed))
    return lambda text, spec: int(words(text, spec))


def _seconds(
    name: str, least: float, most: float, *, off: bool = False
) -> Callable[[str, Spec], float | None]:
    never = ", or off" if off else ""

    def read(text: str, _spec: Spec) -> float | None:
        if off and text.lower() in ("off", "none"):
            return None
        found = re.fullmatch(r"([0-9]{0,6}\.?[0-9]{0,9})\s*(ms|s)?", text, re.ASCII)
        number = math.nan
        if found and re.search("[0-9]", found[1]):
            number = float(found[1]) / 1000 if found[2] == "ms" else float(found[1])
        if not least <= number <= most:
            raise SpecError(
                name,
                f"{name} must be {least:g} to {most:g} seconds (0.2, 200ms){never}, not {text!r}",
            )
        return number

    return read


def _length(name: str) -> Callable[[str, Spec], int]:
    def read(text: str, spec: Spec) -> int:
        try:
            nm = parse_length(text, spec.unit or "mm")
        except ValueError:
            nm = -1
        if nm < 0:
            raise SpecError(
                name, f"{name} must be a length such as 0.02mm or 0.001in, not {text!r}"
            )
        return nm

    return read


def _label(name: str, allowed: str, words: str) -> Callable[[str, Spec], str]:
    def read(text: str, _spec: Spec) -> str:
        if not re.fullmatch(allowed, text):
            raise SpecError(name, f"{name} must be {words}, not {text!r}")
        return text

    return read


def _request(text: str, _spec: Spec) -> bytes:
    if not re.fullmatch(r"(?:[\x20-\x5b\x5d-\x7e]|\\[rnt0\\]|\\x[0-9A-Fa-f]{2}){1,64}", text):
        raise SpecError(
            "request",
            r"request must be 1 to 64 printable ASCII characters or \r, \n, \t, \0, \\, \xHH, "
            f"not {text!r}",
        )
    return text.encode("ascii").decode("unicode_escape").encode("latin-1")


_YES_NO: Final = {"1": True, "on": True, "yes": True, "0": False, "off": False, "no": False}


def _switch(name: str) -> Callable[[str, Spec], bool]:
    words = _one_of(name, *_YES_NO)
    return lambda text, spec: _YES_NO[words(text, spec)]


def _write_switch(value: bool) -> str:
    return "1" if value else "0"


def _write_seconds(value: float | None) -> str:
    return "off" if value is None else trimmed(f"{value:.9f}")


def _write_length(value: int) -> str:
    return f"{mm_text(value)}mm"


_ALL: Final[tuple[Kind, ...]] = ("serial", "hid", "keys", "stdin")
_LINES: Final[tuple[Kind, ...]] = ("serial", "stdin")
_KEYS: Final[tuple[Kind, ...]] = ("hid", "keys")
_OPTIONS: Final = {
    option.name: option
    for option in (
        _Option(
            "name",
            "name",
            _ALL,
            _label("name", r"\S(?:.{0,62}\S)?", "1 to 64 characters"),
            str,
        ),
        _Option(
            "bench",
            "bench",
            _ALL,
            _label(
                "bench",
                r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}",
                "1 to 64 letters, digits, dots, dashes or underscores",
            ),
            str,
        ),
        _Option("unit", "unit", _ALL, _one_of("unit", "mm", "in"), str),
        _Option("mode", "mode", _LINES, _one_of("mode", "press", "stream", "ask"), str),
        _Option("baud", "baud", ("serial",), _whole("baud", 50, 4_000_000), str),
        _Option("bytesize", "bytesize", ("serial",), _digit("bytesize", 7, 8), str),
        _Option(
            "parity",
            "parity",
            ("serial",),
            _one_of("parity", "none", "even", "odd", "mark", "space"),
            str,
        ),
        _Option("stopbits", "stopbits", ("serial",), _digit("stopbits", 1, 2), str),
        _Option("dtr", "dtr", ("serial",), _switch("dtr"), _write_switch),
        _Option("mask", "mask", _LINES, _switch("mask"), _write_switch),
        _Option("gap", "gap", _ALL, _seconds("gap", 0.005, 60, off=True), _write_seconds),
        _Option("settle", "settle", _LINES, _seconds("settle", 0.05, 60), _write_seconds),
        _Option("tolerance", "tolerance_nm", _LINES, _length("tolerance"), _write_length),
        _Option("rearm", "rearm_nm", _LINES, _length("rearm"), _write_length),
        _Option("layout", "layout", _KEYS, _one_of("layout", *sorted(LAYOUTS)), str),
        _Option(
            "pattern",
            "pattern",
            _ALL,
            lambda text, _spec: Pattern(text),
            lambda value: cast(Pattern, value).source,
        ),
        _Option(
            "frame",
            "frame",
            ("serial",),
            lambda text, _spec: parse_layout(text),
            str,
        ),
        _Option("request", "request", ("serial",), _request, escaped),
        _Option(
            "interval", "interval", ("serial",), _seconds("interval", 0.01, 3600), _write_seconds
        ),
    )
}
# The description of each option, and its default where that of Spec cannot be shown as it is.
_MEANINGS: Final[dict[str, tuple[str, str]]] = {
    "name": ("its name at the bench", "from its port"),
    "bench": ("the bench it belongs to", ""),
    "unit": ("mm or in: taken where the line says none", "none: such lines are refused"),
    "mode": (
        "press: sends when pressed; stream: all the time, and a reading is taken when the value"
        " stands still; ask: when it is sent `request`",
        "",
    ),
    "baud": ("speed of the line", ""),
    "bytesize": ("7 or 8 data bits", ""),
    "parity": ("none, even, odd, mark or space", ""),
    "stopbits": ("1 or 2", ""),
    "dtr": ("0 leaves DTR and RTS down: some boards restart when they rise", ""),
    "mask": ("1 clears every top bit: 7 data bits with parity, read as 8", ""),
    "gap": (
        "silence that ends a line without an end of its own (keys, hid: without Enter), or"
        " separates frames without sync; in seconds, off for never",
        "0.15 for serial:, else off",
    ),
    "settle": ("stream: for how many seconds the value must stand still", ""),
    "tolerance": ("stream: how much it may flicker in that time", ""),
    "rearm": ("stream: how far it must move before the next reading", ""),
    "layout": (f"keyboard layout it types in: {_or(tuple(sorted(LAYOUTS)))}", ""),
    "pattern": (
        "regular expression for a whole line, with (?P<value>...) and, if wanted, (?P<unit>...)"
        " and (?P<label>...)",
        "none: found automatically",
    ),
    "frame": (
        "packed bits instead of lines, such as size:3 value:0+20 sign:20 unit:23 sync:aa55",
        "none: lines of text",
    ),
    "request": (r"ask: the text to send to it, such as ?\r", "none"),
    "interval": ("ask: seconds between requests; without it, when the page asks", "none"),
}
assert _MEANINGS.keys() == _OPTIONS.keys()


def options() -> list[tuple[str, str, str]]:
    """Every option of a SPEC: its name, what it means, and its default."""
    out = []
    for option in _OPTIONS.values():
        meaning, default = _MEANINGS[option.name]
        kinds = option.kinds
        if len(kinds) < len(_ALL):
            meaning = f"{meaning} ({' and '.join(f'{kind}:' for kind in kinds)} only)"
        if not default:
            default = option.write(getattr(_DEFAULTS[kinds[0]], option.field))
        out.append((option.name, meaning, default))
    return out


_DEFAULTS: Final[dict[str, Spec]] = {
    "serial": Spec("serial", gap=GAP_S),
    "hid": Spec("hid"),
    "keys": Spec("keys"),
    "stdin": Spec("stdin"),
}

assert {option.field for option in _OPTIONS.values()} <= {field.name for field in fields(Spec)}
