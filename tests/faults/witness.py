"""What a person at each bench hears and sees: live events, lines of a terminal, answers."""

from __future__ import annotations

import json
import re
import threading
from contextlib import suppress
from typing import IO, Any, Final

import httpx2

# A stream that is silent for longer than its comments come has lost its server.
_SILENT_S: Final = 40.0


class Told:
    """What was told at one bench. Filled by a thread, read by the driver.

    acknowledged: texts of readings, in the order told; a text that is told twice is there twice.
    not_understood: what was told of lines that are no readings. sentences: each time the state
    of something changed for the worse, in words. trouble: the state of each caliper, with its
    words, where it is not listening. kept_beside: texts that are kept beside the store.
    """

    def __init__(self) -> None:
        self.acknowledged: list[str] = []
        self.not_understood: list[str] = []
        self.sentences: list[str] = []
        self.states: dict[str, tuple[str, str]] = {}
        self.kept_beside: set[str] = set()

    def state(self, caliper: str, state: str, message: str) -> None:
        self.states[caliper] = (state, message)
        if state not in ("listening", "quiet"):
            self.sentences.append(f"{caliper}: {state}, {message}")

    def listening(self, caliper: str) -> bool:
        return self.states.get(caliper, ("", ""))[0] in ("listening", "quiet")


class Live:
    """A page that follows a bench, whatever happens to its server: it asks again and again."""

    def __init__(self, url: str, bench: str) -> None:
        self.told = Told()
        self.connected = False
        self._url = f"{url}/api/live"
        self._bench = bench
        self._seen = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._over.set()
        self._thread.join(_SILENT_S)

    def forget_states(self) -> None:
        """The server is another one now: what it has not said is not known."""
        self.told.states.clear()

    def _follow(self) -> None:
        while not self._over.wait(0.05):
            with suppress(httpx2.HTTPError), httpx2.Client(timeout=_SILENT_S) as client:
                self._read(client)
            self.connected = False

    def _read(self, client: httpx2.Client) -> None:
        query = {"bench": self._bench, "after": str(self._seen)}
        with client.stream("GET", self._url, params=query) as events:
            if events.status_code != 200:
                return
            kind, number = "", 0
            for line in events.iter_lines():
                self.connected = True
                name, _, value = line.partition(": ")
                if name == "event":
                    kind = value
                elif name == "id":
                    number = int(value)
                elif name == "data":
                    self._take(kind, json.loads(value))
                elif not line and number:
                    self._seen, number = number, 0
                if self._over.is_set():
                    return

    def _take(self, kind: str, data: dict[str, Any]) -> None:
        if kind == "reading":
            self.told.acknowledged.append(data["sent"])
        elif kind == "refusal":
            self.told.not_understood.append(data["text"])
        elif kind == "caliper":
            self.told.state(data["name"], data["state"], data["message"])
        elif kind == "store":
            if data["last"] is not None:
                self.told.kept_beside.add(data["last"]["sent"])
            if data["message"]:
                self.told.sentences.append(data["message"])


class Lines:
    """What `bothends bench` prints, one process after the other."""

    def __init__(self) -> None:
        self.told = Told()
        self.away = False
        self.all: list[str] = []
        self._threads: list[threading.Thread] = []

    def follow(self, output: IO[str]) -> None:
        self.told.states.clear()
        self.away = False
        thread = threading.Thread(target=self._read, args=(output,), daemon=True)
        thread.start()
        self._threads.append(thread)

    def ended(self) -> None:
        """Wait until the last line of the process that has ended is read."""
        self._threads[-1].join(_SILENT_S)

    def _read(self, output: IO[str]) -> None:
        with output:
            for line in output:
                self._take(line.rstrip("\n"))

    def _take(self, line: str) -> None:
        self.all.append(line)
        if found := re.fullmatch(r"kept (\S+) \(mm\) from far(?:, .*)?", line):
            self.told.acknowledged.append(found[1])
        elif found := re.match(r"not understood '(.*?)'", line):
            self.told.not_understood.append(found[1])
        elif found := re.match(r"far: (\w+)(?:, )?(.*)", line):
            self.told.state("far", found[1], found[2])
        elif line == "handing over goes on":
            self.away = False
        elif not line.startswith("sent "):
            self.away = True
            self.told.sentences.append(line)
