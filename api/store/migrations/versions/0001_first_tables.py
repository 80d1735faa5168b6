"""The first tables, and the triggers that keep what was said at a bench as it was said."""

import sqlalchemy as sa
from alembic import op

from api.store.tables import Moment

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

APPEND_ONLY = ("readings", "acts", "refusals", "setup_changes")


def upgrade() -> None:
    op.create_table(
        "benches",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("last_seq", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("clock_behind_ms", sa.BigInteger(), nullable=True),
        sa.Column("clock_checked_at", Moment(), nullable=True),
        sa.Column("series_id", sa.Uuid(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_benches")),
        sa.UniqueConstraint("name", name=op.f("uq_benches_name")),
    )
    op.create_table(
        "calipers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("first_heard_at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calipers")),
        sa.UniqueConstraint("name", name=op.f("uq_calipers_name")),
    )
    op.create_table(
        "machines",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("created_at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machines")),
        sa.UniqueConstraint("name", name=op.f("uq_machines_name")),
    )
    op.create_table(
        "events",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("bench_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("subject", sa.Uuid(), nullable=True),
        sa.Column("data", sa.JSON(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name=op.f("fk_events_bench_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_events")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_events_kind_id", "events", ["kind", "id"], unique=False)
    op.create_index("ix_events_bench_id_id", "events", ["bench_id", "id"], unique=False)
    op.create_table(
        "readings",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("bench_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("caliper_id", sa.Integer(), nullable=False),
        sa.Column("sent", sa.Text(), nullable=False),
        sa.Column("unit", sa.String(length=2), nullable=False),
        sa.Column("nm", sa.BigInteger(), nullable=False),
        sa.Column("taken_at", Moment(), nullable=False),
        sa.Column("kept_at", Moment(), nullable=False),
        sa.Column("origin", sa.String(length=8), nullable=False),
        sa.Column("since_previous_ms", sa.BigInteger(), nullable=True),
        sa.Column("late", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name=op.f("fk_readings_bench_id")),
        sa.ForeignKeyConstraint(
            ["caliper_id"], ["calipers.id"], name=op.f("fk_readings_caliper_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sa.UniqueConstraint("bench_id", "seq", name=op.f("uq_readings_bench_id_seq")),
    )
    op.create_table(
        "refusals",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("bench_id", sa.Integer(), nullable=False),
        sa.Column("caliper_id", sa.Integer(), nullable=False),
        sa.Column("raw", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("heard_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name=op.f("fk_refusals_bench_id")),
        sa.ForeignKeyConstraint(
            ["caliper_id"], ["calipers.id"], name=op.f("fk_refusals_caliper_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_refusals")),
    )
    op.create_index(op.f("ix_refusals_bench_id"), "refusals", ["bench_id"], unique=False)
    op.create_table(
        "series",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("bench_id", sa.Integer(), nullable=False),
        sa.Column("method", sa.String(length=64), nullable=False),
        sa.Column("unit", sa.String(length=2), nullable=False),
        sa.Column("baseline", sa.Text(), nullable=True),
        sa.Column("baseline_nm", sa.BigInteger(), nullable=True),
        sa.Column("thickness", sa.Text(), nullable=True),
        sa.Column("thickness_nm", sa.BigInteger(), nullable=True),
        sa.Column("inset", sa.Text(), nullable=False),
        sa.Column("inset_nm", sa.BigInteger(), nullable=False),
        sa.Column("strip_side", sa.String(length=5), nullable=False),
        sa.Column("repeats", sa.Integer(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=True),
        sa.Column("tolerance_deg", sa.Text(), nullable=True),
        sa.Column("tolerance_gap", sa.Text(), nullable=True),
        sa.Column("tolerance_joint", sa.Text(), nullable=True),
        sa.Column("tolerance_length", sa.Text(), nullable=True),
        sa.Column("tolerance_nominal", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("started_at", Moment(), nullable=False),
        sa.Column("finished_at", Moment(), nullable=True),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name=op.f("fk_series_bench_id")),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name=op.f("fk_series_machine_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_series")),
    )
    op.create_index(op.f("ix_series_bench_id"), "series", ["bench_id"], unique=False)
    op.create_index(
        "ix_series_machine_id_started_at", "series", ["machine_id", "started_at"], unique=False
    )
    op.create_table(
        "setup_changes",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("machine_id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("recorded_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name=op.f("fk_setup_changes_machine_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_setup_changes")),
    )
    op.create_index(
        "ix_setup_changes_machine_id_at", "setup_changes", ["machine_id", "at"], unique=False
    )
    op.create_table(
        "acts",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("bench_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("series_id", sa.Uuid(), nullable=True),
        sa.Column("layout", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("reading_id", sa.Uuid(), nullable=True),
        sa.Column("trial", sa.Integer(), nullable=True),
        sa.Column("at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name=op.f("fk_acts_bench_id")),
        sa.ForeignKeyConstraint(["reading_id"], ["readings.id"], name=op.f("fk_acts_reading_id")),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_acts_series_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_acts")),
        sa.UniqueConstraint("bench_id", "seq", name=op.f("uq_acts_bench_id_seq")),
    )
    op.create_index(op.f("ix_acts_series_id"), "acts", ["series_id"], unique=False)
    op.create_table(
        "trials",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("series_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("swapped", sa.Boolean(), nullable=False),
        sa.Column("flags", sa.Text(), nullable=False),
        sa.Column("taken_at", Moment(), nullable=True),
        sa.Column("readings_mm", sa.Text(), nullable=False),
        sa.Column("deviation_mm", sa.Text(), nullable=True),
        sa.Column("angle_deg", sa.Double(), nullable=True),
        sa.Column("tilt_deg", sa.Double(), nullable=True),
        sa.Column("length_mm", sa.Double(), nullable=True),
        sa.Column("expanded_uncertainty_deg", sa.Double(), nullable=True),
        sa.Column("caliper", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["series_id"], ["series.id"], name=op.f("fk_trials_series_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trials")),
        sa.UniqueConstraint("series_id", "number", name=op.f("uq_trials_series_id_number")),
    )
    op.create_table(
        "trial_readings",
        sa.Column("trial_id", sa.Uuid(), nullable=False),
        sa.Column("slot", sa.Integer(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("reading_id", sa.Uuid(), nullable=False),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["readings.id"], name=op.f("fk_trial_readings_reading_id")
        ),
        sa.ForeignKeyConstraint(
            ["trial_id"], ["trials.id"], name=op.f("fk_trial_readings_trial_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("trial_id", "slot", name=op.f("pk_trial_readings")),
    )
    op.create_index(
        op.f("ix_trial_readings_reading_id"), "trial_readings", ["reading_id"], unique=False
    )
    _forbid_changes()


def _forbid_changes() -> None:
    """Make the append-only tables refuse every UPDATE and DELETE."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
            " RAISE EXCEPTION '% are never changed or deleted', TG_TABLE_NAME; END $$"
        )
        for table in APPEND_ONLY:
            op.execute(
                f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table}"
                " FOR EACH ROW EXECUTE FUNCTION refuse_change()"
            )
            # A TRUNCATE fires no row trigger.
            op.execute(
                f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table}"
                " FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            )
        return
    for table in APPEND_ONLY:
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN"
                f" SELECT RAISE(ABORT, '{table} are never changed or deleted'); END"
            )
