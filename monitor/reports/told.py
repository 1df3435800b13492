"""What documents are made from: one unit over a time, read once. Nothing is judged here.

Whoever lives or lived there is not in it: neither the notes that say so nor what follows from them.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor import explain, storms, text
from monitor.errors import InputError
from monitor.evidence.entries import BlindSpot
from monitor.lot import PRIVATE, AlarmKind, AlarmState, Event, Placement, Site, Unit, Zone
from monitor.store import Alarm, AlarmStep, Record, RepairRow
from monitor.store.proving import standing_line
from monitor.text import documents as words
from monitor.times import time_zone

HOUR_S, DAY_S, DAY_H = 3600, 86_400, 24
HEARD_AFTER_H = 48  # of a wetting: it shows by then
LEAST_COVERED_PERCENT, LONGEST_GAP_H = 95.0, 6
MOST_DAYS = 730
SHOWN_KINDS: frozenset[AlarmKind] = frozenset(
    {"leak suspect", "damp", "wet", "mould growth", "rot", "condensation", "water contact",
     "did not stay dry", "drying stalled"}
)  # fmt: skip  # that say something was found in the unit
OVER: frozenset[AlarmState] = frozenset({"normal", "returned unacknowledged"})
NOTED_WETTINGS = frozenset({"hose", "wash", "thaw", "rain"})

Floats = NDArray[np.float64]
Table = Mapping[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Noted:
    """Something that a person found, sealed or checked.

    Attributes
    ----------
    at_s : int
    place, what : str
    role : str
        Of who did it; never a name.
    photos : tuple of str
        Their digests.
    closed_s : int or None
        When a finding was done with.
    """

    at_s: int
    place: str
    what: str
    role: str = ""
    photos: tuple[str, ...] = ()
    closed_s: int | None = None


@dataclass(frozen=True, slots=True)
class Beside:
    """What other parts of the record say of a unit, as far as anything is recorded."""

    findings: tuple[Noted, ...] = ()
    seals: tuple[Noted, ...] = ()
    benches: tuple[Noted, ...] = ()  # `place` is the node

    def within(self, from_s: int, to_s: int) -> "Beside":
        """What bears on a time, as it was known at its end.

        That is what was noted in it, findings that were still open when it began, and the last check
        of each probe before it, whose correction went on.
        """
        noted = [one for one in self.findings if one.at_s <= to_s]
        known = [replace(one, closed_s=_until(one.closed_s, to_s)) for one in noted]
        before = {one.place: one for one in sorted(self.benches, key=_noted_s) if one.at_s < from_s}
        return Beside(
            findings=tuple(
                one
                for one in known
                if one.at_s >= from_s or one.closed_s is None or one.closed_s >= from_s
            ),
            seals=tuple(one for one in self.seals if from_s <= one.at_s <= to_s),
            benches=tuple(
                one for one in self.benches if from_s <= one.at_s <= to_s or one in before.values()
            ),
        )


@dataclass(frozen=True, slots=True)
class Asked:
    """When a document is made, by what, and how its reader likes temperatures."""

    made_s: int
    program: str = "Sillkeep"
    fahrenheit: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """One zone over the time; `first_s` None: nothing was heard from it.

    `since_s` is from when on it was to be watched: its hours count from there.
    """

    zone: Zone
    since_s: int
    first_s: int | None
    last_s: int | None
    coverage_percent: float
    gap: tuple[int, int] | None
    moisture_percent: tuple[float, float, float]  # lowest, mean, highest
    temperature_c: tuple[float, float, float]
    covered: NDArray[np.bool_]  # of each hour of the time
    moisture: Floats


@dataclass(frozen=True, slots=True)
class Wetting:
    """A rain, thaw, wash or hose test; `witnessed` by every watched zone."""

    at_s: int
    kind: str
    mm: float
    said: str
    witnessed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """A unit over [from_s, to_s)."""

    site: Site
    unit: Unit
    from_s: int
    to_s: int
    zones: tuple[Watched, ...]
    wettings: tuple[Wetting, ...]
    rain_percent: float  # share of the hours that rain is known for
    rain_mm: Floats
    alarms: tuple[Alarm, ...]  # as they stood at the end, oldest first; none that was withdrawn
    repairs: tuple[RepairRow, ...]  # noted before the end, oldest first
    events: tuple[Event, ...]  # of the unit, none that say who lives there
    unseen: tuple[BlindSpot, ...]
    beside: Beside = field(default_factory=Beside)

    @property
    def heard(self) -> tuple[Watched, ...]:
        """Zones that gave readings."""
        return tuple(one for one in self.zones if one.first_s is not None)

    @property
    def coverage_percent(self) -> float:
        """Mean of the zones that gave readings."""
        known = [one.coverage_percent for one in self.heard]
        return float(np.mean(known)) if known else 0.0

    @property
    def unheard_days(self) -> tuple[float, float]:
        """Days of the time in whose hours no zone was heard, of how many."""
        heard = (
            np.any([one.covered for one in self.zones], axis=0) if self.zones else np.zeros(1, bool)
        )
        days = (self.to_s - self.from_s) / DAY_S
        return days * float(1.0 - heard.mean()), days

    def standing(self, alarm: Alarm) -> bool:
        """Whether one of its alarms still stood at the end: its condition, or what only an inspection ends."""
        if alarm.state.startswith("latched"):  # its signs rest; only an inspection ends it
            return True
        over = alarm.cleared_s is not None and alarm.cleared_s <= self.to_s
        return not over and alarm.state != "normal"

    @property
    def watched(self) -> str:
        """How much was watched, in a sentence."""
        firsts = [one.first_s for one in self.heard if one.first_s is not None]
        lasts = [one.last_s for one in self.heard if one.last_s is not None]
        begun = {self.day(at_s) for at_s in (*firsts, *(one.since_s for one in self.heard))}
        return words.watched_text(
            zones=len(self.heard),
            first=self.day(min(firsts, default=0)),
            last=self.day(max(lasts, default=0)),
            percent=np.floor(self.coverage_percent),
            whole=len(begun) == 1 and len(set(map(self.day, lasts))) == 1,
        )

    @property
    def rained(self) -> str:
        """What wettings there were, in a sentence."""
        return words.wettings_text(
            witnessed=sum(one.witnessed for one in self.wettings),
            seen=len(self.wettings),
            rain_percent=self.rain_percent,
        )

    def day(self, at_s: float) -> str:
        """ISO date on the site's clock."""
        return day(at_s, self.site.timezone)

    def when(self, at_s: float) -> str:
        """ISO date and time on the site's clock."""
        return when(at_s, self.site.timezone)


def read(
    record: Record, code: str, *, from_s: int | None, to_s: int, beside: Beside | None = None
) -> Told:
    """Read one unit over a time.

    Parameters
    ----------
    record : Record
    code : str
        Of the unit.
    from_s : int or None
        None: from its first placement on.
    to_s : int
    beside : Beside or None

    Raises
    ------
    InputError
        If there is no such unit, or the time is none.
    """
    unit = next((one for one in record.units() if one.code == code), None)
    if unit is None:
        raise InputError(f"there is no unit {code}")
    site = next(one for one in record.sites() if one.code == unit.site)
    placements = [p for p in record.placements() if p.unit == code]
    placed = [p.from_s for p in placements]
    # before its first probe nothing could be known: that time counts neither for nor against it
    first = min([p for p in placed if p < to_s] or [to_s - DAY_S])
    since = max(from_s or 0, first, to_s - MOST_DAYS * DAY_S) // HOUR_S * HOUR_S
    if since >= to_s:
        raise InputError("the time ends before it begins")
    from_hour, to_hour = since // HOUR_S, -(-to_s // HOUR_S)
    hours = record.unit_hours(code, from_hour=from_hour, to_hour=to_hour)
    zones = tuple(
        _watched(zone, hours.get(zone.code), (from_hour, to_hour), _since_s(zone, placements))
        for zone in record.zones(code)
    )
    gauges = [
        _course(t, "rain_mm", from_hour, to_hour) for name, t in hours.items() if name[:1] == "/"
    ]
    rain = np.full(to_hour - from_hour, np.nan)
    for gauge in gauges:
        rain = np.fmax(rain, gauge)
    events = tuple(
        event
        for event in record.events(site.code, unit=code)
        if event.kind not in PRIVATE and since <= event.at_s < to_s
    )
    alarms = tuple(
        alarm
        for alarm in _alarms_at(record, code, to_s)
        if (alarm.cleared_s is None or alarm.cleared_s >= since or alarm.state != "normal")
    )
    return Told(
        site=site,
        unit=unit,
        from_s=since,
        to_s=to_s,
        zones=zones,
        wettings=_wettings(record, unit, zones, events, alarms, (since, to_s)),
        rain_percent=100.0 * float((~np.isnan(rain)).mean()),
        rain_mm=rain,
        alarms=alarms,
        repairs=tuple(sorted(_repairs_at(record, code, to_s), key=_repaired)),
        events=tuple(event for event in events if event.unit == code),
        unseen=explain.unseen(
            [(one.zone.code, one.zone.kind) for one in zones if one.first_s], unit
        ),
        # rounds and seals do not wait for a probe: from what was asked on, not from the first one
        beside=(beside or Beside()).within(from_s or 0, to_s),
    )


def _noted_s(one: Noted) -> int:
    return one.at_s


def _until(at_s: int | None, to_s: int) -> int | None:
    return at_s if at_s is not None and at_s <= to_s else None


def _alarms_at(record: Record, code: str, to_s: int) -> list[Alarm]:
    """Alarms of a unit raised by a time and not withdrawn, as they stood then, oldest first."""
    raised = [a for a in record.alarms(unit=code) if a.withdrawn_s is None and a.raised_s < to_s]
    raised.sort(key=lambda alarm: (alarm.raised_s, alarm.alarm_id))
    return [_as_at(alarm, record.alarm_steps(alarm.alarm_id), to_s) for alarm in raised]


def _as_at(alarm: Alarm, steps: Iterable[AlarmStep], to_s: int) -> Alarm:
    """An alarm as it stood at a time: its state by its steps, its end by what is known now."""
    states = [step.state for step in steps if step.at_s <= to_s]
    state: AlarmState = states[-1] if states else "unacknowledged"
    later = alarm.cleared_s is not None and alarm.cleared_s > to_s
    again = alarm.cleared_s is None and alarm.state != "normal"
    if state in OVER and (later or again):  # late readings took that end back
        state = "unacknowledged"
    return replace(alarm, state=state, cleared_s=None if later else alarm.cleared_s)


def _repairs_at(record: Record, code: str, to_s: int) -> list[RepairRow]:
    """Repairs of a unit noted by a time, each proof as it stands for that time, by all that is known now."""
    found = []
    for row in record.repairs(unit=code):
        if row.repaired_s >= to_s:
            continue
        if row.now is not None and row.now.at_s > to_s:
            line = standing_line(record.proof_revisions(code, row.zone, row.repaired_s))
            steps = [step for step in line if step.at_s <= to_s]
            row = replace(row, now=steps[-1] if steps else None)  # noqa: PLW2901
        found.append(replace(row, ended_s=_until(row.ended_s, to_s)))
    return found


def _repaired(row: RepairRow) -> tuple[int, str]:
    return row.repaired_s, row.zone


def _course(table: Table | None, name: str, from_hour: int, to_hour: int) -> Floats:
    line = np.full(to_hour - from_hour, np.nan)
    if table is not None:
        line[table["hour"] - from_hour] = table[name]
    return line


def _since_s(zone: Zone, placements: Iterable[Placement]) -> int | None:
    """From when on a zone was to be watched, as declared or by its first probe; None: nobody said."""
    if zone.watched_from_s is not None:
        return zone.watched_from_s
    return min((p.from_s for p in placements if p.zone == zone.code), default=None)


def _watched(
    zone: Zone, table: Table | None, span_h: tuple[int, int], since_s: int | None
) -> Watched:
    """How one zone was watched since it was to be, or gave a reading: silence before that is a gap."""
    from_hour, to_hour = span_h
    coverage = np.nan_to_num(_course(table, "coverage_percent", from_hour, to_hour))
    moisture = _course(table, "wood_moisture_percent", from_hour, to_hour)
    temperature = _course(table, "temperature_c", from_hour, to_hour)
    covered = coverage > 0.0
    heard = np.flatnonzero(covered)
    if not len(heard):
        nothing = (np.nan, np.nan, np.nan)
        begun_s = from_hour * HOUR_S
        return Watched(zone, begun_s, None, None, 0.0, None, nothing, nothing, covered, moisture)
    first, last = int(heard[0]), int(heard[-1])
    since = first if since_s is None else min(max(since_s // HOUR_S - from_hour, 0), first)
    return Watched(
        zone=zone,
        since_s=(from_hour + since) * HOUR_S,
        first_s=(from_hour + first) * HOUR_S,
        last_s=(from_hour + last + 1) * HOUR_S,
        coverage_percent=float(coverage[since:].mean()),
        gap=_gap(covered, since, from_hour),
        moisture_percent=_range(moisture),
        temperature_c=_range(temperature),
        covered=covered,
        moisture=moisture,
    )


def _gap(covered: NDArray[np.bool_], since: int, from_hour: int) -> tuple[int, int] | None:
    """The longest time on end without a reading since an hour."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (~covered[since:]).astype(np.int8), [0]])))
    spans = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    if not spans:
        return None
    start, end = max(spans, key=lambda span: span[1] - span[0])
    return (from_hour + since + start) * HOUR_S, (from_hour + since + end) * HOUR_S


def _range(values: Floats) -> tuple[float, float, float]:
    known = values[~np.isnan(values)]
    if not len(known):
        return np.nan, np.nan, np.nan
    return float(known.min()), float(known.mean()), float(known.max())


def _wettings(
    record: Record,
    unit: Unit,
    zones: Sequence[Watched],
    events: Iterable[Event],
    alarms: Sequence[Alarm],
    span_s: tuple[int, int],
) -> tuple[Wetting, ...]:
    """Rain by gauge or service with what it did, and what was noted; oldest first."""
    from_s, to_s = span_s
    found = []
    days = -(-(to_s - from_s) // DAY_S)
    timezone = time_zone(record_timezone(record, unit))
    for storm, said in storms.of(record, unit, now_s=to_s, days=days).answers:
        at_s = storm.from_hour * HOUR_S
        if at_s < from_s:
            continue
        line = text.storm_text(
            word="too early" if said is None else said.word,
            day=datetime.fromtimestamp(at_s, timezone).date().isoformat(),
            rain_mm=storm.rain_mm,
            zone=said.zone if said else "",
            rise_percent=said.rise_percent if said else float("nan"),
            unheard=said.unheard if said else (),
        )
        whole = said is not None and bool(said.heard) and not said.unheard
        told = text.capital(line.partition(": ")[2])
        found.append(Wetting(at_s, "rain", storm.rain_mm, told, whole))
    rained = [one.at_s for one in found]
    for event in events:
        known = event.kind == "rain" and any(abs(event.at_s - at_s) < DAY_S for at_s in rained)
        if event.kind in NOTED_WETTINGS and not known:
            found.append(_noted(event, zones, alarms, from_s))
    return tuple(sorted(found, key=lambda one: (one.at_s, one.kind)))


def _noted(event: Event, zones: Sequence[Watched], alarms: Sequence[Alarm], from_s: int) -> Wetting:
    start = (event.at_s - from_s) // HOUR_S
    bearing = [z for z in zones if z.first_s is not None and event.zone in {"", z.zone.code}]
    heard = [z for z in bearing if _heard(z.covered[start : start + HEARD_AFTER_H])]
    alarmed = sorted(
        {
            alarm.zone
            for alarm in alarms
            if alarm.kind in storms.SPEAKS
            and alarm.raised_s < event.at_s + HEARD_AFTER_H * HOUR_S
            and (alarm.cleared_s is None or alarm.cleared_s > event.at_s)
        }
    )
    said = words.noted_wetting_text(heard=len(heard), of=len(bearing), alarmed=alarmed)
    whole = bool(bearing) and len(heard) == len(bearing)
    return Wetting(event.at_s, event.kind, np.nan, said, whole)


def _heard(covered: NDArray[np.bool_]) -> bool:
    if len(covered) < HEARD_AFTER_H or 100.0 * covered.mean() < LEAST_COVERED_PERCENT:
        return False
    return "1" * (LONGEST_GAP_H + 1) not in "".join("0" if each else "1" for each in covered)


def record_timezone(record: Record, unit: Unit) -> str:
    """Clock of the site on which a unit stands."""
    return next(site.timezone for site in record.sites() if site.code == unit.site)


# --- writing --------------------------------------------------------------------------------------


def day(at_s: float, timezone: str) -> str:
    """ISO date on a site's clock; a dash where there is none."""
    if np.isnan(at_s):
        return "–"
    return datetime.fromtimestamp(round(at_s), time_zone(timezone)).date().isoformat()


def when(at_s: float, timezone: str) -> str:
    """ISO date and time on a site's clock; a dash where there is none."""
    if np.isnan(at_s):
        return "–"
    return datetime.fromtimestamp(round(at_s), time_zone(timezone)).strftime("%Y-%m-%d %H:%M")


def clock(at_s: int, timezone: str) -> str:
    """Name of a site's clock."""
    sign = datetime.fromtimestamp(at_s, time_zone(timezone)).strftime("%z")
    return f"{timezone} (UTC{sign[:3]}:{sign[3:5]})"


def offset_s(at_s: int, timezone: str) -> int:
    """How far it is ahead of UTC [s]."""
    ahead = datetime.fromtimestamp(at_s, time_zone(timezone)).utcoffset()
    return 0 if ahead is None else int(ahead.total_seconds())


def number(value: float, unit: str = "", *, digits: int = 1) -> str:
    """A figure; a dash where there is none."""
    if np.isnan(value):
        return "–"
    said = f"{value:.{digits}f}"
    said = said.removeprefix("-") if float(said) == 0 else said.replace("-", "−")
    return f"{said} {unit}" if unit else said
