"""A bench away from its server: a durable queue, and a thread that hands it over in order.

Whatever the instruments say is committed here first, under the next number of this bench,
and answered at once; the server gets it when it can be reached. Each hand-over carries the
ids made here, so one that is repeated after a lost answer is stored once.
"""

from __future__ import annotations

import http.client
import io
import json
import re
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal
from urllib.parse import quote, urlsplit

from api.store.identity import LostFile, SameFile
from api.store.private import make_private
from capture.records import CaliperState, Reading, Refusal
from capture.retry import Backoff

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

_BATCH: Final = 200
_ANSWER_S: Final = 15.0
# How instruments fare must not hold up readings for long.
_STATES_S: Final = 5.0
_HEARTBEAT_S: Final = 20.0
# No answer of the server comes near this, were each reading of a batch refused.
_MOST_ANSWER: Final = 1024 * 1024
# Less than an instrument's program waits for its readings when it is stopped.
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
        """As the person at the bench knows it: what was sent, and by which caliper."""
        said = self.body.get("sent", self.body.get("text", ""))
        return f"{said!r} from {self.body.get('caliper', 'a caliper')}"


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

    Nothing is deleted: the file is the bench's own record. One program has it at a time;
    within that it is safe to use from any thread.
    Raises QueueError where the file cannot be used or another program has it.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        with self._usable(), ExitStack() as opened:
            make_private(path.parent)
            opened.enter_context(closing(_only_one(path.with_suffix(".lock"))))
            self._store = opened.enter_context(
                closing(sqlite3.connect(path, check_same_thread=False, timeout=_LOCKED_S))
            )
            self._store.execute("PRAGMA journal_mode=WAL")
            # FULL: a press is on the disk before it is answered, power cut or not.
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
            # What stands there twice goes on standing there twice; the server knows it by its id.
            self._store.execute(
                "UPDATE said SET id = json_extract(body, '$.id') WHERE seq IN"
                " (SELECT min(seq) FROM said GROUP BY json_extract(body, '$.id'))"
            )
        self._store.execute("CREATE UNIQUE INDEX IF NOT EXISTS said_id ON said (id)")

    def claim(self, url: str, change: bool = False) -> None:
        """Have this queue be for the server at `url`, as written by `server_url`.

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
            # Not by the index alone: an insert that it refuses uses up a number.
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

    def progress(self) -> Progress:
        with self._lock:
            sent, total, refused = self._store.execute(
                "SELECT (SELECT seq FROM handed_over), (SELECT coalesce(max(seq), 0) FROM said),"
                " (SELECT count(*) FROM refused)"
            ).fetchone()
        return Progress(sent, total, refused)

    def close(self) -> None:
        with self._lock:
            self._opened.close()


def _only_one(path: Path) -> sqlite3.Connection:
    """A lock that ends with this program, however it ends. Raises QueueError if it is taken."""
    # SQLite's own, since it is one on every system; the file stays empty.
    lock = sqlite3.connect(path, check_same_thread=False, timeout=0, isolation_level=None)
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        lock.close()
        if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
            raise
        raise QueueError(
            f"another bothends bench has the queue in {path.parent}; stop that one, name its"
            " calipers and these in one command, or give this one another folder with --data"
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


def server_url(text: str) -> str:
    """The server's address that `text` gives, written in the one way in which it is compared.

    Raises ValueError saying what is wrong with it.
    """
    if re.search(r"\s", text):
        raise ValueError("it holds a space")
    url = urlsplit(text)
    port = url.port
    if url.scheme not in _PORTS:
        raise ValueError("it does not begin with http:// or https://")
    try:
        host = (url.hostname or "").encode("idna").decode()
    except UnicodeError:
        host = ""
    if not re.fullmatch(r"[\w.:%-]{1,253}", host) or port == 0:
        raise ValueError("it names no server")
    if "@" in url.netloc or url.query or url.fragment or not _PLAIN_PATH.fullmatch(url.path):
        raise ValueError("it holds more than a server and a plain path")
    host = f"[{host}]" if ":" in host else host
    where = host if port in (None, _PORTS[url.scheme]) else f"{host}:{port}"
    return f"{url.scheme}://{where}{url.path.rstrip('/')}"


_PLAIN_PATH: Final = re.compile(r"(/[\w.~%-]+)*/?", re.ASCII)
_PORTS: Final = {"http": 80, "https": 443}


class Forwarder:
    """Keeps readings and refusals in the queue and hands them over from a thread of its own.

    states() gives how the instruments fare; the server is told at each change and every
    twenty seconds, as well as it can be: readings do not wait for that.
    changed(progress, trouble) is told when either changes; trouble is empty while things go
    over. refused(item, why) is told once of each thing that the server will never take.
    patience: seconds within which the server must have answered, from first to last byte.
    Stop with `stop`, or with `finish` and then `stop`.
    """

    def __init__(
        self,
        queue: Queue,
        url: str,
        *,
        states: Callable[[], Iterable[CaliperState]],
        changed: Callable[[Progress, str], None],
        refused: Callable[[Item, str], None],
        patience: float = _ANSWER_S,
    ) -> None:
        self._queue = queue
        self._server = _Server(url)
        self._states = states
        self._changed = changed
        self._refused = refused
        self._patience = patience
        self._progress = Progress(0, 0, 0)
        self._told: tuple[Progress, str] | None = None
        self._news = threading.Event()
        self._over = threading.Event()
        self._states_due = 0.0
        self._states_trouble = ""
        self._states_unreached = False
        self._thread = threading.Thread(target=self._run, name="forwarder", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def keep(self, reading: Reading) -> bool:
        """Keep a reading; it is on the disk when this returns. False where it was already."""
        new = self._queue.add("reading", _reading_body(reading))
        self._news.set()
        return new

    def refuse(self, refusal: Refusal) -> bool:
        """Keep what was no reading. False where it was kept already."""
        new = self._queue.add("refusal", _refusal_body(refusal))
        self._news.set()
        return new

    def report(self) -> None:
        """An instrument fares otherwise than before: tell the server soon."""
        self._states_due = 0.0
        self._news.set()

    def finish(self, seconds: float) -> bool:
        """Hand over what waits, as far as the server takes it, and end the thread.

        Whether it has ended within `seconds`; else it is still at it.
        """
        self._over.set()
        self._news.set()
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def stop(self, seconds: float = 2.0) -> None:
        """Hand over what can be within `seconds`; the rest waits for the next start."""
        if not self.finish(seconds):
            self._server.hang_up()
            self._thread.join(seconds)

    def _run(self) -> None:
        backoff = Backoff(first=0.2, most=15.0)
        while True:
            # Both before looking: what comes from here on is seen in the next round.
            self._news.clear()
            last = self._over.is_set()
            trouble = self._round()
            if not self._server.hung_up:
                self._tell(trouble or self._states_trouble)
            if last:
                return
            if trouble:
                # News must not hurry the retries: a server that is away stays away a while.
                self._over.wait(backoff.next())
            else:
                backoff.reset()
                self._news.wait(max(0.0, self._states_due - time.monotonic()))

    def _round(self) -> str:
        """Hand over all that waits, and tell how the instruments fare; the trouble, if any.

        Never raises: with this thread all handing over would end.
        """
        try:
            while self._hand_over():
                self._tell_states_if_due()
                self._tell(self._states_trouble)
            self._tell_states_if_due()
            return ""
        except _AwayError as away:
            trouble = f"{away}; readings are kept here and handed over when they can be"
        except sqlite3.Error as error:
            trouble = (
                f"the queue on this machine's disk fails ({error}); make room on the disk or end"
                " what holds the file: handing over is tried again"
            )
        except Exception as fault:
            trouble = (
                f"handing over fails ({type(fault).__name__}: {fault}); readings are kept here,"
                " and it is tried again"
            )
        # When that is over, so may be what was wrong with the states.
        self._states_due, self._states_trouble = 0.0, ""
        return trouble

    def _tell(self, trouble: str) -> None:
        with suppress(sqlite3.Error):
            self._progress = self._queue.progress()
        now = (self._progress, trouble)
        if now != self._told:
            self._told = now
            with suppress(Exception):  # whoever is told may fail as it likes
                self._changed(*now)

    def _hand_over(self) -> bool:
        """Hand over the next things of one kind; whether there were any.

        Raises _AwayError where the server can't be reached or can't take anything now.
        """
        items = self._queue.waiting()
        if not items:
            return False
        kind = items[0].kind
        run = items[: next((i for i, x in enumerate(items) if x.kind != kind), len(items))]
        refused = self._offer(run)
        if refused is None:
            # It is not said which are refused: go on one by one, so that the others are taken.
            for item in run:
                self._settle([item], self._offer([item]) or {})
        else:
            self._settle(run, refused)
        return True

    def _settle(self, items: Sequence[Item], refused: Mapping[str, str]) -> None:
        """The server has `items`, but for those whose ids it refused, with the reason."""
        for item in items:
            why = refused.get(str(item.body["id"]))
            if why is not None:
                self._set_aside(item, why)
        self._queue.handed_over(items[-1].seq)

    def _set_aside(self, item: Item, why: str) -> None:
        self._queue.refused(item, why)
        with suppress(Exception):
            self._refused(item, why)

    def _offer(self, items: Sequence[Item]) -> dict[str, str] | None:
        """Offer things of one kind: why the server will never take some of them, by id.

        None where it does not say which of several. Raises _AwayError where trying again later
        may help.
        """
        answer = self._server.post(
            _PATHS[items[0].kind], [item.body for item in items], self._patience
        )
        # Whatever else answers here (a sign-on page, a proxy) must not be taken for the server.
        refuses = answer.status in (409, 413, 422) and "detail" in answer.said
        refuses |= answer.status == 413 and len(items) > 1
        if not (answer.good or refuses):
            raise _AwayError(f"the server at {self._server.url} answers {answer}")
        refused = _refused(answer.said)
        stored, known = answer.said.get("stored"), answer.said.get("known")
        if (
            isinstance(stored, int)
            and isinstance(known, int)
            and refused.keys() <= {str(item.body["id"]) for item in items}
            and stored + known + len(refused) == len(items)
        ):
            if self._states_unreached:
                self._states_trouble, self._states_unreached = "", False
            return refused
        if refuses:
            return None if len(items) > 1 else {str(items[0].body["id"]): answer.reason}
        raise _AwayError(
            f"what answers at {self._server.url} does not say that it has the readings; look"
            " whether --to is right and whether this network asks for a sign-on first"
        )

    def _tell_states_if_due(self) -> None:
        if time.monotonic() < self._states_due:
            return
        self._states_due = time.monotonic() + _HEARTBEAT_S  # before looking, as in `_run`
        by_bench: dict[str, list[CaliperState]] = {}
        for state in self._states():
            by_bench.setdefault(state.bench, []).append(state)
        self._states_trouble, self._states_unreached = "", False
        for bench, states in by_bench.items():
            body = {
                "sent_at": datetime.now(UTC).isoformat(),
                "calipers": [
                    {
                        "name": s.caliper,
                        "state": s.state,
                        "message": s.message[:1000],
                        "last_heard": s.last_heard.isoformat() if s.last_heard else None,
                    }
                    for s in states
                ],
            }
            path = f"/api/benches/{quote(bench, safe='')}/calipers"
            try:
                answer = self._server.post(path, body, min(_STATES_S, self._patience))
            except _AwayError as away:
                self._states_trouble, self._states_unreached = str(away), True
                return
            if not answer.good:
                self._states_trouble = (
                    f"the server at {self._server.url} will not be told how the calipers fare:"
                    f" it answers {answer}"
                )


class _AwayError(Exception):
    """The server can't be reached or can't take anything now."""


_PATHS: Final[dict[Kind, str]] = {"reading": "/api/readings", "refusal": "/api/refusals"}


@dataclass(frozen=True, slots=True)
class _Answer:
    """What came back; `said` is empty where that is no JSON object."""

    status: int
    reason: str
    said: dict[str, Any]

    @property
    def good(self) -> bool:
        return 200 <= self.status < 300

    def __str__(self) -> str:
        return f"{self.status}: {self.reason}"


class _Server:
    """The server at `url`, asked over a new connection each time.

    What it answers counts as it stands: no redirect is followed, since a POST that is sent on
    becomes a question for a page.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        parts = urlsplit(url)
        self._host = parts.hostname or ""
        self._port = parts.port or _PORTS[parts.scheme]
        self._path = parts.path
        secure = parts.scheme == "https"
        self._kind = http.client.HTTPSConnection if secure else http.client.HTTPConnection
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self.hung_up = False

    def post(self, path: str, body: Any, seconds: float) -> _Answer:
        """The answer to `body`, which must be there whole within `seconds`.

        Raises _AwayError where none is.
        """
        until = time.monotonic() + seconds
        connection = self._kind(self._host, self._port, timeout=seconds)
        try:
            connection.connect()
            with self._lock:
                self._socket = connection.sock
                if self.hung_up:
                    raise OSError("this program is being stopped")
            connection.sock.settimeout(max(0.1, until - time.monotonic()))
            headers = {"Content-Type": "application/json", "Connection": "close"}
            connection.request("POST", self._path + path, json.dumps(body), headers)
            with _Response(connection.sock, until) as response:
                response.begin()
                return _read(response)
        except (OSError, ValueError, http.client.HTTPException) as error:
            said = str(error) or type(error).__name__
            raise _AwayError(f"the server at {self.url} can't be reached ({said})") from None
        finally:
            with self._lock:
                self._socket = None
            connection.close()

    def hang_up(self) -> None:
        """End the question under way, and answer no further one."""
        with self._lock:
            self.hung_up = True
            if self._socket is not None:
                with suppress(OSError):
                    self._socket.shutdown(socket.SHUT_RDWR)


class _Response(http.client.HTTPResponse):
    """A response that must be there at the moment `until`, however it trickles in."""

    def __init__(self, sock: socket.socket, until: float) -> None:
        super().__init__(sock, method="POST")
        self.fp.close()
        self.fp = io.BufferedReader(_Until(sock, until))


class _Until(io.RawIOBase):
    """What comes from a socket until a moment of the monotonic clock."""

    def __init__(self, sock: socket.socket, until: float) -> None:
        self._sock = sock
        self._until = until

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: WriteableBuffer) -> int:
        left = self._until - time.monotonic()
        if left <= 0:
            raise TimeoutError("its answer takes too long")
        self._sock.settimeout(left)
        return self._sock.recv_into(buffer)


def _read(response: http.client.HTTPResponse) -> _Answer:
    """The answer in `response`; an error's body counts for little and may be broken."""
    body = b""
    try:
        body = response.read(_MOST_ANSWER)
    except (OSError, http.client.HTTPException):
        if response.status < 300:
            raise
    found: Any = None
    with suppress(ValueError):
        found = json.loads(body)
    said = found if isinstance(found, dict) else {}
    reason = response.reason
    if 300 <= response.status < 400:
        reason += f", sent on to {response.headers.get('Location', 'nowhere')}"
    return _Answer(response.status, str(said.get("detail", reason))[:500], said)


def _refused(said: dict[str, Any]) -> dict[str, str]:
    """What the server says it will never take: its reasons, by id."""
    listed = said.get("refused")
    found = [each for each in listed if isinstance(each, dict)] if isinstance(listed, list) else []
    return {str(each.get("id")): str(each.get("why", ""))[:500] for each in found}


def _reading_body(reading: Reading) -> dict[str, Any]:
    read_by = {} if reading.pattern is None else {"pattern": reading.pattern}
    return read_by | {
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
