"""Readings and judged hours as Parquet in folders by site and month, as tools for large tables read them.

::

    FOLDER/readings/site=S/month=YYYY-MM/readings.parquet    month=unknown: the time is pending
    FOLDER/hours/site=S/month=YYYY-MM/hours.parquet

Columns and units are those of the single files; the site of a reading stands in its folder alone. One
partition is written at a time, beside its place, and all of a site from one look at the record: a sample whose
time becomes known meanwhile is in one of them. All are written again each time, but a file of the same
bytes stays as it is, so that what copies a folder copies what changed.
"""

import filecmp
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any, Final

from monitor import exchange, files
from monitor.errors import InputError
from monitor.exchange import as_parquet
from monitor.store import Record
from monitor.times import month_of, month_span_s

HOUR_S: Final = 3600
READINGS, HOURS, UNKNOWN = "readings", "hours", "unknown"
_PART: Final = ".part"

Tell = Callable[[str], None]
_Write = Callable[[Path], int]  # gives the number of rows; no file where there are none


@dataclass(slots=True)
class Exported:
    """What was written: rows of both kinds, partitions, and how many of those are new or changed."""

    readings: int = 0
    hours: int = 0
    partitions: int = 0
    changed: int = 0
    removed: int = 0


def export(
    record: Record, folder: Path, *, sites: list[str], months: tuple[str, str], tell: Tell
) -> Exported:
    """Write all partitions of some sites from one month to another.

    Parameters
    ----------
    record : Record
    folder : Path
        Made where it is not there. Whoever calls holds its lock.
    sites : list of str
        Their codes; none are all.
    months : tuple of str
        The first and the last; "": from the beginning, to the end.
    tell : callable
        Is told of each partition.

    Raises
    ------
    InputError
        If there is no such site or month, or the folder cannot be written.
    """
    known = [site.code for site in record.sites()]
    for site in sites:
        if site not in known:
            raise InputError(f'there is no site "{site}"')
    first_s = month_span_s(months[0])[0] if months[0] else 0
    last_s = month_span_s(months[1] or "2999-12")[1]
    if first_s >= last_s:
        raise InputError("--from is after --to")
    done = Exported()
    try:
        (folder / _PART).mkdir(parents=True, exist_ok=True)
        for site in sites or known:
            with record.one_look():
                _site(record, folder, site, (first_s, last_s), done, tell=tell)
        shutil.rmtree(folder / _PART)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {error.strerror or error}") from error
    return done


def _site(
    record: Record,
    folder: Path,
    site: str,
    span_s: tuple[int, int],
    done: Exported,
    *,
    tell: Tell,
) -> None:
    for kind, months, write in (
        (READINGS, _months_of_readings(record, site, span_s), _readings),
        (HOURS, _months_of_hours(record, site, span_s), _hours),
    ):
        written = set()
        for month in months:
            count = _renew(folder, kind, site, month, partial(write, record, site, month), done)
            if count:
                written.add(month)
                setattr(done, kind, getattr(done, kind) + count)
                tell(f"{kind} of {site} {month}: {count}")
        _remove(folder / kind / f"site={site}", kind, written, span_s, done)


def _months_of_readings(record: Record, site: str, span_s: tuple[int, int]) -> Iterator[str]:
    yield UNKNOWN
    at_s = record.next_sample_s(site, from_s=span_s[0])
    while at_s is not None and at_s < span_s[1]:
        yield (month := month_of(at_s))
        at_s = record.next_sample_s(site, from_s=month_span_s(month)[1])


def _months_of_hours(record: Record, site: str, span_s: tuple[int, int]) -> Iterator[str]:
    hour = record.next_hour(site, from_hour=span_s[0] // HOUR_S)
    while hour is not None and hour * HOUR_S < span_s[1]:
        yield (month := month_of(hour * HOUR_S))
        hour = record.next_hour(site, from_hour=month_span_s(month)[1] // HOUR_S)


def _readings(record: Record, site: str, month: str, path: Path) -> int:
    from_s, to_s = (0, 0) if month == UNKNOWN else month_span_s(month)
    samples = record.samples(site=site, from_s=from_s, to_s=to_s, untimed=month == UNKNOWN)
    if month == UNKNOWN:  # their pairs of uptime and time lie where that time is
        samples = (sample for sample in samples if sample.basis != "clock")
    with path.open("wb") as file:
        return as_parquet.write(file, samples, without=("site",))


def _hours(record: Record, site: str, month: str, path: Path) -> int:
    from_s, to_s = month_span_s(month)
    blocks = record.hour_blocks(site=site, from_hour=from_s // HOUR_S, to_hour=to_s // HOUR_S)
    counts = [0]

    def ruled() -> Iterator[dict[str, list[Any]]]:
        for block in blocks:
            counts[0] += len(block["hour"])
            yield exchange.with_times(block)

    rows = ruled()
    first = next(rows, None)
    if first is not None:
        files.write_hours(path, chain([first], rows), more=exchange.MORE_HOURS)
    return counts[0]


def _renew(folder: Path, kind: str, site: str, month: str, write: _Write, done: Exported) -> int:
    """Write a partition where it differs from what is there; how many rows it has."""
    part = folder / _PART / f"{kind}.parquet"
    count = write(part)
    if not count:
        return 0
    place = folder / kind / f"site={site}" / f"month={month}" / part.name
    done.partitions += 1
    if not place.exists() or not filecmp.cmp(part, place, shallow=False):
        done.changed += 1
        with part.open("rb") as file:
            os.fsync(file.fileno())
        place.parent.mkdir(parents=True, exist_ok=True)
        part.replace(place)
    return count


def _remove(
    site: Path, kind: str, written: set[str], span_s: tuple[int, int], done: Exported
) -> None:
    """Take away partitions of the span of which the record has nothing any more: rows would be twice."""
    for place in site.glob(f"month=*/{kind}.parquet"):
        month = place.parent.name.removeprefix("month=")
        if month in written:
            continue
        if month == UNKNOWN or span_s[0] <= month_span_s(month)[0] < span_s[1]:
            place.unlink()
            done.removed += 1
            if not any(place.parent.iterdir()):
                place.parent.rmdir()
