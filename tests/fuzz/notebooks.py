"""Old notebooks: a CSV file of any shape, read, and loaded into a store."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from random import Random
from urllib.parse import urlencode

from api.answers.notebook import Defaults, Notebook, UnreadableNotebook, read_notebook
from api.server import Server
from api.settings import Settings
from api.store.doctor import findings
from api.web.app import build
from capture.values import Value, read_value
from tests.api.conftest import local_client
from tests.fuzz import texts
from tests.fuzz.fuzzing import Fuzzer, Place, Try, plain

_HEADERS = (
    ("date", "machine", "method", "unit", "cut length", "fence end", "open end"),
    ("Datum", "Day", "Saw", "Test", "Baseline (mm)", "fence_end_mm", "open end [mm]", "note"),
    ("date", "time", "machine", "method", "part", "unit", "series"),
    ("date", "machine", "method", "cut length in", "readings (in)", "strip side", "person"),
)
_CELLS = {
    "date": ("2024-05-03", "3.5.2024", "2024-05-03 14:30", "23/5/2024", "3/5/2024", "9999-12-31"),
    "day": ("2024-05-03", "0001-01-01T00:00:00+14:00", "2031-01-01", "2024-02-30"),
    "time": ("14:30", "9:05", "", "25:00", "24:00:00Z"),
    "machine": ("Window saw", "Birch sled", "", "x" * 201),
    "saw": ("Window saw", "Kappsäge"),
    "method": ("reversal", "Reversal", "stop-block", "roll", "?"),
    "test": ("reversal", "half turn"),
    "unit": ("mm", "in", "cm", ""),
    "series": ("", "a", "b"),
    "strip side": ("left", "R", "up"),
    "person": ("Jo", "\x1b[1m"),
    "note": ("", "stop tightened", 'said "no"', "two\nlines", "x" * 2001, "=1+1"),
    "part": ("412.1", "412,14", "-", "1e3"),
    "readings (in)": ("0.475 0.482", "0.475/0.482", "0.475", "0.475 0.482 0.5 0.51"),
}
_GOOD = ("12.30", "12,41", "200", "8.026")
_LENGTHS = (*_GOOD, "0.475 in", "0.01", "", "12.3.4", "nan", "-12.3")
_DEFAULTS: Sequence[dict[str, str]] = (
    {},
    {},
    {"machine": "Saw", "method": "stop-block", "unit": "mm"},
    {"unit": "in", "dates": "dmy", "strip_side": "right"},
    {"unit": "mm", "dates": "mdy"},
)


def _sheet(chance: Random) -> list[list[str]]:
    header = list(chance.choice(_HEADERS))
    if chance.random() < 0.3:
        chance.shuffle(header)
    plainly = chance.random() < 0.5
    rows = []
    for _ in range(chance.randrange(8)):
        row = []
        for name in header:
            cells = _CELLS.get(name.lower(), _GOOD if plainly else _LENGTHS)
            row.append(cells[0] if plainly and cells is not _GOOD else chance.choice(cells))
        rows.append(row)
        if chance.random() < 0.1:
            rows.append([texts.text(chance) for _ in range(chance.randrange(9))])
    return [header, *rows]


def _written(sheet: list[list[str]], chance: Random, *, delimiter: str = "", end: str = "") -> str:
    out = io.StringIO()
    writer = csv.writer(
        out, delimiter=delimiter or chance.choice(",;\t"), lineterminator=end or "\r\n"
    )
    writer.writerows(sheet)
    return out.getvalue()


def _encoded(sheet: str, chance: Random) -> bytes:
    mark, encoding = chance.choice((("", "utf-8"), ("\ufeff", "utf-8"), ("", "utf-16")))
    return (mark + sheet).encode(encoding, "replace")


def _odd(chance: Random) -> bytes:
    """A file that is not much of a sheet."""
    sheet = chance.choice(("", "sep=;\n", 'sep="\n', "sep=\r\n", "sep=a\n")) + _written(
        _sheet(chance), chance, end=chance.choice(("\n", "\r\n", "\r"))
    )
    data = bytearray(texts.altered(sheet, chance, ',;"\n\t').encode("utf-8", "surrogatepass"))
    if data and chance.random() < 0.3:
        data[chance.randrange(len(data))] = chance.randrange(256)
    return bytes(data)


def _meaning(book: Notebook) -> object:
    return [
        (line.machine, line.settings, line.moment, [(v.nm, v.unit, v.sent) for v in line.readings])
        for line in book.lines
    ], [each.reason for each in book.refused]


def _checked(book: Notebook) -> None:
    numbers = [line.number for line in book.lines] + [each.line for each in book.refused]
    assert len(set(numbers)) == len(numbers), "a line is taken and refused, or told twice"
    assert all(each.reason for each in book.refused)
    for line in book.lines:
        assert line.readings
        for value in line.readings:
            again = read_value(value.sent, value.unit)
            assert isinstance(again, Value)
            assert again.nm == value.nm
        assert len(line.readings) == len(line.checked.method.places) * (line.settings.repeats or 1)


def _sheets(chance: Random) -> bool:
    """However a sheet is written down as a file, it says the same."""
    defaults = Defaults(**chance.choice(_DEFAULTS))  # type: ignore[arg-type]
    sheet = _sheet(chance)
    # A cell of spaces alone, or of what no code page has, does not outlive its file.
    sheet = [[cell.encode("utf-8", "replace").decode().replace("\0", "") for cell in row]
             for row in sheet]  # fmt: skip
    found = []
    for delimiter in ",;\t":
        try:
            book = read_notebook(
                _encoded(_written(sheet, chance, delimiter=delimiter), chance), defaults
            )
        except UnreadableNotebook as error:
            found.append(str(error))
            continue
        _checked(book)
        found.append(_meaning(book))
    assert found[0] == found[1] == found[2], "the delimiter or the encoding changes what is read"
    return not isinstance(found[0], str) and bool(book.lines)


def _files(chance: Random) -> bool:
    data = _odd(chance)
    defaults = Defaults(**chance.choice(_DEFAULTS))  # type: ignore[arg-type]
    try:
        book = read_notebook(data, defaults)
    except UnreadableNotebook as error:
        assert str(error)
        return False
    _checked(book)
    assert _meaning(read_notebook(data, defaults)) == _meaning(book)
    return bool(book.lines)


@contextmanager
def _loaded(place: Place) -> Iterator[Try]:
    server = Server(Settings(data=place.folder / "data", db=place.store))
    kept: dict[str, int] = {"trials": 0, "readings": 0}

    def one(chance: Random) -> bool:
        data = (
            _encoded(_written(_sheet(chance), chance), chance)
            if chance.random() < 0.7
            else _odd(chance)
        )
        asked = chance.choice(_DEFAULTS) | chance.choice(({}, {}, {"strict": "true"}))

        def load(**more: str) -> tuple[int, dict[str, object]]:
            answer = client.post(
                f"/api/load?{urlencode(asked | more)}",
                content=data,
                headers={"Content-Type": "text/csv"},
            )
            assert answer.status_code in (200, 422), answer.text
            said: dict[str, object] = json.loads(answer.text)
            if answer.status_code == 422:
                assert answer.headers["content-type"] == "application/problem+json"
                assert said["detail"]
            return answer.status_code, said

        tried, dry = load(dry_run="true")
        status, wet = load()
        if status == 422:
            assert tried == 422 or dry["refused"]
            return False
        assert (dry["trials"], dry["readings"], dry["known"], dry["refused"]) == (
            *(wet["trials"], wet["readings"], wet["known"], wet["refused"]),
        ), "the dry run said something else"
        _, again = load()
        assert (again["trials"], again["series"]) == (0, []), "loading the same again adds"
        assert again["known"] == wet["trials"] + wet["known"]  # type: ignore[operator]
        for name in kept:
            kept[name] += wet[name]  # type: ignore[operator]
        return bool(wet["trials"])

    with local_client(build(server)) as client:
        yield one
        for name, count in kept.items():
            assert len(client.get(f"/api/{name}.jsonl").text.splitlines()) == count, name
    with server.reading() as connection:
        assert list(findings(connection)) == []
    server.close()


FUZZERS: Sequence[Fuzzer] = (
    plain("notebook sheets", "any delimiter and encoding say the same", _sheets, 250),
    plain("notebook files", "each line is taken or refused, once", _files, 800),
    Fuzzer(
        "notebooks loaded", "loading again adds nothing; doctor finds nothing", _loaded, 25, True
    ),
)
