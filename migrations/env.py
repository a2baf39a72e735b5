"""Alembic's entry. The connection comes from `refdb.schema`, inside its own transaction."""

from alembic import context

from refdb.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite changes a table by rebuilding it
    transaction_per_migration=False,  # all revisions or none: refdb.schema commits
)
context.run_migrations()
