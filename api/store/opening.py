"""Opening a store: made where there is none yet, upgraded where it is whole, and nothing but read
where it is damaged."""

from __future__ import annotations

from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import Engine

from api.settings import KEPT_BESIDE_FILE, Settings
from api.store import backups, migrations, restoring, schema_step
from api.store.condition import damaged
from api.store.damage import looked_through
from api.store.engine import DamagedStore, StoreError, open_engine, sqlite_file, sqlite_url
from api.store.place import look
from api.store.private import make_private

# How long a start waits for the check of the whole file, which goes on after that.
_CHECK_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Opened:
    """What is wrong with a store, where it is damaged; and the check of the whole file, where that
    still goes on."""

    damage: str = ""
    check: Future[str] | None = None


def open_store(settings: Settings) -> Engine:
    """The engine of the store, upgraded to the present schema.

    Raises StoreError where it cannot be opened, or is damaged; the message says what to do.
    """
    engine = engine_of(settings)
    found = bring_up_to_date(engine, settings)
    if found.damage:
        engine.dispose()
        path = sqlite_file(engine.url)
        assert path is not None
        latest = backups.latest_good(path)
        raise DamagedStore(damaged(path, settings.data, found.damage, latest))
    return engine


def engine_of(settings: Settings) -> Engine:
    """The engine of the store, which is not looked at yet; its folder is made."""
    try:
        make_private(settings.data)
    except OSError as error:
        raise StoreError(
            f"the data folder {settings.data} cannot be made ({error.strerror});"
            " give another with --data"
        ) from None
    return open_engine(settings.db or sqlite_url(settings.data))


def bring_up_to_date(engine: Engine, settings: Settings, *, serving: bool = False) -> Opened:
    """Bring the store to the present schema, where it is whole; nothing is written where it is not.

    The whole file is looked through for a server, and before an upgrade: it takes 10 s for a
    million readings, which a command that asks once need not wait for.
    Raises StoreError where it cannot be opened at all; the message says what to do.
    """
    path = sqlite_file(engine.url)
    check = None
    if path is not None:
        restoring.refuse_unfinished(path, settings.data)
        found = look(path)
        if found.state == "nothing" and (evidence := _was_there(path, settings.data)):
            return Opened(evidence)
        if found.state == "damaged":
            return Opened(found.why)
        schema_step.refuse_unknown(found.step)
        if found.state == "store" and (serving or found.step != schema_step.HEAD):
            check = looked_through(path)
            with suppress(TimeoutError):
                if why := check.result(_CHECK_S):
                    return Opened(why)
    try:
        migrations.upgrade(engine)
    except DamagedStore as error:
        return Opened(str(error))
    make_private(settings.data)  # what was made now
    return Opened(check=check)


def _was_there(path: Path, data: Path) -> str:
    """Why a store that is not at `path` must have been there; empty where it need not have been."""
    if (data / KEPT_BESIDE_FILE).exists():
        return "it is not there or empty, and presses wait for it"
    if backups.latest_good(path) is not None:
        return "it is not there or empty, and there is a backup of it"
    return ""
