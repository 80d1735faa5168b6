"""What a reader asks of pip, looked through by pip itself, with nothing fetched or installed:
`python -m tests.whole.asked_of_pip install '.[xlsx]'`."""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

from pip._internal.commands import create_command

PROJECT = Path(__file__).parents[2] / "pyproject.toml"


def main() -> None:
    command, *words = sys.argv[1:]
    options, asked = create_command(command).parse_args(words)
    assert command == "install"
    assert asked, "nothing to install"
    for file in options.constraints + options.requirements:
        assert Path(file).is_file(), file
    project = tomllib.loads(PROJECT.read_text())["project"]
    for each in asked:
        name, _, extras = each.partition("[")
        assert name in (".", project["name"]), each
        for extra in re.findall(r"\w+", extras):
            assert extra in project["optional-dependencies"], each


if __name__ == "__main__":
    main()
