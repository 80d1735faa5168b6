"""A bench away from its server: a durable queue, and a thread that hands it over in order.

Whatever the instruments say is committed here first, under the next number of this bench,
and answered at once; the server gets it when it can be reached. Each hand-over carries the
ids made here, so one that is repeated after a lost answer is stored once.
"""

from __future__ import annotations

import json
import sqlite3
import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal
from urllib.parse import quote

from capture.records import CaliperState, Reading, Refusal
from capture.retry import Backoff

_BATCH: Final = 200
_ANSWER_S: Final = 15.0
_HEARTBEAT_S: Final = 20.0

Kind = Literal["reading", "refusal"]


class QueueError(Exception):
    """The queue's file cannot be used; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to hand over; `seq` is its number in this bench's order."""

    seq: int
    kind: Kind
    body: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the hand-over is: `sent` of `total` things, `refused` by the server."""

    sent: int
    total: int
    refused: int

    def __str__(self) -> str:
        text = f"sent {self.sent:,} of {self.total:,}"
        return text if not self.refused else f"{text}, {self.refused:,} refused by the server"


class Queue:
    """What this bench said and how much of it the server has, in one SQLite file.

    Nothing is deleted: the file is the bench's own record. Safe to use from any thread.
    Raises QueueError where the file cannot be used.
    """

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._store = sqlite3.connect(path, check_same_thread=False, timeout=10)
            self._store.execute("PRAGMA journal_mode=WAL")
            # FULL: a press is on the disk before it is answered, power cut or not.
            self._store.execute("PRAGMA synchronous=FULL")
            with self._store:
                self._store.executescript(_SCHEMA)
        except (sqlite3.Error, OSError) as error:
            raise QueueError(
                f"the queue {path} cannot be used ({error}); give another folder with --data"
            ) from None

    def add(self, kind: Kind, body: dict[str, Any]) -> None:
        """Keep one thing; it is on the disk when this returns."""
        with self._lock, self._store:
            self._store.execute(
                "INSERT INTO said (kind, body) VALUES (?, ?)", (kind, json.dumps(body))
            )

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

    def progress(self) -> Progress:
        with self._lock:
            sent, total, refused = self._store.execute(
                "SELECT (SELECT seq FROM handed_over), (SELECT coalesce(max(seq), 0) FROM said),"
                " (SELECT count(*) FROM refused)"
            ).fetchone()
        return Progress(sent, total, refused)

    def close(self) -> None:
        with self._lock, closing(self._store):
            pass


# AUTOINCREMENT: a number is never given twice, whatever is cleaned away later.
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS said (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, body TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS handed_over (only INTEGER PRIMARY KEY CHECK (only = 1), seq INTEGER);
CREATE TABLE IF NOT EXISTS refused (seq INTEGER PRIMARY KEY REFERENCES said, why TEXT NOT NULL);
INSERT OR IGNORE INTO handed_over VALUES (1, 0);
"""


class Forwarder:
    """Keeps readings and refusals in the queue and hands them over from a thread of its own.

    `changed(progress, trouble)` is told when either changes; trouble is empty while the
    server answers. Stop with `stop`, which lets what waits go out if it can be at once.
    """

    def __init__(self, queue: Queue, url: str, changed: Callable[[Progress, str], None]) -> None:
        self._queue = queue
        self._url = url.rstrip("/")
        self._changed = changed
        self._told: tuple[Progress, str] | None = None
        self._news = threading.Event()
        self._over = threading.Event()
        self._states: dict[tuple[str, str], CaliperState] = {}
        self._states_lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="forwarder", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def keep(self, reading: Reading) -> None:
        """Keep a reading; it is on the disk when this returns."""
        self._queue.add("reading", _reading_body(reading))
        self._news.set()

    def refuse(self, refusal: Refusal) -> None:
        """Keep what was no reading."""
        self._queue.add("refusal", _refusal_body(refusal))
        self._news.set()

    def report(self, state: CaliperState) -> None:
        """Remember how an instrument fares, for the server to show."""
        with self._states_lock:
            self._states[state.bench, state.caliper] = state
        self._news.set()

    def stop(self, seconds: float = 2.0) -> None:
        """Hand over what can be within `seconds`; the rest waits for the next start."""
        self._over.set()
        self._news.set()
        self._thread.join(seconds)

    def _run(self) -> None:
        backoff = Backoff(first=0.2, most=15.0)
        told: dict[tuple[str, str], CaliperState] = {}
        heartbeat = True
        while True:
            self._news.clear()  # before looking: what comes from here on sets it again
            try:
                with self._states_lock:
                    states = dict(self._states)
                if states and (heartbeat or states != told):
                    self._tell_states(states)
                    told = states
                while self._hand_over():
                    self._tell("")
            except _AwayError as away:
                self._tell(str(away))
                # News must not hurry the retries: a server that is away stays away a while.
                if self._over.wait(backoff.next()):
                    return
                continue
            backoff.reset()
            self._tell("")
            if self._over.is_set():
                return
            heartbeat = not self._news.wait(_HEARTBEAT_S)

    def _tell(self, trouble: str) -> None:
        now = (self._queue.progress(), trouble)
        if now != self._told:
            self._told = now
            self._changed(*now)

    def _hand_over(self) -> bool:
        """Hand over the next things of one kind; whether there may be more.

        Raises _AwayError where the server can't be reached or can't take anything now.
        """
        items = self._queue.waiting()
        if not items:
            return False
        kind = items[0].kind
        run = items[: next((i for i, x in enumerate(items) if x.kind != kind), len(items))]
        why = self._post(_PATHS[kind], [item.body for item in run])
        if why is None:
            self._queue.handed_over(run[-1].seq)
        elif len(run) == 1:
            self._queue.refused(run[0], why)
        else:
            # One of them is not taken: go on one by one, so that the others are.
            for item in run:
                alone = self._post(_PATHS[kind], [item.body])
                if alone is None:
                    self._queue.handed_over(item.seq)
                else:
                    self._queue.refused(item, alone)
        return True

    def _tell_states(self, states: dict[tuple[str, str], CaliperState]) -> None:
        for bench in {bench for bench, _ in states}:
            body = {
                "sent_at": datetime.now(UTC).isoformat(),
                "calipers": [
                    {
                        "name": s.caliper,
                        "state": s.state,
                        "message": s.message,
                        "last_heard": s.last_heard.isoformat() if s.last_heard else None,
                    }
                    for s in states.values()
                    if s.bench == bench
                ],
            }
            self._post(f"/api/benches/{quote(bench, safe='')}/calipers", body)

    def _post(self, path: str, body: Any) -> str | None:
        """POST; None when done, the server's reason when it will never take this body.

        Raises _AwayError where trying again later may help.
        """
        request = urllib.request.Request(
            self._url + path,
            json.dumps(body).encode(),
            {"Content-Type": "application/json"},
        )
        try:
            with urllib.request.urlopen(request, timeout=_ANSWER_S) as answer:
                answer.read()
            return None
        except urllib.error.HTTPError as error:
            with error:
                why = _detail(error)
            # 422 and 413 are about this body; every other answer is about now.
            if error.code in (413, 422):
                return why
            raise _AwayError(f"the server at {self._url} answers {error.code}: {why}") from None
        except (OSError, ValueError) as error:
            reason = getattr(error, "reason", error)
            raise _AwayError(
                f"the server at {self._url} can't be reached ({reason}); readings are kept here"
                " and handed over when it answers"
            ) from None


class _AwayError(Exception):
    """The server can't be reached or can't take anything now."""


_PATHS: Final[dict[Kind, str]] = {"reading": "/api/readings", "refusal": "/api/refusals"}


def _detail(error: urllib.error.HTTPError) -> str:
    try:
        found = json.loads(error.read())
    except ValueError:
        return error.reason
    return str(found.get("detail", error.reason)) if isinstance(found, dict) else error.reason


def _reading_body(reading: Reading) -> dict[str, Any]:
    return {
        "id": str(reading.id),
        "bench": reading.bench,
        "caliper": reading.caliper,
        "sent": reading.sent,
        "unit": reading.unit,
        "nm": reading.nm,
        "taken_at": reading.taken_at.isoformat(),
        "origin": reading.origin,
        "since_previous_ms": reading.since_previous_ms,
        "late": reading.late,
    }


def _refusal_body(refusal: Refusal) -> dict[str, Any]:
    return {
        "id": str(refusal.id),
        "bench": refusal.bench,
        "caliper": refusal.caliper,
        "text": refusal.raw,
        "reason": refusal.reason,
        "heard_at": refusal.heard_at.isoformat(),
    }
