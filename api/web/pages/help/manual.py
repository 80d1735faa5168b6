"""The manual: the Markdown files beside this one, as HTML.

The same files are read in the repository, so their links are those of files (`stops.md#visits`),
and a heading's anchor is made as there. HTML in them is shown as text; what leads out of the
manual, to other files of the repository, is plain text here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token

FOLDER: Final = Path(__file__).parent
INDEX: Final = "index"
_ENDING: Final = ".md"
_NEVER_BROKEN, _NOT_BROKEN = 10, 24
"""Code of so many letters is not broken into lines, at a hyphen say: on no screen; where a line is
longer than a phone's."""


@dataclass(frozen=True, slots=True)
class Section:
    title: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Chapter:
    """One file: its name without ending, its title, its sections, and what it says as HTML, before
    the first section (`lead`, with the title) and from there on (`body`)."""

    name: str
    title: str
    sections: Sequence[Section]
    lead: str
    body: str


def names() -> tuple[str, ...]:
    """Of all chapters, in the order in which the index leads to them; the index itself is none."""
    return _read()[1]


@cache
def chapter(name: str, whole: bool = False) -> Chapter:
    """A chapter as a page of its own, or as a part of the whole manual on one page.

    Raises KeyError where there is no such chapter.
    """
    parser, deeper = _parser(), int(whole)
    tokens = parser.parse(_read()[0][name])
    title, sections = _headings(tokens, f"{name}-" if whole else "", deeper)
    _links(tokens, name, whole)
    tokens = _boxed(tokens, title)
    at = next((n for n, token in enumerate(tokens) if _begins_section(token, deeper)), len(tokens))
    lead, body = (
        parser.renderer.render(part, parser.options, {}) for part in (tokens[:at], tokens[at:])
    )
    return Chapter(name, title, sections, lead, body)


@cache
def _read() -> tuple[dict[str, str], tuple[str, ...]]:
    texts = {
        file.stem: file.read_text(encoding="utf-8") for file in sorted(FOLDER.glob(f"*{_ENDING}"))
    }
    linked = [
        str(token.attrs["href"]).partition(_ENDING)[0]
        for token in _inline(_parser().parse(texts[INDEX]))
        if token.type == "link_open"
    ]
    return texts, tuple(dict.fromkeys(name for name in linked if name in texts and name != INDEX))


@cache
def _parser() -> MarkdownIt:
    # Imported with the first page of the manual: a server that shows none does without.
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark", {"html": False, "typographer": True})
    parser.enable(["table", "smartquotes"])
    return parser


def _inline(tokens: Sequence[Token]) -> Iterator[Token]:
    for token in tokens:
        yield from token.children or ()


# ---------------------------------------------------------------- headings and links


def _headings(tokens: Sequence[Token], prefix: str, deeper: int) -> tuple[str, list[Section]]:
    title, sections, used = "", [], Counter[str]()
    for heading, inline, end in zip(tokens, tokens[1:], tokens[2:], strict=False):
        if heading.type != "heading_open":
            continue
        words = "".join(token.content for token in inline.children or ())
        made = anchor(words)
        name = f"{made}-{used[made]}" if used[made] else made
        used[made] += 1
        if heading.tag == "h1":
            title = words
            name = prefix.removesuffix("-") or name
        else:
            name = prefix + name
        if heading.tag == "h2":
            sections.append(Section(words, name))
        heading.attrs["id"] = name
        heading.tag = end.tag = f"h{int(heading.tag[1]) + deeper}"
    return title, sections


def _begins_section(token: Token, deeper: int) -> bool:
    return token.type == "heading_open" and token.tag == f"h{2 + deeper}"


def anchor(heading: str) -> str:
    """Of a heading, as repositories make it: small letters, digits, - and _, a - for each space."""
    kept = (c for c in heading.lower() if c.isalnum() or c in " -_")
    return "".join(kept).replace(" ", "-")


def _links(tokens: Sequence[Token], name: str, whole: bool) -> None:
    for inline in tokens:
        kept: list[Token] = []
        leads_out = False
        for token in inline.children or ():
            if token.type == "link_open":
                address = _address(str(token.attrs["href"]), name, whole)
                leads_out = address is None
                token.attrs["href"] = address or ""
            if leads_out and token.type in ("link_open", "link_close"):
                continue
            kept.append(token)
        if inline.children is not None:
            inline.children = kept


def _address(href: str, name: str, whole: bool) -> str | None:
    """Where a link of a chapter leads to here; None where it leads out of the manual."""
    file, _, place = href.partition("#")
    target = file.removesuffix(_ENDING) or name
    if "/" in file or target not in _read()[0]:
        return None
    if not whole:
        page = "/help" if target == INDEX else f"/help/{target}"
        return ("" if target == name and place else page) + (f"#{place}" if place else "")
    return f"#{target}-{place}" if place else f"#{target}"


# ---------------------------------------------------------------- what may be wider than the page


def _boxed(tokens: Sequence[Token], title: str) -> list[Token]:
    """With a box around each table and example, that scrolls by itself; tables.js says so in it.
    Short code has a class."""
    from markdown_it.common.utils import escapeHtml
    from markdown_it.token import Token

    def html(text: str) -> Token:
        return Token("html_block", "", 0, content=text)

    def box(kind: str) -> Token:
        numbers[kind] += 1
        label = escapeHtml(f"{kind} {numbers[kind]}: {title}")
        return html(f'<div class="table-box" tabindex="0" role="region" aria-label="{label}">\n')

    numbers, boxed = Counter[str](), []
    for token in tokens:
        for each in token.children or ():
            length = len(each.content)
            if each.type == "code_inline" and length <= _NOT_BROKEN:
                each.attrs["class"] = "word" if length <= _NEVER_BROKEN else "words"
        # The library says a column's side in a style, which the pages' policy forbids.
        if style := token.attrs.pop("style", ""):
            token.attrs["class"] = str(style).removeprefix("text-align:")
        if token.type == "table_open":
            boxed.append(box("Table"))
        elif token.type == "fence":
            boxed.append(box("Example"))
        boxed.append(token)
        if token.type in ("table_close", "fence"):
            boxed.append(html("</div>\n"))
    return boxed
