"""Open the database, bring it up to date, and give out transactions.

Lives here: the engine and the two kinds of transaction. What is read and written in them is in the
modules beside this one; each of their functions takes the connection.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Self

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DatabaseError, OperationalError

from analytics.vocabulary.errors import PlateledgerError

HEAD = "0007"  # the newest migration; a test holds it against the scripts
_WRITES = "plateledger_writes"
# The key of the lock that lets one import or assessment at a time write to PostgreSQL.
_WRITE_LOCK = 8_420_001


class StoreError(PlateledgerError):
    """The database cannot be opened or used."""


class Store:
    """A plant's database."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    @classmethod
    def open(cls, url: str) -> Self:
        """Open the database at ``url`` and run the migrations it lacks.

        Raises
        ------
        StoreError
            If it cannot be reached, is no database, or is newer than this program.
        """
        try:
            engine = _engine(url)
            _migrate(engine)
        except ArgumentError:
            raise StoreError(
                f"database URL {url!r} cannot be read. Write it as "
                "postgresql://user@host/database or sqlite:///file."
            ) from None
        except (OperationalError, DatabaseError) as exc:
            shown = make_url(url).render_as_string(hide_password=True)
            reason = str(exc.orig).strip().splitlines()[0]
            raise StoreError(
                f"{shown}: cannot be opened, {reason}. Check the path, the server and the rights."
            ) from None
        return cls(engine)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the database throughout."""
        with self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a connection whose changes are stored together at the end, or not at all.

        One writer at a time, on both databases; another one waits.
        """
        writes = self.engine.execution_options(**{_WRITES: True})
        with writes.connect() as connection, connection.begin():
            if connection.dialect.name == "postgresql":
                connection.execute(text(f"SELECT pg_advisory_xact_lock({_WRITE_LOCK})"))
            yield connection

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def _engine(url: str) -> Engine:
    parsed = make_url(url)
    if parsed.drivername in ("postgresql", "postgres"):
        parsed = parsed.set(drivername="postgresql+psycopg")
    if not parsed.drivername.startswith("sqlite"):
        return create_engine(parsed, pool_pre_ping=True)
    engine = create_engine(parsed, connect_args={"timeout": 900.0})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    # The driver would open transactions on its own, and not before CREATE TABLE; see _begin_sqlite.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode=WAL",
        "synchronous=NORMAL",
        "foreign_keys=ON",
        "cache_size=-65536",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    # a writer that starts as a reader may find itself overtaken and would have to give up
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _migrate(engine: Engine) -> None:
    with engine.connect() as connection:
        present = engine.dialect.has_table(connection, "alembic_version")
        version = (
            connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
            if present
            else None
        )
    if version == HEAD:
        return
    # imported only when needed: it costs a quarter of the start-up of every command
    from service.store.migrating import upgrade

    with engine.connect().execution_options(**{_WRITES: True}) as connection, connection.begin():
        upgrade(connection)
