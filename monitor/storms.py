"""A unit's words after rain, from the record: for its page, and for a message to its owner."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor import text
from monitor.judge import storms
from monitor.judge.storms import Answer, Storm
from monitor.lot import AlarmKind, Unit
from monitor.store import Alarm, Record
from monitor.times import time_zone

HOUR_S = 3600
DAYS = 14  # looked back on
EDGE_H = 48  # before them: where a storm that is shown began, and the day before it
SPEAKS: frozenset[AlarmKind] = frozenset({"leak suspect", "wet", "water contact"})


@dataclass(frozen=True, slots=True)
class Rain:
    """Storms of the days looked back on, oldest first: with their answers, or None where it is too early.

    `known`: whether anybody measured rain for at least half of that time.
    """

    answers: tuple[tuple[Storm, Answer | None], ...]
    known: bool


def of(record: Record, unit: Unit, *, now_s: int, days: int = DAYS) -> Rain:
    """A unit's storms of the last `days` and what it has to say of each."""
    to_hour = now_s // HOUR_S
    from_hour = to_hour - days * 24 - EDGE_H
    hours = record.unit_hours(unit.code, from_hour=from_hour, to_hour=to_hour)

    def course(code: str, name: str) -> NDArray[np.float64]:
        line = np.full(to_hour - from_hour, np.nan)
        line[hours[code]["hour"] - from_hour] = hours[code][name]
        return line

    gauges = [course(code, "rain_mm") for code in hours if code.startswith("/")]
    rain = _wettest(gauges, to_hour - from_hour)
    kinds = {zone.code: zone.kind for zone in record.zones(unit.code) if zone.code in hours}
    moisture = {code: course(code, "wood_moisture_percent") for code in kinds}
    alarms = [a for a in record.alarms(unit=unit.code) if a.withdrawn_s is None]
    found: list[tuple[Storm, Answer | None]] = []
    for storm in storms.storms(rain, from_hour=from_hour):
        if storm.from_hour < from_hour + EDGE_H:
            continue
        said = None
        if storm.answer_hour <= to_hour:
            said = storms.answer(
                storm,
                moisture,
                kinds,
                from_hour=from_hour,
                alarmed=_standing(alarms, SPEAKS, storm),
                damp=_standing(alarms, {"damp"}, storm) | _was_damp(record, unit, kinds, storm),
            )
        found.append((storm, said))
    return Rain(tuple(found), bool((~np.isnan(rain)).mean() >= 0.5))


def line(storm: Storm, said: Answer | None, *, timezone: str) -> str:
    """One storm in one line, with its day on the site's wall clock."""
    return text.storm_text(
        word="too early" if said is None else said.word,
        day=text.day_of(storm.from_hour * HOUR_S, time_zone(timezone)),
        rain_mm=storm.rain_mm,
        zone=said.zone if said else "",
        rise_percent=said.rise_percent if said else float("nan"),
        unheard=said.unheard if said else (),
    )


def _standing(alarms: Iterable[Alarm], kinds: Collection[AlarmKind], storm: Storm) -> set[str]:
    """Zones where an alarm of some kinds stood between a storm's first rain and its answer.

    A leak suspect stands until somebody inspects it.
    """
    from_s, to_s = storm.from_hour * HOUR_S, storm.answer_hour * HOUR_S
    return {
        alarm.zone
        for alarm in alarms
        if alarm.kind in kinds
        and alarm.raised_s < to_s
        and (alarm.cleared_s is None or alarm.cleared_s > from_s)
    }


def _was_damp(record: Record, unit: Unit, zones: Iterable[str], storm: Storm) -> set[str]:
    """Zones whose word was damp or wet then: in the cold a zone is damp without an alarm."""
    span = {"from_hour": storm.from_hour, "to_hour": storm.answer_hour}
    return {
        zone
        for zone in zones
        if any(row["state"] in {"damp", "wet"} for row in record.hours(unit.code, zone, **span))
    }


def _wettest(gauges: Sequence[NDArray[np.float64]], count: int) -> NDArray[np.float64]:
    """The wetter of the gauges, hour by hour; nan where none of them knows."""
    found = np.full(count, np.nan)
    for gauge in gauges:
        found = np.fmax(found, gauge)
    return found
