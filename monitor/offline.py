"""History files judged without broker or record: what `sillkeep judge` does."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor import alarms, judge, text
from monitor.judge import proofs
from monitor.judge.day import DAY_H
from monitor.judge.hours import HOUR_S
from monitor.lot import Event, Zone, ZoneReadings, silent_after_s

Table = dict[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Found:
    """One alarm condition of a history, from when it began to when it ended (None: it stands)."""

    raised_s: int
    unit: str
    zone: str
    kind: str
    class_: str
    cleared_s: int | None
    cause: str
    text: str


@dataclass(frozen=True, slots=True)
class Proven:
    """A revision of the proof of one repair, from `time_s` on."""

    unit: str
    zone: str
    time_s: int
    verdict: str
    size_ml: float
    missing: str


def judge_history(
    readings: Mapping[tuple[str, str], ZoneReadings],
    zones: Mapping[tuple[str, str], Zone],
    events: Sequence[Event],
    *,
    altitude_m: float = 0.0,
) -> Iterator[tuple[Table, list[Found], list[Proven]]]:
    """Judge a history, one unit after the other.

    Parameters
    ----------
    readings : mapping of (unit, zone) to ZoneReadings
        Unit "" is the site's own outside air and rain gauge.
    zones : mapping of (unit, zone) to Zone
        One for each series of readings.
    events : sequence of Event
        Unit "" is the whole site.
    altitude_m : float
        Of the site. [m]

    Yields
    ------
    tuple of HOURS columns, alarms and revisions of proofs
        The site's own zones first, then units; within one in order of zone, then time.
    """
    site = {zone: series for (unit, zone), series in readings.items() if not unit}
    around = _site_hours(site, altitude_m=altitude_m) if site else {}
    if around:
        labelled = [_labelled("", code, "outside", table) for code, table in around.items()]
        yield _joined(labelled), [], []
    for unit in sorted({unit for unit, _ in readings if unit}):
        own = {zone: series for (u, zone), series in readings.items() if u == unit}
        # a zone that is declared as watched and was never heard is unknown, not absent
        unheard = {
            z for (u, z), zone in zones.items() if u == unit and zone.watched_from_s is not None
        }
        watched = judge.Watched(
            unit=unit,
            zones=tuple(zones[unit, zone] for zone in sorted(own.keys() | unheard)),
            readings=own,
            site=site,
            events=tuple(e for e in events if e.unit in {"", unit}),
            settling_s={zone: [_began(zones[unit, zone], series)] for zone, series in own.items()},
            altitude_m=altitude_m,
        )
        hours, changes = _judge_unit(watched)
        tables = [
            _labelled(unit, z.code, z.kind, hours[z.code]) for z in watched.zones if z.code in hours
        ]
        seen = hours | {f"/{code}": table for code, table in around.items()}
        spans = {(c.zone, c.raised_s): c.cleared_s for c in changes if c.kind == "sensor suspect"}
        doubts = [(zone, from_s, to_s) for (zone, from_s), to_s in spans.items()]
        proven = proofs.follow(watched.zones, watched.events, proofs.trusted(seen, doubts))
        changes += [*proofs.stall_changes(proven), *proofs.failures(proven)]
        revisions = [revision for proof in proven for revision in _proven(unit, proof)]
        yield _joined(tables), _alarms_of(watched, changes), revisions


def _joined(tables: Sequence[Table]) -> Table:
    return {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}


def proof_columns(proven: Sequence[Proven]) -> dict[str, list[Any]]:
    """Columns of the PROOF file."""
    return {
        "unit": [revision.unit for revision in proven],
        "zone": [revision.zone for revision in proven],
        "time": [revision.time_s for revision in proven],
        "verdict": [revision.verdict for revision in proven],
        "size_ml": [revision.size_ml for revision in proven],
        "missing": [revision.missing for revision in proven],
    }


def alarm_columns(found: Sequence[Found]) -> dict[str, list[Any]]:
    """Columns of the ALARMS file."""
    return {
        "raised": [alarm.raised_s for alarm in found],
        "unit": [alarm.unit for alarm in found],
        "zone": [alarm.zone for alarm in found],
        "kind": [alarm.kind for alarm in found],
        "class": [alarm.class_ for alarm in found],
        "cleared": [alarm.cleared_s for alarm in found],
        "cause": [alarm.cause for alarm in found],
        "text": [alarm.text for alarm in found],
    }


def _began(zone: Zone, series: ZoneReadings) -> int:
    return zone.watched_from_s if zone.watched_from_s is not None else int(series.at_s[0])


def _judge_unit(watched: judge.Watched) -> tuple[dict[str, Table], list[judge.AlarmChange]]:
    first, last = _span(watched.readings)
    judgement = judge.advance(
        watched,
        None,
        from_day=first // (DAY_H * HOUR_S),
        to_hour=last // HOUR_S + 1,
        checkpoints=False,
    )
    return judgement.hours, judgement.alarms


def _alarms_of(watched: judge.Watched, changes: Sequence[judge.AlarmChange]) -> list[Found]:
    in_use = any(event.kind in {"occupied", "water on"} for event in watched.events)
    found = _paired(watched.unit, changes, in_use=in_use)
    for zone, series in watched.readings.items():
        found += _silences(watched.unit, zone, series)
    return sorted(found, key=lambda alarm: (alarm.zone, alarm.raised_s))


# --- proof ----------------------------------------------------------------------------------------


def _proven(unit: str, proof: proofs.Proof) -> list[Proven]:
    """Revisions of the proof of one repair.

    From files: the bench check and the photo of the source are always missing, and the verdict is
    that of the readings.
    """
    return [
        Proven(unit, proof.zone, r.at_s, r.verdict, r.size_ml, "; ".join(r.missing))
        for r in proof.followed.revisions
    ]


def _site_hours(site: Mapping[str, ZoneReadings], *, altitude_m: float) -> dict[str, Table]:
    """Hours of the site's own zones: measured and worked out, never judged."""
    zones = tuple(Zone(unit="", code=code, kind="outside") for code in sorted(site))
    watched = judge.Watched(unit="", zones=zones, readings=site, altitude_m=altitude_m)
    return _judge_unit(watched)[0]


def _span(readings: Mapping[str, ZoneReadings]) -> tuple[int, int]:
    heard = [series.at_s for series in readings.values() if len(series.at_s)]
    return min(int(at[0]) for at in heard), max(int(at[-1]) for at in heard)


def _labelled(unit: str, zone: str, kind: str, hours: Table) -> Table:
    count = len(hours["hour"])
    return {
        **hours,
        "time": hours["hour"] * HOUR_S,
        "unit": np.full(count, unit, dtype=object),
        "zone": np.full(count, zone, dtype=object),
        "kind": np.full(count, kind, dtype=object),
    }


def _paired(unit: str, changes: Sequence[judge.AlarmChange], *, in_use: bool) -> list[Found]:
    """One row an alarm: its beginning, with its end where it has one."""
    found: dict[tuple[str, str, int, str], Found] = {}
    for change in changes:
        key = (change.zone, change.kind, change.raised_s, str(change.facts.get("name", "")))
        if change.cleared_s is not None:
            found[key] = replace(found[key], cleared_s=change.cleared_s)
            continue
        cause = str(change.facts.get("cause", ""))
        class_ = alarms.alarm_class(
            change.kind,
            cause=cause,
            in_use=in_use,
            weather_explains=text.weather_explains(change.facts),
        )
        said = text.alarm_text(
            change.kind, zone=change.zone, alarm_class=class_, facts=change.facts
        )
        found[key] = Found(
            change.raised_s, unit, change.zone, change.kind, class_, None, cause, said
        )
    return list(found.values())


def _silences(unit: str, zone: str, series: ZoneReadings) -> list[Found]:
    """Gaps longer than the silence rule allows."""
    limit_s = series.at_s + silent_after_s(series.silence_s)
    gaps = np.flatnonzero(series.at_s[1:] > limit_s[:-1])
    class_ = alarms.alarm_class("silent")
    return [
        Found(
            raised_s=int(limit_s[gap]),
            unit=unit,
            zone=zone,
            kind="silent",
            class_=class_,
            cleared_s=int(series.at_s[gap + 1]),
            cause="",
            text=text.alarm_text(
                "silent",
                zone=zone,
                alarm_class=class_,
                facts={"since": text.moment(int(series.at_s[gap]))},
            ),
        )
        for gap in gaps.tolist()
    ]
