"""Run by Alembic: the connection, with its open transaction, comes from monitor.store.database."""

from alembic import context

from monitor.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
    render_as_batch=True,
)
context.run_migrations()
