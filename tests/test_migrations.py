"""The record's file: made, migrated, refused."""

import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from importlib import import_module
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, create_engine, event

from monitor.errors import StoreError
from monitor.lot import Site, Unit
from monitor.store import checking, open_record
from monitor.store.engine import FILE_NAME, MIGRATIONS, revisions
from monitor.store.schema import GROUPS, metadata

MAKE = "import sys, pathlib, monitor.store as s; s.open_record(pathlib.Path(sys.argv[1])).close()"


def definitions(path: Path) -> dict[str, str]:
    """Tables and indexes of a file as SQL, without white space."""
    query = "SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL"
    with closing(sqlite3.connect(path)) as connection:
        return {
            name: "".join(sql.split())
            for name, sql in connection.execute(query)
            if name != "alembic_version"
        }


def test_migrations_from_nothing_give_the_tables_of_the_schema(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    engine = create_engine(f"sqlite:///{tmp_path / 'plain.sqlite'}")
    metadata.create_all(engine)
    engine.dispose()
    migrated = definitions(tmp_path / FILE_NAME)
    assert len([name for name in metadata.tables if name in migrated]) == 63
    assert migrated == definitions(tmp_path / "plain.sqlite")


def test_alembic_sees_no_difference_between_migrations_and_schema(tmp_path: Path) -> None:
    with open_record(tmp_path) as record, record.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_migrations_form_one_line() -> None:
    script = ScriptDirectory(str(MIGRATIONS))
    assert len(script.get_heads()) == 1
    assert len(script.get_bases()) == 1
    # a record is known as migrated by the name of the last file
    files = sorted((MIGRATIONS / "versions").glob("[0-9]*.py"))
    assert [path.name[:4] for path in files] == sorted(revisions())
    assert files[-1].name[:4] == script.get_current_head()


def test_opening_again_keeps_what_is_there(tmp_path: Path) -> None:
    for _ in range(2):
        with open_record(tmp_path) as record:
            record.add_site(Site("yard"))
            assert record.sites() == [Site("yard")]


def test_a_failed_migration_leaves_no_half_made_record(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE VIEW receipt AS SELECT 1 AS odd")  # in the way of our table
        connection.commit()
    with pytest.raises(StoreError, match="receipt"):
        open_record(tmp_path)
    assert set(definitions(path)) == {"receipt"}


def test_a_later_revision_is_refused_and_left_alone(tmp_path: Path) -> None:
    open_record(tmp_path).close()
    path = tmp_path / FILE_NAME
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    for read_only in (False, True):
        with pytest.raises(StoreError, match=r"later version of Sillkeep \(revision 9999\)"):
            open_record(tmp_path, read_only=read_only)


def test_a_record_not_migrated_yet_is_not_read(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        connection.execute("PRAGMA user_version = 1")
        connection.commit()
    with pytest.raises(StoreError, match="older version"):
        open_record(tmp_path, read_only=True)


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    content = b"time,unit,zone\n" * 1000
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(StoreError, match="not a database"):
        open_record(tmp_path)
    with pytest.raises(StoreError, match="not a database"):
        open_record(tmp_path, read_only=True)
    assert (tmp_path / FILE_NAME).read_bytes() == content


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        connection.execute("CREATE TABLE recipe (name TEXT)")
        connection.commit()
    with pytest.raises(StoreError, match="something else"):
        open_record(tmp_path)


def test_no_record_to_read_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="sillkeep serve"):
        open_record(tmp_path, read_only=True)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_may_have_any_name(tmp_path: Path) -> None:
    home = tmp_path / "a b#c?d%20é"
    with open_record(home) as record:
        record.add_site(Site("yard"))
    assert (home / FILE_NAME).exists()
    with open_record(home, read_only=True) as record:
        assert record.sites() == [Site("yard")]


def test_processes_that_start_together_make_one_record(tmp_path: Path) -> None:
    started = [
        subprocess.Popen([sys.executable, "-c", MAKE, str(tmp_path)], stderr=subprocess.PIPE)
        for _ in range(3)
    ]
    errors = [process.communicate(timeout=50)[1].decode() for process in started]
    assert errors == ["", "", ""]
    assert len(definitions(tmp_path / FILE_NAME)) > 21


def test_units_of_an_older_record_have_declared_nothing_of_how_they_stand(tmp_path: Path) -> None:
    versions = "monitor.store.migrations.versions"
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        for name in ("0001_first", "0002_proofs"):
            for statement in import_module(f"{versions}.{name}").STATEMENTS:
                connection.execute(statement)
        connection.execute("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL)")
        connection.execute("INSERT INTO alembic_version VALUES ('0002')")
        connection.execute("INSERT INTO site (code) VALUES ('yard')")
        connection.execute("INSERT INTO unit (site_id, code, life) VALUES (1, 'rv1', 'stock')")
        connection.commit()
    with open_record(tmp_path) as record:
        assert record.units() == [Unit("rv1", "yard", life="stock")]


# --- killed while migrating -----------------------------------------------------------------------

REVISIONS = sorted(revisions())
CRASH = """
import os, pathlib, signal, sys
from sqlalchemy import Engine, event
from monitor.store import open_record
left = int(sys.argv[2])
def before(connection, cursor, statement, *_):
    global left
    left -= 1
    if not left:
        os.kill(os.getpid(), signal.SIGKILL)
event.listen(Engine, "before_cursor_execute", before)
open_record(pathlib.Path(sys.argv[1])).close()
"""


class KilledError(Exception):
    pass


def old_record(home: Path, revision: str) -> Path:
    """A record of an older version with a site, a unit and readings in it."""
    home.mkdir(parents=True)
    path = home / FILE_NAME
    engine = create_engine(f"sqlite:///{path}")
    script = ScriptDirectory(str(MIGRATIONS))
    with engine.begin() as connection:
        context = MigrationContext.configure(
            connection, opts={"fn": lambda at, _: script._upgrade_revs(revision, at)}
        )
        with Operations.context(context):
            context.run_migrations()
        for statement in (
            "INSERT INTO site (site_id, code) VALUES (1, 'yard')",
            "INSERT INTO unit (unit_id, site_id, code, life) VALUES (1, 1, 'rv1', 'stock')",
            "INSERT INTO node (node_id, site_id, code) VALUES (1, 1, 'n1')",
            "INSERT INTO probe (probe_id, node_id) VALUES (1, 1)",
            "INSERT INTO reading (probe_id, boot, seq, at_s, received_s) VALUES (1, 1, 1, 600, 601)",
        ):
            connection.exec_driver_sql(statement)
    engine.dispose()
    return path


def hashes(path: Path) -> dict[str, str]:
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        found = checking.hashes(connection)
    engine.dispose()
    return found


@pytest.mark.parametrize("revision", REVISIONS[:-1])
def test_a_record_of_every_older_version_is_migrated(tmp_path: Path, revision: str) -> None:
    path = old_record(tmp_path / "old", revision)
    with open_record(path.parent) as record:
        assert record.units() == [Unit("rv1", "yard", life="stock")]
        record.add_site(Site("second"))
    open_record(tmp_path / "new").close()
    assert definitions(path) == definitions(tmp_path / "new" / FILE_NAME)


# the newest one is what a change adds; older ones, which never change, go with --long
FROM = [
    revision if place == len(REVISIONS) - 2 else pytest.param(revision, marks=pytest.mark.long)
    for place, revision in enumerate(REVISIONS[:-1])
]


@pytest.mark.parametrize("revision", FROM)
def test_a_migration_that_fails_at_any_statement_changes_nothing(
    tmp_path: Path, revision: str
) -> None:
    path = old_record(tmp_path / "old", revision)
    before = hashes(path)
    left = 0

    def fail(*_: object) -> None:
        nonlocal left
        left -= 1
        if not left:
            raise KilledError

    event.listen(Engine, "before_cursor_execute", fail)
    try:
        for statement in range(1, 1000):
            left = statement
            try:
                open_record(path.parent).close()
            except KilledError:
                left = 0
                assert hashes(path) == before
            else:
                break
    finally:
        event.remove(Engine, "before_cursor_execute", fail)
    assert statement > 5
    with open_record(path.parent) as record:
        assert record.units() == [Unit("rv1", "yard", life="stock")]


LAST_WIDER = "0016"  # the newest revision that gave a table more columns


@pytest.mark.parametrize("revision", [name for name in REVISIONS if "0004" <= name < LAST_WIDER])
def test_a_row_that_got_more_columns_is_not_called_damaged(tmp_path: Path, revision: str) -> None:
    path = old_record(tmp_path / "old", revision)
    open_record(tmp_path / "new").close()
    before, after = columns(path), columns(tmp_path / "new" / FILE_NAME)
    wider = {name for name in before if before[name] != after[name]} & set(GROUPS)
    assert wider
    with closing(sqlite3.connect(path)) as connection:  # as the nightly check of then had left them
        connection.executemany("INSERT INTO checksum VALUES (?, 1, 0, 4711)", [(n,) for n in wider])
        connection.commit()
    with open_record(path.parent) as record:
        assert checking.check(record.engine, now_s=1).damages == ()


def columns(path: Path) -> dict[str, list[str]]:
    with closing(sqlite3.connect(path)) as connection:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {
            name: [row[1] for row in connection.execute(f"PRAGMA table_info({name})")]
            for (name,) in names
        }


@pytest.mark.parametrize("statement", [3, 8, 20, 60])
def test_a_process_killed_while_migrating_leaves_the_old_record(
    tmp_path: Path, statement: int
) -> None:
    path = old_record(tmp_path / "old", REVISIONS[0])
    before = hashes(path)
    command = [sys.executable, "-c", CRASH, str(path.parent), str(statement)]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    assert hashes(path) == before
    with open_record(path.parent) as record:
        assert record.units() == [Unit("rv1", "yard", life="stock")]
