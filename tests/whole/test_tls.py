"""The server by https: who comes by an old protocol or a page of http, and a certificate renewed
while people are at work."""

from __future__ import annotations

import shutil
import socket
import ssl
import warnings
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import httpx2
import pytest
from playwright.sync_api import Browser, expect

from api.certificates import fingerprint, read
from api.commands.access_certificate import make
from tests.ptys import PATIENCE_S, until
from tests.whole.at_the_bench import Bench
from tests.whole.commands import done
from tests.whole.forked import ForkedServing
from tests.whole.serving import Serving

NAME: Final = "shop.example"


def written(folder: Path) -> tuple[Path, Path]:
    """The files of a certificate and its key."""
    folder.mkdir()
    files = folder / "shop.pem", folder / "shop.key"
    for file, content in zip(files, make([NAME, "0.0.0.0"], 300, datetime.now(UTC)), strict=True):
        file.write_bytes(content)
        file.chmod(0o600)
    return files


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return written(tmp_path_factory.mktemp("tls") / "served")


@pytest.fixture(scope="module")
def shop(files: tuple[Path, Path]) -> Iterator[ForkedServing]:
    """One server for the tests here, by https on every address, whose name is NAME."""
    cert, key = files

    class Trusting(ForkedServing):
        verify = ssl.create_default_context(cafile=cert)

    words = ("--host", "0.0.0.0", "--allow-host", NAME, "--cert", str(cert), "--key", str(key))
    server = Trusting(cert.parent / "data", *words)
    yield server
    server.kill()
    server.let_go()


def trusting(server: ForkedServing, cert: Path) -> httpx2.Client:
    """A client that trusts this certificate alone."""
    context = ssl.create_default_context(cafile=cert)
    return httpx2.Client(base_url=server.url, timeout=PATIENCE_S, verify=context)


def shown(server: ForkedServing) -> str:
    """The fingerprint that a client sees that comes now."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    # Without a server's name, as who types an address comes.
    with (
        socket.create_connection(("127.0.0.1", server.port), PATIENCE_S) as plain,
        context.wrap_socket(plain) as encrypted,
    ):
        return fingerprint(encrypted.getpeercert(True) or b"")


def test_it_serves_https_alone_and_takes_nothing_from_a_page_of_http(shop: ForkedServing) -> None:
    host = shop.url.removeprefix("https://")
    assert shop.url == f"https://{host}"
    # What it says to a person comes after the line that it is ready.
    assert until(lambda: f"fingerprint: {shown(shop)}" in shop.log.read_text())
    assert "overhear" not in shop.log.read_text()
    assert "Strict-Transport-Security" not in shop.client.get("/").headers
    new = {"name": "Sled", "kind": "other"}
    for origin, status in (("http", 403), ("https", 201)):
        headers = {"Origin": f"{origin}://{host}"}
        assert shop.client.post("/api/machines", json=new, headers=headers).status_code == status
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # these versions are old indeed
        old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
        old.set_ciphers("DEFAULT:@SECLEVEL=0")
        old.minimum_version = ssl.TLSVersion.TLSv1
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection(("127.0.0.1", shop.port), PATIENCE_S) as plain,
        pytest.raises(ssl.SSLError),
    ):
        old.wrap_socket(plain)
    old.maximum_version = ssl.TLSVersion.TLSv1_2
    with (
        socket.create_connection(("127.0.0.1", shop.port), PATIENCE_S) as plain,
        old.wrap_socket(plain) as encrypted,
    ):
        assert encrypted.version() == "TLSv1.2"


def test_a_renewed_certificate_is_served_and_a_wrong_one_is_not(
    shop: ForkedServing, files: tuple[Path, Path], tmp_path: Path
) -> None:
    cert, key = files
    first, second = read(cert.read_text()).fingerprint, written(tmp_path / "second")
    other = written(tmp_path / "other")
    assert shown(shop) == first
    before = shop.client
    with before.stream("GET", "/api/live?bench=main") as live:
        parts = live.iter_raw()
        # Of a pair that does not fit, of half a file and of none it says so once, and goes on.
        said = "until then the certificate from before is served"
        for number, wrong in enumerate((other[1].read_bytes(), key.read_bytes()[:90], None), 1):
            key.unlink()
            if wrong is not None:
                key.write_bytes(wrong)
            assert until(lambda n=number: shop.log.read_text().count(said) == n)
            assert shown(shop) == first
        shutil.copy(second[1], key)
        shutil.copy(second[0], cert)
        key.chmod(0o644)
        renewed = read(cert.read_text()).fingerprint
        assert until(lambda: shown(shop) == renewed)
        assert until(lambda: f"SHA-256 fingerprint {renewed}" in shop.log.read_text())
        assert until(lambda: f"run: chmod o-r {key}" in shop.log.read_text())
        # Who was connected hears on; who comes now must trust the new one.
        with pytest.raises(httpx2.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            before.get("/api/health")
        shop.client = trusting(shop, cert)
        series = shop.start_series().encode()
        heard = b""
        while series not in heard:
            heard += next(parts)
    before.close()


def test_a_bench_and_a_pull_know_the_server_by_its_fingerprint(
    shop: ForkedServing, tmp_path: Path
) -> None:
    url, known = f"https://127.0.0.1:{shop.port}", shown(shop)
    words = ("pull", url, "--to", str(tmp_path / "trials.csv"))
    unknown = done(*words)
    assert (unknown.returncode, unknown.stdout) == (1, "")
    assert "certificate is not trusted here: self-signed certificate" in unknown.stderr
    assert "give what it shows with --fingerprint" in unknown.stderr
    other = done(*words, "--fingerprint", "00" * 32)
    assert other.returncode == 1
    assert f"has another fingerprint than --fingerprint says: {known}" in other.stderr
    assert not (tmp_path / "trials.csv").exists()
    assert done(*words, "--fingerprint", "AB:CD").returncode == 2
    assert "has 64 hexadecimal digits" in done(*words, "--fingerprint", "AB:CD").stderr
    plain = ("pull", url.replace("https", "http"), "--to", "-", "--fingerprint", known)
    assert "give its address with https://" in done(*plain).stderr
    # As one browser shows it, and as another does.
    pulled = done(*words, "--fingerprint", known.replace(":", " ").lower())
    assert (pulled.returncode, pulled.stderr) == (0, "")
    assert (tmp_path / "trials.csv").exists()
    bench = ("bench", "--to", url, "--data", str(tmp_path / "queue"), "--caliper")
    bench = (*bench, "stdin:,unit=mm,name=far", "--fingerprint", known)
    kept = done(*bench, said="1.25\n")
    assert kept.returncode == 0, kept.stdout + kept.stderr
    assert [each["name"] for each in shop.get("/api/calipers")] == ["far"]


def test_who_speaks_http_to_https_or_the_reverse_is_told_which(
    shop: ForkedServing, server: Serving
) -> None:
    for url, other in (
        (f"http://127.0.0.1:{shop.port}", "https://"),
        (f"https://127.0.0.1:{server.port}", "http://"),
    ):
        pulled = done("pull", url, "--to", "-")
        assert (pulled.returncode, pulled.stdout) == (1, "")
        assert pulled.stderr.startswith(f"bothends: {url} can't be asked: ")
        assert pulled.stderr.endswith(f"give its address with {other}\n")


def test_by_https_a_page_hears_presses_and_may_keep_the_screen_awake(
    shop: ForkedServing, launch_browser: Callable[..., Browser], browser_type_launch_args: Any
) -> None:
    """Under a name: an address of this computer alone a browser trusts by http too."""
    flags = [*browser_type_launch_args["args"], f"--host-resolver-rules=MAP {NAME} 127.0.0.1"]
    # Who goes past the warning of a certificate that is the server's own.
    context = launch_browser(args=flags).new_context(ignore_https_errors=True)
    at = Bench(shop, context.new_page(), "by-https")
    at.page.goto(f"https://{NAME}:{shop.port}/bench/by-https")
    expect(at.page.locator("#sign-live")).to_have_text("live")
    assert at.page.evaluate("isSecureContext && 'wakeLock' in navigator")
    series = at.start()
    at.press("12.34")
    at.shows("12.34")
    at.type_by_hand()
    at.page.keyboard.type("12.40")
    at.page.keyboard.press("Enter")
    at.holds(series, [["12.34", "12.40"]])
    context.close()


def test_a_phone_that_sleeps_does_not_hold_up_the_end(shop: ForkedServing) -> None:
    """By TLS a connection ends when both sides have said so; it says nothing."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    with (
        socket.create_connection(("127.0.0.1", shop.port), PATIENCE_S) as plain,
        context.wrap_socket(plain) as sleeping,
    ):
        host = shop.url.removeprefix("https://")
        sleeping.sendall(f"GET /api/health HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        assert sleeping.recv(15) == b"HTTP/1.1 200 OK"
        assert shop.stop() == 0
    assert "graceful shutdown exceeded" not in shop.log.read_text()
