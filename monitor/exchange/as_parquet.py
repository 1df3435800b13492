"""Samples as a Parquet file: typed columns, times as UTC timestamps."""

import json
from collections.abc import Collection, Iterable, Iterator
from itertools import count, islice
from pathlib import Path
from typing import Any, BinaryIO

from monitor.errors import InputError
from monitor.exchange.rows import COLUMNS, COUNTS, TEXTS, TIMES, Line, sample_of, values_of
from monitor.store import Sample

GROUP = 32_768  # rows of a group; some ten megabytes while one is put together


def _arrow() -> Any:  # noqa: ANN401  a library without types
    try:
        import pyarrow as pa
    except ImportError:
        raise InputError(
            "Parquet needs the extra sillkeep[parquet] (pip install 'sillkeep[parquet]'); "
            "or use a .csv file"
        ) from None
    return pa


def schema(*, without: Collection[str] = ()) -> Any:  # noqa: ANN401
    """Types of the columns, but for those left out."""
    pa = _arrow()
    types = dict.fromkeys(COLUMNS, pa.float64())
    types |= dict.fromkeys(COUNTS, pa.int64())
    types |= dict.fromkeys(TIMES, pa.timestamp("ms", tz="UTC"))
    types |= dict.fromkeys(TEXTS, pa.string())
    types |= dict.fromkeys(("contact", "disputed"), pa.bool_())
    return pa.schema([(name, types[name]) for name in COLUMNS if name not in without])


def write(file: BinaryIO, samples: Iterable[Sample], *, without: Collection[str] = ()) -> int:
    """Write samples, but for some of the columns; how many samples they were."""
    pa = _arrow()
    from pyarrow import parquet

    pa.set_memory_pool(pa.system_memory_pool())  # its own keeps what was freed
    form = schema(without=without)
    kept = [COLUMNS.index(name) for name in form.names]
    at = [COLUMNS.index(name) for name in TIMES]
    total = 0
    with parquet.ParquetWriter(file, form, compression="zstd") as writer:
        rows = map(values_of, samples)
        while group := list(islice(rows, GROUP)):
            columns: list[Any] = list(zip(*group, strict=True))
            for place in at:
                columns[place] = [None if s is None else s * 1000 for s in columns[place]]
            arrays = [
                pa.array(columns[place], field.type)
                for place, field in zip(kept, form, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=form))
            total += len(group)
    return total


def names(path: Path) -> list[str]:
    """Column names; InputError if it is no Parquet file."""
    pa = _arrow()
    from pyarrow import parquet

    try:
        return list(parquet.read_schema(path).names)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise InputError(f"{path}: cannot be read as Parquet: {error}") from error


def read(path: Path, *, now_s: int) -> Iterator[Line]:
    """Rows of a file."""
    pa = _arrow()
    from pyarrow import parquet

    numbers = count(1)
    try:
        with parquet.ParquetFile(path) as file:
            here = [name for name in COLUMNS if name in file.schema_arrow.names]
            for batch in file.iter_batches(batch_size=4096, columns=here):
                columns = [_values(pa, name, batch.column(name)) for name in here]
                for row in zip(*columns, strict=True):
                    yield _line(next(numbers), dict(zip(here, row, strict=True)), now_s)
    except (OSError, pa.ArrowException) as error:
        raise InputError(f"{path}: cannot be read as Parquet: {error}") from error


def _values(pa: Any, name: str, column: Any) -> list[Any]:  # noqa: ANN401
    """Python values of a column; times in seconds."""
    if name in TIMES and pa.types.is_timestamp(column.type) and column.type.tz is not None:
        whole = column.cast(pa.timestamp("s", tz="UTC"), safe=False).cast(pa.int64())
        return list(whole.to_pylist())
    return list(column.to_pylist())


def _line(number: int, row: dict[str, Any], now_s: int) -> Line:
    for name, value in row.items():
        if value != value:  # noqa: PLR0124  not a number: a tool's way of "missing"
            row[name] = None
    try:
        return Line(number, sample_of(row, now_s=now_s))
    except (ValueError, TypeError) as error:
        return Line(number, None, str(error), json.dumps(row, default=str).encode())
