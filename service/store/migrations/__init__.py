"""Alembic revisions of the schema, run by `service.store.database.migrate` alone."""
