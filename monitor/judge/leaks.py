"""Leak evidence of whole days of one unit: score, episodes, and the cause of dampness."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.evidence import leak, verdict, weights
from monitor.judge.day import DAY_H, Days, Rows, Watched, first_known
from monitor.judge.doubts import Doubting
from monitor.judge.hours import HOUR_S, Floats, Ints, rounded
from monitor.judge.memory import UnitMemory, ZoneMemory
from monitor.lot import Event

WARM_DAYS = 21  # a zone younger than this has no past to be judged against
RUN_DAYS = 2  # days running at or above the threshold begin an episode
THRESHOLD_DAYS = 7  # how often a unit's own threshold is worked out anew
REST_DAYS = 14  # days running below it end one
# How much water a hose test, a wash or a noted thaw is taken for, in units of 5 mm of rain
WETTED = {"hose": 1.5, "wash": 1.0, "thaw": 1.0}
# Whether water may run from pipes or people, from an event on
USE = {"occupied": 1.0, "water on": 1.0, "vacated": 0.0, "winterised": 0.0}


@dataclass(frozen=True, slots=True)
class Episode:
    """A score episode began (`ended_s` None) or ended; `facts` say why it began."""

    row: int
    began_s: int
    ended_s: int | None
    facts: dict[str, float | str]


@dataclass(frozen=True, slots=True)
class Latch:
    """A finding of a leak: it stands from its first episode until somebody records an inspection.

    `rested_s` is when its signs were gone, None while they last.
    """

    zone: str
    raised_s: int
    rested_s: int | None
    inspected_s: int | None = None


def standing(kept: UnitMemory) -> list[Latch]:
    """Findings that nobody has inspected yet."""
    return [
        Latch(code, zone.latch_s, zone.rested_s or None)
        for code, zone in zip(kept.codes, kept.zones, strict=True)
        if zone.latch_s
    ]


def weigh_leaks(
    watched: Watched, rows: Rows, days: Days, kept: UnitMemory, *, to_hour: int
) -> None:
    """Score and cause of each structural zone; an hour carries those of the last whole day.

    So no figure depends on what comes later, and a day that is not over changes nothing.
    """
    days.figures["leak_score"] = np.full(days.now.readings.shape, np.nan)
    days.causes = [[""] * days.hours for _ in rows.zones]
    days.flags["doubted"] = np.zeros(days.now.readings.shape, dtype=np.bool_)
    days.episodes, days.doubts, days.latches = [], [], []
    noted_on = _noted_by_day(watched, days)
    memory = leak.Memory.recalled(kept.evidence, kept.evidence_codes, _codes(rows))
    around = _Surroundings.of(watched, rows, days) if len(rows.structure) else None
    table = watched.weights or weights.shipped()
    doubting = Doubting(watched, rows, days, kept)
    for day in range(-(-days.hours // DAY_H)):
        _carry(rows, days, kept, day)
        doubting.carry(day)
        ends_hour = days.hour + (day + 1) * DAY_H
        if ends_hour <= to_hour:
            noted = noted_on.get(day, [])
            mute = doubting.pass_day(day, noted)
            if around:
                around.silence([*np.flatnonzero(np.isin(rows.structure, mute))], day)
                _weigh_day(rows, days, kept, memory, around, day, noted, table=table)
    doubting.remember()
    kept.evidence = memory.to_bytes()
    kept.evidence_codes = _codes(rows)


def _noted_by_day(watched: Watched, days: Days) -> dict[int, list[Event]]:
    """What somebody noted, by day of these."""
    noted: dict[int, list[Event]] = {}
    for event in watched.events:
        if event.kind != "rain":
            noted.setdefault((event.at_s // HOUR_S - days.hour) // DAY_H, []).append(event)
    return noted


def _codes(rows: Rows) -> list[str]:
    return [rows.codes[row] for row in rows.structure]


def _carry(rows: Rows, days: Days, kept: UnitMemory, day: int) -> None:
    """Hours of a day show what was known at its beginning."""
    hours = slice(day * DAY_H, (day + 1) * DAY_H)
    for row in rows.structure.tolist():
        zone = kept.zones[row]
        if zone.score is not None:
            days.figures["leak_score"][row, hours] = zone.score
        days.causes[row][hours] = [zone.cause] * DAY_H


def _weigh_day(  # noqa: PLR0913  one step of the loop above
    rows: Rows,
    days: Days,
    kept: UnitMemory,
    memory: leak.Memory,
    around: "_Surroundings",
    day: int,
    noted: Sequence[Event],
    *,
    table: weights.Weights,
) -> None:
    members = rows.structure
    features = leak.advance_day(memory, *around.of_day(day))
    scores = rounded(table.score(features), 3)
    told = dict(zip(leak.FEATURES, features, strict=True)) | leak.witnesses(memory)
    midnight_s = (days.hour + (day + 1) * DAY_H) * HOUR_S
    threshold = _threshold(rows, kept, table, day=days.hour // DAY_H + day)
    for column, row in enumerate(members.tolist()):
        zone = kept.zones[row]
        _inspected(days, zone, rows.codes[row], row, noted)
        known = np.isfinite(scores[column]) and memory.age[column] >= WARM_DAYS
        past = round(1000.0 * float(scores[column])) if known else -1
        zone.scores = [*zone.scores[-weights.OWN_DAYS + 1 :], past]
        if not known:
            continue
        figures = {name: float(values[column]) for name, values in told.items()}
        cues = verdict.seen(figures)
        zone.score, zone.cause = float(scores[column]), verdict.cause(cues)
        if _turned(zone, threshold):
            if zone.suspect_s:
                days.episodes.append(Episode(row, zone.suspect_s, midnight_s, {}))
                zone.suspect_s, zone.rested_s = 0, midnight_s
            else:
                zone.suspect_s, zone.rested_s = midnight_s, 0
                zone.latch_s = zone.latch_s or midnight_s
                facts = _facts(table, features[:, column], figures, cues)
                days.episodes.append(Episode(row, midnight_s, None, facts))
    _restart(memory, rows, noted)


def _threshold(rows: Rows, kept: UnitMemory, table: weights.Weights, *, day: int) -> float:
    """The score that is suspicious in this unit: one whose zones all score high has a reason for it."""
    if not kept.threshold or day % THRESHOLD_DAYS == 0:
        past = np.full((weights.OWN_DAYS, len(rows.structure)), -1)
        for column, row in enumerate(rows.structure.tolist()):
            scores = kept.zones[row].scores
            past[len(past) - len(scores) :, column] = scores
        known = np.where(past < 0, np.nan, past / 1000.0)
        kept.threshold = weights.own_threshold(known, threshold=table.table.threshold)
    return kept.threshold


def _turned(zone: ZoneMemory, threshold: float) -> bool:
    """Count a day; tell whether an episode begins or ends with it."""
    high = zone.score is not None and zone.score >= threshold
    zone.above_days = zone.above_days + 1 if high else 0
    zone.below_days = 0 if high else zone.below_days + 1
    if zone.suspect_s:
        return zone.below_days >= REST_DAYS
    return zone.above_days >= RUN_DAYS


def _inspected(days: Days, zone: ZoneMemory, code: str, row: int, noted: Sequence[Event]) -> None:
    """An inspection ends the finding; evidence must then show again, from the next day on."""
    for event in noted:
        if event.kind != "inspection" or event.zone not in {"", code} or not zone.latch_s:
            continue
        days.latches.append(Latch(code, zone.latch_s, zone.rested_s or None, event.at_s))
        if zone.suspect_s:
            days.episodes.append(Episode(row, zone.suspect_s, event.at_s, {}))
            zone.above_days = -REST_DAYS
        zone.suspect_s = zone.latch_s = zone.rested_s = 0


def _restart(memory: leak.Memory, rows: Rows, noted: Sequence[Event]) -> None:
    """A zone that was opened, or whose probe was moved, has no past."""
    for event in noted:
        if event.kind == "repair" and ("opened" in event.value or "moved" in event.value):
            for column, row in enumerate(rows.structure.tolist()):
                if event.zone in {"", rows.codes[row]}:
                    memory.forget(column)


def _facts(
    table: weights.Weights,
    features: Floats,
    figures: dict[str, float],
    cues: dict[str, str],
) -> dict[str, float | str]:
    """Why an episode began: the cues that weigh most, those that voted on the cause, and figures."""
    weight = {
        cue: float(value) for cue, value in table.cues(features).items() if _speaks(cue, figures)
    }
    strongest = [*sorted(weight, key=lambda cue: -weight[cue]), "", ""]
    return {
        "cue_1": strongest[0],
        "cue_2": strongest[1],
        "voted": verdict.spoken(cues, figures),
        "leak_cause": verdict.cause(cues),
        **{name: round(value, 2) for name, value in figures.items()},
    }


def _speaks(cue: str, figures: dict[str, float]) -> bool:
    """Whether a cue's figures speak for water, and not only against another explanation."""
    return {
        "balance": max(figures["balance"], figures["own_balance"]) >= 5.0,
        "rain": max(figures["rain_15"], figures["rain_60"], figures["own_rain"]) >= 2.0,
        "vapour source": figures["source_5"] > 0.5 and figures["source_20"] > 0.0,
        "like zones": figures["like_level"] > 0.5 or figures["like_rise"] > 0.5,
        "weather": figures["weather_level"] > 0.5,
        "dew": False,  # it explains water away
    }[cue]


# --- what surrounds the zones ---------------------------------------------------------------------


def like_zones(kinds: Sequence[str]) -> Ints:
    """Columns of each zone's like zones: of its kind where there are two, else all; -1 beyond them.

    Shape (zones, zones - 1), `kinds` being those of one unit's structural zones.
    """
    like = np.full((len(kinds), max(len(kinds) - 1, 1)), -1)
    for column, kind in enumerate(kinds):
        others = [k for k in range(len(kinds)) if k != column and kinds[k] == kind]
        if len(others) < 2:
            others = [k for k in range(len(kinds)) if k != column]
        like[column, : len(others)] = others
    return like


@dataclass(frozen=True, slots=True, eq=False)
class _Surroundings:
    """Days of the structural zones and of what surrounds them: (days,) or (zones, days)."""

    own: leak.DayMeans
    cabin_vapour: Floats
    outside_vapour: Floats
    outside_c: Floats
    rain_mm: Floats
    wetted: Floats
    dew: Floats
    in_use: Floats
    like: Ints

    @classmethod
    def of(cls, watched: Watched, rows: Rows, days: Days) -> "_Surroundings":
        """Of all the days at once."""
        count = days.hours // DAY_H
        means = leak.day_means(
            temperature_c=days.now.temperature_c, humidity_percent=days.now.humidity_percent
        )
        cabins = rows.aired[[rows.zones[row].kind == "cabin" for row in rows.aired]]
        cabin_pa = first_known(days.figures["vapour_pressure_pa"][cabins])
        celsius = days.now.temperature_c[rows.structure]
        rain = days.now.rain_mm.reshape(count, DAY_H)
        fallen = np.where(np.isnan(rain), 0.0, np.rint(rain * 1e4)).sum(axis=1) / 1e4
        here = ~away(watched.events, days.hour, count)
        return cls(
            own=leak.DayMeans(
                *(
                    np.where(here, getattr(means, n)[rows.structure], np.nan)
                    for n in means.__slots__
                )
            ),
            cabin_vapour=first_known(means.vapour[cabins]),
            outside_vapour=first_known(means.vapour[rows.outside]),
            outside_c=first_known(means.temperature_c[rows.outside]),
            rain_mm=np.where(np.isfinite(rain).any(axis=1), fallen, np.nan),
            wetted=wetted(watched.events, _codes(rows), days.hour, count),
            dew=leak.dew_share(
                temperature_c=celsius, cabin_vapour_pa=np.broadcast_to(cabin_pa, celsius.shape)
            ),
            in_use=in_use(watched.events, days.hour, count),
            like=like_zones([rows.zones[row].kind for row in rows.structure]),
        )

    def silence(self, columns: Sequence[int], day: int) -> None:
        """Take a day of some zones out: their probes are doubted."""
        for name in self.own.__slots__:
            getattr(self.own, name)[columns, day] = np.nan

    def of_day(self, day: int) -> tuple[leak.DayMeans, leak.Around]:
        """One day, for each zone."""
        own = leak.DayMeans(*(getattr(self.own, n)[:, day] for n in self.own.__slots__))

        def each(values: Floats) -> Floats:
            return np.full(len(self.like), values[day])

        around = leak.Around(
            cabin_vapour=each(self.cabin_vapour),
            outside_vapour=each(self.outside_vapour),
            outside_c=each(self.outside_c),
            rain_mm=each(self.rain_mm),
            wetted=self.wetted[:, day],
            dew=self.dew[:, day],
            in_use=each(self.in_use),
            like=self.like,
        )
        return own, around


def wetted(events: Sequence[Event], codes: Sequence[str], from_hour: int, count: int) -> Floats:
    """Drive of what somebody noted on each zone in each of some days, (zones, days)."""
    drive = np.zeros((len(codes), count))
    for event in events:
        day = (event.at_s // HOUR_S - from_hour) // DAY_H
        if event.kind in WETTED and 0 <= day < count:
            for row, code in enumerate(codes):
                if event.zone in {"", code}:
                    drive[row, day] = max(drive[row, day], WETTED[event.kind])
    return drive


def away(events: Sequence[Event], from_hour: int, count: int) -> NDArray[np.bool_]:
    """Days on which the unit stood elsewhere: its site's air and rain are not its own."""
    gone = np.zeros(count, dtype=np.bool_)
    for event in sorted(events, key=lambda e: e.at_s):
        day = (event.at_s // HOUR_S - from_hour) // DAY_H
        if event.kind == "moved" and day < count:
            gone[max(day + (event.value == "back"), 0) :] = event.value == "away"
    return gone


def in_use(events: Sequence[Event], from_hour: int, count: int) -> Floats:
    """1 with people or water in the pipes, 0 without, nan before anybody said; day by day."""
    use = np.full(count, np.nan)
    for event in sorted(events, key=lambda e: e.at_s):
        day = (event.at_s // HOUR_S - from_hour) // DAY_H
        if event.kind in USE and day < count:
            use[max(day, 0) :] = USE[event.kind]
    return use
