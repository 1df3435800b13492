"""Bench points in the record: only ever added to, or taken back with a reason."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, Connection, Select, func, select, true

from monitor import correction
from monitor.errors import InputError
from monitor.lot import BenchPoint
from monitor.store import schema as t
from monitor.store import sealing

AT, HUMIDITY = sealing.MEASURED.index("at_s"), sealing.MEASURED.index("humidity_p100")


def add(connection: Connection, point: BenchPoint) -> tuple[int, int]:
    """Keep a point; its number, and the key of its probe, whose zones are to be judged again.

    Raises
    ------
    InputError
        If the correction that follows is absurd: nothing is kept then.
    """
    probe = probe_id(connection, point.site, point.node, point.probe)
    mine = points(connection, t.bench_point.c.probe_id == probe)
    for check in correction.checks([*mine, point]):
        if point in check.points and correction.largest(check) > correction.MOST_PERCENT:
            raise InputError(
                f"the correction would be {correction.largest(check):.0f} % of humidity: replace the "
                "sensor, or make the slurry again and see that the label names the salt"
            )
    row = {
        name: getattr(point, name)
        for name in t.bench_point.c.keys()  # noqa: SIM118  a collection of columns is no dict
        if name not in {"bench_point_id", "probe_id"}
    }
    query = t.bench_point.insert().values(probe_id=probe, **row)
    number = connection.execute(query.returning(t.bench_point.c.bench_point_id)).scalar_one()
    back_s = point.back_s if point.back_s is not None else _placed_s(connection, probe, point.at_s)
    if back_s is not None:
        _note_back(connection, int(number), back_s=back_s, who=point.who, now_s=point.recorded_s)
    return int(number), probe


def undo(
    connection: Connection, number: int, *, who: str, why: str, now_s: int
) -> tuple[BenchPoint, int]:
    """Take a point back; it stays, with who took it back and why. It, and the key of its probe.

    Raises
    ------
    InputError
        If there is no such point, or it was taken back before.
    """
    found = points(connection, t.bench_point.c.bench_point_id == number)
    if not found or found[0].undone_s is not None:
        raise InputError(f"there is no bench point {number} that could be taken back")
    point = found[0]
    connection.execute(
        t.bench_undo.insert().values(bench_point_id=number, recorded_s=now_s, who=who, why=why)
    )
    probe = probe_id(connection, point.site, point.node, point.probe)
    return replace(point, undone_s=now_s, undone_who=who, undone_why=why), probe


def put_back(
    connection: Connection, probe: int, *, back_s: int, who: str, now_s: int
) -> list[BenchPoint]:
    """Keep that a probe is in its place again; the points whose box ends with it.

    Those of which nobody said it yet; else the last ones, whose time is set right by it. None where the
    probe has no point before that time.
    """
    held = [
        point
        for point in points(connection, t.bench_point.c.probe_id == probe)
        if point.undone_s is None
    ]
    mine = correction.open_points(held)
    if not mine:
        last_s = max((point.back_s or 0 for point in held), default=0)
        mine = [point for point in held if point.back_s == last_s]
    mine = [point for point in mine if point.at_s <= back_s]
    for point in mine:
        _note_back(connection, point.number, back_s=back_s, who=who, now_s=now_s)
    return mine


def _note_back(connection: Connection, number: int, *, back_s: int, who: str, now_s: int) -> None:
    row = {"bench_point_id": number, "back_s": back_s, "recorded_s": now_s, "who": who}
    connection.execute(t.bench_back.insert().values(row))


def _placed_s(connection: Connection, probe: int, at_s: int) -> int | None:
    """When a probe was placed anew after a point: it had left the box by then."""
    c = t.placement.c
    query = select(func.min(c.from_s)).where(
        c.probe_id == probe, c.from_s >= at_s, c.zone_id.is_not(None)
    )
    found = connection.execute(query).scalar()
    return None if found is None else int(found)


def placed(connection: Connection, probe: int, *, from_s: int, who: str, now_s: int) -> None:
    """A probe that is placed anew has left the box."""
    held = points(connection, t.bench_point.c.probe_id == probe)
    for point in correction.open_points(held):
        if point.at_s <= from_s:
            _note_back(connection, point.number, back_s=from_s, who=who, now_s=now_s)


def probe_id(connection: Connection, site: str, node: str, probe: str) -> int:
    """Key of a probe; an InputError where there is none such."""
    query = (
        select(t.probe.c.probe_id)
        .join_from(t.probe, t.node, t.node.c.node_id == t.probe.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .where(t.site.c.code == site, t.node.c.code == node, t.probe.c.code == probe)
    )
    found = connection.execute(query).scalar()
    if found is None:
        raise InputError(f'there is no probe "{probe}" of node "{node}" on {site}')
    return int(found)


def points(connection: Connection, here: ColumnElement[bool] | None = None) -> list[BenchPoint]:
    """Points, in the order they were entered, those taken back too."""
    return [BenchPoint(*row[1:]) for row in connection.execute(_points(here))]


def by_probe(connection: Connection, probes: Collection[int]) -> dict[int, list[BenchPoint]]:
    """Points of some probes, by their key."""
    if not connection.execute(select(t.bench_point.c.bench_point_id).limit(1)).first():
        return {}  # nobody ever checked one: three thousand keys need not be looked up
    found: dict[int, list[BenchPoint]] = {}
    for probe, *point in connection.execute(_points(t.bench_point.c.probe_id.in_(probes))):
        found.setdefault(int(probe), []).append(BenchPoint(*point))
    return found


def measured(
    connection: Connection, probe: int, from_s: int, to_s: int, *, own: Sequence[BenchPoint] = ()
) -> NDArray[np.float64]:
    """`sealing.measured` as the probe's points correct it, without what it measured in the box."""
    table = sealing.measured(connection, probe, from_s, to_s)
    if not own:
        return table
    at_s = table[:, AT].astype(np.int64)
    table[:, HUMIDITY] = correction.applied(at_s, table[:, HUMIDITY], correction.checks(own))
    return table[~correction.in_box(at_s, own)]


def _points(here: ColumnElement[bool] | None) -> Select[Any]:
    c, u, b = t.bench_point.c, t.bench_undo.c, t.bench_back.c
    back = (
        select(b.back_s)
        .where(b.bench_point_id == c.bench_point_id)
        .order_by(b.bench_back_id.desc())
        .limit(1)
        .scalar_subquery()
    )
    return (
        select(
            c.probe_id,
            c.bench_point_id,
            t.site.c.code,
            t.node.c.code,
            t.probe.c.code,
            *(c.salt, c.batch, c.from_s, c.at_s, c.measured_percent, c.temperature_c),
            *(c.reference_percent, c.uncertainty_percent, c.recorded_s, c.who),
            *(u.recorded_s, func.coalesce(u.who, ""), func.coalesce(u.why, "")),
            back,
        )
        .join_from(t.bench_point, t.probe, t.probe.c.probe_id == c.probe_id)
        .join(t.node, t.node.c.node_id == t.probe.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .outerjoin(t.bench_undo, u.bench_point_id == c.bench_point_id)
        .where(true() if here is None else here)
        .order_by(c.bench_point_id)
    )
