"""A page's scripts in one answer: a browser asks for six files at a time, and a phone waits.

The scripts stay plain modules, which tsc and the tests read. They import without circles, one
import a line, and export where a thing is declared or in one line.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Mapping

_NAMES = re.compile(r'import \{ ([\w, ]+) \} from "([\w./]+)";')
_WHOLE = re.compile(r'import \* as (\w+) from "([\w./]+)";')
_ALONE = re.compile(r'import "([\w./]+)";')
_LATER = re.compile(r'await import\("([\w./]+)"\)')
_DECLARED = re.compile(r"export ((?:async function|function|const|class) (\w+).*)")
_LISTED = re.compile(r"export \{ ([\w, ]+) \};")
_PASSED_ON = re.compile(r'export \{ ([\w, ]+) \} from "([\w./]+)";')


class NotTogether(Exception):
    """A script imports in a circle, or says import or export otherwise than `together` reads it."""


def together(entry: str, scripts: Mapping[str, str]) -> str:
    """One module that does what `entry` and all that it imports do, now or later.

    scripts: text by address, such as `bench/page.js`. Each becomes a function that is called once,
    after those that it imports, and answers what it exports. Raises NotTogether.
    """
    made: list[str] = []
    under_way: list[str] = []
    done: set[str] = set()

    def take(address: str) -> str:
        if address in under_way:
            raise NotTogether(f"{' imports '.join([*under_way, address])}")
        if address not in done:
            under_way.append(address)
            made.append(_as_function(address, scripts[address], take))
            done.add(under_way.pop())
        return _called(address)

    take(entry)
    return "\n".join(made)


def _called(address: str) -> str:
    return re.sub(r"\W", "_", address.removesuffix(".js"))


def _as_function(address: str, script: str, take: Callable[[str], str]) -> str:
    exported: list[str] = []

    def of(relative: str) -> str:
        return take(posixpath.normpath(posixpath.join(posixpath.dirname(address), relative)))

    def line(text: str) -> str:
        text = _LATER.sub(lambda found: of(found[1]), text)
        if found := _NAMES.fullmatch(text):
            return f"const {{ {found[1].replace(' as ', ': ')} }} = {of(found[2])};"
        if found := _WHOLE.fullmatch(text):
            return f"const {found[1]} = {of(found[2])};"
        if found := _ALONE.fullmatch(text):
            of(found[1])
            return ""
        if found := _DECLARED.fullmatch(text):
            exported.append(found[2])
            return found[1]
        if found := _LISTED.fullmatch(text):
            exported.extend(found[1].split(", "))
            return ""
        if found := _PASSED_ON.fullmatch(text):
            theirs = of(found[2])
            exported.extend(f"{name}: {theirs}.{name}" for name in found[1].split(", "))
            return ""
        if text.startswith(("import ", "export ")) or "import(" in text:
            raise NotTogether(f"{address}: {text}")
        return text

    # No text goes on over lines, so that what a line begins with is for people alone.
    body = "\n".join(line(text).lstrip() for text in script.splitlines() if text)
    return (
        f"const {_called(address)} = (() => {{\n{body}\nreturn {{ {', '.join(exported)} }};\n}})();"
    )
