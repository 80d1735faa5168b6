"""What each operation needs, as SECURITY.md says it: made from the OpenAPI document.

`python -m tests.needs` prints the table; with `--write` it goes into SECURITY.md.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

from tests.manual import ROOT

SECURITY: Final = ROOT / "SECURITY.md"
_BEGIN: Final = "<!-- Written by python -m tests.needs --write -->\n"
_END: Final = "<!-- The end of what it writes -->\n"
_ORDER: Final = ("nothing", "read", "press", "run", "admin")


def table(document: dict[str, Any]) -> str:
    """A Markdown table with a line for each address, what needs least first."""
    lines = []
    for path, operations in document["paths"].items():
        needs = {method.upper(): need(operation) for method, operation in operations.items()}
        said = ", ".join(f"{method} {needs[method]}" for method in sorted(needs))
        lines.append((max(_ORDER.index(each) for each in needs.values()), path, said))
    rows = [f"| `{path}` | {said} |\n" for _, path, said in sorted(lines)]
    return "".join(("| address | needs |\n", "| --- | --- |\n", *rows))


def need(operation: dict[str, Any]) -> str:
    """The rung that an operation of the document names."""
    roles = {role for each in operation["security"] for of in each.values() for role in of}
    (said,) = roles or {"nothing"}
    return str(said)


def written(text: str) -> str:
    """The table that a text has between its marks."""
    return text.partition(_BEGIN)[2].partition(_END)[0].strip("\n") + "\n"


def with_table(text: str, new: str) -> str:
    """The text with another table between its marks. Raises ValueError where it has none."""
    before, begin, rest = text.partition(_BEGIN)
    _, end, after = rest.partition(_END)
    if not begin or not end:
        raise ValueError(f"{_BEGIN.strip()} and {_END.strip()} must be in it")
    return f"{before}{begin}\n{new}\n{end}{after}"


def _document() -> dict[str, Any]:
    from api.server import Server
    from api.settings import Settings
    from api.web.app import build

    with tempfile.TemporaryDirectory() as folder:
        server = Server(Settings(data=Path(folder)))
        server.close()
        return build(server).openapi()


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.needs", description=__doc__)
    parser.add_argument("--write", action="store_true", help="write it into SECURITY.md")
    args = parser.parse_args()
    made = table(_document())
    if args.write:
        SECURITY.write_text(with_table(SECURITY.read_text(encoding="utf-8"), made))
    else:
        sys.stdout.write(made)


if __name__ == "__main__":
    main()
