"""A caliper identified by its send button and listened to from then on, through a real server."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import serial

from capture.pretend import PtyPort
from tests.ptys import plugged, until
from tests.whole.forked import serving
from tests.whole.serving import Serving


def refused(server: Serving, path: str, body: Any, status: int) -> Any:
    answer = server.client.post(path, json=body)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.json()


def identify(server: Serving, *ports: PtyPort, **options: Any) -> dict[str, Any]:
    """Begin, and wait until every port of ours is open."""
    server.post("/api/identify", {"also": [each.target for each in ports], **options})
    ours = {each.target for each in ports}

    def open_now() -> bool:
        heard = {p["device"]: p["words"] for p in server.get("/api/identify")["ports"]}
        return all("not opened" not in heard.get(device, "") for device in ours)

    assert until(open_now)
    found: dict[str, Any] = server.get("/api/identify")
    return found


def identified(server: Serving) -> dict[str, Any]:
    assert until(lambda: server.get("/api/identify")["state"] == "identified"), server.get(
        "/api/identify"
    )
    found: dict[str, Any] = server.get("/api/identify")["identified"]
    return found


def listening(server: Serving, name: str) -> bool:
    def state() -> str | None:
        found = {c["name"]: c["state"] for c in server.get("/api/health")["calipers"]}
        return found.get(name)

    return until(lambda: state() == "listening")


def readings(server: Serving) -> list[tuple[str, str]]:
    last = server.get("/api/benches/main")["last_reading"]
    return [] if last is None else [(last["caliper"], last["sent"])]


# ---------------------------------------------------------------- from plugging in to a reading


def test_from_the_plug_to_the_first_reading(server, port):
    told = identify(server, port)
    assert "restart a small board" in told["before"]
    port.send(b"12.34\r\n")
    server.post("/api/identify/shown", {"value": "12.34", "unit": "mm"})
    found = identified(server)
    assert found["sent"] == "12.34"
    kept = server.post("/api/calipers", {"spec": found["spec"], "name": "six inch"})
    assert (kept["name"], kept["bench"]) == ("six inch", "main")
    assert listening(server, "six inch")
    port.send(b"12.35\r\n")
    assert until(lambda: ("six inch", "12.35") in readings(server))


def test_what_was_heard_while_identifying_is_no_reading(server, port):
    before = server.get("/api/benches/main")["last_reading"]
    identify(server, port)
    port.send(b"99.99\r\n")
    assert until(lambda: "99.99" in server.get("/api/identify")["ports"][0]["words"])
    assert server.get("/api/benches/main")["last_reading"] == before


def test_the_speed_is_found_and_put_into_the_description(server):
    port = PtyPort(baud=115200)
    try:
        identify(server, port)
        server.post("/api/identify/shown", {"value": "0.4865", "unit": "in"})

        def pressed() -> bool:
            port.send(b"0.4865\r\n")
            return until(lambda: server.get("/api/identify")["state"] == "identified", 0.5)

        assert until(pressed)
        assert identified(server)["spec"] == f"serial:{port.target},unit=in,baud=115200"
    finally:
        port.close()


def test_an_identified_port_is_released_at_once(server, port):
    identify(server, port)
    server.post("/api/identify/shown", {"value": "1 1/2", "unit": "in"})
    port.send(b"1.5\r\n")
    assert identified(server)["spec"].endswith(",unit=in")
    assert until(lambda: _free(port))


def _free(port: PtyPort) -> bool:
    try:
        serial.Serial(port.target, exclusive=True).close()
    except serial.SerialException:
        return False
    return True


def test_cancelling_releases_every_port(server, port):
    identify(server, port)
    assert not _free(port)
    server.client.delete("/api/identify")
    assert server.get("/api/identify")["state"] == "none"
    assert until(lambda: _free(port))


def test_a_port_to_be_left_alone_is_never_opened(server, port):
    with plugged() as alone:
        server.post(
            "/api/identify", {"also": [port.target, alone.target], "leave_alone": [alone.target]}
        )
        assert until(lambda: not _free(port))
        assert _free(alone)
        found = server.get("/api/identify")
        assert [p["why"] for p in found["left_out"] if p["device"] == alone.target] == [
            "left alone, as you asked"
        ]


def test_a_caliper_that_is_listened_to_is_not_disturbed_by_identifying(server, port):
    server.post("/api/calipers", {"spec": f"serial:{port.target},unit=mm,name=busy"})
    assert listening(server, "busy")
    with plugged() as other:
        server.post("/api/identify", {"also": [port.target, other.target]})
        out = {p["device"]: p["why"] for p in server.get("/api/identify")["left_out"]}
        assert out[port.target] == "listened to already, as busy on bench main"
    port.send(b"3.21\r\n")
    assert until(lambda: ("busy", "3.21") in readings(server))


def test_two_pages_cannot_identify_at_once(server, port):
    identify(server, port)
    assert "already" in refused(server, "/api/identify", {}, 409)["detail"]


@pytest.mark.parametrize("value", ["", "abc", "1.2.3", "12 34"])
def test_what_the_display_shows_must_be_a_number(server, port, value):
    identify(server, port)
    told = refused(server, "/api/identify/shown", {"value": value, "unit": "mm"}, 422)
    assert told["errors"][0]["field"] == "value"


def test_acts_without_a_search_say_how_to_begin(server):
    stroke = {"key": "1", "code": "Digit1", "at_ms": 0}
    for path, body in (
        ("/api/identify/shown", {"value": "1", "unit": "mm"}),
        ("/api/identify/keys", {"strokes": [stroke]}),
    ):
        assert "start" in refused(server, path, body, 409)["detail"]


def burst(text: str, gap_ms: float = 10.0) -> list[dict[str, Any]]:
    codes = {".": "Period"}
    keys = [(c, codes.get(c) or f"Digit{c}") for c in text] + [("Enter", "Enter")]
    return [{"key": k, "code": c, "at_ms": i * gap_ms} for i, (k, c) in enumerate(keys)]


def test_a_caliper_that_types_is_found_by_the_pages_keys(server, port):
    identify(server, port)
    state = server.post("/api/identify/keys", {"strokes": burst("12.34")})
    assert state["state"] == "identified"
    assert state["identified"]["spec"] is None
    assert "nothing to set up" in state["identified"]["sentence"]
    assert until(lambda: _free(port))


def test_fingers_are_not_taken_for_a_caliper(server, port):
    identify(server, port)
    state = server.post("/api/identify/keys", {"strokes": burst("12.34", gap_ms=200)})
    assert state["state"] == "listening"
    assert "by hand" in state["heard_keys"]


def test_an_address_that_is_none_is_named(server):
    told = refused(server, "/api/identify", {"also": ["serial:x,baud=fast"]}, 422)
    assert told["errors"][0]["field"] == "also"


# ---------------------------------------------------------------- kept for the next start


def test_a_caliper_is_listened_to_again_after_the_next_start(tmp_path, port):
    with serving(tmp_path / "data") as server:
        server.post(
            "/api/calipers", {"spec": f"serial:{port.target}", "unit": "in", "name": "long"}
        )
        assert listening(server, "long")
        server.stop()
        assert until(lambda: _free(port))
        server.start()
        assert listening(server, "long")
        port.send(b"0.4865\r\n")
        assert until(lambda: ("long", "0.4865") in readings(server))
        (found,) = server.get("/api/calipers")
        assert found["remembered"]
        assert server.client.delete("/api/calipers/long").json()["again"] is False
        assert _free(port)
        server.stop()
        server.start()
        assert server.get("/api/health")["calipers"] == []
        # What it measured stays.
        (found,) = server.get("/api/calipers")
        assert (found["name"], found["readings"], found["spec"]) == ("long", 1, None)


def test_a_caliper_named_at_the_start_and_remembered_too_is_opened_once(tmp_path, port):
    data = tmp_path / "data"
    data.mkdir()
    spec = f"serial:{port.target},name=twice"
    (data / "calipers.json").write_text(json.dumps({"calipers": [spec]}))
    with serving(data, "--caliper", spec) as server:
        assert listening(server, "twice")
        assert len(server.get("/api/health")["calipers"]) == 1
        # It comes back after it was removed: the command line names it.
        assert server.client.delete("/api/calipers/twice").json()["again"] is True


def test_a_damaged_list_of_calipers_does_not_keep_the_program_from_starting(tmp_path, port):
    data = tmp_path / "data"
    data.mkdir()
    (data / "calipers.json").write_text('{"calipers": [')
    with serving(data) as server:
        assert server.get("/api/health")["calipers"] == []
        assert (data / "calipers.damaged.json").read_text() == '{"calipers": ['
        assert "add the calipers again" in server.log.read_text()
        server.post("/api/calipers", {"spec": f"serial:{port.target}"})
        assert len(json.loads((data / "calipers.json").read_text())["calipers"]) == 1


def test_a_line_that_this_version_cannot_read_stays_in_the_list(tmp_path, port):
    data = tmp_path / "data"
    data.mkdir()
    strange = "radio:channel-5"
    (data / "calipers.json").write_text(json.dumps({"calipers": [strange]}))
    with serving(data) as server:
        assert "is skipped" in server.log.read_text()
        server.post("/api/calipers", {"spec": f"serial:{port.target},name=new"})
        assert strange in json.loads((data / "calipers.json").read_text())["calipers"]


def test_what_cannot_be_remembered_is_not_listened_to_either(tmp_path, port):
    data = tmp_path / "data"
    (data / "calipers.new").mkdir(parents=True)  # where the list is written first
    with serving(data) as server:
        told = refused(server, "/api/calipers", {"spec": f"serial:{port.target}"}, 503)
        assert "nothing was changed" in told["detail"]
        assert server.get("/api/health")["calipers"] == []
        assert _free(port)


# ---------------------------------------------------------------- what is refused


def test_the_same_port_is_not_listened_to_twice_under_whatever_link(server, tmp_path):
    with plugged(tmp_path / "a link") as port:
        server.post("/api/calipers", {"spec": f"serial:{port.target},name=first"})
        told = refused(
            server, "/api/calipers", {"spec": f"serial:{Path(port.target).resolve()}"}, 422
        )
        assert "first" in told["detail"]


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"spec": "serial:"}, "spec"),
        ({"spec": "nothing"}, "spec"),
        ({"spec": "stdin:"}, "spec"),
        ({"spec": "serial:/dev/null", "name": "typed"}, "name"),
        ({"spec": "serial:/dev/null", "name": " "}, "name"),
        ({"spec": "serial:/dev/null", "bench": "a b"}, "bench"),
        ({"spec": "serial:/dev/null", "unit": "cm"}, "unit"),
        ({}, "spec"),
    ],
)
def test_a_description_that_can_be_none_is_named(server, body, field):
    told = refused(server, "/api/calipers", body, 422)
    assert told["errors"][0]["field"] == field
    assert server.get("/api/health")["calipers"] == []


def test_names_are_not_given_twice(server, port):
    server.post("/api/calipers", {"spec": f"serial:{port.target},name=mine"})
    with plugged() as other:
        told = refused(
            server, "/api/calipers", {"spec": f"serial:{other.target}", "name": "mine"}, 422
        )
        assert told["errors"][0]["field"] == "name"


def test_a_port_that_is_not_there_yet_is_waited_for(server, tmp_path):
    link = tmp_path / "later"
    server.post("/api/calipers", {"spec": f"serial:{link},name=later"})
    found = server.get("/api/instruments")["calipers"]
    assert [(c["state"], c["words"]) for c in found] == [("waiting", "Waiting for it.")]
    with plugged(link):
        assert listening(server, "later")


def test_forgetting_what_is_not_listened_to_says_so(server):
    answer = server.client.delete("/api/calipers/nobody")
    assert answer.status_code == 404
    assert "nobody" in answer.json()["detail"]


def test_a_bench_elsewhere_keeps_its_own_calipers(tmp_path):
    state = {"name": "far", "state": "listening"}
    # A server of its own, since it goes on naming that caliper.
    with serving(tmp_path / "data") as server:
        server.post(
            "/api/benches/hall/calipers", {"calipers": [state], "sent_at": "2026-03-02T12:00:00Z"}
        )
        found = {c["name"]: c for c in server.get("/api/calipers")}
        assert found["far"]["heard"] == "elsewhere"
        answer = server.client.delete("/api/calipers/far")
        assert answer.status_code == 409
        assert "stop it there" in answer.json()["detail"]


def test_what_is_plugged_in_is_told_without_opening_it(server):
    for found in server.get("/api/instruments")["found"]:
        assert found["kind"] in ("serial", "hid", "keys", "usb")
        assert found["likely"]
        assert bool(found["missing"]) or found["spec"]


def test_a_name_that_is_no_port_is_refused_and_nothing_is_opened(server, port):
    for field in ("leave_alone", "listen_to"):
        said = refused(
            server, "/api/identify", {"also": [port.target], field: ["/dev/ttyUBS0"]}, 422
        )
        assert said["errors"][0]["field"] == field
        assert "/dev/ttyUBS0 is no port here, so nothing was opened" in said["detail"]
    assert _free(port)
