"""How this program asks another server: under its own name, and by no hidden way round."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event, Thread

import httpx2
import pytest

from api import VERSION
from api.certificates import OtherCertificate, fingerprint, known_by
from api.commands.access_certificate import make
from api.http import TokenError, client, not_let_in


class Answering(ThreadingHTTPServer):
    """Another server: it notes what it is asked, /held is not answered before the end, and /away
    leads to another."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.ends = Event()
        self.leads_to = ""
        super().__init__(("127.0.0.1", 0), _Handler)
        self.url = f"http://127.0.0.1:{self.server_address[1]}"


class _Handler(BaseHTTPRequestHandler):
    server: Answering

    def do_GET(self) -> None:
        self.server.asked.append((self.path, dict(self.headers)))
        if self.path == "/held":
            self.server.ends.wait()
        if self.path in ("/moved", "/away"):
            self.send_response(302)
            self.send_header("Location", "/here" if self.path == "/moved" else self.server.leads_to)
        else:
            self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing on the error stream."""


@pytest.fixture
def other() -> Iterator[Answering]:
    with Answering() as server:
        thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield server
        server.ends.set()
        server.shutdown()
        thread.join()


def test_it_says_who_asks_and_takes_no_compressed_answer(other):
    with client(timeout=30) as asking:
        assert asking.get(f"{other.url}/here").status_code == 200
    ((path, headers),) = other.asked
    assert path == "/here"
    assert headers["User-Agent"] == f"bothends/{VERSION}"
    assert headers["Accept-Encoding"] == "identity"


def test_a_redirection_is_followed_only_where_asked(other):
    with client(timeout=30) as asking:
        assert asking.get(f"{other.url}/moved").status_code == 302
    with client(timeout=30, follow_redirects=True) as asking:
        assert asking.get(f"{other.url}/moved").status_code == 200
    assert [path for path, _ in other.asked] == ["/moved", "/moved", "/here"]


def test_the_environment_names_no_proxy_and_an_argument_does(other, monkeypatch):
    for name in ("HTTP_PROXY", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
        monkeypatch.setenv(name.lower(), "http://127.0.0.1:9")
    for name in ("NO_PROXY", "no_proxy"):
        monkeypatch.delenv(name, raising=False)
    with client(timeout=30) as asking:
        assert asking.get(f"{other.url}/here").status_code == 200
    with client(timeout=30, proxy=other.url) as asking:
        assert asking.get("http://shop.example/there").status_code == 200
    assert [path for path, _ in other.asked] == ["/here", "http://shop.example/there"]


def test_a_server_that_does_not_answer_is_not_waited_for_longer(other):
    with client(timeout=0.05) as asking, pytest.raises(httpx2.TimeoutException):
        asking.get(f"{other.url}/held")


TOKEN = f"bothends_{'x' * 43}"


def test_a_token_goes_to_the_server_that_is_asked_and_not_where_that_sends_on_to(other):
    with Answering() as elsewhere:
        thread = Thread(target=elsewhere.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        other.leads_to = f"{elsewhere.url}/here"
        with client(timeout=30, token=lambda: TOKEN, follow_redirects=True) as asking:
            answer = asking.get(f"{other.url}/away")
            asking.get(f"{other.url}/moved")
        elsewhere.shutdown()
        thread.join()
    assert [(path, said.get("Authorization")) for path, said in other.asked] == [
        (path, f"Bearer {TOKEN}") for path in ("/away", "/moved", "/here")
    ]
    ((path, said),) = elsewhere.asked
    assert path == "/here"
    assert "Authorization" not in said
    assert TOKEN not in str(vars(answer.request)) + repr(answer.request.headers)
    answer.status_code = 401
    words = not_let_in("shop", answer, "a token is needed", "--may read")
    assert (
        words == f"shop sends on to {elsewhere.url}/, where the token is not sent; give that"
        " address"
    )


def test_a_token_is_asked_for_each_time_and_what_is_wrong_with_it_is_raised(other):
    tokens = iter([TOKEN, None])

    def token() -> str | None:
        try:
            return next(tokens)
        except StopIteration:
            raise TokenError("the file is gone") from None

    with client(timeout=30, token=token) as asking:
        for _ in range(2):
            asking.get(f"{other.url}/here")
        with pytest.raises(TokenError):
            asking.get(f"{other.url}/here")
    assert [said.get("Authorization") for _, said in other.asked] == [f"Bearer {TOKEN}", None]


def test_by_way_of_a_proxy_too_only_the_certificate_that_is_known_is_taken(tmp_path):
    """Then TLS runs within the proxy's own, by other means of the library."""
    pem, key = make(["localhost"], 5, datetime.now(UTC))
    (tmp_path / "both.pem").write_bytes(pem + key)
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(tmp_path / "both.pem")
    known = fingerprint(ssl.PEM_cert_to_DER_cert(pem.decode()))

    def hands_shaken(said: str) -> None:
        to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
        there = serving.wrap_bio(to_server, to_client, server_side=True)
        here = known_by(said).wrap_bio(to_client, to_server, server_hostname="elsewhere")
        for each in (here, there, here):
            with suppress(ssl.SSLWantReadError):
                each.do_handshake()

    hands_shaken(known)
    with pytest.raises(OtherCertificate, match=known):
        hands_shaken("00" + known[2:])
