"""What access costs a press: the same reading sent over the same network with a token, and from the
server's own computer, where nothing is asked for.

Each is one request on a kept connection; the clock stops when the answer is read, the commit in
between. Both go to one server, in turns.
"""

from __future__ import annotations

import http.client
import itertools
import json
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import urlsplit

from api.access.book import Book
from api.access.rungs import Rung
from api.addresses import lan_host
from benchmarks.measuring import Measurement
from tests.whole.serving import serving

# Fewer than come at once before a rate counts; each round has a token of its own.
_PRESSES = 100


def measurements(short: bool) -> Iterator[Measurement]:
    del short  # a second either way
    host = lan_host()
    if host is None:
        return
    numbers = itertools.count()
    with tempfile.TemporaryDirectory() as name:
        data = Path(name) / "data"
        with serving(data, "--host", "0.0.0.0") as server, closing(Book(data)) as book:
            port = urlsplit(server.url).port

            def presses(to: str, headers: dict[str, str]) -> list[float]:
                took = []
                with closing(http.client.HTTPConnection(to, port)) as line:
                    for _ in range(_PRESSES):
                        body = json.dumps([_reading(next(numbers))])
                        began = time.perf_counter()
                        line.request("POST", "/api/readings", body, headers)
                        with line.getresponse() as answer:
                            said = answer.read()
                        took.append(1e3 * (time.perf_counter() - began))
                        assert answer.status == 200, said
                return took

            def with_token() -> list[float]:
                _, token = book.add_token(f"bench {next(numbers)}", Rung.PRESS, ["saw"])
                return presses(host, _JSON | {"Authorization": f"Bearer {token}"})

            yield Measurement(
                "a press of a bench elsewhere, let in by a token",
                "ms",
                with_token,
                {"the same from the server's own computer": lambda: presses("127.0.0.1", _JSON)},
                tails=True,
            )


_JSON = {"Content-Type": "application/json"}


def _reading(number: int) -> dict[str, object]:
    return {
        "id": str(uuid.uuid4()),
        "bench": "saw",
        "caliper": "six-inch",
        "sent": f"{10 + number % 9000 / 100:.2f}",
        "unit": "mm",
        "taken_at": "2026-03-02T12:00:00+00:00",
    }
