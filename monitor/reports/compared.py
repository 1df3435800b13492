"""Hours of a packet beside those that its readings give: each of them, both ways round."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from monitor import judge
from monitor.errors import InputError
from monitor.judge import proofs
from monitor.lot import Event, Zone, ZoneReadings
from monitor.reports.packed import (
    DAY_H,
    DAY_S,
    FORMAT,
    HOUR_S,
    WARMS_UP_H,
    Lines,
    Table,
    read_readings,
    written_number,
)
from monitor.times import parse_time
from monitor.written import rfc3339

MOST_DAYS = 1_000  # from the first reading to the last
LEAST_HOURS = 24  # compared with the readings, in all: fewer are no comparison


@dataclass(slots=True)
class Compared:
    """Hours of the packet beside those of its readings: what differs, and how many were compared."""

    form: int
    problem: str = ""
    of_zone: dict[str, tuple[int, int]] = field(default_factory=dict)

    def counts(self) -> str:
        """How many of each zone's hours were compared."""
        done = sum(compared for compared, _ in self.of_zone.values())
        each = ", ".join(f"{zone} {k} of {n}" for zone, (k, n) in sorted(self.of_zone.items()))
        return f"{done} hours compared with the readings: {each}"

    def unseen(self) -> str:
        """What of the verdict was compared with nothing."""
        missed = [f"{n - k} of {zone}" for zone, (k, n) in sorted(self.of_zone.items()) if k < n]
        hours = f"hours not compared with readings: {', '.join(missed)}" if missed else ""
        rain = "" if self.form == FORMAT else "nor is the rain of its zones"
        return ", ".join(filter(None, (hours, rain)))


def compare(
    zones: Sequence[Zone],
    events: Sequence[Event],
    hours: Mapping[str, Table],
    readings: Lines,
    manifest: Mapping[str, Any],
) -> Compared:
    """Compare every hour with what the readings give, and the other way round."""
    found = Compared(manifest["format"])
    series = read_readings(readings)
    heard = [held.at_s for held in series.values() if len(held.at_s)]
    if not heard:
        found.problem = "there are no readings"
        return found
    first = min(int(at[0]) for at in heard) // HOUR_S
    to_hour = parse_time(manifest["as_of"]) // HOUR_S
    if not 0 < to_hour - first <= MOST_DAYS * DAY_H:
        raise InputError("its readings are of another time than its proof")
    made = _made_hours(zones, events, series, (first, to_hour), manifest)
    if found.form == FORMAT:
        begins = parse_time(manifest["from"])
        found.problem = _cut_short(hours, made, begins, manifest)
        starts = dict.fromkeys(hours, begins // HOUR_S)
    else:
        begun = {zone: _first_figure(table) for zone, table in hours.items()}
        found.problem = _begun_late(hours, made, begun)
        starts = {zone: hour + WARMS_UP_H for zone, hour in begun.items()}
    for zone, table in hours.items():
        problem, compared = _unlike(zone, table, made.get(zone), found.form, starts[zone])
        found.problem = found.problem or problem
        found.of_zone[zone] = (compared, len(table["hour"]))
    done = sum(compared for compared, _ in found.of_zone.values())
    if not found.problem and done < LEAST_HOURS:
        found.problem = f"the readings are of {done} of its hours: too few to compare"
    return found


def _made_hours(
    zones: Sequence[Zone],
    events: Sequence[Event],
    series: Mapping[tuple[str, str], ZoneReadings],
    span: tuple[int, int],
    manifest: Mapping[str, Any],
) -> dict[str, Table]:
    """Hours as the readings give them, of every zone from the first reading of any on."""
    first, to_hour = span
    from_s = first // DAY_H * DAY_S
    own = {zone: held for (unit, zone), held in series.items() if unit}
    site = {zone: held for (unit, zone), held in series.items() if not unit}
    watched = judge.Watched(
        unit=manifest["unit"],
        zones=tuple(replace(zone, watched_from_s=from_s) for zone in zones if zone.unit),
        readings=own,
        site=site,
        events=tuple(events),
        altitude_m=manifest["altitude_m"],
        sources={zone.code: zone.source for zone in zones if not zone.unit},
    )
    yard = replace(
        watched,
        unit="",
        zones=tuple(Zone("", code, "outside", watched_from_s=from_s) for code in sorted(site)),
        readings=site,
        site={},
        events=(),
    )
    made: dict[str, Table] = {}
    for whose, mark in ((watched, ""), (yard, "/")):
        if whose.readings:
            judged = judge.advance(
                whose, None, from_day=first // DAY_H, to_hour=to_hour, checkpoints=False
            )
            made |= {f"{mark}{zone}": table for zone, table in judged.hours.items()}
    return made


def _cut_short(
    hours: Mapping[str, Table],
    made: Mapping[str, Table],
    begins_s: int,
    manifest: Mapping[str, Any],
) -> str:
    """Hours that the readings give and the packet leaves out; or that lie before its beginning."""
    if begins_s > parse_time(manifest["repaired"]) - proofs.BEFORE_DAYS * DAY_S:
        return f"it begins later than {proofs.BEFORE_DAYS} days before the repair"
    first = begins_s // HOUR_S
    for zone, table in hours.items():
        if int(table["hour"].min()) < first:
            return f"hours of {zone} are of before its beginning"
    for zone, table in made.items():
        known = set(hours[zone]["hour"].tolist()) if zone in hours else set()
        heard = ~np.isnan(table["temperature_c"]) & (table["hour"] >= first)
        heard |= ~np.isnan(table["wood_moisture_percent"]) & (table["hour"] >= first)
        lost = [hour for hour in table["hour"][heard].tolist() if hour not in known]
        if lost:
            return f"the hour of {zone} at {rfc3339(lost[0] * HOUR_S)} is left out: it has readings"
    return ""


def _names(zone: str, form: int) -> tuple[str, ...]:
    """Columns that are compared."""
    if zone.startswith("/"):
        return ("temperature_c", "coverage_percent", "rain_mm")
    names = ("temperature_c", "wood_moisture_percent", "coverage_percent")
    return (*names, "rain_mm") if form == FORMAT else names


def _first_figure(table: Table) -> int:
    """First hour in which something was measured; the one after the last, if nothing was."""
    names = ("temperature_c", "wood_moisture_percent")
    at = np.flatnonzero(np.any([~np.isnan(table[name]) for name in names], axis=0))
    return int(table["hour"][at[0]]) if len(at) else int(table["hour"].max()) + 1


def _begun_late(
    hours: Mapping[str, Table], made: Mapping[str, Table], begun: Mapping[str, int]
) -> str:
    """A zone whose readings do not reach back to its first figure, in words."""
    for zone, first in begun.items():
        here = hours[zone]["hour"] == first
        if not here.any():
            continue
        there = made[zone]["hour"] == first if zone in made else np.zeros(0, dtype=np.bool_)
        given = made[zone]["temperature_c"][there].tolist() if there.any() else [float("nan")]
        if [written_number(value) for value in given] != [
            written_number(value) for value in hours[zone]["temperature_c"][here].tolist()
        ]:
            return f"the readings of {zone} begin after its first hour, {rfc3339(first * HOUR_S)}"
    return ""


def _unlike(
    zone: str, table: Table, made: Table | None, form: int, from_hour: int
) -> tuple[str, int]:
    """First hour that differs in the digits that are written, in words; and how many were compared.

    Hours without a reading are nan in all: any figure there is invented.
    """
    made = made or {}
    place = {int(hour): number for number, hour in enumerate(made.get("hour", ()))}
    compared, names = 0, _names(zone, form)
    for number, hour in enumerate(table["hour"].tolist()):
        if hour < from_hour:
            continue
        at = place.get(int(hour))
        for name in names:
            given = "" if at is None else written_number(made[name][at])
            if written_number(table[name][number]) != given:
                at_text = rfc3339(int(hour) * HOUR_S)
                return f"the readings of {zone} do not give its {name} at {at_text}", compared
        compared += 1
    return "", compared
