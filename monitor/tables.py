"""Tables in files, CSV or Parquet by ending: columns read under our names, and written.

A file that cannot be read or written is an `InputError` that says what to do.
"""

import csv
import warnings
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from monitor.errors import InputError

MISSING: Final = ("", "#N/A", "N/A", "NA", "n/a", "na", "<NA>", "NaN", "nan", "NULL", "null")
EXTRA: Final = "beyond the header"  # a column of our own: filled where a row is too long


@dataclass(frozen=True, slots=True)
class TableHead:
    """The column names of a file, and the line of its first row (Parquet: 1)."""

    names: tuple[str, ...]
    first_line: int


def read_head(path: Path) -> TableHead:
    """Column names of a CSV or Parquet file.

    Raises
    ------
    InputError
        If the file is absent, empty, of another kind, or not separated by commas.
    """
    try:
        if is_parquet(path):
            import pyarrow.parquet as pq

            return TableHead(names=tuple(pq.read_schema(path).names), first_line=1)
        with path.open(encoding="utf-8-sig", newline="") as lines:
            reader = csv.reader(lines)
            names = next((row for row in reader if any(row)), [])
            head = TableHead(tuple(name.strip() for name in names), reader.line_num + 1)
    except (OSError, ValueError, csv.Error) as error:  # UTF-8 and pyarrow: kinds of ValueError
        raise InputError(_unreadable(path, error)) from error
    if not head.names:
        raise InputError(f"{path}: is empty; the first line must name the columns")
    if len(head.names) == 1 and any(mark in head.names[0] for mark in ";\t|"):
        raise InputError(
            f"{path}: its columns are not separated by commas ({head.names[0]!r}); "
            "save it with commas between columns and points in numbers"
        )
    return head


def is_parquet(path: Path) -> bool:
    """Tell a .parquet file from a .csv file by its ending.

    Raises
    ------
    InputError
        For any other ending, and where Parquet is asked for and not installed.
    """
    ending = path.suffix.lower()
    if ending not in {".csv", ".parquet"}:
        raise InputError(f"{path}: the name must end in .csv or .parquet")
    if ending == ".parquet":
        try:
            import pyarrow  # noqa: F401, ICN001  only asks whether it is there
        except ImportError:
            raise InputError(
                f"{path}: Parquet needs the extra sillkeep[parquet] "
                "(pip install 'sillkeep[parquet]'); or use a .csv file"
            ) from None
    return ending == ".parquet"


def load(
    path: Path,
    head: TableHead,
    columns: Mapping[str, str],
    *,
    numbers: Collection[str] = (),
    names: Collection[str] = (),
) -> pd.DataFrame:
    """Read some columns of a file under our names.

    Parameters
    ----------
    columns : Mapping[str, str]
        Our name -> the file's name.
    numbers : Collection[str]
        Our columns that hold numbers: read as numbers where every value is one, else as text.
    names : Collection[str]
        Our columns with few distinct texts: read as categories.

    Returns
    -------
    DataFrame
        All else as text; blank is nan. From CSV also `EXTRA`: what a row holds behind the last
        named column. Row i stands on line ``first_line + i``, as long as no value holds a line
        break.

    Raises
    ------
    InputError
        If a column comes twice, or the file cannot be read.
    """
    for theirs in columns.values():
        if head.names.count(theirs) > 1:
            raise InputError(f"{path}: has the column {theirs!r} more than once; rename one")
    if not is_parquet(path):
        return _load_csv(path, head, columns, numbers=numbers, names=names)
    import pyarrow as pa
    from pyarrow import parquet

    pa.set_memory_pool(pa.system_memory_pool())  # gives freed columns back; its own pool keeps them
    few = [theirs for ours, theirs in columns.items() if ours in names]
    try:
        table = parquet.read_table(path, columns=list(columns.values()), read_dictionary=few)
        frame = table.to_pandas(self_destruct=True, split_blocks=True, ignore_metadata=True)
    except (OSError, ValueError) as error:
        raise InputError(_unreadable(path, error)) from error
    return pd.DataFrame({ours: frame[theirs] for ours, theirs in columns.items()}, copy=False)


def _load_csv(
    path: Path,
    head: TableHead,
    columns: Mapping[str, str],
    *,
    numbers: Collection[str],
    names: Collection[str],
) -> pd.DataFrame:
    ours = {head.names.index(theirs): name for name, theirs in columns.items()}
    at = [ours.get(place, f"{place} unused") for place in range(len(head.names))]
    wanted = [*sorted(ours), len(at)]

    def read(at: list[str], wanted: list[int] | None) -> pd.DataFrame:
        text = [name for name in at if name not in numbers]
        return pd.read_csv(
            path,
            header=None,
            skiprows=head.first_line - 1,
            names=at,
            usecols=wanted,  # by place; rows that are too long are then cut, and no error
            index_col=False,
            dtype={name: "category" if name in names else str for name in text},
            keep_default_na=False,
            na_values={name: [""] if name in text else list(MISSING) for name in at},
            skipinitialspace=True,
            skip_blank_lines=False,  # a row's place tells its line
            encoding="utf-8-sig",
            compression=None,
            low_memory=False,
        )

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            return read(at, None)[[at[place] for place in sorted(ours)]]
    except (pd.errors.ParserError, pd.errors.ParserWarning):
        pass  # some row is too long: read again, and keep what stands behind the columns
    except (UnicodeDecodeError, pd.errors.EmptyDataError, OSError) as error:
        raise InputError(_unreadable(path, error)) from error
    try:
        return read([*at, EXTRA], wanted)
    except (UnicodeDecodeError, pd.errors.ParserError, OSError) as error:
        raise InputError(_unreadable(path, error)) from error


def _unreadable(path: Path, error: Exception) -> str:
    if isinstance(error, UnicodeDecodeError):
        return f"{path}: is not UTF-8 text; save it as CSV in UTF-8"
    if isinstance(error, FileNotFoundError):
        return f"{path}: there is no such file"
    if isinstance(error, pd.errors.EmptyDataError):
        return f"{path}: has column names and no rows"
    why = getattr(error, "strerror", None) or str(error).strip()
    if "EOF inside string" in why:
        why += " (a quotation mark is opened and never closed)"
    return f"{path}: cannot be read: {why}"


def write_table(
    path: Path,
    blocks: Iterable[Mapping[str, ArrayLike]],
    *,
    times: Collection[str] = (),
    digits: Mapping[str, int] | None = None,
) -> None:
    """Write blocks of rows to a file, whole or not at all, one block in memory at a time.

    Parameters
    ----------
    blocks : iterable of mappings of column to values
        All of the same columns in the order of the file, the first of which names them; nan and
        None are blank.
    times : Collection[str]
        Columns of seconds since 1970: RFC 3339 in CSV, UTC timestamps in Parquet.
    digits : Mapping[str, int] or None
        Decimals that a column is rounded to.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    parquet = is_parquet(path)
    part = path.with_name(f".{path.stem}.part{path.suffix}")
    rounded = (
        {name: _rounded(column, (digits or {}).get(name)) for name, column in block.items()}
        for block in blocks
    )
    try:
        if parquet:
            _write_parquet(part, rounded, times)
        else:
            _write_csv(part, rounded, times, digits or {})
        part.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)


def _write_parquet(
    part: Path, blocks: Iterable[Mapping[str, "pd.Series[Any]"]], times: Collection[str]
) -> None:
    import pyarrow as pa
    from pyarrow import parquet

    writer = None
    try:
        for block in blocks:
            stamped = {
                name: pd.Series(_stamps(column)).dt.tz_localize("UTC") if name in times else column
                for name, column in block.items()
            }
            table = pa.Table.from_pandas(pd.DataFrame(stamped), preserve_index=False)
            if writer is None:
                writer = parquet.ParquetWriter(part, table.schema)
            writer.write_table(table.cast(writer.schema))
    finally:
        if writer is not None:
            writer.close()


def _write_csv(
    part: Path,
    blocks: Iterable[Mapping[str, "pd.Series[Any]"]],
    times: Collection[str],
    digits: Mapping[str, int],
) -> None:
    with part.open("w", encoding="utf-8", newline="") as lines:
        writer = csv.writer(lines, lineterminator="\n")
        for number, block in enumerate(blocks):
            if number == 0:
                writer.writerow(block)
            written = [
                _written(_stamps(column), "time")
                if name in times
                else _written(column, f".{digits[name]}f" if name in digits else "")
                for name, column in block.items()
            ]
            writer.writerows(zip(*written, strict=True))


def _rounded(column: ArrayLike, digits: int | None) -> "pd.Series[Any]":
    if digits is None:
        values: pd.Series[Any] = pd.Series(np.asarray(column))
        return values if len(values) else values.astype("str")  # no rows: text, not "no type"
    return pd.Series(np.round(np.asarray(column, dtype=float), digits) + 0.0)  # no minus zero


def _stamps(column: "pd.Series[Any]") -> NDArray[np.datetime64]:
    seconds = column.to_numpy(dtype=float, na_value=np.nan)
    known = np.isfinite(seconds)
    stamps = np.full(len(seconds), np.datetime64("NaT"), dtype="datetime64[s]")
    stamps[known] = seconds[known].astype(np.int64).astype("datetime64[s]")
    return stamps


def _written(column: "pd.Series[Any] | NDArray[np.datetime64]", form: str) -> list[str]:
    """Each value as text; a distinct value is put into words once, for most of them come again."""
    codes, distinct = pd.factorize(column)
    if form == "time":
        texts = np.datetime_as_string(np.asarray(distinct), timezone="UTC").tolist()
    else:
        texts = [format(value, form) for value in distinct]
    written: list[str] = np.array([*texts, ""], dtype=object)[codes].tolist()  # code -1: blank
    return written
