"""Old notebooks: measurements written down by hand or in a spreadsheet, loaded as series.

A notebook is a CSV file with one row a trial. Its rows are read into `NotebookLine`s, or refused
with a sentence each; `loading` puts them into the store.

Columns are found by the words of `headings.WORDS`, in any order, in upper or lower case; a unit in
the heading ("cut length (in)", "baseline_mm") counts for the column. The readings are in
columns named after the method's places ("fence end", "open end 2" for the second reading of
a place), or "reading 1", "reading 2", ... in reading order, or in one column "readings" with
spaces between. Dates are 2024-05-03 (a time may follow), 3.5.2024, or as `dates` says.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any, Final, Literal, NamedTuple
from uuid import UUID

from analysis.methods import METHODS, Method, Side
from analysis.units import UNIT_WORDS, Unit, mm_text
from api.answers.headings import Column, columns_of, heading_of, headings_of_places
from api.answers.moments import check_past
from api.answers.notebook_dates import DateOrder, moment_of
from api.answers.notebook_names import Named
from api.answers.settings import (
    FEWEST_PIECES,
    LONGEST_NAME,
    LONGEST_NOTE,
    MOST_PIECES,
    AskedSeries,
    is_plain,
    new_series,
)
from api.answers.stop_angles import MOST_DEG
from api.errors import InvalidField
from api.store.new_series import NewSeries
from api.store.rows.machines import alike
from api.store.squares import SQUARE
from api.store.stamps import now
from capture.pairing import CLOSED_JAWS_NM
from capture.values import NotUnderstood, Value, read_value

BENCH: Final = "imported"
"""The bench of loaded series, apart from those that people measure on."""
LARGEST: Final = 20_000_000
"""The most bytes of a notebook; one with years of measurements is much smaller."""

_MOST_READINGS: Final = 100
_NOT_KNOWN_YET: Final = UUID(int=0)  # the machine of a line


class UnreadableNotebook(ValueError):
    """The file can't be taken at all; the message says what to do."""


class Refused(NamedTuple):
    """A line that is not taken: its number in the file (the header is 1), and why."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class NotebookLine:
    """One trial as the notebook has it; `settings` are what its series must say, apart from
    notes, and `checked` the same with a machine that is not known yet. stop: its name, None for
    `square`. series: what tells it from others, `day` too where the notebook does not name it by
    its id. visit: the number of the visit to the stop."""

    number: int
    machine: str
    kind: str
    stop: str | None
    settings: AskedSeries
    checked: NewSeries
    note: str | None
    series: str
    day: date | None
    visit: int
    moment: datetime
    caliper: str
    readings: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class Defaults:
    """What is meant where the notebook has no such column, or an empty cell."""

    machine: str | None = None
    method: str | None = None
    unit: Unit | None = None
    strip_side: Literal["left", "right"] = "left"
    dates: DateOrder = "ymd"


@dataclass(slots=True)
class Notebook:
    """What a file says: the lines that can be taken, those refused, the columns not used."""

    lines: list[NotebookLine] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)


# ---------------------------------------------------------------- reading the file


def read_notebook(
    data: bytes,
    defaults: Defaults,
    methods: Mapping[str, Method] = METHODS,
    named: Named | None = None,
) -> Notebook:
    """The lines of a CSV file: parted by comma, semicolon or tab, decimal point or comma,
    UTF-8, UTF-16 with its mark, or Windows-1252. named: the stops and works there are.

    Raises UnreadableNotebook where there is no header, a column appears twice, or what no line can
    do without is neither a column nor in `defaults`.
    """
    rows = _rows(_text(data))
    header = next(rows, None)
    if header is None:
        raise UnreadableNotebook("the file is empty; its first line must name the columns")
    places = headings_of_places(methods.values())
    columns = columns_of(header.cells, places)
    _check_columns(columns, defaults)
    book = Notebook(
        unused=[
            cell.strip()
            for cell, column in zip(header.cells, columns, strict=True)
            if column is None and cell.strip()
        ]
    )
    checked: _Checked = {}
    named = named or Named()
    for row in rows:
        try:
            book.lines.append(_line(row, columns, defaults, methods, named, checked))
        except InvalidField as error:
            book.refused.append(Refused(row.number, _plainly(error.field, error.message)))
        except ValueError as error:
            book.refused.append(Refused(row.number, str(error)))
    return book


# Settings by what a line says of them: few notebooks have many.
_Checked = dict[tuple[Any, ...], tuple[AskedSeries, NewSeries]]
_LENGTHS: Final = ("baseline", "thickness", "inset")


class _Row(NamedTuple):
    number: int
    cells: list[str]


def _text(data: bytes) -> str:
    if len(data) > LARGEST:
        raise UnreadableNotebook(
            f"the file is larger than {LARGEST // 1_000_000} MB; load it in parts"
        )
    marked = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    # Without a byte order mark, the encodings that spreadsheets write by default.
    for encoding in ("utf-16",) if marked else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise UnreadableNotebook("the file is not text; save the sheet as CSV in UTF-8")


def _rows(text: str) -> Iterator[_Row]:
    first, _, rest = text.partition("\n")
    offset = 0
    delimiter = None
    if found := re.fullmatch(r'sep=([^"\r])\s*', first):
        # Some spreadsheets name their delimiter in a line before the header.
        delimiter, text, offset = found[1], rest, 1
        first = rest.partition("\n")[0]
    if delimiter is None:
        outside = re.sub(r'"[^"]*"', "", first)
        delimiter = max(";\t,", key=outside.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    while True:
        began = reader.line_num + 1 + offset
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise UnreadableNotebook(
                f"line {began} is not CSV ({error}); save the sheet again"
            ) from None
        if any(cell.strip() for cell in cells):
            yield _Row(began, cells)


def _check_columns(columns: Sequence[Column | None], defaults: Defaults) -> None:
    said = [c for c in columns if c is not None]
    for column, count in Counter(replace(c, unit=None) for c in said).items():
        if count > 1:
            name = column.place or heading_of(column.field)
            raise UnreadableNotebook(f"2 columns say the {name}; rename one of them")
    fields = {c.field for c in said}
    if not fields & {"reading", "readings"}:
        raise UnreadableNotebook(
            "no column holds readings; name them after the places, such as fence end and open"
            " end, or reading 1, reading 2"
        )
    if "date" not in fields:
        raise UnreadableNotebook("no column says the date; name one: date")
    if "machine" not in fields and defaults.machine is None:
        raise UnreadableNotebook("no column says the machine; name one: machine, or give --machine")
    if "method" not in fields and defaults.method is None:
        raise UnreadableNotebook(
            "no column says the method; name one: method, or give --method (such as reversal)"
        )


def _line(
    row: _Row,
    columns: Sequence[Column | None],
    defaults: Defaults,
    methods: Mapping[str, Method],
    named: Named,
    checked: _Checked,
) -> NotebookLine:
    """The line. Raises ValueError with what is wrong with it."""
    said, units, readings = _cells(row, columns)
    method = _method(said.get("method") or defaults.method, methods)
    unit = _unit(said.get("unit")) or defaults.unit
    values = _values(method, said.get("readings"), units.get("readings"), readings, unit)
    machine = said.get("machine") or defaults.machine
    if machine is None:
        raise ValueError("it names no machine; fill in the cell or give --machine")
    repeats, left = divmod(len(values), len(method.places))
    unit = unit or values[0].unit
    asked = (
        (method.key, machine, unit, repeats),
        *(said.get(name) for name in (*_LENGTHS, "strip_side", "pieces", "person")),
        *(units.get(name) for name in _LENGTHS),
        *(said.get(name) for name in ("stop", *MOST_DEG, "work")),
    )
    if asked not in checked:
        settings = _settings(method, machine, said, units, unit, defaults, repeats)
        _name("stop", said.get("stop"))
        settings = named.at_stop(settings, machine, said)
        settings, work = named.for_work(settings, said.get("work"))
        checked[asked] = settings, replace(_check(settings, method), work_id=work)
    settings, new = checked[asked]
    note = _note(said.get("note"))
    if left or not repeats:
        raise ValueError(
            f"{method.title} needs {_readings(len(method.places))}"
            f" ({', '.join(p.key for p in method.places)}); it has {len(values)}"
        )
    moment = moment_of(said.get("date"), said.get("time"), defaults.dates)
    check_past("date", moment, now())
    state = said.get("state", "complete")
    if state != "complete":
        raise ValueError(f"its state is {state!r}, and only complete trials are loaded")
    stop, series_id = said.get("stop", SQUARE), said.get("series_id")
    return NotebookLine(
        number=row.number,
        machine=machine,
        kind=said.get("kind", "other"),
        stop=None if alike(stop) == SQUARE else stop,
        settings=settings,
        checked=new,
        note=note,
        series=series_id or said.get("series", ""),
        day=None if series_id else moment.date(),
        visit=_visit(said.get("visit", "1")),
        moment=moment,
        caliper=said.get("caliper", "notebook")[:LONGEST_NAME],
        readings=values,
    )


_Readings = dict[tuple[str, int], tuple[str, Unit | None]]
"""By place, and which reading of it: the text of a cell, and the unit of its column."""


def _cells(
    row: _Row, columns: Sequence[Column | None]
) -> tuple[dict[str, str], dict[str, Unit], _Readings]:
    """What a row says: texts by field, units of their columns, and readings. Raises ValueError
    where it has more cells than columns."""
    if len(row.cells) > len(columns) and any(c.strip() for c in row.cells[len(columns) :]):
        raise ValueError(
            f"it has {len(row.cells)} cells and the header has {len(columns)}; a decimal comma"
            " needs quotes, or semicolons between the cells"
        )
    cells = [*row.cells, *[""] * (len(columns) - len(row.cells))]
    said: dict[str, str] = {}
    units: dict[str, Unit] = {}
    readings: _Readings = {}
    for column, raw in zip(columns, cells, strict=False):
        text = raw.strip()
        if column is None or not text:
            continue
        if column.field == "reading":
            readings[column.place, column.number] = (text, column.unit)
        else:
            said[column.field] = text
        if column.unit is not None:
            units[column.field] = column.unit
    return said, units, readings


def _readings(count: int) -> str:
    return "a reading" if count == 1 else f"{count} readings, or a multiple of that,"


def _method(text: str | None, methods: Mapping[str, Method]) -> Method:
    if text is None:
        raise ValueError("it names no method; fill in the cell or give --method")
    key = "-".join(re.findall(r"[^\W_]+", text.lower()))
    for method in methods.values():
        if key in (method.key, method.title.lower().replace(" ", "-")):
            return method
    raise ValueError(f"{text!r} is not a method; there are {', '.join(methods)}")


def _unit(text: str | None) -> Unit | None:
    if text is None:
        return None
    unit = UNIT_WORDS.get(text.lower())
    if unit is None:
        raise ValueError(f"the unit {text!r} is neither mm nor in")
    return unit


def _values(
    method: Method,
    together: str | None,
    unit_together: Unit | None,
    readings: Mapping[tuple[str, int], tuple[str, Unit | None]],
    unit: Unit | None,
) -> tuple[Value, ...]:
    """The line's readings in reading order."""
    if together is not None and readings:
        raise ValueError("its readings are in one column and in several; keep one of them")
    texts: list[tuple[str, str, Unit | None]]
    if together is not None:
        parts = re.split(r"[\s/|]+", together)
        texts = [(f"reading {n}", part, unit_together) for n, part in enumerate(parts, 1)]
    else:
        texts = _in_order(method, readings)
    if not texts:
        raise ValueError("it has no readings")
    if len(texts) > _MOST_READINGS:
        raise ValueError(f"it has more than {_MOST_READINGS} readings")
    return tuple(_value(method, where, text, of or unit) for where, text, of in texts)


def _in_order(
    method: Method, readings: Mapping[tuple[str, int], tuple[str, Unit | None]]
) -> list[tuple[str, str, Unit | None]]:
    """The readings of several columns in reading order: what each is called, its text, its unit."""
    named = {place for place, _ in readings if place}
    of_method = {place.key for place in method.places}
    if named - of_method:
        raise ValueError(
            f"{method.title} has no place {sorted(named - of_method)[0]!r}; it has"
            f" {', '.join(p.key for p in method.places)}"
        )
    if named and any(not place for place, _ in readings):
        raise ValueError("some of its readings are named by place and some by number; use one way")
    order = [p.key for p in method.places] if named else [""]
    numbers = {place: sorted(n for of, n in readings if of == place) for place in order}
    for place, given in numbers.items():
        if given != list(range(1, len(given) + 1)):
            missing = next(n for n in range(1, _MOST_READINGS) if n not in given)
            raise ValueError(f"{place or 'reading'} {missing} is missing before a later one")
        if named and not given:
            raise ValueError(f"the {place} has no reading")
    if len({len(given) for given in numbers.values()}) > 1:
        raise ValueError("its places were not all read equally often")
    return [
        (place if named and len(given) == 1 else f"{place or 'reading'} {n}", *readings[place, n])
        for place, given in numbers.items()
        for n in given
    ]


def _value(method: Method, where: str, text: str, unit: Unit | None) -> Value:
    value = read_value(text, unit)
    if not isinstance(value, Value):
        reason = value.reason if isinstance(value, NotUnderstood) else "no length"
        if unit is None and "without a unit" in reason:
            reason = "it has no unit; add a column unit, or give --unit"
        raise ValueError(f"{where}: {text!r} is not a reading: {reason}")
    if method.closed_jaws and abs(value.nm) <= CLOSED_JAWS_NM:
        raise ValueError(f"{where}: {text} is what closed jaws read, no {method.title.lower()}")
    return value


def _settings(
    method: Method,
    machine: str,
    said: Mapping[str, str],
    units: Mapping[str, Unit],
    unit: Unit,
    defaults: Defaults,
    repeats: int,
) -> AskedSeries:
    _name("machine", machine)
    asked = {"baseline": method.baseline is not None, "thickness": method.needs_thickness}
    lengths = {
        name: _length(name, said[name], units.get(name) or unit)
        for name in _LENGTHS
        if name in said and asked.get(name, True)
    }
    # A series has one unit for its lengths: inches are exact in millimetres, not the reverse.
    mixed = any(length.unit != unit for length in lengths.values())
    written = {
        name: mm_text(length.nm) if mixed else format(length.number, "f")
        for name, length in lengths.items()
    }
    return AskedSeries(
        baseline=written.get("baseline"),
        thickness=written.get("thickness"),
        inset=written.get("inset", "0"),
        method=method.key,
        bench=BENCH,
        unit="mm" if mixed else unit,
        strip_side=_side(said.get("strip_side", defaults.strip_side)),
        repeats=repeats,
        pieces=_pieces(said.get("pieces")),
        person=_name("person", said.get("person")),
    )


def _check(settings: AskedSeries, method: Method) -> NewSeries:
    try:
        return new_series(settings, _NOT_KNOWN_YET, {method.key: method})
    except InvalidField as error:
        message = error.message
        if error.field in _LENGTHS and getattr(settings, error.field) is None:
            name = heading_of(error.field)
            message = (
                f"{message.removesuffix('; give it')}; fill in the cell or add a column {name}"
            )
        raise ValueError(_plainly(error.field, message)) from None


def _side(text: str) -> Side:
    match text.lower():
        case "left" | "l":
            return "left"
        case "right" | "r":
            return "right"
    raise ValueError(f"strip side: {text!r} must be left or right")


def _pieces(text: str | None) -> int | None:
    if text is None:
        return None
    if not (re.fullmatch(r"[0-9]{1,3}", text) and FEWEST_PIECES <= int(text) <= MOST_PIECES):
        raise ValueError(
            f"pieces: {text!r} must be a whole number from {FEWEST_PIECES} to {MOST_PIECES}"
        )
    return int(text)


def _visit(text: str) -> int:
    if not re.fullmatch(r"[1-9][0-9]{0,2}", text):
        raise ValueError(f"visit: {text!r} must be a whole number from 1 to 999")
    return int(text)


def _note(text: str | None) -> str | None:
    if text is not None and (len(text) > LONGEST_NOTE or "\0" in text):
        raise ValueError(f"note: must be text of at most {LONGEST_NOTE} characters")
    return text


def _name(field: str, text: str | None) -> str | None:
    if text is not None and (len(text) > LONGEST_NAME or not is_plain(text)):
        raise ValueError(f"{field}: must be plain words of at most {LONGEST_NAME} characters")
    return text


def _plainly(name: str, message: str) -> str:
    return f"{heading_of(name)}: {message}"


def _length(name: str, text: str, unit: Unit) -> Value:
    value = read_value(text, unit)
    if not isinstance(value, Value):
        raise ValueError(_plainly(name, f"{text!r} is not a length such as 8.026 or 203,86"))
    return value
