"""What the record holds in the form in which the archive gives it back, and a small lot to mirror."""

from collections.abc import Iterator
from contextlib import closing
from typing import Any

import numpy as np
from sqlalchemy import select, text

from monitor.config import Archive
from monitor.lot import Site, Unit, Zone
from monitor.store import Due, Mirror, Record, influx, sealing
from monitor.store import schema as t
from monitor.store.influx import HOUR, READING, Server, archived_hours, archived_readings
from monitor.store.judging import _TEXT, _WHOLE
from monitor.store.rows import AlarmWork
from sensors.wire import Reading

T0 = 1_764_000_000  # 2025-11-24T16:00:00Z, the start of an hour
H0 = T0 // 3600
ALL_S, ALL_HOURS = (0, 2**33), (0, 2**33 // 3600)


def lot(record: Record, *, units: int = 2) -> None:
    """Units of one zone each, and outside air."""
    record.add_site(Site("yard"))
    record.add_zone("yard", Zone("", "outside", kind="outside"))
    for number in range(units):
        record.add_unit(Unit(f"rv{number}", "yard"))
        record.add_zone("yard", Zone(f"rv{number}", "off-rear-low"))


def sample(seq: int, *, node: str = "n0", **values: Any) -> Reading:
    given = {"boot": 1, "at_s": T0 + 600 * seq, "temperature_c": 5.0 + seq % 100 / 100}
    return Reading(site="yard", node=node, seq=seq, **(given | values))


def hours(from_hour: int, to_hour: int, **columns: Any) -> dict[str, Any]:
    """Hours of a zone as the judge gives them."""
    count = to_hour - from_hour
    table: dict[str, Any] = {}
    for name in HOUR:
        blank = np.full(count, "dry" if name == "state" else "")
        table[name] = blank if name in _TEXT else np.full(count, np.nan)
        if name in _WHOLE or name == "coverage_percent":
            table[name] = np.zeros(count, dtype=np.int64)
    table["hour"] = np.arange(from_hour, to_hour)
    return table | {name: np.asarray(values) for name, values in columns.items()}


def judge(record: Record, unit: str, table: dict[str, Any], *, from_hour: int) -> None:
    """Replace the hours of a unit's zone from an hour on."""
    record.keep_judgement(
        Due(unit, from_hour, 0),
        from_hour=from_hour,
        to_hour=int(table["hour"][-1]) + 1 if len(table["hour"]) else from_hour,
        rows={"off-rear-low": table},
        checkpoints=(),
        version="1",
        alarms=AlarmWork(),
        now_s=T0,
    )


def held_readings(record: Record) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """All readings with a time, by node and probe, fresh and sealed."""
    c = t.reading.c
    probes = select(t.probe.c.probe_id, t.node.c.code, t.probe.c.code).join(t.node)
    found = {}
    with record.engine.connect() as db:
        for probe, *codes in db.execute(probes).all():
            query = select(*(c[name] for name in READING)).where(c.probe_id == probe, c.at_s > 0)
            rows = [dict(row) for row in db.execute(query).mappings()]
            old = sealing.whole(db, probe, from_s=ALL_S[0], to_s=ALL_S[1])
            rows += [{name: row[name] for name in READING} for row in old]
            found[*codes,] = sorted(rows, key=influx_time)
    return found


def influx_time(row: dict[str, Any]) -> int:
    return influx.reading_time(row["at_s"], row["boot"], row["seq"])


def held_hours(record: Record) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """All hours by unit and zone."""
    query = text(
        "SELECT coalesce(u.code, '') unit, z.code zone, h.* FROM hour h"
        " JOIN zone z ON z.zone_id = h.zone_id LEFT JOIN unit u ON u.unit_id = z.unit_id"
        " ORDER BY h.zone_id, h.hour"
    )
    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    with record.engine.connect() as db:
        for row in db.execute(query).mappings():
            found.setdefault((row["unit"], row["zone"]), []).append({n: row[n] for n in HOUR})
    return found


def given_back(server: Server, record: Record) -> tuple[Any, Any]:
    """The same from the archive, for the probes and zones of the record."""
    readings = {
        (node, probe): list(
            archived_readings(
                server, site="yard", node=node, probe=probe, from_s=ALL_S[0], to_s=ALL_S[1]
            )
        )
        for node, probe in held_readings(record)
    }
    given = {
        (unit, zone): list(
            archived_hours(
                server,
                site="yard",
                unit=unit,
                zone=zone,
                from_hour=ALL_HOURS[0],
                to_hour=ALL_HOURS[1],
            )
        )
        for unit, zone in zones(record)
    }
    return readings, {place: rows for place, rows in given.items() if rows}


def zones(record: Record) -> Iterator[tuple[str, str]]:
    for unit in ("", *(unit.code for unit in record.units())):
        yield from (
            (unit, zone.code)
            for zone in (record.zones(unit) if unit else record.site_zones("yard"))
        )


def assert_equal(settings: Archive, record: Record) -> None:
    """The archive holds what the record holds, each once."""
    with closing(Server(settings)) as server:
        readings, of_zones = given_back(server, record)
    assert readings == held_readings(record)
    assert of_zones == held_hours(record)


def mirrored(mirror: Mirror) -> int:
    """Send all that is waiting; how many points."""
    points = 0
    while sent := mirror.step():
        points += sent
    return points
