"""Copies of the record that are known to be whole, and the way back from one.

::

    back up   one snapshot, copied page by page while others write -> a name of its own -> synced
              -> opened and compared, table by table, with the snapshot -> its real name
    restore   verified first -> copied and compared likewise -> the record as it was gets a dated name
              beside it -> one rename puts the copy in its place

A copy that was broken off has a name that ends in `.part` and is never taken for a backup. Damage is
copied faithfully by any backup: so the source is checked by its own checksums (`checking`) too, and
what does not fit is refused unless it is asked for.
"""

import os
import shutil
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, Row, create_engine, event, inspect
from sqlalchemy.exc import DBAPIError

from monitor.errors import DamageError, InputError, StoreError
from monitor.store import checking, nodekeys
from monitor.store.engine import FILE_NAME, open_engine, revisions

PAGES_A_STEP = 2048
PART = ".part"

Tell = Callable[[str, float], None]  # what is being done, and how much of it (0 to 1)


def _quiet(_: str, __: float) -> None:
    pass


def back_up(home: Path, to: Path, *, now_s: int, force: bool = False, tell: Tell = _quiet) -> Path:
    """Copy the record of a home folder while it is in use.

    Parameters
    ----------
    home : Path
        Folder of the record.
    to : Path
        A file that does not exist yet, or a folder, where the copy gets a dated name.
    now_s : int
        The time, for that name.
    force : bool
        Copy a record that is damaged, too.
    tell : Tell
        Called now and then with what is being done, and how much of it.

    Returns
    -------
    Path
        The copy, whole and synced.

    Raises
    ------
    InputError
        If the file exists or its folder does not.
    DamageError
        If the record does not fit its checksums, and nothing forces it.
    StoreError
        If it cannot be read or the copy not be written; what is half made is taken away.
    """
    file = to / f"record-{_stamp(now_s)}.sqlite" if to.is_dir() else to
    if file.exists():
        raise InputError(f"{file} exists already; name another file, or a folder")
    if not file.parent.is_dir():
        raise InputError(f"there is no folder {file.parent}")
    engine = open_engine(home, read_only=True)
    try:
        if not force:
            _refuse_damage(engine, home / FILE_NAME, checking.KINDS, now_s=now_s, tell=tell)
        with engine.execution_options(reading=True).connect() as snapshot:
            return _copied(snapshot, file, tell)
    except (DBAPIError, sqlite3.Error, OSError) as error:
        raise StoreError(f"no backup was made: {error}") from error
    finally:
        engine.dispose()


def restore(
    home: Path, source: Path, *, now_s: int, force: bool = False, tell: Tell = _quiet
) -> Path | None:
    """Put a backup in the place of the record; nothing else may have the record open.

    Parameters
    ----------
    home : Path
        Folder of the record; the caller holds the locks of all who write it.
    source : Path
        The backup; it stays as it is.
    now_s : int
        The time, for the name that the old record gets.
    force : bool
        Take a backup that is damaged, too.
    tell : Tell
        Called now and then with what is being done, and how much of it.

    Returns
    -------
    Path or None
        Where the record that was there is now; None if there was none.

    Raises
    ------
    InputError
        If the source is no backup of a version known here.
    DamageError
        If it does not fit its checksums, and nothing forces it.
    StoreError
        If it cannot be read or written; the record is then as it was.
    """
    if not source.is_file():
        raise InputError(f"there is no file {source}")
    if source.resolve() == (home / FILE_NAME).resolve():
        raise InputError(f"{source} is the record itself; name a backup")
    home.mkdir(parents=True, exist_ok=True)
    engine = _opened(source)
    try:
        kinds = _kinds(engine, source)
        if not force:
            _refuse_damage(engine, source, kinds, now_s=now_s, tell=tell)
        with engine.connect() as snapshot:
            copy = _copied(snapshot, home / f"{FILE_NAME}.restored", tell, replace=True)
        return _exchange(home / FILE_NAME, copy, _stamp(now_s))
    except (DBAPIError, sqlite3.Error, OSError) as error:
        raise StoreError(f"nothing was restored: {error}") from error
    finally:
        engine.dispose()


def credential_steps(file: Path) -> list[Row[Any]]:
    """Credentials and claims of nodes in a record that was set aside; StoreError if unreadable."""
    engine = _opened(file)
    try:
        with engine.connect() as connection:
            has_them = inspect(connection).has_table("node_key")
            return nodekeys.steps(connection) if has_them else []
    except (DBAPIError, sqlite3.Error) as error:
        raise StoreError(f"{file} cannot be read: {error}") from error
    finally:
        engine.dispose()


def _stamp(now_s: int) -> str:
    return f"{datetime.fromtimestamp(now_s, UTC):%Y-%m-%dT%H%M%SZ}"


def _opened(file: Path) -> Engine:
    """A backup as it lies there: nothing is made beside it, nothing is migrated."""
    immutable = {"mode": "ro", "uri": "true"}
    if not file.with_name(f"{file.name}-wal").exists():
        immutable["immutable"] = "1"  # a backup may lie where nothing can be written
    address = URL.create("sqlite", database=f"file:{quote(str(file.absolute()))}", query=immutable)
    engine = create_engine(address, execution_options={"only_read": True})

    def settings(connection: sqlite3.Connection, _: object) -> None:
        connection.isolation_level = None
        connection.execute("PRAGMA query_only = ON")

    event.listen(engine, "connect", settings)
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN"))
    return engine


def _kinds(engine: Engine, file: Path) -> Sequence[str]:
    """What of a backup can be checked; refuse what is no record, or one of a later version."""
    try:
        with engine.connect() as connection:
            query = "SELECT version_num FROM alembic_version"
            revision = connection.exec_driver_sql(query).scalar()
    except DBAPIError as error:
        raise InputError(f"{file} is no backup of a record: {error.orig}") from error
    known = revisions()
    if revision not in known:
        raise InputError(
            f"{file} was written by a later version of Sillkeep (revision {revision}); update Sillkeep"
        )
    return checking.KINDS if revision == known[0] else ("file",)


def _refuse_damage(
    engine: Engine, file: Path, kinds: Sequence[str], *, now_s: int, tell: Tell
) -> None:
    """Compare a file with its own checksums."""
    checked = checking.check(
        engine,
        now_s=now_s,
        kinds=kinds,
        tell=lambda kind: tell(f"checking {kind}", kinds.index(kind) / len(kinds)),
    )
    if checked.count:
        first = checked.damages[0]
        said = f" ({first.said})" if first.said else ""
        raise DamageError(
            f"{file} is damaged, in {checked.count} places, the first in {first.kind}{said}; "
            "use another copy, or add --force to take it as it is"
        )


def _copied(snapshot: Connection, file: Path, tell: Tell, *, replace: bool = False) -> Path:
    """Copy what a transaction sees into a file, synced and compared."""
    part = file.with_name(file.name + PART)
    part.unlink(missing_ok=True)
    try:
        before = checking.hashes(snapshot, lambda name: tell(f"reading {name}", 0.0))
        source = snapshot.connection.driver_connection
        assert isinstance(source, sqlite3.Connection)  # noqa: S101  the one driver there is
        with closing(sqlite3.connect(part)) as target:
            # the snapshot stays the same: others may write meanwhile without starting it over
            source.backup(
                target,
                pages=PAGES_A_STEP,
                progress=lambda _, left, total: tell("copying", 1.0 - left / max(total, 1)),
            )
            # one file: a journal of writes beside it would have to be copied with it
            target.execute("PRAGMA journal_mode = DELETE")
        _sync(part)
        _compare(part, before, tell)
        if not replace and file.exists():
            raise InputError(f"{file} exists already; name another file, or a folder")
        part.replace(file)
        _sync(file.parent)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return file


def _compare(part: Path, before: dict[str, str], tell: Tell) -> None:
    engine = _opened(part)
    try:
        damages = checking.structure(engine)
        with engine.connect() as connection:
            after = checking.hashes(connection, lambda name: tell(f"comparing {name}", 1.0))
    finally:
        engine.dispose()
    differs = [name for name in before.keys() | after.keys() if before.get(name) != after.get(name)]
    if damages or differs:
        said = ", ".join(sorted(differs)) or damages[0].said
        raise StoreError(f"the copy is not what was copied ({said}): check the disk it went to")


def _exchange(record: Path, copy: Path, stamp: str) -> Path | None:
    """Give the record a dated name and its own to the copy; killed anywhere, one of them is there."""
    aside = record.with_name(f"record-{stamp}-before.sqlite") if record.exists() else None
    if aside is not None and aside.exists():
        raise InputError(f"{aside} exists already; wait a second and try again")
    if aside is not None:
        _fold_in(record, aside)
        try:
            os.link(record, aside)
        except OSError:  # a file system without links
            shutil.copy2(record, aside)
            _sync(aside)
    copy.replace(record)
    _sync(record.parent)
    return aside


def _fold_in(record: Path, aside: Path) -> None:
    """Write the journal beside the record into it, so that it is one file.

    Where it is too damaged for that, the journal gets the name of the record set aside.
    """
    journal, kept = (path.with_name(f"{path.name}-wal") for path in (record, aside))
    if journal.exists():
        shutil.copy2(journal, kept)
        _sync(kept)
    try:
        with closing(sqlite3.connect(record)) as connection:
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA journal_mode = DELETE")
        kept.unlink(missing_ok=True)
    except sqlite3.Error:
        for tail in ("-wal", "-shm"):
            record.with_name(record.name + tail).unlink(missing_ok=True)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
