"""What a reader asks of pip, looked through by pip itself, with nothing fetched or installed:
`python -m tests.whole.asked_of_pip install --no-deps --no-build-isolation .`.

What is fetched is asked for by its hash. The project itself then fetches nothing, also not what
builds it.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

from pip._internal.commands import create_command

PROJECT = Path(__file__).parents[2] / "pyproject.toml"


def main() -> None:
    command, *words = sys.argv[1:]
    options, asked = create_command(command).parse_args(words)
    assert command == "install"
    assert asked or options.requirements, "nothing to install"
    if asked:
        assert asked in (["."], [tomllib.loads(PROJECT.read_text())["project"]["name"]]), asked
        assert options.ignore_dependencies, "what it needs would come without a hash"
        assert not options.build_isolation, "what builds it would come without a hash"
    if options.requirements:
        assert options.require_hashes, "a file of hashes asks for them by itself; say it as well"
    for file in options.constraints + options.requirements:
        assert Path(file).is_file(), file


if __name__ == "__main__":
    main()
