"""Where a pull comes from: a server by its address, or a store opened here; one interface."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Protocol
from urllib.parse import unquote, urlencode, urlsplit
from urllib.request import getproxies, proxy_bypass

import httpx2
from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from api import MADE_BY, http
from api.addresses import server_url
from api.answers.methods import method_named
from api.errors import InvalidField, NotFound
from api.exports import cursor, formats, package
from api.exports.columns import Blocks
from api.exports.expected import HEADER, MADE_BY_HEADER, expected_rows
from api.exports.jsonl import read_jsonl
from api.exports.snapshot import snapshot
from api.exports.wanted import Wanted
from api.store.rows.machines import machine as machine_row
from api.store.rows.machines import parse_id

# A workbook of a long history is written before its first byte comes.
_TIMEOUT_S: Final = 600
_READ: Final = 1 << 18
# A server that is asked too much says when to come again; a day is too long to wait for.
_SOON_S: Final = 60.0
_TIMES: Final = 10


class PullFailed(Exception):
    """The network or the store failed; the message says what to do."""


class NotThere(PullFailed):
    """There is nothing at that address of the server, or nothing that takes the request."""


class NotLetIn(PullFailed):
    """The server wants a token, or one that may do more."""


class NoSuchQuestion(Exception):
    """What was asked for does not exist or can't be right; the message names it."""


class OtherHistory(Exception):
    """The cursor is of another history: everything must be pulled again."""


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
    None where that is not known. made_by: the program's version and rules, None of one that
    does not say."""

    parts: Iterator[bytes]
    cursor: str
    rows: int | None
    made_by: str | None


@dataclass(frozen=True, slots=True)
class Rows:
    """The same as rows of one table, for a file that is written here."""

    blocks: Blocks
    cursor: str
    rows: int | None
    made_by: str | None


class PullSource(Protocol):
    """`name` identifies the source. `pull` and `rows` raise the three errors above, at once or
    while the parts are read."""

    name: str

    def pull(self, question: Question, form: str) -> AbstractContextManager[Answer]: ...

    def rows(self, question: Question) -> AbstractContextManager[Rows]: ...

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
        with self._asked(question) as (connection, wanted, upto):
            if question.what == "history":
                parts = package.package_chunks(connection, wanted)
            else:
                parts = formats.chunks(connection, question.what, form, wanted)
            expected = expected_rows(connection, question.what, wanted)
            yield Answer(parts, upto, expected, MADE_BY)

    @contextmanager
    def rows(self, question: Question) -> Iterator[Rows]:
        with self._asked(question) as (connection, wanted, upto):
            blocks = formats.TABLES[question.what].blocks(connection, wanted)
            expected = expected_rows(connection, question.what, wanted)
            yield Rows(blocks, upto, expected, MADE_BY)

    @contextmanager
    def _asked(self, question: Question) -> Iterator[tuple[Connection, Wanted, str]]:
        """A snapshot, what is wanted of it, and its cursor."""
        try:
            with closing(snapshot(self._engine)) as connection:
                upto = cursor.latest(connection, cursor.EVENT_KINDS[question.what])
                yield connection, _wanted(connection, question), upto
        except DBAPIError as error:
            raise PullFailed(f"the store did not answer ({error.orig}); try again") from None


def _wanted(connection: Connection, question: Question) -> Wanted:
    machine = None
    try:
        if question.machine is not None:
            machine = machine_row(connection, parse_id(question.machine)).id
        if question.method is not None:
            method_named(connection, question.method)
        after = None if question.after is None else cursor.number(connection, question.after)
    except NotFound:
        raise NoSuchQuestion(f"--machine: there is no machine {question.machine}") from None
    except cursor.LostCursor:
        raise OtherHistory from None
    except InvalidField as error:
        raise NoSuchQuestion(f"--method: {error.message}") from None
    return Wanted(machine, question.method, question.since, after)


# ---------------------------------------------------------------- a server


class ServerSource:
    """Pulls from a running server, and asks it other things.

    transport: to one in this process. timeout: in seconds, of each read. token: lets in who asks;
    asked for with each request. may: the options of `bothends token add` for what is asked. Raises
    NoSuchQuestion where `url` is not the address of one.
    """

    def __init__(
        self,
        url: str,
        transport: httpx2.BaseTransport | None = None,
        timeout: float = _TIMEOUT_S,
        token: http.Token = http.no_token,
        fingerprint: str | None = None,
        may: str = "--may read",
    ) -> None:
        try:
            self.name = server_url(url)
        except ValueError as error:
            raise NoSuchQuestion(str(error)) from None
        parts = urlsplit(self.name)
        self._here = transport is not None
        self._may = may
        try:
            self._http = http.client(
                timeout=timeout,
                token=token,
                fingerprint=fingerprint,
                proxy=None if transport else _proxy(parts.scheme, parts.hostname or ""),
                follow_redirects=True,
                transport=transport,
            )
        except (
            ValueError,
            ImportError,
        ) as error:  # a proxy of an unsupported kind
            raise PullFailed(f"the proxy for {self.name} can't be used ({error})") from None

    def close(self) -> None:
        self._http.close()

    @contextmanager
    def pull(self, question: Question, form: str) -> Iterator[Answer]:
        asked = {
            "machine": question.machine,
            "method": question.method,
            "since": question.since.isoformat() if question.since else None,
            "after": question.after,
        }
        query = urlencode({k: v for k, v in asked.items() if v is not None})
        ending = "zip" if question.what == "history" else form
        address = f"{self.name}/api/{question.what}.{ending}?{query}"
        with self._asked("GET", address) as response:
            following = re.search(r"[?&]after=([^&>]+)", response.headers.get("Link", ""))
            if following is None:
                raise PullFailed(f"{self.name} answers, but is not bothends; check the address")
            rows = response.headers.get(HEADER)
            yield Answer(
                self._parts(response),
                unquote(following[1]),
                None if rows is None else int(rows),
                response.headers.get(MADE_BY_HEADER),
            )

    @contextmanager
    def rows(self, question: Question) -> Iterator[Rows]:
        # Not as the file itself: the server need not have the libraries that write it.
        with self.pull(question, "jsonl") as answer:
            table = formats.TABLES[question.what].TABLE
            blocks = read_jsonl(table, _lines(answer.parts))
            yield Rows(blocks, answer.cursor, answer.rows, answer.made_by)

    @contextmanager
    def live(self, bench: str, after: int) -> Iterator[Iterator[bytes]]:
        """The live events of a bench after event number `after`, as Server-Sent Events, in the
        parts in which they come. Raises PullFailed, NoSuchQuestion."""
        query = urlencode({"bench": bench, "after": after})
        with self._asked("GET", f"{self.name}/api/live?{query}") as response:
            if not response.headers.get("Content-Type", "").startswith("text/event-stream"):
                raise PullFailed(f"{self.name} answers, but is not bothends; check the address")
            yield self._live_parts(response)

    def post(self, path: str, data: bytes, media_type: str) -> Any:
        """The JSON that the server answers to `data`. Raises PullFailed, NoSuchQuestion."""
        return self.ask("POST", path, data, media_type)

    def ask(
        self,
        method: str,
        path: str,
        data: bytes | None = None,
        media_type: str = "application/json",
    ) -> Any:
        """The JSON that the server answers to a request. Raises PullFailed, NoSuchQuestion."""
        headers = {} if data is None else {"Content-Type": media_type}
        with self._asked(method, f"{self.name}{path}", content=data, headers=headers) as response:
            try:
                return json.loads(b"".join(self._parts(response)))
            except ValueError:
                raise PullFailed(
                    f"{self.name} answers, but is not bothends; check the address"
                ) from None

    @contextmanager
    def _asked(self, method: str, address: str, **options: Any) -> Iterator[httpx2.Response]:
        with ExitStack() as stack:
            try:
                response = stack.enter_context(self._when_it_may(method, address, options))
            except http.TokenError as error:
                raise PullFailed(str(error)) from None
            except (httpx2.HTTPError, httpx2.InvalidURL) as error:
                why = http.why_not_asked(error)
                if why is not None:
                    raise PullFailed(f"{self.name} can't be asked: {why}") from None
                raise PullFailed(f"{self.name} did not answer ({error}); is it running?") from None
            if not response.is_success:
                said = _detail(response)
                if response.status_code in (401, 403) and said is not None:
                    raise NotLetIn(http.not_let_in(self.name, response, said, self._may))
                detail = said or f"answers {response.status_code} {response.reason_phrase}"
                if response.status_code == 410:
                    raise OtherHistory
                if response.status_code in (413, 422, 501):
                    raise NoSuchQuestion(detail)
                failed = NotThere if response.status_code in (404, 405) else PullFailed
                raise failed(detail if self._here else f"{self.name}: {detail}")
            yield response

    @contextmanager
    def _when_it_may(
        self, method: str, address: str, options: dict[str, Any]
    ) -> Iterator[httpx2.Response]:
        """The answer to a request, which is sent again where the server said to come again soon,
        since too much was asked of it."""
        for left in reversed(range(_TIMES)):
            with self._http.stream(method, address, **options) as response:
                wait_s = http.wait_s(response) if response.status_code == 429 else 0.0
                if not left or not 0 < wait_s <= _SOON_S:
                    yield response
                    return
            time.sleep(wait_s)

    def _parts(self, response: httpx2.Response) -> Iterator[bytes]:
        try:
            yield from response.iter_raw(_READ)
        except httpx2.HTTPError as error:
            raise PullFailed(f"{self.name} broke off ({error}); nothing was changed") from None

    def _live_parts(self, response: httpx2.Response) -> Iterator[bytes]:
        try:
            yield from response.iter_raw()
        except httpx2.HTTPError as error:
            raise PullFailed(f"{self.name} broke off ({error})") from None


def _lines(parts: Iterable[bytes]) -> Iterator[bytes]:
    rest = b""
    for part in parts:
        *lines, rest = (rest + part).split(b"\n")
        yield from lines
    if rest:
        raise PullFailed("the answer ends within a line; nothing was changed, try again")


def _proxy(scheme: str, host: str) -> str | None:
    """The proxy that this computer's settings name for `host`."""
    # The library's own handling would send a pull from this computer itself to ALL_PROXY.
    proxy = None if proxy_bypass(host) else getproxies().get(scheme)
    return proxy if not proxy or "://" in proxy else f"http://{proxy}"


def _detail(response: httpx2.Response) -> str | None:
    """What the server says is wrong; None where something else answers."""
    try:
        return str(json.loads(response.read())["detail"])
    except (httpx2.HTTPError, ValueError, KeyError, TypeError):
        return None
