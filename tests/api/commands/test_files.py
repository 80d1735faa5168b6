"""Enough files may be open for the ports that are listened to, or a sentence says how many."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

from api.commands.files import allow_files

resource = pytest.importorskip("resource")  # not on Windows


@pytest.fixture
def few() -> Iterator[int]:
    """A low limit, which a program may raise; what it was is given back at the end."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (512, before[1]))
    yield 512
    resource.setrlimit(resource.RLIMIT_NOFILE, before)


def test_a_low_limit_is_raised_as_far_as_it_goes_and_no_further(few):
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    most = 65_536 if hard == resource.RLIM_INFINITY else min(hard, 65_536)
    assert most > few
    assert allow_files(1) == most - 107
    assert resource.getrlimit(resource.RLIMIT_NOFILE) == (most, hard)


def test_readers_of_live_events_get_what_the_ports_leave(monkeypatch):
    monkeypatch.setattr(resource, "getrlimit", lambda _: (512, 512))
    assert [allow_files(ports) for ports in (0, 10, 44)] == [412, 342, 104]


@pytest.mark.usefixtures("few")
def test_more_ports_than_files_are_one_sentence_and_exit_2(capsys):
    with pytest.raises(SystemExit) as ended:
        allow_files(10_000)
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith(
        "bothends: 10000 calipers need about 70200 open files, and this computer"
    )
    assert "ulimit -n 70200" in said
    assert said.count("\n") == 1


def test_a_system_without_such_a_limit_needs_none(few, monkeypatch):
    monkeypatch.setitem(sys.modules, "resource", None)
    assert allow_files(10_000) > 1000
    assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] == few
