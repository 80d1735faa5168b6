"""What the units of `bothends install` are made from."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Final

STORE: Final = "/var/lib/bothends"
"""The folder of the system service's store."""
_ROOTS_FILES: Final = ("--config", "--db", "--token-file", "--cert", "--key")


def unit_words(words: Iterable[str]) -> str:
    """`words` quoted for a systemd unit (systemd.service(5), COMMAND LINES).

    Unlike in a shell, % and $ are special everywhere, and within double quotes nothing else is
    special but \\ and the quote itself.
    """
    quoted = []
    for word in words:
        plain = word.replace("%", "%%").replace("$", "$$")
        if not re.fullmatch(r"[A-Za-z0-9_@%$+=:,./-]+", plain):
            plain = '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'
        quoted.append(plain)
    return " ".join(quoted)


def through_systemd(
    words: Iterable[str], options: Iterable[str] = _ROOTS_FILES
) -> tuple[list[str], list[str]]:
    """`words`, each quoted, and the lines by which systemd gives the command the files that these
    options name: only root may be able to read them (systemd.exec(5), CREDENTIALS).

    A certificate in STORE it reads itself, also when that is renewed."""
    told, lines = [], []
    for before, word in pairwise(["", *words]):
        path = word.removeprefix("@")
        own = before in ("--cert", "--key") and Path(path).is_relative_to(STORE)
        if before in options and not own and (before != "--db" or path != word):
            name = before.removeprefix("--")
            lines.append(f"LoadCredential={name}:{path.replace('%', '%%')}")
            told.append(f"{'@' if path != word else ''}%d/{name}")
        else:
            told.append(unit_words([word]))
    return told, lines


def shipped(name: str) -> str:
    """The text of a file in api/system."""
    from importlib.resources import files

    return (files("api") / "system" / name).read_text(encoding="utf-8")


def user_folder() -> Path:
    """The folder of the user's own settings."""
    import platformdirs

    return platformdirs.user_config_path()
