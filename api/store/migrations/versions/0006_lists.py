"""A trial's flags and calipers as exact lists, and the view that shows them as it always did.

Both were texts that could not be split with certainty: a caliper's name may hold spaces, and
those of a flag were written as hyphens. They stay columns of the trial's row, so that a press
writes no more rows than before.
"""

import json

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    postgresql = op.get_bind().dialect.name == "postgresql"
    op.execute("DROP VIEW trial_history")
    op.execute("ALTER TABLE trials RENAME COLUMN caliper TO calipers")
    _list_flags()
    # From the readings themselves, in their order in the trial.
    listed = "json_agg" if postgresql else "json_group_array"
    op.execute(f"""
        UPDATE trials SET calipers = coalesce((
            SELECT CAST({listed}(name) AS text) FROM (
                SELECT c.name
                FROM trial_readings p
                JOIN readings r ON r.id = p.reading_id
                JOIN calipers c ON c.id = r.caliper_id
                WHERE p.trial_id = trials.id
                GROUP BY c.name
                ORDER BY min(p.slot)
            ) AS named
        ), '[]')
    """)
    _view_trial_history(postgresql)


def _list_flags() -> None:
    """Turns hyphens back into spaces: no flag has ever had a hyphen of its own."""
    connection = op.get_bind()
    trials = sa.table("trials", sa.column("flags", sa.Text))
    for text in connection.scalars(sa.select(trials.c.flags).distinct()).all():
        flags = [flag.replace("-", " ") for flag in text.split()]
        connection.execute(
            trials.update().where(trials.c.flags == text).values(flags=json.dumps(flags))
        )


def _view_trial_history(postgresql: bool) -> None:
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
            {joined("t.calipers", "value")} AS caliper
        FROM trials t
        JOIN series s ON s.id = t.series_id
        JOIN machines m ON m.id = s.machine_id
        JOIN benches b ON b.id = s.bench_id
        WHERE t.state <> 'gone'
    """)
