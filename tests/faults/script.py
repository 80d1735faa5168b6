"""What happens in one round, as lines of text: the same seed gives the same lines."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Final, Literal

Engine = Literal["sqlite", "postgresql"]
Script = tuple[str, ...]

# Each fault, and what it takes up: two faults of one thing are never under way together.
_FAULTS: Final = {
    "kill server": "server",
    "terminate server": "server",
    "pause server": "server",
    "slow fsync of server": "tracing server",
    "few files for server": "files of server",
    "kill bench": "bench",
    "terminate bench": "bench",
    "pause bench": "bench",
    "slow fsync of bench": "tracing bench",
    "few files for bench": "files of bench",
    "unplug near": "near",
    "replug near": "near",
    "blocked open of near": "near",
    "unplug far": "far",
    "replug far": "far",
    "blocked open of far": "far",
    "full disk of bench": "disk of bench",
    "locked queue": "queue",
    "locked store": "store",
    "clock step": "clock",
}
_SQLITE: Final = {"full disk of store": "disk of store"}
_POSTGRESQL: Final = {
    "kill postgres": "postgres",
    "pause postgres": "postgres",
    "slow fsync of postgres": "tracing postgres",
    "full disk of store": "disk of store",
}
_DAMAGES: Final = ("deleted", "truncated", "overwritten")
# A round has so many faults; rounds of consecutive seeds go through all of them in turn.
_IN_TURN: Final = 4
_BY_CHANCE: Final = 2
# The last round of so many damages a file.
_CYCLE: Final = 4
_AT_ONCE: Final = 3


def faults_of(engine: Engine) -> dict[str, str]:
    """The faults that can be over again, each with what it takes up."""
    return _FAULTS | (_SQLITE if engine == "sqlite" else _POSTGRESQL)


def damages_of(engine: Engine) -> list[str]:
    """The damages to a file: of the queue, and of a store that is a file."""
    files = ("queue", "store") if engine == "sqlite" else ("queue",)
    return [f"{file} {how}" for how in _DAMAGES for file in files]


def script(engine: Engine, seed: int) -> Script:
    """The lines of round `seed`.

    press SOURCE, nonsense PORT, begin FAULT, end FAULT, look (until all that was pressed is
    acknowledged, or the trouble is said), listen (until the calipers are listened to),
    damage FILE HOW, back up (until the daily backup is made).
    """
    cycle, turn = divmod(seed, _CYCLE)
    if turn == _CYCLE - 1:
        damages = damages_of(engine)
        return damaged(damages[cycle % len(damages)], seed)
    chance = random.Random(f"{engine} {seed}")
    kinds = list(faults_of(engine))
    first = (cycle * (_CYCLE - 1) + turn) * _IN_TURN
    chosen = [kinds[(first + n) % len(kinds)] for n in range(_IN_TURN)]
    chosen += chance.choices(kinds, k=_BY_CHANCE)
    chance.shuffle(chosen)
    return _troubled(chosen, faults_of(engine), chance)


def tour(faults: Sequence[str], engine: Engine, seed: int) -> Script:
    """All of `faults` in one round, in an order drawn by chance."""
    chance = random.Random(seed)
    return _troubled(chance.sample(faults, len(faults)), faults_of(engine), chance)


def damaged(damage: str, seed: int) -> Script:
    """A round in which a file is damaged, and its program started again."""
    chance = random.Random(seed)
    lines = [*_presses(chance, 6), "look"]
    if damage.startswith("store") and chance.random() < 0.5:
        lines += ["back up", *_presses(chance, 4), "look"]
    for _ in range(4 if damage.endswith("overwritten") else 1):
        lines += [f"damage {damage}", *_presses(chance, 6)]
    process = "server" if damage.startswith("store") else "bench"
    how = chance.choice(("kill", "terminate"))
    lines += [f"begin {how} {process}", f"end {how} {process}", "listen"]
    return (*lines, *_presses(chance, 6))


def _troubled(chosen: Sequence[str], takes: dict[str, str], chance: random.Random) -> Script:
    lines: list[str] = []
    under_way: list[str] = []

    def end(fault: str) -> None:
        under_way.remove(fault)
        lines.append(f"end {fault}")
        if chance.random() < 0.7:
            lines.append("listen")
        lines.extend(_presses(chance, 4))

    for fault in chosen:
        lines += _presses(chance, 6)
        for other in [u for u in under_way if takes[u] == takes[fault]]:
            end(other)
        if under_way and (len(under_way) == _AT_ONCE or chance.random() < 0.5):
            end(chance.choice(under_way))
        lines.append(f"begin {fault}")
        under_way.append(fault)
        lines += _presses(chance, 8)
        if chance.random() < 0.7:
            lines.append("look")
    while under_way:
        end(chance.choice(under_way))
    return tuple(lines)


def _presses(chance: random.Random, most: int) -> list[str]:
    lines = [
        f"press {chance.choice(('near', 'near', 'far', 'far', 'posted'))}"
        for _ in range(chance.randint(1, most))
    ]
    if chance.random() < 0.15:
        lines.append(f"nonsense {chance.choice(('near', 'far'))}")
    return lines
