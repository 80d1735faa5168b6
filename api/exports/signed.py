"""The columns that say who made what a row tells."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import ColumnElement, func, select

from api.exports.columns import Column
from api.store.act_rows import MADE
from api.store.authors import name_of
from api.store.tables import Act, Change, Machine, Person, Series, SetupChange, Stop, Work

SIGNED: Final = (
    Column("who", "name", "who made it: the person named, else the pass; empty where nobody is"),
    Column("through", "name", "the token or device that it came by, from another computer"),
)


def names_of(
    table: type[Machine] | type[Stop] | type[SetupChange] | type[Work],
) -> tuple[ColumnElement[Any], ColumnElement[Any]]:
    """What a query selects for these columns, of a table whose rows have an author."""
    return name_of(table.person_id, "who"), name_of(table.pass_id, "through")


def began(column: str, label: str) -> ColumnElement[Any]:
    """The name of who began a series; column: `person_id`, or `pass_id` for the pass."""
    of: Any = func.coalesce(getattr(Act, column), getattr(Change, column))
    made = (
        select(Person.name)
        .select_from(Act)
        .outerjoin(Change, Change.id == Act.change_id)
        .join(Person, Person.id == of)
        .where(Act.series_id == Series.id, Act.kind.in_(MADE))
        .correlate(Series)
    )
    return made.limit(1).scalar_subquery().label(label)
