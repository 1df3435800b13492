"""Old readings as sealed blocks: some three bytes a reading, and read as fast as fresh ones.

::

    reading (fresh) --seal, once its period is old--> sealed --reopen, where another value or time
          ^------------------------------------------- comes for one of its samples--------'

A block holds readings of one probe and one period in compressed columns (`monitor.store.columns`),
with all that makes them what they are: boot, seq and both times. `sealed_run` says which samples a
block may hold, so that one sent again is known again. A reading that comes late for a period that
is sealed stays fresh for a day and is then sealed into it. Never sealed: a reading whose time is not
known, or was worked out from an anchor, for a nearer anchor may come.

Each block has a digest, verified whenever it is read: what cannot be trusted is an error, not a gap.
Taking and sealing go on beside a damaged block, for a sample that comes again is better than it.
"""

import hashlib
import json
import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, delete, insert, select, update

from monitor.errors import DamageError
from monitor.store import columns
from monitor.store import schema as t
from monitor.store.columns import Column
from monitor.store.dialects import json_rows

LOG = logging.getLogger(__name__)
DAY_S = 86_400
PERIOD_S = 16 * DAY_S  # 2,304 readings at ten minutes: a lock of some 20 ms, 23 blocks a year
BLOCK_READINGS = 4096  # a probe that samples faster fills several blocks a period
REST_S = DAY_S  # since a late reading came: a backlog is sealed once, not message by message

Row = dict[str, Any]
Identity = tuple[int, int, int]  # probe, boot, seq
Block = dict[str, Column]

_NAMES = ("at_s", "received_s", "boot", "seq", *t.MEASURED, "disputed")
MEASURED = (
    "at_s",
    "temperature_c100",
    "humidity_p100",
    "wood_p100",
    "contact",
    "rain_mm100",
    "silence_s",
)  # what judging asks for
_FRESH = (
    "SELECT {names} FROM reading WHERE probe_id = ? AND at_s >= ? AND at_s < ?"
    " AND disputed IS NULL ORDER BY at_s"
)
_OLD = "at_s < :before_s AND received_s < :rested_s AND uptime_s IS NULL"
_NEXT = (
    "SELECT probe_id FROM probe WHERE EXISTS (SELECT 1 FROM reading"  # noqa: S608
    f" WHERE reading.probe_id = probe.probe_id AND {_OLD}) LIMIT 1"
)
_OLDEST = f"SELECT min(at_s) FROM reading WHERE probe_id = :probe AND {_OLD}"  # noqa: S608
_TO_SEAL = (
    f"SELECT {', '.join(_NAMES)} FROM reading WHERE probe_id = :probe AND {_OLD}"  # noqa: S608
    " AND at_s < :end_s ORDER BY at_s, boot, seq LIMIT :limit"
)
_VOID = (
    "DELETE FROM checksum WHERE kind = 'reading' AND a = ? AND b = "  # noqa: S608
    + t.GROUPS["reading"][1].format(row="").replace("at_s", "?")
)
_GONE = "DELETE FROM reading WHERE probe_id = ? AND boot = ? AND seq = ?"
# Nothing that is judged or claimed: a unit that is still here is judged from its first reading on.
_DROPPABLE = (
    "SELECT s.sealed_id, s.probe_id, s.readings FROM sealed s WHERE s.to_s < ? AND NOT EXISTS ("
    " SELECT 1 FROM placement p JOIN zone z USING (zone_id) LEFT JOIN unit u USING (unit_id)"
    " WHERE p.probe_id = s.probe_id AND p.from_s <= s.to_s AND (u.unit_id IS NULL"
    " OR u.life NOT IN ('sold', 'left') OR EXISTS (SELECT 1 FROM alarm a"
    " WHERE a.unit_id = u.unit_id AND a.state <> 'normal'))) LIMIT 1"
)
_RUNS = (
    "SELECT r.probe_id, r.boot, r.first_seq, r.last_seq, r.sealed_id FROM {wanted} w"
    " JOIN sealed_run r ON r.probe_id = w.c0 AND r.boot = w.c1"
    " AND r.last_seq >= w.c2 AND r.first_seq <= w.c3"
)


@dataclass(frozen=True, slots=True)
class Held:
    """A sealed reading and the block that holds it."""

    row: Row  # the columns of `reading`
    sealed_id: int


# --- sealing --------------------------------------------------------------------------------------


def edge_s(now_s: int, *, fresh_days: int) -> int:
    """Readings before this time are old: the start of the newest period that is not old wholly."""
    return (now_s - fresh_days * DAY_S) // PERIOD_S * PERIOD_S


def next_probe(connection: Connection, *, before_s: int, now_s: int) -> int | None:
    """A probe with readings to seal; None if there is none."""
    given = {"before_s": before_s, "rested_s": now_s - REST_S}
    found: int | None = connection.exec_driver_sql(_NEXT, given).scalar()
    return found


def seal(connection: Connection, probe: int, *, before_s: int, now_s: int) -> int:
    """Seal the oldest readings of a probe into one block; how many they were.

    The caller's transaction makes it whole: at every moment a reading is fresh or sealed.
    """
    given = {"probe": probe, "before_s": before_s, "rested_s": now_s - REST_S}
    oldest = connection.exec_driver_sql(_OLDEST, given).scalar()
    if oldest is None:
        return 0
    end_s = (oldest // PERIOD_S + 1) * PERIOD_S
    given |= {"end_s": end_s, "limit": BLOCK_READINGS}
    rows = _tuples(connection, _TO_SEAL, given)
    fresh = {
        name: columns.column_of(values)
        for name, values in zip(_NAMES, zip(*rows, strict=True), strict=True)
    }
    for sealed_id in _absorbed(connection, probe, end_s=end_s, room=BLOCK_READINGS - len(rows)):
        block = _trusted(connection, sealed_id)
        if block is not None:
            fresh = _joined(fresh, block)
            _erase(connection, probe, sealed_id)
    _write(connection, probe, fresh)
    boot, seq = _NAMES.index("boot"), _NAMES.index("seq")
    connection.exec_driver_sql(_GONE, [(probe, row[boot], row[seq]) for row in rows])
    return len(rows)


def drop(connection: Connection, *, before_s: int) -> int:
    """Drop one block of readings that all lie before a time and that nothing asks for any more.

    That is those of units sold or left without an open alarm, and of probes that were placed
    nowhere by then. A site's own air is kept: it bears on all units.
    """
    found = connection.exec_driver_sql(_DROPPABLE, (before_s,)).one_or_none()
    if found is None:
        return 0
    sealed_id, probe, count = found
    _erase(connection, probe, sealed_id)
    less = t.latest.c.readings - count
    here = t.latest.c.probe_id == probe
    connection.execute(update(t.latest).where(here).values(readings=less))
    return int(count)


def _absorbed(connection: Connection, probe: int, *, end_s: int, room: int) -> list[int]:
    """Blocks of the same period that still have room, the smallest first."""
    c = t.sealed.c
    query = (
        select(c.sealed_id, c.readings)
        .where(c.probe_id == probe, c.from_s >= end_s - PERIOD_S, c.from_s < end_s)
        .order_by(c.readings)
    )
    found = []
    for sealed_id, count in connection.execute(query):
        room -= count
        if room < 0:
            break
        found.append(sealed_id)
    return found


def _joined(one: Block, other: Block) -> Block:
    both = {
        name: (
            np.concatenate([one[name][0], other[name][0]]),
            np.concatenate([one[name][1], other[name][1]]),
        )
        for name in _NAMES
    }
    order = np.lexsort([both[name][0] for name in ("seq", "boot", "at_s")])
    return _picked(both, order)


def _picked(block: Block, which: NDArray[Any]) -> Block:
    return {name: (values[which], known[which]) for name, (values, known) in block.items()}


def _write(connection: Connection, probe: int, block: Block) -> None:
    """Keep a block of readings in order of time, with its runs."""
    at_s = block["at_s"][0]
    count, from_s, to_s = len(at_s), int(at_s[0]), int(at_s[-1])
    packed = columns.pack([block[name] for name in _NAMES])
    row = {
        "probe_id": probe,
        "from_s": from_s,
        "to_s": to_s,
        "readings": count,
        "digest": _digest(probe, from_s, to_s, count, packed),
        "columns": packed,
    }
    kept = insert(t.sealed).values(row).returning(t.sealed.c.sealed_id)
    sealed_id = connection.execute(kept).scalar_one()
    boots, seqs = block["boot"][0], block["seq"][0]
    runs = [
        {
            "probe_id": probe,
            "boot": int(boot),
            "first_seq": int(seqs[boots == boot].min()),
            "last_seq": int(seqs[boots == boot].max()),
            "sealed_id": sealed_id,
        }
        for boot in np.unique(boots)
    ]
    connection.execute(insert(t.sealed_run), runs)


def _erase(connection: Connection, probe: int, sealed_id: int) -> None:
    run = t.sealed_run.c
    here = (run.probe_id == probe, run.sealed_id == sealed_id)  # by the start of the key
    connection.execute(delete(t.sealed_run).where(*here))
    connection.execute(delete(t.sealed).where(t.sealed.c.sealed_id == sealed_id))


def _digest(probe: int, from_s: int, to_s: int, count: int, packed: bytes) -> bytes:
    head = f"{probe} {from_s} {to_s} {count} ".encode()
    return hashlib.blake2b(head + packed, digest_size=16).digest()


# --- reading --------------------------------------------------------------------------------------


def measured(
    connection: Connection,
    probe: int,
    from_s: int,
    to_s: int,
    *,
    names: tuple[str, ...] = MEASURED,
) -> NDArray[np.float64]:
    """Readings of a probe in [from_s, to_s), sealed and fresh, without disputed ones.

    `names` are columns of the table of readings, the first of them "at_s".

    Returns
    -------
    NDArray[np.float64]
        Shape (readings, names), the columns as they are stored, nan where not measured;
        in order of time, of one time in any order.

    Raises
    ------
    DamageError
        If a block is not what was written.
    """
    c = t.sealed.c
    query = (
        select(c.probe_id, c.from_s, c.to_s, c.readings, c.digest, c.columns)
        .where(c.probe_id == probe, c.from_s < to_s, c.to_s >= from_s)
        .order_by(c.from_s)
    )
    parts = [
        _usable(_unpacked(row, (*names, "disputed")), names, from_s, to_s)
        for row in connection.execute(query).all()
    ]
    fresh = _tuples(connection, _FRESH.format(names=", ".join(names)), (probe, from_s, to_s))
    parts.append(np.array(fresh, dtype=np.float64).reshape(-1, len(names)))
    table = np.concatenate(parts)
    if len(parts) > 1 and (np.diff(table[:, 0]) < 0).any():
        table = table[np.argsort(table[:, 0], kind="stable")]
    return table


def _usable(block: Block, names: tuple[str, ...], from_s: int, to_s: int) -> NDArray[np.float64]:
    at_s, disputed = block["at_s"][0], block["disputed"][1]
    table = np.stack([columns.floats_of(block[name]) for name in names], axis=1)
    use = (at_s >= from_s) & (at_s < to_s) & ~disputed
    return table if use.all() else table[use]


def whole(connection: Connection, probe: int, *, from_s: int, to_s: int) -> list[Row]:
    """All sealed readings of a probe in [from_s, to_s), disputed ones too, in no order."""
    c = t.sealed.c
    query = select(c.probe_id, c.from_s, c.to_s, c.readings, c.digest, c.columns).where(
        c.probe_id == probe, c.from_s < to_s, c.to_s >= from_s
    )
    found: list[Row] = []
    for row in connection.execute(query).all():
        block = _unpacked(row, _NAMES)
        at_s = block["at_s"][0]
        found += columns.rows_of(_picked(block, (at_s >= from_s) & (at_s < to_s)))
    return found


def newest(connection: Connection, probe: int, *, from_s: int | None) -> list[Row]:
    """Usable sealed readings of the newest time, where it is not before `from_s`."""
    c = t.sealed.c
    query = select(c.sealed_id, c.to_s).where(c.probe_id == probe).order_by(c.to_s.desc())
    found: list[Row] = []
    for sealed_id, to_s in connection.execute(query).all():
        best = found[0]["at_s"] if found else from_s
        if best is not None and to_s < best:
            break
        block = _trusted(connection, sealed_id)
        if block is None or block["disputed"][1].all():
            continue
        at_s, usable = block["at_s"][0], ~block["disputed"][1]
        last = int(at_s[usable].max())
        if best is None or last >= best:
            rows = columns.rows_of(_picked(block, usable & (at_s == last)))
            found = rows + [row for row in found if row["at_s"] == last]
    return found


def _load(connection: Connection, sealed_id: int) -> Block:
    return _unpacked(_stored(connection, sealed_id), _NAMES)


def verify(connection: Connection, sealed_id: int) -> None:
    """Raise DamageError if a block is not what was written."""
    _unpacked(_stored(connection, sealed_id), ())


def _trusted(connection: Connection, sealed_id: int) -> Block | None:
    """Read a block, or nothing if it is damaged."""
    try:
        return _load(connection, sealed_id)
    except DamageError as error:
        LOG.error("%s", error)  # noqa: TRY400  no fault of this program: its trace tells nothing
        return None


def _stored(connection: Connection, sealed_id: int) -> Any:  # noqa: ANN401  a row
    c = t.sealed.c
    query = select(c.probe_id, c.from_s, c.to_s, c.readings, c.digest, c.columns)
    return connection.execute(query.where(c.sealed_id == sealed_id)).one()


def _unpacked(row: Any, names: Sequence[str]) -> Block:  # noqa: ANN401  a row
    given = _digest(row.probe_id, row.from_s, row.to_s, row.readings, row.columns)
    if given != row.digest:
        raise DamageError(
            f"the sealed readings of probe {row.probe_id} from {row.from_s} to {row.to_s} (seconds"
            " since 1970) are not what was written"
        )
    found = columns.unpack(row.columns, [_NAMES.index(name) for name in names])
    return dict(zip(names, found, strict=True))


def _tuples(connection: Connection, sql: str, given: Any) -> list[tuple[Any, ...]]:  # noqa: ANN401
    """Rows straight from the driver: a year at once, in half of the time."""
    cursor = connection.exec_driver_sql(sql, given).cursor
    assert cursor is not None  # noqa: S101  a query has one
    return list(cursor.fetchall())


# --- samples that come again ----------------------------------------------------------------------


def find(connection: Connection, rows: Iterable[Row]) -> dict[Identity, Held]:
    """Those of the rows' samples that are sealed already."""
    seqs: dict[tuple[int, int], set[int]] = {}
    for row in rows:
        seqs.setdefault((row["probe_id"], row["boot"]), set()).add(row["seq"])
    wanted = [[*key, min(several), max(several)] for key, several in seqs.items()]
    sql = _RUNS.format(wanted=json_rows(connection, 4))
    runs = connection.exec_driver_sql(sql, (json.dumps(wanted),)).all()
    found: dict[Identity, Held] = {}
    for probe, boot, first, last, sealed_id in runs:
        mine = [seq for seq in seqs[probe, boot] if first <= seq <= last]
        block = _trusted(connection, sealed_id) if mine else None
        if block is None:
            continue
        here = (block["boot"][0] == boot) & np.isin(block["seq"][0], mine)
        for row in columns.rows_of(_picked(block, here)):
            whole: Row = {"probe_id": probe, "uptime_s": None} | row
            found[probe, boot, whole["seq"]] = Held(whole, sealed_id)
    return found


def reopen(connection: Connection, held: Mapping[Identity, Held]) -> None:
    """Make sealed readings fresh again, because something of them has to change."""
    blocks: dict[int, list[Identity]] = {}
    for identity, one in held.items():
        blocks.setdefault(one.sealed_id, []).append(identity)
    for sealed_id, identities in blocks.items():
        probe = identities[0][0]
        block = _load(connection, sealed_id)
        stays = np.ones(len(block["at_s"][0]), dtype=np.bool_)
        for _, boot, seq in identities:
            stays &= (block["boot"][0] != boot) | (block["seq"][0] != seq)
        _erase(connection, probe, sealed_id)
        if stays.any():
            _write(connection, probe, _picked(block, stays))
    rows = [one.row for one in held.values()]
    connection.execute(insert(t.reading), rows)
    void(connection, rows)


def void(connection: Connection, rows: Iterable[Row]) -> None:
    """Drop the checksums of the days that these new readings belong to (`monitor.store.checking`)."""
    days = {
        (row["probe_id"], None if row["at_s"] is None else row["at_s"] // DAY_S): row["at_s"]
        for row in rows
    }
    if days:
        given = [(probe, at_s) for (probe, _), at_s in days.items()]
        connection.exec_driver_sql(_VOID, given)
