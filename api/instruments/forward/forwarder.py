"""A remote bench: what it hears is committed to a local queue, and forwarded in order.

Whatever the instruments send is committed to the queue first, under the next number of this
bench, and acknowledged at once; the server gets it when it can be reached. Each request carries
the ids made here, so one that is retried after a lost answer is stored once.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import quote
from uuid import UUID

from api.http import Token, no_token
from api.instruments.forward.bodies import reading_body, refusal_body
from api.instruments.forward.client import Away, Client
from api.instruments.forward.queue import HandoverProgress, Item, Kind, Queue
from capture.records import CaliperState, Reading, Refusal
from capture.retry import Backoff

_ANSWER_S: Final = 15.0
# Reporting the instruments' states must not delay readings for long.
_STATES_S: Final = 5.0
_HEARTBEAT_S: Final = 20.0
# However long a server says to wait, a person may have changed that meanwhile.
_LONGEST_WAIT_S: Final = 60.0
_PATHS: Final[dict[Kind, str]] = {"reading": "/api/readings", "refusal": "/api/refusals"}


class Forwarder:
    """Keeps readings and refusals in the queue and hands them over from a thread of its own.

    states() gives the states of the instruments; they are sent to the server at each change and
    every twenty seconds, but readings do not wait for that.
    changed(progress, trouble) is called when either changes; trouble is empty while things go
    over. refused(item, why) is called once for each thing that the server will never take.
    became(reading, question) is called for each reading that the server has; the question is what
    it asks about one that it has just stored, else empty. reached(whether) is called after each
    attempt to hand over: whether the server could be reached, and takes something.
    token: lets this bench in; asked for with each request.
    patience: seconds within which the server must have answered, from first to last byte.
    Stop with `stop`, or with `finish` and then `stop`.
    """

    def __init__(
        self,
        queue: Queue,
        url: str,
        *,
        states: Callable[[], Iterable[CaliperState]],
        changed: Callable[[HandoverProgress, str], None],
        refused: Callable[[Item, str], None],
        became: Callable[[UUID, str], None] = lambda _reading, _question: None,
        reached: Callable[[bool], None] = lambda _whether: None,
        token: Token = no_token,
        fingerprint: str | None = None,
        patience: float = _ANSWER_S,
    ) -> None:
        self._queue = queue
        self._client = Client(url, token, fingerprint)
        self._states = states
        self._changed = changed
        self._refused = refused
        self._became = became
        self._reached = reached
        self._patience = patience
        self._wait_s = 0.0  # how long the server said to wait the last time
        self._progress = HandoverProgress(0, 0, 0)
        self._reported: tuple[HandoverProgress, str] | None = None
        self._news = threading.Event()
        self._over = threading.Event()
        self._states_due = 0.0
        self._states_trouble = ""
        self._states_unreached = False
        self._thread = threading.Thread(target=self._run, name="forwarder", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def keep(self, reading: Reading) -> bool:
        """Keep a reading; it is on the disk when this returns. False where it was already."""
        new = self._queue.add("reading", reading_body(reading))
        self._news.set()
        return new

    def refuse(self, refusal: Refusal) -> bool:
        """Keep what is not a reading. False where it was kept already."""
        new = self._queue.add("refusal", refusal_body(refusal))
        self._news.set()
        return new

    def report(self) -> None:
        """The state of an instrument has changed: send it to the server soon."""
        self._states_due = 0.0
        self._news.set()

    def finish(self, seconds: float) -> bool:
        """Hand over what waits, as far as the server takes it, and end the thread.

        Returns whether it has ended within `seconds`; else it continues.
        """
        self._over.set()
        self._news.set()
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def stop(self, seconds: float = 2.0) -> None:
        """Hand over what can be within `seconds`; the rest waits for the next start."""
        if not self.finish(seconds):
            self._client.hang_up()
            self._thread.join(seconds)

    def _run(self) -> None:
        backoff = Backoff(first=0.2, most=15.0)
        while True:
            # Both before the round, so that whatever happens from here on starts another one.
            self._news.clear()
            last = self._over.is_set()
            trouble = self._round()
            if not self._client.hung_up:
                self._tell(trouble or self._states_trouble)
            if last:
                return
            if trouble:
                # New readings must not shorten the wait between retries.
                self._over.wait(max(backoff.next(), self._wait_s))
            else:
                backoff.reset()
                self._news.wait(max(0.0, self._states_due - time.monotonic()))

    def _round(self) -> str:
        """Hand over all that waits, and send the instruments' states; returns the trouble, if any.

        Never raises, since that would end the thread and with it all handing over.
        """
        self._wait_s = 0.0
        try:
            while self._hand_over():
                self._tell_states_if_due()
                self._tell(self._states_trouble)
            self._tell_reached(True)
            self._tell_states_if_due()
            return ""
        except Away as away:
            self._tell_reached(False)
            self._wait_s = min(away.wait_s, _LONGEST_WAIT_S)
            trouble = f"{away}; readings are kept here and handed over when they can be"
        except sqlite3.Error as error:
            trouble = (
                f"the queue on this machine's disk fails ({error}); make room on the disk or end"
                " what holds the file: handing over is tried again"
            )
        except Exception as fault:
            trouble = (
                f"handing over fails ({type(fault).__name__}: {fault}); readings are kept here,"
                " and it is tried again"
            )
        # When this trouble is over, the one with the states may be over as well.
        self._states_due, self._states_trouble = 0.0, ""
        return trouble

    def _tell(self, trouble: str) -> None:
        with suppress(sqlite3.Error):
            self._progress = self._queue.progress()
        now = (self._progress, trouble)
        if now != self._reported:
            self._reported = now
            with suppress(Exception):  # a failing callback must not end this thread
                self._changed(*now)

    def _tell_reached(self, whether: bool) -> None:
        with suppress(Exception):  # as with `changed`
            self._reached(whether)

    def _hand_over(self) -> bool:
        """Hand over the next things of one kind; returns whether there were any.

        Raises Away where the server can't be reached or can't take anything now.
        """
        items = self._queue.waiting()
        if not items:
            return False
        kind = items[0].kind
        run = items[: next((i for i, x in enumerate(items) if x.kind != kind), len(items))]
        refused = self._offer(run)
        if refused is None:
            # The server does not say which are refused: send them one by one.
            for item in run:
                self._settle([item], self._offer([item]) or {})
        else:
            self._settle(run, refused)
        return True

    def _settle(self, items: Sequence[Item], refused: Mapping[str, str]) -> None:
        """The server has `items`, but for those whose ids it refused, with the reason."""
        for item in items:
            why = refused.get(str(item.body["id"]))
            if why is not None:
                self._set_aside(item, why)
        self._queue.handed_over(items[-1].seq)

    def _set_aside(self, item: Item, why: str) -> None:
        self._queue.refused(item, why)
        with suppress(Exception):
            self._refused(item, why)

    def _offer(self, items: Sequence[Item]) -> dict[str, str] | None:
        """Send things of one kind; returns why the server will never take some of them, by id.

        None where it does not say which of several. Raises Away where trying again later
        may help.
        """
        answer = self._client.post(
            _PATHS[items[0].kind],
            [item.body for item in items],
            self._patience,
            items[0].body["bench"],
        )
        # Anything else that answers here (a sign-on page, a proxy) must not pass for the server.
        refuses = answer.status in (409, 413, 422) and "detail" in answer.said
        refuses |= answer.status == 413 and len(items) > 1
        if not (answer.good or refuses):
            raise Away(f"the server at {self._client.url} answers {answer}", answer.wait_s)
        refused = _refused(answer.said)
        stored, known = answer.said.get("stored"), answer.said.get("known")
        if (
            isinstance(stored, int)
            and isinstance(known, int)
            and refused.keys() <= {str(item.body["id"]) for item in items}
            and stored + known + len(refused) == len(items)
        ):
            if self._states_unreached:
                self._states_trouble, self._states_unreached = "", False
            self._tell_fates(items, answer.said)
            return refused
        if refuses:
            return None if len(items) > 1 else {str(items[0].body["id"]): answer.reason}
        raise Away(
            f"what answers at {self._client.url} does not say that it has the readings; look"
            " whether --to is right and whether this network asks for a sign-on first"
        )

    def _tell_fates(self, items: Sequence[Item], said: dict[str, Any]) -> None:
        """A server of before 0.5 asks nothing."""
        asked = {each.get("id"): each.get("question") for each in _objects(said.get("outcomes"))}
        for item in items:
            if item.kind == "reading":
                question = str(asked.get(item.body["id"]) or "")[:500]
                with suppress(Exception):  # as with `changed`
                    self._became(UUID(item.body["id"]), question)

    def _tell_states_if_due(self) -> None:
        if time.monotonic() < self._states_due:
            return
        self._states_due = time.monotonic() + _HEARTBEAT_S  # before looking, as in `_run`
        by_bench: dict[str, list[CaliperState]] = {}
        for state in self._states():
            by_bench.setdefault(state.bench, []).append(state)
        self._states_trouble, self._states_unreached = "", False
        for bench, states in by_bench.items():
            body = {
                "sent_at": datetime.now(UTC).isoformat(),
                "calipers": [
                    {
                        "name": s.caliper,
                        "state": s.state,
                        "message": s.message[:1000],
                        "last_heard": s.last_heard.isoformat() if s.last_heard else None,
                    }
                    for s in states
                ],
            }
            path = f"/api/benches/{quote(bench, safe='')}/calipers"
            try:
                answer = self._client.post(path, body, min(_STATES_S, self._patience), bench)
            except Away as away:
                self._states_trouble, self._states_unreached = str(away), True
                return
            if not answer.good:
                self._states_trouble = (
                    f"the server at {self._client.url} does not take the calipers' states:"
                    f" it answers {answer}"
                )


def _refused(said: dict[str, Any]) -> dict[str, str]:
    """What the server says it will never take: its reasons, by id."""
    found = _objects(said.get("refused"))
    return {str(each.get("id")): str(each.get("why", ""))[:500] for each in found}


def _objects(listed: Any) -> list[dict[str, Any]]:
    """The JSON objects of what should be a list of them."""
    return [each for each in listed if isinstance(each, dict)] if isinstance(listed, list) else []
