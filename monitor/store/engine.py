"""Opening the record with every commit synced, migrated to this version: an SQLite file, or PostgreSQL."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote
from weakref import WeakKeyDictionary

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect
from sqlalchemy.exc import DBAPIError

from monitor.errors import StoreError
from monitor.store import dialects, glance, schema
from monitor.store.dialects import said

if TYPE_CHECKING:
    from monitor.config import Server

FILE_NAME = "record.sqlite"
MIGRATIONS = Path(__file__).parent / "migrations"
BUSY_MS = 10_000  # how long one writer waits for another
_fences: WeakKeyDictionary[Engine, list[Callable[[Connection], None]]] = WeakKeyDictionary()
_cache_kib = 65_536  # of each connection: the pages that a lot's probes write to


def limit_cache(mb: int) -> None:
    """Bound what each connection that is opened from now on keeps of the record, in MiB."""
    global _cache_kib  # noqa: PLW0603  one process, one machine
    _cache_kib = mb * 1024


def open_engine(home: Path, *, read_only: bool = False, server: "Server | None" = None) -> Engine:
    """Engine of the record in a folder, or on a server; made or migrated unless it is only read.

    Raises
    ------
    StoreError
        If it is no record, cannot be opened, or belongs to a later version.
    """
    if server is not None:
        glance.driver()
        from monitor.store import postgres

        engine = postgres.connected(server, read_only=read_only)
        return _opened(engine, server.shown, read_only=read_only)
    path = home / FILE_NAME
    if read_only and not path.exists():
        raise StoreError(f"there is no record in {home} yet; start `sillkeep serve` first")
    home.mkdir(parents=True, exist_ok=True)
    address = URL.create(
        "sqlite",
        database=f"file:{quote(str(path.absolute()))}",
        query={"mode": "ro" if read_only else "rwc", "uri": "true"},
    )
    engine = create_engine(
        address,
        connect_args={"timeout": BUSY_MS / 1000},
        hide_parameters=True,  # an error quotes its statement, not the names and notes in it
        execution_options={"only_read": read_only},
    )
    event.listen(engine, "connect", _read_settings if read_only else _write_settings)
    event.listen(engine, "begin", _begin_reading if read_only else _begin)
    return _opened(engine, str(path), read_only=read_only)


def _opened(engine: Engine, where: str, *, read_only: bool) -> Engine:
    try:
        with engine.begin() as connection:
            _migrate(connection, where, read_only=read_only)
    except DBAPIError as error:
        engine.dispose()
        raise StoreError(f"{where} cannot be opened as a record: {said(error)}") from error
    except StoreError:
        engine.dispose()
        raise
    return engine


def is_server(engine: Engine) -> bool:
    """Whether the record is on a server, and not a file here."""
    return engine.dialect.name == "postgresql"


def is_only_read(engine: Engine) -> bool:
    """Whether the record was opened to be read alone."""
    return bool(engine.get_execution_options().get("only_read", False))


def revisions() -> list[str]:
    """Versions of the record known here, the newest first."""
    from alembic.script import ScriptDirectory

    script = ScriptDirectory(str(MIGRATIONS))
    return [revision.revision for revision in script.walk_revisions()]


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One look at the record, which keeps no writer waiting; StoreError if it cannot be read."""
    try:
        with engine.execution_options(reading=True).begin() as connection:
            yield connection
    except DBAPIError as error:
        raise StoreError(f"the record could not be read: {said(error)}") from error


@contextmanager
def writing(engine: Engine, *, is_fenced: bool = True) -> Iterator[Connection]:
    """One transaction; nothing of it is kept if anything in it fails, StoreError if the record does.

    `is_fenced` False: it is kept whatever `fenced` says.
    """
    try:
        with engine.begin() as connection:
            for check in _fences.get(engine, ()) if is_fenced else ():
                check(connection)
            yield connection
    except DBAPIError as error:
        raise StoreError(f"the record could not be written: {said(error)}") from error


@contextmanager
def fenced(engine: Engine, check: Callable[[Connection], None]) -> Iterator[None]:
    """Whoever writes inside looks first, in the same transaction, whether it may be kept."""
    checks = _fences.setdefault(engine, [])
    checks.append(check)
    try:
        yield
    finally:
        checks.remove(check)


def _read_settings(connection: sqlite3.Connection, _: Any) -> None:  # noqa: ANN401  pool entry
    connection.isolation_level = None  # transactions are begun by `_begin`, not behind our back
    connection.execute(f"PRAGMA cache_size = -{_cache_kib}")
    connection.execute("PRAGMA query_only = ON")


def _write_settings(connection: sqlite3.Connection, _: Any) -> None:  # noqa: ANN401  pool entry
    connection.isolation_level = None
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")  # what was committed survives a power cut
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute(f"PRAGMA cache_size = -{_cache_kib}")


def _begin(connection: Connection) -> None:
    # a writer takes its lock at once: upgrading a read transaction can fail however long it waits
    reading = connection.get_execution_options().get("reading", False)
    connection.exec_driver_sql("BEGIN" if reading else "BEGIN IMMEDIATE")


def _begin_reading(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")


def _is_newest(connection: Connection) -> bool:
    """Whether nothing is to be migrated, by the file names of the migrations alone.

    Nearly always so, and each process would keep 11 MB of what only a migration needs.
    """
    newest = max(path.name for path in (MIGRATIONS / "versions").glob("[0-9]*.py"))
    if not inspect(connection).has_table("alembic_version"):
        return False
    found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalars()
    return found.all() == [newest.partition("_")[0]]


def _migrate(connection: Connection, where: str, *, read_only: bool) -> None:
    if _is_newest(connection):
        return
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    script = ScriptDirectory(str(MIGRATIONS))
    context = MigrationContext.configure(
        connection, opts={"fn": lambda revision, _: script._upgrade_revs("head", revision)}
    )
    here, newest = context.get_current_revision(), script.get_current_head()
    if here == newest:
        return
    if here is None and inspect(connection).get_table_names():
        raise StoreError(f"{where} is a database of something else; name another one")
    if here is None and connection.dialect.name == "postgresql":
        if read_only:
            raise StoreError(f"there is no record in {where} yet; start `sillkeep serve` first")
        dialects.share_wheres(schema.metadata)
        # at once: what older versions were is SQLite's story
        schema.metadata.create_all(connection)
        context.stamp(script, str(newest))
        return
    if here is not None and here not in {revision.revision for revision in script.walk_revisions()}:
        raise StoreError(
            f"{where} was written by a later version of Sillkeep (revision {here}); update Sillkeep"
        )
    if read_only:
        raise StoreError(
            f"{where} is of an older version; start `sillkeep serve` once to migrate it"
        )
    from alembic.operations import Operations

    with Operations.context(context):
        context.run_migrations()
