"""The record on a PostgreSQL server: how it is connected to, and what is asked of the server alone.

::

    a writer   BEGIN; pg_advisory_xact_lock; ...; COMMIT, written to the server's disk before it returns
    a reader   BEGIN; REPEATABLE READ, READ ONLY; ...: one look at the record that keeps nobody waiting

One writer at a time, as in SQLite: what a transaction has read is still so when it writes, and caches of an
open record stay true. A lock that is waited for too long, or a statement that takes too long, is a
`StoreError` as a locked file is: the intake holds its batch and tries again.
"""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
from psycopg.abc import Buffer
from psycopg.adapt import Loader
from psycopg.types.numeric import FloatDumper
from psycopg.types.string import StrDumper
from sqlalchemy import URL, Connection, Engine, create_engine, event

from monitor.config import Server
from monitor.errors import StoreError
from monitor.store.dialects import translated
from monitor.store.glance import HANGS_NO_LONGER

LOCK_MS = 10_000  # how long one writer waits for another, as SQLite's
IDLE_MS = 60_000  # a writer that stands still in the middle, frozen say, gives its lock back
STATEMENT_MS = 120_000  # longer takes none but those that write tables anew
WRITER = 0x51_11_4B_EE_50  # the lock that writers of one database take in turn; any number would do

OPTIONS = {
    "lock_timeout": str(LOCK_MS),
    "statement_timeout": str(STATEMENT_MS),
    "synchronous_commit": "on",  # what was committed survives a power cut, whatever the server's default
    "timezone": "UTC",
    "jit": "off",  # our questions are many and small
    "default_transaction_isolation": r"read\ committed",
    # a machine that vanishes in the middle of a write is noticed: its lock keeps everybody from writing
    "tcp_keepalives_idle": "10",
    "tcp_keepalives_interval": "5",
    "tcp_keepalives_count": "3",
    "tcp_user_timeout": "25000",
}
SCHEMA = """
SELECT type, name, of, definition FROM (
    SELECT 'column' AS type, a.attname AS name, c.relname AS of,
        concat_ws(' ', format_type(a.atttypid, a.atttypmod), a.attnotnull::text,
            pg_get_expr(d.adbin, d.adrelid)) AS definition
    FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid AND c.relkind = 'r'
    LEFT JOIN pg_attrdef d ON d.adrelid = c.oid AND d.adnum = a.attnum
    WHERE a.attnum > 0 AND NOT a.attisdropped AND c.relnamespace = current_schema()::regnamespace
    UNION ALL SELECT 'index', indexname, tablename, indexdef FROM pg_indexes
    WHERE schemaname = current_schema()
    UNION ALL SELECT 'constraint', n.conname, n.conrelid::regclass::text, pg_get_constraintdef(n.oid)
    FROM pg_constraint n WHERE n.connamespace = current_schema()::regnamespace AND n.conrelid <> 0
    UNION ALL SELECT 'trigger', t.tgname, c.relname, concat_ws(' ', t.tgenabled::text,
        pg_get_triggerdef(t.oid), p.prosrc)
    FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid
    WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace
) found ORDER BY type COLLATE "C", of COLLATE "C", name COLLATE "C", definition COLLATE "C"
"""
BROKEN = """
SELECT c.relname, 'an index that is not complete: REINDEX it' FROM pg_index i
JOIN pg_class c ON c.oid = i.indexrelid
WHERE NOT i.indisvalid AND c.relnamespace = current_schema()::regnamespace
UNION ALL SELECT c.relname, 'a constraint that was never compared with its rows' FROM pg_constraint n
JOIN pg_class c ON c.oid = n.conrelid
WHERE NOT n.convalidated AND n.connamespace = current_schema()::regnamespace
UNION ALL SELECT c.relname, 'a trigger that is switched off' FROM pg_trigger t
JOIN pg_class c ON c.oid = t.tgrelid
WHERE t.tgenabled <> 'O' AND c.relnamespace = current_schema()::regnamespace
"""


class _Real(FloatDumper):
    """Not a number is NULL, as in SQLite."""

    def dump(self, obj: float) -> Buffer | None:
        return None if math.isnan(obj) else super().dump(obj)


class _Words(StrDumper):
    """PostgreSQL's text has no zero characters; a node may send one in what is kept as a reject."""

    def dump(self, obj: str) -> Buffer | None:
        return super().dump(obj.replace("\0", "\ufffd"))


class _Sum(Loader):
    """Sums of 64-bit numbers come as numeric: whole numbers, as in SQLite."""

    def load(self, data: Buffer) -> int | float:
        said = bytes(data).decode()
        return float(said) if "." in said or "N" in said else int(said)


def connected(server: Server, *, read_only: bool) -> Engine:
    """Engine of a record on a server; nothing is asked of it yet."""
    options = OPTIONS | {"default_transaction_read_only": "on" if read_only else "off"}
    given: dict[str, Any] = HANGS_NO_LONGER | server.libpq()
    given["options"] = " ".join(f"-c {name}={value}" for name, value in options.items())
    engine = create_engine(
        URL.create("postgresql+psycopg"),
        creator=lambda: psycopg.connect(**given, application_name="sillkeep"),
        paramstyle="format",
        pool_pre_ping=True,  # after a restart of the server nobody meets an ended connection
        hide_parameters=True,
        # an insert ends its cursor at once, and how many rows it made with it
        execution_options={"only_read": read_only, "preserve_rowcount": True},
    )
    event.listen(engine, "connect", _settings)
    event.listen(engine, "begin", _begin_reading if read_only else _begin)
    event.listen(engine, "before_cursor_execute", _as_psycopg, retval=True)
    return engine


def _settings(connection: "psycopg.Connection[Any]", _: Any) -> None:  # noqa: ANN401  pool entry
    connection.adapters.register_dumper(float, _Real)
    connection.adapters.register_dumper(str, _Words)
    connection.adapters.register_loader("numeric", _Sum)


def _begin(connection: Connection) -> None:
    if connection.get_execution_options().get("reading", False):
        _begin_reading(connection)
    else:  # before anything is read: what is read then is what the writer before has committed
        connection.exec_driver_sql(
            f"SELECT set_config('idle_in_transaction_session_timeout', '{IDLE_MS}', true),"
            f" pg_advisory_xact_lock({WRITER})"
        )


def _begin_reading(connection: Connection) -> None:
    connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")


def _as_psycopg(
    _: Connection,
    __: object,
    statement: str,
    parameters: Any,  # noqa: ANN401  a driver's
    context: Any,  # noqa: ANN401
    ___: object,
) -> tuple[str, Any]:
    """Statements that are written out have parameters as SQLite takes them."""
    if context is not None and context.compiled is None and parameters:
        statement = translated(statement)
    return statement, parameters


# --- what is asked of the server alone ------------------------------------------------------------


def now_s(connection: Connection) -> int:
    """Time of the server's clock, in seconds since the epoch."""
    asked = "SELECT extract(epoch FROM clock_timestamp())::bigint"
    return int(connection.exec_driver_sql(asked).scalar_one())


def size_bytes(connection: Connection) -> int:
    """How much room the database takes on the server's disk."""
    return int(
        connection.exec_driver_sql("SELECT pg_database_size(current_database())").scalar_one()
    )


def standing(connection: Connection) -> dict[str, str]:
    """How the server does what the record relies on: version, synchronous_commit, fsync ..., and tls."""
    names = ("server_version", "synchronous_commit", "fsync", "full_page_writes")
    found = {name: str(connection.exec_driver_sql(f"SHOW {name}").scalar_one()) for name in names}
    tls = "SELECT version FROM pg_stat_ssl WHERE pid = pg_backend_pid() AND ssl"
    return found | {"tls": str(connection.exec_driver_sql(tls).scalar() or "")}


@contextmanager
def alone(engine: Engine) -> Iterator["psycopg.Connection[Any]"]:
    """A connection outside any transaction, for what takes long; StoreError if it fails."""
    raw = engine.raw_connection()
    try:
        driver = raw.driver_connection
        assert isinstance(driver, psycopg.Connection)  # noqa: S101  the one driver there is
        driver.autocommit = True
        driver.execute("SET statement_timeout = 0")
        yield driver
    except psycopg.Error as error:
        raise StoreError(
            f"the record could not be written: {str(error).partition(chr(10))[0]}"
        ) from error
    finally:
        raw.invalidate()  # with its own settings, nobody else is to get it
        raw.close()
