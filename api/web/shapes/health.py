"""The state of the server, its instruments and its backups."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from api.web.shapes import Out
from api.web.shapes.benches import CaliperOut


class BackupOut(Out):
    """The last good daily backup (null: none yet); `trouble`: why there is no newer one, and what
    to do, "" where all is well."""

    made_at: datetime | None
    file: str | None
    trouble: str


class LivesOut(Out):
    """What is said to everybody."""

    status: Literal["alive"] = "alive"


class HealthOut(Out):
    """`kept_beside`: how many presses wait beside a store that is damaged or gone. `backup`: null
    where no daily backups are made: they are switched off, or the store is in PostgreSQL."""

    status: Literal["ok", "store in trouble"]
    version: str
    rules: int
    store: str
    message: str = ""
    kept_beside: int = 0
    calipers: list[CaliperOut]
    backup: BackupOut | None
