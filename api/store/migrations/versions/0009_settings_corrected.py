"""How often settings of the series of a bench were corrected: no process goes on with old ones."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column(
        "benches", sa.Column("corrected", sa.Integer(), server_default="0", nullable=False)
    )
