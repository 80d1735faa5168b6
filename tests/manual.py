"""What README and the help say, as tests read it: their fenced examples, headings and links."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

from markdown_it import MarkdownIt

from api.web.pages.help.manual import FOLDER, anchor

ROOT: Final = Path(__file__).parents[1]
PAGES: Final = {"README": ROOT / "README.md"} | {
    file.stem: file for file in sorted(FOLDER.glob("*.md"))
}


@dataclass(frozen=True, slots=True)
class Example:
    """A fenced block. place: its page and the anchor of its section, such as keeping#backups."""

    place: str
    language: str
    text: str


def examples(page: str) -> Iterator[Example]:
    section = ""
    tokens = _tokens(PAGES[page])
    for token, after in zip(tokens, [*tokens[1:], None], strict=True):
        if token.type == "heading_open" and after is not None:
            section = anchor(after.content)
        if token.type in ("fence", "code_block"):
            yield Example(f"{page}#{section}", token.info.strip(), token.content)


def anchors(file: Path) -> set[str]:
    """Of the headings of a file, as a repository shows it."""
    tokens, used, found = _tokens(file), Counter[str](), set()
    for heading, inline in pairwise(tokens):
        if heading.type == "heading_open":
            name = anchor(inline.content)
            found.add(f"{name}-{used[name]}" if used[name] else name)
            used[name] += 1
    return found


def links(file: Path) -> Iterator[str]:
    for token in _tokens(file):
        for each in token.children or ():
            if each.type == "link_open":
                yield str(each.attrs["href"])
            elif each.type == "image":
                yield str(each.attrs["src"])


def words_of_code(page: str) -> Iterator[str]:
    """What stands in a sentence as code."""
    for token in _tokens(PAGES[page]):
        yield from (each.content for each in token.children or () if each.type == "code_inline")


def _tokens(file: Path) -> list:
    return MarkdownIt("commonmark").enable("table").parse(file.read_text(encoding="utf-8"))
