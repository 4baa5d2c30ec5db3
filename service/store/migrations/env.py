"""Runs the revisions on the connection `migrate` hands over, inside its transaction."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
