"""Which address a phone is shown, and its code."""

from __future__ import annotations

import socket
from xml.etree import ElementTree

import pytest
import segno
from starlette.requests import Request

from api.addresses import lan_host
from api.web.pages.shared import phone
from api.web.pages.shared.addresses import bench_page


def came_to(host: str, *, port: int = 8017, scheme: str = "http") -> Request:
    """A request as the server hears it, at its own `port`."""
    headers = [(b"host", host.encode())]
    return Request(
        {
            "type": "http",
            "method": "GET",
            "scheme": scheme,
            "server": ("192.168.4.20", port),
            "path": "/",
            "query_string": b"",
            "headers": headers,
        }
    )


@pytest.mark.parametrize(
    ("host", "shown"),
    [
        ("192.168.4.20:8017", "http://192.168.4.20:8017/"),
        ("workshop.local:8017", "http://workshop.local:8017/"),
        ("[fd00::7]:8017", "http://[fd00::7]:8017/"),
    ],
)
def test_the_address_that_brought_one_person_here_brings_the_next(host, shown):
    assert phone.address(came_to(host), "0.0.0.0", "/") == shown


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1:8017", "localhost:8017", "[::1]:8017", "127.1.2.3", "0.0.0.0:8017", "[::]:8017"],
)
def test_an_address_that_only_this_computer_knows_is_not_shown(host, monkeypatch):
    monkeypatch.setattr(phone, "lan_host", lambda: "10.0.0.5")
    assert phone.address(came_to(host), "0.0.0.0", "/") == "http://10.0.0.5:8017/"
    assert phone.address(came_to(host), "127.0.0.1", "/") is None
    monkeypatch.setattr(phone, "lan_host", lambda: None)
    assert phone.address(came_to(host), "0.0.0.0", "/") is None


def test_a_server_behind_another_is_found_at_the_others_address():
    request = came_to("bench.example", scheme="https")
    assert phone.address(request, "127.0.0.1", "/") == "https://bench.example/"


def test_the_bench_goes_with_the_address():
    found = phone.address(came_to("10.0.0.5:8017"), "0.0.0.0", bench_page("by the window/2"))
    assert found == "http://10.0.0.5:8017/bench/by%20the%20window%2F2"


def test_this_computers_address_is_one_it_answers_to():
    host = lan_host()
    if host is None:
        pytest.skip("this computer is on no network")
    assert not phone.loopback(host)
    family = socket.AF_INET6 if host.startswith("[") else socket.AF_INET
    with socket.socket(family) as listener:
        listener.bind((host.strip("[]"), 0))


def test_the_code_says_the_address_in_dark_on_light():
    text = "http://192.168.4.20:8017/bench/by%20the%20window"
    drawn = ElementTree.fromstring(phone.code(text))
    light, dark = drawn.iter("{http://www.w3.org/2000/svg}path")
    assert (light.get("fill"), dark.get("stroke")) == ("#fff", "#000")
    modules = sum(map(sum, segno.make(text, micro=False, error="l").matrix))
    assert sum(_runs(dark.get("d") or "")) == modules
    _, _, width, _ = map(float, (drawn.get("viewBox") or "").split())
    assert width == segno.make(text, micro=False, error="l").symbol_size(border=4)[0]


def _runs(path: str) -> list[int]:
    """The lengths of the horizontal runs of a path."""
    found, number, wanted = [], "", False
    for letter in path + " ":
        if letter.isdigit():
            number += letter
            continue
        if wanted and number:
            found.append(int(number))
        number, wanted = "", letter == "h"
    return found


def test_a_name_of_200_characters_in_any_script_still_makes_a_code():
    found = phone.address(came_to("10.0.0.5:8017"), "0.0.0.0", bench_page("🪚" * 200))
    assert found is not None
    ElementTree.fromstring(phone.code(found))
