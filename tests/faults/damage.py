"""Files that are deleted, cut off or overwritten, and what may be demanded after that.

A press that was acknowledged may be lost in one case only: it is *destroyed*, that is, its text
stood in the bytes that a damage took away (the pages overwritten, what is beyond the cut, the
whole of a deleted file), and no file holds a copy that a person has the means to read. So every
press that is acknowledged after the last damage is demanded, and of those before it each whose
text the damage did not touch. Means are: the store itself where it is whole, what
`bothends doctor --salvage` makes of it, the queue beside the store, a daily backup, and the queue
of the bench elsewhere.
"""

from __future__ import annotations

import json
import random
import sqlite3
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from api.settings import KEPT_BESIDE_FILE as KEPT_BESIDE
from api.store.engine import file_in
from tests.faults.presses import Press
from tests.faults.shop import READINGS, Shop, asked

_PAGE: Final = 4096
_PAGES_AT_ONCE: Final = 3
_REFUSALS: Final = "SELECT raw FROM refusals"
_COMPANIONS: Final = ("", "-wal", "-shm")
# What a person at a damaged store can do, as `serve` says it.
_WHAT_TO_DO: Final = ("--salvage", "bothends restore", "--data")


def damage(shop: Shop, file: str, how: str, chance: random.Random) -> bytes:
    """Delete the store's or the queue's file, cut it off, or overwrite some of its pages; the bytes
    that were destroyed."""
    path = file_in(shop.folder / "shop") if file == "store" else _queue(shop.folder)
    if how == "deleted":
        # What stands in the log alone is gone with the file that it is of.
        log = path.with_name(path.name + "-wal")
        with path.open("rb") as file:
            path.unlink()
            return file.read() + (log.read_bytes() if log.exists() else b"")
    before = path.read_bytes()
    pages = len(before) // _PAGE
    with path.open("r+b") as written:
        if how == "truncated":
            end = chance.randrange(pages) * _PAGE
            written.truncate(end)
            return before[end:]
        destroyed = b""
        for page in chance.sample(range(pages), min(pages, _PAGES_AT_ONCE)):
            written.seek(page * _PAGE)
            written.write(chance.randbytes(_PAGE))
            destroyed += before[page * _PAGE : (page + 1) * _PAGE]
    return destroyed


@dataclass
class Means:
    """What there is after a damage.

    found: the texts that there is a means to read; brought: those that are in the store that was
    put in place, or wait for it in a queue. how: what was put in place.
    """

    found: set[str] = field(default_factory=set)
    brought: set[str] = field(default_factory=set)
    how: str = "the store is whole"


class Recovery:
    """What a person does after a damage, once both programs have ended: first everything is looked
    at that holds presses, then `bring_back` puts a store in place."""

    def __init__(self, shop: Shop, chance: random.Random) -> None:
        self.means = Means()
        self._shop = shop
        self._chance = chance

    @property
    def _store(self) -> Path:
        return file_in(self._shop.folder / "shop")

    def bring_back(self) -> list[str]:
        """Put a store and a queue in place; what went wrong."""
        waiting = self._queued()
        breaches: list[str] = []
        if self._shop.database is not None:
            there = {*(row.sent for row in self._shop.rows()), *self._shop.refused()}
        elif whole(self._store):
            there = _texts(self._store)
        else:
            there = self._replace(breaches)
        self.means.found |= there | waiting
        self.means.brought = there | waiting
        return breaches

    def _queued(self) -> set[str]:
        """The texts that wait in both queues. A queue that is damaged is put aside, as the bench
        program says."""
        beside = self._shop.folder / "shop" / KEPT_BESIDE
        waiting = _waiting(beside)[1] if beside.exists() else set()
        queue = _queue(self._shop.folder)
        if whole(queue, "said"):
            held, bench = _waiting(queue)
            self.means.found |= held
            return waiting | bench
        self.means.how = "the queue is put aside"
        _put_aside(queue)
        return waiting

    def _replace(self, breaches: list[str]) -> set[str]:
        """Put something in the place of the damaged store; the texts that it has."""
        new = self._shop.folder / "salvaged.sqlite"
        salvaged = set()
        if self._shop.run("doctor", "--db", self._shop.store_url, "--salvage", str(new)) == 0:
            salvaged = _texts(new)
        backups = sorted((self._store.parent / "backups").glob("*.sqlite"))
        backed_up = _texts(backups[-1]) if backups else set()
        self.means.found |= salvaged | backed_up
        if backups and (not new.exists() or self._chance.random() < 0.5):
            self.means.how = "a backup is restored"
            data = str(self._store.parent)
            if self._shop.run("restore", "latest", "--data", data) != 0:
                breaches.append("the latest backup is not restored")
            return backed_up
        _put_aside(self._store)
        if new.exists():
            self.means.how = "what was salvaged is the store"
            self._store.write_bytes(new.read_bytes())
            return salvaged
        self.means.how = "a new store is begun, with what was kept beside the old one"
        self._begin_anew(breaches)
        return set()

    def _begin_anew(self, breaches: list[str]) -> None:
        kept = list(self._store.parent.glob(f"{Path(KEPT_BESIDE).stem}*"))
        aside = [file.rename(self._shop.folder / file.name) for file in kept]
        if not self._shop.start_server() or self._shop.terminate_server() != 0:
            breaches.append("no new store can be begun")
        for file in aside:
            file.rename(self._store.parent / file.name)


def breaches_after_damage(
    stored: Iterable[str], means: Means, presses: Iterable[Press], destroyed: bytes
) -> list[str]:
    """What must not be once all is well again, and both programs have ended.

    stored: the texts in the store; presses: all of the round; destroyed: what the damages took
    away, which holds no press after the last one. Each one acknowledged is found by some means
    unless it is destroyed; what was brought is in the store once.
    """
    times = Counter(stored)
    breaches = []
    for press in presses:
        if not (press.acknowledged or press.beside):
            continue
        there = times[press.text]
        if there > 1:
            breaches.append(f"{press.text} is stored {there} times, after {means.how}")
        elif there or (press.text not in means.brought and press.text in means.found):
            continue
        elif press.text in means.brought:
            breaches.append(f"{press.text} is not stored, though {means.how}")
        elif press.text.encode() not in destroyed:
            breaches.append(
                f"{press.source} {press.text} was acknowledged, is not destroyed, and nothing that"
                f" a person can do brings it back ({means.how})"
            )
    return breaches


def told(shop: Shop) -> bool:
    """Whether a person was told of a store that is not whole, and what to do."""
    said = f"{shop.logs()} {shop.health()}"
    named = "is damaged" in said or "is missing" in said
    return named and any(words in said for words in _WHAT_TO_DO)


def intact(store: Path, presses: Iterable[Press]) -> bool:
    """Whether the store is whole and has what its server has acknowledged: a new, empty one that
    was made in the place of another is not."""
    if not whole(store):
        return False
    there = _texts(store)
    return all(p.text in there for p in presses if p.acknowledged and p.source != "far")


def whole(path: Path, table: str = "readings") -> bool:
    """Whether the SQLite file has its table, and no page of it is damaged."""
    if not path.exists():
        return False
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as file:
            file.execute(f"SELECT count(*) FROM {table}")
            return file.execute("PRAGMA integrity_check(1)").fetchall() == [("ok",)]
    except sqlite3.Error:
        return False


def _texts(store: Path) -> set[str]:
    return {row[2] for row in asked(store, READINGS)} | {raw for (raw,) in asked(store, _REFUSALS)}


def _waiting(queue: Path) -> tuple[set[str], set[str]]:
    """The texts that a queue holds, and those of them that are not handed over yet."""
    rows = asked(queue, "SELECT body, seq > (SELECT seq FROM handed_over) FROM said")
    bodies = [(json.loads(body), waits) for body, waits in rows]
    texts = [(body.get("sent", body.get("text")), waits) for body, waits in bodies]
    return {text for text, _ in texts}, {text for text, waits in texts if waits}


def _put_aside(path: Path) -> None:
    away = path.parent / "away"
    away.mkdir(exist_ok=True)
    for suffix in _COMPANIONS:
        file = path.with_name(path.name + suffix)
        if file.exists():
            file.rename(away / file.name)


def _queue(folder: Path) -> Path:
    return folder / "queue" / "bench.sqlite"
