"""The HTTP client of a remote bench, and the server's answers."""

from __future__ import annotations

import json
import socket
import threading
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

import httpx2

from api import http

# More than any answer of the server, even if it refuses each reading of a batch.
_MOST_ANSWER: Final = 1024 * 1024


class Away(Exception):
    """The server can't be reached or can't take anything now; it says to wait so long, in s."""

    def __init__(self, why: str, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back; `said` is empty where that is no JSON object. wait_s: how long it says to
    wait before it is asked again."""

    status: int
    reason: str
    said: dict[str, Any]
    wait_s: float = 0.0

    @property
    def good(self) -> bool:
        return 200 <= self.status < 300

    def __str__(self) -> str:
        return f"{self.status}: {self.reason}"


class Client:
    """The server at `url`, asked over a new connection each time.

    No redirect is followed, since a POST that is redirected becomes a GET.
    """

    def __init__(
        self, url: str, token: http.Token = http.no_token, fingerprint: str | None = None
    ) -> None:
        self.url = url
        self._http = http.client(timeout=0, token=token, fingerprint=fingerprint)
        self._line = _Line()
        self.hung_up = False

    def post(self, path: str, body: Any, seconds: float, bench: str) -> Answer:
        """The answer to `body`, which is of this bench and must be complete within `seconds`.

        Raises Away where it is not, and where the server does not let in who asks: a person can
        change that while what waits stays here.
        """
        line = self._line = _Line()
        if self.hung_up:
            line.end(_STOPPED)
        # The library's own timeout is for each read, and an answer may come byte by byte forever.
        limit = threading.Timer(seconds, line.end, ["its answer takes too long"])
        limit.daemon = True
        limit.start()
        try:
            with self._http.stream(
                "POST",
                self.url + path,
                content=json.dumps(body),
                # Asked each 20 s at rest: the server closes what is kept after 5 s.
                headers={"Content-Type": "application/json", "Connection": "close"},
                timeout=seconds,
                extensions={"trace": line.trace},
            ) as response:
                answer = _answer(response)
                if answer.status in (401, 403) and "detail" in answer.said:
                    may = f"--may press --bench {bench}"
                    name = f"the server at {self.url}"
                    raise Away(http.not_let_in(name, response, answer.reason, may))
                return answer
        except http.TokenError as error:
            raise Away(str(error)) from None
        except (httpx2.HTTPError, httpx2.InvalidURL, OSError, ValueError) as error:
            said = line.ended or http.why_not_asked(error) or str(error) or type(error).__name__
            raise Away(f"the server at {self.url} can't be reached ({said})") from None
        finally:
            limit.cancel()

    def hang_up(self) -> None:
        """Abort the running request, and refuse further ones."""
        self.hung_up = True
        self._line.end(_STOPPED)


_STOPPED: Final = "this program is being stopped"


class _Line:
    """The connection of one request, which any thread may abort at any moment."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self.ended = ""

    def trace(self, event: str, info: dict[str, Any]) -> None:
        """The library's progress callback (its extension `trace`)."""
        if event in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            with self._lock:
                self._socket = info["return_value"].get_extra_info("socket")
                if self.ended:
                    self._shut()

    def end(self, why: str) -> None:
        """Abort the request; the first reason counts."""
        with self._lock:
            self.ended = self.ended or why
            self._shut()

    def _shut(self) -> None:
        if self._socket is not None:
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)


def _answer(response: httpx2.Response) -> Answer:
    """The answer in `response`; the body of an error may be incomplete."""
    body = b""
    try:
        for part in response.iter_raw():
            body += part
            if len(body) > _MOST_ANSWER:
                break
    except httpx2.HTTPError:
        if response.status_code < 300:
            raise
    found: Any = None
    with suppress(ValueError):
        found = json.loads(body)
    said = found if isinstance(found, dict) else {}
    reason = response.reason_phrase
    if 300 <= response.status_code < 400:
        reason += f", sent on to {response.headers.get('Location', 'nowhere')}"
    detail = str(said.get("detail", reason))[:500]
    return Answer(response.status_code, detail, said, http.wait_s(response))
