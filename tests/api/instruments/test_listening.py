"""Which calipers are listened to, and which again after the next start."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from api.instruments.listening import (
    FileError,
    ListenError,
    Listening,
    place_of,
    remembered,
)
from api.settings import CALIPERS_FILE
from capture.bench import Instruments
from capture.spec import Spec, parse_spec
from tests.ptys import plugged, until


@pytest.fixture
def readings() -> list:
    return []


@pytest.fixture
def instruments(readings) -> Iterator[Instruments]:
    made = Instruments(readings.append, lambda _refusal: None, lambda _state: None)
    yield made
    assert made.stop() == ()


@pytest.fixture
def listening(instruments, tmp_path) -> Listening:
    return Listening(instruments, tmp_path)


def absent(tmp_path, name: str, more: str = "") -> Spec:
    """A caliper that is not plugged in: it is waited for."""
    return parse_spec(f"serial:{tmp_path}/{name}{more}")


def lines(tmp_path) -> list[str]:
    return json.loads((tmp_path / CALIPERS_FILE).read_text())["calipers"]


def test_nothing_given_and_nothing_remembered_is_nothing(listening, tmp_path):
    listening.start([])
    assert listening.listened() == ()
    assert remembered(tmp_path) == 0
    assert not (tmp_path / CALIPERS_FILE).exists()


def test_an_added_caliper_is_heard_remembered_and_forgotten(
    listening, instruments, readings, tmp_path
):
    with plugged(tmp_path / "port") as port:
        added = listening.add(parse_spec(f"serial:{tmp_path}/port,bench=north,unit=mm"))
        assert (added.name, added.bench, added.remembered) == ("port", "north", True)
        assert until(lambda: [s.state for s in instruments.states()] == ["listening"])
        port.send(b"12.30\r\n")
        assert until(lambda: readings)
        assert (readings[0].caliper, readings[0].bench) == ("port", "north")
        assert remembered(tmp_path) == 1
        assert (tmp_path / CALIPERS_FILE).stat().st_mode & 0o777 == 0o600
        assert listening.forget("port") == added
    assert instruments.states() == ()
    assert listening.listened() == ()
    assert lines(tmp_path) == []


def test_the_next_start_listens_to_what_is_given_and_then_to_what_is_remembered(
    listening, tmp_path
):
    for name in ("one", "two"):
        listening.add(absent(tmp_path, name))
    again = Instruments(lambda _r: None, lambda _r: None, lambda _s: None)
    try:
        following = Listening(again, tmp_path)
        following.start([absent(tmp_path, "two", ",name=mine"), absent(tmp_path, "three")])
        found = [(each.name, each.remembered) for each in following.listened()]
        assert found == [("mine", False), ("three", False), ("one", True)]
        # What was only given was never in the file, and is not taken out of it.
        before = (tmp_path / CALIPERS_FILE).read_text()
        following.forget("three")
        assert (tmp_path / CALIPERS_FILE).read_text() == before
    finally:
        again.stop()


def test_one_port_is_listened_to_once_by_whatever_name(listening, tmp_path):
    listening.add(absent(tmp_path, "port"))
    (tmp_path / "link").symlink_to(tmp_path / "port")
    with pytest.raises(ListenError, match="listened to already, as port on bench main") as known:
        listening.add(absent(tmp_path, "link", ",bench=other"))
    assert known.value.field == "spec"
    assert len(listening.listened()) == remembered(tmp_path) == 1


def test_names_are_known_at_every_bench_and_not_those_of_the_page(listening, tmp_path):
    (tmp_path / "other").mkdir()
    listening.add(absent(tmp_path, "port"))
    second = listening.add(absent(tmp_path, "other/port", ",bench=north"))
    assert second.name == "port-2"
    assert listening.add(absent(tmp_path, "typed")).name == "typed-2"
    for taken in ("port", "keyboard"):
        with pytest.raises(ListenError, match=f"{taken} is in use") as used:
            listening.add(absent(tmp_path, "third", f",name={taken}"))
        assert used.value.field == "name"
    long = listening.add(absent(tmp_path, "x" * 80))
    assert long.name == "x" * 64


def test_standard_input_is_for_the_start_alone(listening):
    with pytest.raises(ListenError, match="only be named at the start"):
        listening.add(parse_spec("stdin:"))
    assert listening.listened() == ()


def test_what_is_not_listened_to_cannot_be_forgotten(listening, tmp_path):
    listening.add(absent(tmp_path, "port"))
    for name, bench in (("ghost", None), ("port", "north")):
        with pytest.raises(KeyError):
            listening.forget(name, bench)
    assert remembered(tmp_path) == 1


def test_a_line_that_is_not_understood_is_skipped_and_kept(listening, tmp_path):
    (tmp_path / CALIPERS_FILE).write_text(
        json.dumps({"calipers": ["later:x", str(absent(tmp_path, "port"))]})
    )
    listening.start([])
    assert [each.name for each in listening.listened()] == ["port"]
    listening.forget("port")
    assert lines(tmp_path) == ["later:x"]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"calipers": [7]}', '{"calipers": 7}'])
def test_a_file_that_cannot_be_read_is_set_aside(listening, tmp_path, text, caplog):
    (tmp_path / CALIPERS_FILE).write_text(text)
    listening.start([])
    assert listening.listened() == ()
    assert (tmp_path / "calipers.damaged.json").read_text() == text
    assert not (tmp_path / CALIPERS_FILE).exists()
    assert "add the calipers again" in caplog.text


def test_where_nothing_can_be_remembered_nothing_is_changed(instruments, tmp_path):
    listening = Listening(instruments, tmp_path / "no such folder")
    with pytest.raises(FileError, match="can't be written"):
        listening.add(absent(tmp_path, "port"))
    assert listening.listened() == ()
    assert instruments.states() == ()


def test_a_place_is_the_device_or_the_address(tmp_path):
    (tmp_path / "device").touch()
    (tmp_path / "link").symlink_to(tmp_path / "device")
    assert place_of(absent(tmp_path, "link")) == str((tmp_path / "device").resolve())
    assert place_of(parse_spec("serial:socket://10.0.0.7:4000")) == "socket://10.0.0.7:4000"
    assert place_of(parse_spec("hid:1A2B:00ff")) == "1a2b:00ff"
    assert place_of(parse_spec("stdin:")) == ""
