"""`bothends pull --follow`: each event of a bench as it happens, for as long as it runs."""

from __future__ import annotations

import argparse
import re
import signal
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final, NoReturn
from urllib.parse import quote

from api.commands import fail
from api.commands.fingerprint_said import fingerprint_for
from api.commands.stores import failed

if TYPE_CHECKING:
    from api.exports.followed import Followed, Reached
    from api.exports.sources import ServerSource
    from api.http import Token

_OUTPUT: Final = Path("-")
# The server sends something every 15 s.
_SILENT_S: Final = 45.0
_MOST_WAIT_S: Final = 15.0


def follow(args: argparse.Namespace, token: Token) -> int:
    """Run the command; the exit status."""
    from api.exports.followed import NotKept
    from api.exports.sources import (
        NoSuchQuestion,
        NotThere,
        OtherHistory,
        PullFailed,
    )
    from capture.spec import MAIN_BENCH

    _refuse_what_does_not_fit(args)
    bench = args.bench or MAIN_BENCH
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        with closing(_source(args, token)) as source:
            followed = _followed(args, source, bench)
            with closing(followed.memory):
                try:
                    _follow(source, bench, followed, args.after)
                except NotThere:
                    return failed(f"{source.name} answers, but is not bothends; check the address")
                except KeyboardInterrupt:
                    if followed.memory.reached is not None:
                        followed.look()
                    return 0
                except OtherHistory:
                    return failed(
                        f"the store of {source.name} is not the one that was followed: it was"
                        " restored from a backup or replaced. What happened there meanwhile is in"
                        " a pull without --follow; to follow from now on, move"
                        f" {args.cursor or f'{args.to} and {args.to}.cursor'} away"
                    )
    except NoSuchQuestion as error:
        fail(str(error))
    except (PullFailed, NotKept) as error:
        return failed(error)


def _source(args: argparse.Namespace, token: Token) -> ServerSource:
    from api.exports.sources import ServerSource

    fingerprint = fingerprint_for(args, args.url)
    return ServerSource(args.url, timeout=_SILENT_S, token=token, fingerprint=fingerprint)


def _refuse_what_does_not_fit(args: argparse.Namespace) -> None:
    if args.url is None:
        fail("--follow follows a running server; give its URL, such as http://127.0.0.1:8017")
    for name in ("data", "db", "what", "machine", "method", "since"):
        if getattr(args, name) is not None:
            fail(f"--follow gives every event of a bench; leave out --{name}")
    if args.format not in (None, "jsonl"):
        fail("--follow writes JSON Lines; leave out --format")
    if args.to != _OUTPUT and args.to.suffix.lower() != ".jsonl":
        fail(f"--to {args.to}: --follow writes JSON Lines; end the name with .jsonl")
    if args.to != _OUTPUT and args.cursor is not None:
        fail("--cursor is for --to -; beside a file FILE.cursor remembers how far it has come")
    for option, file in (("--to", args.to), ("--cursor", args.cursor)):
        if file is not None and not file.parent.is_dir():
            fail(f"{option} {file}: there is no folder {file.parent}; make it first")
    if args.bench is not None and re.search(r"[/\\]", args.bench):
        fail(f"--bench {args.bench}: no bench's name has a / or \\ in it")
    if args.after is not None and args.after < 0:
        fail("--after takes the number of an event; 0 is before the first")


def _followed(args: argparse.Namespace, source: ServerSource, bench: str) -> Followed:
    from api.exports.followed import FollowedFile, FollowedPipe, Memory

    if args.to != _OUTPUT:
        return FollowedFile(args.to, source.name, bench)
    cursor: Path | None = args.cursor
    memory = Memory(cursor, cursor or _OUTPUT, source.name, bench)
    return FollowedPipe(sys.stdout.fileno(), memory)


def _follow(source: ServerSource, bench: str, followed: Followed, begin: int | None) -> NoReturn:
    """Hand over events until the program is ended; come again whenever the server was away.

    Raises OtherHistory, NoSuchQuestion, BrokenPipeError, NotKept, and NotThere where it is another
    server that answers.
    """
    from api.exports.live_events import lines
    from api.exports.sources import NotLetIn, NotThere, PullFailed
    from capture.retry import Backoff

    backoff = Backoff(first=0.2, most=_MOST_WAIT_S)
    ever = away = False
    while True:
        trouble = f"{source.name} ended the stream"
        try:
            reached = _reached(source, bench, followed, begin)
            seen = reached.seen
            first = reached.after if seen is None else seen.number - 1
            with source.live(bench, first) as parts:
                come = False
                for new in lines(parts, bench, reached.after, seen):
                    if away:
                        failed(f"{source.name} is back")
                        away = False
                    if come:  # the first part comes from a server that fails after it, too
                        backoff.reset()
                    come = ever = True
                    if new:
                        followed.take(new)
                    else:
                        followed.look()
        except PullFailed as error:
            # What stands before a server may answer in its place while it is away, and a token that
            # was revoked can be replaced in its file.
            if isinstance(error, (NotThere, NotLetIn)) and not ever:
                raise
            trouble = str(error)
        if not away:
            failed(f"{trouble}; it is asked again until it is back")
            away = True
        time.sleep(backoff.next())


def _reached(source: ServerSource, bench: str, followed: Followed, begin: int | None) -> Reached:
    """How far the bench was followed; the first time, up to event number `begin` or up to now.

    Raises OtherHistory, NoSuchQuestion, PullFailed.
    """
    from api.exports.sources import NoSuchQuestion, OtherHistory, PullFailed

    now = source.ask("GET", f"/api/benches/{quote(bench, safe='')}")
    if not isinstance(now, dict) or not isinstance(now.get("last_event"), int):
        raise PullFailed(f"{source.name} answers, but is not bothends; check the address")
    latest: int = now["last_event"]
    if followed.memory.reached is None:
        if begin is not None and begin > latest:
            raise NoSuchQuestion(f"--after {begin}: the latest event there is number {latest}")
        followed.memory.begin(latest if begin is None else begin)
    reached = followed.memory.reached
    assert reached is not None
    if reached.after > latest:
        raise OtherHistory
    return reached
