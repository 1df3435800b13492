"""Repairs of one unit and the hours that prove them: the same for history files and the record.

A zone is watched from `BEFORE_DAYS` before its repair up to its next one. Snow wets nothing until
it thaws: rain in an hour at 0.5 °C or below outside, or on a day that somebody noted as `snow`, is 0.
While the unit stood elsewhere neither its rain nor its walls are known (`moved`: away, back).
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from itertools import zip_longest
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.evidence import drying
from monitor.evidence.drying import VERSION, Benched, Revision, Shown
from monitor.evidence.leak import SNOW_C
from monitor.judge.day import DAY_H, first_known
from monitor.judge.findings import AlarmChange
from monitor.judge.hours import HOUR_S
from monitor.judge.leaks import away
from monitor.lot import STRUCTURE_KINDS, AlarmKind, CaseNote, Event, Placement, Zone

__all__ = [
    "BEFORE_DAYS",
    "VERSION",
    "Checked",
    "Course",
    "Proof",
    "Repaired",
    "Revision",
    "Shown",
    "course",
    "digests",
    "failures",
    "follow",
    "goal_before",
    "repairs",
    "shown",
    "stall_changes",
    "trusted",
]

BEFORE_DAYS = 60  # what a leak did before its repair; the proof's rates of error were counted so
READ = ("temperature_c", "wood_moisture_percent", "coverage_percent", "rain_mm")
GOAL_DAYS = 21  # before a repair, that set its drying goal
MOST_DAYS = (
    730  # two years on, another spring says little of the work: a proof is followed no longer
)

FAILED: AlarmKind = "did not stay dry"

Table = Mapping[str, NDArray[Any]]
Floats = NDArray[np.float64]
Hours = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Repaired:
    """One repair of a structural zone, with the watch over it; `value` is what was noted."""

    zone: Zone
    at_s: int
    value: str
    ended_s: int | None  # by the zone's next repair
    repair: drying.Repair
    watch: drying.Watch


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """How the proof of one repair went, and how it stands."""

    zone: str
    repaired_s: int
    ended_s: int | None
    value: str
    followed: drying.Followed


@dataclass(frozen=True, slots=True)
class Checked:
    """A bench check of a probe: what has to be added to its humidity, in %RH."""

    node: str
    probe: str
    at_s: int
    offset_percent: float


Key = tuple[str, int]  # zone, and when it was repaired


def shown(
    zones: Sequence[Zone],
    events: Sequence[Event],
    *,
    notes: Sequence[CaseNote],
    placements: Sequence[Placement],
    checks: Sequence[Checked],
) -> dict[Key, Shown]:
    """What the record of a unit shows of each of its repairs beside readings.

    Parameters
    ----------
    zones, events
        As in `follow`.
    notes : sequence of CaseNote
        Of the unit's repairs, in the order they were recorded: each counts from then on.
    placements : sequence of Placement
        Which probes watched the unit's zones.
    checks : sequence of Checked
        Of those probes.
    """
    found: dict[Key, Shown] = {}
    for zone in zones:
        watching = {zone.code, zone.dry_twin} - {""}
        benched = tuple(
            Benched(
                p.from_s,
                p.to_s,
                tuple(
                    (c.at_s, c.offset_percent)
                    for c in checks
                    if (c.node, c.probe) == (p.node, p.probe)
                ),
            )
            for p in placements
            if p.zone in watching and p.unit == zone.unit
        )
        for at_s in _noted(events, zone.code):
            own = [note for note in notes if (note.zone, note.repaired_s) == (zone.code, at_s)]
            found[zone.code, at_s] = Shown(
                photo_s=tuple(note.recorded_s for note in own if note.kind == "photo"),
                benched=benched,
                goals=tuple((n.recorded_s, float(n.value)) for n in own if n.kind == "goal"),
                reached_s=tuple(
                    n.recorded_s for n in own if n.kind == "challenge" and n.value.endswith(": yes")
                ),
            )
    return found


def goal_before(
    zones: Sequence[Zone], events: Sequence[Event], hours: Mapping[str, Table], code: str, at_s: int
) -> float:
    """The drying goal of a zone as its like zones stood in the 21 days before a time; nan: unknown.

    The zone's own dry twin if it has one; parameters as in `follow`. [%MC above the dry standard]
    """
    zone = next(one for one in zones if one.code == code)
    stop = at_s // HOUR_S
    span = (stop - GOAL_DAYS * DAY_H, stop)
    like = _unaffected(zones, events, hours, zone)
    columns = [_aligned(hours[other], "wood_moisture_percent", span) for other in like]
    return drying.goal_of(np.array(columns).reshape(-1, span[1] - span[0]))


def follow(
    zones: Sequence[Zone],
    events: Sequence[Event],
    hours: Mapping[str, Table],
    shown: Mapping[Key, Shown] | None = None,
) -> list[Proof]:
    """Follow every repair of a unit.

    Parameters
    ----------
    zones : sequence of Zone
        The unit's own.
    events : sequence of Event
        Of the unit and of its whole site.
    hours : mapping of zone code to columns of the HOURS file
        Of the unit's zones, and of its site's with a slash before their code. Read are `hour`,
        `wood_moisture_percent`, `coverage_percent`, `rain_mm` and `temperature_c`.
    shown : mapping, optional
        What the record shows beside readings, by zone and time of repair; None: files alone.

    Returns
    -------
    list of Proof
        By zone as they are given, then by time.
    """
    return [
        Proof(
            zone=one.zone.code,
            repaired_s=one.at_s,
            ended_s=one.ended_s,
            value=one.value,
            followed=drying.follow(
                watch=one.watch,
                repair=one.repair,
                shown=None
                if shown is None
                else shown.get((one.zone.code, one.at_s), drying.Shown()),
            ),
        )
        for one in repairs(zones, events, hours)
    ]


def repairs(
    zones: Sequence[Zone], events: Sequence[Event], hours: Mapping[str, Table]
) -> Iterator[Repaired]:
    """Every repair of a structural zone that was watched when it was repaired; as in `follow`."""
    outside = [code for code in sorted(hours) if code.startswith("/")]
    outside = [z.code for z in zones if z.kind == "outside" and z.code in hours] + outside
    for zone in zones:
        if zone.kind not in STRUCTURE_KINDS or zone.code not in hours:
            continue
        noted = _noted(events, zone.code)
        for (at_s, value), following in zip_longest(noted.items(), list(noted)[1:]):
            span = _span(hours[zone.code], at_s, following)
            if span is None:
                continue
            like = _unaffected(zones, events, hours, zone)
            yield Repaired(
                zone=zone,
                at_s=at_s,
                value=value,
                ended_s=following,
                repair=drying.Repair(at_s, opened="opened" in value, moved="moved" in value),
                watch=_watch(zone.code, like, outside, hours, events, span),
            )


def digests(hours: Mapping[str, Table]) -> dict[tuple[str, int], str]:
    """SHA-256 of what a proof reads of each zone and UTC day, by (zone, day since the epoch).

    Over the hour numbers as 8-byte whole numbers, then each column of `READ` as 8-byte floats, both
    little-endian; what is not known is the one nan 0x7ff8000000000000.
    """
    found = {}
    for zone, table in hours.items():
        days = table["hour"] // DAY_H
        for day in np.unique(days).tolist():
            own = days == day
            said = table["hour"][own].astype("<i8").tobytes()
            for name in READ:
                values = table[name][own].astype("<f8")
                said += np.where(np.isnan(values), np.nan, values).astype("<f8").tobytes()
            found[zone, int(day)] = sha256(said).hexdigest()
    return found


def trusted(
    hours: Mapping[str, Table], doubts: Iterable[tuple[str, int, int | None]]
) -> dict[str, Table]:
    """The same hours without what a doubted probe said: it proves neither dry nor wet.

    `doubts` are (zone, from, to) of its `sensor suspect` alarms; None: it is doubted still.
    """
    kept = dict(hours)
    for zone, from_s, to_s in doubts:
        if zone not in kept:
            continue
        hour = kept[zone]["hour"]
        out = (hour >= from_s // HOUR_S) & (hour < (np.inf if to_s is None else to_s // HOUR_S))
        blank = {
            name: np.where(out, np.nan, kept[zone][name])
            for name in ("wood_moisture_percent", "coverage_percent")
        }
        kept[zone] = {**kept[zone], **blank}
    return kept


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What a proof is taken from, hour by hour, (H,): nan where it is not known."""

    from_hour: int
    moisture_percent: Floats
    standard_percent: Floats
    rain_mm: Floats
    wettings: Sequence[drying.Asked]


def course(one: Repaired) -> Course:
    """Moisture of a repaired zone, its dry standard, rain, and what each wetting was answered."""
    return Course(
        from_hour=one.watch.from_hour,
        moisture_percent=one.watch.moisture_percent,
        standard_percent=drying.standard(one.watch),
        rain_mm=one.watch.rain_mm,
        wettings=drying.follow(watch=one.watch, repair=one.repair).wettings,
    )


def stall_changes(proofs: Sequence[Proof]) -> list[AlarmChange]:
    """Beginnings and ends of `drying stalled`; the zone's next repair ends it too."""
    changes = []
    for proof in proofs:
        for stall in proof.followed.stalls:
            ended_s = stall.ended_s if stall.ended_s is not None else proof.ended_s
            facts = dict(stall.figures) | {"repaired_s": float(proof.repaired_s)}
            changes.append(AlarmChange(proof.zone, "drying stalled", stall.began_s, None, facts))
            if ended_s is not None:
                changes.append(
                    AlarmChange(proof.zone, "drying stalled", stall.began_s, ended_s, facts)
                )
    return changes


def failures(proofs: Sequence[Proof]) -> list[AlarmChange]:
    """Beginnings and ends of `did not stay dry`; the zone's next repair ends it too."""
    changes = []
    for proof in proofs:
        facts: dict[str, float | str] = {"repaired_s": float(proof.repaired_s)}
        began_s: int | None = None
        for revision in proof.followed.revisions:
            failed = revision.verdict == "did not stay dry"
            if failed and began_s is None:
                began_s = revision.at_s
                changes.append(AlarmChange(proof.zone, FAILED, began_s, None, facts))
            elif began_s is not None and not failed:
                changes.append(AlarmChange(proof.zone, FAILED, began_s, revision.at_s, facts))
                began_s = None
        if began_s is not None and proof.ended_s is not None:
            changes.append(AlarmChange(proof.zone, FAILED, began_s, proof.ended_s, facts))
    return changes


def _noted(events: Sequence[Event], zone: str) -> dict[int, str]:
    """What was done to a zone, by time; notes of one time belong together."""
    noted: dict[int, str] = {}
    for event in sorted(events, key=lambda e: e.at_s):
        if event.kind == "repair" and event.zone == zone:
            before = noted.get(event.at_s)
            noted[event.at_s] = f"{before}, {event.value}" if before else event.value
    return noted


def _span(own: Table, at_s: int, following_s: int | None) -> tuple[int, int] | None:
    """First hour of the watch and the one after its last; None where nobody watched the repair."""
    repaired = at_s // HOUR_S
    first, last = int(own["hour"][0]), int(own["hour"][-1]) + 1
    stop = last if following_s is None else min(last, following_s // HOUR_S)
    stop = min(stop, repaired + MOST_DAYS * DAY_H)
    start = max(first, repaired - BEFORE_DAYS * DAY_H)
    return None if repaired < first or stop <= start else (start, stop)


def _watch(
    code: str,
    like: Sequence[str],
    outside: Sequence[str],
    hours: Mapping[str, Table],
    events: Sequence[Event],
    span: tuple[int, int],
) -> drying.Watch:
    def aligned(zone: str, name: str) -> Floats:
        return _aligned(hours[zone], name, span)

    first, stop = span
    gone = _gone(events, span)
    celsius = first_known(
        np.array([aligned(zone, "temperature_c") for zone in outside]).reshape(-1, stop - first)
    )
    rain = aligned(code, "rain_mm")
    frozen = (celsius <= SNOW_C) | _snow_days(events, span)
    rain = np.where(frozen & np.isfinite(rain), 0.0, rain)
    moisture = aligned(code, "wood_moisture_percent")
    coverage = aligned(code, "coverage_percent") / 100.0
    noted = [
        drying.Wetting(e.at_s, e.kind, _millimetres(e.value))
        for e in events
        if e.kind in {"hose", "wash", "thaw"} and e.zone in {"", code}
    ]
    return drying.Watch(
        from_hour=first,
        moisture_percent=np.where(gone, np.nan, moisture),
        like_percent=np.array([aligned(zone, "wood_moisture_percent") for zone in like]).reshape(
            -1, stop - first
        ),
        coverage=np.where(gone, np.nan, coverage),
        rain_mm=np.where(gone, np.nan, rain),
        wettings=noted,
    )


def _unaffected(
    zones: Sequence[Zone], events: Sequence[Event], hours: Mapping[str, Table], zone: Zone
) -> list[str]:
    """The declared dry twin; else the unit's other zones of the kind without a repair of their own."""
    if zone.dry_twin in hours:
        return [zone.dry_twin]
    repaired = {e.zone for e in events if e.kind == "repair"}
    return [
        other.code
        for other in zones
        if other.kind == zone.kind and other.code in hours and other.code not in repaired
        if other.code != zone.code
    ]


def _aligned(table: Table, name: str, span: tuple[int, int]) -> Floats:
    """A column of a zone in the hours of a span; nan where it has none."""
    first, stop = span
    values = np.full(stop - first, np.nan)
    place = table["hour"] - first
    there = (place >= 0) & (place < stop - first)
    values[place[there]] = table[name][there]
    return values


def _gone(events: Sequence[Event], span: tuple[int, int]) -> Hours:
    """Hours of the days on which the unit stood elsewhere."""
    first, stop = span
    midnight = first // DAY_H * DAY_H
    gone = away(events, midnight, -(-(stop - midnight) // DAY_H))
    return np.repeat(gone, DAY_H)[first - midnight : stop - midnight]


def _snow_days(events: Sequence[Event], span: tuple[int, int]) -> Hours:
    """Hours of the days that somebody noted snow on."""
    days = [e.at_s // (DAY_H * HOUR_S) for e in events if e.kind == "snow"]
    snowed: Hours = np.isin(np.arange(*span) // DAY_H, days)
    return snowed


def _millimetres(value: str) -> float:
    try:
        return float(value)
    except ValueError:
        return float("nan")
