"""The tables' history, kept by Alembic. `upgrade` brings a database to the newest version on a connection that is handed in."""

from pathlib import Path

from sqlalchemy import Connection


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Run the missing migrations inside the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, revision)
