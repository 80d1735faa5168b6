"""Old notebooks: what is taken, what is refused and why, and that twice adds nothing."""

from __future__ import annotations

import csv
import math

import pytest

from api.answers.notebook import Defaults, UnreadableNotebook, read_notebook
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH
from tests.api.notebooks import load, page


def reading(sheet: str, **defaults: object):
    return read_notebook(sheet.encode(), Defaults(**defaults))  # type: ignore[arg-type]


def test_an_old_page_becomes_series_with_the_angles_it_always_said(client):
    done = load(client, page("inches.csv"))
    assert (done["trials"], done["readings"], done["known"], done["refused"]) == (5, 10, 0, [])
    series = [client.get(f"/api/series/{s}").json() for s in done["series"]]
    assert [(s["machine"]["name"], s["method"], len(s["trials"])) for s in series] == [
        ("Window saw", "reversal", 3),
        ("Birch sled", "five-cut", 1),
        ("Window saw", "reversal", 1),
    ]
    angles = [t["angle_deg"] for t in series[0]["trials"]]
    # Common practice, no source: 3.682 and 0.025 degrees.
    assert angles[0] == pytest.approx(3.682, abs=5e-4)
    assert angles[1] == angles[2] == pytest.approx(0.025, abs=5e-4)
    assert series[2]["trials"][0]["angle_deg"] == pytest.approx(-angles[1], rel=1e-12)
    assert series[0]["bench"] == "imported"
    assert series[0]["note"] == "stop knocked loose; stop tightened"
    assert series[0]["finished_at"] == "2024-05-03T12:00:05Z"
    assert series[1]["trials"][0]["taken_at"] == "2024-05-03T16:20:01Z"


@ON_BOTH
def test_loading_the_same_page_twice_adds_nothing(client):
    load(client, page("inches.csv"))
    before = client.get("/api/trials.csv").text
    again = load(client, page("inches.csv"))
    assert (again["trials"], again["known"], again["series"]) == (0, 5, [])
    assert client.get("/api/trials.csv").text == before
    assert len(before.splitlines()) == 6


@ON_BOTH
def test_a_page_that_grew_adds_only_the_new_lines(client):
    whole = page("inches.csv")
    *some, _last, _end = whole.split(b"\n")
    assert load(client, b"\n".join(some))["trials"] == 4
    assert load(client, whole)["trials"] == 1
    assert len(client.get("/api/trials.csv").text.splitlines()) == 6


def test_decimal_commas_semicolons_and_another_code_page_are_read(client):
    done = load(client, page("komma.csv"))
    assert done["refused"] == []
    assert done["unused_columns"] == ["Datum"]
    roll, block = (client.get(f"/api/series/{s}").json() for s in done["series"])
    assert roll["machine"]["name"] == "Kappsäge"
    assert [r["sent"] for r in roll["trials"][0]["readings"]] == [
        "12,30",
        "12,31",
        "12,40",
        "12,42",
    ]
    # The exact relation: half the corners' contrast over twice the baseline.
    assert roll["trials"][0]["angle_deg"] == pytest.approx(
        math.degrees(math.atan((12.40 + 12.42 - 12.30 - 12.31) / 2 / (2 * 203.86)))
    )
    assert block["repeats"] == 3
    assert [float(r["mm"]) for r in block["trials"][0]["readings"]] == [412.1, 412.14, 412.12]


def test_a_bad_line_says_why_and_stops_no_good_one(client):
    done = load(client, page("faulty.csv"))
    assert done["trials"] == 2
    notes = [row[-1] for row in csv.reader(page("faulty.csv").decode().splitlines())]
    told = {each["line"]: each["reason"] for each in done["refused"]}
    assert sorted(told) == list(range(3, 14))
    for line, reason in told.items():
        assert notes[line - 1] in reason


def test_a_bench_in_use_is_not_disturbed(client):
    person = Person(client)
    series = person.start()
    person.press("12.30")
    load(client, page("inches.csv"))
    person.press("12.40")
    assert person.sent(series) == [["12.30", "12.40"]]
    assert person.get("/api/benches/imported")["series"] is None


@ON_BOTH
def test_two_strips_that_came_out_alike_are_two_trials_and_no_bounce(client):
    sheet = "date,machine,method,unit,reading 1\n" + "2024-05-03,Saw,stop-block,mm,412.1\n" * 3
    assert load(client, sheet)["trials"] == 3
    assert load(client, sheet)["known"] == 3
    assert len(client.get("/api/trials.csv").text.splitlines()) == 4


def test_lines_of_one_day_are_put_in_the_order_of_their_time(client):
    sheet = (
        "date,time,part,unit\n"
        "2024-05-03,14:30,412.3,mm\n"
        "2024-05-03,9:05,412.1,mm\n"
        "2024-05-03,10:00,412.2,mm\n"
    )
    done = load(client, sheet, machine="Saw", method="stop-block")
    found = client.get(f"/api/series/{done['series'][0]}").json()
    assert [t["readings"][0]["sent"] for t in found["trials"]] == ["412.1", "412.2", "412.3"]


@pytest.mark.parametrize(
    ("written", "order", "means"),
    [
        ("2024-05-03", "ymd", "2024-05-03T12:00:00+00:00"),
        ("2024/5/3", "ymd", "2024-05-03T12:00:00+00:00"),
        ("3.5.2024", "ymd", "2024-05-03T12:00:00+00:00"),
        ("3/5/2024", "dmy", "2024-05-03T12:00:00+00:00"),
        ("5/3/2024", "mdy", "2024-05-03T12:00:00+00:00"),
        ("23/5/2024", "ymd", "2024-05-23T12:00:00+00:00"),
        ("5-23-2024", "ymd", "2024-05-23T12:00:00+00:00"),
        ("2024-05-03 14:30", "ymd", "2024-05-03T14:30:00+00:00"),
        ("2024-05-03T14:30:05+02:00", "ymd", "2024-05-03T12:30:05+00:00"),
    ],
)
def test_dates_mean_the_day_that_was_meant(written, order, means):
    sheet = f"date,machine,method,part (mm)\n{written},Saw,stop-block,412.1\n"
    assert reading(sheet, dates=order).lines[0].moment.isoformat() == means


@pytest.mark.parametrize("mark", ['"', "\r"])
def test_a_mark_that_no_csv_can_be_parted_by_is_not_taken_for_one(mark):
    cells = ("date", "machine", "method", "part mm"), ("2024-05-03", "Saw", "stop-block", "412.1")
    with pytest.raises(UnreadableNotebook, match="no column"):
        reading(f"sep={mark}\n" + "".join(mark.join(row) + "\n" for row in cells))


@pytest.mark.parametrize("written", ["3/5/2024", "3.5.24", "2024-13-03", "May 3", "0/0/0000", ""])
def test_a_date_that_could_be_another_day_is_refused(written):
    sheet = f"date,machine,method,part (mm)\n{written},Saw,stop-block,412.1\n"
    (refused,) = reading(sheet).refused
    assert "date" in refused.reason


@pytest.mark.parametrize(
    ("headings", "cells", "widths"),
    [
        ("Fence end (mm),Open end (mm)", "12.30,12.40", ["12.30", "12.40"]),
        ("open_end_mm,fence_end_mm", "12.40,12.30", ["12.30", "12.40"]),
        ("FENCE [mm],Open [mm]", "12.30,12.40", ["12.30", "12.40"]),
        ("Reading 2 mm,Reading 1 mm", "12.40,12.30", ["12.30", "12.40"]),
        ("Readings (mm)", "12.30 12.40", ["12.30", "12.40"]),
        ("fence end,open end", "12.30 mm,0.48 in", ["12.30 mm", "0.48 in"]),
        (
            "fence end mm,fence end 2 mm,open end mm,open end 2 mm",
            "12.30,12.31,12.40,12.41",
            ["12.30", "12.31", "12.40", "12.41"],
        ),
    ],
)
def test_headings_are_understood_as_people_write_them(headings, cells, widths):
    sheet = f"Saw,Day,Method,Board width mm,{headings}\nSled,2024-05-03,Reversal,200,{cells}\n"
    book = reading(sheet)
    assert book.refused == []
    assert [value.sent for value in book.lines[0].readings] == widths
    assert book.lines[0].settings.repeats == len(widths) // 2


def test_a_length_in_another_unit_than_the_readings_stays_exact():
    book = reading(
        "date,machine,method,cut length (in),fence end (mm),open end (mm)\n"
        "2024-05-03,Saw,reversal,8.026,12.3,12.4\n"
        "2024-05-03,Saw,reversal,203.8604 mm,0.5 in,0.6 in\n"
    )
    assert book.refused == []
    assert [(x.settings.baseline, x.settings.unit) for x in book.lines] == [("203.8604", "mm")] * 2


def test_what_spreadsheets_save_unasked_is_read():
    rows = "date;machine;method;part (mm)\r\n2024-05-03;Säge;stop-block;412,1\r\n"
    for data in (
        b"sep=;\r\n" + rows.encode("utf-8"),
        b"\xef\xbb\xbf" + rows.encode("utf-8"),
        rows.replace(";", "\t").encode("utf-16"),
        rows.encode("cp1252"),
    ):
        (line,) = read_notebook(data, Defaults()).lines
        assert (line.machine, line.readings[0].nm) == ("Säge", 412_100_000)


@pytest.mark.parametrize(
    ("sheet", "says"),
    [
        ("", "empty"),
        ("\x00\x01\x02", "is not text"),
        ("date,machine,method\n", "no column holds readings"),
        ("machine,method,part\n", "date"),
        ("date,method,part\n", "--machine"),
        ("date,machine,part\n", "--method"),
        ("date,machine,method,part,part\n", "2 columns"),
        ("date,machine,method,part,day\n", "2 columns say the date"),
        ('date,machine,method,part\n"' + "x" * 200_000, "is not CSV"),
    ],
)
def test_a_file_that_is_no_notebook_says_what_is_missing(client, sheet, says):
    with pytest.raises(UnreadableNotebook, match=says):
        read_notebook(sheet.encode(), Defaults())
    answer = load(client, sheet, 422)
    assert says in answer["detail"]


@ON_BOTH
def test_a_load_that_was_broken_off_is_completed_by_the_next(client, server):
    """Begun, and killed before a reading was kept."""
    from analysis.methods import method
    from api.store.new_series import NewSeries

    machine = server.journal.add_machine("Window saw", "other")
    server.journal.start(
        NewSeries(machine, "imported", method("stop-block"), "mm", *[None] * 4, "0", 0, "left", 1)
    )
    done = load(client, page("inches.csv"))
    assert done["trials"] == 5
    assert client.get("/api/benches/imported").json()["series"] is None


def test_a_line_of_the_future_is_refused() -> None:
    sheet = (
        "date,machine,method,cut length,unit,strip side,fence end,open end\n"
        "2962-05-03,Window saw,reversal,200,mm,left,12.30,12.40\n"
    )
    book = read_notebook(sheet.encode(), Defaults())
    assert book.lines == []
    assert "3 May 2962 is in the future" in book.refused[0].reason
