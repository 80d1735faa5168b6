"""The help reads alike in the repository and under /help, and its links lead somewhere in both."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from api.cli import COMMANDS, parser
from api.web.pages.help import manual
from api.web.pages.help.manual import FOLDER
from tests.api.conftest import ON_SQLITE
from tests.manual import PAGES, ROOT, anchors, links, words_of_code

CHAPTERS = ["/help", "/help/all", *(f"/help/{name}" for name in manual.names())]


class _Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.headings: list[str] = []
        self.styled: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        of = dict(attrs)
        self.ids += [of["id"] or ""] if "id" in of else []
        self.links += [of["href"] or ""] if tag == "a" else []
        self.headings += [tag] if re.fullmatch("h[1-6]", tag) else []
        self.styled += [tag] if "style" in of or tag in ("style", "img") else []


def read(client, pages: dict[str, _Page], address: str) -> _Page:
    if address not in pages:
        answer = client.get(address)
        assert answer.status_code == 200, address
        pages[address] = _Page(answer.text)
    return pages[address]


def test_every_chapter_is_one_that_the_first_page_leads_to():
    assert {*manual.names(), manual.INDEX} == PAGES.keys() - {"README"}


@pytest.mark.parametrize("name", [*PAGES, "DEVELOPERS", "SECURITY"])
def test_every_link_leads_somewhere_in_the_repository(name):
    file = PAGES.get(name, ROOT / f"{name}.md")
    for link in links(file):
        target, _, place = link.partition("#")
        there = (file.parent / target).resolve() if target else file
        assert there.is_file(), link
        assert not place or place in anchors(there), link
        assert there.is_relative_to(ROOT), link


@ON_SQLITE
def test_every_link_leads_somewhere_in_the_program(client):
    pages: dict[str, _Page] = {}
    for address in CHAPTERS:
        for link in read(client, pages, address).links:
            target, _, place = link.partition("#")
            if not target or target.startswith("/help"):
                there = read(client, pages, target or address)
                assert not place or place in there.ids, (address, link)


@ON_SQLITE
def test_a_chapter_keeps_the_frame_and_the_policy_of_all_pages(client):
    for address in CHAPTERS:
        page = read(client, {}, address)
        assert page.headings.count("h1") == 1, address
        assert page.headings[0] == "h1", address
        levels = [int(heading[1]) for heading in page.headings]
        steps = [b - a for a, b in pairwise(levels)]
        assert max(steps, default=0) <= 1, address
        assert len(page.ids) == len({*page.ids}), address
        assert page.styled == [], address


@ON_SQLITE
def test_what_leads_out_of_the_manual_is_plain_text_in_the_program(client):
    text = client.get("/help/figures").text
    assert "TRUTH.md of the source" in re.sub("<[^>]*>", "", text)
    assert 'TRUTH.md"' not in text


def test_markup_of_a_page_is_shown_and_never_obeyed(monkeypatch, tmp_path: Path):
    (tmp_path / "index.md").write_text("# Help\n\n[one](one.md)\n")
    (tmp_path / "one.md").write_text("# One\n\n<b onclick=x>a</b> [b](javascript:alert(1))\n")
    monkeypatch.setattr(manual, "FOLDER", tmp_path)
    for cached in (manual._read, manual.chapter):
        cached.cache_clear()
    try:
        said = manual.chapter("one").lead
    finally:
        monkeypatch.undo()
        for cached in (manual._read, manual.chapter):
            cached.cache_clear()
    assert "&lt;b onclick=x&gt;" in said
    assert "href" not in said


@ON_SQLITE
@pytest.mark.parametrize("name", ["nothing", "index", "page.css", "..%2Fplan", "INDEX"])
def test_a_page_that_the_help_has_not_is_said_so(client, name):
    answer = client.get(f"/help/{name}")
    assert answer.status_code == 404
    assert "no such page" in answer.text or name.startswith("..")


@ON_SQLITE
def test_what_other_pages_lead_to_in_the_help_is_there(client):
    found = {
        link
        for file in sorted(FOLDER.parent.rglob("*.html"))
        for link in re.findall(r'href="(/help/\w+(?:#[\w-]+)?)"', file.read_text("utf-8"))
    }
    assert len(found) > 5
    for link in found - {"/help/all"}:
        address, _, place = link.partition("#")
        assert not place or place in read(client, {}, address).ids, link
        assert client.get(address).status_code == 200, link


def _options(commands: argparse.ArgumentParser) -> Iterator[str]:
    for action in commands._actions:
        yield from action.option_strings
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                yield from _options(command)


def _sentences_code() -> Iterator[str]:
    return (code for page in PAGES for code in words_of_code(page))


def test_every_command_and_option_that_a_sentence_names_is_there():
    known = {*_options(parser())}
    for code in _sentences_code():
        if code.startswith("bothends "):
            assert code.split()[1] in COMMANDS, code
        if "pipx" not in code:
            assert {*re.findall(r"(?<!\w)--[a-z][\w-]*", code)} <= known, code


@ON_SQLITE
def test_every_address_that_a_sentence_names_is_answered(client):
    served = [
        (method.upper(), re.sub(r"\\\{[^}]*\}", "[^/]+", re.escape(path)))
        for path, methods in client.get("/openapi.json").json()["paths"].items()
        for method in methods
    ]
    named = {
        (found["method"] or "GET", found["path"])
        for code in _sentences_code()
        if (found := re.fullmatch(r"(?:(?P<method>[A-Z]+) )?(?P<path>/api/[^?]*)(?:\?.*)?", code))
    }
    assert len(named) > 20
    for method, path in named:
        assert any(method == at and re.fullmatch(each, path) for at, each in served), (method, path)


def test_the_first_page_stays_short():
    assert len(PAGES["README"].read_text("utf-8").splitlines()) <= 150
