"""Where to continue: cursors of pulls, pages of lists, `since`, and the last event of a stream."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta, timezone
from random import Random
from urllib.parse import quote
from uuid import UUID

from fastapi.testclient import TestClient
from sqlalchemy import select

from api.exports import cursor
from api.server import Server
from api.settings import Settings
from api.store.tables import Bench, Event
from api.web.app import build
from tests.api.conftest import local_client
from tests.api.stores import fill, maker
from tests.fuzz import texts
from tests.fuzz.fuzzing import Fuzzer, Place, Try
from tests.whole.forked import serving


@contextmanager
def _filled(place: Place) -> Iterator[Server]:
    server = Server(Settings(data=place.folder / "data", db=place.store))
    maker().fill_shared(fill(server.engine))
    yield server
    server.close()


def _text_at(client: TestClient, address: str, *statuses: int) -> str | None:
    """The text of what is there; None where it is refused in words."""
    answer = client.get(address)
    assert answer.status_code in (200, *statuses), (address, answer.status_code, answer.text)
    if answer.status_code == 200:
        return answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"]
    return None


@contextmanager
def _cursors(place: Place) -> Iterator[Try]:
    with _filled(place) as server, local_client(build(server)) as client:
        event = select(Event.kind, Event.subject, Event.at)
        with server.reading() as store:
            made = {}
            for number in store.scalars(select(Event.id)).all():
                mark = cursor._mark(store.execute(event.where(Event.id == number)).one())
                made[f"{number}-{mark}"] = number
            # The latest event of a reading: it came, or something became of it.
            readings = select(Event.subject, Event.id).where(Event.kind.in_(("reading", "fate")))
            in_order = store.execute(readings.order_by(Event.id))
            told = {str(subject): number for subject, number in in_order}
            corrected = select(Event.subject, Event.id).where(Event.kind == "series")
            again = {str(subject): number for subject, number in store.execute(corrected)}
        whole = client.get("/api/readings.jsonl").text.splitlines()

        def one(chance: Random) -> bool:
            given = texts.altered(chance.choice([*made, cursor.START]), chance, "0123456789abcdef-")
            said = _text_at(client, f"/api/readings.jsonl?after={quote(given, errors='replace')}",
                            410, 422)  # fmt: skip
            if said is None:
                assert given not in made
                return False
            assert given in made or given == cursor.START, "an altered cursor was taken"
            after = made.get(given, 0)
            expected = []
            for line in whole:
                row = json.loads(line)
                # The readings of a series that was corrected come again.
                if max(told[row["reading_id"]], again.get(row["series_id"], 0)) > after:
                    expected.append(line)
            assert sorted(said.splitlines()) == sorted(expected)
            return True

        yield one


@contextmanager
def _pages(place: Place) -> Iterator[Try]:
    """The lists of machines and of series: page by page, all once and in order."""
    with _filled(place) as server, local_client(build(server)) as client:
        for n in range(12):
            server.journal.add_machine(f"Saw {n % 5} {n}", "other")

        def rows(body: str) -> list[str]:
            said = json.loads(body)
            return [row["id"] for row in (said["series"] if isinstance(said, dict) else said)]

        lists = {
            name: rows(client.get(f"/api/{name}?limit=500").text) for name in ("machines", "series")
        }

        def one(chance: Random) -> bool:
            name, place_of = chance.choice((("machines", "after"), ("series", "before")))
            limit = str(chance.choice((1, 2, 3, 500, 0, -1, 501, "", "1.0", "x", 10**30)))
            at = chance.choice([*lists[name], str(UUID(int=chance.getrandbits(128)))])
            given = (
                texts.altered(at, chance, "0123456789abcdef-{}") if chance.random() < 0.5 else at
            )
            address = f"/api/{name}?limit={limit}&{place_of}={quote(given, errors='replace')}"
            said = _text_at(client, address, 404, 422)
            if said is None:
                assert given not in lists[name] or limit not in ("1", "2", "3", "500", "1.0")
                return False
            begin = lists[name].index(str(UUID(given))) + 1
            assert rows(said) == lists[name][begin : begin + int(float(limit))]
            following: str | None = address
            seen: list[str] = []
            while following is not None:
                answer = client.get(following)
                seen += rows(answer.text)
                link = answer.links.get("next")
                following = None if link is None else link["url"]
            assert seen == lists[name][begin:], "a page leaves out or repeats"
            return True

        yield one


_MOMENTS = (
    *("2026-03-02T12:00:00Z", "2026-03-02", "2026-03-02T12:01:00+02:00", "1772452800", "12:00"),
    *("2026-03-02T12:01:00", "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "-1", "1e3"),
    *("2026-03-02T12:00:07.999999Z", "2026-03-02 12:00:30Z", "2026-W10-1", "nan", "inf"),
)


@contextmanager
def _since(place: Place) -> Iterator[Try]:
    with _filled(place) as server, local_client(build(server)) as client:
        whole = [json.loads(line) for line in client.get("/api/readings.jsonl").text.splitlines()]
        moments = [datetime.fromisoformat(row["taken_at"]) for row in whole]

        def one(chance: Random) -> bool:
            exact = chance.random() < 0.3
            if exact:
                zone = chance.choice((timedelta(0), timedelta(hours=5, minutes=30)))
                at = chance.choice(moments) + timedelta(microseconds=chance.choice((0, -1, 1)))
                given = at.astimezone(timezone(zone)).isoformat()
            else:
                given = texts.altered(chance.choice(_MOMENTS), chance, "0123456789-:TZ+.")
            said = _text_at(
                client, f"/api/readings.jsonl?since={quote(given, errors='replace')}", 422
            )
            if said is None:
                assert not exact
                return False
            found = [json.loads(line) for line in said.splitlines()]
            assert [row for row in whole if row in found] == found
            if exact:
                expected = [row for row, m in zip(whole, moments, strict=True) if m >= at]
                assert found == expected
            return True

        yield one


@contextmanager
def _streams(place: Place) -> Iterator[Try]:
    """Live events after the number seen last, over HTTP."""
    with _filled(place) as server, server.reading() as store:
        of_bench = store.scalars(
            select(Event.id).join(Bench).where(Bench.name == "main").order_by(Event.id)
        ).all()
        last = max(store.scalars(select(Event.id)).all())
    with serving(place.folder / "serving", "--db", place.store) as running:

        def one(chance: Random) -> bool:
            at = str(chance.choice((0, last, last + 1, chance.randrange(last), 2**63, 10**30)))
            given = texts.altered(at, chance, "0123456789+-._") if chance.random() < 0.5 else at
            # A header holds no controls (RFC 9110): what parses it answers those by itself.
            spoken = given.encode("latin-1", "replace").translate(None, bytes(range(32)) + b"\x7f")
            by_header = chance.random() < 0.5
            address = "/api/live?bench=main"
            headers = {"Last-Event-ID": spoken} if by_header else {}
            if not by_header:
                address += f"&after={quote(given, errors='replace')}"
            with running.client.stream("GET", address, headers=headers) as answer:
                if answer.status_code != 200:
                    assert answer.status_code == 422
                    assert answer.headers["content-type"] == "application/problem+json"
                    assert at != given or not 0 <= int(at) <= 2**62
                    return False
                lines = answer.iter_lines()
                assert next(lines).startswith("retry")
                if at != given:
                    return True
                following = [n for n in of_bench if n > int(at)]
                heard: list[int] = []
                while following and following[-1] not in heard:
                    line = next(lines)
                    if line.startswith("id: "):
                        heard.append(int(line[4:]))
                assert heard == sorted(set(heard))
                assert set(heard) <= set(following), "an event was sent that was seen already"
                return True

        yield one
        assert "Traceback" not in running.log.read_text()


FUZZERS: Sequence[Fuzzer] = (
    Fuzzer("cursors of pulls", "an altered one is refused, or is one", _cursors, 100, True),
    Fuzzer("pages of lists", "all once, in order, from any page on", _pages, 60, True),
    Fuzzer("since", "refused in words, or exact", _since, 80, True),
    Fuzzer("last event seen", "only what follows, in order", _streams, 40, True),
)
