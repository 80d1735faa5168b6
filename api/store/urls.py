"""Database URLs: where they come from, and how they are shown without their secrets."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from api.addresses import HIDDEN, without_secrets
from api.errors import InvalidField

# Names of libpq's parameters that are secrets themselves (PostgreSQL documentation, 34.1.2).
_SECRETS: Final = frozenset(("password", "sslpassword", "oauth_client_secret", "scram_client_key"))


def database_url(text: str) -> str:
    """The URL that is given, or that stands in the file which is given.

    `@FILE` means the contents of the file, so that no password is on a command line, which every
    user of a computer can read. Raises InvalidField where the file can't be read.
    """
    if not text.startswith("@"):
        return text
    try:
        found = Path(text[1:]).expanduser().read_text(encoding="utf-8").strip()
    except (OSError, UnicodeError, RuntimeError) as error:
        why = getattr(error, "strerror", None) or "it is not text"
        raise InvalidField("db", f"{text[1:]} cannot be read ({why}); give @ and a file") from None
    if not found or "\n" in found:
        raise InvalidField("db", f"{text[1:]} must hold one line, the database's URL")
    return found


def shown(url: str | URL) -> str:
    """A URL for people to read: without its password, even where it can't be parsed."""
    try:
        parsed = make_url(url)
        # A slash in the password makes the rest of it a part of the database's name.
        if parsed.get_backend_name() == "sqlite" or "@" not in (parsed.database or ""):
            secrets = {name: HIDDEN for name in parsed.query if name.lower() in _SECRETS}
            return parsed.update_query_dict(secrets).render_as_string(hide_password=True)
    except (ArgumentError, ValueError):  # the latter for a port that is no number, or no text
        pass
    return without_secrets(str(url))
