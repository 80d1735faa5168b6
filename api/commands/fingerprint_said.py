"""The certificate by which a command knows a server whose certificate no authority vouches for."""

from __future__ import annotations

import argparse

from api.commands import fail


def add_fingerprint_option(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--fingerprint",
        metavar="SHA256",
        help="ask only the server whose certificate has this fingerprint, as bothends access"
        " certificate shows it there (default: one that this computer's authorities vouch for)",
    )


def fingerprint_for(args: argparse.Namespace, url: str | None) -> str | None:
    """The fingerprint of the server at `url`; None where none is said. Ends the command where it
    can't be right."""
    from api.certificates import typed_fingerprint

    if args.fingerprint is None:
        return None
    try:
        found = typed_fingerprint(args.fingerprint)
    except ValueError as error:
        fail(f"--fingerprint: {error}; run on the server's computer: bothends access certificate")
    if url is None or not url.lower().startswith("https://"):
        fail("--fingerprint is of a server's certificate; give its address with https://")
    return found


def fingerprint_words(args: argparse.Namespace, url: str) -> list[str]:
    """The words by which a command that is started later is told of it."""
    found = fingerprint_for(args, url)
    return [] if found is None else ["--fingerprint", found]
