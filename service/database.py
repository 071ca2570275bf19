"""The database: a SQLite file without any set-up, or PostgreSQL by one setting; the same code on both.

Nothing is opened at import. `open_database` gives an engine whose schema is the newest. Tables stand in
tables.py, all in its one `metadata`; a change of a table is a new file in migrations/versions.

SQLite needs three guards, each against something that was seen to happen:
- Every transaction that may write begins with BEGIN IMMEDIATE. Python's own way takes the write lock only at
  the first change, so two processes may both read "free" and both go on.
- WAL and a long busy timeout: readers do not wait for the writer, writers wait for each other.
- `unixepoch` where SQLite is older than 3.42 and cannot give parts of a second.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from sqlalchemy import event

from service.errors import BadSettings, DatabaseAway, StoreFailed
from service.whole_files import made_folder

if TYPE_CHECKING:
    from alembic.config import Config

NEWEST = "0007"
"""The migration that the tables of tables.py belong to; a test holds it against migrations/versions."""
MIGRATIONS = Path(__file__).with_name("migrations")
BUSY_MS = 30_000
CONNECT_S = 3
POOL = 8
MIGRATION_LOCK = 7_166_201
"""PostgreSQL: held while migrating, so that of several services that start at once one migrates."""
READING = {"benchwarden_reading": True}


class Database:
    """A database that is opened by its first use. Threads may share it."""

    def __init__(self, url: str) -> None:
        self.url = url
        self._engine: sa.Engine | None = None
        self._opening = threading.Lock()

    @property
    def engine(self) -> sa.Engine:
        """Raises what `open_database` raises; the next use tries again."""
        with self._opening:
            if self._engine is None:
                self._engine = open_database(self.url)
            return self._engine

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """For questions: a writer is not waited for. Raises DatabaseAway, StoreFailed."""
        engine = self.engine
        with translated(self.url), reading(engine) as connection:
            yield connection

    @contextmanager
    def changing(self) -> Iterator[sa.Connection]:
        """One transaction: all of the block or nothing. Raises DatabaseAway, StoreFailed."""
        engine = self.engine
        with translated(self.url), engine.begin() as connection:
            yield connection

    def now(self, connection: sa.Connection) -> float:
        """Seconds since 1970 by the database's clock, which all its users share."""
        if connection.dialect.name == "sqlite":
            return time.time()
        return float(connection.execute(sa.text("SELECT extract(epoch FROM clock_timestamp())")).scalar_one())

    def close(self) -> None:
        """Let go of all connections; a later use opens anew."""
        with self._opening:
            if self._engine is not None:
                self._engine.dispose()
                self._engine = None


def open_database(url: str) -> sa.Engine:
    """An engine on the database at its newest schema; a SQLite file is made when it is missing.

    Raises:
        BadSettings: `url` is none, or the database was written by a newer Benchwarden.
        DatabaseAway: nothing answers there.
        StoreFailed: the file cannot be made or read.
    """
    engine = make_engine(url)
    try:
        with translated(url):
            migrate(engine)
    except BaseException:
        engine.dispose()
        raise
    return engine


def make_engine(url: str, *, guarded: bool = True) -> sa.Engine:
    """An engine and nothing more. Without `guarded`, SQLite transactions begin as their users say themselves.

    Raises:
        BadSettings: neither sqlite:///FILE nor postgresql://...
    """
    target = database_url(url)
    if target.get_backend_name() == "postgresql":
        return sa.create_engine(
            target,
            pool_size=POOL,
            max_overflow=POOL,
            pool_pre_ping=True,
            json_serializer=_json,
            connect_args={"connect_timeout": CONNECT_S},
        )
    if target.database:
        made_folder(Path(target.database).parent)
    engine = sa.create_engine(
        target,
        connect_args={"isolation_level": None, "check_same_thread": False},
        json_serializer=_json,
    )
    event.listen(engine, "connect", _prepare_sqlite)
    if guarded:
        guard_transactions(engine)
    return engine


def guard_transactions(engine: sa.Engine) -> None:
    """From now on each transaction of a SQLite engine takes the write lock at its beginning."""
    if engine.dialect.name == "sqlite":
        event.listen(engine, "begin", _begin_sqlite)


def database_url(url: str) -> sa.URL:
    """The setting as an address with a driver. BadSettings for anything else."""
    try:
        target = sa.make_url(url)
    except sa.exc.ArgumentError:
        raise BadSettings(
            f"database {url[:60]!r} is no address; give sqlite:///FILE or postgresql://..."
        ) from None
    if target.get_backend_name() == "postgresql":
        return target.set(drivername="postgresql+psycopg")
    if target.drivername == "sqlite" and target.database not in (None, "", ":memory:"):
        return target
    shown = target.render_as_string(hide_password=True)
    raise BadSettings(f"database {shown!r} cannot be used; give sqlite:///FILE or postgresql://...")


@contextmanager
def reading(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A connection that only reads: on SQLite it waits for no writer."""
    with engine.connect().execution_options(**READING) as connection, connection.begin():
        yield connection


def lock_named(connection: sa.Connection, name: str) -> None:
    """Until the end of the transaction nobody else holds the lock of that name. SQLite lets one transaction
    change things at a time anyway.
    """
    if connection.dialect.name == "postgresql":
        digest = hashlib.sha256(name.encode()).digest()[:8]
        key = int.from_bytes(digest, "big", signed=True)
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(key)))


@contextmanager
def translated(where: str) -> Iterator[None]:
    """Errors of the database as ours: DatabaseAway when trying later may help, else StoreFailed."""
    try:
        yield
    except sa.exc.OperationalError as error:
        words = " ".join(str(error.orig).split())[:300]
        if _is_away(error):
            raise DatabaseAway(f"the database does not answer: {words}") from error
        raise StoreFailed(f"the database {_shown(where)} refused: {words}") from error
    except sa.exc.InterfaceError as error:
        raise DatabaseAway(
            f"the database does not answer: {' '.join(str(error.orig).split())[:300]}"
        ) from error
    except sa.exc.DatabaseError as error:
        if type(error) is not sa.exc.DatabaseError:
            raise  # a broken promise between rows, or a mistake in the program
        raise StoreFailed(f"the database {_shown(where)} cannot be used: {error.orig}") from error
    except sa.exc.TimeoutError as error:
        raise DatabaseAway(f"no connection to the database became free: {error}") from error
    except OSError as error:
        raise StoreFailed(
            f"the database {_shown(where)} cannot be made: {error.strerror or error}"
        ) from error


def migrate(engine: sa.Engine) -> None:
    """Bring the schema to NEWEST. Raises BadSettings when it is newer than this program."""
    if current(engine) == NEWEST:
        return
    from alembic import command
    from alembic.util import CommandError

    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(MIGRATION_LOCK)))
        config = alembic_config()
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, "head")
        except CommandError as error:
            raise BadSettings(
                f"the database has a schema that this version does not know ({error}): use the Benchwarden "
                "that made it, or a newer one"
            ) from error


def current(engine: sa.Engine) -> str | None:
    """The migration at which the database is; None for an empty one."""
    with reading(engine) as connection:
        if not sa.inspect(connection).has_table("alembic_version"):
            return None
        return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def alembic_config() -> Config:
    """For the migrations in this package; the connection goes into `attributes`."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    return config


def _json(value: Any) -> str:
    """NaN is no JSON: PostgreSQL refuses it, and so shall SQLite."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _prepare_sqlite(connection: Any, _record: object) -> None:
    for pragma in (
        f"busy_timeout={BUSY_MS}",
        "journal_mode=WAL",
        "synchronous=FULL",  # a capture that the record names must be there after a power cut
        "foreign_keys=ON",
    ):
        connection.execute(f"PRAGMA {pragma}")
    if sqlite3.sqlite_version_info < (3, 42):
        connection.create_function("unixepoch", 1, lambda _modifier: time.time())


def _begin_sqlite(connection: sa.Connection) -> None:
    options = connection.get_execution_options()
    connection.exec_driver_sql("BEGIN" if options.get("benchwarden_reading") else "BEGIN IMMEDIATE")


def _is_away(error: sa.exc.OperationalError) -> bool:
    if error.connection_invalidated or not isinstance(error.orig, sqlite3.Error):
        return True
    return "locked" in str(error.orig)


def _shown(where: str) -> str:
    try:
        return sa.make_url(where).render_as_string(hide_password=True)
    except sa.exc.ArgumentError:
        return where
