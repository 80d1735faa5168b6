"""Reads the length in a line, or gives the reason, in one sentence, why it has none.

Nothing is guessed: a line must contain exactly one plain decimal number, in a unit that the
line or the instrument's description names. Everything else is shown, not read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final

from analysis.units import (
    NM_PER_UNIT,
    UNIT_WORDS,
    Unit,
    parse_length,
    to_nanometres,
    without_unit,
)
from capture.errors import PatternError
from capture.lines import LONGEST
from capture.records import Reading


@dataclass(frozen=True, slots=True)
class Value:
    """One length as sent.

    `sent` is the line unchanged (spaces kept, terminator and outer controls gone);
    `number` its digits with their sign (-0.00 stays -0.00); `nm` the exact length.
    `unit_in_line` tells whether the line itself named the unit; `label` is the channel or
    name before the number, None without one.
    """

    sent: str
    number: Decimal
    unit: Unit
    nm: int
    unit_in_line: bool
    label: str | None


@dataclass(frozen=True, slots=True)
class NotUnderstood:
    """A line that is no reading: `text` as received (escaped), and one sentence why."""

    text: str
    reason: str


@dataclass(frozen=True, slots=True)
class Message:
    """A message about the instrument itself: an error, a low battery, a start-up text."""

    text: str


# Words and marks of tolerance that may follow a value (common practice, no source).
_FLAGS: Final = frozenset(
    {"ok", "go", "ng", "nogo", "no-go", "+ng", "-ng", "pass", "fail", "hi", "lo", "high", "low"}
    | {"over", "under", "hold", "max", "min", "abs", "inc", "rel", "set"}
    | {"<", ">", "<=", ">=", "<<", ">>", "=", "*", "!"}
)
# Words of messages about the instrument itself, often with a number (common practice, no
# source). None is a label: a version, speed or voltage is not a length.
_SELF_MESSAGE: Final = re.compile(
    r"e[ .:#_-]*[0-9]*$|.*?(?<![a-z0-9])(?:err(?:or)?s?|fault|(?:lo|low)?[ -]?batt?(?:ery)?|"
    r"v(?:er(?:sion)?)?|[fh]w|firmware|hardware|rev(?:ision)?|build|model|serial|s/?n|"
    r"boot(?:ing)?|rst|reset|ready|start(?:ed|ing)?|init|baud|temp(?:erature)?|"
    r"volt(?:age|s)?|vcc|vbat|time|date|copyright)(?![a-z])"
)
# Alone, E and a number is an error number; before a value it is a channel.
_CHANNEL_E: Final = re.compile(r"[Ee][0-9]+")
_MINUS: Final = "\N{MINUS SIGN}"
_NUMBER: Final = r"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+"
_LINE: Final = re.compile(
    r"\s*(?:(?P<label>[A-Za-z][A-Za-z0-9_#.-]{0,15})(?:[ \t]*[:=][ \t]*|[ \t]+))?"
    r"(?P<sign>[+\u2212-]?)[ \t]*"
    rf"(?P<number>{_NUMBER})[ \t]*"
    "(?P<unit>mm|inch(?:es)?|in\\.?|\"|''|\u2033)?"
    r"(?:(?:[ \t]+|(?<=[\"'\u2033])|(?=[<>=*!]))(?P<flags>\S.*))?\s*",
    re.IGNORECASE | re.ASCII,
)
_PLAIN: Final = re.compile(rf"\s*([+-]?(?:{_NUMBER}))[ \t]*(mm|in)?\s*", re.ASCII)
_ONE_NUMBER: Final = re.compile(rf"\s*([+\u2212-]?)\s*({_NUMBER})\s*", re.ASCII)
_TOKEN: Final = re.compile(rf"(?<!\S)[+\u2212-]?(?:{_NUMBER})(?!\S)", re.ASCII)
_DASHES: Final = re.compile(r"(?:[\s.,:]*[_*=\u2212\u2013\u2014-]){2,}[\s.,:]*")


def escaped(data: bytes) -> str:
    r"""`data` as printable ASCII that shows every byte: "\x00", "\r", "\\"."""
    return data.decode("latin-1").encode("unicode_escape").decode("ascii")


def _shown(text: str) -> str:
    return text if text.isprintable() else text.encode("unicode_escape").decode("ascii")


def read_value(
    text: str, default_unit: Unit | None, pattern: Pattern | None = None
) -> Value | NotUnderstood | Message:
    """The length in `text`.

    text: one line without its terminator.
    default_unit: taken where the line names none; None refuses such a line and says how
        to give one. A unit in the line always wins.
    pattern: finds the number instead of the rules below.

    Read without a pattern: an optional label (`A1 `, `CH1:`), a sign (+, - or U+2212, which a
    space may follow), ASCII digits with at most one decimal point or comma, an optional
    unit (mm, in, inch, inches, " in any case), optional words of tolerance (OK, NG, <).
    A unit before the number counts like one after it. Never raises.
    """
    if len(text) > LONGEST:
        return NotUnderstood(_shown(text[:LONGEST]), f"a line of more than {LONGEST} characters")
    if pattern is not None:
        return pattern.read(text, default_unit)
    plain = _PLAIN.fullmatch(text)
    if plain is not None:
        number, written = plain.groups()
        # The pattern admits only these two units.
        return _value(text, number, written, default_unit, None)
    found = _LINE.fullmatch(text)
    if found is None:
        return _no_value(text)
    label: str | None
    unit: str | None
    flags: str | None
    label, sign, number, unit, flags = found.groups()
    if label is not None:
        if _SELF_MESSAGE.match(label.lower()) and not _CHANNEL_E.fullmatch(label):
            return Message(_shown(text))
        if label.lower() in UNIT_WORDS:
            if unit is not None and UNIT_WORDS[unit.lower()] != UNIT_WORDS[label.lower()]:
                return NotUnderstood(_shown(text), f"2 units, {label} and {unit}, in one line")
            label, unit = None, label
    if flags is not None:
        unknown = [word for word in flags.split() if word.lower() not in _FLAGS]
        if unknown:
            return _no_value(text)
    return _value(text, ("-" if sign == _MINUS else sign) + number, unit, default_unit, label)


def read_typed(text: str, default_unit: Unit | None) -> Value | NotUnderstood | Message:
    """As `read_value`, of what a person typed: a fraction of inches is read as well. No instrument
    sends one that could be told from a channel and a number. Never raises."""
    read = read_value(text, default_unit)
    bare, written = without_unit(text) if len(text) <= LONGEST else (text, None)
    unit = written or default_unit
    if isinstance(read, Value) or "/" not in bare or unit is None:
        return read
    try:
        nm = parse_length(text, unit)
    except ValueError as error:
        return NotUnderstood(_shown(text), str(error))
    number = Decimal(nm) / NM_PER_UNIT["in"]
    return Value(text, number, "in", nm, written is not None, None)


def _value(
    text: str, number: str, written: str | None, default_unit: Unit | None, label: str | None
) -> Value | NotUnderstood:
    unit = UNIT_WORDS[written.lower()] if written is not None else default_unit
    if unit is None:
        return NotUnderstood(
            _shown(text), "a number without a unit; give the instrument's `unit` option (mm or in)"
        )
    decimal = Decimal(number.replace(",", "."))
    try:
        nm = to_nanometres(decimal, unit)
    except ValueError as error:
        return NotUnderstood(_shown(text), str(error))
    return Value(text, decimal, unit, nm, written is not None, label)


def _no_value(text: str) -> NotUnderstood | Message:
    """Why `text` is no reading; a Message where it is about the instrument itself."""
    shown = _shown(text)
    reason = _reason(text)
    return Message(shown) if reason is None else NotUnderstood(shown, reason)


def _reason(text: str) -> str | None:
    if not text.strip().replace("\t", " ").isprintable():
        return "a control character inside the line; check the cable, speed and framing"
    bare = text.strip()
    low = bare.lower()
    if not bare:
        return "an empty line"
    if _DASHES.fullmatch(bare) or _SELF_MESSAGE.match(low):
        return None
    if any(mark.isnumeric() and not mark.isascii() for mark in bare):
        return "digits that are not 0 to 9"
    if re.fullmatch(r"[+-]?\s*(?:s?nan|inf(?:inity)?)(?![a-z]).*", low):
        return "not a number"
    if not re.search(r"[0-9]", bare):
        return None if any(mark.isalpha() for mark in bare) else "no number in the line"
    return _number_fault(bare, low) or _count_fault(bare)


def _number_fault(bare: str, low: str) -> str | None:
    """What is wrong with the form of a number; None where the form is not the fault."""
    if re.search(r"(?:^|[^a-z0-9])0[xob][0-9a-f]+", low):
        return "a number that is not decimal; set the instrument to plain decimals"
    if re.search(r"[0-9][.,]?e[+-]?[0-9]", low):
        return "a number with an exponent; set the instrument to plain decimals"
    if "_" in bare and re.search(r"[0-9]_[0-9]", bare):
        return "an underscore inside the number"
    if re.match(rf"\S*?(?:{_NUMBER})\s*[+\u2212-](?![0-9.,])", bare):
        return "a sign after the number; only one before it is read"
    if re.search(r"[0-9]\s*/\s*[0-9]", bare):
        return "a fraction; set the instrument to decimals"
    if re.search(r"[0-9]*[.,][0-9]*[.,]", bare):
        return "more than one decimal mark in the number; set it to one point or comma"
    if re.fullmatch(r"[A-Za-z]+[+\u2212-]?[0-9]*[.,][0-9]+\S*", bare, re.ASCII) or re.fullmatch(
        r"[A-Za-z][A-Za-z0-9]*[+\u2212-][0-9]+\S*", bare, re.ASCII
    ):
        return "a label without a space before the number; give a `pattern` that separates them"
    return None


def _count_fault(bare: str) -> str | None:
    """Why a line with digits has no single plain number; None where it is a message."""
    tokens = _TOKEN.findall(bare)
    if len(tokens) > 1:
        return "more than one number in the line; give a `pattern` that names the right one"
    if not tokens and re.match(r"[A-Za-z]", bare):
        return None
    return "not one plain number with a unit of mm or in; give a `pattern` if it holds one"


LONGEST_PATTERN: Final = 300
_NAMES: Final = frozenset({"value", "unit", "label"})


class Pattern:
    """A person's regular expression that finds the number in a line.

    It has a group `value` and may have `unit` and `label`, for example
    `(?P<label>CH[0-9]) *(?P<value>[-+0-9.,]+)(?P<unit>mm|in)?.*`; upper and lower case are
    the same, and the whole line, without outer spaces, must match. What `value` and `unit`
    catch is read by the same strict rules as everywhere.

    It is matched by RE2 (Cox, Regular Expression Matching: the Virtual Machine Approach, 2009),
    in time linear in the length of the line: patterns also come over the network, and none may
    block the program. RE2 has no look-around and no back references.

    Raises PatternError with one sentence when it cannot be compiled or lacks `value`.
    """

    def __init__(self, source: str) -> None:
        self.source = source
        self._compiled = _compiled(source)
        names = set(self._compiled.groupindex)
        if "value" not in names:
            raise PatternError("the pattern needs a group (?P<value>...) around the number")
        if names - _NAMES:
            stray = ", ".join(sorted(names - _NAMES))
            raise PatternError(f"the pattern names {stray}; only value, unit and label are known")

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Pattern) and other.source == self.source

    def __hash__(self) -> int:
        return hash(self.source)

    def __repr__(self) -> str:
        return f"Pattern({self.source!r})"

    def read(self, text: str, default_unit: Unit | None) -> Value | NotUnderstood | Message:
        """As `read_value`, by this pattern."""
        shown = _shown(text)
        bare = text.strip()
        found = self._compiled.fullmatch(bare) if _is_text(bare) else None
        if found is None:
            if _reason(text) is None:
                return Message(shown)
            return NotUnderstood(shown, "the line does not match the instrument's `pattern`")
        groups = found.groupdict()
        number = _ONE_NUMBER.fullmatch(groups["value"] or "")
        if number is None:
            caught = groups["value"] or ""
            return NotUnderstood(shown, f"the pattern's value {caught!r} is not one plain number")
        written = (groups.get("unit") or "").strip() or None
        if written is not None and written.lower() not in UNIT_WORDS:
            return NotUnderstood(shown, f"the pattern's unit {written!r} is neither mm nor in")
        sign = "-" if number[1] == _MINUS else number[1]
        label = (groups.get("label") or "").strip() or None
        return _value(text, sign + number[2], written, default_unit, label)


def _is_text(line: str) -> bool:
    """Whether `line` is valid Unicode; half a surrogate pair, which JSON can contain, is not."""
    return not any("\ud800" <= mark <= "\udfff" for mark in line)


def _compiled(source: str) -> Any:
    import re2  # Loaded only where a pattern is given.

    if len(source) > LONGEST_PATTERN:
        raise PatternError(f"the pattern is longer than {LONGEST_PATTERN} characters")
    if not source.isprintable():
        raise PatternError("the pattern contains a control character; write it as an escape")
    options = re2.Options()
    options.case_sensitive = False
    options.log_errors = False
    try:
        return re2.compile(source, options)
    except re2.error as error:
        said = error.args[0] if error.args else ""
        why = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
        raise PatternError(
            f"the pattern is no regular expression that can be used here: {why}; look-around and"
            " back references are not known"
        ) from None


def read_as(reading: Reading, unit: Unit | None) -> Reading:
    """The reading as if its number counted `unit`; as it is where its line names a unit, and where
    `unit` is None."""
    unit, nm = read_line(reading.sent, reading.unit, reading.nm, unit)
    return reading if unit == reading.unit else replace(reading, unit=unit, nm=nm)


def read_line(sent: str, unit: Unit, nm: int, anew: Unit | None) -> tuple[Unit, int]:
    """Unit and length of a line that was read in `unit`, as if its number counted `anew`."""
    if anew is None or anew == unit:
        return unit, nm
    kept, other = read_typed(sent, unit), read_typed(sent, anew)
    if isinstance(kept, Value) and kept.unit_in_line:
        return unit, nm
    if isinstance(kept, Value) and isinstance(other, Value) and kept.nm == nm:
        return anew, other.nm
    # The line needs the instrument's pattern, or is too fine for whole nanometres.
    return anew, round(Fraction(nm * NM_PER_UNIT[anew], NM_PER_UNIT[unit]))
