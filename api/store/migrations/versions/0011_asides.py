"""Which readings are in no trial, and why; the views say what became of each reading, and at which
stop and visit a strip was cut. The rows are written after the steps (`api.store.asides`).
"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "asides",
        sa.Column("reading_id", sa.Uuid(), nullable=False),
        sa.Column("series_id", sa.Uuid(), nullable=False),
        sa.Column("why", sa.String(length=16), nullable=False),
        sa.ForeignKeyConstraint(["reading_id"], ["readings.id"], name=op.f("fk_asides_reading_id")),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_asides_series_id")),
        sa.PrimaryKeyConstraint("reading_id", name=op.f("pk_asides")),
    )
    op.create_index(op.f("ix_asides_series_id"), "asides", ["series_id"])
    op.execute("DROP VIEW trial_history")
    op.execute("DROP VIEW reading_history")
    _views(op.get_bind().dialect.name == "postgresql")


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
            {joined("t.calipers", shown)} AS caliper,
            st.name AS stop,
            CAST(st.nominal_deg AS {number}) AS nominal_deg,
            t.visit
        FROM trials t
        JOIN series s ON s.id = t.series_id
        JOIN machines m ON m.id = s.machine_id
        JOIN benches b ON b.id = s.bench_id
        LEFT JOIN stops st ON st.id = s.stop_id
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
            s.method,
            CASE
                WHEN a.why IS NOT NULL THEN a.why
                WHEN t.id IS NULL THEN 'in no trial'
                WHEN t.state = 'left out' THEN 'left out'
                ELSE 'counted'
            END AS fate
        FROM readings r
        JOIN benches b ON b.id = r.bench_id
        JOIN calipers c ON c.id = r.caliper_id
        LEFT JOIN asides a ON a.reading_id = r.id
        LEFT JOIN trial_readings p ON p.reading_id = r.id
        LEFT JOIN trials t ON t.id = p.trial_id
        LEFT JOIN series s ON s.id = t.series_id
        LEFT JOIN machines m ON m.id = s.machine_id
    """)
