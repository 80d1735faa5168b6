"""Views for those who read the database directly: trial_history and reading_history.

They are kept stable: a later step may add columns at the end, and takes none away. And an
index for the few series that study calipers, which every score asks for.
"""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    postgresql = op.get_bind().dialect.name == "postgresql"

    def uid(column: str) -> str:
        """An id as the API writes it; SQLite keeps the 32 digits alone."""
        if postgresql:
            return column
        parts = ((1, 8), (9, 4), (13, 4), (17, 4), (21, 12))
        return " || '-' || ".join(f"substr({column}, {at}, {n})" for at, n in parts)

    def millimetres(column: str) -> str:
        """Exact on PostgreSQL; on SQLite the nearest double."""
        return f"trim_scale({column} / 1000000.0)" if postgresql else f"{column} / 1000000.0"

    op.create_index("ix_series_method_started_at", "series", ["method", "started_at"])
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
            t.flags,
            t.caliper
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
            c.name AS caliper,
            r.sent,
            r.unit,
            {millimetres("r.nm")} AS mm,
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
