"""The words that a person reads: what must be in none of them, whoever says it.

DEVELOPERS.md has the list ("Words"). `faults` finds what is wrong in a text, `Texts` takes the
texts out of a page, `sentences` out of an answer of the API.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from typing import Any, Final, NamedTuple

# The names of methods, as in a shop's notebooks.
_NAMES: Final = re.compile(r"\b(?:five cuts|two miters|three straight edges)", re.IGNORECASE)
_ID: Final = re.compile(r"\b[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}\b")
# What is counted.
_ONE: Final = (
    "strip|part|frame|measurement|reading|visit|machine|stop|cut|piece|day|month|week|minute|hour"
    "|caliper|place|work"
)
_MANY: Final = "|".join(f"{noun}s" for noun in _ONE.split("|"))
_RULES: Final = {
    "a number in words": re.compile(
        r"\b(?:two|three|four|five|six|seven|eight|nine|ten|eleven|twelve|twenty|hundred|dozen)\b",
        re.IGNORECASE,
    ),
    "an exponent": re.compile(r"(?<![\w-])[\d.]+[eE][+-]?\d+\b"),
    "a name of the API": re.compile(r"\b[a-z]+_[a-z_]+\b|\b\d+\.[a-z]{2,}\b"),
    "an option of the command line": re.compile(r"(?<![\w-])--[a-z]"),
    "a stiff label": re.compile(
        r"^(?:Measures|To note|What it is|Studies|That series)$|One that is not found"
        r"|\bis listened to\b"
    ),
    "a trial, which is a strip on screen": re.compile(r"\btrials?\b", re.IGNORECASE),
    "a check, which is a series on screen": re.compile(
        r"\b(?:the|a|each|this|last|latest|every|first|1) check\b"
        r"|\b(?:the|other|earlier|those|these|first|\d+) checks\b|\bchecks (?:and|are|were|of)\b",
        re.IGNORECASE,
    ),
    # "1 of 3 strips" and "8 1/32 in" count otherwise.
    "more than 1 of what is 1": re.compile(rf"(?<![\d.,/−+–-])(?<!\d )1 (?:{_MANY})\b"),
    "1 of what are many": re.compile(
        rf"(?<![\d.,/−+–-])(?!1 )\d+ (?:more )?(?:{_ONE})\b(?! (?:left|right))(?!-)"
    ),
}
# A figure with decimals, and what may stand after it in place of its own unit: the unit of the
# figure beyond "±", "to" or "against".
_FIGURE: Final = re.compile(
    r"(?<![\w.,§/])[+−]?\d+\.\d+(?![\d.]*\d|\w)"
    r"(?!\s*(?:°|′|″|mm\b|in\b|thou\b|degrees?\b|arc\b|%|s\b|± [\d.]+ ?\S"
    r"|(?:to|against|and|or) [+−]?\d))"
)
# What a number without a unit follows: factors, degrees of freedom, probabilities, editions.
_BARE: Final = re.compile(
    r"(?:\b(?:factor(?: k| of)?|freedom|p|t|F|times|risks?:|risk of|interval of it|there,|bothends"
    r"|interval of it [\d.]+ to"
    r"|type|JCGM \d+,)"
    r"|[=<])\s*$"
)
# The head of a column whose numbers have the unit that it says, or none.
_UNIT_SAID: Final = re.compile(
    r"\b(?:mm|in|thou|degrees|arc minutes|factor|coefficient|freedom|p,|scale)(?:\b|$)",
    re.IGNORECASE,
)
_LABELS: Final = frozenset({"h1", "h2", "h3", "caption", "legend", "summary", "th", "button", "dt"})
# In the middle of a label these begin with a capital: what is called so.
_CALLED: Final = re.compile(
    r"\b(?:JCGM|ISO|NIST|QR|API|USB|Bench|Student|Welch|Seed|Reversal|"
    r"January|February|March|April|May|June|July|August|September|October|November|December)\b"
)


class Text(NamedTuple):
    """What stands together on a page, in which element; of a cell, the heads of its column and row,
    of a mark of an axis what stands above it."""

    element: str
    said: str
    head: str = ""


def faults(said: str, called: Sequence[str] = ()) -> Iterator[str]:
    """What is wrong with the words of a text. called: names of one's own, which are not judged."""
    text = _ID.sub("", _NAMES.sub("", said))
    for name in called:
        text = text.replace(name, "")
    for rule, pattern in _RULES.items():
        if found := pattern.search(text):
            yield f"{rule}: …{text[max(0, found.start() - 50) : found.end() + 40]}…"


def figures_without_unit(text: Text) -> Iterator[str]:
    """The figures with decimals that say no unit and should."""
    said = text.said
    if text.element == "@placeholder" or _UNIT_SAID.search(text.head):
        return
    for found in _FIGURE.finditer(said):
        if not _BARE.search(said[: found.start()]):
            yield f"…{said[max(0, found.start() - 40) : found.end() + 20]}…"


def capitals(text: Text, called: Sequence[str]) -> str:
    """The label if it is not in sentence case; "" where it is. called: names of one's own."""
    if text.element not in _LABELS:
        return ""
    rest = text.said
    for name in called:
        rest = rest.replace(name, "")
    # A series that is compared has a letter before its name.
    words = re.split(r"[.:?] |^[A-D] ", _CALLED.sub("", rest))
    inside = (word for part in words for word in part.split()[1:])
    return text.said if any(word[:1].isupper() and len(word) > 1 for word in inside) else ""


class Texts(HTMLParser):
    """The texts of a page, with its links: what is hidden too, since it is shown in time."""

    _APART: Final = frozenset({"script", "style", "code", "pre", "title"})
    _WITHIN: Final = frozenset({"b", "span", "a", "em", "i", "small", "data", "s", "time", "tspan"})
    _EMPTY: Final = frozenset({"br", "hr", "img", "input", "link", "meta", "path", "use"})
    _SAID: Final = frozenset({"aria-label", "title", "alt", "placeholder"})

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[str] = []
        self._heads: list[str] = []
        self._column = 0
        self._row = ""
        self._says_unit = False
        self._text = ""
        self.texts: list[Text] = []
        self.links: set[str] = set()
        self.feed(page)
        self._end()

    def _end(self) -> None:
        if said := " ".join(self._text.split()):
            outer = (each for each in reversed(self._open) if each not in self._WITHIN)
            element = next(outer, "")
            if element == "th" and "thead" in self._open:
                self._heads[self._column - 1] = said
            if self._says_unit or (element == "th" and "tbody" in self._open):
                self._row = said
            head = self._head() if element == "text" or "td" in self._open else ""
            self.texts.append(Text(element, said, head))
        self._text = ""

    def _head(self) -> str:
        column = self._heads[self._column - 1 : self._column]
        return " ".join([*column, self._row])

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self._WITHIN:
            self._end()
        if tag in ("table", "figure"):
            self._heads, self._row = [], ""
        elif tag == "tr":
            self._column, self._row = 0, ""
        elif tag in ("td", "th"):
            self._column += int(dict(attrs).get("colspan") or 1)
            if "thead" in self._open:
                self._heads.append("")
        # Above an axis.
        self._says_unit = tag == "text" and "unit" in (dict(attrs).get("class") or "").split()
        if tag not in self._EMPTY:
            self._open.append(tag)
        for name, value in attrs:
            if value and name in self._SAID:
                self.texts.append(Text(f"@{name}", value))
            elif tag == "a" and name == "href" and value and value.startswith("/"):
                self.links.add(value.partition("#")[0])

    def handle_endtag(self, tag: str) -> None:
        if tag not in self._WITHIN:
            self._end()
        if tag in self._open:
            while self._open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if self._APART.isdisjoint(self._open):
            self._text += data


def sentences(answer: Any) -> Iterator[str]:
    """All texts of several words in what a JSON document holds, but for the lines of a budget,
    which have names of the API's own."""
    if isinstance(answer, dict):
        for name, each in answer.items():
            yield from () if name == "budget" else sentences(each)
    elif isinstance(answer, list):
        for each in answer:
            yield from sentences(each)
    elif isinstance(answer, str) and " " in answer:
        yield answer
