"""Run by Alembic: migrate on the connection that `replay.record.database` holds."""

from __future__ import annotations

from alembic import context

from replay.record.schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    transactional_ddl=True,
)
context.run_migrations()
