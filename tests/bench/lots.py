"""Lots of any size for the benches, entered at once: `Record` syncs each unit, zone and placement.

A lot of 5,000 units of six probes is 65,000 synced transactions, six minutes; here it is one.
"""

from collections.abc import Callable, Sequence

from sqlalchemy import Connection, Row, Table, select

from monitor.lot import Unit
from monitor.store import Record
from monitor.store import schema as t

GROUP = 20_000  # rows a statement
HOUR_S = 3600


def enter(
    record: Record,
    units: Sequence[Unit],
    zones: Sequence[tuple[str, str]],
    *,
    probe: Callable[[int, int], tuple[str, str]],
    from_s: int,
    gateway: Callable[[int], str] = lambda _: "",
) -> None:
    """Enter new units of known sites, each with the same zones (code, kind), all watched.

    `probe` tells from the numbers of a unit and of a zone in it the codes of the node and the probe
    there, `gateway` from the unit's through what its nodes are heard. What results is what `add_unit`,
    `add_zone`, `place` and `declare_gateways` leave behind (tests/test_benches.py).
    """
    hour = from_s // HOUR_S
    places = [(n, k) for n in range(len(units)) for k in range(len(zones))]
    with record.engine.begin() as db:
        site_of = dict(_pairs(db, t.site.c.code, t.site.c.site_id))
        _insert(db, t.unit, [
            {"site_id": site_of[unit.site], "code": unit.code, "name": unit.name, "slot": unit.slot,
             "body_type": unit.body_type, "life": unit.life, "lean": unit.lean,
             "weather_side": unit.weather_side, "slides": unit.slides, "roof": unit.roof,
             "dirty_hour": hour, "dirty_count": len(zones)}
            for unit in units
        ])  # fmt: skip
        unit_of = dict(_pairs(db, t.unit.c.code, t.unit.c.unit_id))
        _insert(db, t.zone, [
            {"site_id": site_of[units[n].site], "unit_id": unit_of[units[n].code],
             "code": zones[k][0], "kind": zones[k][1]}
            for n, k in places
        ])  # fmt: skip
        zone_of = {(unit, code): zone for zone, unit, code in db.execute(
            select(t.zone.c.zone_id, t.zone.c.unit_id, t.zone.c.code))}  # fmt: skip
        nodes = {(site_of[units[n].site], probe(n, k)[0]): gateway(n) for n, k in places}
        _insert(db, t.node, [
            {"site_id": site, "code": code, "gateway": through}
            for (site, code), through in nodes.items()
        ])  # fmt: skip
        node_of = {(site, code): node for node, site, code in db.execute(
            select(t.node.c.node_id, t.node.c.site_id, t.node.c.code))}  # fmt: skip
        probes = {
            (n, k): (node_of[site_of[units[n].site], probe(n, k)[0]], probe(n, k)[1])
            for n, k in places
        }
        _insert(db, t.probe, [{"node_id": node, "code": code} for node, code in probes.values()])
        probe_of = {(node, code): key for key, node, code in db.execute(
            select(t.probe.c.probe_id, t.probe.c.node_id, t.probe.c.code))}  # fmt: skip
        _insert(db, t.placement, [
            {"probe_id": probe_of[probes[n, k]], "from_s": from_s, "recorded_s": from_s,
             "zone_id": zone_of[unit_of[units[n].code], zones[k][0]], "who": "bench"}
            for n, k in places
        ])  # fmt: skip


def _pairs(db: Connection, *columns: object) -> Sequence[Row]:  # type: ignore[type-arg]
    return db.execute(select(*columns)).all()  # type: ignore[call-overload,no-any-return]


def _insert(db: Connection, table: Table, rows: list[dict[str, object]]) -> None:
    for start in range(0, len(rows), GROUP):
        db.execute(table.insert(), rows[start : start + GROUP])
