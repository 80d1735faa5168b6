"""The width of jaws, of a caliper and as a series copied it; how well a thickness is known; how
many strips a series was to have; and by which rules the store's verdicts were said."""

import sqlalchemy as sa
from alembic import op

from api.store.tables import Moment

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("calipers", sa.Column("jaw_width_nm", sa.BigInteger(), nullable=True))
    op.add_column("series", sa.Column("thickness_within", sa.Text(), nullable=True))
    op.add_column("series", sa.Column("jaw_width_nm", sa.BigInteger(), nullable=True))
    op.add_column("series", sa.Column("strips", sa.Integer(), nullable=True))
    op.create_table(
        "rules_said",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("rules", sa.Integer(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("said_at", Moment(), nullable=False),
        sa.Column("changed", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("seen_at", Moment(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rules_said")),
        sa.UniqueConstraint("rules", name=op.f("uq_rules_said_rules")),
    )
