"""A client that adds little of its own to what is measured: one kept connection, TCP_NODELAY."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit


class Client:
    """A kept connection to a server; each request leaves in one piece.

    timeout_s: how long anything may take; None for a stream on which nothing may come for long.
    """

    def __init__(self, url: str, timeout_s: float | None = 60.0) -> None:
        where = urlsplit(url)
        self._host = where.netloc
        self._socket = socket.create_connection((where.hostname, where.port), timeout_s)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._answers = self._socket.makefile("rb")

    def end(self) -> None:
        """End what is being read, from another thread."""
        self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._answers.close()
        self._socket.close()

    def _ask(self, verb: str, path: str, body: bytes = b"") -> dict[str, str]:
        """The headers of a good answer."""
        head = f"{verb} {path} HTTP/1.1\r\nHost: {self._host}\r\n"
        if body:
            head += f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n"
        self._socket.sendall(f"{head}\r\n".encode() + body)
        status = self._answers.readline()
        assert b" 20" in status, (status, self._answers.read(2000))
        headers = {}
        while line := self._answers.readline().strip():
            name, _, value = line.decode().partition(": ")
            headers[name.lower()] = value
        return headers

    def get(self, path: str) -> bytes:
        return self._answers.read(int(self._ask("GET", path)["content-length"]))

    def post(self, path: str, body: bytes) -> bytes:
        return self._answers.read(int(self._ask("POST", path, body)["content-length"]))

    def events(self, path: str) -> Iterator[tuple[str, Any]]:
        """The events of a live stream, each with its kind and data; nothing else can be asked.

        The first is ("open", None), when the stream has begun; ("nothing", None) says that there
        was no event for a while.
        """
        self._ask("GET", path)
        kind, open_yet = "message", False
        for line in self._answers:  # what frames the chunks is no line of an event
            if line.startswith((b"retry:", b":")):
                yield ("nothing" if open_yet else "open"), None
                open_yet = True
            elif line.startswith(b"event: "):
                kind = line[7:].strip().decode()
            elif line.startswith(b"data: "):
                yield kind, json.loads(line[6:])
                kind = "message"
