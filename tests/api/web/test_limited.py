"""What comes from one visitor leaves the others their share; whoever measures meets no limit."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from uuid import uuid4

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine, select
from starlette.responses import Response
from starlette.types import Message, Receive, Scope, Send

from api.access.book import Book
from api.access.rungs import Rung
from api.server import Server
from api.store.tables import Bench
from api.web import connections, limited, live, new_names
from api.web.limited import ASKED, PRESSES, Bucket, Limited, Limits, Rate
from api.web.visitors import Visitor
from tests.api.conftest import LAN_HOST, ON_SQLITE
from tests.manual import ROOT

PHONE = Visitor("pass 1", "192.0.2.1", pass_id="1", name="phone", rung=Rung.RUN)
OTHER = Visitor("pass 2", "192.0.2.1", pass_id="2", name="tablet", rung=Rung.READ)
STRANGER = Visitor("192.0.2.2", "192.0.2.2")
HERE = Visitor("local", "127.0.0.1", local=True, rung=Rung.ADMIN)


def test_a_bucket_lets_through_what_its_rate_says_and_no_more() -> None:
    bucket = Bucket(Rate(20, 5))
    assert [bucket.take("a", 0.0) for _ in range(5)] == [0.0] * 5
    assert bucket.take("a", 0.0) == pytest.approx(1 / 20)
    assert bucket.take("b", 0.0) == 0.0
    # In each second after that 20 pass, however many come.
    passed = sum(not bucket.take("a", moment / 1000) for moment in range(1, 10_001))
    assert 199 <= passed <= 200  # the moments are rounded


def test_who_comes_from_ever_new_addresses_takes_no_memory_without_end() -> None:
    bucket = Bucket(Rate(20, 5))
    for number in range(3 * limited._MOST_KNOWN):
        assert not bucket.take(number, number / 1000)
    assert len(bucket._left) <= limited._MOST_KNOWN


def test_the_help_names_the_limits_that_hold() -> None:
    said = (ROOT / "api/web/pages/help/integrators.md").read_text(encoding="utf-8")
    for limit in (
        f"| requests | {ASKED.a_second} a second, {ASKED.at_once} at once |",
        f"| {PRESSES.a_second} a second, {PRESSES.at_once} at once |",
        f"or {limited.A_PRESS // 1000} kB of several |",
        f"| live streams | {limited.MOST_LIVE} |",
        f"| exports at once | {limited.MOST_PULLS // 2}, of {limited.MOST_PULLS} in all |",
        f"| {new_names.MOST} a day ",
        f"| a request's address and headers | {connections.HEAD_S:.0f} s, ",
        f"| reading an answer | {connections.PROGRESS // 1024} kB a minute",
        f"| connections | {connections.MOST_EACH} from an address, {connections.MOST} from all |",
    ):
        assert limit in said, limit


class Asking:
    """Requests of `Limited` and an application that answers when it is told to."""

    def __init__(self) -> None:
        self.asked = 0
        self.free = asyncio.Event()
        self.limits = Limits()
        self._app = SimpleNamespace(state=SimpleNamespace(limits=self.limits))
        self.limited = Limited(self._answer)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        while scope["method"] == "POST" and (await receive()).get("more_body"):
            pass
        self.asked += 1
        await self.free.wait()
        await Response(b"done")(scope, receive, send)

    async def ask(
        self,
        who: Visitor,
        path: str = "/api/machines",
        method: str = "GET",
        headers: Sequence[tuple[bytes, bytes]] = (),
        more: bool = False,
    ) -> tuple[int, dict[bytes, bytes]]:
        found: list[Message] = []
        body = asyncio.Event()
        if not more:
            body.set()

        async def receive() -> Message:
            await body.wait()
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Message) -> None:
            found.append(message)

        scope = {
            "type": "http",
            "method": method,
            "path": path,
            "headers": headers,
            "app": self._app,
        }
        await self.limited(scope | {"bothends.visitor": who}, receive, send)
        return found[0]["status"], dict(found[0]["headers"])


async def _settle() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


def test_requests_beyond_the_rate_are_told_when_to_come_again() -> None:
    async def ask() -> None:
        asking = Asking()
        asking.free.set()
        answers = [await asking.ask(PHONE) for _ in range(ASKED.at_once + 20)]
        statuses = [status for status, _ in answers]
        assert statuses[: ASKED.at_once] == [200] * ASKED.at_once
        assert statuses[-1] == 429
        assert answers[-1][1][b"retry-after"] == b"1"
        # Everybody else is not held up by it, and neither is the same phone's bench.
        assert (await asking.ask(OTHER))[0] == (await asking.ask(STRANGER))[0] == 200
        for _ in range(PRESSES.at_once):
            assert (await asking.ask(PHONE, "/api/benches/main/keys", "POST"))[0] == 200

    asyncio.run(ask())


def test_many_readings_in_a_request_count_as_many() -> None:
    async def ask() -> None:
        asking = Asking()
        asking.free.set()
        large = [(b"content-length", b"100000")]
        many = [(await asking.ask(PHONE, "/api/readings", "POST", large))[0] for _ in range(5)]
        assert many == [200, 200, 200, 200, 429]
        # What is larger than all that one may send at once passes, too, when nothing else was sent.
        for headers in ([(b"content-length", b"1000000")], [(b"transfer-encoding", b"chunked")]):
            asking.limits.presses = Bucket(PRESSES)
            alike = [(await asking.ask(PHONE, "/api/readings", "POST", headers))[0] for _ in "12"]
            assert alike == [200, 429]

    asyncio.run(ask())


def test_addresses_of_one_network_are_one_stranger() -> None:
    async def ask() -> None:
        asking = Asking()
        asking.free.set()
        statuses = [
            (await asking.ask(Visitor(name, name)))[0]
            for name in (f"2001:db8::{n + 1:x}" for n in range(ASKED.at_once + 20))
        ]
        assert statuses[-1] == 429

    asyncio.run(ask())


def test_this_computers_own_requests_have_no_limit() -> None:
    async def ask() -> None:
        asking = Asking()
        asking.free.set()
        for _ in range(2 * ASKED.at_once):
            assert (await asking.ask(HERE))[0] == 200

    asyncio.run(ask())


def test_one_visitor_follows_16_live_streams() -> None:
    async def ask() -> None:
        asking = Asking()
        following = [
            asyncio.create_task(asking.ask(PHONE, live.PATH)) for _ in range(limited.MOST_LIVE)
        ]
        await _settle()
        status, headers = await asking.ask(PHONE, live.PATH)
        assert (status, headers[b"retry-after"]) == (429, b"15")
        other = asyncio.create_task(asking.ask(OTHER, live.PATH))
        asking.free.set()
        assert [status for status, _ in await asyncio.gather(*following, other)] == [200] * 17
        assert (await asking.ask(PHONE, live.PATH))[0] == 200

    asyncio.run(ask())


def test_one_visitor_does_not_take_all_threads() -> None:
    async def ask() -> None:
        asking = Asking()
        many = [asyncio.create_task(asking.ask(PHONE)) for _ in range(30)]
        await _settle()
        assert asking.asked == limited.AT_ONCE_EACH
        more = [asyncio.create_task(asking.ask(OTHER)) for _ in range(30)]
        await _settle()
        assert asking.asked == limited.AT_ONCE
        here = asyncio.create_task(asking.ask(HERE))
        await _settle()
        assert asking.asked == limited.AT_ONCE + 1
        asking.free.set()
        assert {status for status, _ in await asyncio.gather(*many, *more, here)} == {200}
        assert asking.limits.turns._own == {}

    asyncio.run(ask())


def test_a_body_that_does_not_come_takes_no_turn() -> None:
    async def ask() -> None:
        asking = Asking()
        slow = [
            asyncio.create_task(asking.ask(PHONE, "/api/machines", "POST", more=True))
            for _ in range(20)
        ]
        await _settle()
        asking.free.set()
        assert (await asking.ask(PHONE))[0] == 200
        for each in slow:
            each.cancel()
        await asyncio.gather(*slow, return_exceptions=True)
        assert asking.limits.turns._own == {}

    asyncio.run(ask())


def test_who_goes_while_it_waits_for_its_turn_gives_its_place_back() -> None:
    async def ask() -> None:
        asking = Asking()
        many = [asyncio.create_task(asking.ask(PHONE)) for _ in range(10)]
        await _settle()
        for each in many:
            each.cancel()
        await asyncio.gather(*many, return_exceptions=True)
        asking.free.set()
        for _ in range(10):
            assert (await asking.ask(PHONE))[0] == 200

    asyncio.run(ask())


# ---------------------------------------------------------------- names


@pytest.fixture
def distant(client: TestClient, server: Server, tmp_path: Path) -> Iterator[TestClient]:
    """A program on another computer, which may send readings."""
    book = server.access = Book(tmp_path)
    _, token = book.add_token("saw hut", Rung.PRESS)
    made = TestClient(
        client.app,
        base_url=f"http://{LAN_HOST}:8017",
        client=("192.0.2.9", 50_000),
        headers={"Authorization": f"Bearer {token}"},
    )
    made.event_hooks = client.event_hooks
    yield made
    book.close()


def _reading(bench: str, caliper: str = "A") -> dict[str, Any]:
    moment = "2026-11-30T12:00:00Z"
    said = {"id": str(uuid4()), "sent": "+12.34", "unit": "mm", "taken_at": moment}
    return said | {"bench": bench, "caliper": caliper}


def _benches(engine: Engine) -> set[str]:
    with engine.connect() as store:
        return set(store.scalars(select(Bench.name)))


@ON_SQLITE
def test_nobody_elsewhere_brings_thousands_of_benches_into_being(
    client: TestClient, distant: TestClient, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(new_names, "MOST", 4)
    client.app.state.new_names = new_names.NewNames()
    assert client.post("/api/readings", json=[_reading("known")]).status_code == 200
    # What is known already does not count.
    for bench in ("one", "two", "known", "one", "two"):
        assert distant.post("/api/readings", json=[_reading(bench)]).status_code == 200
    more = [_reading("three", "B"), _reading("known")]
    assert distant.post("/api/readings", json=more).status_code == 200
    refused = distant.post("/api/readings", json=[_reading("four")])
    assert refused.status_code == 429
    assert 0 < int(refused.headers["Retry-After"]) <= 86_400
    assert "saw hut names more than 4 new benches" in refused.json()["detail"]
    now = {"sent_at": "2026-11-30T12:00:00Z", "calipers": []}
    assert distant.post("/api/benches/five/calipers", json=now).status_code == 429
    assert distant.post("/api/benches/one/calipers", json=now).status_code == 200
    new = {"name": "N", "state": "listening", "message": "", "last_heard": None}
    states = now | {"calipers": [new]}
    assert distant.post("/api/benches/one/calipers", json=states).status_code == 429
    said = {"id": str(uuid4()), "text": "?", "reason": "no", "heard_at": now["sent_at"]}
    refusal = said | {"bench": "six", "caliper": "A"}
    assert distant.post("/api/refusals", json=[refusal]).status_code == 429
    assert distant.post("/api/readings", json=[_reading("known")]).status_code == 200
    assert _benches(server.engine) == {"known", "one", "two", "three"}
    # This computer itself may.
    assert client.post("/api/readings", json=[_reading("seven")]).status_code == 200
