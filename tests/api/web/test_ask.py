"""A caliper that sends only when it is asked, asked from a page."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from capture.pretend import TcpPort
from tests.ptys import plugged, until


@pytest.fixture
def asked() -> list[bytes]:
    return []


@pytest.fixture
def port(asked: list[bytes], monkeypatch: pytest.MonkeyPatch) -> Iterator[TcpPort]:
    # However long the answer takes, it is not asked a second time.
    monkeypatch.setattr("capture.instrument._ANSWER_S", 300.0)

    def answer(request: bytes) -> bytes:
        asked.append(request)
        return b"12.34\r\n"

    made = TcpPort(answer=answer)
    yield made
    made.close()


def listen(server, client, spec: str) -> None:
    assert client.post("/api/calipers", json={"spec": spec}).status_code == 201
    assert until(lambda: all(s.state == "listening" for s in server.instruments.states()))


def sent(client) -> list[tuple[str, str, str]]:
    lines = client.get("/api/readings.jsonl").text.splitlines()
    return [(each["bench"], each["caliper"], each["sent"]) for each in map(json.loads, lines)]


def test_asking_sends_the_request_and_its_answer_is_a_reading(server, client, port, asked):
    listen(server, client, f"serial:{port.target},name=g,bench=saw,unit=mm,mode=ask,request=?\\r")
    answer = client.post("/api/benches/saw/ask", json={})
    assert (answer.status_code, answer.json()) == (202, {"bench": "saw", "caliper": "g"})
    assert until(lambda: sent(client) == [("saw", "g", "12.34")])
    assert client.post("/api/benches/saw/ask", json={"caliper": "g"}).status_code == 202
    assert until(lambda: asked == [b"?\r"] * 2)


def test_where_none_or_several_can_be_asked_one_sentence_says_so(server, client, port, asked):
    refused = client.post("/api/benches/main/ask", json={})
    assert refused.status_code == 409
    assert "mode=ask,request=TEXT" in refused.json()["detail"]
    for name in ("a", "b"):
        other = port if name == "a" else TcpPort()
        listen(server, client, f"serial:{other.target},name={name},unit=mm,mode=ask,request=?")
        if other is not port:
            both = client.post("/api/benches/main/ask", json={})
            assert both.status_code == 422
            assert "name one of a, b" in both.json()["detail"]
            # A caliper that is gone is not asked, now or when it is back.
            other.close()
            assert until(lambda: server.instruments.states()[1].state == "unplugged")
            gone = client.post("/api/benches/main/ask", json={"caliper": "b"})
            assert gone.status_code == 409
            assert "unplugged" in gone.json()["detail"]
    assert asked == []


def test_who_sends_by_itself_or_is_not_here_is_not_asked(server, client):
    with plugged() as pty:
        listen(server, client, f"serial:{pty.target},name=p,unit=mm")
        press = client.post("/api/benches/main/ask", json={"caliper": "p"})
        assert press.status_code == 409
        assert "press its button" in press.json()["detail"]
        assert client.post("/api/benches/main/ask", json={"caliper": "q"}).status_code == 404
        assert client.post("/api/benches/other/ask", json={"caliper": "p"}).status_code == 404
