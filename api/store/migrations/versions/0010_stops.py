"""Stops of machines, works, visits; a person's own interval between checks.

Each machine gets the stop `square`, and all its series belong to it.
"""

import sqlalchemy as sa
from alembic import op

from api.store.stamps import new_id
from api.store.tables import Moment

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "stops",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("nominal_deg", sa.Text(), nullable=False),
        sa.Column("bevel_deg", sa.Text(), nullable=False),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("retired_at", Moment(), nullable=True),
        sa.Column("check_days", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_stops_machine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stops")),
        sa.UniqueConstraint("machine_id", "name", name=op.f("uq_stops_machine_id_name")),
    )
    op.create_table(
        "works",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("unit", sa.String(length=2), nullable=False),
        sa.Column("tolerance_deg", sa.Text(), nullable=True),
        sa.Column("gap", sa.Text(), nullable=True),
        sa.Column("joint", sa.Text(), nullable=True),
        sa.Column("parts", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("created_at", Moment(), nullable=False),
        sa.Column("retired_at", Moment(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_works")),
        sa.UniqueConstraint("name", name=op.f("uq_works_name")),
    )
    _refer_to("stop_id", "stops")
    _refer_to("work_id", "works")
    op.create_index(op.f("ix_series_stop_id"), "series", ["stop_id"])
    op.add_column("trials", sa.Column("visit", sa.Integer(), server_default="1", nullable=False))
    op.add_column("calipers", sa.Column("check_days", sa.Integer(), nullable=True))
    op.add_column("calipers", sa.Column("certificate", sa.Text(), nullable=True))
    _squares()
    op.drop_index("ix_series_machine_id_method_strip_side", "series")
    op.create_index(
        "ix_series_machine_id_stop_id_method_strip_side",
        "series",
        ["machine_id", "stop_id", "method", "strip_side", "started_at", "id"],
    )


def _refer_to(column: str, table: str) -> None:
    name = op.f(f"fk_series_{column}")
    if op.get_bind().dialect.name == "postgresql":
        op.add_column("series", sa.Column(column, sa.Uuid(), nullable=True))
        op.create_foreign_key(name, "series", table, [column], ["id"])
        return
    # SQLite adds a key to a table only with its column.
    op.execute(
        f"ALTER TABLE series ADD COLUMN {column} CHAR(32) CONSTRAINT {name} REFERENCES {table} (id)"
    )


def _squares() -> None:
    connection = op.get_bind()
    machine = sa.table("machines", sa.column("id", sa.Uuid()), sa.column("created_at", Moment()))
    texts = [sa.column(name, sa.Text()) for name in ("name", "nominal_deg", "bevel_deg")]
    ids = [sa.column(name, sa.Uuid()) for name in ("id", "machine_id")]
    stop = sa.table("stops", *ids, *texts, sa.column("created_at", Moment()))
    for row in connection.execute(sa.select(machine).order_by(machine.c.id)).all():
        connection.execute(
            stop.insert().values(
                id=new_id(),
                machine_id=row.id,
                name="square",
                nominal_deg="0",
                bevel_deg="0",
                created_at=row.created_at,
            )
        )
    op.execute(
        "UPDATE series SET stop_id ="
        " (SELECT stops.id FROM stops WHERE stops.machine_id = series.machine_id)"
    )
