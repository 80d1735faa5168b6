"""The book of access: passes and invitations, in one SQLite file of the data folder.

It stands beside the store, not in it, so that no backup, export or journal ever holds it. It has no
secret that it hands out, only hashes. Whatever is changed here, by this process or another one,
counts at once.
"""

from __future__ import annotations

import json
import os
import secrets
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple

from api.access.codes import as_typed, digest, mark, new_code, new_token, same
from api.access.names import alike
from api.access.rungs import RUNGS, Rung
from api.store.private import give_to_owner, make_private, refuse_anothers
from api.store.stamps import new_id

FILE: Final = "bothends-access.sqlite"
"""The file's name; beside it stand those that SQLite makes."""
INVITED_FOR_S: Final = 600
DEVICE_FOR_S: Final = 90 * 86_400
"""How long a device's pass holds after its last use."""
LONGEST_NAME: Final = 64
MOST_INVITATIONS: Final = 100
"""At once; nobody lets in more devices in 10 minutes."""
MOST_DEVICES: Final = 1000
"""That are let in at once."""

Kind = Literal["token", "device"]

_VERSION: Final = 2
_LOCKED_S: Final = 2.0
# Of a last use, minutes are enough; of what is renewed by it, days.
_USED_S: Final = 60
# 2025-01-01, before the program was: a clock that says less has lost its battery, and is set soon.
_FIRST: Final = 1_735_689_600
# By so much a clock goes back as it is kept right.
_CLOCK_S: Final = 60


class AccessError(Exception):
    """The book can't be used; the message says what to do."""


class Taken(Exception):
    """The name is another pass's."""


class TooMany(AccessError):
    """There are as many invitations or devices as there may be; the message says what to do."""


class Inviter(NamedTuple):
    """The pass that made an invitation, and its name then: it may have ended since."""

    id: str
    name: str


@dataclass(frozen=True, slots=True)
class Pass:
    """What somebody may who shows its secret. Moments in s since 1970, UTC.

    benches: those whose readings it may send; None: all. ends_at: None: when it is revoked.
    invited_by: None: who is at the server's computer.
    """

    id: str
    kind: Kind
    name: str
    rung: Rung
    benches: tuple[str, ...] | None
    made_at: float
    last_used_at: float | None
    ends_at: float | None
    invited_by: Inviter | None = None


@dataclass(frozen=True, slots=True)
class Invitation:
    """What a one-time code makes of the device that shows it first; `name` is None where the
    device gives its own."""

    id: str
    name: str | None
    rung: Rung
    benches: tuple[str, ...] | None
    until: float
    invited_by: Inviter | None = None


class Book:
    """The book in a data folder, made where there is none. Safe to use from any thread.

    Every method raises AccessError where the file can't be used.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self._lock = threading.Lock()
        self._asked = threading.Lock()
        with self._usable():
            make_private(folder)
            made = _made(self._path)
            refuse_anothers(self._path)
            with ExitStack() as opened:
                self._rows = opened.enter_context(closing(_connected(self._path, _LOCKED_S)))
                # One that reads never waits for one that writes.
                self._rows.execute("PRAGMA journal_mode=WAL")
                self._rows.execute("PRAGMA synchronous=FULL")
                self._secret = self._bring_up_to_date()
                # What each request asks waits neither for a disk nor for who writes.
                self._reads = opened.enter_context(closing(_connected(self._path, _LOCKED_S)))
                # When a pass was used is not worth a wait either.
                self._uses = opened.enter_context(closing(_connected(self._path, 0)))
                self._uses.execute("PRAGMA synchronous=NORMAL")
                self._file = self._path.stat()
                if made:
                    _give_away(self._path)
                self._opened = opened.pop_all()

    @contextmanager
    def _usable(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise AccessError(
                f"who may reach this server cannot be read from {self._path} ({error}); see to its"
                " disk and its rights; if it is damaged, move it away and invite everybody anew"
            ) from None

    def _bring_up_to_date(self) -> bytes:
        (version,) = self._rows.execute("PRAGMA user_version").fetchone()
        if version != _VERSION:
            self._upgrade()
        # Nothing is written where nothing is to be done: a full disk lets who is let in be listed.
        (secret,) = self._rows.execute("SELECT bytes FROM secret").fetchone()
        return bytes(secret)

    def _upgrade(self) -> None:
        with self._rows:
            self._rows.execute("BEGIN IMMEDIATE")
            (version,) = self._rows.execute("PRAGMA user_version").fetchone()
            if version > _VERSION:
                raise AccessError(
                    f"{self._path} was written by a newer bothends; install that version again"
                )
            if version == 1:
                for table in ("passes", "invitations"):
                    for column in ("inviter_id", "inviter_name"):
                        self._rows.execute(f"ALTER TABLE {table} ADD COLUMN {column} TEXT")
            for statement in _SCHEMA:
                self._rows.execute(statement)
            self._rows.execute(
                "INSERT OR IGNORE INTO secret VALUES (1, ?)", (secrets.token_bytes(32),)
            )
            self._rows.execute(f"PRAGMA user_version={_VERSION}")

    def close(self) -> None:
        with self._lock, self._asked:
            self._opened.close()

    @contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        """What reads the book for a request. Raises AccessError where its file is another one."""
        with self._usable(), self._asked:
            if not os.path.samestat(self._path.stat(), self._file):
                # Whoever is revoked there would still be let in by what is open here.
                raise OSError("the file was replaced; start the server again")
            yield self._reads

    def add_token(
        self, name: str, rung: Rung, benches: Sequence[str] | None = None
    ) -> tuple[Pass, str]:
        """A pass for a program, and its token, which nobody can read here again.

        Raises Taken where another pass has the name.
        """
        with self._usable(), self._lock, self._rows:
            self._rows.execute("BEGIN IMMEDIATE")
            if alike(name) in self._names():
                raise Taken(name)
            token = new_token()
            return self._issue("token", name, rung, benches, None, token), token

    def invite(
        self,
        rung: Rung,
        name: str | None = None,
        benches: Sequence[str] | None = None,
        by: Inviter | None = None,
    ) -> tuple[Invitation, str]:
        """An invitation for one device, and its code. by: the pass that makes it. Raises TooMany,
        and AccessError where that pass has ended."""
        code, until = new_code(), time.time() + INVITED_FOR_S
        made = Invitation(str(new_id()), name, rung, _benches(benches), until, by)
        with self._usable(), self._lock, self._rows:
            self._rows.execute("BEGIN IMMEDIATE")
            if (
                by is not None
                and not self._rows.execute("SELECT 1 FROM passes WHERE id = ?", (by.id,)).fetchone()
            ):
                raise AccessError(f"{by.name} is let in no more, and so lets in nobody")
            self._rows.execute(f"DELETE FROM invitations WHERE NOT ({_OPEN})", _open())
            (there,) = self._rows.execute("SELECT count(*) FROM invitations").fetchone()
            if there >= MOST_INVITATIONS:
                raise TooMany(
                    f"{MOST_INVITATIONS} invitations are open, and no more may be; use one of them,"
                    f" end some by bothends access revoke, or wait {INVITED_FOR_S // 60} minutes"
                )
            self._rows.execute(
                "INSERT INTO invitations (id, name, may, benches, hash, until, inviter_id,"
                " inviter_name) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    made.id, name, rung.word, _text(benches), self._hash(code), until,
                    *(by or (None, None)),
                ),
            )  # fmt: skip
        return made, code

    def join(self, code: str, name: str | None = None) -> tuple[Pass, str] | None:
        """The pass of the device that shows `code`, and what it shows from then on; None where the
        code is none, was used, or is over. The invitation's name goes before the device's."""
        with self._usable(), self._lock, self._rows:
            self._rows.execute("BEGIN IMMEDIATE")
            found = self._rows.execute(
                f"DELETE FROM invitations WHERE hash = ? AND {_OPEN} RETURNING name, may, benches,"
                " inviter_id, inviter_name",
                (self._hash(as_typed(code)), *_open()),
            ).fetchall()
            if not found:
                return None
            invited, may, benches, *by = found[0]
            (there,) = self._rows.execute(
                "SELECT count(*) FROM passes WHERE kind = 'device' AND ends_at > ?", (time.time(),)
            ).fetchone()
            if there >= MOST_DEVICES:
                raise TooMany(
                    f"{MOST_DEVICES} devices are let in, and no more may be; end the access of some"
                    " that are not used any more"
                )
            value = secrets.token_urlsafe(32)
            said = next((each for each in (invited, name) if each and alike(each)), "device")
            called = _free(said, self._names())
            ends_at = time.time() + DEVICE_FOR_S
            rung = RUNGS[may]
            device = self._issue(
                "device", called, rung, _parsed(benches), ends_at, value, _inviter(*by)
            )
            return device, value

    def find(self, kind: Kind, value: str) -> Pass | None:
        """The pass of which this is the token or the cookie's value; None where there is none."""
        if not value.isascii():
            return None
        with self._asking() as book:
            rows = book.execute(
                f"SELECT hash, {_COLUMNS} FROM passes WHERE mark = ? AND kind = ?",
                (mark(value), kind),
            ).fetchall()
        shown = self._hash(value)
        for known, *row in rows:
            if same(known, shown):
                found = _pass(row)
                return found if found.ends_at is None or found.ends_at > time.time() else None
        return None

    def living(self, pass_id: str) -> bool:
        """Whether the pass with this id still holds."""
        with self._asking() as book:
            row = book.execute(
                "SELECT 1 FROM passes WHERE id = ? AND coalesce(ends_at > ?, 1)",
                (pass_id, time.time()),
            ).fetchone()
        return row is not None

    def used(self, found: Pass) -> bool:
        """Note that a pass is used now. True where its end was moved, as a device's is by use.

        Where it can't be noted, it is at the next use.
        """
        now = time.time()
        if now < _FIRST:
            # By that use a device would be let in no more once the clock is right.
            return False
        # A clock that was set back makes what was noted before it wrong.
        if found.last_used_at is not None and 0 <= now - found.last_used_at < _USED_S:
            return False
        ends_at = None if found.ends_at is None else now + DEVICE_FOR_S
        with suppress(sqlite3.Error), self._asked, self._uses:
            self._uses.execute(
                "UPDATE passes SET last_used_at = ?, ends_at = ? WHERE id = ?",
                (now, ends_at, found.id),
            )
            return ends_at is not None
        return False

    def passes(self) -> list[Pass]:
        """All passes that hold, the one used last first."""
        with self._usable(), self._lock:
            rows = self._rows.execute(
                f"SELECT {_COLUMNS} FROM passes WHERE coalesce(ends_at > ?, 1)"
                " ORDER BY coalesce(last_used_at, made_at) DESC",
                (time.time(),),
            ).fetchall()
        return [_pass(row) for row in rows]

    def invitations(self) -> list[Invitation]:
        """All invitations that can still be used, the one made last first."""
        with self._usable(), self._lock:
            rows = self._rows.execute(
                "SELECT id, name, may, benches, until, inviter_id, inviter_name FROM invitations"
                f" WHERE {_OPEN} ORDER BY until DESC",
                _open(),
            ).fetchall()
        return [
            Invitation(made, name, RUNGS[may], _parsed(benches), until, _inviter(*by))
            for made, name, may, benches, until, *by in rows
        ]

    def revoke(self, which: str, with_invited: bool = False) -> bool:
        """End the pass or invitation with this id; False where there is none. With a pass end the
        invitations that it made and nobody has used yet; `with_invited` also whom it let in, whom
        these let in, and so on."""
        with self._usable(), self._lock, self._rows:
            self._rows.execute("BEGIN IMMEDIATE")
            ids = [which, *(each.id for each in self._let_in(which) if with_invited)]
            ended = 0
            for one in ids:
                self._rows.execute("DELETE FROM invitations WHERE inviter_id = ?", (one,))
                for table in ("passes", "invitations"):
                    ended += self._rows.execute(
                        f"DELETE FROM {table} WHERE id = ?", (one,)
                    ).rowcount
        return ended > 0

    def let_in_by(self, which: str) -> list[Pass]:
        """The passes that hold of those that this one let in, that these let in, and so on. What
        lies beyond a pass that was revoked before is not found."""
        with self._usable(), self._lock:
            now = time.time()
            found = self._let_in(which)
        return [each for each in found if each.ends_at is None or each.ends_at > now]

    def _let_in(self, which: str) -> list[Pass]:
        rows = self._rows.execute(
            "WITH RECURSIVE below (pass_id) AS (SELECT id FROM passes WHERE inviter_id = ?"
            " UNION SELECT id FROM passes JOIN below ON inviter_id = pass_id)"
            f" SELECT {_COLUMNS} FROM passes WHERE id IN below ORDER BY made_at",
            (which,),
        ).fetchall()
        return [_pass(row) for row in rows]

    @property
    def folder(self) -> Path:
        """The data folder that it lies in."""
        return self._path.parent

    def reached_at(self, address: str) -> None:
        """Remember where other devices reach this server."""
        with self._usable(), self._lock, self._rows:
            self._rows.execute("INSERT OR REPLACE INTO served VALUES (1, ?)", (address,))

    def address(self) -> str | None:
        """Where other devices reach the server that ran last; None where none did."""
        with self._usable(), self._lock:
            row = self._rows.execute("SELECT address FROM served").fetchone()
        return None if row is None else str(row[0])

    def _hash(self, text: str) -> bytes:
        return digest(self._secret, text)

    def _names(self) -> set[str]:
        # Each is of one pass alone: what was done by it is known by its name.
        return {alike(name) for (name,) in self._rows.execute("SELECT name FROM passes")}

    def _issue(
        self,
        kind: Kind,
        name: str,
        rung: Rung,
        benches: Sequence[str] | None,
        ends_at: float | None,
        value: str,
        by: Inviter | None = None,
    ) -> Pass:
        now, kept_to = time.time(), _benches(benches)
        made = Pass(str(new_id()), kind, name, rung, kept_to, now, None, ends_at, by)
        self._rows.execute(
            "INSERT INTO passes (id, kind, name, may, benches, mark, hash, made_at, ends_at,"
            " inviter_id, inviter_name) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                made.id, kind, name, rung.word, _text(benches), mark(value), self._hash(value),
                now, ends_at, *(by or (None, None)),
            ),
        )  # fmt: skip
        return made


def _open() -> tuple[float, float]:
    """Between which moments an invitation ends that can be used: where the clock was set back
    since, it does not hold for longer than it was made for."""
    now = time.time()
    return now, now + INVITED_FOR_S + _CLOCK_S


def _connected(path: Path, timeout_s: float) -> sqlite3.Connection:
    return sqlite3.connect(path, check_same_thread=False, timeout=timeout_s)


def _made(path: Path) -> bool:
    """Make the file where there is none, for the user alone."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except FileExistsError:
        return False
    return True


def _give_away(path: Path) -> None:
    for file in (path, *path.parent.glob(f"{path.name}-*")):
        give_to_owner(file)


def _pass(row: Sequence[Any]) -> Pass:
    made, kind, name, may, benches, made_at, last_used_at, ends_at, *by = row
    return Pass(
        made, kind, name, RUNGS[may], _parsed(benches), made_at, last_used_at, ends_at,
        _inviter(*by),
    )  # fmt: skip


def _inviter(found: str | None, name: str | None) -> Inviter | None:
    return None if found is None or name is None else Inviter(found, name)


def _benches(benches: Sequence[str] | None) -> tuple[str, ...] | None:
    return tuple(benches) if benches else None


def _text(benches: Sequence[str] | None) -> str | None:
    return json.dumps(list(benches)) if benches else None


def _parsed(text: str | None) -> tuple[str, ...] | None:
    return None if text is None else tuple(json.loads(text))


def _free(name: str, taken: set[str]) -> str:
    """`name`, with a number after it where one that is alike is taken."""
    called, number = name, 2
    while alike(called) in taken:
        end = f" {number}"
        called, number = name[: LONGEST_NAME - len(end)] + end, number + 1
    return called


_OPEN: Final = "until > ? AND until <= ?"
_COLUMNS: Final = (
    "id, kind, name, may, benches, made_at, last_used_at, ends_at, inviter_id, inviter_name"
)
_SCHEMA: Final = (
    "CREATE TABLE IF NOT EXISTS secret (one INTEGER PRIMARY KEY CHECK (one = 1), bytes BLOB"
    " NOT NULL)",
    "CREATE TABLE IF NOT EXISTS served (one INTEGER PRIMARY KEY CHECK (one = 1), address TEXT"
    " NOT NULL)",
    "CREATE TABLE IF NOT EXISTS passes (id TEXT PRIMARY KEY, kind TEXT NOT NULL, name TEXT NOT"
    " NULL, may TEXT NOT NULL, benches TEXT, mark TEXT NOT NULL, hash BLOB NOT NULL, made_at REAL"
    " NOT NULL, last_used_at REAL, ends_at REAL, inviter_id TEXT, inviter_name TEXT)",
    "CREATE INDEX IF NOT EXISTS passes_mark ON passes (mark)",
    "CREATE TABLE IF NOT EXISTS invitations (id TEXT PRIMARY KEY, name TEXT, may TEXT NOT NULL,"
    " benches TEXT, hash BLOB NOT NULL UNIQUE, until REAL NOT NULL, inviter_id TEXT, inviter_name"
    " TEXT)",
)
