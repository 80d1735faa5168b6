"""A series keeps the method of the user's own that it follows, and how well its lengths are
known; and on SQLite a row that is there can't be replaced either.

SQLite runs no delete trigger for INSERT OR REPLACE unless the connection asks for it, and a
database tool does not ask.
"""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

APPEND_ONLY = {
    "readings": "id = NEW.id OR (bench_id = NEW.bench_id AND seq = NEW.seq)",
    "acts": "id = NEW.id OR (bench_id = NEW.bench_id AND seq = NEW.seq)",
    "refusals": "id = NEW.id",
    "setup_changes": "id = NEW.id",
}


def upgrade() -> None:
    op.add_column("series", sa.Column("method_data", sa.JSON(none_as_null=True), nullable=True))
    for name in ("baseline_within", "inset_within", "straightness"):
        op.add_column("series", sa.Column(name, sa.Text(), nullable=True))
    if op.get_bind().dialect.name == "sqlite":
        for table, same in APPEND_ONLY.items():
            op.execute(
                f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table}"
                f" WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) BEGIN"
                f" SELECT RAISE(ABORT, '{table} are never changed or deleted'); END"
            )
