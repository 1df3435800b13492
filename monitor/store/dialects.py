"""What SQLite and PostgreSQL say differently, in one form for both.

All other modules take their types, upserts and batches from here, and know of one record. Statements that
are written out (`exec_driver_sql`) are written as SQLite takes them, `?` and `:name`; `translated` turns
their parameters into the other driver's.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from operator import itemgetter
from typing import Any

import sqlalchemy as sa
from sqlalchemy import ColumnElement, Connection
from sqlalchemy.dialects.sqlite import Insert, insert
from sqlalchemy.dialects.sqlite.dml import OnConflictClause
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

__all__ = ["REAL", "Insert", "Integer", "Many", "Text", "greatest", "insert", "json_rows", "least"]

# its clauses are those of PostgreSQL, whose compiler asks for one thing more: a constraint by name
OnConflictClause.constraint_target = None  # type: ignore[attr-defined]

# INTEGER and REAL have 64 bits in SQLite and 32 in PostgreSQL; text is ordered by its bytes in both
Integer = sa.Integer().with_variant(sa.BigInteger(), "postgresql")
REAL: sa.REAL[float] = sa.REAL().with_variant(sa.Double(), "postgresql")
Text = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def share_wheres(metadata: sa.MetaData) -> None:
    """Have PostgreSQL's indexes be of the same rows as SQLite's.

    Not said where an index is declared: that would load PostgreSQL's dialect into every process, 30 ms and
    some megabytes.
    """
    for table in metadata.tables.values():
        for index in table.indexes:
            where = index.dialect_options["sqlite"]["where"]
            index.dialect_options["postgresql"]["where"] = where


class _OfSeveral(FunctionElement[int]):
    """A function of several whole numbers of one row; a NULL among them SQLite gives, PostgreSQL leaves out."""

    type = Integer
    inherit_cache = True


class _Least(_OfSeveral):
    name = "least"
    inherit_cache = True


class _Greatest(_OfSeveral):
    name = "greatest"
    inherit_cache = True


@compiles(_Least, "sqlite")
def _min(element: _Least, compiler: SQLCompiler, **more: Any) -> str:  # noqa: ANN401
    return f"min{compiler.process(element.clauses.self_group(), **more)}"


@compiles(_Greatest, "sqlite")
def _max(element: _Greatest, compiler: SQLCompiler, **more: Any) -> str:  # noqa: ANN401
    return f"max{compiler.process(element.clauses.self_group(), **more)}"


@compiles(_Least)
@compiles(_Greatest)
def _of_several(element: _OfSeveral, compiler: SQLCompiler, **more: Any) -> str:  # noqa: ANN401
    return f"{element.name}{compiler.process(element.clauses.self_group(), **more)}"


def least(*given: ColumnElement[Any] | int) -> ColumnElement[int]:
    """The smallest of several values of one row; where one may be NULL, put `coalesce` around it."""
    return _Least(*given)


def greatest(*given: ColumnElement[Any] | int) -> ColumnElement[int]:
    """The largest of several values of one row; where one may be NULL, put `coalesce` around it."""
    return _Greatest(*given)


@dataclass(frozen=True, slots=True)
class Many:
    """An insert of whole rows, compiled once for many: half of the time of a group would go into it."""

    statement: Insert | sa.Insert
    _said: dict[str, tuple[str, tuple[str, ...]]] = field(default_factory=dict)  # by dialect

    def run(self, connection: Connection, rows: Iterable[dict[str, Any]]) -> int:
        """Execute for each row; the number of rows it changed."""
        _, names = self._of(connection)
        pick = itemgetter(*names)
        return self.run_tuples(connection, [pick(row) for row in rows])

    def run_tuples(self, connection: Connection, rows: list[tuple[Any, ...]]) -> int:
        """The same of rows in the order of the table's columns."""
        sql, _ = self._of(connection)
        result = connection.exec_driver_sql(
            sql, rows, execution_options={"preserve_rowcount": True}
        )
        return int(result.rowcount)

    def _of(self, connection: Connection) -> tuple[str, tuple[str, ...]]:
        known = self._said.get(connection.dialect.name)
        if known is None:
            names = [column.name for column in self.statement.table.columns]
            compiled = self.statement.compile(dialect=connection.dialect, column_keys=names)
            known = str(compiled), tuple(compiled.positiontup or ())
            self._said[connection.dialect.name] = known
        return known


def json_rows(connection: Connection, count: int) -> str:
    """What a FROM takes for a parameter that is a JSON list of lists of `count` whole numbers: c0, c1 ..."""
    if connection.dialect.name == "sqlite":
        columns = (f"json_extract(value, '$[{at}]') AS c{at}" for at in range(count))
        return f"(SELECT {', '.join(columns)} FROM json_each(?))"  # noqa: S608
    columns = (f"(value->>{at})::bigint AS c{at}" for at in range(count))
    return f"(SELECT {', '.join(columns)} FROM json_array_elements(?::json))"  # noqa: S608


@lru_cache(maxsize=512)
def translated(sql: str) -> str:
    """A statement, without % of its own, with parameters as psycopg takes them."""
    return re.sub(r"(?<![:\w]):([a-z_]\w*)", r"%(\1)s", sql).replace("?", "%s")


def said(error: DBAPIError) -> str:
    """What a database says of an error: its first line, for further ones quote names and notes."""
    return str(error.orig).partition("\n")[0]
