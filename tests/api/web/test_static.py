"""Every file of the pages is given as it is, for good only under the address of its version."""

from __future__ import annotations

import gzip
from collections.abc import Iterator

import pytest
from starlette.applications import Starlette
from starlette.routing import Mount
from starlette.testclient import TestClient

from api.web.pages.shared.static import PAGES, STATIC_ADDRESS, StaticPages

FILES = sorted(
    file.relative_to(PAGES).as_posix()
    for file in PAGES.rglob("*")
    if file.suffix in (".css", ".js", ".svg")
)


@pytest.fixture(scope="module")
def asking() -> Iterator[TestClient]:
    with TestClient(Starlette(routes=[Mount("/static", StaticPages())])) as made:
        yield made


@pytest.mark.parametrize("name", FILES)
def test_a_file_is_given_whole_to_every_browser(asking, name):
    for encoding in ("gzip", "identity"):
        answer = asking.get(f"{STATIC_ADDRESS}/{name}", headers={"Accept-Encoding": encoding})
        assert answer.content == (PAGES / name).read_bytes()
        assert answer.headers.get("Content-Encoding", "identity") == encoding
        assert answer.headers["Vary"] == "Accept-Encoding"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        kind = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
        assert answer.headers["Content-Type"].startswith(kind[name.rpartition(".")[2]])


def test_a_browser_keeps_for_good_what_has_the_address_of_this_version_alone(asking):
    kept = asking.get(f"{STATIC_ADDRESS}/base.css").headers["Cache-Control"]
    assert "immutable" in kept
    for address in ("/static/base.css", "/static/v-earlier/base.css"):
        answer = asking.get(address)
        assert answer.status_code == 200
        assert answer.headers["Cache-Control"] == "no-cache"


def test_what_every_page_needs_comes_in_one_answer(asking):
    base = asking.get(f"{STATIC_ADDRESS}/base.css").content
    for part in ("tokens", "page", "drawings", "navigation"):
        assert (PAGES / f"shared/{part}.css").read_bytes() in base


@pytest.mark.parametrize(
    "name",
    ["", "shared", "shared/static.py", "shared/missing.html", "../static.py",
     "%2e%2e/api/cli.py", "BASE.CSS", "base.css/"],
)  # fmt: skip
def test_nothing_else_is_given(asking, name):
    assert asking.get(f"{STATIC_ADDRESS}/{name}").status_code == 404


def test_nothing_can_be_sent_there(asking):
    assert asking.post("/static/base.css").status_code == 405
    head = asking.head("/static/base.css", headers={"Accept-Encoding": "gzip"})
    assert head.status_code == 200
    size = len(gzip.compress(asking.get("/static/base.css").content, 9, mtime=0))
    assert int(head.headers["Content-Length"]) == size
