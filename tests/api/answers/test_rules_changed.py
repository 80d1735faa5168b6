"""A verdict that reads otherwise by new rules is told once, with why, and never in silence."""

from __future__ import annotations

from threading import Event

import pytest
from sqlalchemy import select

from analysis import conformity, first_rules
from analysis.conformity import Tolerance
from analysis.methods import METHODS
from analysis.rules import CHANGED, RULES
from api import MADE_BY, VERSION
from api.answers.rules_changed import meet_rules
from api.server import Server
from api.settings import Settings
from api.store.engine import open_engine
from api.store.tables import RulesSaid
from tests.api.answers.measuring import measured
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH
from tests.ptys import until

ROWS = [("10.00", "10.10"), ("10.00", "10.12"), ("10.00", "10.11")]


@pytest.fixture
def person(client):
    return Person(client)


@pytest.fixture
def just_good(person):
    """A series that is good enough by its uncertainty alone, with hardly anything to spare."""
    first = person.series(measured(person, ROWS, "Other saw"))
    angle = first["score"]["quantities"]["angle"]
    tolerance = abs(angle["mean"]) + 1.02 * angle["expanded_uncertainty"]
    return measured(person, ROWS, tolerance_deg=tolerance)


def said(server):
    with server.reading() as store:
        return store.execute(select(RulesSaid.__table__)).all()


def started(server):
    """The server, once it has met the store's rules."""
    server.start()
    assert until(lambda: said(server))
    return server


@ON_BOTH
def test_a_verdict_that_reads_otherwise_is_told_until_it_was_seen(person, server, just_good):
    well_inside = measured(person, ROWS * 4, tolerance_deg=5)
    no_tolerance = measured(person, ROWS)
    assert person.get("/api/rules")["changed"] is None
    started(server)
    found = person.get("/api/rules")
    assert (found["rules"], found["version"]) == (RULES, VERSION)
    changed = found["changed"]
    assert (changed["series"], changed["compared"], changed["left"]) == (1, 2, 0)
    assert changed["why"] == CHANGED[RULES]
    (verdict,) = changed["verdicts"]
    assert verdict["series"] == just_good
    assert verdict["series"] not in (well_inside, no_tolerance)
    assert (verdict["was"], verdict["now"]) == ("good enough", "cannot tell yet")
    page = person.client.get("/machines").text
    assert "1 series reads otherwise than before" in page
    assert f'href="/series/{just_good}"' in page
    assert CHANGED[RULES][:40] in page
    person.post("/api/rules/seen", {"rules": RULES})
    assert person.get("/api/rules")["changed"] is None
    assert "reads otherwise" not in person.client.get("/machines").text


@ON_BOTH
@pytest.mark.usefixtures("just_good")
def test_the_next_start_tells_no_second_time(server, tmp_path, store_url):
    started(server)
    (row,) = said(server)
    again = Server(Settings(data=tmp_path / "data", db=store_url))
    try:
        again.start()
        # Were it to compare again, it would have to wait for this.
        assert until(lambda: not again._rules.is_alive())
        assert said(again) == [row]
    finally:
        again.close()


@ON_BOTH
def test_a_store_in_which_nothing_was_judged_has_nothing_to_tell(person, server):
    measured(person, ROWS)
    started(server)
    (row,) = said(server)
    assert (row.rules, row.program, row.changed) == (RULES, VERSION, None)
    assert "otherwise than before" not in person.client.get("/machines").text


@pytest.mark.usefixtures("just_good")
def test_what_could_not_be_compared_in_time_is_counted(server):
    moments = iter((0.0, 1e9))
    changed = meet_rules(server.reading, Event(), lambda: next(moments))
    assert (changed["compared"], changed["left"], changed["verdicts"]) == (0, 1, [])


@ON_BOTH
@pytest.mark.usefixtures("just_good")
def test_a_comparison_that_was_broken_off_is_not_taken_for_done(server, store_url):
    server.start()
    server.close()
    engine = open_engine(store_url)
    with engine.connect() as store:
        assert store.execute(select(RulesSaid.__table__)).all() == []
    engine.dispose()


@ON_BOTH
def test_rules_that_no_program_had_can_not_be_seen(person):
    person.post("/api/rules/seen", {"rules": 0}, 422)
    assert person.post("/api/rules/seen", {"rules": RULES + 1})["changed"] is None


def test_the_first_rules_are_those_of_a_fixed_number_of_trials():
    limits = Tolerance.angle(0.001)
    reversal, slot = METHODS["reversal"], METHODS["blade-to-slot"]
    assert first_rules.verdict(reversal, 2, 0.0, 0.0009, limits) == conformity.GOOD
    assert first_rules.verdict(reversal, 2, 0.002, 0.0009, limits) == conformity.ADJUST
    assert first_rules.verdict(reversal, 2, 0.001, 0.0009, limits) == conformity.UNKNOWN
    assert first_rules.verdict(reversal, 1, 0.0, 0.0009, limits) == conformity.UNKNOWN
    assert first_rules.verdict(slot, 1, 0.0, 0.0009, limits) == conformity.GOOD
    assert first_rules.verdict(reversal, 2, 0.0, 0.0009, None) is None


@ON_BOTH
def test_card_and_report_say_what_made_them(person):
    series = measured(person, ROWS)
    machine = person.series(series)["machine"]["id"]
    for address in (f"/machine/{machine}/card", f"/series/{series}/report"):
        assert MADE_BY in person.client.get(address).text
    assert person.get("/api/health")["rules"] == RULES
