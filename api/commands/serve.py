"""`bothends serve`: calipers, store, API and pages in one process."""

from __future__ import annotations

import argparse
import asyncio
import errno
import gc
import ipaddress
import logging
import os
import re
import shlex
import signal
import socket
import sys
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, Final, NoReturn

from api.commands import SPEC_OPTIONS, SpecHelp, fail
from api.commands.files import allow_files
from api.commands.settings_said import CONFIG_HELP, SAID_HELP, Said, add_settings
from api.commands.stores import named_store, own_folder
from api.settings import DAILY_BACKUPS, PORT

if TYPE_CHECKING:
    from api.access.book import Book
    from api.commands import Subparsers
    from api.server import Server
    from api.settings import Settings
    from api.web.tls import Served

_log = logging.getLogger(__name__)

_MOST_BACKUPS: Final = 366
_NONE_LEFT: Final = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)
_QUIET_S: Final = 60.0
_LOOK_AT_FILES_S: Final = 1.0
# What requests have left when the program is stopped, and the program itself after its last commit.
_REQUESTS_END_S: Final = 5
_ENDS_S: Final = 5
_OVERHEARD: Final = (
    "bothends: without --cert and --key everybody on the network can overhear what is sent; make"
    " them with: {}"
)
_KNOWN_BY: Final = (
    "bothends: where a browser warns of the certificate, go on only if it shows this SHA-256"
    " fingerprint: {0.fingerprint}"
)


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "serve",
        formatter_class=SpecHelp,
        epilog=SPEC_OPTIONS,
        help="calipers, store, API and pages in one process",
        description="Takes readings, keeps them, scores them and shows them, until it is stopped"
        f" with Ctrl-C. {SAID_HELP}",
    )
    add_settings(command)
    command.add_argument("--config", type=Path, metavar="FILE", help=CONFIG_HELP)
    command.add_argument("--seed", type=int, default=1, help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    said = Said(vars(args))
    settings = settings_of(said, args.seed)
    served = _served(settings)
    listener = _listener(settings.host, settings.port, said.where("host"), said.where("port"))
    # After the port is bound, so that a second server on one store by mistake changes nothing.
    from api.instruments.listening import remembered
    from api.server import Server
    from api.store.engine import StoreError

    files = allow_files(len(settings.calipers) + remembered(settings.data))
    if settings.pretend:
        _only_its_own(settings, listener)
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    try:
        server = Server(settings)
    except StoreError as error:
        listener.close()
        fail(str(error))
    # uvicorn stops on these signals by itself and then raises them again here, where the
    # instruments must still commit what they heard.
    for sig in (signal.SIGINT, signal.SIGTERM):
        signal.signal(sig, _end)
    try:
        if not server.condition.damaged:
            _look_whether_invented(server)
        server.start()
        _serve(server, listener, files, served)
    finally:
        server.close()
        listener.close()
    return 0


def _served(settings: Settings) -> Served | None:
    """The certificate that is served; None where there is none. Ends the command where it cannot
    be, and says what is doubtful about it."""
    if settings.cert is None or settings.key is None:
        return None
    from api.web.tls import Served, Unusable

    try:
        return Served(settings.cert, settings.key)
    except Unusable as fault:
        fail(str(fault))


def _only_its_own(settings: Settings, listener: socket.socket) -> None:
    """End the command where the demo would write invented readings into a store of real ones."""
    from sqlalchemy.exc import DBAPIError

    from api.demo import may_open
    from api.store.engine import StoreError, file_in, open_engine, sqlite_file, sqlite_url
    from api.store.place import look

    try:
        if settings.db is None and not file_in(settings.data).exists():
            return
        engine = open_engine(settings.db or sqlite_url(settings.data))
        path = sqlite_file(engine.url)
        if path is not None and look(path).state == "damaged":
            return
        own = may_open(engine)
        engine.dispose()
    except (StoreError, DBAPIError):
        return  # opening it below reports what is wrong
    if not own:
        listener.close()
        fail(
            "--pretend writes invented readings and opens no store that it did not make; leave"
            " --data and --db out, or give a folder that is not there yet"
        )


def _look_whether_invented(server: Server) -> None:
    """Attach the demo where it is asked for, else say whether the readings are invented."""
    from api.demo import Demo

    try:
        if server.settings.pretend:
            server.pretend = Demo(server)
        else:
            _say_whether_invented(server)
    except Exception as error:
        if not server.condition.met(error):
            raise


def _say_whether_invented(server: Server) -> None:
    from api.demo import is_demo

    with server.reading() as store:
        if is_demo(store):
            print(
                "bothends: this store holds the invented readings of the demo; give another"
                " --data for your own",
                file=sys.stderr,
            )


def _end(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise SystemExit(0)


def settings_of(said: Said, seed: int = 1) -> Settings:
    """The settings that are said. Ends the command with a sentence where one cannot be right."""
    from api.settings import Settings
    from capture.errors import SpecError
    from capture.spec import parse_spec

    port: int = said.get("port", PORT)
    if not 0 <= port <= 65535:
        fail(
            f"{said.where('port')}: {port} is not a port; give one from 1 to 65535, or 0 for a"
            " free one"
        )
    names: list[str] = said.get("allow-host", [])
    for name in names:
        if not re.fullmatch(r"[A-Za-z0-9.-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\]", name):
            fail(
                f"{said.where('allow-host')}: {name} is not the name of a host; give one such as"
                " shop.example"
            )
    proxies: list[str] = said.get("behind", [])
    for proxy in proxies:
        try:
            ipaddress.ip_network(proxy)
        except ValueError:
            fail(
                f"{said.where('behind')}: {proxy} is not the address of a proxy; give one such as"
                " 127.0.0.1, or a network such as 10.1.0.0/24"
            )
    for one, other in (("cert", "key"), ("key", "cert")):
        if said.get(one) is not None and said.get(other) is None:
            fail(
                f"{said.where(one)} is given without --{other}; https needs both files, and"
                " bothends access certificate makes them"
            )
    pretend: bool = said.get("pretend", False)
    backups: int = said.get("backups", 0 if pretend else DAILY_BACKUPS)
    check_backups(backups, said.where("backups"))
    specs = []
    for text in said.get("caliper", []):
        try:
            specs.append(parse_spec(text))
        except SpecError as error:
            fail(f"{said.where('caliper')}: {text}: {error}")
    db: str | None = said.get("db")
    return Settings(
        data=said.get("data") or (own_folder() / "pretend" if pretend else own_folder()),
        db=None if db is None else named_store(db),
        host=said.get("host", "127.0.0.1"),
        port=port,
        allow_hosts=tuple(names),
        behind=tuple(proxies),
        cert=said.get("cert"),
        key=said.get("key"),
        allow_network_calipers=said.get("allow-network-calipers", False),
        calipers=tuple(specs),
        pretend=pretend,
        seed=seed,
        backups=backups,
    )


def check_backups(number: int, where: str = "--backups") -> None:
    """End the command where what was said there of daily backups cannot be right."""
    if not 0 <= number <= _MOST_BACKUPS:
        fail(
            f"{where}: {number} is not a number of daily backups to keep; give one from 1 to"
            f" {_MOST_BACKUPS}, or 0 for none"
        )


def _listener(
    host: str, port: int, host_said: str = "--host", port_said: str = "--port"
) -> socket.socket:
    """A bound socket, so that a port in use is known before anything is opened. The sentences of
    a refusal say where the two were said."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
    except socket.gaierror:
        fail(
            f"{host_said}: {host} is not an address of this machine; 127.0.0.1 and 0.0.0.0"
            " usually are"
        )
    # With the protocol given, asyncio sends each answer at once (TCP_NODELAY); otherwise an answer
    # on a kept connection waits 40 ms for the acknowledgement of the previous one.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    # A restart need not wait until the previous server's connections time out.
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        # Two sockets that only bind can share a port; the second one to listen gets the error.
        listener.listen(128)
    except OSError as error:
        listener.close()
        fail(
            f"port {port} on {host} cannot be had ({error.strerror}); if a bothends or another"
            f" program runs there, stop it or choose another with {port_said}, 0 for any free one"
        )
    return listener


def _serve(
    server: Server, listener: socket.socket, files: int, served: Served | None = None
) -> None:
    """Serve until a signal says to stop; `files` may be open for readers of live events. served:
    the certificate of https."""
    import uvicorn

    from api.addresses import loopback
    from api.web.app import build
    from api.web.connections import HEAD_S, KEPT_FREE, MOST, Crowd, of_crowd
    from api.web.live import MOST_READERS
    from api.web.tls import LOOKED_AT_S

    host, port = listener.getsockname()[:2]

    class WebServer(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            loop = asyncio.get_running_loop()
            complaints = _LoopComplaints(lambda: self.should_exit)
            loop.set_exception_handler(complaints)
            complaints.watch(loop, listener)
            if served is not None:
                # A handshake that does not end is a head that does not come.
                made: Any = loop
                made.create_server = partial(loop.create_server, ssl_handshake_timeout=HEAD_S)
            await super().startup(sockets)
            scheme = "http" if served is None else "https"
            print(f"ready {scheme}://{_in_url(host)}:{port}", flush=True)
            if not loopback(host):
                make = _said_of_access("certificate", server.settings)
                safe = (
                    _OVERHEARD.format(make)
                    if served is None
                    else _KNOWN_BY.format(served.certificate)
                )
                print(safe, file=sys.stderr, flush=True)
            if server.access is not None:
                _say_who_gets_in(server, server.access, host, port)
            if served is not None:
                self._look_at(served)
            threading.Thread(target=_warm_up, name="warming up", daemon=True).start()

        def _look_at(self, served: Served) -> None:
            if not self.should_exit:
                asyncio.get_running_loop().call_later(LOOKED_AT_S, self._look_at, served)
            served.look()

        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            # Otherwise the server would wait for the live streams to end.
            server.signal.close()
            threading.Thread(target=_end_in_any_case, args=(server,), daemon=True).start()
            super().handle_exit(sig, frame)

    logging.getLogger("uvicorn.error").addFilter(_is_news)
    config = uvicorn.Config(
        build(server, min(files, MOST_READERS)),
        http=of_crowd(Crowd(max(1, min(files - KEPT_FREE, MOST)), server.settings.behind)),
        # Nothing here is asked over a web socket, and what would answer it checks nothing.
        ws="none",
        proxy_headers=False,
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=_REQUESTS_END_S,
        lifespan="on",
        ssl_context_factory=None if served is None else lambda _config, _usual: served.context,
    )
    WebServer(config).run([listener])


def _say_who_gets_in(server: Server, book: Book, host: str, port: int) -> None:
    from api.access.book import AccessError
    from api.addresses import anywhere, lan_host
    from api.commands.access_invite import at_start

    settings = server.settings
    name = lan_host() if anywhere(host) else host
    scheme = "http" if settings.cert is None else "https"
    address = None if name is None else f"{scheme}://{_in_url(name)}:{port}/"
    if settings.behind:
        # Which port and scheme the proxy serves is its own; most serve https at the usual one.
        address = f"https://{settings.allow_hosts[0]}/" if settings.allow_hosts else None
    command = _said_of_access("invite", settings)
    try:
        at_start(book, address, command, sys.stderr)
    except AccessError as error:
        _log.error("%s", error)


def _said_of_access(what: str, settings: Settings) -> str:
    """The command `access` for this server's folder, to be copied."""
    return shlex.join(["bothends", "access", what, "--data", str(settings.data)])


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


_OF_STRANGERS: Final = (
    "Invalid HTTP request received.",
    "Unsupported upgrade request.",
    "No supported WebSocket library detected.",
)


def _is_news(record: logging.LogRecord) -> bool:
    """Whether a line of the log is news: that requests are cut off at the end has a line itself,
    and what strangers send that is no request could fill the disk."""
    if str(record.msg).startswith(_OF_STRANGERS):
        return False
    fault = record.exc_info[1] if record.exc_info else None
    return not isinstance(fault, asyncio.CancelledError)


def _end_in_any_case(server: Server) -> None:
    """End the program though something waits for a database that does not answer.

    Python waits for all threads at its end, and nothing ends a thread's wait for a database. What
    was heard and is not stored would be named nowhere, and lost when somebody kills the program.
    """
    never = threading.Event()
    never.wait(_REQUESTS_END_S + 2)
    server.stop_listening()
    never.wait(_ENDS_S)
    _log.error("the store does not answer; this program ends without it")
    os._exit(1)


class _LoopComplaints:
    """Logs what goes wrong in the event loop; a lack of open files in a sentence, now and then.

    Where none is left for a new connection, asyncio calls this thousands of times a second, each
    time with a traceback, and tries again by itself.
    """

    def __init__(self, stopping: Callable[[], bool]) -> None:
        self._stopping = stopping
        self._quiet_until = 0.0

    def watch(self, loop: asyncio.AbstractEventLoop, listener: socket.socket) -> None:
        """Look every second whether a file is left: uvloop, where it is the event loop, hangs up on
        who connects while there is none, and says nothing."""
        if self._stopping():
            return
        try:
            listener.dup().close()
        except OSError as fault:
            self._none_left(loop, fault)
        loop.call_later(_LOOK_AT_FILES_S, self.watch, loop, listener)

    def __call__(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        fault = context.get("exception")
        if isinstance(fault, OSError) and fault.errno in _NONE_LEFT:
            self._none_left(loop, fault)
        # It tries again even when the port has been closed meanwhile.
        elif not (self._stopping() and isinstance(fault, ValueError)):
            loop.default_exception_handler(context)

    def _none_left(self, loop: asyncio.AbstractEventLoop, fault: OSError) -> None:
        if loop.time() > self._quiet_until:
            _log.error(
                "no further browser or bench can connect (%s); close some, or stop this"
                " program, raise the limit on open files with ulimit -n and start it again",
                fault.strerror,
            )
        self._quiet_until = loop.time() + _QUIET_S


def _warm_up() -> None:
    """Import now what the first trial or the first history would wait for: half a second on a
    small computer."""
    try:
        from analysis import quantiles

        quantiles.normal(0.975)
    except (OSError, ImportError) as error:  # no file is left to read them from, say
        _log.warning(
            "the first trial will take a moment longer, since not all is loaded: %s", error
        )
    # Freeze the loaded objects so that garbage collection skips them: a full collection of these
    # 138,000 objects took 235 ms on a busy machine, with every request waiting.
    gc.freeze()
