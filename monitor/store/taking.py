"""Readings into the record: a set union, so that order, repeats and grouping change nothing.

A group is first inserted as a whole. Only where one of its readings is known already, each is
looked at by itself: the same again, another value for one identity, or another time for it.
"""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, and_, delete, func, select, update
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import IntegrityError

from monitor.store import schema as t
from monitor.store.rows import NodeReceipt, Taken
from sensors.wire import Reading, Reject

HOUR_S = 3600
ANCHOR_S = 3600  # one (uptime, UTC) pair an hour of uptime keeps clock drift below a second
MAX_RANGES = 50  # of missing samples in one receipt

Row = dict[str, Any]
Seqs = tuple[int, list[tuple[int, int]]]  # high-water mark, missing ranges below it


@dataclass(slots=True)
class Names:
    """Keys of the nodes and probes met so far; only an open record's own cache."""

    nodes: dict[tuple[str, str], int] = field(default_factory=dict)
    probes: dict[tuple[int, str], int] = field(default_factory=dict)
    seqs: dict[tuple[int, int], Seqs] = field(default_factory=dict)
    anchors: dict[tuple[int, int], dict[int, tuple[int, int]]] = field(default_factory=dict)

    def forget(self) -> None:
        """After a rollback: what was cached may not be in the record."""
        for cache in (self.nodes, self.probes, self.seqs, self.anchors):
            cache.clear()


def take(
    connection: Connection,
    names: Names,
    readings: Sequence[Reading],
    rejects: Sequence[Reject],
    *,
    received_s: int,
) -> Taken:
    """Keep a group of readings and rejects, in the caller's transaction."""
    nodes = [_node(connection, names, reading) for reading in readings]
    rows = [
        _row(reading, _probe(connection, names, node, reading.probe), received_s)
        for reading, node in zip(readings, nodes, strict=True)
    ]
    renewed = _keep_anchors(connection, names, readings, nodes)
    for row, reading, node in zip(rows, readings, nodes, strict=True):
        if row["at_s"] is None:
            row["at_s"] = _resolved(_anchors(connection, names, node, row["boot"]), reading)
    stored, disputed, dirty = _insert(connection, rows)
    for node, boot in renewed:
        dirty += _resolve_again(connection, names, node, boot)
    _keep_latest(connection, dirty)
    kept = _keep_rejects(connection, rejects)
    return Taken(
        stored=stored,
        repeated=len(rows) - stored - disputed,
        disputed=disputed,
        pending=sum(row["at_s"] is None for row in rows),
        rejected=kept,
        receipts=_receipts(connection, names, readings, nodes),
    )


# --- names and values -----------------------------------------------------------------------------


def _node(connection: Connection, names: Names, reading: Reading) -> int:
    key = (reading.site, reading.node)
    found = names.nodes.get(key)
    if found is None:
        found = names.nodes[key] = node_id(connection, *key)
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
    return tuple(-(2**60) if row[name] is None else row[name] for name in t.MEASURED)


# --- readings -------------------------------------------------------------------------------------


def _insert(connection: Connection, rows: list[Row]) -> tuple[int, int, list[Row]]:
    """Rows stored, rows disputed, and those whose hours have to be judged."""
    if not rows:
        return 0, 0, []
    try:
        with connection.begin_nested():
            connection.execute(t.reading.insert(), rows)
    except IntegrityError:
        return _insert_one_by_one(connection, rows)
    return len(rows), 0, list(rows)


def _insert_one_by_one(connection: Connection, rows: list[Row]) -> tuple[int, int, list[Row]]:
    stored = disputed = 0
    dirty: list[Row] = []
    for row in rows:
        known = connection.execute(select(t.reading).where(_identity(row))).mappings().one_or_none()
        if known is None:
            connection.execute(t.reading.insert(), row)
            stored += 1
            dirty.append(row)
        elif _values(dict(known)) == _values(row):
            dirty += _earlier(connection, dict(known), row)
        elif _dispute(connection, dict(known), row):
            disputed += 1
            dirty += [row, dict(known)]
    return stored, disputed, dirty


def _identity(row: Row) -> Any:  # noqa: ANN401  a clause
    columns = t.reading.c
    return and_(
        columns.probe_id == row["probe_id"],
        columns.boot == row["boot"],
        columns.seq == row["seq"],
    )


def _earlier(connection: Connection, known: Row, row: Row) -> list[Row]:
    """The same sample with another time: a relative time sent again later; the earlier one holds."""
    if row["at_s"] is None or (known["at_s"] is not None and known["at_s"] <= row["at_s"]):
        return []
    change = update(t.reading).where(_identity(row)).values(at_s=row["at_s"], uptime_s=None)
    connection.execute(change)
    return [row, known]


def _dispute(connection: Connection, known: Row, row: Row) -> bool:
    """Keep two values of one identity, the smaller in `reading`, and use neither."""
    held, other = sorted((known, row), key=_values)
    digest = hashlib.sha256(repr(_values(other)).encode()).hexdigest()[:32]
    kept = {column.name: other.get(column.name) for column in t.dispute.c} | {"digest": digest}
    result = connection.execute(insert(t.dispute).values(kept).on_conflict_do_nothing())
    values = {name: held[name] for name in (*t.MEASURED, "at_s", "received_s")}
    connection.execute(update(t.reading).where(_identity(row)).values(values | {"disputed": 1}))
    return bool(result.rowcount)


def _keep_latest(connection: Connection, dirty: Iterable[Row]) -> None:
    """The newest sample a probe, and the first hour that has to be judged again."""
    newest: dict[int, Row] = {}
    first_hour: dict[int, int] = {}
    for row in dirty:
        if row["at_s"] is None:
            continue
        probe, hour = row["probe_id"], row["at_s"] // HOUR_S
        first_hour[probe] = min(first_hour.get(probe, hour), hour)
        if probe not in newest or row["at_s"] >= newest[probe]["at_s"]:
            newest[probe] = row
    if not newest:
        return
    names = ("probe_id", "at_s", "received_s", *t.MEASURED)
    rows = [
        {name: row[name] for name in names} | {"dirty_hour": first_hour[probe], "dirty_count": 1}
        for probe, row in newest.items()
    ]
    given = insert(t.latest)
    new, old = given.excluded, t.latest.c
    newer = new.at_s >= old.at_s
    connection.execute(
        given.on_conflict_do_update(
            index_elements=["probe_id"],
            set_={name: _if(newer, new[name], old[name]) for name in ("at_s", *t.MEASURED)}
            | {
                "received_s": func.max(old.received_s, new.received_s),
                "dirty_hour": func.min(
                    func.coalesce(old.dirty_hour, new.dirty_hour), new.dirty_hour
                ),
                "dirty_count": old.dirty_count + 1,
            },
        ),
        rows,
    )


def _if(condition: Any, yes: Any, no: Any) -> Any:  # noqa: ANN401  clauses
    return func.iif(condition, yes, no)


# --- samples whose clock was not set --------------------------------------------------------------


def _anchors(
    connection: Connection, names: Names, node: int, boot: int
) -> dict[int, tuple[int, int]]:
    """(uptime, UTC) pairs of a boot by hour of uptime."""
    found = names.anchors.get((node, boot))
    if found is None:
        query = select(t.anchor).where(t.anchor.c.node_id == node, t.anchor.c.boot == boot)
        found = names.anchors[node, boot] = {
            row.uptime_s // ANCHOR_S: (row.uptime_s, row.at_s) for row in connection.execute(query)
        }
    return found


def _keep_anchors(
    connection: Connection, names: Names, readings: Sequence[Reading], nodes: Sequence[int]
) -> set[tuple[int, int]]:
    """Keep the pair of the smallest uptime in each hour of uptime; the boots that got a new one."""
    renewed: set[tuple[int, int]] = set()
    for reading, node in zip(readings, nodes, strict=True):
        if reading.at_s is None or reading.uptime_s is None or reading.boot is None:
            continue
        known = _anchors(connection, names, node, reading.boot)
        bucket, pair = reading.uptime_s // ANCHOR_S, (reading.uptime_s, reading.at_s)
        if bucket in known and known[bucket] <= pair:
            continue
        if bucket in known:
            columns = t.anchor.c
            connection.execute(
                delete(t.anchor).where(
                    columns.node_id == node,
                    columns.boot == reading.boot,
                    columns.uptime_s == known[bucket][0],
                )
            )
        known[bucket] = pair
        row = {"node_id": node, "boot": reading.boot, "uptime_s": pair[0], "at_s": pair[1]}
        connection.execute(t.anchor.insert(), row)
        renewed.add((node, reading.boot))
    return renewed


def _nearest(anchors: dict[int, tuple[int, int]], uptime_s: int) -> int | None:
    if not anchors:
        return None
    known_s, at_s = min(anchors.values(), key=lambda pair: (abs(pair[0] - uptime_s), pair))
    return at_s + uptime_s - known_s


def _resolved(anchors: dict[int, tuple[int, int]], reading: Reading) -> int | None:
    return None if reading.uptime_s is None else _nearest(anchors, reading.uptime_s)


def _resolve_again(connection: Connection, names: Names, node: int, boot: int) -> list[Row]:
    """Time the samples of a boot that came without one, by the anchors known now."""
    anchors = _anchors(connection, names, node, boot)
    probes = select(t.probe.c.probe_id).where(t.probe.c.node_id == node)
    columns = t.reading.c
    query = select(t.reading).where(
        columns.probe_id.in_(probes), columns.boot == boot, columns.uptime_s.is_not(None)
    )
    dirty: list[Row] = []
    for known in connection.execute(query).mappings().all():
        row = dict(known)
        at_s = _nearest(anchors, row["uptime_s"])
        if at_s != row["at_s"]:
            connection.execute(update(t.reading).where(_identity(row)).values(at_s=at_s))
            dirty += [row, row | {"at_s": at_s}]
    return dirty


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
    """High-water mark and missing ranges after more samples arrived, in whatever order."""
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
    return high, missing


def _receipts(
    connection: Connection, names: Names, readings: Sequence[Reading], nodes: Sequence[int]
) -> tuple[NodeReceipt, ...]:
    arrived: dict[tuple[int, int], list[int]] = {}
    codes: dict[int, tuple[str, str]] = {}
    for reading, node in zip(readings, nodes, strict=True):
        if reading.boot is not None and reading.seq is not None:
            arrived.setdefault((node, reading.boot), []).append(reading.seq)
            codes[node] = (reading.site, reading.node)
    rows, receipts = [], []
    for (node, boot), seqs in arrived.items():
        known = names.seqs.get((node, boot)) or _known_seqs(connection, node, boot)
        high, missing = names.seqs[node, boot] = with_seqs(known, seqs)
        if (high, missing) != known:
            rows.append(
                {"node_id": node, "boot": boot, "seq": high, "missing": json.dumps(missing)}
            )
        told = high if len(missing) <= MAX_RANGES else missing[MAX_RANGES][0] - 1
        receipts.append(NodeReceipt(*codes[node], boot, told, tuple(missing[:MAX_RANGES])))
    if rows:
        given = insert(t.receipt)
        connection.execute(
            given.on_conflict_do_update(
                index_elements=["node_id", "boot"],
                set_={"seq": given.excluded.seq, "missing": given.excluded.missing},
            ),
            rows,
        )
    return tuple(receipts)


def _known_seqs(connection: Connection, node: int, boot: int) -> Seqs:
    columns = t.receipt.c
    query = select(columns.seq, columns.missing).where(
        columns.node_id == node, columns.boot == boot
    )
    row = connection.execute(query).one_or_none()
    if row is None:
        return -1, []
    return row.seq, [(first, last) for first, last in json.loads(row.missing)]
