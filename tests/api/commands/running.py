"""A command in this process, as `bothends` runs it."""

from __future__ import annotations

from typing import cast

from api.cli import main


def status(*words: object) -> int:
    """The exit status of the command that these words give."""
    try:
        return main([str(word) for word in words])
    except SystemExit as ended:
        return cast(int, ended.code)
