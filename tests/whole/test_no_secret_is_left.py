"""A token, a code and a cookie are nowhere but where they are meant to be, whatever was done with
them: not in the data, what programs say, exports, pages, addresses, or the list of processes."""

from __future__ import annotations

import io
import re
import socket
import sqlite3
import subprocess
import sys
import threading
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Final

import httpx2
import pytest

from api.cli import main
from tests.ptys import PATIENCE_S, until
from tests.whole.commands import BOTHENDS
from tests.whole.forked import serving
from tests.whole.serving import Serving

PAGES: Final = ("/", "/bench/saw", "/machines", "/instruments", "/access", "/help/access")
TAKEN: Final = ("/openapi.json", "/api/access", "/api/access/me", "/api/history.zip",
                "/api/trials.csv", "/api/readings.xlsx", "/api/changes", "/api/health")  # fmt: skip
# A connection may send the next request right behind the body of the one before.
_REQUEST: Final = re.compile(rb"(?:GET|HEAD|POST|PATCH|DELETE) (\S+) HTTP/1\.1\r\n")


class Wire:
    """What programs send to a server, by way of this port."""

    def __init__(self, upstream: int) -> None:
        self.upstream = upstream
        self.sent = bytearray()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        threading.Thread(target=self._serve, daemon=True).start()

    def addresses(self) -> list[str]:
        return [each.decode() for each in _REQUEST.findall(bytes(self.sent))]

    def close(self) -> None:
        self._listening.close()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self._listening.accept()
                try:
                    server = socket.create_connection(("127.0.0.1", self.upstream))
                except OSError:
                    client.close()
                    continue
                for ends in ((client, server, True), (server, client, False)):
                    threading.Thread(target=self._hand_on, args=ends, daemon=True).start()

    def _hand_on(self, source: socket.socket, sink: socket.socket, recorded: bool) -> None:
        with suppress(OSError), source, sink:
            while some := source.recv(65_536):
                if recorded:
                    self.sent += some
                sink.sendall(some)
            # Neither end goes on without the other.
            for end in (source, sink):
                end.shutdown(socket.SHUT_RDWR)


def forms(secret: str) -> list[bytes]:
    """A secret, and its parts that would give it away, as they could be written."""
    bare = secret.removeprefix("bothends_")
    said = {bare, bare.lower(), bare.replace("-", ""), bare.replace("-", "").lower()}
    return [each.encode() for each in said if len(each) >= 10]


def holds(data: bytes, secret: str) -> bool:
    """Whether `data` has the secret; what is packed in it is looked at too."""
    if any(form in data for form in forms(secret)):
        return True
    if not zipfile.is_zipfile(io.BytesIO(data)):
        return False
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        return any(holds(packed.read(name), secret) for name in packed.namelist())


def left(folder: Path, secrets: dict[str, str]) -> list[str]:
    """Which secrets are in which files."""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file()]
    return [
        f"{name} in {path.relative_to(folder)}"
        for path in files
        for name, secret in secrets.items()
        if holds(path.read_bytes(), secret)
    ]


def processes(secrets: dict[str, str], meant: int) -> list[str]:
    """Which secrets the command lines and environments of this computer's processes show, but for
    the environment of the process `meant`."""
    found = []
    for path in Path("/proc").glob("[0-9]*"):
        for what in ("cmdline", "environ"):
            if (path.name, what) == (str(meant), "environ"):
                continue
            with suppress(OSError):
                said = (path / what).read_bytes()
                found += [f"{n} in {path / what}" for n, s in secrets.items() if holds(said, s)]
    return found


@contextmanager
def program(said: Path, *words: str, token: str | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """A command that goes on, with what it says in a file."""
    with said.open("ab") as out:
        process = subprocess.Popen(
            [*BOTHENDS, *words], stdin=subprocess.PIPE, stdout=out, stderr=out,
            env=None if token is None else {"PATH": "/usr/bin:/bin", "BOTHENDS_TOKEN": token},
        )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        assert process.stdin is not None
        with suppress(BrokenPipeError):
            process.stdin.close()


@pytest.mark.skipif(sys.platform != "linux", reason="looks at processes in /proc")
def test_no_secret_is_left_anywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own, kept = tmp_path / "own", tmp_path / "kept"
    own.mkdir(mode=0o700)
    (kept / "said").mkdir(parents=True)
    data, secrets = kept / "data", dict[str, str]()

    def command(*words: str, shows: str | None = None) -> str:
        """What a command prints. What it prints once on purpose is `shows`; the rest is kept."""
        main([*words, "--data", str(data)])
        out, errors = capsys.readouterr()
        with (kept / "said" / "commands").open("a") as file:
            file.write(errors + ("" if shows else out))
        if shows:
            secrets[shows] = out.split()[-1] if shows.startswith("token") else code_in(out)
        return out

    def code_in(text: str) -> str:
        (code,) = re.findall(r"\b[0-9A-Z]{5}-[0-9A-Z]{5}\b", text)
        return str(code)

    # On every address of this computer, and nobody is local: as for somebody on the network.
    options = ("--host", "0.0.0.0", "--behind", "127.0.0.1")
    with ExitStack() as opened:
        server: Serving = opened.enter_context(serving(data, *options))
        wire = Wire(server.port)
        opened.callback(wire.close)
        client = opened.enter_context(httpx2.Client(base_url=wire.url, timeout=PATIENCE_S))
        answers = 0

        def ask(method: str, path: str, status: int, **more: object) -> httpx2.Response:
            nonlocal answers
            answers += 1
            answer = client.request(method, path, **more)  # type: ignore[arg-type]
            assert answer.status_code == status, (path, answer.text)
            # The cookie is told to its device, and to it alone.
            headers = [f"{k}: {v}" for k, v in answer.headers.items() if k != "set-cookie"]
            file = kept / "said" / f"answer {answers}"
            file.write_bytes("\n".join(headers).encode() + answer.read())
            return answer

        for name, may in (("bench", "press"), ("pull", "read"), ("broken", "admin")):
            command("token", "add", name, "--may", may, shows=f"token of {name}")
            (own / name).write_text(secrets[f"token of {name}"])
            (own / name).chmod(0o600)
        command("access", "invite", "--may", "admin", "--name", "tablet", shows="code that is used")
        command("access", "invite", shows="code that is not")

        # A code in what is refused, and one that is none; tokens that are wrong, and shown wrongly.
        not_used = secrets["code that is not"]
        ask("POST", "/api/access/join", 422, json={"code": not_used, "name": 7})
        ask("POST", "/api/access/join", 422, json={"code": [not_used]})
        ask("POST", "/api/access/join", 422, content=f'{{"code": "{not_used}"',
            headers={"Content-Type": "application/json"})  # fmt: skip
        ask("POST", "/api/access/join", 415, content=not_used)
        ask("POST", "/api/access/join", 403, json={"code": "00000-00000"})
        token = secrets["token of bench"]
        for shown in (f"Bearer {token}x", f"Basic {token}", token, f"Bearer {token} {token}"):
            ask("GET", "/api/machines", 401, headers={"Authorization": shown})
        ask("POST", "/api/series", 403, json={}, headers={"Authorization": f"Bearer {token}"})

        joined = ask("POST", "/api/access/join", 200, json={"code": secrets["code that is used"]})
        assert "Set-Cookie" in joined.headers
        (secrets["cookie"],) = client.cookies.values()
        ask("POST", "/api/access/join", 403, json={"code": secrets["code that is used"]})
        # An invitation is told to who asks for it.
        invited = client.post("/api/access/invitations", json={"name": "phone"})
        secrets["code of a phone"] = code_in(invited.json()["address"])
        body = {"machine": "Sled", "method": "reversal", "baseline": "200", "unit": "mm",
                "strip_side": "left", "bench": "saw"}  # fmt: skip
        made = ask("POST", "/api/machines", 201, json={"name": "Sled", "kind": "other"})
        ask("POST", "/api/series", 201, json=body | {"machine": made.json()["id"]})

        # The program fails while it looks who asks.
        with sqlite3.connect(data / "bothends-access.sqlite") as book:
            book.execute("UPDATE passes SET may = 'no rung' WHERE name = 'broken'")
        book.close()
        token = secrets["token of broken"]
        ask("GET", "/api/machines", 500, headers={"Authorization": f"Bearer {token}"})
        with sqlite3.connect(data / "bothends-access.sqlite") as book:
            book.execute("UPDATE passes SET may = 'admin' WHERE name = 'broken'")
        book.close()
        assert "Traceback" in server.log.read_text()

        to = ("bench", "--to", wire.url, "--bench", "saw", "--data", str(kept / "queue"))
        caliper = ("--caliper", "stdin:,unit=mm", "--token-file", str(own / "bench"))
        follow = ("pull", wire.url, "--follow", "--bench", "saw", "--after", "0")
        events = kept / "events.jsonl"
        with (
            program(kept / "said" / "bench", *to, *caliper) as bench,
            program(
                kept / "said" / "pull", *follow, "--to", str(events), token=secrets["token of pull"]
            ) as pull,
        ):
            assert bench.stdin is not None
            bench.stdin.write(b"12.30\n")
            bench.stdin.flush()
            assert until(lambda: events.exists() and b"12.30" in events.read_bytes())
            assert processes(secrets, meant=pull.pid) == []
            # Otherwise nothing was looked at.
            environment = Path(f"/proc/{pull.pid}/environ").read_bytes()
            assert holds(environment, secrets["token of pull"])

            command("token", "list")
            command("access", "list")
            command("token", "revoke", "bench")
            bench.stdin.write(b"12.40\n")
            bench.stdin.flush()
            said = kept / "said" / "bench"
            assert until(lambda: b"bothends token add" in said.read_bytes()), said.read_bytes()

        for path in (*PAGES, *TAKEN):
            ask("GET", path, 200, headers={"Accept": "text/html"})
        command("backup", "--to", str(kept / "copy.sqlite"))
        with suppress(SystemExit):
            command("doctor")
        # With all that SQLite has not yet moved into its files.
        assert left(kept, secrets) == []

        command("access", "revoke", "tablet")
        ask("GET", "/api/machines", 401)
        assert server.stop() == 0
        server.start(server.port)
        wire.upstream = server.port
        ask("GET", "/api/machines", 401)
        token = secrets["token of broken"]
        ask("GET", "/api/machines", 200, headers={"Authorization": f"Bearer {token}"})
        assert server.stop() == 0

    assert left(kept, secrets) == []
    addresses = wire.addresses()
    assert {"/api/readings", "/api/access/join"} <= {*addresses}
    assert [a for a in addresses for secret in secrets.values() if holds(a.encode(), secret)] == []
    # A header could tell where somebody came from.
    assert b"#join" not in wire.sent
    _finds_what_is_there(kept, secrets)


def _finds_what_is_there(kept: Path, secrets: dict[str, str]) -> None:
    code, token = secrets["code that is used"], secrets["token of bench"]
    with sqlite3.connect(kept / "planted.sqlite") as rows:
        rows.execute("CREATE TABLE names AS SELECT ? AS name", (f"Saw {code.replace('-', '')}",))
    rows.close()
    with zipfile.ZipFile(kept / "planted.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("log.txt", f"cookie: {secrets['cookie']}")
    with (kept / "data.log").open("a") as log:
        log.write(f"Authorization: Bearer {token}\n")
    assert {*left(kept, secrets)} == {
        "code that is used in planted.sqlite",
        "cookie in planted.zip",
        "token of bench in data.log",
    }
