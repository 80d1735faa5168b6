"""What is asked often stays quick in a store of a million readings: each question has its index.

The engine is asked how it would answer, so the test needs no million. SQLite plans without
regard to what the tables hold; PostgreSQL is set to scan a table only where nothing else
can answer.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import psycopg
import pytest
from sqlalchemy import Connection, Engine, event, text

from analysis.methods import METHODS
from api.answers import checks
from api.answers.bench import bench
from api.answers.caliper_studies import caliper_studies, latest_studies
from api.answers.comparable import all_comparable
from api.answers.proposed import proposed
from api.answers.scatter_before import scatter_before
from api.answers.series import many_scored, scored_at_hand, series
from api.answers.since_change import since_change
from api.exports import readings, trial_readings, trials
from api.exports.cursor import latest
from api.exports.wanted import Wanted
from api.store import migrations
from api.store.asking import Asking
from api.store.engine import open_engine, sqlite_url
from api.store.journal import Journal
from api.store.log import acts_of
from api.store.rows import events, machines
from api.store.rows.benches import last_fed
from api.store.rows.calipers import known_calipers
from api.store.rows.series import latest_series
from api.store.rows.series import series as series_row
from api.store.rows.stops import stops
from api.web.live_messages import messages
from api.web.pages.compare.choices import choices
from api.web.pages.plan.view import steady
from tests.api.entries import new_series
from tests.api.postgres import PostgresServer
from tests.api.store.test_journal import reading
from tests.api.stores import fill

GROWING = ("readings", "trials", "trial_readings", "asides", "events", "series", "acts", "refusals")


def _ids(store: Connection) -> dict[str, Any]:
    found = machines.machines(store)
    now = bench(store, "main")
    assert now.series is not None
    return {"machine": found[-1].id, "series": now.series.id}


QUESTIONS: dict[str, Callable[[Connection, Any], object]] = {
    "a bench as it stands": lambda s, _: bench(s, "main"),
    "the series that a bench fed last": lambda s, _: last_fed(s, 1),
    "what happened after": lambda s, _: events.events_after(s, "main", 40),
    "what happened last": lambda s, _: events.latest_events(s, "main", 20),
    "the live stream": lambda s, _: messages(
        s, events.events_after(s, "main", 30), lambda _: [], lambda _: False
    ),
    "a series": lambda s, ids: series(s, ids["series"]),
    "what was done in a series, and by whom": lambda s, ids: acts_of(s, ids["series"]),
    "a score": lambda s, ids: scored_at_hand(s, ids["series"]),
    "a machine's history": lambda s, ids: checks.of_machine(s, ids["machine"]),
    "a machine's trials since": lambda s, ids: list(
        trials.blocks(s, Wanted(machine=ids["machine"], since=datetime(2026, 1, 1, tzinfo=UTC)))
    ),
    "trials that are new": lambda s, _: list(trials.blocks(s, Wanted(after=40))),
    "readings that are new": lambda s, _: list(readings.blocks(s, Wanted(after=40))),
    "how far a pull has come": lambda s, _: latest(s, ("trial", "reading")),
    "the package's joins that are new": lambda s, _: list(
        trial_readings.blocks(s, Wanted(after=40))
    ),
    "what can be compared": lambda s, _: choices(s, list(METHODS)),
    "what shows how machines scatter": lambda s, _: steady(s, METHODS.values(), "angle"),
    "the last event": lambda s, _: events.last_event_id(s),
    "the list of series": lambda s, _: latest_series(s, limit=51),
    "its next page": lambda s, ids: latest_series(s, before=ids["series"], limit=51),
    "a machine's series": lambda s, ids: latest_series(s, machine=ids["machine"], limit=51),
    "a method's series": lambda s, _: latest_series(s, method="reversal", limit=51),
    "a machine's series by a method, the next page": lambda s, ids: latest_series(
        s, machine=ids["machine"], method="reversal", before=ids["series"], limit=51
    ),
    "what the series of a list say": lambda s, ids: many_scored(s, [ids["series"]]),
    "how a stop scattered before": lambda s, ids: scatter_before(
        s, [(series_row(s, ids["series"]), ("main caliper",))]
    ),
    "what happened to which machines": lambda s, _: events.series_changed(s, 20, 40),
    "which machines were measured": lambda s, _: machines.measured_machines(s),
    "what happened to them last": lambda s, _: machines.latest_changes(s),
    "the calipers on record": lambda s, _: known_calipers(s),
    "the latest studies": lambda s, _: latest_studies(s, ["main caliper"]),
    "a caliper's studies": lambda s, _: caliper_studies(s, "main caliper"),
    "a comparison": lambda s, ids: all_comparable(s, [("series", ids["series"])]),
    "the set-up of the next series": lambda s, ids: proposed(
        s, machines.machine(s, ids["machine"]), stops(s, ids["machine"])[0], METHODS
    ),
    "what a change before a series did": lambda s, ids: since_change(
        s, series_row(s, ids["series"])
    ),
    "a machine's setup changes": lambda s, ids: machines.setup_changes(s, ids["machine"]),
}


@contextmanager
def _overheard(engine: Engine) -> Iterator[list[tuple[str, Any]]]:
    """Every statement that is sent meanwhile, with its values; also those that are handed to the
    driver as they are, over connections that are taken meanwhile."""
    heard: list[tuple[str, Any]] = []

    def hear(statement: str, values: Any = ()) -> None:
        if re.match(r"\s*(SELECT|WITH|UPDATE|INSERT|DELETE)", statement):
            heard.append((statement, tuple(values) if isinstance(values, list) else values))

    def sent(_c: Any, _cursor: Any, statement: str, values: Any, _x: Any, many: bool) -> None:
        hear(statement, values[0] if many else values)

    class Recording(psycopg.Cursor[Any]):
        def execute(self, query: Any, params: Any = None, **more: Any) -> Any:
            hear(query, params or ())
            return super().execute(query, params, **more)

        def executemany(self, query: Any, params_seq: Any, **more: Any) -> None:
            rows = list(params_seq)
            hear(query, rows[0])
            super().executemany(query, rows, **more)

    taken: list[Any] = []

    def listen(driver: Any, *_: Any) -> None:
        taken.append(driver)
        if engine.dialect.name == "postgresql":
            driver.cursor_factory = Recording
        else:
            driver.set_trace_callback(hear)

    event.listen(engine, "before_cursor_execute", sent)
    event.listen(engine, "checkout", listen)
    try:
        yield heard
    finally:
        event.remove(engine, "before_cursor_execute", sent)
        event.remove(engine, "checkout", listen)
        for driver in taken:
            if engine.dialect.name == "postgresql":
                driver.cursor_factory = psycopg.Cursor
            else:
                driver.set_trace_callback(None)


def _scans(
    engine: Engine, heard: list[tuple[str, Any]], growing: Sequence[str] = GROWING
) -> list[str]:
    """The statements that would read a growing table from end to end, with the plan."""
    found = []
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            # Left are index scans, and the others where no index can answer: a few rows would be
            # hashed whole, which tells nothing of many.
            for way in ("seqscan", "bitmapscan", "hashjoin", "mergejoin"):
                connection.execute(text(f"SET enable_{way} = off"))
        for statement, values in heard:
            scanned: set[str] = set()
            if statement.startswith("INSERT") and " VALUES " in statement:
                # It reads nothing. SQLite's plan names the tables that point to the row, which
                # it goes through only where a row they point to was missing before.
                continue
            if engine.dialect.name == "postgresql":
                asked = f"EXPLAIN (FORMAT JSON) {statement}"
                plan = connection.exec_driver_sql(asked, values).scalar_one()[0]["Plan"]
                scanned.update(_read_whole(plan))
            else:
                asked = f"EXPLAIN QUERY PLAN {statement}"
                plan = [row[-1] for row in connection.exec_driver_sql(asked, values)]
                named = {a: t for t, a in re.findall(r"(?:FROM|JOIN) (\w+) AS (\w+)", statement)}
                # Reading the first rows of an index in its order is not a scan.
                begin = "LIMIT" in statement and "WHERE" not in statement
                if not (begin and len(plan) == 1 and "INDEX" in plan[0]):
                    for name in re.findall(r"\bSCAN (\w+)", "\n".join(plan)):
                        scanned.add(named.get(name, name))
            if scanned.intersection(growing):
                found.append(f"{statement}\n{plan}")
    return found


def _read_whole(node: dict[str, Any], limited: bool = False) -> Iterator[str]:
    """The tables that a plan reads whole, by their order or by an index without a condition."""
    limited = limited or node["Node Type"] == "Limit"
    if "Scan" in node["Node Type"] and "Relation Name" in node:
        by_index = "Index" in node["Node Type"] and ("Index Cond" in node or limited)
        if not by_index:
            yield node["Relation Name"]
    for below in node.get("Plans", ()):
        yield from _read_whole(below, limited)


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def filled(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Engine]:
    """A bit of everything, which questions leave as it is."""
    url = sqlite_url(tmp_path_factory.mktemp("filled"))
    if request.param == "postgresql":
        server: PostgresServer = request.getfixturevalue("postgres_server")
        url = server.url(server.new_database())
    engine = open_engine(url)
    migrations.upgrade(engine)
    fill(engine)
    yield engine
    engine.dispose()


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_does_not_read_a_growing_table_from_end_to_end(filled, question):
    with filled.connect() as store:
        ids = _ids(store)
        with _overheard(filled) as heard:
            QUESTIONS[question](store, ids)
    assert heard
    assert _scans(filled, heard) == []


def test_how_the_machines_stand_looks_at_no_trials_but_the_latest(filled):
    with filled.connect() as store, _overheard(filled) as heard:
        assert len(checks.latest(store)) == 2
    assert _scans(filled, heard, [table for table in GROWING if table != "series"]) == []
    # Which stops, methods and sides there are is read from an index, and nothing is sorted.
    with filled.connect() as store:
        if filled.dialect.name == "sqlite":
            statement, values = heard[0]
            plan = [r[-1] for r in store.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values)]
            assert [step for step in plan if "SCAN series" in step] == [
                "SCAN series USING COVERING INDEX ix_series_machine_id_stop_id_method_strip_side"
            ]
            assert not [step for step in plan if "B-TREE" in step]


def test_keeping_a_reading_does_not_read_a_growing_table_from_end_to_end(engine):
    fill(engine)
    forgetful = Journal(engine)
    with _overheard(engine) as heard:
        forgetful.keep([reading("12.30", bench="main")])
        forgetful.keep([reading("12.40", bench="main")])
    assert sum(statement.startswith("INSERT INTO readings") for statement, _ in heard) >= 2
    assert _scans(engine, heard) == []


def test_what_is_asked_about_readings_costs_a_press_no_query(engine, monkeypatch):
    """It is read as the series begins; a question itself is one more row of the log."""

    def asked_by(sent: Sequence[str]) -> list[str]:
        journal = Journal(engine)
        machine = journal.add_machine("Window saw", "other")
        engine.dispose()  # so that the writer's connection is taken anew, and overheard
        with _overheard(engine) as heard:
            journal.start(new_series(machine))
            heard.clear()
            for each in sent:
                journal.keep([reading(each, bench="main")])
        return [statement for statement, _ in heard]

    def reads(statements: list[str]) -> list[str]:
        found = (each for each in statements if each.lstrip().startswith(("SELECT", "WITH")))
        return [each.split("WHERE")[0] for each in found]

    plain = ("12.30", "12.40", "12.35", "12.45", "12.30")
    after = asked_by((*plain, "124.00"))
    assert any(each.startswith("INSERT INTO acts") for each in after)
    monkeypatch.setattr(Asking, "begins", lambda *_: None)
    monkeypatch.setattr(Asking, "_question", lambda *_: None)
    assert reads(after) == reads(asked_by((*plain, "12.40"))) != []


def test_a_scan_would_be_noticed(engine):
    fill(engine)
    for asked in (
        "SELECT id FROM trials WHERE angle_deg > 1",
        "SELECT count(*) FROM events WHERE id + bench_id > 4",
        "SELECT id FROM series ORDER BY finished_at LIMIT 5",
    ):
        assert len(_scans(engine, [(asked, ())])) == 1, asked
