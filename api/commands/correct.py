"""`bothends correct`: what was said wrong, said right, with the trail; and the undoing of it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple
from urllib.parse import quote
from uuid import UUID

from analysis.sentences import plain
from api.commands import correction_shown as shown
from api.commands import fail
from api.commands.fingerprint_said import add_fingerprint_option, fingerprint_for
from api.commands.settings_said import DB_HELP
from api.commands.stores import failed, open_existing, store_url
from api.commands.token_said import add_token_option, token_for

if TYPE_CHECKING:
    from api.commands import Subparsers
    from api.exports.sources import ServerSource

_LATEST: Final = 20
_A_PAGE: Final = 500
_LENGTHS: Final = "baseline, thickness, inset, jaw_width, unit (of these), readings_unit"


class Request(NamedTuple):
    """What is asked of the server; `body` without who and why."""

    method: str
    path: str
    body: dict[str, Any]


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "correct",
        help="correct what was said wrong, or undo a correction",
        description="Corrects what was said of a series, a strip, a reading, a machine, a stop, a"
        " work, a setup change, a caliper or a person, through a running server (--to) or on a"
        " store that no server has open. What was said before stays on record, with who corrected"
        " it and why. Without saying which one, lists the latest.",
    )
    which = command.add_subparsers(title="what", dest="what", required=True, metavar="WHAT")
    common = _common()

    def of(name: str, help: str) -> argparse.ArgumentParser:
        return which.add_parser(name, help=help, description=help.capitalize(), parents=[common])

    _add_measured(of)
    _add_known(of)
    undo = of("undo", "undo a correction, and all that was corrected together with it")
    undo.add_argument("id", metavar="ID", nargs="?", help="without it, the latest corrections")


_Of = Callable[[str, str], argparse.ArgumentParser]


def _add_measured(of: _Of) -> None:
    series = of("series", "the settings of a series")
    series.add_argument("id", metavar="ID", nargs="?", help="without it, the latest are listed")
    settings = f"machine, stop, work, method, {_LENGTHS}, strip_side, pieces, tolerance_deg, note"
    _settable(series, f"{settings}, ...")
    strip = of(
        "strip",
        "a strip: its ends, whether it counts, to which visit and series it belongs",
    )
    strip.add_argument("series", metavar="SERIES")
    strip.add_argument("number", metavar="NUMBER", nargs="?", help="without it, all strips")
    strip.add_argument(
        "act",
        nargs="?",
        choices=("swap-ends", "leave-out", "count-again", "away", "stayed", "move"),
        metavar="ACT",
        help="swap-ends, leave-out, count-again, away (the machine was swung away and back before"
        " this strip), stayed (it was not) or move",
    )
    strip.add_argument("--into", metavar="SERIES", help="move: to this series, else to a new one")
    strip.add_argument("--rest", action="store_true", help="move: all later strips too")
    reading = of("reading", "a reading that counts and should not, or the other way round")
    reading.add_argument("id", metavar="ID", help="as `bothends correct strip SERIES` shows it")
    reading.add_argument(
        "act", choices=("take-back", "restore"), metavar="ACT", help="take-back or restore"
    )


def _add_known(of: _Of) -> None:
    machine = of("machine", "a machine: its name, kind and note, whether it is in the lists")
    machine.add_argument("id", metavar="NAME", nargs="?")
    machine.add_argument("--rename", metavar="NEW")
    machine.add_argument("--merge-into", metavar="OTHER", help="both are one machine, OTHER")
    _settable(machine, "name, kind, note, retired (true or false)")
    stop = of("stop", "a stop of a machine: its name and note, how often it is to be checked")
    stop.add_argument("id", metavar="NAME", nargs="?", help="or its id")
    stop.add_argument("--of", metavar="MACHINE", help="whose stop it is, or whose to list")
    stop.add_argument("--rename", metavar="NEW")
    _settable(
        stop,
        "name, note, check_days, retired (true or false); nominal_deg, bevel_deg while no series"
        " belongs to it",
    )
    work = of("work", "a work: its name, need and note, whether it is in the lists")
    work.add_argument("id", metavar="NAME", nargs="?", help="or its id")
    work.add_argument("--rename", metavar="NEW")
    _settable(work, "name, tolerance_deg, gap, joint, unit (of these), note, retired")
    setup = of("setup-change", "what happened to a machine, and when")
    setup.add_argument("id", metavar="ID", nargs="?")
    setup.add_argument("--of", metavar="MACHINE", help="without ID: whose to list")
    _settable(setup, "at, kind, note, withdrawn (true or false)")
    caliper = of("caliper", "a caliper: its name, note, jaws and unit, whether it is in the lists")
    caliper.add_argument("id", metavar="NAME", nargs="?")
    caliper.add_argument("--rename", metavar="NEW", help="another one's name makes them one")
    _settable(
        caliper,
        "name, note, jaw_width, unit (of that), readings_unit, retired, check_days, certificate",
    )
    person = of("person", "the name of a person, wherever it stands; the old one is not kept")
    person.add_argument("id", metavar="NAME", nargs="?")
    person.add_argument("--rename", metavar="NEW")
    person.add_argument("--anonymous", action="store_true", help="a name that is nobody's")


def _common() -> argparse.ArgumentParser:
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--to", metavar="URL", help="a running server: http://HOST:PORT")
    add_token_option(common)
    add_fingerprint_option(common)
    common.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of the store (default: yours, by platform)"
    )
    common.add_argument("--db", metavar="URL", help=DB_HELP)
    common.add_argument("--dry-run", action="store_true", help="only say which results would move")
    common.add_argument("--who", metavar="NAME", help="who corrects")
    common.add_argument("--reason", metavar="WHY")
    return common


def _settable(command: argparse.ArgumentParser, names: str) -> None:
    command.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help=f"{names}; nothing after the = clears it; may be repeated",
    )


def run(args: argparse.Namespace) -> int:
    from sqlalchemy.exc import DBAPIError

    from api.exports.sources import NoSuchQuestion, PullFailed
    from api.store.engine import StoreError

    if sum(each is not None for each in (args.data, args.db, args.to)) > 1:
        fail("give one of --data, --db and --to, not several")
    try:
        with _server(args) as server:
            request = _REQUESTS[args.what](server, args)
            if request is not None:
                _correct(server, args, request)
    except NoSuchQuestion as error:
        fail(str(error))
    except (PullFailed, StoreError) as error:
        return failed(error)
    except DBAPIError as error:
        return failed(f"the store did not answer ({error.orig}); nothing was corrected")
    return 0


def _correct(server: ServerSource, args: argparse.Namespace, request: Request) -> None:
    said = {"who": args.who, "reason": args.reason}
    body = request.body | {name: text for name, text in said.items() if text is not None}
    query = "?dry_run=results" if args.dry_run else ""
    done = server.ask(request.method, request.path + query, json.dumps(body).encode())
    if args.dry_run:
        shown.show_moved(args, done)
        return
    print("corrected" if args.what != "undo" else "undone")
    if args.what == "person":
        print(" ".join([f"it is {done['name']} now.", *done["still"]]))
    if getattr(args, "act", None) == "move":
        print(f"series {done['id']} has it now")


# ---------------------------------------------------------------- where it is asked


@contextmanager
def _server(args: argparse.Namespace) -> Iterator[ServerSource]:
    """A running server, or one in this process on a store that no other has open: so what a
    correction is, and what is wrong with one, is known in one place."""
    from api.exports.sources import NotThere, PullFailed, ServerSource

    token = token_for(args, args.to)
    with ExitStack() as opened:
        if args.to is not None:
            fingerprint = fingerprint_for(args, args.to)
            server = ServerSource(args.to, token=token, fingerprint=fingerprint, may="--may run")
        else:
            server = ServerSource(_HERE, opened.enter_context(_on_store(args)))
        opened.callback(server.close)
        try:
            server.ask("GET", "/api/changes?limit=1")
        except NotThere:
            raise PullFailed(
                f"{server.name} is no bothends, or an older one that takes no corrections; check"
                " the address, or bring that server up to date"
            ) from None
        yield server


_HERE: Final = "http://127.0.0.1:8017"


@contextmanager
def _on_store(args: argparse.Namespace) -> Iterator[Any]:
    from api.commands.in_process import InProcess
    from api.commands.stores import data_folder
    from api.server import Server
    from api.settings import Settings
    from api.store.engine import StoreError, sqlite_file
    from api.store.in_use import alone
    from api.web.app import build

    url = store_url(args)
    engine = open_existing(url)
    path = sqlite_file(engine.url)
    engine.dispose()
    if path is not None:
        try:
            with alone(path):
                pass
        except StoreError as error:
            raise StoreError(f"{error}; or correct through that server, with --to URL") from None
    server = Server(Settings(data=data_folder(args), db=url))
    try:
        yield InProcess(build(server))
    finally:
        server.close()


# ---------------------------------------------------------------- what is asked


def _values(args: argparse.Namespace) -> dict[str, Any]:
    """What --set and --rename say, as a body."""
    values: dict[str, Any] = {}
    for text in args.set:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            fail(f"--set {text!r}: give a name and a value, such as note=damp")
        values[name.strip()] = value.strip() or None
    if getattr(args, "rename", None) is not None:
        values["name"] = args.rename
    if not values:
        fail(f"say what to correct, with --set NAME=VALUE; bothends correct {args.what} --help")
    return values


def _lists(args: argparse.Namespace) -> bool:
    """Whether no subject is named; a correction that names none is not taken for a wish to list."""
    if args.id is None and any(
        getattr(args, name, None) for name in ("set", "rename", "merge_into", "dry_run")
    ):
        fail(f"say which {args.what.replace('-', ' ')}; bothends correct {args.what} lists them")
    return args.id is None


def _series(server: ServerSource, args: argparse.Namespace) -> Request | None:
    if _lists(args):
        found = server.ask("GET", f"/api/series?limit={_LATEST}")["series"]
        shown.listed(found, lambda each: f"{each['id']}  {shown.head(each)}")
        return None
    return Request("PATCH", f"/api/series/{_quoted(args.id)}", _values(args))


def _strip(server: ServerSource, args: argparse.Namespace) -> Request | None:
    path = f"/api/series/{_quoted(args.series)}"
    if args.number is None or args.act is None:
        found = server.ask("GET", path)
        _show_strips(found, args.number)
        return None
    body: dict[str, Any] = {}
    if args.act == "move":
        body = {"rest": args.rest} | ({} if args.into is None else {"to": args.into})
    elif args.into is not None or args.rest:
        fail(f"--into and --rest are for move, not for {args.act}")
    return Request("POST", f"{path}/trials/{_quoted(args.number)}/{args.act}", body)


def _show_strips(series: Any, number: str | None) -> None:
    trials = [each for each in series["trials"] if number in (None, str(each["number"]))]
    if number is not None and not trials:
        fail(f"this series has no strip {number}; without a number all are listed")
    for trial in trials:
        print(f"strip {trial['number']}, {trial['state']}")
        shown.listed(trial["readings"], lambda r: f"  {r['id']}  {r['place']}: {r['sent'].strip()}")
    for reading in series["aside"] if number is None else ():
        print(f"  {reading['id']}  {reading['sent'].strip()}, {reading['why']}")


def _reading(_server: ServerSource, args: argparse.Namespace) -> Request:
    return Request("POST", f"/api/readings/{_quoted(args.id)}/{args.act}", {})


def _machine(server: ServerSource, args: argparse.Namespace) -> Request | None:
    if _lists(args):
        found = server.ask("GET", "/api/machines?retired=true")
        shown.listed(found, shown.called)
        return None
    path = f"/api/machines/{_machine_id(server, args.id)}"
    if args.merge_into is None:
        return Request("PATCH", path, _values(args))
    if args.set or args.rename is not None:
        fail("--merge-into: merge first, then correct the name and the rest")
    return Request("POST", f"{path}/merge", {"into": args.merge_into})


def _machine_id(server: ServerSource, name: str) -> str:
    machines = server.ask("GET", "/api/machines?retired=true")
    return _named(
        machines, name, f"there is no machine {name}; bothends correct machine lists them"
    )


def _named(every: Sequence[Any], name: str, none: str) -> str:
    """The id of the one with this id or name; where there is none, says so and ends."""
    from api.store.rows.machines import alike

    found = [e["id"] for e in every if name == e["id"] or alike(name) == alike(e["name"])]
    if not found:
        fail(none)
    return str(found[0])


def _is_id(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True


def _stop(server: ServerSource, args: argparse.Namespace) -> Request | None:
    listing = _lists(args)
    if args.of is None:
        if listing or not _is_id(args.id):
            fail("say of which machine, with --of MACHINE")
        return Request("PATCH", f"/api/stops/{args.id}", _values(args))
    machine = _machine_id(server, args.of)
    stops = server.ask("GET", f"/api/machines/{machine}/stops?retired=true")
    if listing:
        shown.listed(stops, _angles)
        return None
    stop = _named(stops, args.id, f"{args.of} has no stop {args.id}; correct stop --of lists them")
    return Request("PATCH", f"/api/stops/{stop}", _values(args))


def _angles(stop: Any) -> str:
    """ "45 left, -45 degrees, retired"."""
    bevel = f", bevel {plain(stop['bevel_deg'])}" if stop["bevel_deg"] else ""
    return shown.called(stop, f", {plain(stop['nominal_deg'])} degrees{bevel}")


def _work(server: ServerSource, args: argparse.Namespace) -> Request | None:
    works = server.ask("GET", "/api/works?retired=true")
    if _lists(args):
        shown.listed(works, shown.called)
        return None
    work = _named(works, args.id, f"there is no work {args.id}; bothends correct work lists them")
    return Request("PATCH", f"/api/works/{work}", _values(args))


def _setup_change(server: ServerSource, args: argparse.Namespace) -> Request | None:
    if not _lists(args):
        return Request("PATCH", f"/api/setup-changes/{_quoted(args.id)}", _values(args))
    if args.of is None:
        fail("say which one, by its id; with --of MACHINE its setup changes are listed")
    history = server.ask("GET", f"/api/machines/{_machine_id(server, args.of)}/history")
    shown.listed(
        history["setup_changes"],
        lambda each: (
            f"{each['id']}  {shown.moment(each['at'])}, {each['kind']}"
            + (f": {each['note']}" if each["note"] else "")
        ),
    )
    return None


def _caliper(server: ServerSource, args: argparse.Namespace) -> Request | None:
    if _lists(args):
        found = server.ask("GET", "/api/calipers?retired=true")
        shown.listed(found, lambda each: each["name"] + (", retired" if each["retired"] else ""))
        return None
    return Request("PATCH", f"/api/calipers/{_quoted(args.id)}", _values(args))


def _person(server: ServerSource, args: argparse.Namespace) -> Request | None:
    people = server.ask("GET", "/api/people")
    if _lists(args):
        shown.listed(people, lambda each: str(each["name"]))
        return None
    if (args.rename is None) is not args.anonymous:
        fail("say the new name, with --rename NEW, or that there is none, with --anonymous")
    if args.dry_run:
        fail("--dry-run: the name of a person moves no result")
    found = [each["id"] for each in people if args.id in (each["id"], each["name"])]
    if not found:
        fail(f"nobody called {args.id} is named in the log; bothends correct person lists them")
    body = {"anonymous": True} if args.anonymous else {"name": args.rename}
    return Request("PATCH", f"/api/people/{found[0]}", body)


def _undo(server: ServerSource, args: argparse.Namespace) -> Request | None:
    if args.id is not None:
        return Request("POST", f"/api/changes/{_quoted(args.id)}/undo", {})
    found: list[Any] = []
    after = ""
    while page := server.ask("GET", f"/api/changes?limit={_A_PAGE}{after}"):
        found = [*found, *page][-_LATEST:]
        after = f"&after={page[-1]['id']}"
    shown.listed(found, shown.change)
    return None


_REQUESTS: Final[dict[str, Callable[[ServerSource, argparse.Namespace], Request | None]]] = {
    "series": _series,
    "strip": _strip,
    "reading": _reading,
    "machine": _machine,
    "stop": _stop,
    "work": _work,
    "setup-change": _setup_change,
    "caliper": _caliper,
    "person": _person,
    "undo": _undo,
}


def _quoted(text: str) -> str:
    return quote(text, safe="")
