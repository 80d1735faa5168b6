"""A series as its page shows it: nothing measured, a little, and what studies know."""

from __future__ import annotations

import re
from uuid import UUID

import pytest
from fastapi.testclient import TestClient

from api.errors import NotFound
from api.server import Server
from api.web.pages.series.parts import SeriesView, series_view
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.studying import spot


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def view(server: Server, series: str, *, running: bool = False) -> SeriesView:
    with server.reading() as store:
        return series_view(store, UUID(series), running)


@ON_SQLITE
def test_a_series_that_there_is_not_is_not_found(server):
    with pytest.raises(NotFound):
        view(server, str(UUID(int=1)))


def test_a_series_without_a_trial_has_no_figure_no_picture_and_no_facts(person, server):
    found = view(server, person.start(), running=True)
    (angle,) = found.quantities
    assert (angle.figure, angle.strip, angle.bars) == (None, None, None)
    assert (angle.rows, angle.facts, angle.budget) == ((), (), ())
    assert (found.calipers, found.doubts) == ((), ())
    assert found.running
    assert found.assumed


def test_one_trial_is_a_row_and_an_open_one_has_a_dash(person, server):
    series = person.start()
    person.press("12.30", "12.40", "12.31")
    (angle,) = view(server, series).quantities
    assert [row.trial.state for row in angle.rows] == ["complete", "open"]
    assert [row.value.striptags() for row in angle.rows][1] == "–"
    assert "Plus means" in angle.signs


@ON_SQLITE
def test_the_shares_of_the_budget_are_the_whole(person, server):
    series = person.start()
    person.press("12.30", "12.40", "12.31", "12.42", "12.30", "12.39")
    (angle,) = view(server, series).quantities
    assert sum(line.share for line in angle.budget) == pytest.approx(100)
    assert angle.facts[0].term == "of 3"


@ON_SQLITE
def test_a_tolerance_is_among_the_facts_and_one_far_wider_is_hidden_in_the_picture(person, server):
    hidden = {}
    for tolerance in ("0.05", "20"):
        series = person.start(tolerance_deg=tolerance)
        person.press("12.30", "12.40", "12.31", "12.42")
        (angle,) = view(server, series).quantities
        assert "Tolerance" in [fact.words for fact in angle.facts]
        hidden[tolerance] = "The tolerance is outside the picture." in angle.strip.outside
    assert hidden == {"0.05": False, "20": True}


@ON_SQLITE
def test_settings_keep_the_digits_they_were_typed_with(person, server):
    found = view(server, person.start(baseline="8.0260", unit="in"))
    shown = {each.words: each.value for each in found.settings}
    assert any("8.0260 in</data>" in value for value in shown.values())
    assert (shown["Good enough"], shown["Bench"]) == ("not given", "main")
    assert shown["The strip fell"] == "to the left of the blade"


def test_a_study_of_the_caliper_is_named_and_nothing_is_assumed(person, server):
    study = spot(person, "12.30", "12.31", "12.30", "12.32", repeats=2)
    series = person.start()
    person.press("12.30", "12.40")
    found = view(server, series)
    assert not found.assumed
    (known,) = found.study
    assert known.series == (UUID(study),)
    assert "same-spot series" in known.words
    assert "ISO 5725-2" in dict(found.standards)
    assert found.calipers == ("six-inch",)


@ON_SQLITE
def test_of_many_trials_all_are_in_the_picture_and_the_readings_of_some_at_once(person):
    series = person.start()
    sent = [text for n in range(27) for text in ("12.30", f"12.{40 + n % 3}")]
    sent[11] = "14.90"  # the open end of the sixth
    person.press(*sent)

    def shown(query: str = "") -> str:
        return person.client.get(f"/series/{series}{query}").text

    def trials(page: str) -> list[int]:
        return [int(n) for n in re.findall(r'<li id="trial-(\d+)"', page)]

    page = shown()
    assert trials(page) == [26, 27]
    assert trials(shown("?from=1")) == list(range(1, 26))
    for nonsense in ("?from=7", "?from=-1", "?from=x", "?from=9999999999", "?from=%C2%B2"):
        assert trials(shown(nonsense)) == [26, 27]
    # What deserves a second look leads to its readings, which are unfolded then.
    assert f"/series/{series}?from=1#trial-6" in page
    assert 'open><summary id="readings-title"' in shown("?from=1")
    person.post(f"/api/series/{series}/finish", {})
    assert 'open><summary id="readings-title"' not in shown()
    assert len(re.findall(r'class="dot ', page)) >= 27
