"""A pull waits where a server says to come again soon."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing

import httpx2
import pytest

from api.exports import sources
from api.exports.sources import PullFailed, ServerSource


@pytest.fixture
def waited(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    found: list[float] = []
    monkeypatch.setattr(sources.time, "sleep", found.append)
    return found


def _server(*answers: tuple[int, str]) -> ServerSource:
    left: Iterator[tuple[int, str]] = iter(answers)

    def answer(request: httpx2.Request) -> httpx2.Response:
        assert request.read() == b"a,b"
        status, after = next(left)
        said = httpx2.ByteStream(b'{"detail": "go on more slowly"}')
        return httpx2.Response(status, headers={"Retry-After": after}, stream=said)

    return ServerSource("http://shop.example", httpx2.MockTransport(answer))


def test_what_is_asked_too_often_is_asked_again_when_the_server_says(waited: list[float]) -> None:
    with closing(_server((429, "1"), (429, "7"), (200, ""))) as server:
        assert server.post("/api/load", b"a,b", "text/csv") == {"detail": "go on more slowly"}
    assert waited == [1.0, 7.0]


@pytest.mark.parametrize(("answer", "times"), [((429, "1"), 9), ((429, "3600"), 0), ((429, ""), 0)])
def test_it_does_not_wait_without_an_end_nor_for_a_day(
    waited: list[float], answer: tuple[int, str], times: int
) -> None:
    with (
        closing(_server(*[answer] * 10)) as server,
        pytest.raises(PullFailed, match="go on more slowly"),
    ):
        server.post("/api/load", b"a,b", "text/csv")
    assert len(waited) == times
