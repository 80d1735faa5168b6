"""A durable queue of readings and refusals, in order: of a remote bench for its server, or beside a
store that cannot take them."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from api.store.engine import files_of
from api.store.identity import LostFile, SameFile
from api.store.private import make_private

_BATCH: Final = 200
# Shorter than the time that stopping the instruments waits for their last readings.
_LOCKED_S: Final = 1.0

Kind = Literal["reading", "refusal"]


class QueueError(Exception):
    """The queue's file cannot be used; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to hand over; `seq` is its number in this bench's order."""

    seq: int
    kind: Kind
    body: dict[str, Any]

    def __str__(self) -> str:
        """What was sent, and by which caliper, for the person at the bench."""
        said = self.body.get("sent", self.body.get("text", ""))
        return f"{said!r} from {self.body.get('caliper', 'a caliper')}"


@dataclass(frozen=True, slots=True)
class HandoverProgress:
    """How far the hand-over is: `sent` of `total` things, `refused` by the server."""

    sent: int
    total: int
    refused: int

    def __str__(self) -> str:
        text = f"sent {self.sent:,} of {self.total:,}"
        return text if not self.refused else f"{text}, {self.refused:,} refused by the server"


class Queue:
    """What this bench sent and how much of it the server has, in one SQLite file.

    Nothing is deleted: the file is the bench's own record. One process has it at a time, and may
    use it from any thread.
    Raises QueueError where the file cannot be used or another program has it.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        with self._usable(), ExitStack() as opened:
            make_private(path.parent)
            opened.enter_context(closing(_only_one(lock_file(path))))
            self._store = opened.enter_context(
                closing(sqlite3.connect(path, check_same_thread=False, timeout=_LOCKED_S))
            )
            self._store.execute("PRAGMA journal_mode=WAL")
            # FULL: a press is on the disk before it is acknowledged, so a power cut loses none.
            self._store.execute("PRAGMA synchronous=FULL")
            with self._store:
                self._store.executescript(_SCHEMA)
                self._bring_up_to_date()
            self._opened = opened.pop_all()
        self._file = SameFile(path)

    @contextmanager
    def _usable(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise QueueError(
                f"the queue {self._path} cannot be used ({error}); see to its disk, or give"
                " another folder with --data"
            ) from None

    def _bring_up_to_date(self) -> None:
        if "id" not in {name for _, name, *_ in self._store.execute("PRAGMA table_info(said)")}:
            self._store.execute("ALTER TABLE said ADD COLUMN id TEXT")
            # Rows that are there twice stay; the server stores each id once.
            self._store.execute(
                "UPDATE said SET id = json_extract(body, '$.id') WHERE seq IN"
                " (SELECT min(seq) FROM said GROUP BY json_extract(body, '$.id'))"
            )
        self._store.execute("CREATE UNIQUE INDEX IF NOT EXISTS said_id ON said (id)")

    def claim(self, url: str, change: bool = False) -> None:
        """Bind this queue to the server at `url`, as written by `server_url`.

        Raises QueueError where it is for another one, unless `change`.
        """
        with self._usable(), self._lock, self._store:
            row = self._store.execute("SELECT url FROM server").fetchone()
            if row and row[0] != url and not change:
                (count,) = self._store.execute(
                    "SELECT count(*) FROM said WHERE seq > (SELECT seq FROM handed_over)"
                ).fetchone()
                raise QueueError(
                    f"the queue {self._path} is for the server at {row[0]}, and {count or 'none'}"
                    f" of its readings and refusals still wait for it; give --to {row[0]} to go"
                    " on, another folder with --data for another queue, or --change-server to"
                    f" hand what waits to {url}"
                )
            self._store.execute("INSERT OR REPLACE INTO server VALUES (1, ?)", (url,))

    def add(self, kind: Kind, body: dict[str, Any]) -> bool:
        """Keep one thing; it is on the disk when this returns. False where it was already.

        Raises QueueError where the queue's file is not the one that was opened.
        """
        with self._lock:
            added = self._added(kind, body)
            try:
                self._file.check()  # after the commit: nothing is acknowledged that nobody finds
            except LostFile as error:
                raise QueueError(str(error)) from None
        return added

    def _added(self, kind: Kind, body: dict[str, Any]) -> bool:
        with self._store:
            # Not by the index alone: an insert that it rejects uses a number.
            added = self._store.execute(
                "INSERT INTO said (kind, body, id) SELECT ?1, ?2, ?3"
                " WHERE NOT EXISTS (SELECT 1 FROM said WHERE id = ?3)",
                (kind, json.dumps(body), body["id"]),
            )
            return added.rowcount == 1

    def waiting(self, most: int = _BATCH) -> list[Item]:
        """The oldest things not handed over yet, in order."""
        with self._lock:
            rows = self._store.execute(
                "SELECT seq, kind, body FROM said WHERE seq > (SELECT seq FROM handed_over)"
                " ORDER BY seq LIMIT ?",
                (most,),
            ).fetchall()
        return [Item(seq, kind, json.loads(body)) for seq, kind, body in rows]

    def handed_over(self, seq: int) -> None:
        """The server has everything up to number `seq`."""
        with self._lock, self._store:
            self._store.execute("UPDATE handed_over SET seq = ?", (seq,))

    def refused(self, item: Item, why: str) -> None:
        """The server will never take `item`; it stays here, with the reason."""
        with self._lock, self._store:
            self._store.execute(
                "INSERT OR REPLACE INTO refused (seq, why) VALUES (?, ?)", (item.seq, why)
            )
            self._store.execute("UPDATE handed_over SET seq = ?", (item.seq,))

    def progress(self) -> HandoverProgress:
        with self._lock:
            sent, total, refused = self._store.execute(
                "SELECT (SELECT seq FROM handed_over), (SELECT coalesce(max(seq), 0) FROM said),"
                " (SELECT count(*) FROM refused)"
            ).fetchone()
        return HandoverProgress(sent, total, refused)

    def close(self) -> None:
        with self._lock:
            self._opened.close()

    def remove(self) -> None:
        """Close it and delete its files. Another program can open it before or after that, and not
        in between, where what it kept would be deleted with them."""
        with self._lock:
            # First: where it is closed, SQLite deletes what lies beside a file by its name.
            self._store.close()
            for file in (*files_of(self._path), lock_file(self._path)):
                with suppress(OSError):
                    file.unlink()
            self._opened.close()


def lock_file(path: Path) -> Path:
    """The file beside the queue at `path` that is locked while a program has it."""
    return path.with_suffix(".lock")


def _only_one(path: Path) -> sqlite3.Connection:
    """A lock that ends with this process, however it ends. Raises QueueError if it is taken."""
    # SQLite's own lock, since it works on every system; the file stays empty.
    lock = sqlite3.connect(path, check_same_thread=False, timeout=0, isolation_level=None)
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        lock.close()
        if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
            raise
        raise QueueError(
            f"another bothends has the queue in {path.parent}; stop that one, name its calipers"
            " and these in one command, or give this one another folder with --data"
        ) from None
    return lock


# AUTOINCREMENT: a number is never given twice, whatever is cleaned away later.
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS said (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, body TEXT NOT NULL, id TEXT
);
CREATE TABLE IF NOT EXISTS handed_over (only INTEGER PRIMARY KEY CHECK (only = 1), seq INTEGER);
CREATE TABLE IF NOT EXISTS refused (seq INTEGER PRIMARY KEY REFERENCES said, why TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS server (only INTEGER PRIMARY KEY CHECK (only = 1), url TEXT NOT NULL);
INSERT OR IGNORE INTO handed_over VALUES (1, 0);
"""
