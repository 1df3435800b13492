"""All that the record holds of each sample, probe by probe: what a file of readings is written from.

A probe's samples come in order of time, those whose time is not known before them, and right behind
a disputed one its other values. One period of one probe is in memory at a time, sealed or not.

A node's uptime is kept only for samples that came without a time, and for the pairs (`anchor`) that
such times are worked out from. A pair is given with the sample it came from; one that has no such
sample here, and is needed for a time that was worked out, is a sample of its own without a probe.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from sqlalchemy import Connection, func, select

from monitor.errors import InputError
from monitor.store import judging, sealing
from monitor.store import schema as t
from sensors.wire import Reading

Row = dict[str, Any]
TimeBasis = Literal["told", "worked out", "pending", "clock"]
TIME_BASES: tuple[TimeBasis, ...] = get_args(TimeBasis)
FOREVER_S = judging.FOREVER_S
HOURS_A_BLOCK = 8192
_READING = tuple(column.name for column in t.reading.c if column.name != "probe_id")
_FRESH = f"SELECT {', '.join(_READING)} FROM reading WHERE probe_id = ? AND at_s >= ? AND at_s < ?"  # noqa: S608
_UNTIMED = (
    f"SELECT {', '.join(_READING)} FROM reading WHERE probe_id = ? AND at_s IS NULL"  # noqa: S608
    " ORDER BY boot, seq"
)
_NEXT_FRESH = "SELECT min(at_s) FROM reading WHERE probe_id = :probe AND at_s >= :at_s"
_NEXT_SEALED = (
    "SELECT min(CASE WHEN from_s < :at_s THEN :at_s ELSE from_s END) FROM sealed"
    " WHERE probe_id = :probe AND to_s >= :at_s"
)


@dataclass(frozen=True, slots=True)
class Sample:
    """A reading as the record holds it.

    `basis` says where its time is from: told by the node, worked out from its uptime, not known yet
    ("pending"); or the sample is only a pair of uptime and time ("clock", probe "").
    """

    reading: Reading
    received_s: int
    basis: TimeBasis = "told"
    disputed: bool = False  # several values came for it, each of which is a sample here
    unit: str = ""  # what it watched at its time; "": a zone of the site's own
    zone: str = ""  # "": nothing, or its time is not known


@dataclass(frozen=True, slots=True)
class _Probe:
    probe_id: int
    node_id: int
    site: str
    node: str
    code: str


@dataclass(slots=True)
class _Clock:
    """Pairs of uptime and time of one node: by boot and time, and those that samples gave already."""

    pairs: dict[int, dict[int, int]] = field(default_factory=dict)
    told: set[tuple[int, int]] = field(default_factory=set)
    rest: list[tuple[int, int, int]] = field(
        default_factory=list
    )  # boot, time, uptime: a time again
    asked: set[int] = field(default_factory=set)  # boots with a time that is not told
    is_whole: bool = True  # pairs of those boots are given whatever the span


def samples(
    connection: Connection,
    *,
    site: str,
    unit: str = "",
    from_s: int = 0,
    to_s: int = FOREVER_S,
    untimed: bool = True,
) -> Iterator[Sample]:
    """Samples in [from_s, to_s) of a site's probes, or of what watched one unit while it did.

    Samples whose time is pending are given whatever the span; none of them without `untimed`, where
    spans that join have each sample and each pair once.
    """
    labels = _labels(connection)
    node = -1
    clock = _Clock()
    last: _Probe | None = None
    for probe in _probes(connection, site):
        segments = _segments(connection, probe.probe_id, labels, unit)
        if not segments:
            continue
        if probe.node_id != node:
            if last is not None:
                yield from _left(last, clock, from_s, to_s)
            node, clock = probe.node_id, _clock(connection, probe.node_id)
            clock.is_whole = untimed
        last = probe
        yield from _of_probe(connection, probe, clock, segments, (from_s, to_s))
    if last is not None:
        yield from _left(last, clock, from_s, to_s)


def next_sample_s(connection: Connection, *, site: str, from_s: int) -> int | None:
    """From when on a site has samples or pairs again, at a time or later; None: it has none."""
    probes = _probes(connection, site)
    nexts = [judging.next_reading_s(connection, one.probe_id, from_s=from_s) for one in probes]
    a = t.anchor.c
    for node in {one.node_id for one in probes}:
        query = select(func.min(a.at_s)).where(a.node_id == node, a.at_s >= from_s)
        nexts.append(connection.execute(query).scalar())
    return min((at_s for at_s in nexts if at_s is not None), default=None)


def next_hour(connection: Connection, *, site: str, from_hour: int) -> int | None:
    """First judged hour of a site and its units from one on; None: there is none."""
    query = (
        select(t.zone.c.zone_id)
        .join(t.site, t.site.c.site_id == t.zone.c.site_id)
        .where(t.site.c.code == site)
    )
    nexts = [
        judging.next_hour(connection, zone, from_hour=from_hour)
        for zone in connection.execute(query).scalars().all()
    ]
    return min((hour for hour in nexts if hour is not None), default=None)


def count(connection: Connection, *, site: str) -> int:
    """How many readings a site's probes have; without reading through them."""
    query = (
        select(func.coalesce(func.sum(t.latest.c.readings), 0))
        .join_from(t.latest, t.probe, t.probe.c.probe_id == t.latest.c.probe_id)
        .join(t.node, t.node.c.node_id == t.probe.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .where(t.site.c.code == site)
    )
    return int(connection.execute(query).scalar_one())


def site_of(connection: Connection, *, site: str, unit: str) -> str:
    """Site of a unit, or the site itself; InputError if there is none of that code."""
    if unit:
        query = select(t.site.c.code).join_from(t.unit, t.site).where(t.unit.c.code == unit)
    else:
        query = select(t.site.c.code).where(t.site.c.code == site)
    found: str | None = connection.execute(query).scalar()
    if found is None:
        raise InputError(f'there is no unit "{unit}"' if unit else f'there is no site "{site}"')
    return found


def hours(
    connection: Connection,
    *,
    site: str,
    unit: str = "",
    from_hour: int = 0,
    to_hour: int = FOREVER_S,
) -> Iterator[dict[str, list[Any]]]:
    """Judged hours of a unit, or of a site and its units, zone by zone, as blocks of columns."""
    z, c = t.zone.c, t.hour.c
    query = (
        select(z.zone_id, func.coalesce(t.unit.c.code, ""), z.code, z.kind, z.mould_class)
        .join_from(t.zone, t.site, t.site.c.site_id == z.site_id)
        .outerjoin(t.unit, t.unit.c.unit_id == z.unit_id)
        .where(t.unit.c.code == unit if unit else t.site.c.code == site)
        .order_by(t.unit.c.code.nulls_first(), z.zone_id)
    )
    for zone_id, of_unit, code, kind, mould_class in connection.execute(query).all():
        rows = (
            select(t.hour)
            .where(c.zone_id == zone_id, c.hour >= from_hour, c.hour < to_hour)
            .order_by(c.hour)
        )
        found = connection.execute(rows, execution_options={"yield_per": HOURS_A_BLOCK})
        names = list(found.keys())
        for part in found.partitions():
            block = dict(zip(names, map(list, zip(*part, strict=True)), strict=True))
            same = {"unit": of_unit, "zone": code, "kind": kind, "mould_class": mould_class}
            yield block | {name: [said] * len(part) for name, said in same.items()}


# --- which probes, where --------------------------------------------------------------------------

Segment = tuple[int, int, str, str]  # from, to, unit, zone


def _probes(connection: Connection, site: str) -> list[_Probe]:
    p, n = t.probe.c, t.node.c
    query = (
        select(p.probe_id, n.node_id, t.site.c.code, n.code, p.code)
        .join_from(t.probe, t.node)
        .join(t.site, t.site.c.site_id == n.site_id)
        .where(t.site.c.code == site)
        .order_by(n.code, p.code)
    )
    return [_Probe(*row) for row in connection.execute(query)]


def _labels(connection: Connection) -> dict[int, tuple[str, str]]:
    query = select(t.zone.c.zone_id, func.coalesce(t.unit.c.code, ""), t.zone.c.code)
    query = query.outerjoin_from(t.zone, t.unit)
    return {zone: (unit, code) for zone, unit, code in connection.execute(query)}


def _segments(
    connection: Connection, probe: int, labels: Mapping[int, tuple[str, str]], unit: str
) -> list[Segment]:
    """Where a probe was over all time, or only while it was in a unit."""
    found: list[Segment] = []
    since_s = 0
    for from_s, to_s, zone in judging.spans(connection, t.placement.c.probe_id == probe).get(
        probe, ()
    ):
        if not found and from_s > since_s:
            found.append((since_s, from_s, "", ""))
        found.append((from_s, to_s, *(labels[zone] if zone is not None else ("", ""))))
    if unit:
        return [segment for segment in found if segment[2] == unit]
    return found or [(since_s, FOREVER_S, "", "")]


# --- samples of one probe -------------------------------------------------------------------------


def _of_probe(
    connection: Connection,
    probe: _Probe,
    clock: _Clock,
    segments: Sequence[Segment],
    span_s: tuple[int, int],
) -> Iterator[Sample]:
    others = _disputes(connection, probe.probe_id)
    pending = connection.exec_driver_sql(_UNTIMED, (probe.probe_id,)).all()
    for untimed in pending if clock.is_whole else ():
        yield from _given(probe, clock, dict(zip(_READING, untimed, strict=True)), others, ("", ""))
    for from_s, to_s, unit, zone in segments:
        start_s, end_s = max(from_s, span_s[0]), min(to_s, span_s[1])
        for row in _rows(connection, probe.probe_id, start_s, end_s):
            yield from _given(probe, clock, row, others, (unit, zone))


def _rows(connection: Connection, probe: int, from_s: int, to_s: int) -> Iterator[Row]:
    """Timed rows in [from_s, to_s), in order; a period at a time, and no empty one is looked at."""
    while from_s < to_s:
        nexts = [
            connection.exec_driver_sql(sql, {"probe": probe, "at_s": from_s}).scalar()
            for sql in (_NEXT_FRESH, _NEXT_SEALED)
        ]
        known = [at_s for at_s in nexts if at_s is not None]
        if not known:
            return
        from_s = max(min(known), from_s)
        end_s = min((from_s // sealing.PERIOD_S + 1) * sealing.PERIOD_S, to_s)
        if from_s >= end_s:
            return
        fresh = connection.exec_driver_sql(_FRESH, (probe, from_s, end_s)).all()
        rows: list[Row] = [dict(zip(_READING, row, strict=True)) for row in fresh]
        rows += sealing.whole(connection, probe, from_s=from_s, to_s=end_s)
        rows.sort(key=lambda row: (row["at_s"], row["boot"], row["seq"]))
        yield from rows
        from_s = end_s


def _disputes(connection: Connection, probe: int) -> dict[tuple[int, int], list[Row]]:
    c = t.dispute.c
    query = select(t.dispute).where(c.probe_id == probe).order_by(c.boot, c.seq, c.digest)
    found: dict[tuple[int, int], list[Row]] = {}
    for row in map(dict, connection.execute(query).mappings()):
        found.setdefault((row["boot"], row["seq"]), []).append(row)
    return found


def _given(
    probe: _Probe,
    clock: _Clock,
    row: Row,
    others: Mapping[tuple[int, int], list[Row]],
    place: tuple[str, str],
) -> Iterator[Sample]:
    """A row as a sample, and its other values."""
    boot = row["boot"]
    uptime_s: int | None = row.get("uptime_s")
    basis: TimeBasis = "told" if row["at_s"] is not None else "pending"
    if uptime_s is not None or basis == "pending":
        basis = "worked out" if basis == "told" else basis
        clock.asked.add(boot)
    else:
        uptime_s = clock.pairs.get(boot, {}).get(row["at_s"])
        if uptime_s is not None:
            clock.told.add((boot, row["at_s"]))
    is_disputed = row["disputed"] is not None
    reading = _reading(probe, row, uptime_s)
    yield Sample(reading, row["received_s"], basis, is_disputed, *place)
    if is_disputed:
        for other in others.get((boot, row["seq"]), ()):
            kind: TimeBasis = "pending" if other["at_s"] is None else "told"
            reading = _reading(probe, other, None)
            yield Sample(reading, other["received_s"], kind, True, *place)  # noqa: FBT003  disputed


def _reading(probe: _Probe, row: Row, uptime_s: int | None) -> Reading:
    counted = row["boot"] >= 0
    contact = row["contact"]
    return Reading(
        site=probe.site,
        node=probe.node,
        probe=probe.code,
        boot=row["boot"] if counted else None,
        seq=row["seq"] if counted else None,
        at_s=row["at_s"],
        uptime_s=uptime_s,
        silence_s=row["silence_s"],
        temperature_c=_hundredths(row["temperature_c100"]),
        humidity_percent=_hundredths(row["humidity_p100"]),
        wood_percent=_hundredths(row["wood_p100"]),
        contact=None if contact is None else bool(contact),
        rain_mm=_hundredths(row["rain_mm100"]),
        pressure_pa=row["pressure_pa"],
        co2_ppm=row["co2_ppm"],
        battery_percent=row["battery_p"],
        signal_dbm=row["signal_dbm"],
    )


def _hundredths(value: int | None) -> float | None:
    return None if value is None else value / 100


# --- clocks ---------------------------------------------------------------------------------------


def _clock(connection: Connection, node: int) -> _Clock:
    c = t.anchor.c
    query = select(c.boot, c.at_s, c.uptime_s).where(c.node_id == node)
    clock = _Clock()
    for boot, at_s, uptime_s in connection.execute(query.order_by(c.boot, c.uptime_s)):
        if clock.pairs.setdefault(boot, {}).setdefault(at_s, uptime_s) != uptime_s:
            clock.rest.append((boot, at_s, uptime_s))
    return clock


def _left(probe: _Probe, clock: _Clock, from_s: int, to_s: int) -> Iterator[Sample]:
    """Pairs that no sample here gives: all of a boot with a time that is not told, else of the span."""
    untold = [
        (boot, at_s, uptime_s)
        for boot, pairs in clock.pairs.items()
        for at_s, uptime_s in pairs.items()
        if (boot, at_s) not in clock.told
    ]
    for boot, at_s, uptime_s in (*untold, *clock.rest):
        if (clock.is_whole and boot in clock.asked) or from_s <= at_s < to_s:
            pair = Reading(
                site=probe.site, node=probe.node, probe="", boot=boot, at_s=at_s, uptime_s=uptime_s
            )
            yield Sample(pair, at_s, "clock")
