"""The folder of results: one partition a site and month, whole or not there.

::

    FOLDER/model=VERSION/site=S/month=YYYY-MM/hours.parquet         as `sillkeep export hours` has them
                                              alarms.parquet        changes of alarms, findings of leaks
                                              checkpoints.parquet   what is remembered at its end
                                              done.json             made from what, compared with what
    FOLDER/model=VERSION/report.json

A partition is written beside its place and renamed, so that a run that was killed leaves whole ones.
"""

import json
import os
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from monitor import judge
from monitor.errors import InputError
from monitor.recompute.compared import Compared
from monitor.recompute.month import ALARMS, CHECKPOINTS, HOURS, TIMES, Made, joined, unpacked

DONE = "done.json"
REPORT = "report.json"
_PART = ".part"


class Done(msgspec.Struct, frozen=True):
    """What the parts of a partition were made from, by number, and how it compares with the record."""

    inputs: dict[int, str]
    told: Compared


class Folder:
    """Partitions of one model in a folder; only one process may write to it (`recompute.lock`)."""

    def __init__(self, folder: Path, model: str) -> None:
        self.path = folder / f"model={model}"

    def open(self) -> None:
        """Make the folder, and clear away what a run that was killed had begun.

        Raises
        ------
        InputError
            If it cannot be written.
        """
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            for left in self.path.glob(f"*{_PART}"):
                if left.is_dir():
                    shutil.rmtree(left)
                else:  # a report's
                    left.unlink()
        except OSError as error:
            raise _unwritable(self.path, error) from error

    def partition(self, site: str, month: str) -> Path:
        """Where a month of a site lies."""
        return self.path / f"site={site}" / f"month={month}"

    def done(self, site: str, month: str) -> Done | None:
        """What is kept of a month; None: nothing, or nothing of use."""
        place = self.partition(site, month)
        if not all((place / name).exists() for name in (HOURS, ALARMS, CHECKPOINTS)):
            return None
        try:
            data = (place / DONE).read_bytes()
            return msgspec.json.decode(data, type=Done)
        except (OSError, msgspec.DecodeError):
            return None

    def memories(self, site: str, month: str) -> dict[str, bytes]:
        """What is remembered of each unit at a month's end."""
        path = self.partition(site, month) / CHECKPOINTS
        return unpacked(path) if path.exists() else {}

    def keep(self, site: str, month: str, parts: Sequence[Made]) -> Compared:
        """Put a month in its place, on the disk and whole; how it compares.

        Raises
        ------
        InputError
            If it cannot be written.
        """
        place = self.partition(site, month)
        part = self.path / f"{site} {month}{_PART}"
        done = Done({one.task.part: one.inputs for one in parts}, Compared())
        for one in parts:
            done.told.add(one.told)
        try:
            part.mkdir()
            for name, data in {**joined(parts), DONE: msgspec.json.encode(done)}.items():
                with (part / name).open("xb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
            place.parent.mkdir(exist_ok=True)
            if place.exists():
                shutil.rmtree(place)
            part.rename(place)
        except OSError as error:
            raise _unwritable(place, error) from error
        return done.told

    def forget(self, site: str, month: str) -> None:
        """Take away a month of which nothing is judged any more."""
        if (place := self.partition(site, month)).exists():
            shutil.rmtree(place)

    def changes(
        self, site: str, months: list[str]
    ) -> Iterator[tuple[str, judge.AlarmChange | judge.Latch]]:
        """Changes of alarms and findings of leaks with their units, as they were judged, in order."""
        for month in months:
            path = self.partition(site, month) / ALARMS
            if path.exists():
                yield from map(_change, _rows(path))

    def write_report(self, data: bytes) -> None:
        """Keep the report, whole or not at all."""
        part = self.path / f".{REPORT}{_PART}"
        try:
            with part.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            part.replace(self.path / REPORT)
        except OSError as error:
            raise _unwritable(self.path, error) from error

    def report(self) -> bytes:
        """The report of the last run.

        Raises
        ------
        InputError
            If there is none.
        """
        try:
            return (self.path / REPORT).read_bytes()
        except OSError:
            raise InputError(
                f"there is no report in {self.path}; run it without --report-only first"
            ) from None


def _unwritable(path: Path, error: OSError) -> InputError:
    return InputError(f"{path}: cannot be written: {error.strerror or error}")


def _rows(path: Path) -> Iterator[dict[str, Any]]:
    import pyarrow as pa
    from pyarrow import parquet

    table = parquet.ParquetFile(path).read()
    for name in TIMES:
        whole = table[name].cast(pa.timestamp("s", tz="UTC"), safe=False).cast(pa.int64())
        table = table.set_column(table.column_names.index(name), name, whole)
    yield from table.to_pylist()


def _change(row: dict[str, Any]) -> tuple[str, judge.AlarmChange | judge.Latch]:
    if row["what"] == "stands":
        times = (row["raised"], row["rested"], row["inspected"])
        return row["unit"], judge.Latch(row["zone"], *times)
    facts = json.loads(row["facts"])
    return row["unit"], judge.AlarmChange(
        row["zone"], row["kind"], row["raised"], row["cleared"], facts
    )
