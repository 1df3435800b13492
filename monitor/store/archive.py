"""The archive: an InfluxDB that mirrors readings and hours. The record is the truth, always.

::

    a reading or an hour changes  --the same transaction-->  latest.archive_s, archive_hour,
                                                             archive_moved: from where on
    take      the marks become cursors (archive_reading, archive_hour.next_hour) and are cleared
    gather    rows after the cursors, one batch                                 no lock is held
    reserve   hours never sent before are noted, so that they can be voided whatever comes
    send      until the server has said 204                                     no lock is held
    confirm   the cursors move on

A mark says from which time on something may have changed, so a row that is committed out of order
sets it back, and everything from there is sent again: the same key, the same value. A row that
changes while it is on its way sets a new mark. Killed anywhere, the next start sends the last batch
again. A reading whose time changed leaves a note (a trigger writes it) and is voided at its old
time; an hour that a new judgement left out is voided too. Whoever will take old hours out of the
record has to raise `archive_hour.next_hour` and `changed_hour` above them first, or they are voided.

Runs as a process of its own (`sillkeep archive`), so that a server that hangs keeps nobody waiting.
Not mirrored: readings whose time is pending, the second value of a disputed sample, alarms, events.
A write that timed out here may still be carried out by the server after a later one; were the same
point corrected in between, the archive would hold the older value until its next change.
"""

import json
import logging
import random
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Engine, func, select, text

from monitor.config import Archive
from monitor.errors import ArchiveError, ConfigError, DamageError, MeanwhileError, StoreError
from monitor.store import influx, sealing
from monitor.store import schema as t
from monitor.store.engine import reading, writing
from monitor.store.influx import RefusedError, Server
from monitor.store.leasing import ALONE, Alone, Leases

LOG = logging.getLogger(__name__)
TICK_S = 10.0  # between looks when level, and between pulses while waiting
FIRST_WAIT_S, LAST_WAIT_S = 1.0, 300.0
BEFORE_ALL = (-2, 0)  # boot and seq below any
PART = "archive"

Cursor = tuple[int, int, int]  # at_s, boot, seq of the last reading sent
Hours = tuple[int | None, int | None, int | None]  # next_hour, from_hour, to_hour
Row = tuple[int | None, ...]  # columns as in `influx.READING`

_TAKE = (
    "INSERT INTO archive_reading (probe_id, at_s, boot, seq)"
    " SELECT probe_id, archive_s, -2, 0 FROM latest"  # BEFORE_ALL
    " WHERE archive_s IS NOT NULL ON CONFLICT (probe_id) DO UPDATE"
    " SET at_s = excluded.at_s, boot = excluded.boot, seq = excluded.seq"
    " WHERE (excluded.at_s, excluded.boot, excluded.seq)"
    " < (archive_reading.at_s, archive_reading.boot, archive_reading.seq)",
    "UPDATE latest SET archive_s = NULL WHERE archive_s IS NOT NULL",
    "UPDATE archive_hour SET changed_hour = NULL,"
    " next_hour = CASE WHEN next_hour < changed_hour THEN next_hour ELSE changed_hour END"
    " WHERE changed_hour IS NOT NULL",
)
_MARKED = (
    "SELECT EXISTS (SELECT 1 FROM latest WHERE archive_s IS NOT NULL)"
    " OR EXISTS (SELECT 1 FROM archive_hour WHERE changed_hour IS NOT NULL)"
)
_ANEW = (  # another archive: everything from the start
    "DELETE FROM archive",
    "DELETE FROM archive_reading",
    "DELETE FROM archive_moved",
    "DELETE FROM archive_refused",
    "UPDATE latest SET archive_s = 0",
    "INSERT INTO archive_hour (zone_id, changed_hour) SELECT zone_id, 0 FROM zone WHERE true"
    " ON CONFLICT (zone_id) DO UPDATE SET changed_hour = 0, next_hour = NULL,"
    " from_hour = NULL, to_hour = NULL",
)
_AGAIN = (  # what was refused may be taken now
    "UPDATE latest SET archive_s = CASE WHEN archive_s < r.at_s THEN archive_s ELSE r.at_s END FROM"
    " (SELECT key, min(at_s) AS at_s FROM archive_refused WHERE kind = 'reading' GROUP BY key) r"
    " WHERE r.key = latest.probe_id",
    "UPDATE archive_hour SET"
    " changed_hour = CASE WHEN changed_hour < r.at_s / 3600 THEN changed_hour ELSE r.at_s / 3600 END FROM"
    " (SELECT key, min(at_s) AS at_s FROM archive_refused WHERE kind = 'hour' GROUP BY key) r"
    " WHERE r.key = archive_hour.zone_id",
    "INSERT INTO archive_moved (probe_id, boot, seq, at_s)"
    " SELECT key, boot, seq, at_s FROM archive_refused WHERE kind = 'moved' ON CONFLICT DO NOTHING",
    "DELETE FROM archive_refused",
)
_BEHIND = (
    "SELECT a.probe_id, a.at_s, a.boot, a.seq, s.code, n.code, p.code FROM archive_reading a"
    " JOIN probe p ON p.probe_id = a.probe_id JOIN node n ON n.node_id = p.node_id"
    " JOIN site s ON s.site_id = n.site_id ORDER BY a.at_s"
)
_FRESH = (
    f"SELECT {', '.join(influx.READING)} FROM reading"  # noqa: S608
    " WHERE probe_id = :probe AND at_s < :to_s AND (at_s, boot, seq) > (:at_s, :boot, :seq)"
    " AND at_s >= :at_s ORDER BY at_s, boot, seq LIMIT :limit"
)
_SEALED = "SELECT min(from_s) FROM sealed WHERE probe_id = :probe AND to_s >= :at_s"
_MOVED = (
    "SELECT m.probe_id, m.at_s, m.boot, m.seq, s.code, n.code, p.code FROM archive_moved m"
    " JOIN probe p ON p.probe_id = m.probe_id JOIN node n ON n.node_id = p.node_id"
    " JOIN site s ON s.site_id = n.site_id LIMIT :limit"
)
_IS_THERE = "SELECT at_s FROM reading WHERE probe_id = :probe AND boot = :boot AND seq = :seq"
_HOURS_BEHIND = (
    "SELECT a.zone_id, a.next_hour, a.from_hour, a.to_hour, s.code, coalesce(u.code, ''), z.code"
    " FROM archive_hour a JOIN zone z ON z.zone_id = a.zone_id"
    " JOIN site s ON s.site_id = z.site_id LEFT JOIN unit u ON u.unit_id = z.unit_id"
    " WHERE a.next_hour IS NOT NULL ORDER BY a.next_hour"
)
_REFUSE = (
    "INSERT INTO archive_refused (kind, key, at_s, boot, seq, reason, refused_s)"
    " VALUES (:kind, :key, :at_s, :boot, :seq, :reason, :now_s)"
    " ON CONFLICT (kind, key, at_s, boot, seq)"
    " DO UPDATE SET reason = excluded.reason, refused_s = excluded.refused_s"
)


@dataclass(frozen=True, slots=True)
class Point:
    """A line and what it is of: a reading, a time it has no longer, or an hour."""

    kind: str
    key: int  # probe or zone
    at_s: int
    boot: int
    seq: int
    line: bytes


@dataclass(slots=True)
class Batch:
    """Points to send, and what has to be noted once the server has them."""

    limit: int
    points: list[Point] = field(default_factory=list)
    moved: list[dict[str, int]] = field(default_factory=list)
    readings: dict[int, Cursor | None] = field(default_factory=dict)  # None: nothing is left
    hours: dict[int, Hours] = field(default_factory=dict)
    grown: set[int] = field(default_factory=set)  # zones of which more is sent than ever before
    damage: str = ""

    @property
    def is_full(self) -> bool:
        """Whether no more points have room."""
        return len(self.points) >= self.limit

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all was waiting."""
        return not (self.moved or self.readings or self.hours or self.damage)


@dataclass(frozen=True, slots=True)
class Standing:
    """How the archive stands against the record."""

    target: str
    since_s: int  # since when it is this record's archive
    level_s: int | None  # when it last had everything; None: not yet
    refused: int  # points that it does not take
    trouble: str  # why it falls behind; "" if nothing is known

    @property
    def from_s(self) -> int:
        """Since when it has not had everything."""
        return self.since_s if self.level_s is None else self.level_s

    def behind_s(self, now_s: int) -> int:
        """How long it has not had everything."""
        return max(now_s - self.from_s, 0)


def standing(engine: Engine) -> Standing | None:
    """How the archive stands; None if there never was one."""
    with engine.connect() as db:
        row = db.execute(select(t.archive)).one_or_none()
        if row is None:
            return None
        said = db.scalar(select(t.pulse.c.detail).where(t.pulse.c.part == PART)) or "{}"
        refused = db.scalar(select(func.count()).select_from(t.archive_refused)) or 0
    trouble = str(json.loads(said).get("trouble", ""))
    return Standing(row.target, row.since_s, row.level_s, refused, trouble)


class Mirror:
    """Sends what the archive lacks, batch by batch. One at a time for one record."""

    def __init__(
        self,
        engine: Engine,
        settings: Archive,
        *,
        clock: Callable[[], int],
        connect: Callable[[Archive], Server] = Server,
    ) -> None:
        self._engine = engine
        self._settings = settings
        self._clock = clock
        self._connect = connect
        self._server: Server | None = None
        self._beat_s = 0
        self._trouble = ""

    def close(self) -> None:
        """End the connection."""
        if self._server is not None:
            self._server.close()
            self._server = None

    def run(self, pause: threading.Event, leases: Alone | Leases = ALONE) -> None:
        """Mirror until `pause` is set. Trouble is told, waited out and tried again.

        Where several machines share the record, one does.
        """
        failures, is_begun = 0, False
        while not pause.is_set():
            try:
                with leases.under(PART, keep=True) as is_ours:
                    if is_ours and not is_begun:
                        self.begin()
                    is_begun = is_ours
                    sent = self.step() if is_ours else 0
                if not is_ours:
                    pause.wait(TICK_S)
                    continue
                self._tell("")
                failures = 0
                self._beat(least_s=0 if not sent else TICK_S)
                if not sent:
                    pause.wait(TICK_S)
            except MeanwhileError as error:  # nothing of it was kept: the other sends it
                LOG.info("left to another: %s", error)
                is_begun = False
                pause.wait(TICK_S)
            except (ArchiveError, ConfigError, StoreError) as error:
                self.close()
                self._tell(str(error))
                self._wait(pause, failures)
                failures += 1

    def begin(self) -> None:
        """Note which archive this is; one that is new gets everything, one that refused is asked again."""
        target = f"{self._settings.url} {self._settings.bucket}"
        now_s = self._clock()
        with writing(self._engine) as db:
            known = db.scalar(select(t.archive.c.target))
            for statement in _AGAIN if known == target else _ANEW:
                db.exec_driver_sql(statement)
            if known != target:
                db.execute(t.archive.insert().values(target=target, since_s=now_s))

    def step(self) -> int:
        """Send one batch; how many points it had. 0: the archive is level with the record.

        Raises
        ------
        ArchiveError
            If the server did not take it: nothing is noted, the next step sends it again.
        StoreError
            If the record could not be read or written, or part of it is damaged; what is not
            damaged was sent.
        """
        now_s = self._clock()
        self._take()
        with reading(self._engine) as db:
            batch = self._gather(db)
        self._reserve(batch)
        refused = self._send(batch.points)
        self._confirm(batch, refused, now_s=now_s)
        if batch.damage and not batch.points:
            raise DamageError(batch.damage)
        return len(batch.points)

    # --- the record ---

    def _take(self) -> None:
        with reading(self._engine) as db:
            if not db.scalar(text(_MARKED)):
                return
        with writing(self._engine) as db:
            for statement in _TAKE:
                db.exec_driver_sql(statement)

    def _gather(self, db: Connection) -> Batch:
        batch = Batch(self._settings.batch)
        _gather_moved(db, batch)
        for zone, next_hour, from_hour, to_hour, *codes in db.execute(text(_HOURS_BEHIND)).all():
            if batch.is_full:
                return batch
            given = range(0) if from_hour is None else range(from_hour, to_hour)
            _gather_hours(db, batch, zone, next_hour, given, influx.hour_head(*codes))
        for probe, at_s, boot, seq, *codes in db.execute(text(_BEHIND)).all():
            if batch.is_full:
                return batch
            head = influx.reading_head(*codes)
            _gather_readings(db, batch, probe, (at_s, boot, seq), head)
        return batch

    def _reserve(self, batch: Batch) -> None:
        """Note the hours that the archive may have from now on, even if its answer gets lost."""
        if batch.grown:
            spans = [(*batch.hours[zone][1:], zone) for zone in sorted(batch.grown)]
            with writing(self._engine) as db:
                _many(
                    db,
                    "UPDATE archive_hour SET from_hour = ?, to_hour = ? WHERE zone_id = ?",
                    spans,
                )

    def _confirm(self, batch: Batch, refused: Sequence[tuple[Point, str]], *, now_s: int) -> None:
        done = [probe for probe, cursor in batch.readings.items() if cursor is None]
        on = [(*cursor, probe) for probe, cursor in batch.readings.items() if cursor is not None]
        with writing(self._engine) as db:
            for point, reason in refused:
                row = {"kind": point.kind, "key": point.key, "at_s": point.at_s}
                row |= {"boot": point.boot, "seq": point.seq, "reason": reason, "now_s": now_s}
                db.execute(text(_REFUSE), row)
            _many(db, "DELETE FROM archive_reading WHERE probe_id = ?", [(p,) for p in done])
            _many(
                db, "UPDATE archive_reading SET at_s = ?, boot = ?, seq = ? WHERE probe_id = ?", on
            )
            _many(
                db,
                "UPDATE archive_hour SET next_hour = ? WHERE zone_id = ?",
                [(hours[0], zone) for zone, hours in batch.hours.items()],
            )
            _many(
                db,
                "DELETE FROM archive_moved"
                " WHERE probe_id = :probe AND boot = :boot AND seq = :seq AND at_s = :at_s",
                batch.moved,
            )
            if batch.is_empty:
                db.execute(t.archive.update().values(level_s=now_s))

    # --- the server ---

    def _send(self, points: Sequence[Point]) -> list[tuple[Point, str]]:
        """Send points; those that the server does not take, each with its reason."""
        if not points:
            return []
        if self._server is None:
            self._server = self._connect(self._settings)
        try:
            self._server.write([point.line for point in points])
        except RefusedError as error:
            # a proxy or a full disk may refuse whatever it is given: then it is not the points
            try:
                self._server.write([b"archive_check alive=1i"])
            except RefusedError:
                raise ArchiveError(f"everything is refused: {error}") from error
            LOG.warning("some of %d points are refused: %s", len(points), error)
            return self._parted(self._server, points, str(error))
        return []

    def _parted(
        self, server: Server, points: Sequence[Point], reason: str
    ) -> list[tuple[Point, str]]:
        """Halve refused points until those are found that are to blame."""
        if len(points) == 1:
            LOG.warning("refused and set aside: %s", points[0].line[:200])
            return [(points[0], reason)]
        refused: list[tuple[Point, str]] = []
        middle = len(points) // 2
        for part in (points[:middle], points[middle:]):
            self._beat(least_s=TICK_S)
            try:
                server.write([point.line for point in part])
            except RefusedError as error:
                refused += self._parted(server, part, str(error))
        return refused

    # --- telling ---

    def _tell(self, trouble: str) -> None:
        if trouble != self._trouble:
            LOG.warning("%s", trouble or "the archive takes again what it is given")
            self._trouble = trouble

    def _beat(self, *, least_s: float) -> None:
        """Leave a pulse, unless the last one is younger than `least_s`."""
        now_s = self._clock()
        if abs(now_s - self._beat_s) < least_s:
            return
        found = standing(self._engine)
        detail = {"behind_s": found.behind_s(now_s) if found else 0, "trouble": self._trouble}
        pulse = {"part": PART, "at_s": now_s, "detail": json.dumps(detail)}
        with writing(self._engine) as db:
            db.execute(
                text(
                    "INSERT INTO pulse (part, at_s, detail) VALUES (:part, :at_s, :detail)"
                    " ON CONFLICT (part) DO UPDATE SET at_s = :at_s, detail = :detail"
                ),
                pulse,
            )
        self._beat_s = now_s

    def _wait(self, pause: threading.Event, failures: int) -> None:
        """Wait longer with each failure, not all at the same moment, and show that we live."""
        longest_s = min(FIRST_WAIT_S * 2**failures, LAST_WAIT_S)
        left_s = longest_s * random.uniform(0.5, 1.0)  # noqa: S311  no secret
        while left_s > 0 and not pause.is_set():
            try:
                self._beat(least_s=0)
            except StoreError:
                LOG.warning("no pulse: the record cannot be written")
            pause.wait(min(left_s, TICK_S))
            left_s -= TICK_S


# --- what is waiting ------------------------------------------------------------------------------


def _gather_moved(db: Connection, batch: Batch) -> None:
    """Times that readings have left; one that went back to it is left alone."""
    for probe, at_s, boot, seq, *codes in db.execute(text(_MOVED), {"limit": batch.limit}).all():
        key = {"probe": probe, "boot": boot, "seq": seq}
        batch.moved.append(key | {"at_s": at_s})
        if db.scalar(text(_IS_THERE), key) != at_s:
            line = influx.moved_line(influx.reading_head(*codes), at_s, boot, seq)
            batch.points.append(Point("moved", probe, at_s, boot, seq, line))


def _gather_readings(db: Connection, batch: Batch, probe: int, cursor: Cursor, head: str) -> None:
    room = batch.limit - len(batch.points)
    try:
        rows = list(islice(_readings_after(db, probe, cursor, room), room))
    except DamageError as error:  # its probe waits, the others go on
        batch.damage = str(error)
        return
    for row in rows:
        at_s, boot, seq = _cursor(row)
        line = influx.reading_line(head, row)
        batch.points.append(Point("reading", probe, at_s, boot, seq, line))
    batch.readings[probe] = _cursor(rows[-1]) if len(rows) == room else None


def _readings_after(db: Connection, probe: int, cursor: Cursor, limit: int) -> Iterator[Row]:
    """Readings of a probe after a cursor, fresh and sealed, a sealed period at a time."""
    end_s = 2**53
    while True:
        given = dict(zip(("at_s", "boot", "seq"), cursor, strict=True))
        given |= {"probe": probe, "to_s": end_s, "limit": limit}
        first = db.exec_driver_sql(_SEALED, given).scalar()
        if first is not None:
            end_s = (max(first, cursor[0]) // sealing.PERIOD_S + 1) * sealing.PERIOD_S
            given["to_s"] = end_s
        rows: list[Row] = [tuple(row) for row in db.exec_driver_sql(_FRESH, given)]
        if first is not None:
            old = sealing.whole(db, probe, from_s=cursor[0], to_s=end_s)
            rows += [tuple(row[name] for name in influx.READING) for row in old]
            rows = sorted((row for row in rows if _cursor(row) > cursor), key=_cursor)
        yield from rows
        if first is None:
            return
        cursor, end_s = (end_s, *BEFORE_ALL), 2**53


def _cursor(row: Row) -> Cursor:
    at_s, boot, seq = row[:3]
    assert at_s is not None and boot is not None and seq is not None  # noqa: S101, PT018  keys
    return at_s, boot, seq


def _gather_hours(
    db: Connection, batch: Batch, zone: int, next_hour: int, given: range, head: str
) -> None:
    """Hours from the next one on; of those given before, what the record has no more is voided."""
    room = batch.limit - len(batch.points)
    query = select(t.hour).where(t.hour.c.zone_id == zone, t.hour.c.hour >= next_hour)
    rows = db.execute(query.order_by(t.hour.c.hour).limit(room)).mappings().all()
    there = {int(row["hour"]): dict(row) for row in rows}
    is_cut = len(rows) == room
    numbers = sorted(there.keys() | {hour for hour in given if hour >= next_hour})
    numbers = [hour for hour in numbers if not is_cut or hour <= max(there)]
    is_cut = is_cut or len(numbers) > room
    numbers = numbers[:room]
    for hour in numbers:
        line = (
            influx.hour_line(head, there[hour]) if hour in there else influx.gone_line(head, hour)
        )
        batch.points.append(Point("hour", zone, hour * influx.HOUR_S, 0, 0, line))
    edges = (*given[:1], *given[-1:], *numbers[:1], *numbers[-1:])
    span = (min(edges), max(edges) + 1) if edges else (None, None)
    batch.hours[zone] = (numbers[-1] + 1 if is_cut else None, *span)
    if numbers and not (numbers[0] in given and numbers[-1] in given):
        batch.grown.add(zone)


def _many(db: Connection, statement: str, rows: Iterable[Any]) -> None:
    given = list(rows)
    if given:
        db.exec_driver_sql(statement, given)
