"""Series in the order of time: all of them for their list, page by page, and those of a machine
by method and side for the latest of each. Neither sorts, nor reads the table."""

from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_series_started_at_id", "series", ["started_at", "id"])
    op.create_index(
        "ix_series_machine_id_method_strip_side",
        "series",
        ["machine_id", "method", "strip_side", "started_at", "id"],
    )
