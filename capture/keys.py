"""Turns the keystrokes of a caliper that types into lines.

There are three kinds of keystroke: boot keyboard reports of a USB device, Linux input
events, and strokes that a web page saw. The first two come from one known device; a page
cannot distinguish devices and must refuse more.

Sources: USB HID Usage Tables, page 0x07 (Keyboard/Keypad); USB HID 1.11, Appendix B.1 (the
8-byte boot report; from memory); key codes from the Linux header input-event-codes.h;
`code` names from the W3C's UI Events KeyboardEvent code Values (from memory); what the
keys of each layout type is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final, Literal

from capture.lines import LONGEST, Line, Refused
from capture.values import NotUnderstood, Value, read_value

# HID usages, page 0x07.
_ENTER, _TAB, _SPACE, _KP_ENTER, _KP_TAB = 0x28, 0x2B, 0x2C, 0x58, 0xBA
_ENDS: Final = frozenset({_ENTER, _TAB, _KP_ENTER, _KP_TAB})
_ROLL_OVER: Final = 1
_LARGEST_ERROR: Final = 3
_SHIFTS: Final = frozenset({0xE1, 0xE5})
_MODIFIERS: Final = range(0xE0, 0xE8)

# The keypad means the same whatever the layout and NumLock. Its decimal key types a comma
# under some layouts; both are the decimal mark, so it is read as a point.
_KEYPAD: Final[dict[int, str]] = {
    **{0x59 + digit - 1: str(digit) for digit in range(1, 10)},
    0x54: "/",
    0x55: "*",
    0x56: "-",
    0x57: "+",
    0x62: "0",
    0x63: ".",
    0x67: "=",
    0x85: ",",
    0x86: "=",
    0xB0: "00",
    0xB1: "000",
    0xB2: "\N{REPLACEMENT CHARACTER}",  # a thousands separator belongs to no reading
    0xB3: ".",
    0xD7: "\N{PLUS-MINUS SIGN}",
}
_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz"


def _layout(
    letters: str, plain: Mapping[int, str], shifted: Mapping[int, str]
) -> dict[tuple[int, bool], str]:
    keys: dict[tuple[int, bool], str] = {}
    for place, letter in enumerate(letters):
        keys[4 + place, False] = letter
        keys[4 + place, True] = letter.upper()
    keys |= {(usage, False): mark for usage, mark in plain.items()}
    keys |= {(usage, True): mark for usage, mark in shifted.items()}
    for usage, mark in {**_KEYPAD, _SPACE: " "}.items():
        keys[usage, False] = keys[usage, True] = mark
    return keys


def _row(marks: str) -> dict[int, str]:
    return dict(zip(range(0x1E, 0x28), marks, strict=True))


_OTHER_KEYS: Final = (0x2D, 0x2E, 0x2F, 0x30, 0x31, 0x33, 0x34, 0x35, 0x36, 0x37, 0x38)
"""The keys beside the letters and digits, in the order of their usages; 0x32 repeats 0x31."""


def _other_keys(marks: str) -> dict[int, str]:
    return {usage: mark for usage, mark in zip(_OTHER_KEYS, marks, strict=True) if mark != "\0"}


LAYOUTS: Final[dict[str, dict[tuple[int, bool], str]]] = {
    "us": _layout(
        _LETTERS,
        _row("1234567890") | _other_keys("-=[]\\;'`,./"),
        _row("!@#$%^&*()") | _other_keys('_+{}|:"~<>?'),
    ),
    "uk": _layout(
        _LETTERS,
        _row("1234567890") | _other_keys("-=[]#;'`,./"),
        _row('!"£$%^&*()') | _other_keys("_+{}~:@¬<>?"),
    ),
    "de": _layout(
        "abcdefghijklmnopqrstuvwxzy",
        _row("1234567890") | _other_keys("ß´ü+#öä^,.-"),
        _row('!"§$%&/()=') | _other_keys("?`Ü*'ÖÄ°;:_"),
    ),
    "it": _layout(
        _LETTERS,
        _row("1234567890") | _other_keys("'ìè+ùòà\\,.-"),
        _row('!"£$%&/()=') | _other_keys("?^é*§ç°|;:_"),
    ),
    "es": _layout(
        _LETTERS,
        _row("1234567890") | _other_keys("'¡`+çñ´º,.-"),
        _row('!"·$%&/()=') | _other_keys("?¿^*Ç\u00d1¨ª;:_"),
    ),
    "se": _layout(
        _LETTERS,
        _row("1234567890") | _other_keys("+´å¨'öä§,.-"),
        _row('!"#¤%&/()=') | _other_keys("?`Å^*ÖÄ½;:_"),
    ),
    # M is where the US layout has the semicolon; the digits need Shift.
    "fr": _layout(
        "qbcdefghijkl,noparstuvzxyw",
        _row("&é\"'(-è_çà") | _other_keys(")=^$*mù²;:!"),
        _row("1234567890") | _other_keys("°+¨£µM%\0./§") | {0x10: "?"},
    ),
}
"""What each key types, by (usage, shift), for each layout that a caliper may be set to."""

_SHORTCUT: Final = "a shortcut key (Ctrl, Alt or the system key) was held during the line"


class _Typing:
    """The line that one device is typing, from keys pressed one after the other."""

    # An abandoned line may continue: keys that come so soon after it may be its rest.
    _TAIL_S: Final = 2.0

    def __init__(self, layout: str, gap: float | None, patience: float) -> None:
        if layout not in LAYOUTS:
            raise ValueError(f"layout must be one of {', '.join(sorted(LAYOUTS))}, not {layout!r}")
        self._keys = LAYOUTS[layout]
        self._gap = gap
        self._patience = patience
        self.held = False
        self._text = ""
        self._fault: str | None = None
        self._began_at = 0.0
        self._heard_at = 0.0
        self._given_up = ""

    @property
    def due(self) -> float | None:
        if not self._text and self._fault is None:
            return None
        if self._gap is None or self._fault is not None or self.held:
            return self._heard_at + self._patience
        return self._heard_at + self._gap

    def press(self, usage: int, shift: bool, shortcut: bool, now: float) -> list[Line | Refused]:
        if usage in _ENDS:
            return self._end(now)
        mark = self._keys.get((usage, shift))
        if mark is None:
            # Arrows, locks, function keys type nothing: Enter followed by Down is one end.
            return []
        if not self._text and self._fault is None:
            if self._given_up and now - self._heard_at < self._TAIL_S:
                self._fault = (
                    f"its beginning may be missing, for {self._given_up!r} came before it without"
                    " Enter"
                )
            self._given_up = ""
            self._began_at = now
        self._heard_at = now
        if shortcut:
            self._fault = self._fault or _SHORTCUT
        if len(self._text) < LONGEST:
            self._text += mark
        else:
            self._fault = f"more than {LONGEST} characters without Enter"
        return []

    def spoil(self, reason: str, now: float) -> None:
        """Keys were lost: this line will be refused."""
        self._fault = reason
        self._heard_at = now

    def _end(self, now: float) -> list[Line | Refused]:
        raw, fault = self._text.encode(), self._fault
        self._text, self._fault, self._given_up = "", None, ""
        if fault is not None:
            return [Refused(raw, "lost", f"{fault}; press again", now)]
        if not raw.strip():
            return []
        return [Line(raw, "terminator", self._began_at, now)]

    def quiet(self, now: float) -> list[Line | Refused]:
        due = self.due
        if due is None or now < due:
            return []
        if self._gap is not None and self._fault is None and not self.held:
            raw, self._text = self._text.encode(), ""
            return [Line(raw, "gap", self._began_at, now)] if raw.strip() else []
        waited = now - self._heard_at
        refused = self._abandon("abandoned", f"no Enter within {waited:.1f} s; ")
        return [] if refused is None else [refused]

    def hang_up(self) -> Refused | None:
        return self._abandon("half", "half a line: the connection was lost; ")

    def _abandon(self, kind: Literal["abandoned", "half"], why: str) -> Refused | None:
        raw, fault = self._text.encode(), self._fault
        self._text, self._fault = "", None
        if fault is None and not raw.strip():
            return None
        hint = "press again"
        if kind == "abandoned":
            self._given_up = raw.decode()
            hint += ", or give the `gap` option if the caliper never sends Enter"
        reason = f"{fault}; press again" if fault is not None else why + hint
        return Refused(raw, "lost" if fault is not None else kind, reason, self._heard_at)


class KeyReports:
    """Lines from the boot keyboard reports of one USB device.

    layout: the keyboard layout the caliper is set to (a key of LAYOUTS).
    gap: seconds of silence, all keys up, that end a line; None: only Enter or Tab does.
    patience: seconds after the last key after which a line without end is abandoned.
    report_id: True where a report id precedes the 8 bytes; None decides by the length.

    A key is pressed when its usage is in this report and was not in the last, so repeated
    reports and changed orders type nothing twice. A rollover report leaves the keys as
    they were; the line during which it comes is refused, since a key may be missing.
    Raises ValueError for an unknown layout; `feed` never raises.
    """

    def __init__(
        self,
        layout: str = "us",
        gap: float | None = None,
        patience: float = 1.0,
        report_id: bool | None = None,
    ) -> None:
        self._typing = _Typing(layout, gap, patience)
        self._report_id = report_id
        self._down: frozenset[int] = frozenset()

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""
        return self._typing.due

    def feed(self, report: bytes, now: float) -> list[Line | Refused]:
        """The lines that `report`, read at `now`, ends. An empty report is a timeout."""
        out = self.quiet(now)
        with_id = len(report) == 9 if self._report_id is None else self._report_id
        body = report[1:] if with_id else report
        if len(body) != 8:
            if report:
                self._typing.spoil(f"a report of {len(report)} bytes instead of 8 or 9", now)
            return out
        modifiers, usages = body[0], body[2:]
        if any(1 <= usage <= _LARGEST_ERROR for usage in usages):
            if _ROLL_OVER in usages or self._typing.due is not None:
                self._typing.spoil("too many keys at once: some were lost", now)
            return out
        shift = bool(modifiers & 0x22)
        shortcut = bool(modifiers & 0xDD)
        for usage in dict.fromkeys(usages):
            if usage and usage not in self._down:
                out += self._typing.press(usage, shift, shortcut, now)
        self._down = frozenset(usages) - {0}
        self._typing.held = bool(self._down)
        return out

    def quiet(self, now: float) -> list[Line | Refused]:
        """The line or refusal, at most one, that the silence up to `now` ends."""
        return self._typing.quiet(now)

    def hang_up(self) -> Refused | None:
        """The half line left by an unplug; all keys are up afterwards."""
        self._down = frozenset()
        self._typing.held = False
        return self._typing.hang_up()


# Linux input events (linux/input-event-codes.h).
EV_SYN: Final = 0x00
EV_KEY: Final = 0x01
SYN_REPORT: Final = 0
SYN_DROPPED: Final = 3
KEY_UP: Final = 0
KEY_DOWN: Final = 1


def _run(first: int, *usages: int) -> dict[int, int]:
    return dict(enumerate(usages, first))


USAGE_OF_CODE: Final[dict[int, int]] = (
    _run(2, *range(0x1E, 0x28), 0x2D, 0x2E)  # KEY_1 .. KEY_0, KEY_MINUS, KEY_EQUAL
    | _run(15, _TAB, 0x14, 0x1A, 0x08, 0x15, 0x17, 0x1C, 0x18, 0x0C, 0x12, 0x13)  # .. KEY_P
    | _run(26, 0x2F, 0x30, _ENTER, 0xE0)  # braces, KEY_ENTER, KEY_LEFTCTRL
    | _run(30, 0x04, 0x16, 0x07, 0x09, 0x0A, 0x0B, 0x0D, 0x0E, 0x0F)  # KEY_A .. KEY_L
    | _run(39, 0x33, 0x34, 0x35, 0xE1, 0x31)  # KEY_SEMICOLON .. KEY_LEFTSHIFT, KEY_BACKSLASH
    | _run(44, 0x1D, 0x1B, 0x06, 0x19, 0x05, 0x11, 0x10)  # KEY_Z .. KEY_M
    | _run(51, 0x36, 0x37, 0x38, 0xE5, 0x55, 0xE2, _SPACE)  # KEY_COMMA .. KEY_SPACE
    | _run(71, 0x5F, 0x60, 0x61, 0x56, 0x5C, 0x5D, 0x5E, 0x57)  # KEY_KP7 .. KEY_KPPLUS
    | _run(79, 0x59, 0x5A, 0x5B, 0x62, 0x63)  # KEY_KP1 .. KEY_KPDOT
    | _run(96, _KP_ENTER, 0xE4, 0x54)  # KEY_KPENTER, KEY_RIGHTCTRL, KEY_KPSLASH
    | {100: 0xE6, 117: 0x67, 118: 0xD7, 121: 0x85, 125: 0xE3, 126: 0xE7}
)
"""The HID usage of each Linux key code that can be part of a reading."""


class KeyEvents:
    """Lines from the input events of one grabbed Linux device.

    As KeyReports; `kind`, `code` and `value` are the event's three numbers. Auto-repeat
    (value 2) is ignored. After SYN_DROPPED, which means that the kernel dropped events, the
    line is refused, and the keys held are unknown until the next SYN_REPORT.
    """

    def __init__(self, layout: str = "us", gap: float | None = None, patience: float = 1.0) -> None:
        self._typing = _Typing(layout, gap, patience)
        self._down: set[int] = set()
        self._dropped = False

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""
        return self._typing.due

    def feed(self, kind: int, code: int, value: int, now: float) -> list[Line | Refused]:
        """The lines that this event, read at `now`, ends."""
        out = self.quiet(now)
        if kind == EV_SYN:
            if code == SYN_DROPPED:
                self._dropped = True
                self._down.clear()
                self._typing.held = False
                self._typing.spoil("keys came faster than they were read: some were lost", now)
            elif code == SYN_REPORT:
                self._dropped = False
            return out
        if kind != EV_KEY or self._dropped or value not in (KEY_UP, KEY_DOWN):
            return out
        usage = USAGE_OF_CODE.get(code)
        if usage is None:
            return out
        if value == KEY_UP:
            self._down.discard(usage)
            self._typing.held = bool(self._down)
            return out
        if usage in self._down:
            return out
        self._down.add(usage)
        self._typing.held = True
        if usage in _MODIFIERS:
            return out
        shift = not _SHIFTS.isdisjoint(self._down)
        shortcut = any(held in _MODIFIERS and held not in _SHIFTS for held in self._down)
        return out + self._typing.press(usage, shift, shortcut, now)

    def quiet(self, now: float) -> list[Line | Refused]:
        """The line or refusal, at most one, that the silence up to `now` ends."""
        return self._typing.quiet(now)

    def hang_up(self) -> Refused | None:
        """The half line left by an unplug; all keys are up afterwards."""
        self._down.clear()
        self._typing.held = False
        self._dropped = False
        return self._typing.hang_up()


@dataclass(frozen=True, slots=True)
class Stroke:
    """One keydown as a web page saw it.

    key and code as in the page's event, shift its state, at_ms the event's own time stamp
    (not the time of its handling, which is later on a busy page), repeat its auto-repeat mark.
    """

    key: str
    code: str
    shift: bool
    at_ms: float
    repeat: bool = False


@dataclass(frozen=True, slots=True)
class Typed:
    """The text of a line of strokes.

    by: "key" when the keys as the page saw them form a reading, else the layout with which
    their codes do. burst: every gap was too short for fingers, so a caliper typed it.
    """

    text: str
    by: Literal["key", "us", "fr"]
    burst: bool


_CODES: Final[dict[str, int]] = {
    **{f"Digit{digit}": 0x1E + (digit - 1) % 10 for digit in range(10)},
    **{f"Key{letter.upper()}": 4 + place for place, letter in enumerate(_LETTERS)},
    **{f"Numpad{digit}": 0x59 + digit - 1 for digit in range(1, 10)},
    "Numpad0": 0x62,
    "NumpadDecimal": 0x63,
    "NumpadComma": 0x85,
    "NumpadAdd": 0x57,
    "NumpadSubtract": 0x56,
    "NumpadMultiply": 0x55,
    "NumpadDivide": 0x54,
    "NumpadEqual": 0x67,
    "Space": _SPACE,
    "Minus": 0x2D,
    "Equal": 0x2E,
    "BracketLeft": 0x2F,
    "BracketRight": 0x30,
    "Backslash": 0x31,
    "Semicolon": 0x33,
    "Quote": 0x34,
    "Backquote": 0x35,
    "Comma": 0x36,
    "Period": 0x37,
    "Slash": 0x38,
}
_END_KEYS: Final = frozenset({"Enter", "NumpadEnter", "Tab"})
_FINGERS_MS: Final = 100.0
"""Shortest gap between the keys of a trained typist (common practice, no source)."""
_MACHINE_MS: Final = 30.0
_PAUSE_MS: Final = 150.0


def read_strokes(
    strokes: Sequence[Stroke], fingers_ms: float = _FINGERS_MS, broken_at: int | None = None
) -> Typed | NotUnderstood:
    """The line that `strokes`, up to their first Enter or Tab, type.

    broken_at: index of the stroke before which the page saw a pause; whether the strokes before
    it belong to the line cannot be known, so both parts are refused.

    The keys are taken as the page saw them if they form a reading; else their codes as
    US keys; else as French ones; never mixed within the line, since 6 without Shift is a minus
    in the French layout. Keypad codes count independent of NumLock. Auto-repeat and
    keys that type nothing are ignored. Refused: keys after the end (two lines), time stamps
    that decrease or a burst with a pause inside (two devices at once), and what
    forms no reading, doubled marks included. Never raises.
    """
    if broken_at is not None:
        return NotUnderstood(
            f"{_seen(strokes[:broken_at])} … {_seen(strokes[broken_at:])}",
            "a pause within the value: a part of it may be missing, or somebody typed as well;"
            " press again",
        )
    typed = _up_to_end(strokes)
    if typed is None:
        return NotUnderstood(_seen(strokes), "keys after the end of the line; press again")
    text = _seen(typed)
    if not typed:
        return NotUnderstood("", "no keys that could be a reading")
    if len(typed) > LONGEST:
        return NotUnderstood(text[:LONGEST], f"more than {LONGEST} keys without Enter")
    gaps = [later.at_ms - earlier.at_ms for earlier, later in pairwise(typed)]
    if any(not gap >= 0 for gap in gaps):
        return NotUnderstood(text, "keys out of their order in time; press again")
    if gaps and median(gaps) < _MACHINE_MS and max(gaps) >= _PAUSE_MS:
        return NotUnderstood(
            text,
            "a burst of keys with a pause inside, as if 2 devices typed at once; press again",
        )
    burst = bool(gaps) and max(gaps) < fingers_ms
    if _is_reading(text):
        return Typed(text, "key", burst)
    by: Literal["us", "fr"]
    for by in ("us", "fr"):
        marks = _by_layout(typed, by)
        if _is_reading(marks):
            return Typed(marks, by, burst)
    why = read_value(text, "mm")
    # Where there are digits, the fault of the number helps the person; else that of the keys.
    if isinstance(why, NotUnderstood) and any(mark.isdigit() for mark in text):
        return NotUnderstood(text, f"{why.reason}; press again")
    return NotUnderstood(text, "keys that form no number with a unit of mm or in; press again")


def _up_to_end(strokes: Sequence[Stroke]) -> list[Stroke] | None:
    """The strokes that type something, up to the first Enter or Tab; None if more follow it."""
    typed: list[Stroke] = []
    ended = False
    for stroke in strokes:
        if stroke.repeat:
            continue
        if stroke.key in _END_KEYS or stroke.code in _END_KEYS:
            ended = ended or bool(typed)
        elif len(stroke.key) == 1 or stroke.code in _CODES:
            if ended:
                return None
            typed.append(stroke)
    return typed


def _by_layout(strokes: Sequence[Stroke], layout: str) -> str:
    keys = LAYOUTS[layout]
    return "".join(
        keys.get((_CODES.get(stroke.code, -1), stroke.shift), "\ufffd") for stroke in strokes
    )


def _seen(strokes: Sequence[Stroke]) -> str:
    """What the page saw, keypad keys by their codes."""
    out = []
    for stroke in strokes:
        usage = _CODES.get(stroke.code)
        if usage in _KEYPAD and stroke.code.startswith("Numpad"):
            out.append(_KEYPAD[usage])
        elif len(stroke.key) == 1:
            out.append(stroke.key)
        elif usage is not None:
            out.append("\ufffd")
    return "".join(out)


def _is_reading(text: str) -> bool:
    # The unit in the instrument's description is not known here; any unit serves.
    return isinstance(read_value(text, "mm"), Value)
