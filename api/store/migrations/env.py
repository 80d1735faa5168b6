"""Alembic's entry: it runs the steps on the connection that `upgrade` hands over."""

from alembic import context

from api.store.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
