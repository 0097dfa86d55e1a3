"""Run by Alembic: revisions go through the connection that `upgrade_within` gives."""

from __future__ import annotations

from alembic import context

from drainledger.store.schema import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
context.run_migrations()
