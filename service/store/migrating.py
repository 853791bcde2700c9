"""Run the migrations that are packaged beside this module."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Connection

from analytics.vocabulary.errors import PlateledgerError

_SCRIPTS = Path(__file__).parent / "migrations"


def configuration() -> Config:
    """Return the configuration of the migrations."""
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def head() -> str | None:
    """Return the newest migration."""
    return ScriptDirectory.from_config(configuration()).get_current_head()


def upgrade(connection: Connection) -> None:
    """Bring the database up to date, inside the caller's transaction.

    Raises
    ------
    PlateledgerError
        If the database was written by a newer version of the program.
    """
    config = configuration()
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, "head")
    except CommandError as exc:
        raise PlateledgerError(
            f"the database was written by a newer version of plateledger ({exc}). Update plateledger."
        ) from None
