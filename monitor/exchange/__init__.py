"""What goes out of the record as a file and comes in again, with nothing lost on the way.

::

    record --samples--> .csv | .parquet | .senml.json | .senml.jsonl --take--> record

A file is written beside its place and moved there once it is whole. It comes in by the way of all
readings: what is known already changes nothing, another value for one sample is a dispute. A line
that cannot be read is a reject with its number and reason, and bears on no other line. Memory holds
one group of samples, and those that are disputed, however long the file.
"""

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

import msgspec

from monitor import files, judge
from monitor.errors import InputError
from monitor.exchange import as_csv, as_parquet, as_senml
from monitor.exchange.rows import COLUMNS, REQUIRED, Line
from monitor.store import Record, Sample
from monitor.store.exporting import FOREVER_S
from sensors.wire import Reading, Reject

__all__ = [
    "COLUMNS",
    "MORE_HOURS",
    "Imported",
    "export_hours",
    "export_readings",
    "import_readings",
    "is_readings",
    "with_times",
]

HOUR_S: Final = 3600
GROUP: Final = 2000  # readings a transaction
KEPT_REJECTS: Final = 1000  # of one file; all are counted
_FIRST_BYTES: Final = 65_536
_WRITERS: Final[dict[str, Callable[[BinaryIO, Iterable[Sample]], int]]] = {
    ".csv": as_csv.write,
    ".parquet": as_parquet.write,
    ".senml.json": as_senml.write_pack,
    ".senml.jsonl": as_senml.write_packs,
}
MORE_HOURS: Final = {"ambient_moisture_percent": 2, "rain_mm": 2, "rules": None}
_FOREIGN: Final = (
    "a file of other readings, without node and time of receipt; judge it with `sillkeep judge`, or "
    "have a node publish it: sillkeep node --replay FILE --site SITE --node NODE"
)

Tell = Callable[[int, int], None]  # done, of how many (0: not known)


def _silent(_done: int, _all: int) -> None:
    pass


# --- out ------------------------------------------------------------------------------------------


def export_readings(
    record: Record,
    path: Path,
    *,
    site: str = "",
    unit: str = "",
    span_s: tuple[int, int] = (0, FOREVER_S),
    force: bool = False,
    tell: Tell = _silent,
) -> int:
    """Write every sample of a site, or of what watched a unit; how many they were.

    Parameters
    ----------
    record : Record
    path : Path
        Its ending says the form.
    site, unit : str
        One of the two.
    span_s : tuple[int, int]
        From and to (not including), by the time of a sample. [s since 1970]
    force : bool
        Also where there is a file already.
    tell : callable
        Is told of progress.

    Raises
    ------
    InputError
        If there is no such site or unit, nothing to write, a file already, or no way to write one.
    """
    ending = next((each for each in _WRITERS if path.name.lower().endswith(each)), None)
    if ending is None:
        raise InputError(f"{path}: the name must end in {', '.join(_WRITERS)}")
    total = record.count_readings(site=site, unit=unit)
    samples = record.samples(site=site, unit=unit, from_s=span_s[0], to_s=span_s[1])
    with _beside(path, force=force) as file:
        count = _WRITERS[ending](file, _told(samples, total, tell))
        if not count:
            raise InputError(
                f"there are no readings of {unit or site} in that time; no file written"
            )
    return count


def _told(samples: Iterable[Sample], total: int, tell: Tell) -> Iterator[Sample]:
    for done, sample in enumerate(samples):
        if not done % GROUP:
            tell(done, total)
        yield sample


@contextmanager
def _beside(path: Path, *, force: bool) -> Iterator[BinaryIO]:
    """A file beside its place, moved there once all is written and on the disk."""
    _check_free(path, force=force)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        _check_free(path, force=force)
        part.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)


def _check_free(path: Path, *, force: bool) -> None:
    if path.exists() and not force:
        raise InputError(
            f"{path} is there already; name another file, or write over it with --force"
        )


def export_hours(
    record: Record,
    path: Path,
    *,
    site: str = "",
    unit: str = "",
    span_s: tuple[int, int] = (0, FOREVER_S),
    force: bool = False,
) -> int:
    """Write the judged hours of a unit, or of a site and its units; how many they were.

    Columns are those of the HOURS file, then ambient moisture, rain and the version of the rules.

    Raises
    ------
    InputError
        As `export_readings`.
    """
    _check_free(path, force=force)
    blocks = record.hour_blocks(
        site=site, unit=unit, from_hour=span_s[0] // HOUR_S, to_hour=-(-span_s[1] // HOUR_S)
    )
    counts = [0]

    def ruled() -> Iterator[dict[str, list[Any]]]:
        for block in blocks:
            counts[0] += len(block["hour"])
            yield with_times(block)
        if not counts[0]:
            raise InputError(f"no hours of {unit or site} are judged in that time; no file written")

    files.write_hours(path, ruled(), more=MORE_HOURS)
    return counts[0]


def with_times(block: dict[str, list[Any]]) -> dict[str, list[Any]]:
    """A block of judged hours with their times and the version of the rules."""
    times = [hour * HOUR_S for hour in block["hour"]]
    return block | {"time": times, "rules": [judge.VERSION] * len(times)}


# --- in -------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Imported:
    """What became of a file."""

    samples: int = 0
    stored: int = 0
    repeated: int = 0
    disputed: int = 0
    rejected: int = 0
    clocks: int = 0  # pairs of uptime and time without a sample
    rejects: list[str] = field(default_factory=list)  # the first of them
    unplaced: list[str] = field(default_factory=list)  # site/node/probe that watch nothing here


def is_readings(path: Path) -> bool:
    """Whether a file is one of samples, by what it holds; False: it may be a lot file.

    Raises
    ------
    InputError
        If it cannot be read, or is a file of something else.
    """
    return _reader(path) is not None


def _reader(path: Path) -> Callable[..., Iterator[Line]] | None:
    try:
        with path.open("rb") as file:
            first = file.read(_FIRST_BYTES)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    if first.startswith(b"PAR1"):
        _check_columns(path, as_parquet.names(path))
        return as_parquet.read
    begun = first.removeprefix(b"\xef\xbb\xbf").lstrip()
    if begun.startswith(b"[") and begun[1:].lstrip()[:1] in {b"{", b"]"}:
        _check_senml(path)
        return as_senml.read
    names = as_csv.header(first.split(b"\n", 1)[0])
    if "node" in names or path.suffix.lower() == ".csv":
        _check_columns(path, names)
        return as_csv.read
    if path.suffix.lower() in {".parquet", ".json", ".jsonl"}:
        raise InputError(f"{path}: is no Parquet file and no SenML, as its name says")
    return None


def _check_columns(path: Path, names: list[str]) -> None:
    if "state" in names and "coverage_percent" in names:
        raise InputError(
            f"{path}: these are judged hours, which come from readings: import the readings"
        )
    absent = [name for name in REQUIRED if name not in names]
    if len(absent) > 3 or not {"node", "received"}.issubset(names):
        raise InputError(f"{path}: {_FOREIGN}")
    if absent:
        raise InputError(f"{path}: has no column {' and no column '.join(absent)}")
    if len(set(names)) < len(names):
        raise InputError(f"{path}: has a column more than once; rename one")


def _check_senml(path: Path) -> None:
    records = as_senml.first_records(path)
    if records is None:
        raise InputError(f"{path}: is no SenML pack (RFC 8428), and has none in its lines")
    if not any(record.get("n") == "received" for record in records):
        raise InputError(f"{path}: {_FOREIGN}")


def import_readings(record: Record, path: Path, *, now_s: int, tell: Tell = _silent) -> Imported:
    """Take in a file that `export_readings` wrote; a second time it changes nothing.

    Raises
    ------
    InputError
        If it is no such file.
    StoreError
        If the record cannot be written; what was taken until then stays, and may come again.
    """
    reader = _reader(path)
    if reader is None:
        raise InputError(f"{path}: is no file of readings")
    done = Imported()
    group = _Group(record, done, topic=f"import {path.name}".encode(errors="replace").decode())
    for count, line in enumerate(paired(reader(path, now_s=now_s))):
        group.add(line, now_s=now_s)
        if not count % GROUP:
            tell(count, 0)
    group.take()
    placed = {(p.site, p.node, p.probe) for p in record.placements() if p.zone}
    done.unplaced = ["/".join(key) for key in sorted(group.seen - placed)]
    return done


def paired(lines: Iterable[Line]) -> Iterator[Line]:
    """Lines, those that are marked as disputed last; one of them is none without its other values.

    Else a file with one damaged line would have a value judged that never was.
    """
    held: dict[tuple[object, ...], list[Line]] = {}
    for line in lines:
        if line.sample is not None and line.sample.disputed:
            held.setdefault(_identity(line.sample), []).append(line)
        else:
            yield line
    for several in held.values():
        yield from _settled(several)


def _identity(sample: Sample) -> tuple[object, ...]:
    r = sample.reading
    return (r.site, r.node, r.probe, r.boot, r.at_s if r.seq is None else r.seq)


def _settled(held: list[Line]) -> Iterator[Line]:
    values = {
        msgspec.structs.replace(line.sample.reading, at_s=None, uptime_s=None)
        for line in held
        if line.sample is not None
    }
    if len(values) != 1:
        yield from held
        return
    why = "is marked as disputed, and its other value is not in the file: it is not taken"
    for line in held:
        yield Line(line.number, None, why, repr(line.sample).encode())


class _Group:
    """Samples and rejects that wait for one transaction."""

    def __init__(self, record: Record, done: Imported, *, topic: str) -> None:
        self._record = record
        self._done = done
        self._topic = topic
        self._readings: list[Reading] = []
        self._received_s: list[int] = []
        self._clocks: list[Reading] = []
        self._rejects: list[Reject] = []
        self.seen: set[tuple[str, str, str]] = set()

    def add(self, line: Line, *, now_s: int) -> None:
        """Put in a line."""
        sample = line.sample
        if sample is None:
            self._reject(line, now_s)
        elif sample.basis == "clock":
            self._clocks.append(sample.reading)
        else:
            reading = sample.reading
            if sample.basis == "worked out":  # again, by the pairs that are known here
                reading = msgspec.structs.replace(reading, at_s=None)
            self._readings.append(reading)
            self._received_s.append(sample.received_s)
            self.seen.add((reading.site, reading.node, reading.probe))
        if len(self._readings) + len(self._clocks) + len(self._rejects) >= GROUP:
            self.take()

    def _reject(self, line: Line, now_s: int) -> None:
        said = f"line {line.number}: {line.reason}"
        done = self._done
        done.rejected += 1
        if done.rejected <= KEPT_REJECTS:
            done.rejects.append(said)
            self._rejects.append(
                Reject(topic=self._topic, payload=line.written, reason=said, received_s=now_s)
            )

    def take(self) -> None:
        """Keep what waits."""
        if not self._readings and not self._clocks and not self._rejects:
            return
        taken = self._record.take(
            self._readings, self._rejects, received_s=self._received_s, clocks=self._clocks
        )
        done = self._done
        done.samples += len(self._readings)
        done.clocks += len(self._clocks)
        done.stored += taken.stored
        done.repeated += taken.repeated
        done.disputed += taken.disputed
        self._readings, self._received_s, self._clocks, self._rejects = [], [], [], []
