"""The token that lets a command in at a server: from the file that --token-file names, else from
the environment. Never from the command line, which everybody on this computer can read."""

from __future__ import annotations

import argparse
import codecs
import os
import re
import shlex
import stat
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from api.commands import fail

if TYPE_CHECKING:
    from api.http import Token

VARIABLE: Final = "BOTHENDS_TOKEN"
# RFC 6750, section 2.1.
_TOKEN: Final = re.compile(r"[A-Za-z0-9._~+/-]{1,1000}=*")
_LARGEST: Final = 4096


def add_token_option(command: argparse.ArgumentParser, more: str = "") -> None:
    command.add_argument(
        "--token-file",
        type=Path,
        metavar="FILE",
        help="the file with the token that lets this computer in, readable by you alone"
        f" (default: what {VARIABLE} says){more}",
    )


def token_for(args: argparse.Namespace, url: str | None, told: bool = False) -> Token:
    """The token with which the server at `url` is asked; without an address none is.

    A file is read again when it has changed. Says once where the network can overhear it, but
    where that was `told`. Ends the command where it can't be right.
    """
    from api.http import TokenError, no_token

    if url is None:
        if args.token_file is not None:
            fail("--token-file is for a server; give the server's address as well")
        return no_token
    token = _of_file(args.token_file) if args.token_file is not None else _of_environment()
    try:
        found = token()
    except TokenError as error:
        fail(str(error))
    if found is not None and not told:
        _say_who_hears(url)
    return token


def token_words(args: argparse.Namespace) -> list[str]:
    """The words by which a command that is started later is told of the file, with its whole path.
    Ends this command where others may read it, or where it holds no token as far as this user may
    see."""
    from api.http import TokenError

    if args.token_file is None:
        return []
    path = args.token_file.expanduser().absolute()
    try:
        _check_private(path)
        if os.access(path, os.R_OK):
            _of_file(path)()
    except TokenError as error:
        fail(str(error))
    return ["--token-file", str(path)]


def _check_private(file: Path) -> None:
    """Raises TokenError where others than its owner may read a file that holds a token."""
    from api.http import TokenError

    try:
        there = file.stat()
    except OSError as error:
        raise TokenError(_cannot_be_read(file, error)) from None
    if sys.platform != "win32" and there.st_mode & 0o077 and not _of_systemd(file):
        raise TokenError(
            f"others may read {file}, and there is a token in it; run:"
            f" {shlex.join(['chmod', '600', str(file)])}"
        )


def _of_systemd(file: Path) -> bool:
    """Whether systemd has put it there for this service alone: it gives the right to read by an
    access control list, which looks like a right of the group (systemd.exec(5), CREDENTIALS)."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    return bool(folder) and file.parent == Path(folder or "")


def _of_environment() -> Token:
    said = os.environ.get(VARIABLE, "").strip()
    if said and not _TOKEN.fullmatch(said):
        fail(f"what {VARIABLE} says is no token; give what bothends token add printed")
    return lambda: said or None


def _of_file(file: Path) -> Token:
    """The token in `file`, read again when that has changed; of a pipe, once."""
    seen: tuple[int, ...] | None = None
    token = ""

    def read() -> str:
        nonlocal seen, token
        from api.http import TokenError

        try:
            there = file.stat()
            now = (there.st_ino, there.st_size, there.st_mtime_ns, there.st_ctime_ns)
            if seen is not None and (now == seen or not stat.S_ISREG(there.st_mode)):
                return token
            _check_private(file)
            with file.open("rb") as opened:
                data = opened.read(_LARGEST)
        except OSError as error:
            raise TokenError(_cannot_be_read(file, error)) from None
        token, seen = _one_token(file, data), now
        return token

    return read


def _one_token(file: Path, data: bytes) -> str:
    """Raises TokenError where `data` is not one token and nothing else; never quotes it."""
    from api.http import TokenError

    # Some editors put this mark before a text.
    lines = data.removeprefix(codecs.BOM_UTF8).split(maxsplit=1)
    if not lines:
        raise TokenError(f"{file} is empty; put into it what bothends token add printed")
    if len(lines) > 1:
        raise TokenError(f"{file} holds more than a token; put one token into it, on one line")
    if not lines[0].isascii():
        raise TokenError(f"{file} holds no token, since one is in ASCII; save it as plain text")
    text = lines[0].decode("ascii")
    if not _TOKEN.fullmatch(text):
        raise TokenError(
            f"{file} holds no token; put into it what bothends token add printed, and no more"
        )
    return text


def _cannot_be_read(file: Path, error: OSError) -> str:
    from api.access.codes import is_token

    if is_token(file.name):
        # Whoever gave it as an argument has shown it to everybody on this computer.
        return (
            "--token-file takes the name of a file, and a token was given; everybody on this"
            " computer can read a command line, so revoke that token, and put another one into a"
            " file that only you may read"
        )
    return (
        f"the token file {file} cannot be read ({error.strerror}); put into it what bothends token"
        " add printed"
    )


def _say_who_hears(url: str) -> None:
    from api.addresses import loopback

    parts = urlsplit(url)
    if parts.scheme == "http" and not loopback(parts.hostname or ""):
        print(
            f"bothends: the token goes to {parts.hostname} unencrypted, and who can overhear the"
            " network can use it; where the server has a certificate, give its https:// address",
            file=sys.stderr,
        )
