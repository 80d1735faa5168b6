"""`bothends install --timer`: a backup or a pull into a folder, again and again (systemd)."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any, Final

from api.commands import fail
from api.commands.backup import with_its_own_tools
from api.commands.fingerprint_said import fingerprint_words
from api.commands.settings_said import Said
from api.commands.token_said import token_words
from api.commands.units import STORE, shipped, through_systemd, unit_words, user_folder
from api.settings import PORT, program

_ROOTS_FILES: Final = ("--token-file",)
_SYSTEM: Final = "/etc/systemd/system"
_TITLES: Final = {
    "backup": "a checked copy of its store",
    "pull": "its history in files",
}


def add_options(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--timer",
        action="append",
        default=[],
        choices=tuple(_TITLES),
        help="a timer that copies the store (backup) or pulls trials.csv, readings.csv and"
        " history.zip (pull) into --folder; repeat for both",
    )
    command.add_argument("--folder", type=Path, metavar="DIR", help="where a timer puts its files")
    command.add_argument(
        "--every",
        choices=("hourly", "daily", "weekly"),
        default="daily",
        help="how often a timer runs (default: daily)",
    )
    command.add_argument(
        "--from",
        dest="source",
        metavar="URL",
        help="the server that --timer pull asks (default: the one on this computer)",
    )


def files(args: argparse.Namespace) -> list[tuple[str, str, str]]:
    """The units that the options ask for: each its path, its text, and what to run then, "" where
    nothing is. Ends the command where the options do not fit."""
    if not args.timer:
        if args.folder is not None or args.source is not None:
            fail("--folder and --from are for --timer; say which: --timer backup, --timer pull")
        return []
    if args.folder is None:
        fail("--timer needs the folder where it puts its files: --folder DIR")
    folder = args.folder.expanduser().absolute()
    if not folder.is_dir():
        fail(f"--folder {folder}: there is no such folder; make it first")
    made = []
    for what in dict.fromkeys(args.timer):
        name = f"{user_folder()}/systemd/user" if args.user else _SYSTEM
        name += f"/bothends-{what}"
        commands = _backup(args, folder) if what == "backup" else _pulls(args, folder)
        made += [
            (f"{name}.service", service(what, commands, folder, args.user), ""),
            (f"{name}.timer", timer(what, args.every), _next(what, args.user)),
        ]
    return made


def service(what: str, commands: list[list[str]], folder: Path, user: bool = False) -> str:
    """The unit that runs `commands`, one after the other, and may write into `folder`."""
    text = shipped("bothends-timed-user.service" if user else "bothends-timed.service")
    lines = []
    for words in commands:
        told, files = ([unit_words(words)], []) if user else through_systemd(words, _ROOTS_FILES)
        lines += [each for each in files if each not in lines] + [f"ExecStart={' '.join(told)}"]
    run = "\n".join(lines)
    # In a path only % and quotes are special (systemd.exec(5)).
    place = unit_words([str(folder)]).replace("$$", "$")
    return text.replace("@TITLE@", _TITLES[what]).replace("@RUN@", run).replace("@FOLDER@", place)


def timer(what: str, every: str) -> str:
    """The unit that starts the service of that name (systemd.timer(5))."""
    return (
        shipped("bothends-timed.timer").replace("@TITLE@", _TITLES[what]).replace("@EVERY@", every)
    )


def _backup(args: argparse.Namespace, folder: Path) -> list[list[str]]:
    _refuse_postgresql(args, folder)
    if args.db is not None:
        store = ["--db", args.db]
    elif not args.user:
        store = ["--data", STORE]
    elif args.config is None:
        store = []  # the user's own file is read each time
    else:
        named = Said({"config": args.config}, {})
        said = [(name, named.get(name)) for name in ("data", "db")]
        store = [word for name, place in said if place for word in (f"--{name}", str(place))]
    return [[str(program()), "backup", *store, "--to", str(folder / "bothends.sqlite")]]


def _pulls(args: argparse.Namespace, folder: Path) -> list[list[str]]:
    from api.addresses import server_url

    url = f"http://127.0.0.1:{_said(args, 'port') or PORT}"
    if args.source is not None:
        try:
            url = server_url(args.source)
        except ValueError as error:
            fail(f"--from {error}")
    elif _said(args, "cert") is not None:
        if args.fingerprint is None:
            fail(
                "--timer pull: the server on this computer serves https; say by which name its"
                " certificate knows it, --from https://NAME:PORT, or its --fingerprint"
            )
        url = url.replace("http:", "https:")
    pull = [str(program()), "pull", url, *token_words(args), *fingerprint_words(args, url)]
    return [
        [*pull, "--to", str(folder / "trials.csv")],
        [*pull, "--what", "readings", "--to", str(folder / "readings.csv")],
        [*pull, "--to", str(folder / "history.zip")],
    ]


def _refuse_postgresql(args: argparse.Namespace, folder: Path) -> None:
    """End the command where each backup would only say that PostgreSQL has tools of its own."""
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    from api.errors import InvalidField
    from api.store.urls import database_url

    try:
        url = make_url(database_url(_said(args, "db") or ""))
    except (ArgumentError, InvalidField):
        return  # the file is named, and what else can't be read the command itself says
    if url.get_backend_name() == "postgresql":
        fail(f"--timer backup: {with_its_own_tools(url, folder / 'bothends.dump')}")


def _said(args: argparse.Namespace, name: str) -> Any:
    """A setting of the server that the timers are for: by its option, else by its settings file."""
    given = getattr(args, name)
    if given is None and (args.config is not None or args.user):
        given = Said({"config": args.config}, {}).get(name)
    return given


def _next(what: str, user: bool) -> str:
    tool = "systemctl --user" if user else "sudo systemctl"
    lingers = " (and, to have it run while you are logged out: loginctl enable-linger)"
    return (
        f"{tool} daemon-reload && {tool} enable --now bothends-{what}.timer"
        f"{lingers if user else ''}; once at once, to see it work: {tool} start bothends-{what}"
    )
