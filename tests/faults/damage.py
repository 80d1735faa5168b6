"""Files that are deleted, cut off or overwritten, and what may be demanded after that."""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from api.store.engine import file_in
from tests.faults.presses import Press
from tests.faults.shop import Shop

_PAGE: Final = 4096
_PAGES_AT_ONCE: Final = 3
_FILES: Final = ("*.sqlite", "*.sqlite-wal")


def damage(shop: Shop, file: str, how: str, chance: random.Random) -> None:
    """Delete the store's or the queue's file, cut it off, or overwrite some of its pages."""
    path = file_in(shop.folder / "shop") if file == "store" else _queue(shop.folder)
    if how == "deleted":
        path.unlink()
        return
    pages = path.stat().st_size // _PAGE
    with path.open("r+b") as written:
        if how == "truncated":
            written.truncate(chance.randrange(pages) * _PAGE)
            return
        for page in chance.sample(range(pages), min(pages, _PAGES_AT_ONCE)):
            written.seek(page * _PAGE)
            written.write(chance.randbytes(_PAGE))


def breaches_after_damage(shop: Shop, presses: Iterable[Press]) -> list[str]:
    """What must not be after the damage, once both programs have ended.

    `presses`: those made after it. Demanded today: each that was acknowledged is in some file of
    the folder (the store, its log, a queue, a copy), whether or not a program can open that; and
    no program prints a traceback.
    """
    files = [file.read_bytes() for pattern in _FILES for file in shop.folder.rglob(pattern)]
    stored: set[str] = set()
    if shop.database is not None:
        stored = {*(row.sent for row in shop.rows()), *shop.refused()}
    breaches = [
        f"{press.source} {press.text} was acknowledged after the damage, and is found nowhere"
        for press in presses
        if press.acknowledged
        and press.text not in stored
        and not any(press.text.encode() in file for file in files)
    ]
    if "Traceback" in shop.logs():
        breaches.append("a traceback was printed")
    return breaches


def _queue(folder: Path) -> Path:
    return folder / "queue" / "bench.sqlite"
