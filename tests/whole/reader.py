"""A reader who tries what README and the help say, word for word, in a shell.

The shell is a real one, and so is each `bothends`: it is forked from a process that has done the
imports, since nine tenths of a start are those. What a reader has and a test has not (a caliper, a
server's address, root, a package to fetch) is stood in for, in `_AROUND` and by what a `Reader` is
given.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from contextlib import suppress
from multiprocessing.reduction import DupFd
from pathlib import Path
from typing import Any, Final

from tests.forks import forks
from tests.manual import ROOT
from tests.ptys import PATIENCE_S

_FORKS: Final = forks("tests.whole.warmed")

LASTING: Final = ("serve", "bench", "listen", "--follow")
"""Commands that go on until a person ends them: here after the first line that they print."""

# `bothends` as the shell finds it: hands its words, folder and streams to `_Program`.
_CALLER: Final = """#!{python} -IS
import array, json, os, socket, sys
here = socket.socket(socket.AF_UNIX)
here.connect({address!r})
said = json.dumps([sys.argv[1:], os.getcwd(), dict(os.environ)]).encode()
socket.send_fds(here, [len(said).to_bytes(4, "big")], [0, 1, 2])
here.sendall(said)
sys.exit(int(here.makefile().read() or 1))
"""
# What a system does and a test must not do. Each looks whether its words can be meant.
_AROUND: Final = {
    "sudo": 'exec "$@"',
    "usermod": '[ "$1" = -aG ]',
    "systemctl": '[ "$1" = daemon-reload ] && exit; for unit; do :; done; '
    'ls "$ROOT"/etc/systemd/system/"${unit%.service}".* '
    '"$HOME"/.config/systemd/user/"${unit%.service}".* 2>/dev/null | grep -q .',
    "python3": '[ "$1 $2" = "-m venv" ] && mkdir -p "$3/bin"',
    "pip": f'exec "{sys.executable}" -m tests.whole.asked_of_pip "$@"',
}


class _Program:
    """Answers each `_CALLER` by running the command in a process of its own."""

    def __init__(self, address: Path, root: Path) -> None:
        self._root = root
        self._listening = socket.socket(socket.AF_UNIX)
        self._listening.bind(str(address))
        self._listening.listen()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self._thread.join(PATIENCE_S)

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                caller, _ = self._listening.accept()
                threading.Thread(target=self._answer, args=(caller,), daemon=True).start()

    def _answer(self, caller: socket.socket) -> None:
        with caller:
            size, streams, _, _ = socket.recv_fds(caller, 4, 3)
            said = b""
            while len(said) < int.from_bytes(size, "big"):
                said += caller.recv(1 << 16)
            words, folder, environment = json.loads(said)
            try:
                status = self._run(self._meant(words), folder, environment, streams)
            finally:
                for stream in streams:
                    os.close(stream)
            caller.sendall(str(status).encode())

    def _meant(self, words: list[str]) -> list[str]:
        match words[:1]:
            case ["install"]:
                return [*words, "--root", str(self._root)]
            case ["serve"] if "--port" not in words:
                return [*words, "--port", "0"]
        return words

    def _run(self, words: list[str], folder: str, environment: Any, streams: list[int]) -> int:
        lasting = any(word in LASTING for word in words)
        shown, out = os.pipe()
        process = _FORKS.Process(
            target=_as_typed,
            args=(words, folder, environment, *map(DupFd, (streams[0], out, streams[2]))),
        )
        process.start()
        os.close(out)
        first = True
        with open(shown, "rb", buffering=0) as lines:
            while some := lines.read(1 << 16):
                with suppress(BrokenPipeError):
                    os.write(streams[1], some)
                if lasting and first and b"\n" in some:
                    first = False
                    assert process.pid is not None
                    os.kill(process.pid, signal.SIGINT)
        process.join()
        status = process.exitcode
        assert status is not None
        return 0 if lasting and status in (130, -signal.SIGINT) else abs(status)


def _as_typed(words: list[str], folder: str, environment: Any, *streams: Any) -> None:
    """Run the program in this process, which was forked for it."""
    from api.cli import main

    for number, stream in enumerate(streams):
        os.dup2(stream.detach(), number)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    status = main(words)
    sys.stdout.flush()
    raise SystemExit(status)


def _put(file: Path, text: str) -> None:
    file.write_text(text)
    file.chmod(0o755)


class Reader:
    """home: the reader's own folder; here: where the reader types."""

    def __init__(
        self, folder: Path, stands_in: dict[str, str], environment: dict[str, str]
    ) -> None:
        self.home = folder / "home"
        self.here = folder / "here"
        self.root = folder / "root"
        for each in (self.home, self.here, self.root, folder / "bin"):
            each.mkdir()
        self.stands_in = stands_in
        address = folder / "program"
        caller = _CALLER.format(python=sys.executable, address=str(address))
        _put(folder / "bin" / "bothends", caller)
        for name, does in _AROUND.items():
            _put(folder / "bin" / name, f"#!/bin/sh\n{does}\n")
        self.environment = {
            "PATH": f"{folder / 'bin'}:/usr/bin:/bin",
            "HOME": str(self.home),
            "ROOT": str(self.root),
            "USER": "reader",
            "PYTHONPATH": str(ROOT),
            **environment,
        }
        self._program = _Program(address, self.root)

    def meant(self, text: str) -> str:
        """An example as this reader types it, with what is the reader's own."""
        for said, own in self.stands_in.items():
            text = text.replace(said, own)
        return text

    def types(self, text: str) -> str:
        """What the shell shows; fails where a command does."""
        return self._shown(["sh", "-euc", text])

    def runs(self, *words: str) -> str:
        return self._shown([*words])

    def _shown(self, words: list[str]) -> str:
        done = subprocess.run(
            words, cwd=self.here, env=self.environment, stdin=subprocess.DEVNULL,
            capture_output=True, text=True, timeout=PATIENCE_S * 2,
        )  # fmt: skip
        assert done.returncode == 0, (words[-1], done.stdout, done.stderr)
        return done.stdout

    def close(self) -> None:
        self._program.close()
