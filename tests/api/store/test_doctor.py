"""The doctor finds what is wrong, repairs what follows from the log, and invents nothing."""

from __future__ import annotations

import re

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine, delete, select, text, update

from api.cli import main
from api.server import Server
from api.store import doctor, migrations
from api.store.corrections import Corrections
from api.store.engine import open_engine, sqlite_url
from api.store.journal import Journal
from api.store.squares import SQUARE, square_of
from api.store.tables import Series, Stop, Work
from api.store.trail import By
from tests.api.bench import Person
from tests.api.stores import change, correct, digests, fill, without_triggers

NOT_SQUARE = Stop.name != SQUARE


@pytest.fixture
def engine_of_server(server: Server) -> Engine:
    return server.engine


@pytest.fixture
def filled(engine: Engine) -> Engine:
    fill(engine)
    return engine


def found(engine: Engine) -> list[str]:
    with engine.connect() as connection:
        return [finding.sentence for finding in doctor.findings(connection)]


def test_a_store_in_order_is_said_to_be(filled):
    assert found(filled) == []
    assert doctor.repair(filled) == 0


def test_a_roll_read_press_by_press_is_in_order(
    client: TestClient, engine_of_server: Engine
) -> None:
    person = Person(client)
    person.start(method="roll", baseline="184", thickness="19")
    for number in range(40):
        person.press(f"{11.4 + 0.0137 * number + 0.31 * (number % 4):.2f}")
    assert found(engine_of_server) == []


def test_the_last_digit_of_another_processor_is_no_damage(filled: Engine) -> None:
    change(filled, "UPDATE trials SET angle_deg = angle_deg * (1 + 3e-16)")
    assert found(filled) == []
    change(filled, "UPDATE trials SET angle_deg = angle_deg * (1 + 1e-10)")
    assert any("angle_deg" in sentence for sentence in found(filled))


def test_a_last_digit_where_today_there_is_none_is_no_damage(
    client: TestClient, engine_of_server: Engine
) -> None:
    person = Person(client)
    person.start(repeats=3)
    person.press(*["12.31", "12.32", "12.34"] * 2)
    change(engine_of_server, "UPDATE trials SET angle_deg = 2.8e-16")
    assert found(engine_of_server) == []
    change(engine_of_server, "UPDATE trials SET angle_deg = 1e-10")
    assert any("angle_deg" in sentence for sentence in found(engine_of_server))


DAMAGE = {
    "a value was changed": (
        "UPDATE trials SET angle_deg = 1 WHERE number = 1 AND readings_mm = '12.065 12.2428'",
        "differs from its log: angle_deg",
    ),
    "a trial is missing": (
        "DELETE FROM trials WHERE readings_mm = '12.36 12.41'",
        "trial 2 of series .* is not there",
    ),
    "a trial is too many": (
        "UPDATE trials SET number = 9 WHERE readings_mm = '12.36 12.41'",
        "trial 9 of series .* its log has none",
    ),
    "a list of calipers is none": (
        "UPDATE trials SET calipers = 'main caliper' WHERE readings_mm = '12.065 12.2428'",
        "differs from its log: calipers",
    ),
    "a list of flags is another value": (
        "UPDATE trials SET flags = '{}' WHERE readings_mm = '12.065 12.2428'",
        "differs from its log: flags",
    ),
    "readings stand in the wrong places": (
        "UPDATE trial_readings SET place = 1 - place",
        "are in other places",
    ),
    "the bench feeds another series": (
        "UPDATE benches SET series_id = NULL WHERE name = 'main'",
        "bench main feeds another series",
    ),
    "a series is at no stop": (
        "UPDATE series SET stop_id = NULL WHERE machine_id ="
        " (SELECT id FROM machines WHERE name = 'Window saw')",
        "belongs to no stop of its machine",
    ),
}


CORRECTED_ROWS = {
    "UPDATE series SET baseline = '9' WHERE baseline = '8.5'": "baseline of series .* is '9'",
    "UPDATE machines SET name = 'x' WHERE name = 'Door saw'": "name of machine .* ends at 'Door",
    "UPDATE calipers SET jaw_width_nm = 1 WHERE jaw_width_nm = 6500000": "jaw_width of caliper",
    "UPDATE setup_changes SET withdrawn_at = NULL": "withdrawn of setup change .* is False",
}


def test_what_was_corrected_says_what_its_trail_ends_at_or_is_mended(filled):
    correct(filled)
    assert found(filled) == []
    before = digests(filled)
    for damage, sentence in CORRECTED_ROWS.items():
        change(filled, damage)
        assert any(re.search(sentence, said) for said in found(filled)), (damage, found(filled))
    assert doctor.repair(filled) >= len(CORRECTED_ROWS)
    assert found(filled) == []
    # Events and counts tell running servers; that one is withdrawn counts, not since when.
    apart = {"events": None, "benches": None, "setup_changes": None}
    assert {**digests(filled), **apart} == {**before, **apart}


def test_a_series_at_no_stop_goes_where_its_trail_ends_and_to_no_stop_or_work_that_is_lost(filled):
    with filled.connect() as store:
        stop, machine = store.execute(select(Stop.id, Stop.machine_id).where(NOT_SQUARE)).one()
        work = store.scalars(select(Work.id)).one()
        series = store.scalars(select(Series.id).where(Series.stop_id == stop)).first()
        square = square_of(store, machine)
    at = {"stop_id": Series.stop_id, "work_id": Series.work_id}
    there = select(*at.values()).where(Series.id == series)
    corrections = Corrections(Journal(filled).transactions)
    for said in ({"stop": str(square), "work": None}, {"stop": str(stop), "work": str(work)}):
        corrections.series(series, said, By(None, None), lambda _: None)

    with filled.begin() as store:
        store.execute(update(Series).where(Series.id == series).values(dict.fromkeys(at)))
    assert any("belongs to no stop" in said for said in found(filled))
    doctor.repair(filled)
    assert found(filled) == []
    with filled.begin() as store:
        assert tuple(store.execute(there).one()) == (stop, work)
        store.execute(update(Series).values(work_id=None))
        store.execute(update(Series).where(Series.stop_id == stop).values(stop_id=square))
        store.execute(delete(Stop).where(NOT_SQUARE))
        store.execute(delete(Work))
    doctor.repair(filled)
    stop_lost, work_lost = found(filled)
    assert re.search(r"stop of series .* ends at '.*', which is not there", stop_lost)
    assert re.search(r"work of series .* ends at '.*', which is not there", work_lost)


def test_a_broken_trail_is_said_and_not_made_up(filled):
    correct(filled)
    without_triggers(
        filled,
        "changes",
        "UPDATE changes SET before = '\"8.1\"' WHERE field = 'jaw_width' AND undoes IS NOT NULL",
    )
    without_triggers(filled, "acts", "UPDATE acts SET change_id = NULL WHERE kind = 'take back'")
    for _ in range(2):
        with filled.connect() as connection:
            said = list(doctor.findings(connection))
        assert not any(finding.repairable for finding in said)
        assert [("no such act" in f.sentence, "made it" in f.sentence) for f in said] == [
            (True, False),
            (False, True),
        ]
        assert doctor.repair(filled) == 0


@pytest.mark.parametrize(("damage", "sentence"), DAMAGE.values(), ids=DAMAGE.keys())
def test_what_follows_from_the_log_is_found_and_mended(filled, damage, sentence):
    before = digests(filled)
    with filled.connect() as connection:
        since = connection.execute(text("SELECT max(id) FROM events")).scalar_one()
    change(filled, damage)
    assert any(re.search(sentence, said) for said in found(filled)), (damage, found(filled))
    assert doctor.repair(filled) > 0
    assert found(filled) == []
    if "its log has none" not in sentence:
        assert {**digests(filled), "events": None} == {**before, "events": None}
    if "bench" not in sentence and "stop" not in sentence:
        # Readers get an event for it, as for any other change.
        with filled.connect() as connection:
            events = connection.execute(
                text("SELECT count(*) FROM events WHERE kind = 'trial' AND id > :since"),
                {"since": since},
            )
            assert events.scalar_one() > 0


def test_a_gap_in_a_benchs_order_is_found_and_not_papered_over(filled):
    without_triggers(
        filled,
        "readings",
        "DELETE FROM trial_readings WHERE reading_id IN"
        " (SELECT id FROM readings WHERE sent = '0.513')",
        "DELETE FROM readings WHERE sent = '0.513'",
    )
    said = found(filled)
    assert any("main" in s and "some are missing" in s for s in said), said
    doctor.repair(filled)
    assert any("some are missing" in s for s in found(filled))


def test_rows_that_point_nowhere_are_found(filled):
    if filled.dialect.name == "sqlite":
        with filled.connect() as connection:
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
            connection.commit()
            driver = connection.connection.dbapi_connection
            driver.execute("PRAGMA foreign_keys=OFF")
            driver.execute("DELETE FROM calipers WHERE name = 'side caliper'")
            driver.execute("PRAGMA foreign_keys=ON")
    else:
        change(
            filled,
            "SET session_replication_role = replica",
            "DELETE FROM calipers WHERE name = 'side caliper'",
        )
    assert any("rows of readings name a row of calipers" in said for said in found(filled))


def test_events_that_were_lost_are_found(filled):
    change(filled, "DELETE FROM events WHERE kind = 'reading'")
    assert any("16 readings have no event" in said for said in found(filled))


@pytest.mark.parametrize(
    ("behind_ms", "said"),
    [(-90_000, "main was 90 seconds ahead of"), (3_600_000, "main was 3,600 seconds behind")],
)
def test_a_bench_whose_clock_is_off_is_found(filled, behind_ms, said):
    book = Journal(filled)
    book.compare_clock("main", 59_000)
    assert found(filled) == []
    book.compare_clock("main", behind_ms)
    (sentence,) = found(filled)
    assert f"the clock of bench {said} the server's on 20" in sentence


def test_the_command_prints_a_line_each_and_ends_with_one(tmp_path, capsys):
    engine = open_engine(sqlite_url(tmp_path))
    migrations.upgrade(engine)
    fill(engine)
    assert main(["doctor", "--data", str(tmp_path)]) == 0
    assert capsys.readouterr().out == "the store is in order\n"
    change(engine, "UPDATE trials SET angle_deg = 1 WHERE number = 1")
    assert main(["doctor", "--data", str(tmp_path)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3
    assert all(line.endswith("(--repair fixes this)") for line in lines)
    assert main(["doctor", "--data", str(tmp_path), "--repair"]) == 0
    assert "3 findings repaired" in capsys.readouterr().out
    assert main(["doctor", "--data", str(tmp_path / "nowhere")]) == 1
    assert "no store at" in capsys.readouterr().err
    engine.dispose()
