"""What is plugged in says which caliper it is already."""

from __future__ import annotations

import pytest

from api.instruments import plugged_in as module
from api.instruments.listening import Listening
from api.instruments.plugged_in import plugged_in
from capture.bench import Instruments
from capture.finding import Found
from capture.spec import parse_spec


@pytest.fixture
def listening(tmp_path):
    instruments = Instruments(lambda _r: None, lambda _r: None, lambda _s: None)
    yield Listening(instruments, tmp_path)
    instruments.stop()


def lists(monkeypatch, *found: Found) -> None:
    """Let the system list `found`: what is plugged into the computer of the tests varies."""
    monkeypatch.setattr(module, "instruments", lambda _program: list(found))


def test_nothing_plugged_in_is_an_empty_list(listening, monkeypatch):
    lists(monkeypatch)
    assert plugged_in(listening) == []


def test_a_device_is_known_by_whatever_link_it_is_listened_to(listening, monkeypatch, tmp_path):
    (tmp_path / "device").touch()
    (tmp_path / "link").symlink_to(tmp_path / "device")
    known = Found("serial", f"{tmp_path}/device", f"serial:{tmp_path}/device", "an adapter")
    new = Found("serial", f"{tmp_path}/other", f"serial:{tmp_path}/other", "an adapter")
    # Without a driver there is no spec to give.
    bare = Found("usb", "1-2", "", "an adapter", "it has no driver", "install one")
    lists(monkeypatch, known, new, bare)
    assert [each.listened_as for each in plugged_in(listening)] == [None, None, None]
    listening.add(parse_spec(f"serial:{tmp_path}/link,name=six-inch"))
    found = plugged_in(listening)
    assert [each.found for each in found] == [known, new, bare]
    assert [each.listened_as for each in found] == ["six-inch", None, None]
    listening.forget("six-inch")
    assert plugged_in(listening)[0].listened_as is None
