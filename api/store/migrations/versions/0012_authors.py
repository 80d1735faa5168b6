"""Who did it: acts, corrections, readings, and the rows that people make, name their author.

In changes of an earlier form the trail held the name of who measured. It holds the person from now
on, so that one who is renamed or made anonymous is so there too.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

from api.store.stamps import new_id

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_MADE = ("machines", "stops", "works", "setup_changes")


def upgrade() -> None:
    for table in ("acts", *_MADE):
        _refer_to_people(table, "person_id")
    for table in ("acts", "changes", "readings", *_MADE):
        _refer_to_people(table, "pass_id")
    _name_people_by_id()


def _refer_to_people(table: str, column: str) -> None:
    name = op.f(f"fk_{table}_{column}")
    if op.get_bind().dialect.name == "postgresql":
        op.add_column(table, sa.Column(column, sa.Uuid(), nullable=True))
        op.create_foreign_key(name, table, "people", [column], ["id"])
        return
    # SQLite adds a key to a table only with its column.
    op.execute(
        f"ALTER TABLE {table} ADD COLUMN {column} CHAR(32) CONSTRAINT {name} REFERENCES people (id)"
    )


def _name_people_by_id() -> None:
    connection = op.get_bind()
    said = [sa.column(name, sa.JSON(none_as_null=True)) for name in ("before", "after")]
    changes = sa.table(
        "changes", sa.column("id", sa.Uuid()), sa.column("field", sa.String()), *said
    )
    found = connection.execute(sa.select(changes).where(changes.c.field == "person")).all()
    earlier = [row for row in found if isinstance(row.before, str) or isinstance(row.after, str)]
    if not earlier:
        return
    people = sa.table("people", sa.column("id", sa.Uuid()), sa.column("name", sa.Text()))
    ids = {row.name: row.id for row in connection.execute(sa.select(people))}

    def held(value: Any) -> Any:
        if not isinstance(value, str):
            return value
        if value not in ids:
            ids[value] = new_id()
            connection.execute(people.insert().values(id=ids[value], name=value))
        return {"person": str(ids[value])}

    _let_changes_change(True)
    for row in earlier:
        connection.execute(
            changes.update()
            .where(changes.c.id == row.id)
            .values(before=held(row.before), after=held(row.after))
        )
    _let_changes_change(False)


def _let_changes_change(may: bool) -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"ALTER TABLE changes {'DISABLE' if may else 'ENABLE'} TRIGGER changes_append_only"
        )
    elif may:
        op.execute("DROP TRIGGER changes_no_update")
    else:
        op.execute(
            "CREATE TRIGGER changes_no_update BEFORE UPDATE ON changes BEGIN"
            " SELECT RAISE(ABORT, 'changes are never changed or deleted'); END"
        )
