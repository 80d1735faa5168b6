"""`bothends install`: start with the computer (systemd), and may open calipers (udev)."""

from __future__ import annotations

import argparse
import re
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from api.commands import fail, timers
from api.commands.fingerprint_said import add_fingerprint_option, fingerprint_words
from api.commands.serve import check_backups, settings_of
from api.commands.settings_said import SETTINGS, Said, add_settings, option_words
from api.commands.token_said import token_words
from api.commands.units import STORE, shipped, through_systemd, unit_words, user_folder
from api.settings import program

if TYPE_CHECKING:
    from api.commands import Subparsers

SYSTEM_UNIT: Final = "/etc/systemd/system/bothends.service"
USER_UNIT: Final = "systemd/user/bothends.service"
OF_A_SERVICE: Final = [each for each in SETTINGS if each.name not in ("data", "pretend")]
_ID: Final = re.compile(r"([0-9a-f]{4}):([0-9a-f]{4})")


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "install",
        help="start with the computer; let people and the service open calipers (Linux)",
        description="Write what makes a Linux computer start bothends by itself (--systemd) and"
        " lets people who are not root open calipers (--udev), or show it (--print). What was"
        " in such a file before is kept beside it. System files need root.",
    )
    command.add_argument(
        "--systemd", action="store_true", help="a service, under a user of its own, that serves"
    )
    command.add_argument(
        "--user",
        action="store_true",
        help="rather a service of yours, with your own store; needs no root",
    )
    command.add_argument(
        "--udev", action="store_true", help="a rule that opens the calipers named by --id"
    )
    command.add_argument(
        "--print", action="store_true", dest="show", help="show the files and write nothing"
    )
    command.add_argument(
        "--id",
        action="append",
        default=[],
        metavar="VID:PID",
        help="a caliper or its adapter for --udev, by the ids that bothends instruments or"
        " lsusb shows; repeat for more",
    )
    command.add_argument(
        "--bench-to",
        metavar="URL",
        help="a service that runs bothends bench: the calipers here, the server at URL",
    )
    command.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        help="the settings file of a service that serves, such as /etc/bothends.toml; root alone"
        " need be able to read it",
    )
    command.add_argument(
        "--token-file",
        type=Path,
        metavar="FILE",
        help="the file with the token that lets --bench-to, or --timer pull, in at the server;"
        " root alone need be able to read it",
    )
    add_fingerprint_option(command)
    # What the service is told, as `serve` is told it.
    add_settings(command, OF_A_SERVICE, said=False)
    timers.add_options(command)
    command.add_argument(
        "--root",
        type=Path,
        default=Path("/"),
        metavar="DIR",
        help="folder that stands for / (to build a package)",
    )


def run(args: argparse.Namespace) -> int:
    from capture.errors import SpecError
    from capture.finding import RULES_FILE
    from capture.spec import parse_spec

    if sys.platform != "linux":
        fail("systemd and udev are Linux's; here, have the system start bothends serve at login")
    if not (args.systemd or args.udev or args.show or args.timer):
        fail("say what to install: --systemd, --udev or --timer; add --print to see it first")
    if args.port is not None and not 0 < args.port <= 65535:
        fail(f"--port {args.port} is not a port; give one from 1 to 65535")
    if args.backups is not None:
        check_backups(args.backups)
    if args.db is not None:
        _check_db(args)
    if args.token_file is not None and args.bench_to is None and "pull" not in args.timer:
        fail("--token-file lets in at a server; it is for --bench-to or --timer pull")
    if args.fingerprint is not None and args.bench_to is None and "pull" not in args.timer:
        fail("--fingerprint is of a server's certificate; it is for --bench-to or --timer pull")
    ids = list(args.id)
    for text in args.caliper or ():
        try:
            spec = parse_spec(text)
        except SpecError as error:
            fail(f"--caliper {text}: {error}")
        if spec.vid is not None:
            ids.append(f"{spec.vid:04x}:{spec.pid:04x}")
    everything = not (args.systemd or args.udev or args.timer)
    files: list[tuple[Path, str, str]] = []
    if args.systemd or everything:
        told = _serve_words(args) if args.bench_to is None else _bench_words(args)
        words = [str(program()), *told]
        if args.user:
            place = _below(args.root, str(user_folder() / USER_UNIT))
            then = _USER_NEXT + ("" if args.bench_to else _first_let_in(words[0], args))
            files.append((place, unit(words, user=True), then))
        else:
            hidden = _hidden_from_others(Path(words[0]))
            if hidden is not None:
                print(
                    f"bothends: the service would not start, since its own user may not look"
                    f" into {hidden}, where this program is; install the program where everyone"
                    f" may look, in the project's folder: {_WHERE_ALL_LOOK}; then run"
                    " /opt/bothends/bin/bothends install in the same way; or use --user",
                    file=sys.stderr,
                )
            then = _SYSTEM_NEXT
            if args.bench_to is None:
                then += _first_let_in(words[0], args) + _store_said(words[0], args)
            files.append((_below(args.root, SYSTEM_UNIT), unit(words), then))
    if args.udev or (everything and ids):
        try:
            place = _below(args.root, RULES_FILE)
            files.append((place, rules([*_opened_before(place), *ids] if ids else []), _RULES_NEXT))
        except ValueError as fault:
            fail(str(fault))
    files += [(_below(args.root, path), text, then) for path, text, then in timers.files(args)]
    for path, text, then in files:
        if args.show:
            print(f"# {path}\n{text}")
        else:
            _put(path, text)
            if then:
                print(f"    then run: {then}")
    return 0


_WHERE_ALL_LOOK: Final = (
    "sudo python3 -m venv /opt/bothends"
    " && sudo /opt/bothends/bin/pip install -q --require-hashes -r requirements.txt"
    " && sudo /opt/bothends/bin/pip install -q --no-deps --no-build-isolation ."
)
_SYSTEM_NEXT: Final = "sudo systemctl daemon-reload && sudo systemctl enable --now bothends"
_USER_NEXT: Final = (
    "systemctl --user daemon-reload && systemctl --user enable --now bothends"
    " (and, to have it run while you are logged out: loginctl enable-linger)"
)
_RULES_NEXT: Final = "sudo udevadm control --reload && sudo udevadm trigger"


def _first_let_in(command: str, args: argparse.Namespace) -> str:
    """How the first phone is let in, where the service answers other computers: it has no terminal
    to show a code on."""
    from api.addresses import loopback

    said = Said(vars(args), {})
    if not said.get("behind") and loopback(said.get("host", "127.0.0.1")):
        return ""
    where = "" if args.user else f" --data {STORE}"
    asked = f"{'' if args.user else 'sudo '}{command} access invite --may admin{where}"
    return f"\n    then let the first phone in: {asked}"


def _store_said(command: str, args: argparse.Namespace) -> str:
    """Where the service's store lies, and how other commands are told so."""
    if args.db is not None:
        return f"\n    other commands find its store so: sudo {command} doctor --db {args.db}"
    asked = f"sudo {command} doctor --data {STORE}"
    if args.config is not None and Said({"config": args.config}, {}).get("db"):
        asked = f"sudo env BOTHENDS_CONFIG={args.config.absolute()} {command} doctor"
    else:
        asked += f" (it is in {STORE})"
    return f"\n    other commands find its store so: {asked}"


def _serve_words(args: argparse.Namespace) -> list[str]:
    """The command of a service that serves."""
    words = ["serve"]
    if args.config is not None:
        words += ["--config", str(_readable("--config", args.config))]
        said = Said({"config": args.config}, {})
        in_file = settings_of(said)
        if not args.user:
            _refuse_files_elsewhere(said.where("data"), said.get("data") and "sqlite:")
            _refuse_files_elsewhere(said.where("db"), in_file.db)
            if args.cert is None:
                _refuse_certificate_elsewhere(said.where("cert"), in_file.cert)
    if (args.cert is None) != (args.key is None):
        fail("--cert and --key belong together; give both, or neither")
    if args.cert is not None:
        args.cert, args.key = _readable("--cert", args.cert), _readable("--key", args.key)
    return [*words, *option_words(vars(args), OF_A_SERVICE)]


def _check_db(args: argparse.Namespace) -> None:
    """Give the file of --db its whole path. Ends the command where units cannot tell of --db."""
    from api.errors import InvalidField
    from api.store.urls import database_url, shown

    try:
        url = database_url(args.db)
    except InvalidField as error:
        fail(f"--db: {error.message}")
    if args.db.startswith("@"):
        args.db = f"@{_readable('--db', Path(args.db[1:]))}"
    elif "***" in shown(url):
        fail(
            "--db: everybody may read what a service is told, and this has a password in it;"
            " put the URL into a file that only root may read, and give --db @FILE"
        )
    if not args.user:
        _refuse_files_elsewhere("--db", url)


def _refuse_files_elsewhere(where: str, url: str | None) -> None:
    """End the command where the system's service is to keep its store in a file elsewhere."""
    if url is not None and url.startswith("sqlite"):
        fail(
            f"{where}: the service writes no file but those in {STORE}, where its own store is;"
            " leave it out, and take over another store by bothends move"
        )


def _refuse_certificate_elsewhere(where: str, file: Path | None) -> None:
    """End the command where the system's service may not be able to read a certificate."""
    if file is not None and not file.is_relative_to(STORE):
        fail(
            f"{where}: the service's own user may not be able to read {file} and its key; give"
            " --cert and --key here, and systemd reads them for it"
        )


def _readable(option: str, file: Path) -> Path:
    """The whole path of a file that the service reads. Ends the command where there is none."""
    path = file.expanduser().absolute()
    if not path.is_file():
        fail(f"{option} {file}: there is no such file; write it first")
    return path


def _bench_words(args: argparse.Namespace) -> list[str]:
    """The command of a service that hands its readings to a server."""
    from api.addresses import server_url

    serves = [each for each in OF_A_SERVICE if each.name != "caliper"]
    given = option_words(vars(args), serves)[::2] + ["--config"] * (args.config is not None)
    if given:
        fail(f"{given[0]} is for a service that serves; with --bench-to it serves nothing")
    if not args.caliper:
        fail("--bench-to needs the calipers of this bench: --caliper SPEC, repeated for more")
    try:
        url = server_url(args.bench_to)
    except ValueError as error:
        fail(f"--bench-to {error}")
    known = [*token_words(args), *fingerprint_words(args, url)]
    return ["bench", "--to", url, *known, *option_words(vars(args), OF_A_SERVICE)]


def unit(words: Sequence[str], user: bool = False) -> str:
    """The systemd unit that runs `words`, for the system or for one user.

    The system's keeps its store in STORE, the user's where `serve` does. The system's reads the
    files that --config, --db, --token-file, --cert and --key name through systemd.
    """
    if user:
        return shipped("bothends-user.service").replace("@COMMAND@", unit_words(words))
    told, files = through_systemd(words)
    # What a settings file says of the store goes before this folder, which an option would not.
    if "--config" in words:
        files.append(f"Environment=XDG_DATA_HOME={Path(STORE).parent}")
    else:
        told[2:2] = ["--data", STORE]
    text = shipped("bothends.service").replace("@COMMAND@", " ".join(told))
    return text.replace("@FILES@", "\n".join(files) or "# It reads no file of root's.")


def _opened_before(file: Path) -> list[str]:
    """The ids for which a rule in `file` already opens calipers."""
    try:
        text = file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return []
    ids = r'ATTRS\{idVendor\}=="([0-9a-f]{4})", ATTRS\{idProduct\}=="([0-9a-f]{4})"'
    found = re.findall(rf'^SUBSYSTEMS=="usb", {ids}', text, re.M)
    return [f"{vendor}:{product}" for vendor, product in found]


def rules(ids: Sequence[str]) -> str:
    """The udev rules for calipers by their USB ids, each "VID:PID" in hexadecimal.

    Raises ValueError without ids, or naming the first that is not a pair of ids.
    """
    if not ids:
        raise ValueError("say which calipers: --id VID:PID, as bothends instruments shows it")
    lines = []
    for text in dict.fromkeys(each.lower() for each in ids):
        parts = _ID.fullmatch(text)
        if parts is None:
            raise ValueError(
                f"--id {text} is not a pair of USB ids; give 2 times 4 hexadecimal digits,"
                " such as 1209:0001"
            )
        vendor, product = parts.groups()
        mark = 'ENV{BOTHENDS_CALIPER}="1"'
        lines += [
            f'SUBSYSTEMS=="usb", ATTRS{{idVendor}}=="{vendor}", ATTRS{{idProduct}}=="{product}",'
            f" {mark}",
            f'SUBSYSTEMS=="hid", KERNELS=="*:{vendor.upper()}:{product.upper()}.*", {mark}',
        ]
    return shipped("70-bothends.rules").replace("@CALIPERS@", "\n".join(lines))


def _below(root: Path, path: str) -> Path:
    return root.absolute() / path.lstrip("/")


def _hidden_from_others(command: Path) -> Path | None:
    """The first folder on the path to the program or its interpreter that others may not enter."""
    for each in (command, Path(sys.executable).resolve(), Path(__file__).resolve()):
        for folder in reversed(each.parents):
            if folder.exists() and not folder.stat().st_mode & 0o001:
                return folder
    return None


def _put(path: Path, text: str) -> None:
    """Write `text`, keeping a copy of the previous file."""
    before = path.with_name(path.name + ".before")
    try:
        if path.exists():
            if path.read_text(encoding="utf-8", errors="replace") == text:
                print(f"{path} is there already")
                return
            path.replace(before)
            print(f"what was in {path} is now in {before}")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        path.chmod(0o644)
    except PermissionError:
        again = shlex.join(["sudo", str(program()), *sys.argv[1:]])
        fail(f"only root may write {path}; run: {again}   (or add --print to see it)")
    except OSError as fault:
        fail(f"{path} cannot be written: {fault.strerror}; use --print and put it there yourself")
    print(f"written: {path}")
