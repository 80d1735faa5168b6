"""An act may resume a series. Nothing changes in the tables: the step keeps a program that does
not know this act from reading a log that may hold it."""

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass
