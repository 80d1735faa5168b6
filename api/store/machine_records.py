"""What is said of machines, calipers and setup changes, and its corrections."""

from __future__ import annotations

from typing import Final, cast

from sqlalchemy import Table, update

from api.store.stamps import now
from api.store.tables import Caliper
from api.store.transactions import Transactions

_CALIPERS: Final = cast(Table, Caliper.__table__)


class MachineRecords:
    """Corrects what was said of machines, calipers and setup changes. Safe to call from any
    thread."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def say_jaw_width(self, caliper: str, nm: int | None) -> None:
        """Remember the width of a caliper's jaws, for the series that begin from now on."""
        with self._transactions.writing() as written:
            known = written.caliper(caliper, now())
            written.connection.execute(
                update(_CALIPERS).where(_CALIPERS.c.id == known).values(jaw_width_nm=nm)
            )
