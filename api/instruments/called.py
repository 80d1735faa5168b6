"""What calipers are called, for what is told of them without asking the store."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection

from api.store.rows.calipers import shown_names


class Called:
    """The names of calipers as last read from the store. changed: called where they are others
    than before, so that states are told again. Safe to use from any thread."""

    def __init__(self, changed: Callable[[], None]) -> None:
        self._changed = changed
        self._shown: dict[str, str] = {}

    def read(self, connection: Connection) -> None:
        shown = shown_names(connection)
        if shown != self._shown:
            self._shown = shown
            self._changed()

    def name(self, heard_as: str) -> str:
        """What the caliper is called that is heard under this name."""
        return self._shown.get(heard_as, heard_as)
