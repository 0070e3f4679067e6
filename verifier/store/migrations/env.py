"""Runs the migrations on the connection `store.migrate` hands over."""

from alembic import context

from verifier.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transaction_per_migration=False,
)
with context.begin_transaction():
    context.run_migrations()
