"""Where a pull comes from: a server by its address, or a store opened here. Both look alike."""

from __future__ import annotations

import http.client
import json
import re
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Protocol

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from analysis.methods import method as method_named
from api import VERSION
from api.errors import NotFound
from api.exports import cursor, formats, package
from api.exports.expected import HEADER, expected_rows
from api.exports.snapshot import snapshot
from api.exports.wanted import Wanted
from api.store.rows.machines import machine as machine_row
from api.store.rows.machines import parse_id
from api.store.urls import shown

# A workbook of a long history is written before its first byte comes.
_TIMEOUT_S: Final = 600
_READ: Final = 1 << 18


class PullFailed(Exception):
    """The network or the store did not give it; the message says what to do."""


class NoSuchQuestion(Exception):
    """What was asked for can't be; the message names it."""


class Lost(Exception):
    """The cursor is of another history: everything must be pulled once more."""


@dataclass(frozen=True, slots=True)
class Question:
    """What to pull. `what`: trials, readings or history (which is a zip)."""

    what: str
    machine: str | None = None
    method: str | None = None
    since: datetime | None = None
    after: str | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """The parts of the file, the cursor for the next time, and about how many rows there are,
    None where that is not known."""

    parts: Iterator[bytes]
    cursor: str
    rows: int | None


class Source(Protocol):
    """`name` tells one source from another. `pull` raises the three errors above, at once
    or while the parts are read."""

    name: str

    def pull(self, question: Question, form: str) -> AbstractContextManager[Answer]: ...

    def close(self) -> None: ...


# ---------------------------------------------------------------- a store opened here


class StoreSource:
    """Pulls straight from a store."""

    def __init__(self, engine: Engine, name: str) -> None:
        self.name = name
        self._engine = engine

    def close(self) -> None:
        self._engine.dispose()

    @contextmanager
    def pull(self, question: Question, form: str) -> Iterator[Answer]:
        try:
            with closing(snapshot(self._engine)) as connection:
                upto = cursor.latest(connection, cursor.TOLD_BY[question.what])
                wanted = _wanted(connection, question)
                if question.what == "history":
                    parts = package.package_chunks(connection, wanted)
                else:
                    parts = formats.chunks(connection, question.what, form, wanted)
                yield Answer(parts, upto, expected_rows(connection, question.what, wanted))
        except DBAPIError as error:
            raise PullFailed(f"the store did not answer ({error.orig}); try again") from None


def _wanted(connection: Any, question: Question) -> Wanted:
    machine = None
    try:
        if question.machine is not None:
            machine = machine_row(connection, parse_id(question.machine)).id
        if question.method is not None:
            method_named(question.method)
        after = None if question.after is None else cursor.number(connection, question.after)
    except NotFound:
        raise NoSuchQuestion(f"--machine: there is no machine {question.machine}") from None
    except cursor.LostCursor:
        raise Lost from None
    except ValueError as error:
        raise NoSuchQuestion(f"--method: {error}") from None
    return Wanted(machine, question.method, question.since, after)


# ---------------------------------------------------------------- a server


class ServerSource:
    """Pulls from a running server.

    Raises NoSuchQuestion where `url` is no address of one.
    """

    def __init__(self, url: str) -> None:
        parts = urllib.parse.urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname or "@" in parts.netloc:
            raise NoSuchQuestion(
                f"{shown(url)} is no plain address; give one such as http://127.0.0.1:8017"
            )
        self.name = url.rstrip("/")

    def close(self) -> None:
        """Nothing stays open between two questions."""

    @contextmanager
    def pull(self, question: Question, form: str) -> Iterator[Answer]:
        asked = {
            "machine": question.machine,
            "method": question.method,
            "since": question.since.isoformat() if question.since else None,
            "after": question.after,
        }
        query = urllib.parse.urlencode({k: v for k, v in asked.items() if v is not None})
        ending = "zip" if question.what == "history" else form
        request = urllib.request.Request(
            f"{self.name}/api/{question.what}.{ending}?{query}",
            headers={"User-Agent": f"bothends/{VERSION}"},
        )
        with self._open(request) as response:
            following = re.search(r"[?&]after=([^&>]+)", response.headers.get("Link", ""))
            if following is None:
                raise PullFailed(f"{self.name} answers, but is no bothends; check the address")
            rows = response.headers.get(HEADER)
            yield Answer(
                self._parts(response),
                urllib.parse.unquote(following[1]),
                None if rows is None else int(rows),
            )

    def post(self, path: str, data: bytes, media_type: str) -> Any:
        """The JSON that the server answers to `data`. Raises PullFailed, NoSuchQuestion."""
        request = urllib.request.Request(
            f"{self.name}{path}",
            data=data,
            headers={"User-Agent": f"bothends/{VERSION}", "Content-Type": media_type},
        )
        with self._open(request) as response:
            return json.loads(b"".join(self._parts(response)))

    def _open(self, request: urllib.request.Request) -> Any:
        try:
            return urllib.request.urlopen(request, timeout=_TIMEOUT_S)
        except urllib.error.HTTPError as error:
            with error:
                detail = _detail(error)
            if error.code == 410:
                raise Lost from None
            if error.code in (413, 422, 501):
                raise NoSuchQuestion(detail) from None
            raise PullFailed(f"{self.name}: {detail}") from None
        except (OSError, http.client.HTTPException) as error:
            reason = getattr(error, "reason", error)
            raise PullFailed(f"{self.name} did not answer ({reason}); is it running?") from None

    def _parts(self, response: Any) -> Iterator[bytes]:
        try:
            while part := response.read(_READ):
                yield part
        except (OSError, http.client.HTTPException) as error:
            raise PullFailed(f"{self.name} broke off ({error}); nothing was changed") from None
        if response.length:  # read in parts, an early end is no error to the library
            raise PullFailed(f"{self.name} broke off; nothing was changed")


def _detail(error: urllib.error.HTTPError) -> str:
    try:
        return str(json.loads(error.read())["detail"])
    except (OSError, ValueError, KeyError, TypeError, http.client.HTTPException):
        return f"answers {error.code} {error.reason}"
