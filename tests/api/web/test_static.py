"""Every file of the pages is given whole, scripts without their comments, for good only under the
address of its version."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from pathlib import Path

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


def _given(file: Path) -> Iterator[str]:
    """The lines that a browser gets: in place of those of a script's comments, empty ones; of a
    style's lines what is in no comment."""
    within = False
    text = file.read_text("utf-8")
    if file.suffix == ".css":
        parts = [part.split("*/") for part in text.split("/*")]
        kept = [parts[0][0], *("\n" * said.count("\n") + rest for said, rest in parts[1:])]
        yield from "".join(kept).split("\n")
        return
    for line in text.split("\n"):
        text = line.strip()
        one_line = "*/" in text
        begins = text.startswith("/**") and (not one_line or text.endswith("*/"))
        within = file.suffix == ".js" and (within or begins)
        is_comment = within or (file.suffix == ".js" and text.startswith("//"))
        yield "" if is_comment else line
        within = within and not one_line


@pytest.mark.parametrize("name", FILES)
def test_a_file_is_given_whole_to_every_browser(asking, name):
    for encoding in ("gzip", "identity"):
        answer = asking.get(f"{STATIC_ADDRESS}/{name}", headers={"Accept-Encoding": encoding})
        assert answer.text.split("\n") == list(_given(PAGES / name))
        assert answer.headers.get("Content-Encoding", "identity") == encoding
        assert answer.headers["Vary"] == "Accept-Encoding"
        kind = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
        assert answer.headers["Content-Type"].startswith(kind[name.rpartition(".")[2]])


@pytest.mark.parametrize("name", [name for name in FILES if name.endswith(".js")])
def test_no_text_goes_on_over_lines_where_it_could_look_like_a_comment(name):
    assert all(line.count("`") % 2 == 0 for line in (PAGES / name).read_text("utf-8").splitlines())


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
        assert asking.get(f"{STATIC_ADDRESS}/shared/{part}.css").content in base


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
