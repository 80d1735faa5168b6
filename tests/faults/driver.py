"""One round: a shop, a script, and what it comes to."""

from __future__ import annotations

import random
import subprocess
from collections import Counter
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Final

from api.store.engine import file_in
from tests.api.postgres import PostgresServer
from tests.faults.damage import Recovery, breaches_after_damage, damage, intact, told
from tests.faults.faults import Fault, begin
from tests.faults.presses import Press, Source, Wire
from tests.faults.script import Engine, Script
from tests.faults.shop import Shop, settled, shop
from tests.faults.tally import Tally, tally
from tests.ptys import until

_SOURCES: Final = ("near", "far", "posted")
_LISTENS_S: Final = 4.0


@dataclass(frozen=True)
class Round:
    """A round that was played: its script can be played again.

    ended: what was done about a damage; empty where there was none.
    """

    engine: Engine
    seed: int
    script: Script
    tally: Tally
    logs: str
    ended: str

    def __str__(self) -> str:
        """For the person who looks for what went wrong."""
        return "\n".join(
            [
                f"{self.engine}, seed {self.seed}:",
                *(f"    {line}" for line in self.script),
                *(f"  ! {breach}" for breach in self.tally.breaches),
                *(f"  > {line}" for line in self.logs.splitlines()[-40:]),
            ]
        )


def play(
    lines: Script, seed: int, folder: Path, database: PostgresServer | None, long: bool = False
) -> Round:
    """Play a round in `folder`, which is empty; on `database` where one is given.

    long: a lock is held for ten seconds, for instance.
    """
    steps_clock, backs_up = "begin clock step" in lines, "back up" in lines
    with shop(folder, database, steps_clock=steps_clock, backs_up=backs_up, long=long) as world:
        driver = _Driver(world, random.Random(seed))
        try:
            for line in lines:
                driver.do(line)
            found = driver.over()
        except (AssertionError, subprocess.TimeoutExpired) as broken:
            found = Tally(breaches=[f"the round broke off at {driver.at!r}: {broken}"])
        finally:
            driver.end_all()
        engine: Engine = "sqlite" if database is None else "postgresql"
        return Round(engine, seed, lines, found, world.logs(), driver.ended)


class _Driver:
    def __init__(self, world: Shop, chance: random.Random) -> None:
        self.at = "the start"
        self._shop = world
        self._chance = chance
        self._presses: list[Press] = []
        self._faults: dict[str, Fault] = {}
        self._damaged = ""
        self._destroyed = b""
        self._recovery: Recovery | None = None
        self._breaches: list[str] = []

    @property
    def ended(self) -> str:
        return "" if self._recovery is None else self._recovery.means.how

    def do(self, line: str) -> None:
        """Do what one line of the script says."""
        self.at = line
        match line.split(maxsplit=1):
            case ["press", source]:
                self._press(source)  # type: ignore[arg-type]
            case ["nonsense", port]:
                self._press(port, nonsense=True)  # type: ignore[arg-type]
            case ["begin", fault]:
                if fault.startswith("few files"):
                    # A program that has not started yet cannot even load itself.
                    until(self._listen, _LISTENS_S)
                self._faults[fault] = begin(fault, self._shop)
            case ["end", fault]:
                self._faults.pop(fault).end()
            case ["damage", what]:
                file, how = what.split()
                self._damaged = file
                self._destroyed += damage(self._shop, file, how, self._chance)
            case ["back", "up"]:
                assert until(self._shop.backed_up), "no backup is made"
            case ["listen"]:
                # In vain where, for instance, files are slow or few.
                until(self._listen, _LISTENS_S)
            case ["look"]:
                self._look()
            case _:
                raise ValueError(f"no line of a script is {line}")

    def end_all(self) -> None:
        while self._faults:
            self._faults.popitem()[1].end()

    def over(self) -> Tally:
        """End the round; what it comes to."""
        self.at = "the end"
        self.end_all()
        if self._damaged:
            self._recover()
        self._heal()
        self._go_on()
        self._settle()
        self._stop()
        return self._count()

    # ------------------------------------------------------------ lines of the script

    def _press(self, source: Source, nonsense: bool = False) -> None:
        number = len(self._presses)
        text = f"Err {number}" if nonsense else f"{10 + number / 1000:.3f}"
        press = Press(source, text, nonsense)
        self._presses.append(press)
        if source == "posted":
            self._shop.outbox.put(press)
            self._shop.outbox.send()
            return
        wire = self._wire(source)
        self._shop.notice_listening(wire)
        wire.press(press)

    def _listen(self) -> bool:
        """Whether each caliper is listened to that no fault under way keeps from it."""
        near, far = (
            self._kept_away(wire) or self._shop.notice_listening(wire)
            for wire in (self._shop.near, self._shop.far)
        )
        return near and far

    def _kept_away(self, wire: Wire) -> bool:
        program = "server" if wire is self._shop.near else "bench"
        ended_or_paused = {f"{how} {program}" for how in ("kill", "terminate", "pause")}
        absent = {f"unplug {wire.source}", f"blocked open of {wire.source}"}
        return not self._faults.keys().isdisjoint(ended_or_paused | absent)

    def _look(self) -> None:
        """Whoever pressed and was heard is told, sooner or later: kept, or what is wrong."""
        for wire in (self._shop.near, self._shop.far):
            if wire.session is None or self._paused(wire):
                continue
            if not until(lambda w=wire: self._told(w)):
                waiting = [p.text for p in wire.session.presses if not self._shop.answered(p)]
                self._breaches.append(f"{wire.source}: nothing was said of {', '.join(waiting)}")
        # A bench that has something for a server that is away says so.
        if (
            self._shop.server is None
            and self._shop.bench is not None
            and not self._paused(self._shop.far)
            and any(p.source == "far" and p.acknowledged for p in self._presses)
            and not until(lambda: self._shop.lines.away)
        ):
            self._breaches.append("the bench does not say that its server is away")

    def _told(self, wire: Wire) -> bool:
        if self._shop.in_trouble(wire) or self._cut_off(wire):
            return True
        taken = wire.take_stock()
        session = wire.session
        return session is None or (taken and all(map(self._shop.answered, session.presses)))

    def _cut_off(self, wire: Wire) -> bool:
        """Whether no page can follow what is heard here; it says that it is not connected."""
        no_more = wire is self._shop.near and "few files for server" in self._faults
        return no_more and not self._shop.live["main"].connected

    def _paused(self, wire: Wire) -> bool:
        return f"pause {'server' if wire is self._shop.near else 'bench'}" in self._faults

    def _wire(self, source: str) -> Wire:
        return self._shop.near if source == "near" else self._shop.far

    # ------------------------------------------------------------ the end of a round

    def _recover(self) -> None:
        """Do what a person does who finds a damaged file."""
        for press in self._presses:
            self._shop.answered(press)
        store = file_in(self._shop.folder / "shop")
        is_well = self._damaged != "store" or intact(store, self._presses)
        if not is_well and not until(lambda: told(self._shop)):
            self._breaches.append("nobody is told that the store is damaged, and what to do")
        self._shop.terminate_bench()  # it may only have begun to start: any status is fine
        if status := self._shop.terminate_server():
            self._breaches.append(f"the server of the damaged file ended with {status}")
        self._recovery = Recovery(self._shop, self._chance)
        self._breaches += self._recovery.bring_back()

    def _heal(self) -> None:
        """All is well again: everything runs and listens."""
        assert settled(self._shop.start_server), "the server does not start again"
        assert settled(self._bench_runs), "the bench program does not start again"
        assert settled(self._shop.all_listen), f"not listened to again: {self._shop.states()}"

    def _bench_runs(self) -> bool:
        """Whether the bench program says something; started again where it could not start."""
        return self._shop.start_bench() and bool(self._shop.lines.told.states)

    def _go_on(self) -> None:
        """The program works as before."""
        for source in _SOURCES:
            self._press(source)  # type: ignore[arg-type]

    def _settle(self) -> None:
        """What was heard is answered and in the store. What never comes is counted later."""
        wires = (self._shop.near, self._shop.far)
        settled(lambda: all(wire.take_stock() for wire in wires))
        settled(self._shop.outbox.send)
        if self._recovery is None:
            settled(lambda: all(self._shop.answered(p) for p in self._presses if p.owed))
            settled(self._all_arrived)
        else:
            # Who followed the store of before is not told all of the one in its place.
            for press in self._presses[-len(_SOURCES) :]:
                press.acknowledged = True
            settled(lambda: not self._after_damage())
        if not self._shop.outbox.empty:
            self._breaches.append("what was posted is not taken, though all is well")

    def _after_damage(self) -> list[str]:
        assert self._recovery is not None
        stored = [*(row.sent for row in self._shop.rows()), *self._shop.refused()]
        return breaches_after_damage(stored, self._recovery.means, self._presses, self._destroyed)

    def _all_arrived(self) -> bool:
        """Whether the server has what the bench program has acknowledged."""
        arrived = self._shop.live["back"].told
        there = {*arrived.acknowledged, *arrived.not_understood}
        return all(p.text in there for p in self._presses if p.source == "far" and p.acknowledged)

    def _stop(self) -> None:
        """End both programs as a service manager does."""
        bench, server = self._shop.terminate_bench(), self._shop.terminate_server()
        if (bench, server) != (0, 0):
            self._breaches.append(f"the bench ended with {bench}, the server with {server}")

    def _count(self) -> Tally:
        world = self._shop
        logs = world.logs()
        for press in self._presses:
            world.answered(press)
            press.said = next((line for line in logs.splitlines() if _names(line, press)), "")
        if self._recovery is not None:
            found = Tally(pressed=len(self._presses), stored=len(world.rows()))
            found.acknowledged = sum(p.acknowledged or p.beside for p in self._presses)
            found.breaches += self._after_damage()
        else:
            stored = [row.sent for row in world.rows()]
            sessions = chain(world.near.sessions, world.far.sessions)
            found = tally(self._presses, sessions, stored, set(world.refused()))
        self._breaches += world.doctor()
        if "Traceback" in logs:
            self._breaches.append("a traceback was printed")
        told = (world.live["main"].told, world.live["back"].told, world.lines.told)
        for each in told:
            twice = [text for text, n in Counter(each.acknowledged).items() if n > 1]
            self._breaches += [f"{text} was told twice" for text in twice]
            found.said += len(each.sentences) + len(each.not_understood)
        found.said += len(world.outbox.said)
        self._breaches += [f"refused without a sentence: {x}" for x in world.outbox.silent]
        found.breaches += self._breaches + [f"{who} ended by itself" for who in world.died]
        return found


def _names(line: str, press: Press) -> bool:
    """Whether a program's last words name the press as one that is not kept."""
    return press.text in line.split() and ("not kept" in line or "could not be stored" in line)
