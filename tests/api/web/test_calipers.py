"""Calipers on record and their studies, against sums done by hand."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from api.instruments.calipers import in_words, lasting, since
from api.store.engine import open_engine
from api.store.journal import Journal, new_id, now
from api.store.rows.calipers import known_calipers
from capture.records import Reading
from tests.api.bench import Person

NAME = "six-inch"


@pytest.fixture
def person(client) -> Person:
    return Person(client)


def spot(bench, *sent: str, caliper: str = NAME, **settings) -> str:
    series = bench.start(method="same-spot", baseline=None, **settings)
    bench.press(*sent, caliper=caliper)
    return series


def block(bench, size: str, *sent: str, caliper: str = NAME, **settings) -> str:
    series = bench.start(method="known-block", baseline=size, **settings)
    bench.press(*sent, caliper=caliper)
    return series


def studies(person, name: str = NAME, query: str = "") -> dict:
    return person.get(f"/api/calipers/{name}/studies{query}")


# ---------------------------------------------------------------- all ever heard


def test_every_caliper_that_was_ever_heard_is_on_record(person):
    person.press("12.30", caliper="Zeta")
    person.press("12.31", "12.32", caliper="alpha")
    found = person.get("/api/calipers")
    assert [(c["name"], c["readings"], c["heard"], c["bench"]) for c in found] == [
        ("alpha", 2, "not now", "main"),
        ("Zeta", 1, "not now", "main"),
    ]
    assert found[0]["state"] == "not listened to"
    assert found[0]["words"].startswith("Not listened to now. Last heard ")


def test_what_came_since_is_counted_once_whoever_took_it_in(person, server):
    person.press("12.30", "12.31")
    person.press("12.30", caliper="other")
    elsewhere = open_engine(server.engine.url.render_as_string(hide_password=False))
    try:
        for count in range(2, 5):
            for _ in range(2):  # nothing new in between
                found = {c["name"]: c["readings"] for c in person.get("/api/calipers")}
                assert found == {NAME: count, "other": 1}
            Journal(elsewhere).keep(
                [Reading(new_id(), "main", NAME, "12.30", "mm", 12_300_000, now())]
            )
            with elsewhere.connect() as store:
                known = {k.name: k.readings for k in known_calipers(store)}
            assert known == {NAME: count + 1, "other": 1}
    finally:
        elsewhere.dispose()


def test_a_caliper_used_at_two_benches_is_one_and_stands_where_it_was_heard_last(client):
    Person(client, "north").press("12.30")
    south = Person(client, "south")
    late = (datetime(2060, 1, 1, tzinfo=UTC)).isoformat()
    south.press("12.31", taken_at=late)
    (found,) = south.get("/api/calipers")
    assert (found["readings"], found["bench"]) == (2, "south")
    assert datetime.fromisoformat(found["last_heard"]) == datetime(2060, 1, 1, tzinfo=UTC)


def test_a_caliper_that_sent_only_nonsense_is_on_record_too(person):
    refusal = {
        "id": "01939d3e-7c1a-7000-8000-000000000001",
        "caliper": "broken",
        "text": "E1",
        "reason": "a message",
        "heard_at": "2026-03-02T12:00:00Z",
    }
    person.post("/api/refusals", [refusal])
    (found,) = person.get("/api/calipers")
    assert (found["name"], found["readings"], found["last_heard"]) == ("broken", 0, None)


def test_what_is_typed_into_the_page_is_no_instrument_that_is_missing(person):
    person.press("12.30", caliper="typed", origin="typed")
    (found,) = person.get("/api/calipers")
    assert found["heard"] == "page"
    assert "types into the Bench page" in found["words"]


def test_nobody_heard_yet_is_an_empty_list_and_an_unknown_one_is_said(person):
    assert person.get("/api/calipers") == []
    answer = person.client.get("/api/calipers/ghost/studies")
    assert answer.status_code == 404
    assert "ghost" in answer.json()["detail"]


# ---------------------------------------------------------------- the same spot


# sd by hand: deviations from 12.31 are -1, 1, 0, 2, -2 hundredths: sqrt(10 / 4) hundredths.
FIVE = ("12.30", "12.32", "12.31", "12.33", "12.29")
FIVE_SD = math.sqrt(10 / 4) / 100


def test_one_person_on_one_spot_shows_repeatability_alone(person):
    series = spot(person, *FIVE)
    (study,) = studies(person)["same_spot"]
    assert study["series"] == [series]
    assert (study["spots"], study["readings"], study["people"]) == (1, 5, [])
    assert study["repeatability"]["sd"] == pytest.approx(FIVE_SD, rel=1e-9)
    assert study["repeatability_degrees_of_freedom"] == 4
    # Chi-square quantiles of 4 degrees of freedom, NIST e-Handbook 1.3.6.7.4: 0.484, 11.143.
    interval = study["repeatability"]["interval"]
    assert interval["low"] == pytest.approx(FIVE_SD * math.sqrt(4 / 11.143), rel=1e-3)
    assert interval["high"] == pytest.approx(FIVE_SD * math.sqrt(4 / 0.484), rel=1e-3)
    assert study["reproducibility"] is None
    assert study["distinct_categories"] is None
    assert study["tolerance_fraction"] is None


def test_the_share_of_a_tolerance_is_six_standard_deviations_over_its_whole_width(person):
    spot(person, *FIVE)
    (study,) = studies(person, query="?tolerance=0,2&unit=mm")["same_spot"]
    assert study["tolerance_fraction"] == pytest.approx(6 * FIVE_SD / 0.2, rel=1e-9)
    (study,) = studies(person, query="?tolerance=0.01&unit=in")["same_spot"]
    assert study["tolerance_mm"] == 0.254
    assert study["tolerance_fraction"] == pytest.approx(6 * FIVE_SD / 0.254, rel=1e-9)


def test_a_series_own_tolerance_counts_from_end_to_end(person):
    spot(person, *FIVE, tolerance_length="0.1", tolerance_nominal="12.3")
    (study,) = studies(person)["same_spot"]
    assert study["tolerance_mm"] == 0.2
    assert study["tolerance_fraction"] == pytest.approx(6 * FIVE_SD / 0.2, rel=1e-9)


@pytest.mark.parametrize("text", ["abc", "0", "-1"])
def test_a_tolerance_that_is_none_is_named(person, text):
    spot(person, *FIVE)
    answer = person.client.get(f"/api/calipers/{NAME}/studies?tolerance={text}")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "tolerance"


def test_two_people_on_one_spot_are_one_study_that_shows_whose_hand_differs(person):
    a, b = ("12.30", "12.31", "12.32"), ("12.40", "12.41", "12.42")
    first = spot(person, *a, person="Ada")
    second = spot(person, *b, person="Bo")
    (study,) = studies(person)["same_spot"]
    assert study["series"] == [first, second]
    assert study["people"] == ["Ada", "Bo"]
    within = 0.01  # each person's sd
    # One-way analysis of variance, ISO 5725-2, 7.4: (MS between - MS within) / n.
    between = 3 * np.var([12.31, 12.41], ddof=1)
    people = math.sqrt((between - within**2) / 3)
    assert study["repeatability"]["sd"] == pytest.approx(within, rel=1e-6)
    assert study["reproducibility"]["sd"] == pytest.approx(people, rel=1e-6)
    assert study["gauge"]["sd"] == pytest.approx(math.hypot(within, people), rel=1e-6)
    assert "people differ" in study["sentence"]


@pytest.mark.parametrize(
    "who", [("Ada", "Ada"), (None, None), ("Ada", None), (None, "Bo")], ids=str
)
def test_series_of_the_same_or_of_unnamed_people_are_studies_of_their_own(person, who):
    for name in who:
        spot(person, "12.30", "12.31", person=name)
    assert [s["people"] for s in studies(person)["same_spot"]] == [[w] if w else [] for w in who]


def test_several_people_and_spots_tell_how_many_sizes_are_told_apart(person):
    # Two people, three spots, each twice; the crossed analysis of variance done by numpy.
    x = np.array(
        [
            [[10.00, 10.01], [10.02, 10.02]],
            [[11.00, 11.02], [11.03, 11.04]],
            [[12.01, 12.00], [12.03, 12.02]],
        ]
    )
    for index, name in enumerate(("Ada", "Bo")):
        spot(person, *(f"{v:.2f}" for v in x[:, index].ravel()), repeats=2, person=name)
    (study,) = studies(person)["same_spot"]
    p, o, r = x.shape
    cell, part, who = x.mean(2), x.mean((1, 2)), x.mean((0, 2))
    ms_e = ((x - cell[:, :, None]) ** 2).sum() / (p * o * (r - 1))
    both = cell - part[:, None] - who[None, :] + x.mean()
    ms_i = r * (both**2).sum() / ((p - 1) * (o - 1))
    ms_o = p * r * ((who - x.mean()) ** 2).sum() / (o - 1)
    ms_p = o * r * ((part - x.mean()) ** 2).sum() / (p - 1)
    interaction = max(0.0, (ms_i - ms_e) / r)
    people = max(0.0, (ms_o - ms_i) / (p * r))
    parts = (ms_p - ms_i) / (o * r)
    gauge = ms_e + people + interaction
    assert study["spots"] == 3
    assert study["repeatability"]["sd"] == pytest.approx(math.sqrt(ms_e), rel=1e-6)
    assert study["reproducibility"]["sd"] == pytest.approx(
        math.sqrt(people + interaction), rel=1e-6
    )
    assert study["parts"]["sd"] == pytest.approx(math.sqrt(parts), rel=1e-6)
    assert study["distinct_categories"] == math.floor(math.sqrt(2 * parts / gauge))


def test_one_persons_spots_differ_by_their_size_and_not_by_people(person):
    spot(person, "12.30", "12.32", "15.00", "15.02", repeats=2)
    (study,) = studies(person, query="?tolerance=0.5")["same_spot"]
    within = 0.02 / math.sqrt(2)
    parts = math.sqrt((2 * np.var([12.31, 15.01], ddof=1) - within**2) / 2)
    assert study["repeatability"]["sd"] == pytest.approx(within, rel=1e-6)
    assert study["reproducibility"] is None
    assert study["parts"]["sd"] == pytest.approx(parts, rel=1e-6)
    assert study["distinct_categories"] == math.floor(math.sqrt(2) * parts / within)
    assert study["tolerance_fraction"] == pytest.approx(6 * within / 0.5, rel=1e-6)
    assert "people" not in study["sentence"]


def test_inches_say_thou_and_the_numbers_are_millimetres_all_the_same(person):
    series = person.start(method="same-spot", baseline=None, unit="in")
    person.press("0.4860", "0.4870", "0.4865", unit="in", caliper=NAME)
    (study,) = studies(person)["same_spot"]
    assert study["series"] == [series]
    assert study["repeatability"]["sd"] == pytest.approx(0.0005 * 25.4, rel=1e-9)
    assert "thou" in study["sentence"]


def test_one_press_says_what_is_needed(person):
    spot(person, "12.30")
    (study,) = studies(person)["same_spot"]
    assert study["repeatability"] is None
    assert "at least twice" in study["sentence"]


def test_readings_of_another_caliper_in_the_series_are_not_this_ones(person):
    person.start(method="same-spot", baseline=None)
    person.press("12.30", "12.32", caliper=NAME)
    person.press("14.00", "14.50", caliper="other")
    (study,) = studies(person)["same_spot"]
    assert study["repeatability"]["sd"] == pytest.approx(0.02 / math.sqrt(2), rel=1e-9)


# ---------------------------------------------------------------- known blocks


def test_one_block_shows_the_error_at_its_size(person):
    series = block(person, "25", "25.01", "25.02", "25.03")
    found = studies(person)
    (check,) = found["known_block"]
    assert check["series"] == [series]
    (one,) = check["blocks"]
    assert one["size_mm"] == 25
    assert one["error"]["estimate"] == pytest.approx(0.02, rel=1e-9)
    # sd 0.01 over sqrt(3); t(0.975, 2) = 4.303, NIST e-Handbook 1.3.6.7.2.
    assert one["error"]["expanded_uncertainty"] == pytest.approx(
        4.303 * 0.01 / math.sqrt(3), rel=1e-3
    )
    assert check["scale"] is None
    assert found["blocks_now"]["sentence"] == check["sentence"]


def test_blocks_of_two_sizes_read_together_show_offset_and_scale(person):
    sizes = [25, 25, 25, 75, 75, 75]
    read = [25.00, 25.01, 25.02, 75.05, 75.06, 75.04]
    block(person, "25", *(f"{v:.2f}" for v in read[:3]))
    block(person, "75", *(f"{v:.2f}" for v in read[3:]))
    (check,) = studies(person)["known_block"]
    slope, offset = np.polyfit(sizes, np.subtract(read, sizes), 1)
    assert check["offset"]["estimate"] == pytest.approx(offset, rel=1e-6)
    assert check["scale"]["estimate"] == pytest.approx(slope, rel=1e-6)
    assert [b["size_mm"] for b in check["blocks"]] == [25, 75]


def test_a_block_read_again_begins_a_check_and_the_latest_of_each_size_is_now(person):
    block(person, "25", "25.09")
    block(person, "75", "75.00")
    again = block(person, "25", "25.00")
    found = studies(person)
    assert [len(c["series"]) for c in found["known_block"]] == [2, 1]
    assert again in found["blocks_now"]["series"]
    assert found["blocks_now"]["offset"]["estimate"] == pytest.approx(0.0, abs=1e-9)


def test_the_record_of_a_caliper_tells_its_latest_studies(person):
    spot(person, *FIVE)
    later = spot(person, "12.30", "12.30", "12.31")
    block(person, "25", "25.01", "25.01")
    (found,) = person.get("/api/calipers")
    assert found["same_spot"]["series"] == [later]
    assert found["known_block"]["blocks"][0]["size_mm"] == 25


# ---------------------------------------------------------------- beginning one


def test_a_study_begins_on_the_calipers_own_bench_with_who_presses(client):
    person = Person(client, "north")
    person.press("12.30", caliper=NAME)
    body = {"method": "same-spot", "person": "Ada", "unit": "in"}
    series = person.post(f"/api/calipers/{NAME}/studies", body, 201)
    assert (series["bench"], series["person"], series["unit"]) == ("north", "Ada", "in")
    assert series["machine"]["kind"] == "caliper"
    assert person.get("/api/benches/north")["series"]["id"] == series["id"]


def test_a_known_block_needs_its_size_and_nothing_is_begun_without(person):
    person.press("12.30", caliper=NAME)
    for block_size in (None, "", "abc", "-5"):
        body = {"method": "known-block", "block": block_size}
        answer = person.client.post(f"/api/calipers/{NAME}/studies", json=body)
        assert answer.status_code == 422, block_size
    assert person.get("/api/machines") == []
    body = {"method": "known-block", "block": "25,4"}
    series = person.post(f"/api/calipers/{NAME}/studies", body, 201)
    assert series["baseline"] == "25,4"


def test_a_running_series_is_not_ended_by_surprise(person):
    person.press("12.30", caliper=NAME)
    running = person.start()
    body = {"method": "same-spot"}
    told = person.post(f"/api/calipers/{NAME}/studies", body, 409)
    assert "Window saw" in told["detail"]
    assert person.get("/api/benches/main")["series"]["id"] == running
    person.post(f"/api/calipers/{NAME}/studies", body | {"instead": True}, 201)
    assert person.series(running)["finished_at"] is not None


def test_a_name_with_a_slash_and_markup_is_a_name(person):
    name = "<script>/x " + "y" * 180
    person.press("12.30", "12.31", caliper=name)
    person.post(f"/api/calipers/{name}/studies", {"method": "same-spot"}, 201)
    person.press("12.30", "12.31", caliper=name)
    assert len(studies(person, name)["same_spot"]) == 1
    page = person.client.get(f"/calipers/{name}")
    assert page.status_code == 200
    assert "<script>/x" not in page.text


# ---------------------------------------------------------------- words


NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (3, "a moment"),
        (45, "40 seconds"),
        (60, "1 minute"),
        (3 * 60, "3 minutes"),
        (2 * 3600, "2 hours"),
        (26 * 3600, "1 day"),
    ],
)
def test_how_long_a_caliper_is_quiet_is_said_as_people_say_it(seconds, words):
    assert lasting(NOON - timedelta(seconds=seconds), NOON) == words
    assert in_words("quiet", NOON - timedelta(seconds=seconds), NOON) == f"Quiet for {words}."


def test_when_a_caliper_was_heard_last_is_said_as_people_say_it():
    assert since(NOON, NOON) == "just now"
    assert since(NOON - timedelta(minutes=5), NOON) == "5 minutes ago"
    assert since(NOON - timedelta(days=1), NOON) == "yesterday"
    assert "press its send button" in in_words("listening", None, NOON)


# ---------------------------------------------------------------- asked from afar


@pytest.mark.parametrize("scheme", ["spy", "alt", "hwgrep", "loop"])
def test_nobody_on_the_network_can_have_the_server_write_files(client, tmp_path, scheme):
    target = tmp_path / "written"
    spec = f"serial:{scheme}:///dev/null?file={target}"
    for path, body in (
        ("/api/calipers", {"spec": spec}),
        ("/api/identify", {"also": [spec]}),
    ):
        answer = client.post(path, json=body)
        assert answer.status_code == 422
        assert "--caliper" in answer.json()["detail"]
    assert not target.exists()
