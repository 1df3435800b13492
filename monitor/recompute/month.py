"""One month of some units of a site, judged again: what a worker is given, and what it gives back.

A worker reads the record and writes nothing: what it found goes back whole, as the bytes of the files
that are kept of it. So a worker needs the record's home folder within reach and nothing else, one
process alone writes results, and of a worker that is lost nothing is left half written.
"""

import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from monitor import exchange, files, judge, tables, watch
from monitor.errors import InputError
from monitor.evidence import weights
from monitor.lot import Placement, Site, Unit, ZoneReadings
from monitor.recompute.compared import Compared, Stored, compare
from monitor.store import Record, open_record
from monitor.times import month_span_s

DAY_S, HOUR_S = 86_400, 3_600
HOURS, ALARMS, CHECKPOINTS = "hours.parquet", "alarms.parquet", "checkpoints.parquet"
_OTHERWISE = {"readings", "site", "weights"}  # fields of `Watched` that a digest takes in as bytes
TIMES = ("raised", "cleared", "rested", "inspected")


@dataclass(frozen=True, slots=True)
class Task:
    """What a worker is asked for.

    Parameters
    ----------
    home : Path
        Folder of the record.
    site, month : str
        Which partition.
    part : int
        Which of the site's units, counted in parts of equal size.
    version : str
        Of the rules: a worker that has others refuses.
    weights : bytes
        Data file of the leak weights.
    units : mapping of unit code to hour
        Units of that part with hours in the month or later, and up to which hour each is judged.
    memories : mapping of unit code to bytes
        What is remembered of each before the month; none of those that begin in it.
    inputs : str
        Digest of what these units' rows that are kept were made from; "": there are none.
    """

    home: Path
    site: str
    month: str
    part: int
    version: str
    weights: bytes
    units: Mapping[str, int]
    memories: Mapping[str, bytes]
    inputs: str = ""


@dataclass(frozen=True, slots=True)
class Made:
    """What became of it: `files` by name, none where what is kept holds as it is."""

    task: Task
    inputs: str
    told: Compared
    files: Mapping[str, bytes]


@dataclass(frozen=True, slots=True, eq=False)
class _Given:
    """A unit's month as the record has it: what it is judged from, and what it was judged to be."""

    unit: Unit
    watched: judge.Watched
    memory: bytes | None
    from_day: int
    to_hour: int
    own_hour: int
    stored: Stored


def judge_month(task: Task) -> Made:
    """Judge a month of some units again, and compare it with the record's own hours.

    Raises
    ------
    InputError
        If this worker runs another version of the rules.
    StoreError
        If the record cannot be read here.
    """
    if task.version != judge.VERSION:
        raise InputError(
            f"a worker has version {judge.VERSION} of the rules and this command {task.version}: "
            "install the same Sillkeep on both"
        )
    with open_record(task.home, read_only=True) as record:
        if task.inputs:
            digest = sha256(task.version.encode() + task.weights)
            for given in _each(record, task):
                _digest(digest, given)
            if digest.hexdigest() == task.inputs:
                return Made(task, task.inputs, Compared(), {})
        return _made(record, task)


def _each(record: Record, task: Task) -> Iterator[_Given]:
    """Units that have something to judge in the month, in the order of their codes."""
    site = next(one for one in record.sites() if one.code == task.site)
    units = {unit.code: unit for unit in record.units()}
    placements = record.placements()
    table = weights.decoded(task.weights)
    for code, to_hour in sorted(task.units.items()):
        given = _given(record, task, site, units[code], placements, to_hour)
        if given is not None:
            yield replace(given, watched=replace(given.watched, weights=table))


def _given(
    record: Record,
    task: Task,
    site: Site,
    unit: Unit,
    placements: list[Placement],
    to_hour: int,
) -> _Given | None:
    from_s, to_s = month_span_s(task.month)
    to_hour = min(to_s // HOUR_S, to_hour)
    memory = task.memories.get(unit.code)
    readings = record.unit_readings(unit.code, from_s=from_s, to_s=to_hour * HOUR_S)
    if memory is None:
        begun_s = watch.began_s(readings)
        if begun_s is None:
            return None
        from_s = begun_s // DAY_S * DAY_S
    watched = watch.watched_of(
        record, site, unit, placements, readings, from_s=from_s, to_hour=to_hour
    )
    own_hour = watch.own_from_s(record, unit.code) // HOUR_S
    first = max(from_s // HOUR_S, own_hour)
    blocks = record.hour_blocks(unit=unit.code, from_hour=first, to_hour=to_hour)
    stored: Stored = {}
    for block in blocks:
        stored.setdefault(block["zone"][0], []).append(block)
    return _Given(unit, watched, memory, from_s // DAY_S, to_hour, own_hour, stored)


def _digest(digest: Any, given: _Given) -> None:  # noqa: ANN401  hashlib has no name for it
    """Take in all that a unit's month depends on; late readings change it, and so does the record."""
    known = given.watched
    said = [given.unit, given.from_day, given.to_hour, given.own_hour]
    said += [getattr(known, one.name) for one in fields(known) if one.name not in _OTHERWISE]
    digest.update(repr(said).encode())
    digest.update(sha256(given.memory or b"").digest())
    for series in (known.readings, known.site):
        for code, readings in sorted(series.items()):
            digest.update(code.encode())
            for name in ZoneReadings.__slots__:
                digest.update(sha256(getattr(readings, name).tobytes()).digest())
    digest.update(sha256(msgspec.msgpack.encode(given.stored)).digest())


def _made(record: Record, task: Task) -> Made:
    digest = sha256(task.version.encode() + task.weights)
    told = Compared()
    changes: dict[str, list[Any]] = {
        name: [] for name in ("unit", "zone", "kind", "what", *TIMES, "facts")
    }
    memories: dict[str, bytes] = {}
    count = 0

    def judged() -> Iterator[dict[str, Any]]:
        nonlocal count
        for given in _each(record, task):
            _digest(digest, given)
            found = judge.advance(
                given.watched,
                given.memory,
                from_day=given.from_day,
                to_hour=given.to_hour,
                checkpoints=False,
            )
            told.add(compare(given.unit.code, found.hours, given.stored, from_hour=given.own_hour))
            _note(changes, given.unit.code, found)
            if given.to_hour * HOUR_S == month_span_s(task.month)[1]:
                memories[given.unit.code] = found.memory.to_bytes()
            for zone in given.watched.zones:
                if zone.code in found.hours:
                    count += 1
                    yield _labelled(given.unit.code, zone.code, zone.kind, found.hours[zone.code])

    with tempfile.TemporaryDirectory(prefix="sillkeep-recompute-") as room:
        blocks = judged()
        first = next(blocks, None)
        if first is None:
            return Made(task, "", told, {})
        hours, alarms = Path(room) / HOURS, Path(room) / ALARMS
        files.write_hours(hours, _with(first, blocks), more=exchange.MORE_HOURS)
        tables.write_table(alarms, [changes], times=TIMES)
        kept = {HOURS: hours.read_bytes(), ALARMS: alarms.read_bytes()}
    return Made(task, digest.hexdigest(), told, kept | {CHECKPOINTS: packed(memories)})


def _with(first: dict[str, Any], others: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    yield first
    yield from others


def _labelled(unit: str, zone: str, kind: str, hours: Mapping[str, Any]) -> dict[str, Any]:
    count = len(hours["hour"])
    same = {"unit": unit, "zone": zone, "kind": kind, "rules": judge.VERSION}
    return {
        **hours,
        "time": hours["hour"] * HOUR_S,
        **{name: np.full(count, said, dtype=object) for name, said in same.items()},
    }


def _note(changes: dict[str, list[Any]], unit: str, found: judge.Judgement) -> None:
    """Add a unit's changes of alarms, and how its findings of leaks stand, to the columns."""
    rows: list[tuple[object, ...]] = [
        (
            *(unit, change.zone, change.kind, "begins" if change.cleared_s is None else "ends"),
            *(change.raised_s, change.cleared_s, None, None, json.dumps(change.facts)),
        )
        for change in found.alarms
    ]
    rows += [
        (
            *(unit, latch.zone, watch.LEAK, "stands"),
            *(latch.raised_s, None, latch.rested_s, latch.inspected_s, "{}"),
        )
        for latch in found.latches
    ]
    for row in rows:
        for name, value in zip(changes, row, strict=True):
            changes[name].append(np.nan if value is None else value)


def joined(parts: Sequence[Made]) -> dict[str, bytes]:
    """Files of a partition from those of its parts, row after row."""
    if len(parts) == 1:
        return dict(parts[0].files)
    return {name: _joined([part.files[name] for part in parts]) for name in parts[0].files}


def _joined(files: Sequence[bytes]) -> bytes:
    from pyarrow import parquet

    out = BytesIO()
    first = parquet.ParquetFile(BytesIO(files[0])).schema_arrow
    with parquet.ParquetWriter(out, first) as writer:
        for data in files:
            writer.write_table(parquet.ParquetFile(BytesIO(data)).read().cast(first))
    return out.getvalue()


# --- what is remembered ---------------------------------------------------------------------------


def packed(memories: Mapping[str, bytes]) -> bytes:
    """Checkpoints at a month's end as a Parquet file: unit, and the judge's own form, lossless."""
    import pyarrow as pa
    from pyarrow import parquet

    form = pa.schema([("unit", pa.string()), ("state", pa.binary())])
    table = pa.table([list(memories), list(memories.values())], schema=form)
    out = BytesIO()
    parquet.write_table(table, out)
    return out.getvalue()


def unpacked(path: Path) -> dict[str, bytes]:
    """Inverse of `packed`."""
    from pyarrow import parquet

    table = parquet.ParquetFile(path).read()
    return dict(zip(table["unit"].to_pylist(), table["state"].to_pylist(), strict=True))
