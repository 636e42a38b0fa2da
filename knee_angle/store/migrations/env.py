"""Runs the migrations on the connection, and in the transaction, that it is handed."""

from alembic import context

from knee_angle.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite can roll back CREATE TABLE too; our connections begin by themselves.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
