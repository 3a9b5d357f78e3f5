"""Alembic's way into a migration. Configured in code (app.tables.migrating), not by a file."""

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, transaction_per_migration=False)
with context.begin_transaction():
    context.run_migrations()
