"""The secrets that are handed out: tokens, cookies' values and one-time codes; and their hashes."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from typing import Final

from api.addresses import JOIN

TOKEN_PREFIX: Final = "bothends_"
"""So that a token that is found somewhere is known for one."""

# Crockford's base 32: no I, L, O or U, which are misread.
_LETTERS: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_MISREAD: Final = str.maketrans("OIL", "011", "- \t\r\n")
_CODE_LENGTH: Final = 10
# 48 of a secret's 256 bits find its row; the rest is compared.
_MARK: Final = 8


def new_token() -> str:
    """A token for a program: 256 random bits."""
    return TOKEN_PREFIX + secrets.token_urlsafe(32)


def is_token(text: str) -> bool:
    """Whether `text` looks like one of these tokens, known or not."""
    return re.fullmatch(rf"{TOKEN_PREFIX}[A-Za-z0-9_-]{{43}}", text) is not None


def new_code() -> str:
    """A one-time code that can be typed: 50 random bits."""
    return "".join(secrets.choice(_LETTERS) for _ in range(_CODE_LENGTH))


def as_shown(code: str) -> str:
    """A code in two halves, as it is easier to read."""
    return f"{code[: _CODE_LENGTH // 2]}-{code[_CODE_LENGTH // 2 :]}"


def with_code(address: str, code: str) -> str:
    """The address with which a device joins: what follows # is sent to no server, and stands in no
    log (RFC 9110, 4.2.5)."""
    return f"{address}#{JOIN}{as_shown(code)}"


def as_typed(text: str) -> str:
    """The code that a person typed, whatever the case, dashes and misread letters."""
    return text.upper().translate(_MISREAD)


def mark(token: str) -> str:
    """The part of a token or a cookie's value by which its row is found, and which says nothing of
    the rest."""
    return token.removeprefix(TOKEN_PREFIX)[:_MARK]


def digest(secret: bytes, text: str) -> bytes:
    """The keyed hash of a token, cookie or code (HMAC with SHA-256, RFC 2104). Without the key, a
    code of 50 bits could be found from its hash by trying."""
    return hmac.digest(secret, text.encode(), hashlib.sha256)


def same(one: bytes, other: bytes) -> bool:
    """Whether two hashes are the same, found in a time that does not tell where they differ."""
    return hmac.compare_digest(one, other)
