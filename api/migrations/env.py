"""Alembic's entry: migrations run on the connection that api.migrations hands in, never on one of their own."""

from alembic import context

from api.tables import METADATA

context.configure(connection=context.config.attributes["connection"], target_metadata=METADATA, render_as_batch=True)
context.run_migrations()
