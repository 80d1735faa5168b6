"""Fifty clients at once, on two servers of one store: afterwards every row is what was said.

What each client does follows from its number. Which of two requests comes first does not, and
need not: the benches' logs, in their order, say what the trials must be.
"""

from __future__ import annotations

import csv
import json
import threading
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any
from uuid import UUID

import httpx2
from sqlalchemy import Engine, select

from api.store.doctor import findings
from api.store.engine import open_engine
from api.store.tables import Act, Bench, Caliper, Reading, Series
from tests.ptys import PATIENCE_S
from tests.whole.forked import serving
from tests.whole.serving import Serving

CLIENTS = 50
STEPS = 5
BENCHES = ["main", *(f"bench {n}" for n in range(2, 6))]
_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
_CLOSED_JAWS_NM = 50_000


@dataclass
class Client:
    """What one client sent, and which of it was acknowledged."""

    number: int
    http: httpx2.Client
    bench: str
    machine: str
    running: list[str]  # of the bench: every series that was started there, by any client
    sent: list[dict[str, Any]] = field(default_factory=list)
    acts: list[str] = field(default_factory=list)
    started: list[str] = field(default_factory=list)

    def work(self, together: threading.Barrier) -> None:
        chance = Random(f"8017/{self.number}")
        does = [self.press] * 5 + [self.press_again, self.look, self.look, self.start]
        does += [self.take_back, self.swap, self.finish, self.resume] * 2
        together.wait(PATIENCE_S)
        for _ in range(STEPS):
            chance.choice(does)(chance)

    def press(self, chance: Random) -> None:
        batch = [self._reading(chance) for _ in range(chance.choice((1, 1, 1, 2, 5)))]
        self.sent += batch
        done = self._post("/api/readings", batch)
        assert (done["stored"], done["known"], done["refused"]) == (len(batch), 0, [])

    def press_again(self, chance: Random) -> None:
        """As after an answer that was lost."""
        batch = chance.sample(self.sent, min(3, len(self.sent)))
        done = self._post("/api/readings", batch)
        assert (done["stored"], done["known"], done["refused"]) == (0, len(batch), [])

    def look(self, chance: Random) -> None:
        paths = [f"/api/benches/{self.bench}", "/api/trials.csv", "/api/series?limit=5"]
        paths += [f"/api/series/{series}" for series in self.running[-1:]]
        assert self.http.get(chance.choice(paths)).status_code == 200

    def take_back(self, chance: Random) -> None:
        own = chance.choice([None, *(each["id"] for each in self.sent[-4:])])
        self._act("take back", f"/api/benches/{self.bench}/take-back", {"reading": own})

    def swap(self, chance: Random) -> None:
        trial = chance.choice((None, None, 1, 2))
        self._act("swap ends", f"/api/benches/{self.bench}/swap-ends", {"trial": trial})

    def start(self, chance: Random) -> None:
        body = {"machine": self.machine, "method": "reversal", "bench": self.bench}
        body |= {"baseline": "200", "unit": "mm", "strip_side": chance.choice(("left", "right"))}
        if (made := self._act("start", "/api/series", body)) is not None:
            self.running.append(made["id"])
            self.started.append(made["id"])

    def finish(self, chance: Random) -> None:
        if self.running:
            self._post(f"/api/series/{chance.choice(self.running[-2:])}/finish", {})

    def resume(self, chance: Random) -> None:
        if self.running:
            series = chance.choice(self.running[-3:])
            answer = self.http.post(f"/api/series/{series}/resume", json={})
            assert answer.status_code in (200, 409), answer.text

    def _reading(self, chance: Random) -> dict[str, Any]:
        number = len(self.sent) + 1
        return {
            "id": str(UUID(int=chance.getrandbits(120))),
            "bench": self.bench,
            "caliper": f"caliper {self.number}",
            "sent": "0.00" if chance.random() < 0.05 else f"{12 + chance.random() / 10:.3f}",
            "unit": "mm",
            "taken_at": (_NOON + timedelta(seconds=4 * number)).isoformat(),
            "since_previous_ms": 4000,
        }

    def _act(self, kind: str, path: str, body: Any) -> Any:
        answer = self.http.post(path, json=body)
        assert answer.is_success or answer.status_code == 409, answer.text
        if not answer.is_success:
            return None
        self.acts.append(kind)
        return answer.json()

    def _post(self, path: str, body: Any) -> Any:
        answer = self.http.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()


def _heard(server: Serving, bench: str, last: str, chance: Random) -> list[tuple[int, str]]:
    """The number and id of each reading that a reader of the bench is told, up to `last`.

    Now and then it loses its connection, and goes on after the event that it saw last.
    """
    told: list[tuple[int, str]] = []
    seen = 0
    while True:
        left = chance.randrange(5, 60)
        headers = {"Last-Event-ID": str(seen)}
        with server.client.stream("GET", f"/api/live?bench={bench}", headers=headers) as events:
            for number, kind, data in _events(events.iter_lines()):
                assert number > seen, "an event came twice, or out of its order"
                seen = number
                if kind == "reading":
                    told.append((number, data["id"]))
                    if data["id"] == last:
                        return told
                left -= 1
                if not left:
                    break


def _events(lines: Iterator[str]) -> Iterator[tuple[int, str, Any]]:
    said: dict[str, str] = {}
    for line in lines:
        name, _, value = line.partition(": ")
        said[name] = value
        if not line:
            if "id" in said:
                yield int(said["id"]), said["event"], json.loads(said["data"])
            said = {}


@dataclass
class Rows:
    """The log of each bench in its order, as the store has it."""

    readings: dict[str, list[Any]]
    acts: dict[str, list[Any]]
    last_seq: dict[str, int]

    @classmethod
    def of(cls, engine: Engine) -> Rows:
        with engine.connect() as store:
            name = Bench.name.label("bench")
            readings = store.execute(
                select(Reading.__table__, name, Caliper.name.label("caliper"))
                .join(Bench, Bench.id == Reading.bench_id)
                .join(Caliper, Caliper.id == Reading.caliper_id)
                .order_by(Reading.seq)
            ).all()
            acts = store.execute(
                select(Act.__table__, name).join(Bench, Bench.id == Act.bench_id).order_by(Act.seq)
            ).all()
            last = {row.name: row.last_seq for row in store.execute(select(Bench.__table__))}
        return cls(
            {bench: [r for r in readings if r.bench == bench] for bench in BENCHES},
            {bench: [a for a in acts if a.bench == bench] for bench in BENCHES},
            last,
        )


def _replayed(rows: Rows, bench: str) -> dict[UUID, list[tuple[list[UUID | None], bool]]]:
    """The trials of the bench's series as its log gives them: slots, and whether swapped.

    By the words of the manual alone: a reading fills the first empty place of the last trial, or
    begins a new one; closed jaws take back the reading placed last; an act names its own.
    """
    series: dict[UUID, list[tuple[list[UUID | None], bool]]] = {}
    placed: list[UUID] = []
    running: UUID | None = None

    def take_back(wanted: UUID | None) -> None:
        trials = series[running] if running is not None else []
        for slots, _ in reversed(trials):
            there = [each for each in slots if each is not None]
            chosen = wanted or max(there, key=placed.index, default=None)
            if chosen in there:
                slots[slots.index(chosen)] = None
                break
        while trials and not any(trials[-1][0]):
            trials.pop()

    log = sorted([*rows.readings[bench], *rows.acts[bench]], key=lambda row: row.seq)
    for row in log:
        if hasattr(row, "sent"):
            if running is None:
                continue
            if abs(row.nm) <= _CLOSED_JAWS_NM:
                take_back(None)
                continue
            trials = series[running]
            if not trials or all(trials[-1][0]):
                trials.append(([None, None], False))
            slots = trials[-1][0]
            slots[slots.index(None)] = row.id
            placed.append(row.id)
        elif row.kind in ("start", "resume"):
            running = row.series_id
            series.setdefault(row.series_id, [])
        elif row.kind == "finish":
            running = None
        elif row.kind == "take back":
            take_back(row.reading_id)
        elif running is not None:
            assert row.kind == "swap ends"
            trials = series[running]
            numbers = [n for n, (slots, _) in enumerate(trials, 1) if any(slots)]
            number = row.trial or numbers[-1]
            slots, swapped = trials[number - 1]
            trials[number - 1] = (slots, not swapped)
    return series


def _places(trials: list[tuple[list[UUID | None], bool]]) -> list[dict[str, str]]:
    """Each trial that holds a reading, as places and what is there."""
    found = []
    for slots, swapped in trials:
        names = ["fence end", "open end"]
        named = dict(zip(reversed(names) if swapped else names, slots, strict=True))
        if any(slots):
            found.append({place: str(each) for place, each in named.items() if each is not None})
    return found


def _worked(servers: list[Serving]) -> tuple[list[Client], dict[str, list[tuple[int, str]]]]:
    """What every client did, and what a reader of each bench was told, by one of the servers."""
    together = threading.Barrier(CLIENTS)
    running: dict[str, list[str]] = defaultdict(list)
    clients = []
    for number in range(CLIENTS):
        http = httpx2.Client(base_url=servers[number % len(servers)].url, timeout=PATIENCE_S)
        bench = BENCHES[number // 2 % len(BENCHES)]
        clients.append(Client(number, http, bench, "Window saw", running[bench]))
    last = {bench: str(UUID(int=n)) for n, bench in enumerate(BENCHES, start=1)}
    for n in range(len(BENCHES)):
        # So that no bench is idle until one of its clients happens to start.
        clients[n * 2].start(Random(n))
    with ThreadPoolExecutor(CLIENTS) as pool, ThreadPoolExecutor(len(BENCHES)) as readers:
        told = {
            bench: readers.submit(
                _heard, servers[n % len(servers)], bench, last[bench], Random(bench)
            )
            for n, bench in enumerate(BENCHES)
        }
        try:
            for done in [pool.submit(client.work, together) for client in clients]:
                done.result()
        finally:
            # Readers stop at these, whatever became of the clients.
            for n, bench in enumerate(BENCHES):
                closing = clients[n * 2]
                reading = closing._reading(Random(n)) | {"id": last[bench], "sent": "12.050"}
                closing.sent.append(reading)
                closing._post("/api/readings", [reading])
        heard = {bench: each.result() for bench, each in told.items()}
    for client in clients:
        client.http.close()
    return clients, heard


def _check_readings(rows: Rows, clients: list[Client]) -> None:
    stored = [row for bench in BENCHES for row in rows.readings[bench]]
    assert len({row.id for row in stored}) == len(stored)
    for client in clients:
        own = [row for row in stored if row.caliper == f"caliper {client.number}"]
        said = [
            (r["id"], r["bench"], r["sent"], r["unit"], r["taken_at"], 4000) for r in client.sent
        ]
        assert said == [
            *(
                (str(r.id), r.bench, r.sent, r.unit, r.taken_at.isoformat(), r.since_previous_ms)
                for r in own
            )
        ], f"client {client.number}: not what was sent, or not in its order"
        assert all(row.nm == round(float(row.sent) * 1_000_000) for row in own)
    assert len(stored) == sum(len(client.sent) for client in clients)


def _check_order(rows: Rows, clients: list[Client]) -> None:
    for bench in BENCHES:
        numbers = sorted(r.seq for r in [*rows.readings[bench], *rows.acts[bench]])
        assert numbers == list(range(1, len(numbers) + 1))
        assert rows.last_seq[bench] == numbers[-1]
        said = [kind for client in clients if client.bench == bench for kind in client.acts]
        for kind in ("take back", "swap ends", "start"):
            kept = sum(act.kind == kind for act in rows.acts[bench])
            assert kept == said.count(kind), f"{bench}: {kind}"


def _check_trials(rows: Rows, server: Serving) -> None:
    complete = 0
    sheet = list(csv.DictReader(server.client.get("/api/trials.csv").text.splitlines()))
    nm = {str(r.id): r.nm for bench in BENCHES for r in rows.readings[bench]}
    for bench in BENCHES:
        for series, trials in _replayed(rows, bench).items():
            expected = _places(trials)
            shown = server.get(f"/api/series/{series}")["trials"]
            assert [{r["place"]: r["id"] for r in t["readings"]} for t in shown] == expected
            exported = [r["readings_mm"] for r in sheet if r["series_id"] == str(series)
                        and r["readings_mm"]]  # fmt: skip
            assert [
                [round(float(mm) * 1_000_000) for mm in readings.split()] for readings in exported
            ] == [[nm[each] for each in trial.values()] for trial in expected]
            complete += sum(len(trial) == 2 for trial in expected)
    assert complete > CLIENTS / 2


def _check_readings_exported(rows: Rows, server: Serving) -> None:
    exported = [
        json.loads(line) for line in server.client.get("/api/readings.jsonl").text.splitlines()
    ]
    for bench in BENCHES:
        assert sorted(
            (r["seq"], r["reading_id"], r["sent"]) for r in exported if r["bench"] == bench
        ) == [(r.seq, str(r.id), r.sent) for r in rows.readings[bench]]


def test_what_fifty_clients_say_at_once_is_all_there_once_and_in_order(
    tmp_path: Path, store_url: str
) -> None:
    with ExitStack() as held:
        # Within each server some write at once, and so do the two.
        running = [
            held.enter_context(serving(tmp_path / f"server {n}", "--db", store_url))
            for n in range(2)
        ]
        running[0].post("/api/machines", {"name": "Window saw", "kind": "other"})
        clients, heard = _worked(running)
        engine = open_engine(store_url)
        held.callback(engine.dispose)
        rows = Rows.of(engine)
        _check_readings(rows, clients)
        _check_order(rows, clients)
        for server in running:
            _check_trials(rows, server)
            _check_readings_exported(rows, server)
            assert "Traceback" not in server.log.read_text()
        for bench, told in heard.items():
            assert [each for _, each in told] == [str(r.id) for r in rows.readings[bench]]
        with engine.connect() as connection:
            assert list(findings(connection)) == []
            started = {str(each) for each in connection.scalars(select(Series.id))}
        assert started == {each for client in clients for each in client.started}
