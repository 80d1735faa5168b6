"""The server behind nginx, which runs with what the help says: who asks is who the proxy says."""

from __future__ import annotations

import json
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import httpx2
import pytest

from api.access.book import Book
from api.access.codes import as_shown
from api.access.rungs import Rung
from api.commands.access_certificate import make
from tests.manual import ROOT, examples
from tests.ptys import PATIENCE_S, until
from tests.whole.forked import ForkedServing, serving

NGINX: Final = shutil.which("nginx", path="/usr/sbin:/usr/bin") or str(
    ROOT / ".venv" / "nginx" / "usr" / "sbin" / "nginx"
)
NAME: Final = "shop.example"
BEHIND: Final = ("--behind", "127.0.0.1", "--allow-host", NAME)

pytestmark = [
    # Elsewhere a computer has one loopback address alone.
    pytest.mark.skipif(sys.platform != "linux", reason="clients come from several 127.0.0.0/8"),
    pytest.mark.skipif(not Path(NGINX).exists(), reason="nginx not here: tests/run fetches it"),
]

# What nginx needs beside what the help says: all of its files in one folder, and no daemon.
_AROUND: Final = """\
daemon off;
master_process off;
pid nginx.pid;
error_log errors.log info;
events {{}}
http {{
access_log requests.log;
client_body_temp_path body;
proxy_temp_path proxy;
fastcgi_temp_path fastcgi;
uwsgi_temp_path uwsgi;
scgi_temp_path scgi;
{server}
}}
"""


@dataclass
class Proxied:
    """A server, and the nginx before it. files: the folder of nginx."""

    server: ForkedServing
    port: int
    files: Path
    clients: list[httpx2.Client] = field(default_factory=list)

    @property
    def origin(self) -> str:
        return f"https://{NAME}:{self.port}"

    def client(self, address: str, host: str | None = None) -> httpx2.Client:
        """Somebody at another address, who asks nginx."""
        trusting = ssl.create_default_context(cafile=self.files / "shop.pem")
        made = httpx2.Client(
            base_url=f"https://127.0.0.1:{self.port}",
            headers={"Host": host or f"{NAME}:{self.port}"},
            transport=httpx2.HTTPTransport(local_address=address, verify=trusting),
            timeout=PATIENCE_S,
        )
        self.clients.append(made)
        return made

    def invite(self, rung: Rung) -> str:
        book = Book(self.server.data)
        try:
            return as_shown(book.invite(rung)[1])
        finally:
            book.close()


@contextmanager
def nginx(folder: Path, upstream: int) -> Iterator[int]:
    """The port of an nginx that runs with the example of the help."""
    folder.mkdir()
    pair = make([NAME, "127.0.0.1"], 300, datetime.now(UTC))
    for name, content in zip(("shop.pem", "shop.key"), pair, strict=True):
        (folder / name).write_bytes(content)
    (text,) = (each.text for each in examples("access") if each.language == "nginx")
    # Held, so that nobody else gets it: who only binds a port shares it.
    with socket.socket() as held:
        held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        held.bind(("127.0.0.1", 0))
        port: int = held.getsockname()[1]
        for said, own in (
            ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
            ("/etc/nginx/shop.example.pem", f"{folder}/shop.pem"),
            ("/etc/nginx/shop.example.key", f"{folder}/shop.key"),
            ("http://127.0.0.1:8017", f"http://127.0.0.1:{upstream}"),
        ):
            assert said in text
            text = text.replace(said, own)
        (folder / "nginx.conf").write_text(_AROUND.format(server=text))
        words = [NGINX, "-p", str(folder), "-c", "nginx.conf", "-e", "errors.log"]
        process = subprocess.Popen(words)
        try:
            assert until(lambda: _answers(port)), (folder / "errors.log").read_text()
            yield port
        finally:
            process.kill()
            process.wait(PATIENCE_S)


def _answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    folder = tmp_path_factory.mktemp("proxied")
    with (
        serving(folder / "data", *BEHIND) as server,
        nginx(folder / "nginx", server.port) as port,
    ):
        assert isinstance(server, ForkedServing)
        made = Proxied(server, port, folder / "nginx")
        yield made
        for client in made.clients:
            client.close()


@pytest.mark.parametrize(
    "spoofed",
    [
        {},
        {"X-Forwarded-For": "127.0.0.1"},
        {"X-Forwarded-For": "127.0.0.1, 127.0.0.1", "X-Real-IP": "127.0.0.1"},
        {"Forwarded": "for=127.0.0.1;proto=https", "X-Forwarded-Host": "127.0.0.1"},
    ],
)
def test_nobody_is_local_behind_a_proxy(shop: Proxied, spoofed: dict[str, str]) -> None:
    """Neither who says so, nor who asks beside the proxy, from the server's own computer."""
    for client in (shop.client("127.0.0.5"), shop.server.client):
        assert client.get("/api/machines", headers=spoofed).status_code == 401
        assert client.post("/api/machines", json={}, headers=spoofed).status_code == 401
        assert client.get("/", headers={"Accept": "text/html", **spoofed}).status_code == 401
        assert client.get("/api/access/me", headers=spoofed).json()["local"] is False


def test_who_joins_through_the_proxy_is_let_in_by_https_alone(shop: Proxied) -> None:
    client, own = shop.client("127.0.0.6"), {"Origin": shop.origin}
    code = shop.invite(Rung.RUN)
    elsewhere = {"Origin": "https://evil.example"}
    refused = client.post("/api/access/join", json={"code": code}, headers=elsewhere)
    assert refused.status_code == 403
    # By http, somebody on the way can write pages of this name.
    plain = {"Origin": shop.origin.replace("https", "http")}
    assert client.post("/api/access/join", json={"code": code}, headers=plain).status_code == 403

    joined = client.post("/api/access/join", json={"code": code}, headers=own)
    assert joined.status_code == 200, joined.text
    name, *kept = joined.headers["Set-Cookie"].split("; ")
    assert name.startswith(f"bothends-{shop.port}=")
    assert {"Secure", "HttpOnly", "SameSite=Strict", "Path=/"} <= {*kept}

    cookie = {"Cookie": name}
    assert client.get("/api/machines", headers=cookie).status_code == 200
    made = {"name": "Sled", "kind": "other"}
    assert client.post("/api/machines", json=made, headers=cookie | own).status_code == 201
    crossed = client.post("/api/machines", json=made, headers=cookie | elsewhere)
    assert crossed.status_code == 403
    other = shop.client("127.0.0.6", host="evil.example")
    assert other.get("/api/machines", headers=cookie).status_code == 421
    # The next phone opens what the proxy is called.
    invited = client.post("/api/access/invitations", json={}, headers=cookie | own).json()
    assert invited["address"].startswith(f"{shop.origin}/#join=")
    # nginx takes as large a notebook as the server does.
    notebook = {"Content-Type": "text/csv", **cookie, **own}
    large = client.post("/api/load", content=b"x" * 19_000_000, headers=notebook)
    assert large.status_code == 422, large.text
    # Nothing of it is in what nginx writes down.
    said = (shop.files / "requests.log").read_text() + (shop.files / "errors.log").read_text()
    assert "/api/access/join" in said
    for secret in (code, code.replace("-", ""), name.partition("=")[2]):
        assert secret not in said


def test_a_live_event_comes_through_the_proxy_at_once(shop: Proxied) -> None:
    client = shop.client("127.0.0.7")
    code = shop.invite(Rung.RUN)
    assert client.post("/api/access/join", json={"code": code}).status_code == 200
    reading = {
        "id": "0199c3a0-6f8e-7c3a-9a56-3b1d2c4e5f60", "bench": "main", "caliper": "six-inch",
        "sent": "12.34", "unit": "mm", "taken_at": "2026-11-30T14:03:05.5Z",
    }  # fmt: skip
    with client.stream("GET", "/api/live?bench=main&after=0") as stream:
        assert stream.status_code == 200
        lines = stream.iter_lines()
        assert next(lines).startswith("retry:")
        # Held back, nothing would come until the stream's end, which does not come.
        assert client.post("/api/readings", json=[reading]).status_code == 200
        came = next(line for line in lines if line.startswith("data:") and "12.34" in line)
        assert json.loads(came.removeprefix("data:"))["caliper"] == "six-inch"


def test_codes_are_counted_by_who_tries_them_not_by_the_proxy(shop: Proxied) -> None:
    def tries(client: httpx2.Client, **headers: str) -> int:
        body = {"code": "00000-00000"}
        return client.post("/api/access/join", json=body, headers=headers).status_code

    guesser, other = shop.client("127.0.0.8"), shop.client("127.0.0.9")
    assert [tries(guesser) for _ in range(6)] == [403] * 5 + [429]
    assert tries(guesser, **{"X-Forwarded-For": "198.18.0.9"}) == 429
    assert tries(other) == 403


def test_a_proxy_that_the_server_was_not_told_of_makes_nobody_local(shop: Proxied) -> None:
    server = shop.server
    port = server.port
    server.kill()
    server._options = ("--allow-host", NAME)
    server.start(port)
    refused = shop.client("127.0.0.5").get("/api/machines")
    assert refused.status_code == 401
    assert "start it with --behind" in refused.json()["detail"]
    assert server.client.get("/api/machines").status_code == 200
