"""Asks the host to work the emulated machine's keys and plugs."""

from __future__ import annotations

import json
import os
from typing import Final

INSIDE: Final = "BOTHENDS_GUEST" in os.environ
_LINE: Final = "/dev/virtio-ports/hand"


class Hand:
    """Each call returns when it is done. `what`: "caliper" and "desk" (two alike
    keyboards), "adapter" (serial)."""

    def __init__(self) -> None:
        self._line = os.open(_LINE, os.O_RDWR | os.O_CLOEXEC)

    def close(self) -> None:
        os.close(self._line)

    def type(self, what: str, text: str, pause_ms: float = 5.0) -> None:
        self._ask("type", what=what, text=text, pause_ms=pause_ms)

    def press(self, what: str, key: str) -> None:
        self._ask("key", what=what, key=key, down=True)

    def plug(self, what: str) -> None:
        self._ask("plug", what=what)

    def unplug(self, what: str) -> None:
        self._ask("unplug", what=what)

    def send(self, text: str) -> None:
        self._ask("send", text=text)

    def _ask(self, wanted: str, **words: object) -> None:
        os.write(self._line, json.dumps({"do": wanted, **words}).encode() + b"\n")
        answer = b""
        while not answer.endswith(b"\n"):
            answer += os.read(self._line, 4096)
        fault = json.loads(answer).get("fault")
        if fault:
            raise RuntimeError(fault)
