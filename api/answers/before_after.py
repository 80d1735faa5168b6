"""Two series of one machine, and what happened to it between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row

from analysis.methods import Quantity
from api.answers.comparable import ComparableSeries, ComparableValues, names, notes, values_of
from api.answers.machine_state import KIND_WORDS
from api.errors import InvalidField
from api.store.rows.machines import setup_changes


@dataclass(frozen=True, slots=True, eq=False)
class BeforeAfter:
    """The series before and the one after, what sentences call them, and their values.

    changes: the rows of the setup changes recorded between the two.
    """

    before: ComparableSeries
    after: ComparableSeries
    names: tuple[str, ...]
    changes: tuple[Row[Any], ...]
    values: ComparableValues
    notes: tuple[str, ...]

    @property
    def happened(self) -> tuple[str, ...]:
        """The kinds of the changes, each once, except a swing to an angle and back."""
        return tuple(dict.fromkeys(c.kind for c in self.changes if c.kind != "swung and back"))

    @property
    def done(self) -> str:
        """The same kinds in words that follow "it was"; empty where there are none."""
        return " and ".join(KIND_WORDS.get(kind, kind) for kind in self.happened)


def before_after(
    connection: Connection, before: ComparableSeries, after: ComparableSeries, quantity: Quantity
) -> BeforeAfter:
    """The two with their values of `quantity`.

    Raises InvalidField where they are of different machines or stops, or in the wrong order.
    """
    machine = before.row.machine_id
    if after.row.machine_id != machine:
        raise InvalidField(
            "after",
            f"is a series of another machine; choose one of {before.row.machine_name}, cut later",
        )
    if after.row.stop_id != before.row.stop_id:
        raise InvalidField(
            "after",
            f"was cut at the stop {after.row.stop}, and the other series at {before.row.stop};"
            " choose one of the same stop",
        )
    begun = (before.row.started_at, after.row.started_at)
    if begun[0] > begun[1]:
        raise InvalidField("after", "was cut before the other series; change them round")
    pair = (before, after)
    changes = setup_changes(connection, machine)
    return BeforeAfter(
        before=before,
        after=after,
        names=names(pair),
        # A change and a series of the same moment: the change came first.
        changes=tuple(c for c in changes if begun[0] < c.at <= begun[1]),
        values=values_of(pair, quantity),
        notes=(*notes(pair), *_what_differs(before, after)),
    )


def _what_differs(before: ComparableSeries, after: ComparableSeries) -> tuple[str, ...]:
    """A note on what was measured differently in the two series, so that its error does not
    cancel; empty where nothing was."""
    differs = []
    if before.calipers != after.calipers and before.calipers and after.calipers:
        differs.append("caliper")
    if (before.row.baseline, before.row.unit) != (after.row.baseline, after.row.unit):
        differs.append("length of the cut")
    if before.row.inset != after.row.inset:
        differs.append("inset of the jaws")
    if not differs:
        return ()
    return (
        f"Not the same before and after: {', '.join(differs)}. Keep it the same where you can.",
    )
