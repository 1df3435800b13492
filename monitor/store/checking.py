"""The record's check of itself: every row against the checksum that was taken of it.

::

    a row changes -> a trigger drops the checksum of its group (schema.GROUPS)
    check         -> SQLite's own check: structure, types, indexes
                  -> each group with a checksum is read again: another one means damage
                  -> each without is marked, read and given one, unless it was changed meanwhile

A checksum that stands is of rows that nobody has written since, so that a difference is a fault of
the disk, the memory or a hand. What changed since the last check is not covered until the next one;
sealed blocks have a digest of their own from the start (`monitor.store.sealing`). Reading is done in
snapshots and nobody waits for it.

SQLite alone would not see a flipped byte inside a value: its pages carry no checksums.
"""

import hashlib
import json
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, Engine, bindparam, delete, select, text, update
from sqlalchemy.exc import DBAPIError

from monitor.errors import DamageError, StoreError
from monitor.store import schema as t
from monitor.store import sealing
from monitor.store.dialects import insert, said
from monitor.store.engine import is_only_read, is_server

PART = "check"  # its pulse
DAY_S = 86_400
MAX_SAID = 20  # damages named one by one
MARKS_A_WRITE = 500
_STRIDE = 2000  # rows fetched at once

Group = tuple[int, int]
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Damage:
    """A group of rows that is not what was written; `a` and `b` are its keys (`schema.GROUPS`)."""

    kind: str  # a table, "schema" or "file"
    a: int = 0
    b: int = 0
    said: str = ""  # what SQLite says, where it was SQLite that saw it


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found."""

    at_s: int
    groups: int  # compared with a checksum
    taken: int  # given one
    damages: tuple[Damage, ...]  # the first of them
    count: int  # all of them


KINDS = ("file", "schema", *t.GROUPS)


def check(
    engine: Engine, *, now_s: int, tell: Tell = lambda _: None, kinds: Sequence[str] = KINDS
) -> Checked:
    """Check the whole record, and take the checksums that are missing.

    Parameters
    ----------
    engine : Engine
        Of a record open for writing; of one only read, nothing is taken.
    now_s : int
        The time.
    tell : Tell
        Called with the name of each kind before it is read.
    kinds : Sequence of str
        What to check; a record of an older version has no checksums, only a "file".

    Raises
    ------
    StoreError
        If the server that has it is away. A file that cannot be read is damage.
    """
    found: list[Damage] = []
    groups = taken = 0
    for kind in kinds:
        tell(kind)
        if kind == "file":
            found += structure(engine)
            continue
        try:
            if kind == "schema":
                found += _strangers(engine)
            compared, missing, wrong = _compare(engine, kind)
            groups += compared
            found += wrong
            if missing and not is_only_read(engine):
                taken += _take(engine, kind, missing)
        except (DBAPIError, ValueError) as error:  # ValueError: text that is no UTF-8
            found.append(_damage(engine, kind, error))
    return Checked(now_s, groups, taken, tuple(found[:MAX_SAID]), len(found))


def keep(engine: Engine, checked: Checked, *, said: str) -> None:
    """Note the result as the pulse of the check; of damage, tell people what is `said` once a day."""
    detail = {
        "groups": checked.groups,
        "taken": checked.taken,
        "count": checked.count,
        "damages": [[d.kind, d.a, d.b, d.said] for d in checked.damages],
    }
    row = {"part": PART, "at_s": checked.at_s, "detail": json.dumps(detail)}
    told = {
        "key": f"{PART}/{checked.at_s // DAY_S}",
        "channel": "people",
        "body": said,
        "created_s": checked.at_s,
    }
    try:
        with engine.begin() as connection:
            connection.execute(delete(t.pulse).where(t.pulse.c.part == PART))
            connection.execute(insert(t.pulse).values(row))
            if checked.count:
                connection.execute(insert(t.outbox).values(told).on_conflict_do_nothing())
        if not checked.count:
            _take(engine, "pulse", [(0, 0)])
    except DBAPIError as error:
        raise StoreError(f"{said} Nothing can be written into it: {error.orig}") from error


def last(connection: Connection) -> Checked | None:
    """What the last check found; None if there was none."""
    query = select(t.pulse.c.at_s, t.pulse.c.detail).where(t.pulse.c.part == PART)
    row = connection.execute(query).one_or_none()
    if row is None:
        return None
    detail = json.loads(row.detail)
    damages = tuple(Damage(*entry) for entry in detail["damages"])
    return Checked(row.at_s, detail["groups"], detail["taken"], damages, detail["count"])


def hashes(connection: Connection, tell: Tell = lambda _: None) -> dict[str, str]:
    """SHA-256 of all rows of each table in the file: equal for equal contents, wherever they lie."""
    query = text("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
    names = [name for (name,) in connection.execute(query) if not name.startswith("sqlite_")]
    found = {}
    for name in names:
        tell(name)
        keys = connection.execute(
            text("SELECT name FROM pragma_table_info(:name) WHERE pk > 0 ORDER BY pk"),
            {"name": name},
        ).scalars()
        order = ", ".join(f'"{key}"' for key in keys) or "1"
        rows = _rows(connection, f'SELECT * FROM "{name}" ORDER BY {order}')  # noqa: S608
        digest = hashlib.sha256()
        for row in rows:
            digest.update(repr(row).encode())
        found[name] = digest.hexdigest()
    digest = hashlib.sha256(repr(list(_rows(connection, _SCHEMA))).encode())
    return found | {"schema": digest.hexdigest()}


def structure(engine: Engine) -> list[Damage]:
    """What the database itself finds wrong.

    SQLite: pages, types, indexes that do not fit their tables. PostgreSQL keeps checksums of pages by itself,
    where its cluster was made so; asked is what was switched off or left half done.
    """
    try:
        with engine.execution_options(reading=True).begin() as connection:
            if is_server(engine):
                from monitor.store import postgres

                return [
                    Damage(table, said=why)
                    for table, why in connection.exec_driver_sql(postgres.BROKEN)
                ]
            sentences = (
                connection.exec_driver_sql(f"PRAGMA integrity_check({MAX_SAID})").scalars().all()
            )
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    except (DBAPIError, ValueError) as error:
        return [_damage(engine, "file", error)]
    found = [Damage("file", said=sentence) for sentence in sentences if sentence != "ok"]
    return found + [Damage(str(row[0]), said="a row points to nothing") for row in broken]


# --- groups ---------------------------------------------------------------------------------------

_SCHEMA = (
    "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"
    " ORDER BY type, name"
)


def _schema(connection: Connection) -> str:
    if connection.dialect.name == "sqlite":
        return _SCHEMA
    from monitor.store import postgres

    return postgres.SCHEMA


def _strangers(engine: Engine) -> list[Damage]:
    """Checksums of nothing that is known."""
    kind = t.checksum.c.kind
    query = select(kind).where(kind.not_in(["schema", *t.GROUPS])).distinct()
    with engine.execution_options(reading=True).begin() as connection:
        return [Damage("checksum", said=name) for name in connection.execute(query).scalars()]


def _damage(engine: Engine, kind: str, error: Exception) -> Damage:
    """An error while reading as damage; StoreError if it is a server that is away, or refuses."""
    code = str(getattr(getattr(error, "orig", None), "sqlstate", None) or "")
    # class XX of PostgreSQL's codes: what it reads is not what it wrote
    if is_server(engine) and isinstance(error, DBAPIError) and not code.startswith("XX"):
        raise StoreError(f"the record could not be checked: {said(error)}") from error
    return Damage(kind, said=_said(error))


def _said(error: Exception) -> str:
    return said(error) if isinstance(error, DBAPIError) else str(error)


def _compare(engine: Engine, kind: str) -> tuple[int, list[Group], list[Damage]]:
    """How many groups were compared, which have no checksum yet, and which are damaged."""
    missing: list[Group] = []
    wrong: list[Damage] = []
    with (
        engine.execution_options(reading=True).begin() as connection,
        # those that stand, read alongside: a lot's hours have millions
        closing(_standing(connection, kind)) as standing,
    ):
        known = next(standing, None)
        compared = 0
        for a, groups in _digests(connection, kind):
            for b, digest in sorted(groups.items()):
                while known is not None and known[:2] < (a, b):
                    wrong.append(Damage(kind, known[0], known[1], "its rows are gone"))
                    known = next(standing, None)
                if known is None or known[:2] != (a, b):
                    missing.append((a, b))
                    continue
                compared += 1
                if known[2] != digest:
                    wrong.append(Damage(kind, a, b))
                known = next(standing, None)
        if kind != "schema":  # of an earlier revision
            wrong += [
                Damage(kind, gone[0], gone[1], "its rows are gone")
                for gone in _rest(known, standing)
            ]
        if kind == "sealed":
            wrong += _damaged_blocks(connection)
    return compared, missing, wrong


def _rest(first: Any, others: Iterator[Any]) -> Iterator[Any]:  # noqa: ANN401  rows
    if first is not None:
        yield first
    yield from others


def _standing(connection: Connection, kind: str) -> Generator[Any]:
    sql = "SELECT a, b, digest FROM checksum WHERE kind = ? AND digest IS NOT NULL ORDER BY a, b"
    return _rows(connection, sql, (kind,))


def _damaged_blocks(connection: Connection) -> list[Damage]:
    """Blocks that do not fit their own digest: it stands since they were sealed."""
    found = []
    for (sealed_id,) in connection.execute(select(t.sealed.c.sealed_id)).all():
        try:
            sealing.verify(connection, sealed_id)
        except DamageError as error:
            found.append(Damage("sealed", sealed_id, 0, str(error)))
    return found


def _take(engine: Engine, kind: str, missing: list[Group]) -> int:
    """Give these groups a checksum, unless they are changed meanwhile.

    They are marked first. A change drops the mark with the trigger that drops checksums, so that what
    is read after the marking belongs to every mark that is still there.
    """
    marks = [{"kind": kind, "a": a, "b": b} for a, b in missing]
    for start in range(0, len(marks), MARKS_A_WRITE):
        with engine.begin() as connection:
            connection.execute(
                insert(t.checksum).on_conflict_do_nothing(), marks[start : start + MARKS_A_WRITE]
            )
    wanted: dict[int, set[int]] = {}
    for a, b in missing:
        wanted.setdefault(a, set()).add(b)
    with engine.execution_options(reading=True).begin() as connection:
        found = [
            {"of_kind": kind, "of_a": a, "of_b": b, "digest": groups[b]}
            for a in sorted(wanted)
            for _, groups in _digests(connection, kind, a)
            for b in sorted(wanted[a])
            if b in groups
        ]
    c = t.checksum.c
    given = (
        update(t.checksum)
        .where(
            c.kind == bindparam("of_kind"),
            c.a == bindparam("of_a"),
            c.b == bindparam("of_b"),
            c.digest.is_(None),
        )
        .values(digest=bindparam("digest"))
    )
    for start in range(0, len(found), MARKS_A_WRITE):
        with engine.begin() as connection:
            connection.execute(given, found[start : start + MARKS_A_WRITE])
    return len(found)


def _digests(
    connection: Connection, kind: str, only: int | None = None
) -> Iterator[tuple[int, dict[int, int]]]:
    """Checksums of a table's groups, of each `a` by `b`, from its rows in the order of their keys."""
    if kind == "schema":
        revision = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
        yield int(revision or 0), {0: _number(_rows(connection, _schema(connection)))}
        return
    table = t.metadata.tables[kind]
    a, b = t.GROUPS[kind]
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    keys = [column.name for column in table.primary_key]
    # already in the order of most tables' keys: a lot's readings are not sorted for this
    order = ", ".join(keys if a in {keys[0], "0"} else [a, *keys])
    here = "" if only is None else f" WHERE {a} = {only:d}"
    sql = f"SELECT {a}, {b.format(row='')}, {names} FROM {kind}{here} ORDER BY {order}"  # noqa: S608
    for key, rows in groupby(_rows(connection, sql), key=itemgetter(0)):
        yield key, _by_b(rows)


def _by_b(rows: Iterable[tuple[Any, ...]]) -> dict[int, int]:
    found: dict[int, Any] = {}
    for row in rows:
        digest = found.get(row[1])
        if digest is None:
            digest = found[row[1]] = hashlib.blake2b(digest_size=8)
        digest.update(repr(row).encode())
    return {b: int.from_bytes(d.digest(), "big", signed=True) for b, d in found.items()}


def _number(rows: Iterable[tuple[Any, ...]]) -> int:
    return _by_b((0, 0, *row) for row in rows)[0]


def _rows(connection: Connection, sql: str, given: tuple[Any, ...] = ()) -> Generator[Any]:
    """Rows some at a time: straight from SQLite's driver, streamed by PostgreSQL's."""
    found = connection.exec_driver_sql(sql, given, execution_options={"stream_results": True})
    is_file = connection.dialect.name == "sqlite"
    source: Any = found.cursor if is_file else found
    try:
        while rows := source.fetchmany(_STRIDE):
            yield from map(tuple, rows)
    finally:
        source.close()
