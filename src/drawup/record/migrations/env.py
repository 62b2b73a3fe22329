"""Run by Alembic: takes the connection it is handed and never opens one of its own."""

from alembic import context

from drawup.record.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # The caller has begun the transaction and ends it, so that the form and its number change together or not at all.
    transactional_ddl=True,
)
context.run_migrations()
