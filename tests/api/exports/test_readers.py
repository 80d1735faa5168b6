"""Other programs read every file of a pull, with the same values and types."""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import zip_longest
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import openpyxl
import pandas
import polars
import pyarrow.parquet
import pytest

from api.exports.formats import OFFERED
from api.server import Server
from api.settings import Settings
from tests.api.bench import Person
from tests.api.conftest import local_client
from tests.api.exports.everything import measured

PACKAGE = ("trials", "readings", "trial_readings", "changes", "series", "machines", "stops")


class Read(NamedTuple):
    """What a reader found: the sum of all angles, what became of the readings, when the first and
    the last one was taken, the exact sum of all lengths, and the machines' names."""

    angles: float
    fates: dict[str, int]
    first: datetime
    last: datetime
    lengths: Decimal
    machines: set[str]


@pytest.fixture(scope="module")
def folder(application: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Every export of a store that holds a bit of everything, as files."""
    data = tmp_path_factory.mktemp("data")
    pulled = tmp_path_factory.mktemp("pulled")
    server = Server(Settings(data=data))
    application.state.server = server
    try:
        with local_client(application) as client:
            person = Person(client)
            measured(person, server)
            person.press("12.30", "0.00", "12.31")
            for what, forms in OFFERED.items():
                for form in forms:
                    file = pulled / f"{what}.{form}"
                    file.write_bytes(client.get(f"/api/{what}.{form}").content)
            package = client.get("/api/history.zip").content
    finally:
        server.close()
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        archive.extractall(pulled / "history")
    return pulled


@pytest.fixture(scope="module")
def truth(folder: Path) -> Read:
    """By the plainest reader: JSON, line by line."""

    def rows(what: str) -> list[dict[str, Any]]:
        text = (folder / f"{what}.jsonl").read_text()
        return [
            json.loads(line, parse_float=Decimal, parse_int=Decimal)
            for line in text.split("\n")
            if line
        ]

    readings, trials = rows("readings"), rows("trials")
    moments = [datetime.fromisoformat(row["taken_at"]) for row in readings]
    found = Read(
        math.fsum(float(row["angle_deg"]) for row in trials if row["angle_deg"] is not None),
        dict(Counter(row["fate"] for row in readings)),
        min(moments),
        max(moments),
        sum((Decimal(row["reading_mm"]) for row in readings), Decimal(0)),
        {row["machine"] for row in trials},
    )
    assert {"counted", "left out", "taken back", "closed jaws"} <= set(found.fates)
    assert all(moment.utcoffset() == timedelta(0) for moment in moments)
    return found


def same(found: Read, truth: Read, near: timedelta = timedelta(0)) -> None:
    assert found.angles == pytest.approx(truth.angles, rel=1e-12)
    assert found.fates == truth.fates
    for moment, right in ((found.first, truth.first), (found.last, truth.last)):
        assert moment.utcoffset() == timedelta(0)
        assert abs(moment - right) <= near
    assert found.lengths == truth.lengths
    assert found.machines == truth.machines


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet", "xlsx"])
def test_pandas(folder, truth, form):
    read = {
        "csv": lambda file: pandas.read_csv(file, dtype={"reading_mm": str}),
        "jsonl": lambda file: pandas.read_json(file, lines=True, dtype=False),
        "parquet": pandas.read_parquet,
        "xlsx": lambda file: pandas.read_excel(file, sheet_name=0),
    }[form]
    readings, trials = (read(folder / f"{what}.{form}") for what in ("readings", "trials"))
    moments = pandas.to_datetime(readings["taken_at"], utc=True)
    digits = Decimal("0.000001")
    found = Read(
        math.fsum(trials["angle_deg"].dropna()),
        readings["fate"].value_counts().to_dict(),
        moments.min().to_pydatetime(),
        moments.max().to_pydatetime(),
        sum((Decimal(str(v)).quantize(digits) for v in readings["reading_mm"]), Decimal(0)),
        set(trials["machine"]),
    )
    same(found, truth, timedelta(milliseconds=1) if form == "xlsx" else timedelta(0))


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
def test_polars(folder, truth, form):
    read: Any = {
        "csv": lambda file: polars.read_csv(file, try_parse_dates=True, infer_schema_length=None),
        "jsonl": lambda file: polars.read_ndjson(file, infer_schema_length=None),
        "parquet": polars.read_parquet,
    }[form]
    readings, trials = (read(folder / f"{what}.{form}") for what in ("readings", "trials"))
    moments = readings["taken_at"]
    if form == "jsonl":
        moments = moments.str.to_datetime(time_zone="UTC")
    assert moments.dtype == polars.Datetime("us", "UTC")
    digits = Decimal("0.000001")
    same(
        Read(
            math.fsum(trials["angle_deg"].drop_nulls()),
            dict(readings["fate"].value_counts().iter_rows()),
            moments.min(),
            moments.max(),
            sum((Decimal(str(v)).quantize(digits) for v in readings["reading_mm"]), Decimal(0)),
            set(trials["machine"]),
        ),
        truth,
    )


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
def test_duckdb(folder, truth, form):
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")

        def ask(query: str, what: str) -> list[Any]:
            reads = {"csv": "read_csv", "jsonl": "read_json", "parquet": "read_parquet"}[form]
            more = ", sample_size = -1" if form != "parquet" else ""
            source = f"{reads}('{folder}/{what}.{form}'{more})"
            return connection.execute(query.replace("FROM it", f"FROM {source}")).fetchall()

        ((first, last, lengths),) = ask(
            "SELECT min(taken_at)::TIMESTAMPTZ::VARCHAR, max(taken_at)::TIMESTAMPTZ::VARCHAR,"
            " sum(reading_mm::DECIMAL(18, 6)) FROM it",
            "readings",
        )
        found = Read(
            math.fsum(
                row[0]
                for row in ask("SELECT angle_deg FROM it WHERE angle_deg IS NOT NULL", "trials")
            ),
            dict(ask("SELECT fate, count(*) FROM it GROUP BY 1", "readings")),
            datetime.fromisoformat(first),
            datetime.fromisoformat(last),
            lengths,
            {row[0] for row in ask("SELECT DISTINCT machine FROM it", "trials")},
        )
    same(found, truth)


def test_pyarrow(folder, truth):
    readings, trials = (
        pyarrow.parquet.read_table(folder / f"{what}.parquet") for what in ("readings", "trials")
    )
    moments = readings["taken_at"].to_pylist()
    assert str(readings.schema.field("reading_mm").type) == "decimal128(18, 6)"
    same(
        Read(
            math.fsum(v for v in trials["angle_deg"].to_pylist() if v is not None),
            dict(Counter(readings["fate"].to_pylist())),
            min(moments),
            max(moments),
            sum(readings["reading_mm"].to_pylist(), Decimal(0)),
            set(trials["machine"].to_pylist()),
        ),
        truth,
    )
    assert "length_mm" in trials.column_names


def test_openpyxl(folder, truth):
    """Its moments are dates to a spreadsheet, which the text of a CSV file is not to every one."""

    def rows(what: str) -> list[dict[str, Any]]:
        book = openpyxl.load_workbook(folder / f"{what}.xlsx", read_only=True)
        with closing(book):
            cells = list(book[what].iter_rows())
            names = [cell.value for cell in cells[0]]
            at = names.index("taken_at")
            assert all(row[at].is_date for row in cells[1:])
            # Of empty cells at a row's end it makes none.
            return [dict(zip_longest(names, (c.value for c in row))) for row in cells[1:]]

    readings, trials = rows("readings"), rows("trials")
    moments = [row["taken_at"].replace(tzinfo=UTC) for row in readings]
    digits = Decimal("0.000001")
    same(
        Read(
            math.fsum(row["angle_deg"] for row in trials if row["angle_deg"] is not None),
            dict(Counter(row["fate"] for row in readings)),
            min(moments),
            max(moments),
            sum((Decimal(str(row["reading_mm"])).quantize(digits) for row in readings), Decimal(0)),
            {row["machine"] for row in trials},
        ),
        truth,
        near=timedelta(milliseconds=1),
    )


def test_sqlite3(folder, truth):
    """The package's tables with their keys, in a database that holds them to these."""
    with closing(sqlite3.connect(":memory:")) as store:
        described = json.loads((folder / "history" / "datapackage.json").read_text())
        kinds = {"integer": "INTEGER", "number": "NUMERIC"}
        for resource in described["resources"]:
            name, schema = resource["name"], resource["schema"]
            parts = [f'"{f["name"]}" {kinds.get(f["type"], "TEXT")}' for f in schema["fields"]]
            parts.append(f"PRIMARY KEY ({', '.join(schema['primaryKey'])})")
            for key in schema.get("foreignKeys", ()):
                there = key["reference"]
                parts.append(
                    f'FOREIGN KEY ("{key["fields"]}") REFERENCES'
                    f' "{there["resource"] or name}" ("{there["fields"]}")'
                )
            store.execute(f'CREATE TABLE "{name}" ({", ".join(parts)})')
            with (folder / "history" / resource["path"]).open(newline="") as file:
                rows = [[cell or None for cell in row] for row in list(csv.reader(file))[1:]]
            marks = ", ".join("?" * len(schema["fields"]))
            store.executemany(f'INSERT INTO "{name}" VALUES ({marks})', rows)
        assert store.execute("PRAGMA foreign_key_check").fetchall() == []
        first, last = store.execute("SELECT min(taken_at), max(taken_at) FROM readings").fetchone()
        joined = store.execute(
            "SELECT t.angle_deg, m.machine FROM trials t JOIN series s USING (series_id)"
            " JOIN machines m USING (machine_id)"
        ).fetchall()
        found = Read(
            math.fsum(angle for angle, _ in joined if angle is not None),
            dict(store.execute("SELECT fate, count(*) FROM readings GROUP BY 1")),
            datetime.fromisoformat(first),
            datetime.fromisoformat(last),
            sum(
                (Decimal(str(v)) for (v,) in store.execute("SELECT reading_mm FROM readings")),
                Decimal(0),
            ),
            {machine for _, machine in joined},
        )
    same(found, truth)


_FRICTIONLESS = """
import json
from collections import Counter
from frictionless import Package, validate
report = validate("datapackage.json")
assert report.valid, report.flatten(["resourceName", "title", "message"])
package = Package("datapackage.json")
readings, trials, series = (
    package.get_resource(name).read_rows() for name in ("readings", "trials", "series")
)
moments = [row["taken_at"] for row in readings]
assert all(isinstance(row["definition"], dict) for row in series)
print(json.dumps([
    [str(row["angle_deg"]) for row in trials if row["angle_deg"] is not None],
    Counter(row["fate"] for row in readings),
    min(moments).isoformat(), max(moments).isoformat(),
    str(sum(row["reading_mm"] for row in readings)),
    sorted({row["machine"] for row in trials}),
]))
broken = "machines.csv"
text = open(broken).read().splitlines(keepends=True)
open(broken, "w").writelines(text[:1] + text[2:])
report = validate("datapackage.json", resource_name="stops")
print(sorted({error[0] for error in report.flatten(["type"])}))
"""


def test_frictionless_validates_the_package_with_its_keys(folder, truth, tmp_path):
    """In a process of its own: it leaves files to be closed by themselves."""
    shutil.copytree(folder / "history", tmp_path / "history")
    done = subprocess.run(
        [sys.executable, "-c", _FRICTIONLESS],
        cwd=tmp_path / "history",
        capture_output=True,
        text=True,
        timeout=100,
    )
    assert done.returncode == 0, done.stderr
    read, broken = done.stdout.splitlines()
    angles, fates, first, last, lengths, machines = json.loads(read)
    same(
        Read(
            math.fsum(map(float, angles)),
            fates,
            datetime.fromisoformat(first),
            datetime.fromisoformat(last),
            Decimal(lengths),
            set(machines),
        ),
        truth,
    )
    # A machine that is missing is noticed where a stop names it.
    assert "foreign-key" in broken


_R = """
r <- read.csv("readings.csv"); t <- read.csv("trials.csv")
at <- as.POSIXct(r$taken_at, format = "%Y-%m-%dT%H:%M:%OSZ", tz = "UTC")
cat(sprintf("%.12f", sum(t$angle_deg, na.rm = TRUE)), "\\n")
cat(format(min(at), "%Y-%m-%d %H:%M:%S"), "\\n")
for (f in sort(unique(r$fate))) cat(f, sum(r$fate == f), sep = "\\t", fill = TRUE)
"""


def test_r(folder, truth):
    if shutil.which("Rscript") is None:
        pytest.skip("no R here")
    done = subprocess.run(
        ["Rscript", "-e", _R], cwd=folder, capture_output=True, text=True, timeout=100
    )
    assert done.returncode == 0, done.stderr
    angles, first, *fates = done.stdout.splitlines()
    assert float(angles) == pytest.approx(truth.angles, abs=1e-9)
    assert first.strip() == f"{truth.first:%Y-%m-%d %H:%M:%S}"
    assert {f: int(n) for f, n in (each.split("\t") for each in fates)} == truth.fates


def test_libreoffice_makes_dates_of_a_workbooks_moments(folder, truth, tmp_path):
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("no LibreOffice here")
    # As another workbook, in which a cell says whether it holds a date.
    done = subprocess.run(
        [
            *(office, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless"),
            *("--convert-to", "fods", "--outdir", tmp_path, folder / "readings.xlsx"),
        ],
        capture_output=True,
        text=True,
        timeout=110,
    )
    assert done.returncode == 0, done.stderr
    text = (tmp_path / "readings.fods").read_text()
    rows = sum(truth.fates.values())
    assert text.count('office:value-type="date"') >= 2 * rows
    assert f"{truth.first:%Y-%m-%dT%H:%M}" in text
