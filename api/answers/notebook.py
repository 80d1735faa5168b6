"""Old notebooks: measurements written down by hand or in a spreadsheet, loaded as series.

A notebook is a CSV file with one row a trial. Its rows are read into `NotebookLine`s, or refused
with a sentence each; lines of one machine, method, set-up and day become one series, which
goes through the journal like any other, on a bench of its own. The ids of a line's readings are
derived from its contents, so that loading the same notebook twice adds nothing.

Columns are found by the words of `WORDS`, in any order, in upper or lower case; a unit in
the heading ("cut length (in)", "baseline_mm") counts for the column. The readings are in
columns named after the method's places ("fence end", "open end 2" for the second reading of
a place), or "reading 1", "reading 2", ... in reading order, or in one column "readings" with
spaces between. Dates are 2024-05-03 (a time may follow), 3.5.2024, or as `dates` says.
"""

from __future__ import annotations

import csv
import io
import re
import threading
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, Literal, NamedTuple
from uuid import UUID

from sqlalchemy import Connection, Engine, select
from uuid_utils.compat import uuid5

from analysis.methods import METHODS, Method, Side
from analysis.units import Unit, mm_text
from api.answers.moments import check_past
from api.answers.settings import (
    FEWEST_PIECES,
    LONGEST_NAME,
    LONGEST_NOTE,
    MOST_PIECES,
    AskedSeries,
    new_series,
)
from api.errors import InvalidField
from api.store.journal import Journal
from api.store.new_series import NewSeries, PastSeries
from api.store.stamps import now
from api.store.tables import Reading
from capture import records
from capture.pairing import CLOSED_JAWS_NM
from capture.values import UNITS, NotUnderstood, Value, read_value

BENCH: Final = "imported"
"""The bench of loaded series, apart from those that people measure on."""
LARGEST: Final = 20_000_000
"""The most bytes of a notebook; one with years of measurements is much smaller."""

DateOrder = Literal["ymd", "dmy", "mdy"]

WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "date": ("date", "day", "when", "taken", "taken at"),
    "time": ("time", "hour"),
    "machine": ("machine", "saw", "tool"),
    "kind": ("kind", "machine kind", "kind of machine"),
    "method": ("method", "test", "check"),
    "baseline": (
        "cut length",
        "length of cut",
        "length of the cut",
        "baseline",
        "board width",
        "width",
        "length",
    ),
    "thickness": ("thickness", "board thickness"),
    "inset": ("inset",),
    "unit": ("unit", "units"),
    "strip_side": ("strip side", "side", "strip fell", "strip fell to"),
    "pieces": ("pieces",),
    "series": ("series", "setup", "set up"),
    "readings": ("readings",),
    "caliper": ("caliper", "instrument"),
    "person": ("person", "who", "measured by"),
    "note": ("note", "notes", "remark", "remarks", "comment"),
}
"""The heading words that are understood, for each field that a column can hold."""

_NAMESPACE: Final = UUID("6f2d3c2e-5a0b-5c8e-9f43-2b6f6f746865")
_FIELD_OF: Final = {word: name for name, words in WORDS.items() for word in words}
_HEADING_UNIT: Final = re.compile(
    r"[\s_]*[(\[]?\s*(?<![^\W_])(mm|in|inch|inches)\s*[)\]]?$", re.IGNORECASE
)
_NUMBERED: Final = re.compile(r"(.*?)\s*([1-9][0-9]?)")
_MOST_READINGS: Final = 100
_LONGEST_HEADING: Final = 100  # characters; none that is understood is as long


class UnreadableNotebook(ValueError):
    """The file can't be taken at all; the message says what to do."""


class Refused(NamedTuple):
    """A line that is not taken: its number in the file (the header is 1), and why."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class NotebookLine:
    """One trial as the notebook has it; `settings` are what its series must say, apart from
    notes, and `checked` the same with a machine that is not known yet."""

    number: int
    machine: str
    kind: str
    settings: AskedSeries
    checked: NewSeries
    note: str | None
    series: str
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


@dataclass(frozen=True, slots=True)
class Loaded:
    """What loading did, or would do: trials and readings stored now, trials known before."""

    trials: int
    readings: int
    known: int
    series: tuple[UUID, ...]


# ---------------------------------------------------------------- reading the file


def read_notebook(
    data: bytes, defaults: Defaults, methods: Mapping[str, Method] = METHODS
) -> Notebook:
    """The lines of a CSV file: parted by comma, semicolon or tab, decimal point or comma,
    UTF-8, UTF-16 with its mark, or Windows-1252.

    Raises UnreadableNotebook where there is no header, a column appears twice, or what no line can
    do without is neither a column nor in `defaults`.
    """
    rows = _rows(_text(data))
    header = next(rows, None)
    if header is None:
        raise UnreadableNotebook("the file is empty; its first line must name the columns")
    places = _places(methods.values())
    columns = [_column(cell, places) for cell in header.cells]
    _check_columns(columns, defaults)
    book = Notebook(
        unused=[
            cell.strip()
            for cell, column in zip(header.cells, columns, strict=True)
            if column is None and cell.strip()
        ]
    )
    checked: _Checked = {}
    for row in rows:
        try:
            book.lines.append(_line(row, columns, defaults, methods, checked))
        except ValueError as error:
            book.refused.append(Refused(row.number, str(error)))
    return book


# Settings by what a line says of them: few notebooks have many.
_Checked = dict[tuple[Any, ...], tuple[AskedSeries, NewSeries]]
_LENGTHS: Final = ("baseline", "thickness", "inset")


class _Row(NamedTuple):
    number: int
    cells: list[str]


@dataclass(frozen=True, slots=True)
class _Column:
    """What a column holds: a field of WORDS, or readings of `place` (or of no named place)."""

    field: str
    unit: Unit | None = None
    place: str = ""
    number: int = 1


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


def _column(heading: str, places: Mapping[str, str]) -> _Column | None:
    unit: Unit | None = None
    words = " ".join(heading.lower().split())
    if len(words) > _LONGEST_HEADING:
        return None
    if found := _HEADING_UNIT.search(words):
        unit, words = UNITS[found[1]], words[: found.start()]
    words = " ".join(re.findall(r"[^\W_]+", words))
    if words in _FIELD_OF:
        return _Column(_FIELD_OF[words], unit)
    place, number = words, 1
    if found := _NUMBERED.fullmatch(words):
        place, number = found[1], int(found[2])
    if place in ("reading", "r"):
        return _Column("reading", unit, number=number)
    if place in places:
        return _Column("reading", unit, places[place], number)
    return None


def _places(methods: Iterable[Method]) -> dict[str, str]:
    """The headings that name a place: its key, its label, its key's first word alone."""
    found: dict[str, str] = {}
    for method in methods:
        firsts = Counter(place.key.split()[0] for place in method.places)
        for place in method.places:
            words = [place.key, place.label]
            if firsts[place.key.split()[0]] == 1:
                words.append(place.key.split()[0])
            for word in words:
                found.setdefault(" ".join(re.findall(r"[^\W_]+", word.lower())), place.key)
    return found


def _check_columns(columns: Sequence[_Column | None], defaults: Defaults) -> None:
    said = [c for c in columns if c is not None]
    for column, count in Counter(replace(c, unit=None) for c in said).items():
        if count > 1:
            name = column.place or column.field.replace("_", " ")
            raise UnreadableNotebook(f"two columns say the {name}; rename one of them")
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
    columns: Sequence[_Column | None],
    defaults: Defaults,
    methods: Mapping[str, Method],
    checked: _Checked,
) -> NotebookLine:
    """The line. Raises ValueError with what is wrong with it."""
    if len(row.cells) > len(columns) and any(c.strip() for c in row.cells[len(columns) :]):
        raise ValueError(
            f"it has {len(row.cells)} cells and the header has {len(columns)}; a decimal comma"
            " needs quotes, or semicolons between the cells"
        )
    cells = [*row.cells, *[""] * (len(columns) - len(row.cells))]
    said: dict[str, str] = {}
    units: dict[str, Unit] = {}
    readings: dict[tuple[str, int], tuple[str, Unit | None]] = {}
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
    method = _method(said.get("method") or defaults.method, methods)
    unit = _unit(said.get("unit")) or defaults.unit
    values = _values(method, said.get("readings"), units.get("readings"), readings, unit)
    machine = said.get("machine") or defaults.machine
    if machine is None:
        raise ValueError("it names no machine; fill in the cell or give --machine")
    repeats, left = divmod(len(values), len(method.places))
    unit = unit or values[0].unit
    alike = (
        (method.key, machine, unit, repeats),
        *(said.get(name) for name in (*_LENGTHS, "strip_side", "pieces", "person")),
        *(units.get(name) for name in _LENGTHS),
    )
    if alike not in checked:
        settings = _settings(method, machine, said, units, unit, defaults, repeats)
        checked[alike] = settings, _check(settings, method)
    settings, new = checked[alike]
    note = _note(said.get("note"))
    if left or not repeats:
        raise ValueError(
            f"{method.title} needs {_readings(len(method.places))}"
            f" ({', '.join(p.key for p in method.places)}); it has {len(values)}"
        )
    moment = _moment(said.get("date"), said.get("time"), defaults.dates)
    check_past("date", moment, now())
    return NotebookLine(
        number=row.number,
        machine=machine,
        kind=said.get("kind", "other"),
        settings=settings,
        checked=new,
        note=note,
        series=said.get("series", ""),
        moment=moment,
        caliper=said.get("caliper", "notebook")[:LONGEST_NAME],
        readings=values,
    )


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
    unit = UNITS.get(text.lower())
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
        raise ValueError("its readings are in one column and in several; keep one of the two")
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
        return new_series(settings, _NAMESPACE, {method.key: method})
    except InvalidField as error:
        raise ValueError(_plainly(error.field, error.message)) from None


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


def _note(text: str | None) -> str | None:
    if text is not None and (len(text) > LONGEST_NOTE or "\0" in text):
        raise ValueError(f"note: must be text of at most {LONGEST_NOTE} characters")
    return text


def _name(field: str, text: str | None) -> str | None:
    if text is not None and (len(text) > LONGEST_NAME or not text.isprintable()):
        raise ValueError(f"{field}: must be plain words of at most {LONGEST_NAME} characters")
    return text


def _plainly(name: str, message: str) -> str:
    return f"{'cut length' if name == 'baseline' else name.replace('_', ' ')}: {message}"


def _length(name: str, text: str, unit: Unit) -> Value:
    value = read_value(text, unit)
    if not isinstance(value, Value):
        raise ValueError(_plainly(name, f"{text!r} is not a length such as 8.026 or 203,86"))
    return value


# ---------------------------------------------------------------- dates


def _moment(day: str | None, hour: str | None, order: DateOrder) -> datetime:
    """The moment in UTC; noon where only the day is known, so that it is that day nearly
    everywhere. Raises ValueError."""
    if day is None:
        raise ValueError("it has no date")
    try:
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ].*", day):
            moment = datetime.fromisoformat(day)
            return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
        at = time(12) if hour is None else time.fromisoformat(hour.zfill(5))
        return datetime.combine(_day(day, order), at, at.tzinfo or UTC).astimezone(UTC)
    except (ValueError, OverflowError):
        said = day if hour is None else f"{day} {hour}"
        raise ValueError(
            f"{said!r} is not a date that is understood; write it as 2024-05-03 or"
            " 2024-05-03 14:30, or give --dates dmy or mdy"
        ) from None


def _day(text: str, order: DateOrder) -> date:
    parts = re.fullmatch(r"([0-9]{1,4})([-./])([0-9]{1,2})\2([0-9]{1,4})\.?", text)
    if parts is None:
        raise ValueError
    first, mark, middle, last = int(parts[1]), parts[2], int(parts[3]), int(parts[4])
    if len(parts[1]) == 4:
        return date(first, middle, last)
    if len(parts[4]) != 4:
        raise ValueError  # which century, and which of the three is the year?
    # With points the day comes first nearly everywhere; with other marks both orders are possible,
    # unless only one of them gives a date.
    day_first = order == "dmy" or (order == "ymd" and (mark == "." or first > 12))
    month_first = order == "mdy" or (order == "ymd" and middle > 12)
    if not day_first and not month_first:
        raise ValueError
    return date(last, middle, first) if day_first else date(last, first, middle)


# ---------------------------------------------------------------- loading


@dataclass(frozen=True, slots=True)
class _Trial:
    """A line with its id, which follows from what the line says, and those of its readings."""

    line: NotebookLine
    id: UUID
    readings: tuple[UUID, ...]


def load(
    engine: Engine, journal: Journal, lines: Sequence[NotebookLine], dry_run: bool = False
) -> Loaded:
    """Keep the lines that the store does not have yet; with `dry_run` only say which.

    One load at a time. An interrupted one leaves whole series, and is completed by loading the
    same again.
    """
    with _ONE_LOAD:
        trials = _identified(lines)
        with engine.connect() as connection:
            known = _known(connection, trials)
        new = [trial for trial in trials if trial.id not in known]
        series: list[UUID] = []
        if not dry_run:
            for batch in _batches(map(_past_series, _grouped(new))):
                series += journal.load(BENCH, batch)
        readings = sum(len(trial.readings) for trial in new)
        return Loaded(len(new), readings, len(trials) - len(new), tuple(series))


def _identified(lines: Iterable[NotebookLine]) -> list[_Trial]:
    trials = []
    seen: Counter[str] = Counter()
    for line in lines:
        new = line.checked
        content = repr(
            (
                line.machine,
                line.series,
                line.moment.isoformat(),
                (new.method.key, new.baseline_nm, new.thickness_nm, new.inset_nm),
                (new.strip_side, new.pieces, new.repeats),
                [value.nm for value in line.readings],
            )
        )
        # Two equal lines are two strips with the same readings.
        seen[content] += 1
        trial_id = uuid5(_NAMESPACE, f"{content} {seen[content]}")
        ids = tuple(uuid5(trial_id, str(index)) for index in range(len(line.readings)))
        trials.append(_Trial(line, trial_id, ids))
    return trials


def _known(connection: Connection, trials: Sequence[_Trial]) -> set[UUID]:
    """Those whose readings are in the store."""
    first = {trial.readings[0]: trial.id for trial in trials}
    ids = list(first)
    found: set[UUID] = set()
    for at in range(0, len(ids), 500):  # within every engine's limit on parameters
        rows = connection.scalars(select(Reading.id).where(Reading.id.in_(ids[at : at + 500])))
        found.update(first[reading] for reading in rows)
    return found


def _grouped(trials: Iterable[_Trial]) -> list[list[_Trial]]:
    """The trials of each series in the order of time, the earliest series first."""
    groups: dict[Any, list[_Trial]] = {}
    for trial in sorted(trials, key=lambda t: t.line.moment):
        line = trial.line
        key = (line.machine, line.series, line.moment.date(), line.settings)
        groups.setdefault(key, []).append(trial)
    return list(groups.values())


def _past_series(trials: Sequence[_Trial]) -> PastSeries:
    first = trials[0].line
    notes = dict.fromkeys(t.line.note for t in trials if t.line.note)
    new = replace(first.checked, note="; ".join(notes)[:LONGEST_NOTE] or None)
    readings = _records(trials)
    ended = max(reading.taken_at for reading in readings)
    return PastSeries(first.machine, first.kind, new, readings, first.moment, ended)


def _batches(series: Iterable[PastSeries]) -> Iterator[list[PastSeries]]:
    """As many series as are stored at once."""
    batch: list[PastSeries] = []
    for each in series:
        batch.append(each)
        if sum(len(past.readings) for past in batch) >= _READINGS_AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch


def _records(trials: Sequence[_Trial]) -> list[records.Reading]:
    """The readings, a second apart where the notebook has no times: two equal readings closer
    together would be taken for a bounce of the button."""
    kept: list[records.Reading] = []
    ended: datetime | None = None
    for trial in trials:
        at = trial.line.moment
        if ended is not None:
            at = max(at, ended + timedelta(seconds=1))
        for reading_id, value in zip(trial.readings, trial.line.readings, strict=True):
            ended = at
            kept.append(
                records.Reading(
                    id=reading_id,
                    bench=BENCH,
                    caliper=trial.line.caliper,
                    sent=value.sent,
                    unit=value.unit,
                    nm=value.nm,
                    taken_at=at,
                    origin="imported",
                )
            )
            at += timedelta(seconds=1)
    return kept


_ONE_LOAD: Final = threading.Lock()
# A press at a bench waits for one transaction, so it is short.
_READINGS_AT_ONCE: Final = 1000
