"""What judging asks of the record and gives back: marks, readings by placement, hours, checkpoints.

A new reading marks its probe (in `latest`); `deal_marks` hands the marks on to the units and sites
that the probe watched from that hour on, in one transaction, so that none is lost between them.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    ColumnElement,
    Connection,
    Subquery,
    and_,
    delete,
    func,
    or_,
    select,
    true,
    update,
)

from monitor.lot import DEFAULT_SILENCE_S, Placement, Zone, ZoneReadings
from monitor.store import bench
from monitor.store import schema as t
from monitor.store.dialects import Many, insert, least
from monitor.store.rows import Due, Judged, Latest

HOUR_S = 3600
DAY_H = 24
LONGEST_COVER_S = 3600  # a node that uploads daily still samples more often than that
FOREVER_S = 2**53

_HOUR_COLUMNS = [column.name for column in t.hour.c if column.name != "zone_id"]
_TEXT = {"state", "trend", "cause", "moisture_basis"}
_WHOLE = {"hour", "readings", "witnessed"}
_ARCHIVE = insert(t.archive_hour)
_MARK_ARCHIVE = _ARCHIVE.on_conflict_do_update(
    index_elements=["zone_id"],
    set_={
        "changed_hour": least(
            func.coalesce(t.archive_hour.c.changed_hour, _ARCHIVE.excluded.changed_hour),
            _ARCHIVE.excluded.changed_hour,
        )
    },
)
_INSERT_HOUR = Many(t.hour.insert())


# --- marks ----------------------------------------------------------------------------------------


def mark_units(connection: Connection, *, hour: int, site: str = "", unit: str = "") -> None:
    """Have a unit, or all units of a site, judged again from an hour on."""
    c = t.unit.c
    here = c.code == unit
    if site:
        here = c.site_id == select(t.site.c.site_id).where(t.site.c.code == site).scalar_subquery()
    _mark(connection, here, hour)


def _mark(connection: Connection, here: ColumnElement[bool], hour: int) -> None:
    c = t.unit.c
    connection.execute(
        update(t.unit)
        .where(here)
        .values(
            dirty_hour=least(func.coalesce(c.dirty_hour, hour), hour),
            dirty_count=c.dirty_count + 1,
        )
    )


def spans(
    connection: Connection, probes: ColumnElement[bool] | None = None
) -> dict[int, list[tuple[int, int, int | None]]]:
    """(from, to, zone) of the placements of each probe; a later entry for the same time wins."""
    c = t.placement.c
    query = select(c.probe_id, c.from_s, c.zone_id).where(true() if probes is None else probes)
    entries: dict[int, dict[int, int | None]] = {}
    for probe, from_s, zone in connection.execute(query.order_by(c.from_s, c.placement_id)):
        entries.setdefault(probe, {})[from_s] = zone
    return {
        probe: [
            (from_s, to_s, zone_of[from_s])
            for from_s, to_s in zip(zone_of, [*list(zone_of)[1:], FOREVER_S], strict=True)
        ]
        for probe, zone_of in sorted(entries.items())
    }


def in_force(*, now_s: int = FOREVER_S) -> Subquery:
    """Placement of each probe at a time, as `spans` has it: probe_id, zone_id, from_s.

    The zone is none where the probe was taken away.
    """
    c = t.placement.c
    order = (c.from_s.desc(), c.placement_id.desc())
    nth = func.row_number().over(partition_by=c.probe_id, order_by=order).label("nth")
    entries = select(c.probe_id, c.zone_id, c.from_s, nth).where(c.from_s <= now_s).subquery()
    e = entries.c
    return select(e.probe_id, e.zone_id, e.from_s).where(e.nth == 1).subquery()


def mark_placed(connection: Connection, probe: int, *, hour: int) -> None:
    """Mark all that a probe watches or watched from an hour on."""
    for from_s, to_s, zone in spans(connection, t.placement.c.probe_id == probe).get(probe, ()):
        if zone is not None and to_s >= hour * HOUR_S:
            mark_zone(connection, zone, hour=max(hour, from_s // HOUR_S))


def mark_zone(connection: Connection, zone: int, *, hour: int) -> None:
    """Mark the unit of a zone; for a zone of the site, which bears on all, the site and its units."""
    row = connection.execute(
        select(t.zone.c.unit_id, t.zone.c.site_id).where(t.zone.c.zone_id == zone)
    ).one()
    if row.unit_id is not None:
        _mark(connection, t.unit.c.unit_id == row.unit_id, hour)
        return
    _mark(connection, t.unit.c.site_id == row.site_id, hour)
    dirty = t.site.c.dirty_hour
    connection.execute(
        update(t.site)
        .where(t.site.c.site_id == row.site_id)
        .values(dirty_hour=least(func.coalesce(dirty, hour), hour))
    )


def deal_marks(connection: Connection, *, to_hour: int) -> None:
    """Hand probes' marks before an hour on to units and sites, and clear them."""
    c = t.latest.c
    marked = connection.execute(
        select(c.probe_id, c.dirty_hour).where(c.dirty_hour < to_hour)
    ).all()
    for probe, hour in marked:
        mark_placed(connection, probe, hour=hour)
    if marked:
        connection.execute(update(t.latest).where(c.dirty_hour < to_hour).values(dirty_hour=None))


def due(connection: Connection, *where: ColumnElement[bool], to_hour: int) -> list[Due]:
    """Units marked before an hour, or judged up to an earlier one."""
    c = t.unit.c
    query = select(c.code, c.dirty_hour, c.judged_to, c.dirty_count).where(
        or_(c.dirty_hour < to_hour, c.judged_to < to_hour), *where
    )
    return [
        Due(code, min(hour for hour in (dirty, judged) if hour is not None), count)
        for code, dirty, judged, count in connection.execute(query.order_by(c.code))
    ]


def is_behind(connection: Connection, unit: str, *, to_hour: int) -> bool:
    """Whether something of hours before one waits to be judged: of the unit, or of its site."""
    site = select(t.unit.c.site_id).where(t.unit.c.code == unit).scalar_subquery()
    probes = (
        select(t.probe.c.probe_id)
        .join(t.node, t.node.c.node_id == t.probe.c.node_id)
        .where(t.node.c.site_id == site)
    )
    waits = (
        select(t.unit.c.unit_id).where(t.unit.c.code == unit, t.unit.c.dirty_hour < to_hour),
        select(t.site.c.site_id).where(t.site.c.site_id == site, t.site.c.dirty_hour < to_hour),
        select(t.latest.c.probe_id).where(
            t.latest.c.probe_id.in_(probes), t.latest.c.dirty_hour < to_hour
        ),
    )
    return any(connection.execute(query.limit(1)).first() is not None for query in waits)


def clear_mark(connection: Connection, done: Due, *, to_hour: int) -> None:
    """A unit is judged up to an hour; a mark set since `done` was read stays."""
    c = t.unit.c
    here = c.code == done.unit
    connection.execute(update(t.unit).where(here).values(judged_to=to_hour))
    unmarked = update(t.unit).where(here, c.dirty_count == done.mark, c.dirty_hour < to_hour)
    connection.execute(unmarked.values(dirty_hour=None))


def judged(connection: Connection) -> list[Judged]:
    """How far each unit's record reaches, of units that were judged ever, by code."""
    c, p = t.unit.c, t.checkpoint.c
    version = (
        select(p.version)
        .where(p.unit_id == c.unit_id)
        .order_by(p.day.desc())
        .limit(1)
        .scalar_subquery()
    )
    own = select(t.received.c.until_s).where(t.received.c.unit_id == c.unit_id).scalar_subquery()
    query = select(c.unit_id, c.code, c.judged_to, func.coalesce(version, ""), own)
    units = connection.execute(query.where(c.judged_to.is_not(None)).order_by(c.code)).all()
    return [
        Judged(
            code,
            _first_hour(connection, unit, from_hour=(until_s or 0) // HOUR_S),
            to_hour,
            rules,
            _heard_s(connection, unit),
        )
        for unit, code, to_hour, rules, until_s in units
    ]


def _first_hour(connection: Connection, unit: int, *, from_hour: int) -> int | None:
    """First judged hour of a unit from one on."""
    zones = connection.execute(select(t.zone.c.zone_id).where(t.zone.c.unit_id == unit)).scalars()
    firsts = [next_hour(connection, zone, from_hour=from_hour) for zone in zones.all()]
    return min((hour for hour in firsts if hour is not None), default=None)


def next_hour(connection: Connection, zone: int, *, from_hour: int) -> int | None:
    """First judged hour of a zone from one on; None: there is none."""
    c = t.hour.c
    query = select(func.min(c.hour)).where(c.zone_id == zone, c.hour >= from_hour)
    found: int | None = connection.execute(query).scalar()
    return found


def _heard_s(connection: Connection, unit: int) -> int | None:
    """When the first reading of a unit's zones is of, by the placements in force."""
    zones = set(
        connection.execute(select(t.zone.c.zone_id).where(t.zone.c.unit_id == unit)).scalars()
    )
    probes = select(t.placement.c.probe_id).where(t.placement.c.zone_id.in_(zones)).distinct()
    firsts = [
        at_s
        for probe, watched in spans(connection, t.placement.c.probe_id.in_(probes)).items()
        for from_s, to_s, zone in watched
        if zone in zones
        if (at_s := next_reading_s(connection, probe, from_s=from_s)) is not None and at_s < to_s
    ]
    return min(firsts, default=None)


def next_reading_s(connection: Connection, probe: int, *, from_s: int) -> int | None:
    """When a probe's first reading from a time on is of, or its sealed block of that time begins."""
    r, s = t.reading.c, t.sealed.c
    nexts = [
        connection.execute(query).scalar()
        for query in (
            select(func.min(r.at_s)).where(r.probe_id == probe, r.at_s >= from_s),
            select(func.min(s.from_s)).where(s.probe_id == probe, s.to_s >= from_s),
        )
    ]
    return min((max(at_s, from_s) for at_s in nexts if at_s is not None), default=None)


# --- the lot --------------------------------------------------------------------------------------


def zones(connection: Connection, here: ColumnElement[bool]) -> list[Zone]:
    """Zones of a unit or of a site."""
    c = t.zone.c
    query = (
        select(
            func.coalesce(t.unit.c.code, ""),
            c.code,
            c.kind,
            c.material,
            c.mould_class,
            c.dry_twin,
            c.faces,
            c.temperature_factor,
            c.watched_from_s,
            c.source,
            c.origin,
            c.distance_km,
        )
        .join_from(t.zone, t.site, t.site.c.site_id == c.site_id)
        .outerjoin(t.unit, t.unit.c.unit_id == c.unit_id)
        .where(here)
        .order_by(c.zone_id)
    )
    return [Zone(*row) for row in connection.execute(query)]


def placements(connection: Connection) -> list[Placement]:
    """All placements with their ends."""
    probes = connection.execute(
        select(t.probe.c.probe_id, t.site.c.code, t.node.c.code, t.probe.c.code)
        .join_from(t.probe, t.node)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .order_by(t.probe.c.probe_id)
    ).all()
    places = {
        zone_id: (unit or "", code)
        for zone_id, unit, code in connection.execute(
            select(t.zone.c.zone_id, t.unit.c.code, t.zone.c.code).outerjoin_from(t.zone, t.unit)
        )
    }
    result = []
    placed = spans(connection)
    for probe_id, site, node, probe in probes:
        for from_s, to_s, zone in placed.get(probe_id, ()):
            unit, code = places[zone] if zone is not None else ("", "")
            end = None if to_s == FOREVER_S else to_s
            result.append(Placement(node, probe, site, unit, code, from_s, end))
    return result


def latest(connection: Connection) -> list[Latest]:
    """Newest sample of each probe, with the zone that it is of; "" where it stood nowhere then."""
    c, placed = t.latest.c, in_force()
    query = (
        select(
            t.site.c.code,
            t.node.c.code,
            t.probe.c.code,
            func.coalesce(t.unit.c.code, ""),
            func.coalesce(t.zone.c.code, ""),
            c.at_s,
            c.received_s,
            c.silence_s,
            func.coalesce(c.contact, 0),
            c.battery_p,
        )
        .join_from(t.latest, t.probe)
        .join(t.node, t.node.c.node_id == t.probe.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        # what a probe said before it was placed says nothing of the place
        .outerjoin(placed, and_(placed.c.probe_id == c.probe_id, placed.c.from_s <= c.at_s))
        .outerjoin(t.zone, t.zone.c.zone_id == placed.c.zone_id)
        .outerjoin(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
        .where(c.at_s.is_not(None))
        .order_by(c.probe_id)
    )
    rows = connection.execute(query).all()
    return [Latest(*row[:8], contact=row[8] == 1, battery_percent=row[9]) for row in rows]


# --- readings -------------------------------------------------------------------------------------


def readings(
    connection: Connection, here: ColumnElement[bool], *, from_s: int, to_s: int
) -> dict[str, ZoneReadings]:
    """Readings of the zones of a unit or a site in [from_s, to_s), by the placements in force.

    Humidity is as the bench checks of its probes correct it.
    """
    query = (
        select(t.zone.c.zone_id, t.zone.c.code)
        .join_from(t.zone, t.site, t.site.c.site_id == t.zone.c.site_id)
        .outerjoin(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
        .where(here)
        .order_by(t.zone.c.zone_id)
    )
    own = dict(connection.execute(query).all())
    probes = select(t.placement.c.probe_id).where(t.placement.c.zone_id.in_(own)).distinct()
    parts: dict[str, list[NDArray[np.float64]]] = {code: [] for code in own.values()}
    placed = spans(connection, t.placement.c.probe_id.in_(probes))
    benched = bench.by_probe(connection, placed)
    for probe, watched in placed.items():
        for start_s, end_s, zone in watched:
            if zone in own and start_s < to_s and end_s > from_s:
                span = max(start_s, from_s), min(end_s, to_s)
                points = benched.get(probe, ())
                parts[own[zone]].append(bench.measured(connection, probe, *span, own=points))
    return {code: _series(found) for code, found in parts.items()}


def _series(parts: Sequence[NDArray[np.float64]]) -> ZoneReadings:
    table = np.concatenate([np.zeros((0, 7)), *parts])
    if (np.diff(table[:, 0]) <= 0).any():  # several probes; keys tell the order of arrival: no use
        table = table[np.lexsort(table.T[::-1])]
    silence_s = np.nan_to_num(table[:, 6], nan=float(DEFAULT_SILENCE_S)).astype(np.int64)
    return ZoneReadings(
        at_s=table[:, 0].astype(np.int64),
        temperature_c=table[:, 1] / 100.0,
        humidity_percent=table[:, 2] / 100.0,
        wood_percent=table[:, 3] / 100.0,
        contact=np.ascontiguousarray(table[:, 4]),
        rain_mm=table[:, 5] / 100.0,
        silence_s=silence_s,
        cover_s=np.minimum(silence_s, LONGEST_COVER_S) * 3 // 2,
    )


# --- hours and checkpoints ------------------------------------------------------------------------


def keep_hours(
    connection: Connection,
    here: ColumnElement[bool],
    tables: Mapping[str, Mapping[str, Any]],
    *,
    from_hour: int,
) -> None:
    """Replace hours from an hour on."""
    query = select(t.zone.c.code, t.zone.c.zone_id).where(here)
    ids = dict(connection.execute(query).all())
    c = t.hour.c
    connection.execute(delete(t.hour).where(c.zone_id.in_(ids.values()), c.hour >= from_hour))
    mark_archive(connection, ids.values(), hour=from_hour)
    for code, columns in tables.items():
        rows = list(_rows(ids[code], columns, from_hour))
        if rows:  # a season at once: straight to the driver, a third of the time
            _INSERT_HOUR.run_tuples(connection, rows)


def mark_archive(connection: Connection, zones: Iterable[int], *, hour: int) -> None:
    """Have the archive get the hours of zones again from one on."""
    changed = [{"zone_id": zone, "changed_hour": hour} for zone in zones]
    if changed:
        connection.execute(_MARK_ARCHIVE, changed)


def _rows(zone: int, columns: Mapping[str, Any], from_hour: int) -> Iterator[tuple[Any, ...]]:
    """Rows of one zone in the order of the table."""
    lists: list[list[Any]] = []
    for name in _HOUR_COLUMNS:
        values = columns[name]
        if name not in _TEXT and name not in _WHOLE:
            values = np.where(np.isnan(values), None, values)
        lists.append(values.tolist())
    start = int(np.searchsorted(columns["hour"], from_hour))
    rows: Iterator[tuple[Any, ...]] = zip(
        repeat(zone), *(each[start:] for each in lists), strict=False
    )
    return rows


def keep_checkpoints(
    connection: Connection,
    unit: int,
    checkpoints: Sequence[tuple[int, bytes]],
    from_hour: int,
    version: str,
) -> None:
    """Replace checkpoints that a judgement from an hour on has made void."""
    c = t.checkpoint.c
    void = or_(c.day > from_hour // DAY_H, c.version != version)
    connection.execute(delete(t.checkpoint).where(c.unit_id == unit, void))
    rows = [
        {"unit_id": unit, "day": day, "version": version, "state": state}
        for day, state in checkpoints
    ]
    if rows:
        connection.execute(t.checkpoint.insert(), rows)


def thin_checkpoints(connection: Connection, unit: int, is_kept: Callable[[int], bool]) -> None:
    """Drop checkpoints of days that need none any more."""
    c = t.checkpoint.c
    days = connection.execute(select(c.day).where(c.unit_id == unit)).scalars()
    over = [day for day in days if not is_kept(day)]
    if over:
        connection.execute(delete(t.checkpoint).where(c.unit_id == unit, c.day.in_(over)))
