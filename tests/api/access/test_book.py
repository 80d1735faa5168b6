"""Passes and invitations."""

from __future__ import annotations

import os
import re
import sqlite3
import stat
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from api.access import book as module
from api.access.book import (
    DEVICE_FOR_S,
    FILE,
    INVITED_FOR_S,
    AccessError,
    Book,
    Inviter,
    Taken,
    TooMany,
)
from api.access.codes import as_shown, digest, mark, new_token
from api.access.rungs import Rung


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    made = Book(tmp_path)
    yield made
    made.close()


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[float]]:
    """The first of it is how many seconds have gone by."""
    gone, real = [0.0], time.time
    monkeypatch.setattr(module.time, "time", lambda: real() + gone[0])
    return gone  # type: ignore[return-value]


def test_a_token_is_found_by_itself_alone(book: Book) -> None:
    made, token = book.add_token("bench 2", Rung.PRESS, ["two"])
    other = book.add_token("reports", Rung.READ)[1]
    assert re.fullmatch(r"bothends_[\w-]{43}", token)
    assert book.find("token", token) == made
    assert (made.rung, made.benches, made.ends_at) == (Rung.PRESS, ("two",), None)
    wrong = token[:-1] + ("A" if token[-1] != "A" else "B")
    for value in (
        wrong,
        token[:20],
        token.upper(),
        "",
        "bothends_",
        f"{token[:20]}{other[20:]}",
        "é",
    ):
        assert book.find("token", value) is None
    # A program's token opens no page, and a device's cookie is no token.
    assert book.find("device", token) is None


def test_nothing_that_is_handed_out_stands_in_the_files(book: Book, tmp_path: Path) -> None:
    token = book.add_token("reports", Rung.READ)[1]
    code = book.invite(Rung.RUN)[1]
    joined = book.join(code)
    assert joined is not None
    later_code = book.invite(Rung.RUN)[1]
    kept = b"".join(file.read_bytes() for file in tmp_path.iterdir())
    assert b"reports" in kept  # so that something is looked through
    for secret in (token, token.removeprefix("bothends_"), code, joined[1], later_code):
        assert secret.encode() not in kept


def test_the_files_are_for_the_user_alone(book: Book, tmp_path: Path) -> None:
    book.add_token("reports", Rung.READ)
    files = list(tmp_path.glob(f"{FILE}*"))
    assert len(files) > 1  # with SQLite's own beside it
    assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}


def test_a_code_opens_once_whatever_its_case_and_dashes(book: Book) -> None:
    made, code = book.invite(Rung.RUN, "phone")
    assert re.fullmatch(r"[0-9A-HJKMNP-TV-Z]{10}", code)
    found = book.join(f" {as_shown(code).lower()} ")
    assert found is not None
    device, value = found
    assert (device.kind, device.name, device.rung) == ("device", "phone", Rung.RUN)
    assert book.find("device", value) == device
    assert book.join(code) is None
    assert book.invitations() == []
    assert made.until == pytest.approx(time.time() + INVITED_FOR_S, abs=60)


def test_of_many_who_show_a_code_at_once_one_gets_in(book: Book, tmp_path: Path) -> None:
    code = book.invite(Rung.RUN)[1]
    others = [Book(tmp_path) for _ in range(4)]  # as processes of their own would
    with ThreadPoolExecutor(8) as threads:
        got = list(threads.map(lambda each: each.join(code), others * 4))
    for other in others:
        other.close()
    assert sum(each is not None for each in got) == 1
    assert len(book.passes()) == 1


def test_letters_that_are_misread_are_taken_for_what_they_look_like(book: Book) -> None:
    for _ in range(200):
        code = book.invite(Rung.READ)[1]
        typed = code.replace("0", "O").replace("1", "l")
        if typed != code:
            assert book.join(typed) is not None
            return
    raise AssertionError("no code had a digit that is misread")


def test_a_code_ends_after_ten_minutes(book: Book, later: list[float]) -> None:
    code = book.invite(Rung.RUN)[1]
    later[0] = INVITED_FOR_S + 1
    assert book.join(code) is None
    assert book.invitations() == []


def test_a_device_is_let_in_for_ninety_days_after_its_last_use(
    book: Book, later: list[float]
) -> None:
    found = book.join(book.invite(Rung.RUN)[1])
    assert found is not None
    device, value = found
    assert book.used(device)
    device = book.find("device", value)
    assert device is not None
    assert not book.used(device)  # within a minute nothing is written
    later[0] = DEVICE_FOR_S - 10
    device = book.find("device", value)
    assert device is not None
    assert book.used(device)
    later[0] = 2 * DEVICE_FOR_S - 20
    assert book.find("device", value) is not None
    later[0] = 3 * DEVICE_FOR_S
    assert book.find("device", value) is None
    assert book.passes() == []


def test_a_token_has_no_end_and_its_use_renews_nothing(book: Book, later: list[float]) -> None:
    made, token = book.add_token("reports", Rung.READ)
    assert not book.used(made)
    later[0] = 10 * DEVICE_FOR_S
    found = book.find("token", token)
    assert found is not None
    assert found.last_used_at is not None
    assert found.ends_at is None


def test_what_another_process_revokes_is_revoked_at_once(book: Book, tmp_path: Path) -> None:
    made, token = book.add_token("reports", Rung.READ)
    other = Book(tmp_path)
    assert other.revoke(made.id)
    assert not other.revoke(made.id)
    other.close()
    assert book.find("token", token) is None
    assert not book.living(made.id)
    invited, code = book.invite(Rung.RUN)
    assert book.revoke(invited.id)
    assert book.join(code) is None


def test_a_use_is_not_waited_for_where_another_process_writes(book: Book, tmp_path: Path) -> None:
    made, _ = book.add_token("reports", Rung.READ)
    other = sqlite3.connect(tmp_path / FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    began = time.monotonic()
    assert not book.used(made)
    assert time.monotonic() - began < 1.0  # the book itself would wait for 2 s
    other.close()


def test_no_request_waits_for_who_writes(book: Book, tmp_path: Path) -> None:
    made, token = book.add_token("reports", Rung.READ)
    other = sqlite3.connect(tmp_path / FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with ThreadPoolExecutor() as pool:
        invited = pool.submit(book.invite, Rung.RUN)  # waits for 2 s
        while not book._lock.locked():
            assert not invited.done()
        began = time.monotonic()
        assert book.find("token", token) == made
        assert book.living(made.id)
        assert time.monotonic() - began < 1.0
        other.execute("ROLLBACK")
        other.close()
        invited.result()


def test_a_book_that_was_replaced_lets_nobody_in(book: Book, tmp_path: Path) -> None:
    made, token = book.add_token("reports", Rung.READ)
    for file in tmp_path.glob(f"{FILE}*"):
        file.rename(tmp_path / f"moved-{file.name}")
    with pytest.raises(AccessError, match="No such file"):
        book.find("token", token)
    # Who is revoked in the new one would still be in.
    Book(tmp_path).close()
    with pytest.raises(AccessError, match="start the server again"):
        book.find("token", token)
    with pytest.raises(AccessError):
        book.living(made.id)


def test_a_clock_that_is_set_back_leaves_no_code_open(book: Book, later: list[float]) -> None:
    later[0] = 10 * DEVICE_FOR_S
    code = book.invite(Rung.RUN)[1]
    joined = book.join(book.invite(Rung.RUN)[1])
    assert joined is not None
    assert book.used(joined[0])
    later[0] = 0.0
    assert book.invitations() == []
    assert book.join(code) is None
    # A device's end is moved back by its next use.
    found = book.find("device", joined[1])
    assert found is not None
    assert book.used(found)
    (kept,) = book.passes()
    assert kept.ends_at is not None
    assert kept.ends_at - time.time() <= DEVICE_FOR_S


def test_there_are_not_invitations_and_devices_without_end(
    book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_INVITATIONS", 2)
    monkeypatch.setattr(module, "MOST_DEVICES", 1)
    first, second = book.invite(Rung.RUN)[1], book.invite(Rung.RUN)[1]
    with pytest.raises(TooMany, match="2 invitations are open"):
        book.invite(Rung.RUN)
    joined = book.join(first)
    assert joined is not None
    with pytest.raises(TooMany, match="1 devices are let in"):
        book.join(second)
    assert book.revoke(joined[0].id)
    assert book.join(second) is not None


def test_each_name_is_of_one_pass(book: Book) -> None:
    book.add_token("phone", Rung.READ)
    with pytest.raises(Taken):
        book.add_token("phone", Rung.READ)
    names = []
    for _ in range(3):
        found = book.join(book.invite(Rung.RUN)[1], "phone")
        assert found is not None
        names.append(found[0].name)
    assert names == ["phone 2", "phone 3", "phone 4"]
    long = book.join(book.invite(Rung.RUN, "a" * 64)[1])
    again = book.join(book.invite(Rung.RUN, "a" * 64)[1])
    assert long is not None
    assert again is not None
    assert len(again[0].name) == 64 != long[0].name


@pytest.mark.parametrize(
    "other",
    [
        "zoe\u0308's  Phone",
        "ZO\u00cb's phone",
        "Zo\u00eb's phone\ufe0f",
        "Zo\u00eb's\U000e0041 phone",
    ],
)
def test_no_two_names_look_the_same(book: Book, other: str) -> None:
    """Else somebody who ends the one in the list leaves the other in."""
    book.add_token("Zo\u00eb's phone", Rung.READ)
    with pytest.raises(Taken):
        book.add_token(other, Rung.READ)
    found = book.join(book.invite(Rung.RUN)[1], other)
    assert found is not None
    assert found[0].name == f"{other} 2"


def test_a_name_of_which_nothing_is_seen_is_none(book: Book) -> None:
    found = book.join(book.invite(Rung.RUN)[1], "\ufe0f")
    assert found is not None
    assert found[0].name == "device"


def test_a_clock_that_has_lost_its_battery_ends_nothing(book: Book, later: list[float]) -> None:
    joined = book.join(book.invite(Rung.RUN)[1])
    assert joined is not None
    later[0] = -time.time()
    found = book.find("device", joined[1])
    assert found is not None
    assert not book.used(found)
    later[0] = 0.0
    assert book.find("device", joined[1]) is not None


def test_the_book_outlives_the_process(tmp_path: Path) -> None:
    first = Book(tmp_path)
    made, token = first.add_token("reports", Rung.READ)
    first.reached_at("http://10.0.0.5:8017/")
    first.close()
    second = Book(tmp_path)
    assert second.find("token", token) == made
    assert second.address() == "http://10.0.0.5:8017/"
    second.close()


def test_a_file_that_is_no_book_is_named(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"not a database, but something that somebody kept here" * 50)
    with pytest.raises(AccessError, match=r"bothends-access\.sqlite .*move it away"):
        Book(tmp_path)


def test_a_newer_book_is_left_alone(tmp_path: Path) -> None:
    Book(tmp_path).close()
    with sqlite3.connect(tmp_path / FILE) as newer:
        newer.execute("PRAGMA user_version=99")
    newer.close()
    with pytest.raises(AccessError, match="newer"):
        Book(tmp_path)


def test_a_book_that_cannot_be_read_lets_nobody_in(book: Book) -> None:
    _, token = book.add_token("reports", Rung.READ)
    book.close()
    with pytest.raises(AccessError):
        book.find("token", token)


def test_who_is_revoked_lets_nobody_in_and_who_it_let_in_is_known(book: Book) -> None:
    inviting = book.join(book.invite(Rung.RUN, "phone")[1])
    assert inviting is not None
    phone = inviting[0]
    assert phone.invited_by is None
    by = Inviter(phone.id, phone.name)
    joined = book.join(book.invite(Rung.RUN, "second", by=by)[1])
    assert joined is not None
    assert joined[0].invited_by == by
    open_one, code = book.invite(Rung.RUN, "third", by=by)
    own = book.invite(Rung.RUN, "fourth")[0]
    assert {each.id: each.invited_by for each in book.invitations()} == {
        open_one.id: by,
        own.id: None,
    }
    assert book.revoke(phone.id)
    assert book.join(code) is None
    assert book.invitations() == [own]
    assert book.passes() == [joined[0]]
    # As where its request came just before the end.
    with pytest.raises(AccessError, match="phone is let in no more"):
        book.invite(Rung.RUN, by=by)
    assert book.invitations() == [own]


_FIRST_SCHEMA = """
CREATE TABLE secret (one INTEGER PRIMARY KEY CHECK (one = 1), bytes BLOB NOT NULL);
CREATE TABLE served (one INTEGER PRIMARY KEY CHECK (one = 1), address TEXT NOT NULL);
CREATE TABLE passes (id TEXT PRIMARY KEY, kind TEXT NOT NULL, name TEXT NOT NULL, may TEXT NOT NULL,
    benches TEXT, mark TEXT NOT NULL, hash BLOB NOT NULL, made_at REAL NOT NULL, last_used_at REAL,
    ends_at REAL);
CREATE INDEX passes_mark ON passes (mark);
CREATE TABLE invitations (id TEXT PRIMARY KEY, name TEXT, may TEXT NOT NULL, benches TEXT,
    hash BLOB NOT NULL UNIQUE, until REAL NOT NULL);
PRAGMA user_version=1;
"""


def test_a_book_of_the_first_kind_lets_in_whom_it_did(tmp_path: Path) -> None:
    secret, token = bytes(range(32)), new_token()
    rows = sqlite3.connect(tmp_path / FILE)
    rows.executescript(_FIRST_SCHEMA)
    rows.execute("INSERT INTO secret VALUES (1, ?)", (secret,))
    rows.execute(
        "INSERT INTO passes VALUES ('p', 'token', 'reports', 'read', NULL, ?, ?, 1.0, NULL, NULL)",
        (mark(token), digest(secret, token)),
    )
    rows.execute(
        "INSERT INTO invitations VALUES ('i', 'phone', 'run', NULL, ?, ?)",
        (digest(secret, "ABCDE12345"), time.time() + 60),
    )
    rows.commit()
    rows.close()
    for _ in range(2):  # brought up to date, and as it is then
        book = Book(tmp_path)
        found = book.find("token", token)
        assert found is not None
        assert (found.name, found.invited_by) == ("reports", None)
        book.close()
    book = Book(tmp_path)
    joined = book.join("ABCDE-12345")
    assert joined is not None
    by = Inviter("p", "reports")
    assert book.invite(Rung.RUN, by=by)[0].invited_by == by
    assert [each.invited_by for each in book.invitations()] == [by]
    book.close()


@pytest.mark.skipif("sys.platform == 'win32' or os.geteuid() != 0", reason="root gives files away")
def test_a_book_that_somebody_else_put_there_is_not_used(book: Book, tmp_path: Path) -> None:
    book.close()
    os.chown(tmp_path / FILE, 12345, 12345)
    with pytest.raises(AccessError, match="belongs to another user"):
        Book(tmp_path)
    os.chown(tmp_path, 12345, 12345)  # the service's user, whose folder it is
    Book(tmp_path).close()
