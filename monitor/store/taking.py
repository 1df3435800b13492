"""Readings into the record: a set union, so that order, repeats and grouping change nothing.

A group is first inserted as a whole. Only where one of its readings is known already, each is
looked at by itself: the same again, another value for one identity, or another time for it.
"""

import hashlib
import json
from bisect import bisect_right, insort
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import repeat
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Table,
    and_,
    case,
    column,
    func,
    literal_column,
    or_,
    select,
    tuple_,
    update,
    values,
)

from monitor.store import schema as t
from monitor.store import sealing
from monitor.store.dialects import Insert, Integer, Many, greatest, insert, least
from monitor.store.rows import NodeReceipt, Taken
from sensors.wire import Reading, Reject

HOUR_S = 3600
ANCHOR_S = 3600  # one (uptime, UTC) pair an hour of uptime keeps clock drift below a second
MAX_RANGES = 50  # gaps that one receipt lists
# gaps that are kept of one boot: a device that counts what it never sends makes them for good
MOST_GAPS = 1_000

MOST_NAMES = 100_000  # probes and boots that are cached; a lot has a tenth of that

KEYS_A_QUERY = 500  # a query may hold a few thousand values

Row = dict[str, Any]
Identity = tuple[int, int, int]  # probe, boot, seq
Touched = tuple[int, int | None]  # probe and time of a sample that is not what it was
_NOTHING = -(2**60)  # orders "not measured" before any value
Seqs = tuple[int, list[tuple[int, int]]]  # high-water mark, missing ranges below it


def _upsert(table: Table, *keys: str) -> Insert:
    given = insert(table)
    set_ = {name: column for name, column in given.excluded.items() if name not in keys}
    return given.on_conflict_do_update(index_elements=keys, set_=set_)


@dataclass(slots=True)
class Anchors:
    """(uptime, UTC) pairs of one boot by hour of uptime."""

    pairs: dict[int, tuple[int, int]] = field(default_factory=dict)
    hours: list[int] = field(default_factory=list)  # sorted

    def wants(self, uptime_s: int, at_s: int) -> bool:
        """Whether this pair is the smallest of its hour."""
        known = self.pairs.get(uptime_s // ANCHOR_S)
        return known is None or (uptime_s, at_s) < known

    def add(self, uptime_s: int, at_s: int) -> bool:
        """Keep the smallest pair of an hour; whether this one is it."""
        if not self.wants(uptime_s, at_s):
            return False
        hour = uptime_s // ANCHOR_S
        if hour not in self.pairs:
            insort(self.hours, hour)
        self.pairs[hour] = (uptime_s, at_s)
        return True

    def time_at(self, uptime_s: int) -> int | None:
        """Time at an uptime; None without a pair.

        Between two pairs on the line through them: a clock that drifts by 60 ppm is 36 s off in the
        middle of two weeks without a pair. Before the first and after the last by the nearest.
        """
        at = bisect_right(self.hours, uptime_s // ANCHOR_S)
        near = [self.pairs[hour] for hour in self.hours[max(at - 2, 0) : at + 1]]
        before = max((pair for pair in near if pair[0] <= uptime_s), default=None)
        after = min((pair for pair in near if pair[0] > uptime_s), default=None)
        known = before or after
        if known is None:
            return None
        passed_s = uptime_s - known[0]
        if before is None or after is None or not passed_s:
            return known[1] + passed_s
        span_s, told_s = after[0] - before[0], after[1] - before[1]
        return before[1] + (2 * passed_s * told_s + span_s) // (2 * span_s)  # whole: no last bits


@dataclass(slots=True)
class Names:
    """Keys of the nodes and probes met so far; only an open record's own cache.

    Keys never change. What is known of a running boot does where others take in its samples too
    (`is_shared`): numbers are read anew in each group, pairs of uptime and time where one of them
    is to be kept or used. A pair that is known may only be replaced by a smaller one, so one that
    is no smaller needs no look.
    """

    is_shared: bool = False
    nodes: dict[tuple[str, str], int] = field(default_factory=dict)
    probes: dict[tuple[int, str], int] = field(default_factory=dict)
    seqs: dict[tuple[int, int], Seqs] = field(default_factory=dict)
    anchors: dict[tuple[int, int], Anchors] = field(default_factory=dict)
    fresh: set[tuple[int, int]] = field(default_factory=set)  # anchors that were read in this group

    def begin(self) -> None:
        """A group begins: what others may have changed since the last one is not known any more."""
        if self.is_large:
            self.forget()
        if self.is_shared:
            self.seqs.clear()
            self.fresh.clear()

    @property
    def is_large(self) -> bool:
        """Whether names or boots without end (forged ones, say) fill the memory."""
        return len(self.probes) + len(self.seqs) + len(self.anchors) > MOST_NAMES

    def forget(self) -> None:
        """After a rollback: what was cached may not be in the record."""
        for cache in (self.nodes, self.probes, self.seqs, self.anchors, self.fresh):
            cache.clear()


def take(
    connection: Connection,
    names: Names,
    readings: Sequence[Reading],
    rejects: Sequence[Reject],
    *,
    received_s: int | Sequence[int],
    clocks: Sequence[Reading] = (),
    untold: Sequence[Reading] = (),
) -> Taken:
    """Keep a group of readings and rejects, in the caller's transaction.

    `received_s` is of all, or of each reading; `clocks` are pairs of uptime and time alone. Of
    `untold` ones no receipt is made or kept: a radio that loses messages for good would leave gaps
    without end.

    Raises
    ------
    ValueError
        If there are `untold` ones and `received_s` is of each reading.
    """
    if untold and not isinstance(received_s, int):
        raise ValueError("untold readings are received at one time")
    receipted = readings
    readings = [*readings, *untold]
    names.begin()
    nodes = [_node(connection, names, reading.site, reading.node) for reading in readings]
    came_s = repeat(received_s) if isinstance(received_s, int) else received_s
    rows = [
        _row(reading, _probe(connection, names, node, reading.probe), at_s)
        for reading, node, at_s in zip(readings, nodes, came_s, strict=False)
    ]
    renewed = _keep_anchors(connection, names, readings, nodes)
    if clocks:
        of_clocks = [_node(connection, names, clock.site, clock.node) for clock in clocks]
        renewed |= _keep_anchors(connection, names, clocks, of_clocks)
    for row, reading, node in zip(rows, readings, nodes, strict=True):
        if row["at_s"] is None and reading.uptime_s is not None:
            known = _anchors(connection, names, node, row["boot"], anew=True)
            row["at_s"] = known.time_at(reading.uptime_s)
    changes = _insert(connection, rows)
    retimed: list[Touched] = []
    if renewed:
        retimed = _resolve_again(connection, names, renewed)
    _keep_latest(connection, changes, retimed)
    kept = _keep_rejects(connection, rejects)
    return Taken(
        stored=len(changes.new),
        repeated=len(rows) - len(changes.new) - changes.disputed,
        disputed=changes.disputed,
        pending=sum(row["at_s"] is None for row in rows),
        rejected=kept,
        receipts=_receipts(connection, names, receipted, nodes[: len(receipted)], rejects),
    )


# --- names and values -----------------------------------------------------------------------------


def _node(connection: Connection, names: Names, site: str, node: str) -> int:
    found = names.nodes.get((site, node))
    if found is None:
        found = names.nodes[site, node] = node_id(connection, site, node)
    return found


def node_id(connection: Connection, site: str, node: str) -> int:
    """Key of a node; an unknown one is entered, its readings are judged for nobody until placed."""
    connection.execute(insert(t.site).values(code=site).on_conflict_do_nothing())
    of_site = select(t.site.c.site_id).where(t.site.c.code == site).scalar_subquery()
    connection.execute(insert(t.node).values(site_id=of_site, code=node).on_conflict_do_nothing())
    query = select(t.node.c.node_id).where(t.node.c.site_id == of_site, t.node.c.code == node)
    return int(connection.execute(query).scalar_one())


def _probe(connection: Connection, names: Names, node: int, code: str) -> int:
    found = names.probes.get((node, code))
    if found is None:
        found = names.probes[node, code] = probe_id(connection, node, code)
    return found


def probe_id(connection: Connection, node: int, code: str) -> int:
    """Key of a node's probe, entered if it is new."""
    connection.execute(insert(t.probe).values(node_id=node, code=code).on_conflict_do_nothing())
    query = select(t.probe.c.probe_id).where(t.probe.c.node_id == node, t.probe.c.code == code)
    return int(connection.execute(query).scalar_one())


def _hundredths(value: float | None) -> int | None:
    return None if value is None else round(value * 100.0)


def _whole(value: float | None) -> int | None:
    return None if value is None else round(value)


def _row(reading: Reading, probe: int, received_s: int) -> Row:
    """Columns of `reading`, in the order of the table."""
    counted = reading.boot is not None and reading.seq is not None
    return {
        "probe_id": probe,
        "boot": reading.boot if counted else -1,
        "seq": reading.seq if counted else reading.at_s,
        "at_s": reading.at_s,
        "received_s": received_s,
        "uptime_s": reading.uptime_s if reading.at_s is None else None,
        "temperature_c100": _hundredths(reading.temperature_c),
        "humidity_p100": _hundredths(reading.humidity_percent),
        "wood_p100": _hundredths(reading.wood_percent),
        "contact": None if reading.contact is None else int(reading.contact),
        "rain_mm100": _hundredths(reading.rain_mm),
        "pressure_pa": _whole(reading.pressure_pa),
        "co2_ppm": _whole(reading.co2_ppm),
        "battery_p": _whole(reading.battery_percent),
        "signal_dbm": _whole(reading.signal_dbm),
        "silence_s": reading.silence_s,
        "disputed": None,
    }


def _values(row: Row) -> tuple[int, ...]:
    """Measured values in a form that can be ordered."""
    return tuple([_number(row[name]) for name in t.MEASURED])


def _number(value: int | None) -> int:
    return _NOTHING if value is None else value


# --- readings -------------------------------------------------------------------------------------


@dataclass(slots=True)
class Changes:
    """What a group did to the readings, as far as others need to know."""

    new: list[Row] = field(default_factory=list)
    disputed: int = 0
    touched: list[Touched] = field(default_factory=list)  # before, and after


def _insert(connection: Connection, rows: list[Row]) -> Changes:
    """Keep the rows; fast where all are new."""
    if not rows:
        return Changes()
    sealed = sealing.find(connection, rows)
    if sealed:
        return _merge(connection, rows, sealed)
    # A savepoint by hand: after a failure (disk full) SQLite may have rolled back by itself, and a
    # rollback to a savepoint that is gone would hide the reason.
    connection.exec_driver_sql("SAVEPOINT readings")
    if _NEW_READING.run(connection, rows) == len(rows):
        sealing.void(connection, rows)
        connection.exec_driver_sql("RELEASE readings")
        return Changes(new=rows)
    connection.exec_driver_sql("ROLLBACK TO readings")
    connection.exec_driver_sql("RELEASE readings")
    return _merge(connection, rows, {})


def _merge(
    connection: Connection, rows: list[Row], sealed: dict[Identity, sealing.Held]
) -> Changes:
    """Each row by itself: new, the same again, another time, or another value."""
    changes = Changes()
    held = _stored(connection, rows)
    held |= {key: dict(one.row) for key, one in sealed.items()}
    changed: dict[Identity, Row] = {}
    for row in rows:
        key = _identity(row)
        known = held.get(key)
        if known is None:
            held[key] = row
            changes.new.append(row)
            continue
        now = _merged(known, row)
        is_second = _values(known) != _values(row)
        if is_second and _keep_dispute(connection, max(known, row, key=_values)):
            changes.disputed += 1
        elif now == known:
            continue
        changes.touched += [(key[0], known["at_s"]), (key[0], row["at_s"])]
        known.update(now)
        changed[key] = known
    if changes.new:
        _NEW_READING.run(connection, changes.new)
        sealing.void(connection, changes.new)
    opened = {key: sealed[key] for key in changed if key in sealed}
    if opened:
        sealing.reopen(connection, opened)
    for row in changed.values():
        connection.execute(update(t.reading).where(_is(row)).values(row))
    return changes


def _merged(known: Row, row: Row) -> Row:
    """What `reading` holds of two samples of one identity, whichever came first.

    Of two values the smaller, disputed. Of two times of one value that which the node gave, before
    one worked out from anchors; of two given ones (a relative time sent again later) the earlier.
    """
    if _values(known) != _values(row):
        smaller = min(known, row, key=_values)
        return smaller | {"disputed": 1, "received_s": known["received_s"]}
    if _time_rank(known) <= _time_rank(row):
        return known
    return known | {"at_s": row["at_s"], "uptime_s": row["uptime_s"]}


def _time_rank(row: Row) -> tuple[int, int]:
    if row["uptime_s"] is not None:
        return 1, row["uptime_s"]
    return (2, 0) if row["at_s"] is None else (0, row["at_s"])


def _keep_dispute(connection: Connection, row: Row) -> bool:
    """Keep a second value; whether it was not known."""
    digest = hashlib.sha256(repr(_values(row)).encode()).hexdigest()[:32]
    given_s = row["at_s"] if row["uptime_s"] is None else None
    kept = {column.name: row.get(column.name) for column in t.dispute.c}
    given = insert(t.dispute).values(kept | {"digest": digest, "at_s": given_s})
    result = connection.execute(
        given.on_conflict_do_nothing().execution_options(preserve_rowcount=True)
    )
    if not result.rowcount and given_s is not None:
        c = t.dispute.c
        here = and_(
            c.probe_id == row["probe_id"],
            c.boot == row["boot"],
            c.seq == row["seq"],
            c.digest == digest,
            or_(c.at_s.is_(None), c.at_s > given_s),
        )
        connection.execute(update(t.dispute).where(here).values(at_s=given_s))
    return bool(result.rowcount)


def _stored(connection: Connection, rows: Iterable[Row]) -> dict[Identity, Row]:
    """Those of the rows' identities that are in the record already."""
    keys = sorted({_identity(row) for row in rows})
    found: dict[Identity, Row] = {}
    for start in range(0, len(keys), KEYS_A_QUERY):
        part = keys[start : start + KEYS_A_QUERY]
        # joined, as a list of such triples after IN has the whole table read through
        wanted = _WANTED.data(part).cte("wanted")
        here = and_(*(t.reading.c[column.name] == column for column in wanted.c))
        query = select(t.reading).select_from(wanted.join(t.reading, here))
        for row in connection.execute(query).mappings():
            known = dict(row)
            found[_identity(known)] = known
    return found


def _identity(row: Row) -> Identity:
    return row["probe_id"], row["boot"], row["seq"]


def _is(row: Row) -> ColumnElement[bool]:
    c = t.reading.c
    return and_(c.probe_id == row["probe_id"], c.boot == row["boot"], c.seq == row["seq"])


# --- the newest sample, and marks -----------------------------------------------------------------


def _keep_latest(connection: Connection, changes: Changes, retimed: list[Touched]) -> None:
    """The newest sample of each probe, and the first hour that has to be judged again."""
    entries: dict[int, Row] = {}
    newest: dict[int, Row] = {}
    for row in changes.new:
        entry = _entry(entries, row["probe_id"], row["at_s"])
        entry["readings"] += 1
        entry["received_s"] = max(entry["received_s"] or 0, row["received_s"])
        if row["at_s"] is not None and row["disputed"] is None:
            best = newest.get(row["probe_id"])
            if best is None or _is_newer(row, best):
                newest[row["probe_id"]] = row
    for probe, row in newest.items():
        entries[probe].update({name: row[name] for name in ("at_s", *t.MEASURED)})
    touched = changes.touched + retimed
    for probe, at_s in touched:
        _entry(entries, probe, at_s)
    if entries:
        _KEEP_LATEST.run(connection, entries.values())
    for probe in {probe for probe, _ in touched}:
        _read_latest_again(connection, probe)


def _entry(entries: dict[int, Row], probe: int, at_s: int | None) -> Row:
    """The entry of a probe, marked from `at_s` on for the judge (by the hour) and the archive."""
    entry = entries.get(probe)
    if entry is None:
        entry = entries[probe] = dict.fromkeys(_LATEST_COLUMNS)
        entry |= {"probe_id": probe, "readings": 0, "dirty_count": 1}
    if at_s is not None:
        hour = at_s // HOUR_S
        dirty = entry["dirty_hour"]
        entry["dirty_hour"] = hour if dirty is None else min(dirty, hour)
        changed_s = entry["archive_s"]
        entry["archive_s"] = at_s if changed_s is None else min(changed_s, at_s)
    return entry


def _is_newer(row: Row, other: Row) -> bool:
    if row["at_s"] == other["at_s"]:
        return _order(row) > _order(other)
    return bool(row["at_s"] > other["at_s"])


def _order(row: Row) -> tuple[int, ...]:
    """Newest first by time, then by the values, so that the order of arrival does not tell."""
    return (_number(row["at_s"]), *_values(row))


def _read_latest_again(connection: Connection, probe: int) -> None:
    c = t.reading.c
    usable = and_(c.probe_id == probe, c.disputed.is_(None), c.at_s.is_not(None))
    last = connection.execute(
        select(c.at_s).where(usable).order_by(c.at_s.desc()).limit(1)
    ).scalar_one_or_none()
    fresh = connection.execute(select(t.reading).where(usable, c.at_s == last)).mappings().all()
    rows = [*map(dict, fresh), *sealing.newest(connection, probe, from_s=last)]
    names = ("at_s", *t.MEASURED)
    best = max(rows, key=_order, default=dict.fromkeys(names))
    connection.execute(
        update(t.latest)
        .where(t.latest.c.probe_id == probe)
        .values({name: best[name] for name in names})
    )


def _latest_upsert() -> Insert:
    given = insert(t.latest)
    new, old = given.excluded, t.latest.c
    ordered = ("at_s", *t.MEASURED)
    nothing: ColumnElement[int] = literal_column(str(_NOTHING))
    newer = tuple_(*(func.coalesce(new[name], nothing) for name in ordered)) > tuple_(
        *(func.coalesce(old[name], nothing) for name in ordered)
    )
    set_: Row = {name: case((newer, new[name]), else_=old[name]) for name in ordered}
    set_ |= {
        "received_s": greatest(
            func.coalesce(old.received_s, new.received_s),
            func.coalesce(new.received_s, old.received_s),
        ),
        "dirty_hour": func.coalesce(
            least(old.dirty_hour, new.dirty_hour), old.dirty_hour, new.dirty_hour
        ),
        "dirty_count": old.dirty_count + literal_column("1"),
        "archive_s": func.coalesce(
            least(old.archive_s, new.archive_s), old.archive_s, new.archive_s
        ),
        "readings": old.readings + new.readings,
    }
    return given.on_conflict_do_update(index_elements=["probe_id"], set_=set_)


_LATEST_COLUMNS = [column.name for column in t.latest.c]
_KEEP_LATEST = Many(_latest_upsert())
_NEW_READING = Many(insert(t.reading).on_conflict_do_nothing())
_WANTED = values(*(column(name, Integer) for name in ("probe_id", "boot", "seq")), name="wanted")


# --- samples whose clock was not set --------------------------------------------------------------


def _anchors(
    connection: Connection, names: Names, node: int, boot: int, *, anew: bool = False
) -> Anchors:
    """Pairs of a boot; `anew`: those of other intakes too, whenever they came."""
    found = names.anchors.get((node, boot))
    is_old = anew and names.is_shared and (node, boot) not in names.fresh
    if found is None or is_old:
        found = names.anchors[node, boot] = Anchors()
        names.fresh.add((node, boot))
        c = t.anchor.c
        query = select(c.uptime_s, c.at_s).where(c.node_id == node, c.boot == boot)
        for uptime_s, at_s in connection.execute(query):
            found.add(uptime_s, at_s)
    return found


def _keep_anchors(
    connection: Connection, names: Names, readings: Sequence[Reading], nodes: Sequence[int]
) -> set[tuple[int, int]]:
    """Keep the pair of the smallest uptime in each hour of uptime; the boots that got a new one."""
    renewed: set[tuple[int, int]] = set()
    rows: dict[tuple[int, int, int], Row] = {}
    for reading, node in zip(readings, nodes, strict=True):
        if reading.at_s is None or reading.uptime_s is None or reading.boot is None:
            continue
        known = _anchors(connection, names, node, reading.boot)
        if known.wants(reading.uptime_s, reading.at_s):
            known = _anchors(connection, names, node, reading.boot, anew=True)
        if known.add(reading.uptime_s, reading.at_s):
            renewed.add((node, reading.boot))
            key = (node, reading.boot, reading.uptime_s // ANCHOR_S)
            pair = (reading.uptime_s, reading.at_s)
            rows[key] = dict(zip(_ANCHOR_COLUMNS, key + pair, strict=True))
    if rows:
        _KEEP_ANCHOR.run(connection, rows.values())
    return renewed


_ANCHOR_COLUMNS = [column.name for column in t.anchor.c]
_KEEP_ANCHOR = Many(_upsert(t.anchor, "node_id", "boot", "uptime_hour"))


def _resolve_again(
    connection: Connection, names: Names, boots: set[tuple[int, int]]
) -> list[Touched]:
    """Time the samples of these boots that came without one, by the anchors known now."""
    c = t.reading.c
    query = (
        select(t.probe.c.node_id, c.probe_id, c.boot, c.seq, c.at_s, c.uptime_s)
        .join_from(t.probe, t.reading)
        .with_hint(t.reading, "INDEXED BY ix_reading_untimed", "sqlite")  # else all of the probe
        .where(
            c.uptime_s.is_not(None),
            t.probe.c.node_id.in_({node for node, _ in boots}),
            c.boot.in_({boot for _, boot in boots}),
        )
    )
    touched: list[Touched] = []
    for known in map(dict, connection.execute(query).mappings().all()):
        boot = (known["node_id"], known["boot"])
        at_s = _anchors(connection, names, *boot).time_at(known["uptime_s"])
        if boot in boots and at_s != known["at_s"]:
            connection.execute(update(t.reading).where(_is(known)).values(at_s=at_s))
            touched += [(known["probe_id"], known["at_s"]), (known["probe_id"], at_s)]
    return touched


# --- rejects and receipts -------------------------------------------------------------------------


def _keep_rejects(connection: Connection, rejects: Sequence[Reject]) -> int:
    kept = 0
    for reject in rejects:
        parts = (reject.topic.encode(), reject.payload, reject.reason.encode())
        row = {
            "received_s": reject.received_s,
            "topic": reject.topic,
            "payload": reject.payload,
            "reason": reject.reason,
            "digest": hashlib.sha256(b"\0".join(parts)).hexdigest(),
        }
        kept += connection.execute(insert(t.reject).values(row).on_conflict_do_nothing()).rowcount
    return kept


def with_seqs(known: Seqs, seqs: Iterable[int]) -> Seqs:
    """High-water mark and missing ranges after more samples arrived, in whatever order.

    Beyond `MOST_GAPS` the two oldest are said as one: what lies between is asked for again, and is
    recognised when it comes; nothing is called stored that is not.
    """
    high, missing = known[0], list(known[1])
    for seq in sorted(set(seqs)):
        if seq > high:
            if seq > high + 1:
                missing.append((high + 1, seq - 1))
            high = seq
            continue
        for at, (first, last) in enumerate(missing):
            if first <= seq <= last:
                parts = ((first, seq - 1), (seq + 1, last))
                missing[at : at + 1] = [part for part in parts if part[0] <= part[1]]
                break
    if len(missing) > MOST_GAPS:
        old = len(missing) - MOST_GAPS
        missing[: old + 1] = [(missing[0][0], missing[old][1])]
    return high, missing


def _receipts(
    connection: Connection,
    names: Names,
    readings: Sequence[Reading],
    nodes: Sequence[int],
    rejects: Sequence[Reject],
) -> tuple[NodeReceipt, ...]:
    """What each node may delete: its readings, and its samples kept as rejects."""
    arrived: dict[tuple[int, int], list[int]] = {}
    codes: dict[int, tuple[str, str]] = {}
    for r, node in zip(readings, nodes, strict=True):
        if r.boot is not None and r.seq is not None:
            arrived.setdefault((node, r.boot), []).append(r.seq)
            codes[node] = (r.site, r.node)
    for reject in rejects:
        for boot, seq in reject.seqs:
            node = _node(connection, names, reject.site, reject.node)
            arrived.setdefault((node, boot), []).append(seq)
            codes[node] = (reject.site, reject.node)
    rows, receipts = [], []
    kept = _known_seqs(connection, [boot for boot in arrived if boot not in names.seqs])
    for (node, boot), seqs in arrived.items():
        known = names.seqs.get((node, boot)) or kept.get((node, boot), _NONE_YET)
        high, missing = names.seqs[node, boot] = with_seqs(known, seqs)
        if (high, missing) != known:
            rows.append(
                {
                    "node_id": node,
                    "boot": boot,
                    "seq": high,
                    "missing": json.dumps(missing) if missing else "[]",
                }
            )
        receipts += [
            NodeReceipt(*codes[node], boot, seq=last, missing=gaps, first=first)
            for first, last, gaps in _told(high, missing, seqs)
        ]
    if rows:
        _KEEP_RECEIPT.run(connection, rows)
    return tuple(receipts)


_KEEP_RECEIPT = Many(_upsert(t.receipt, "node_id", "boot"))


def _told(
    high: int, missing: list[tuple[int, int]], arrived: Iterable[int]
) -> Iterator[tuple[int, int, tuple[tuple[int, int], ...]]]:
    """First and last seq and gaps of each receipt that a boot's new samples ask for.

    Gaps may be there for good (a node that counts what it does not send), in any number: a receipt
    lists `MAX_RANGES` of them and takes everything before for one more.
    """
    parts = [missing[at : at + MAX_RANGES] for at in range(0, len(missing), MAX_RANGES)] or [[]]
    firsts = [0, *(part[0][0] for part in parts[1:])]
    for at in sorted({bisect_right(firsts, seq) - 1 for seq in arrived}):
        first = firsts[at]
        last = firsts[at + 1] - 1 if at + 1 < len(firsts) else high
        yield first, last, (*([(0, first - 1)] if first else []), *parts[at])


_NONE_YET: Seqs = (-1, [])


def _known_seqs(
    connection: Connection, boots: Sequence[tuple[int, int]]
) -> dict[tuple[int, int], Seqs]:
    """What the record knows of these boots, each of a node."""
    found: dict[tuple[int, int], Seqs] = {}
    for start in range(0, len(boots), KEYS_A_QUERY):
        wanted = _BOOTS.data(boots[start : start + KEYS_A_QUERY]).cte("wanted")
        here = and_(*(t.receipt.c[column.name] == column for column in wanted.c))
        for row in connection.execute(select(t.receipt).select_from(wanted.join(t.receipt, here))):
            gaps = [(first, last) for first, last in json.loads(row.missing)]
            found[row.node_id, row.boot] = (row.seq, gaps)
    return found


_BOOTS = values(*(column(name, Integer) for name in ("node_id", "boot")), name="wanted")
