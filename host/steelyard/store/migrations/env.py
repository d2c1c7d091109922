"""Run by Alembic: migrate on the connection that ``schema`` hands over."""

from __future__ import annotations

from alembic import context

from steelyard.store.schema import VERSION_TABLE
from steelyard.store.tables import Table

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Table.metadata,
    version_table=VERSION_TABLE,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
