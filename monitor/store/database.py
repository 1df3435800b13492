"""Opening the record's file: SQLite settings, transactions, schema versions, errors.

All that is particular to SQLite is here (and the two index conditions in the schema).
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from sqlalchemy import Connection, Engine, Table, create_engine, event, text
from sqlalchemy.dialects.sqlite import Insert
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.exc import DBAPIError

from monitor.errors import StoreError

FILE_NAME: Final = "record.sqlite"
REVISION: Final = "0001"  # the newest in migrations/versions
LOCK_WAIT_S: Final = 30  # a writer waits for the other; the longest transaction is a unit's re-judging
CACHE_KIB: Final = 65_536  # the index pages of some 10^7 readings that new ones touch
_MIGRATIONS: Final = Path(__file__).parent / "migrations"


def insert(table: Table) -> Insert:
    """Insert that knows `on_conflict_do_nothing` and `on_conflict_do_update`."""
    return sqlite_insert(table)


def connect(path: Path, *, read_only: bool) -> Engine:
    """Engine for the file; connections of a read-only one cannot change it."""
    uri = f"file:{quote(str(path.resolve()))}?mode={'ro' if read_only else 'rwc'}"

    def dial() -> sqlite3.Connection:
        return sqlite3.connect(uri, uri=True, timeout=LOCK_WAIT_S, check_same_thread=False)

    engine = create_engine("sqlite://", creator=dial, poolclass=_pool())
    event.listen(engine, "connect", _set_writer if not read_only else _set_reader)
    event.listen(engine, "begin", _begin)
    return engine


def _pool() -> Any:
    from sqlalchemy.pool import QueuePool

    return QueuePool  # the address names no file, for which the default would be one connection


def _set_reader(connection: sqlite3.Connection, _record: object) -> None:
    # the driver's own BEGIN comes too late (not before a SELECT, not before a CREATE): _begin does it
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")


def _set_writer(connection: sqlite3.Connection, record: object) -> None:
    _set_reader(connection, record)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")  # a commit is on the disk when it returns


def _begin(connection: Connection) -> None:
    # A writer takes the lock at once: one that reads first and locks later fails, unrepeatably,
    # when another has written in between.
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def transaction(engine: Engine, *, writes: bool) -> Iterator[Connection]:
    """One transaction, committed when the block ends, rolled back if it raises.

    Raises
    ------
    StoreError
        If the database refuses; the text is the database's own reason. After a failure such as
        a full disk SQLite has rolled back by itself; the driver then sends no second ROLLBACK,
        which would fail and hide that reason.
    """
    try:
        with engine.execution_options(writes=writes).begin() as connection:
            yield connection
    except DBAPIError as error:
        did = "written" if writes else "read"
        raise StoreError(f"the record could not be {did}: {error.orig}") from error


def migrate(engine: Engine, path: Path) -> None:
    """Bring the file to the newest revision; does nothing to one that has it.

    Raises
    ------
    StoreError
        If the file is no database, is not a record, or is of a later revision.
    """
    try:
        with engine.connect() as connection:
            found = _revision(connection)
    except DBAPIError as error:
        raise _unreadable(path, error) from error
    if found != REVISION:
        _check_known(found, path)
        with transaction(engine, writes=True) as connection:
            _upgrade(connection)


def check(engine: Engine, path: Path) -> None:
    """Refuse a file that cannot be read as it is.

    Raises
    ------
    StoreError
        As `migrate`, and if the file is of an earlier revision.
    """
    try:
        with engine.connect() as connection:
            found = _revision(connection)
    except DBAPIError as error:
        raise _unreadable(path, error) from error
    if found != REVISION:
        _check_known(found, path)
        raise StoreError(
            f"{path} is of an earlier version: open it once for writing (`sillkeep serve`)"
        )


def _unreadable(path: Path, error: DBAPIError) -> StoreError:
    return StoreError(f"{path} cannot be read as a record of Sillkeep: {error.orig}")


def _revision(connection: Connection) -> str | None:
    """Revision of the file; None: an empty one.

    Raises
    ------
    StoreError
        If it holds tables of something else.
    """
    names = set(connection.scalars(text("SELECT name FROM sqlite_master WHERE type = 'table'")))
    if not names:
        return None
    if "alembic_version" not in names:
        raise StoreError("the file is a database, but not a record of Sillkeep: name another folder")
    found: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return found


def _check_known(found: str | None, path: Path) -> None:
    from alembic.script import ScriptDirectory
    from alembic.util import CommandError

    if found is None:
        return
    try:
        ScriptDirectory(str(_MIGRATIONS)).get_revision(found)
    except CommandError as error:
        raise StoreError(
            f"{path} was written by a later version of Sillkeep (revision {found}, this one knows "
            f"up to {REVISION}): install that version, or restore a backup made before it"
        ) from error


def _upgrade(connection: Connection) -> None:
    """Run the missing migrations inside the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
