"""Corrections, with their trail and the people named in it; questions about readings; machines and
calipers that are renamed, retired or merged. The views show calipers by the names people see, and
readings as their series reads them.
"""

import sqlalchemy as sa
from alembic import op

from api.store.tables import Moment

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    postgresql = op.get_bind().dialect.name == "postgresql"
    op.execute("DROP VIEW trial_history")
    op.execute("DROP VIEW reading_history")
    op.create_table(
        "people",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("name", name=op.f("uq_people_name")),
    )
    _changes()
    _change_of_act(postgresql)
    op.add_column("acts", sa.Column("data", sa.JSON(none_as_null=True), nullable=True))
    op.add_column("machines", sa.Column("note", sa.Text(), nullable=True))
    op.add_column("machines", sa.Column("retired_at", Moment(), nullable=True))
    op.add_column("machines", sa.Column("merged_into", sa.Uuid(), nullable=True))
    op.add_column("benches", sa.Column("awaiting", sa.Uuid(), nullable=True))
    op.add_column("calipers", sa.Column("shown", sa.Text(), server_default="", nullable=False))
    op.add_column("calipers", sa.Column("note", sa.Text(), nullable=True))
    op.add_column("calipers", sa.Column("readings_unit", sa.String(length=2), nullable=True))
    op.add_column("calipers", sa.Column("retired_at", Moment(), nullable=True))
    op.execute("UPDATE calipers SET shown = name")
    op.create_index(op.f("ix_calipers_shown"), "calipers", ["shown"])
    op.add_column("series", sa.Column("readings_unit", sa.String(length=2), nullable=True))
    op.add_column("setup_changes", sa.Column("withdrawn_at", Moment(), nullable=True))
    op.add_column("trial_readings", sa.Column("unit", sa.String(length=2), nullable=True))
    op.add_column("trial_readings", sa.Column("nm", sa.BigInteger(), nullable=True))
    if postgresql:
        op.execute("DROP TRIGGER setup_changes_append_only ON setup_changes")
        op.execute("DROP TRIGGER setup_changes_no_truncate ON setup_changes")
    else:
        for verb in ("update", "delete", "replace"):
            op.execute(f"DROP TRIGGER setup_changes_no_{verb}")
    _views(postgresql)


def _change_of_act(postgresql: bool) -> None:
    if postgresql:
        op.add_column("acts", sa.Column("change_id", sa.Uuid(), nullable=True))
        op.create_foreign_key(op.f("fk_acts_change_id"), "acts", "changes", ["change_id"], ["id"])
        return
    # SQLite adds a key to a table only with its column.
    op.execute(
        "ALTER TABLE acts ADD COLUMN change_id CHAR(32)"
        " CONSTRAINT fk_acts_change_id REFERENCES changes (id)"
    )


def _changes() -> None:
    op.create_table(
        "changes",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("act", sa.Uuid(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.Column("person_id", sa.Uuid(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("subject_kind", sa.String(length=16), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("series_id", sa.Uuid(), nullable=True),
        sa.Column("trial", sa.Integer(), nullable=True),
        sa.Column("reading_id", sa.Uuid(), nullable=True),
        sa.Column("field", sa.String(length=32), nullable=False),
        sa.Column("before", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("after", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("undoes", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_changes_person_id")),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_changes_series_id")),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["readings.id"], name=op.f("fk_changes_reading_id")
        ),
        sa.ForeignKeyConstraint(["undoes"], ["changes.id"], name=op.f("fk_changes_undoes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_changes")),
    )
    op.create_index("ix_changes_subject_kind_subject", "changes", ["subject_kind", "subject"])
    for column in ("act", "series_id", "undoes"):
        op.create_index(op.f(f"ix_changes_{column}"), "changes", [column])
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE TRIGGER changes_append_only BEFORE UPDATE OR DELETE ON changes"
            " FOR EACH ROW EXECUTE FUNCTION refuse_change()"
        )
        op.execute(
            "CREATE TRIGGER changes_no_truncate BEFORE TRUNCATE ON changes"
            " FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER changes_no_{verb.lower()} BEFORE {verb} ON changes BEGIN"
            " SELECT RAISE(ABORT, 'changes are never changed or deleted'); END"
        )
    # A REPLACE fires no trigger of DELETE.
    op.execute(
        "CREATE TRIGGER changes_no_replace BEFORE INSERT ON changes"
        " WHEN EXISTS (SELECT 1 FROM changes WHERE id = NEW.id) BEGIN"
        " SELECT RAISE(ABORT, 'changes are never changed or deleted'); END"
    )


def _views(postgresql: bool) -> None:
    def uid(column: str) -> str:
        """An id as the API writes it; SQLite keeps the 32 digits alone."""
        if postgresql:
            return column
        parts = ((1, 8), (9, 4), (13, 4), (17, 4), (21, 12))
        return " || '-' || ".join(f"substr({column}, {at}, {n})" for at, n in parts)

    def millimetres(column: str) -> str:
        """Exact on PostgreSQL; on SQLite the nearest double."""
        return f"trim_scale({column} / 1000000.0)" if postgresql else f"{column} / 1000000.0"

    def joined(column: str, value: str) -> str:
        """The texts of a list with spaces between."""
        if postgresql:
            each = f"json_array_elements_text({column}::json) WITH ORDINALITY AS each(value, at)"
            return f"(SELECT coalesce(string_agg({value}, ' ' ORDER BY at), '') FROM {each})"
        each = f"(SELECT value FROM json_each({column}) ORDER BY key)"
        return f"(SELECT coalesce(group_concat({value}, ' '), '') FROM {each})"

    shown = "(SELECT c.shown FROM calipers c WHERE c.name = value)"
    number = "numeric" if postgresql else "real"
    op.execute(f"""
        CREATE VIEW trial_history AS
        SELECT {uid("t.id")} AS trial_id,
            {uid("t.series_id")} AS series_id,
            m.name AS machine,
            m.kind AS machine_kind,
            s.method,
            b.name AS bench,
            s.started_at AS series_started_at,
            s.finished_at AS series_finished_at,
            s.strip_side,
            s.repeats,
            {millimetres("s.baseline_nm")} AS baseline_mm,
            {millimetres("s.thickness_nm")} AS thickness_mm,
            {millimetres("s.inset_nm")} AS inset_mm,
            s.person,
            s.note,
            t.number,
            t.taken_at,
            t.readings_mm,
            CAST(t.deviation_mm AS {number}) AS deviation_mm,
            t.angle_deg,
            t.tilt_deg,
            t.length_mm,
            t.expanded_uncertainty_deg,
            t.state,
            {joined("t.flags", "replace(value, ' ', '-')")} AS flags,
            {joined("t.calipers", shown)} AS caliper
        FROM trials t
        JOIN series s ON s.id = t.series_id
        JOIN machines m ON m.id = s.machine_id
        JOIN benches b ON b.id = s.bench_id
        WHERE t.state <> 'gone'
    """)
    op.execute(f"""
        CREATE VIEW reading_history AS
        SELECT {uid("r.id")} AS reading_id,
            b.name AS bench,
            r.seq AS bench_order,
            c.shown AS caliper,
            r.sent,
            coalesce(p.unit, r.unit) AS unit,
            {millimetres("coalesce(p.nm, r.nm)")} AS mm,
            r.taken_at,
            r.kept_at,
            r.origin,
            r.late,
            {uid("t.id")} AS trial_id,
            t.number AS trial,
            p.place + 1 AS place,
            {uid("s.id")} AS series_id,
            m.name AS machine,
            s.method
        FROM readings r
        JOIN benches b ON b.id = r.bench_id
        JOIN calipers c ON c.id = r.caliper_id
        LEFT JOIN trial_readings p ON p.reading_id = r.id
        LEFT JOIN trials t ON t.id = p.trial_id
        LEFT JOIN series s ON s.id = t.series_id
        LEFT JOIN machines m ON m.id = s.machine_id
    """)
