"""What a day's figures mean: the words of each zone, wetting events witnessed, alarm conditions."""

from collections.abc import Mapping, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np

from monitor.judge import limits, rules
from monitor.judge.day import DAY_H, Bools, Days, Rows, Watched, sums
from monitor.judge.hours import HOUR_S, Floats, rounded
from monitor.judge.memory import UnitMemory
from monitor.judge.rules import DAMP, LIMITS, WET, Signs
from monitor.lot import AIR_KINDS, AlarmKind, Event, ZoneKind, silent_after_s


class AlarmChange(NamedTuple):
    """An alarm condition began (`cleared_s` None) or ended; `facts` say what it was judged from."""

    zone: str
    kind: AlarmKind
    raised_s: int
    cleared_s: int | None
    facts: Mapping[str, float | str]


# --- words ----------------------------------------------------------------------------------------

# condition in the memory -> the limit at which it begins
BY_HAND = "ended_by"  # fact of an end: "inspected" where no probe was left to show it
MOULD_STEPS = {"mould growth 1": "index_first", "mould growth 3": "index_visible"}


def find_words(watched: Watched, rows: Rows, days: Days, kept: UnitMemory) -> None:
    """Level, state and trend of each zone, hour by hour."""
    days.flags["left"] = _inspected_unwatched(watched, rows, days)
    signs = _signs(watched, rows, days)
    days.flags["visible"] = _visible(rows, days, kept)
    unknown = _unknown(watched, rows, days)
    days.figures["change"] = change = _change(days)
    states, trends = [], []
    for row, zone in enumerate(kept.zones):
        kind = rows.zones[row].kind
        if kind == "outside":
            course = rules.Course(
                level=[0] * days.hours, sure=[False] * days.hours, contact=[False] * days.hours
            )
            state = words = [""] * days.hours
        else:
            course = rules.follow(
                zone.clocks,
                Signs(*(sign[row].tolist() for sign in signs)),
                damp_h=1 if kind in AIR_KINDS else LIMITS.damp_h,
            )
            words = rules.follow_trend(zone.trend, change[row].tolist())
            zone.trend = words[-1]
            state = _words(course, unknown[row].tolist())
        states.append(state)
        trends.append(
            ["" if s == "unknown" else word for s, word in zip(state, words, strict=True)]
        )
        days.level.append(course.level)
        days.contact.append(course.contact)
    days.words["state"], days.words["trend"] = states, trends
    days.words["cause"] = [
        [
            _cause(rows.zones[row].kind, word, found)
            for word, found in zip(state, days.causes[row], strict=True)
        ]
        for row, state in enumerate(states)
    ]


def _words(course: rules.Course, unknown: list[bool]) -> list[str]:
    """Liquid water and a wet pin stand even where the rest is unknown."""
    return [
        "unknown" if blind and not (sure and level == WET) else rules.LEVEL_WORDS[level]
        for blind, sure, level in zip(unknown, course.sure, course.level, strict=True)
    ]


def _signs(watched: Watched, rows: Rows, days: Days) -> list[Bools]:
    """What each zone shows in each hour, in the order of `Signs`, by the limits of that hour."""
    limit = partial(limits.over, steps=watched.limits, hour=days.hour, hours=days.hours)
    figures, now = days.figures, days.now
    moisture, pin = figures["wood_moisture_percent"], figures["pin_percent"]
    excess = days.windows["excess_percent"][:, -days.hours :]
    by_air = np.isnan(pin) & (figures["mean_c"] > limit("wet_above_c"))
    wet = np.where(
        np.isfinite(excess),
        (moisture >= limit("wet_percent")) & (excess >= limit("wet_excess_percent")),
        moisture >= limit("wet_unreferenced_percent"),
    )
    humid = (now.humidity_percent >= limit("humid_percent")) & (
        excess >= limit("humid_excess_percent")
    )
    damp, dry = moisture >= limit("damp_percent"), moisture < limit("damp_clears_percent")
    seen = np.isfinite(moisture)
    surface = figures["surface_mean_percent"]
    known = np.isfinite(figures["surface_humidity_percent"])
    for row in rows.aired:  # a room is judged at its coldest surface, and never wet by its air
        damp[row] = surface[row] >= limit("surface_damp_percent")
        dry[row] = surface[row] < limit("surface_clears_percent")
        seen[row], wet[row], humid[row] = known[row], False, False
    return [
        now.readings > 0,
        seen,
        damp,
        dry,
        wet & by_air,
        humid & by_air,
        pin >= limit("wet_percent"),
        pin >= limit("wet_pin_clears_percent"),
        np.isfinite(now.contact_at_s),
        now.contacts > 0,
        np.isfinite(pin),
        _looked(watched, rows, days),
        days.flags["left"],
    ]


def _looked(watched: Watched, rows: Rows, days: Days) -> Bools:
    """Hours in which somebody looked at a zone, mended it, or placed another probe there."""
    begun = [(zone, at_s) for zone, starts in watched.settling_s.items() for at_s in starts]
    noted = [(e.zone, e.at_s) for e in watched.events if e.kind in {"inspection", "repair"}]
    return _in_hours([*begun, *noted], rows, days)


def _inspected_unwatched(watched: Watched, rows: Rows, days: Days) -> Bools:
    """Hours in which somebody inspected a zone that no probe watched any more.

    No reading can end what stands there; who saw it can.
    """
    seen = [
        (zone, event.at_s)
        for zone, spans in watched.left_s.items()
        for event in watched.events
        if event.kind == "inspection" and event.zone in {"", zone}
        if any(a <= event.at_s and (b is None or event.at_s < b) for a, b in spans)
    ]
    return _in_hours(seen, rows, days)


def _in_hours(noted: Sequence[tuple[str, int]], rows: Rows, days: Days) -> Bools:
    """The hours of what was noted of a zone, "" of all, when."""
    found = np.zeros((len(rows.codes), days.hours), dtype=np.bool_)
    for zone, at_s in noted:
        column = at_s // HOUR_S - days.hour
        if 0 <= column < days.hours:
            own = [row for row, code in enumerate(rows.codes) if zone in {"", code}]
            found[own, column] = True
    return found


def _visible(rows: Rows, days: Days, kept: UnitMemory) -> Bools:
    """Hours since the zone is watched: from its first reading or the time declared."""
    heard = np.array([[zone.heard] for zone in kept.zones])
    declared = np.array([[zone.watched_from_s or np.inf] for zone in rows.zones])
    hours_s = (days.hour + np.arange(days.hours)) * HOUR_S
    visible: Bools = (
        heard | (np.cumsum(days.now.readings, axis=1) > 0) | (hours_s + HOUR_S > declared)
    )
    return visible


def _cause(kind: ZoneKind, state: str, found: str) -> str:
    """Dampness at a room's coldest surface is condensation; behind a wall the evidence says."""
    if state not in {"damp", "wet"}:
        return ""
    if kind in AIR_KINDS:
        return "condensation" if state == "damp" else "cannot tell"
    return found or "cannot tell"


def _unknown(watched: Watched, rows: Rows, days: Days) -> Bools:
    """Silent, too little covered, doubted, settling, or a room without outside temperature."""
    now = days.now
    ends_s = (days.hour + 1 + np.arange(days.hours)) * HOUR_S
    silent = ~(ends_s - now.last_at_s <= silent_after_s(now.silence_s))
    window = np.where(
        now.silence_s > 6 * HOUR_S, np.minimum(3 * now.silence_s // HOUR_S, 72), DAY_H
    )
    covered = np.nan_to_num(days.windows["covered_s"])
    total = np.concatenate([np.zeros((len(covered), 1)), np.cumsum(covered, axis=1)], axis=1)
    here = covered.shape[1] - days.hours + 1 + np.broadcast_to(np.arange(days.hours), window.shape)
    covered_s = np.take_along_axis(total, here, 1) - np.take_along_axis(total, here - window, 1)
    unknown: Bools = silent | (covered_s < 0.5 * window * HOUR_S)
    unknown |= days.flags["doubted"]
    settling_s = LIMITS.settling_h * HOUR_S
    for row, zone in enumerate(rows.zones):
        for start_s in watched.settling_s.get(zone.code, ()):
            unknown[row] |= (ends_s > start_s) & (ends_s - HOUR_S < start_s + settling_s)
    known = np.isfinite(days.figures["surface_mean_percent"])
    unknown[rows.aired] |= ~known[rows.aired]
    return unknown


def _change(days: Days) -> Floats:
    """Change of the excess (else of the moisture) over 72 h."""
    excess, moisture = days.windows["excess_percent"], days.windows["moisture_percent"]
    change = excess[:, -days.hours :] - excess[:, : days.hours]
    plain = moisture[:, -days.hours :] - moisture[:, : days.hours]
    return rounded(np.where(np.isnan(change), plain, change), 2)


def count_wettings(watched: Watched, days: Days, kept: UnitMemory) -> None:
    """Wetting events that each zone has lived through while it was heard."""
    rain = days.outside["rain_mm"]
    kept.rain_known = kept.rain_known or bool(np.isfinite(days.now.rain_mm).any())
    noted = {
        e.at_s // HOUR_S - days.hour for e in watched.events if e.kind in {"thaw", "hose", "wash"}
    }
    six_hours = sums(rain, 6, days.hours)
    days.figures["rain_72_mm"] = rounded(sums(rain, 72, days.hours), 2)
    begins = []
    for column, fallen in enumerate(rounded(six_hours, 2).tolist()):
        wetting = fallen >= LIMITS.wetting_mm
        begins.append(int(wetting and not kept.wetting) + int(column in noted))
        kept.wetting = wetting
    heard = (days.now.readings > 0).tolist()
    for row, zone in enumerate(kept.zones):
        counts = []
        for begun, here in zip(begins, heard[row], strict=True):
            zone.witnessed += begun if here else 0
            counts.append(zone.witnessed)
        days.witnessed.append(counts)


# --- alarms ---------------------------------------------------------------------------------------


def alarm_changes(
    watched: Watched, rows: Rows, days: Days, kept: UnitMemory, *, to_hour: int
) -> list[AlarmChange]:
    """Conditions that began or ended in the day's complete hours."""
    changes: list[AlarmChange] = []
    hours = min(days.hours, to_hour - days.hour)
    looks = sorted(
        (e for e in watched.events if e.kind in {"inspection", "repair"}), key=lambda e: e.at_s
    )
    left = days.flags["left"]
    for row, zone in enumerate(rows.zones):
        if zone.kind != "outside":
            conditions = {
                name: (begins & ~left[row], ends | left[row])
                for name, (begins, ends) in _conditions(watched, rows, days, row).items()
            }
            if zone.kind not in AIR_KINDS:
                limit_h = limits.over("rot_hours", watched.limits, hour=days.hour, hours=days.hours)
                conditions["rot"] = _rot(looks, rows, days, kept, row=row, limit_h=limit_h)
            for name, edges in conditions.items():
                changes += _latch(rows, days, kept, row=row, name=name, edges=edges, hours=hours)
    return changes


def _conditions(
    watched: Watched, rows: Rows, days: Days, row: int
) -> dict[str, tuple[Bools, Bools]]:
    """For each alarm condition of a zone: hours in which it begins, hours in which it ends."""
    limit = partial(limits.over, steps=watched.limits, hour=days.hour, hours=days.hours)
    figures = days.figures
    state = np.array(days.words["state"][row])
    level = np.array(days.level[row])
    known = state != "unknown"
    # a pin probe tells no temperature: then it is not known to be cold
    warm = ~(figures["mean_c"][row] < LIMITS.grows_above_c)
    index = rounded(figures["mould_index"][row], 3)
    contact = np.array(days.contact[row])
    conditions = {
        "damp": ((state == "damp") & warm, (level != DAMP) & (known | (level == WET))),
        "wet": (state == "wet", (level < WET) & known),
        "water contact": (contact, ~contact),
    }
    for step, name in MOULD_STEPS.items():
        ends = index < limit(name) - LIMITS.index_deadband
        conditions[step] = ((index >= limit(name)) & warm & known, ends & known)
    if rows.zones[row].kind in AIR_KINDS:
        dew = figures["dew_h"][row]
        conditions["condensation"] = ((dew >= limit("dew_hours")) & known, (dew == 0) & known)
    return conditions


def _rot(
    looks: Sequence[Event],
    rows: Rows,
    days: Days,
    kept: UnitMemory,
    *,
    row: int,
    limit_h: float | Floats,
) -> tuple[Bools, Bools]:
    """Hours in which rot hours since somebody last looked reach the limit, and in which they look.

    Rot hours are never taken back: what decayed has decayed. Looking at it is the answer.
    """
    hours, zone = days.figures["rot_hours"][row], kept.zones[row]
    begins = hours - zone.rot_seen_h >= limit_h
    looked = np.zeros(days.hours, dtype=np.bool_)
    for event in looks:
        column = event.at_s // HOUR_S - days.hour
        if event.zone in {"", rows.codes[row]} and 0 <= column < days.hours:
            looked[column] = True
            zone.rot_seen_h = float(np.nan_to_num(hours[column]))
            begins[column:] = (hours - zone.rot_seen_h >= limit_h)[column:]
    return begins, looked


def _latch(
    rows: Rows,
    days: Days,
    kept: UnitMemory,
    *,
    row: int,
    name: str,
    edges: tuple[Bools, Bools],
    hours: int,
) -> list[AlarmChange]:
    """Changes of one condition: it stands from an hour in which it begins until one that ends it."""
    active = kept.zones[row].active
    begins, ends = edges
    if not begins[:hours].any() and name not in active:
        return []
    zone = rows.zones[row].code
    kind: AlarmKind = "mould growth" if name.startswith("mould") else name  # type: ignore[assignment]
    changes = []
    for column in range(hours):
        end_s = (days.hour + column + 1) * HOUR_S
        if name not in active and begins[column]:
            contact_s = days.now.contact_at_s[row, column]
            active[name] = int(contact_s) if kind == "water contact" else end_s
            facts = _facts(rows, days, kept, row=row, column=column)
            changes.append(AlarmChange(zone, kind, active[name], None, {**facts, "name": name}))
        elif name in active and ends[column]:
            facts = _facts(rows, days, kept, row=row, column=column) | {"name": name}
            if days.flags["left"][row, column]:
                facts[BY_HAND] = "inspected"
            changes.append(AlarmChange(zone, kind, active.pop(name), end_s, facts))
    return changes


def _facts(
    rows: Rows, days: Days, kept: UnitMemory, *, row: int, column: int
) -> dict[str, float | str]:
    """Figures of one zone-hour that an alarm's text quotes; nan where unknown."""
    quoted = (
        "wood_moisture_percent",
        "ambient_moisture_percent",
        "surface_humidity_percent",
        "surface_mean_percent",
        "dew_point_margin_k",
        "mould_index",
        "mould_index_sensitive",
        "rot_hours",
        "change",
        "mean_c",
        "dew_h",
    )
    facts: dict[str, float | str] = {
        name: float(days.figures[name][row, column]) for name in quoted
    }
    facts["temperature_c"] = float(days.now.temperature_c[row, column])
    facts["humidity_percent"] = float(days.now.humidity_percent[row, column])
    facts["rain_72_mm"] = float(days.figures["rain_72_mm"][column]) if kept.rain_known else np.nan
    facts["kind"] = rows.zones[row].kind
    facts["basis"] = days.words["moisture_basis"][row][column]
    facts["trend"] = days.words["trend"][row][column]
    facts["cause"] = days.words["cause"][row][column]
    facts["state"] = days.words["state"][row][column]
    declared = rows.zones[row].temperature_factor is not None
    facts["factor"] = "declared" if declared else "assumed"
    return facts


def suspicions(rows: Rows, days: Days, kept: UnitMemory) -> list[AlarmChange]:
    """Score episodes that began or ended."""
    changes = []
    for episode in days.episodes:
        zone = rows.zones[episode.row].code
        facts = dict(episode.facts)
        if episode.ended_s is None:
            column = min(episode.began_s // HOUR_S - days.hour - 1, days.hours - 1)
            facts = _facts(rows, days, kept, row=episode.row, column=column) | facts
            facts["cause"] = facts.pop("leak_cause")
        changes.append(AlarmChange(zone, "leak suspect", episode.began_s, episode.ended_s, facts))
    return changes


def doubts_of(rows: Rows, days: Days) -> list[AlarmChange]:
    """Probes that came under doubt or are trusted again; a site's own with a slash before them."""
    return [
        AlarmChange(rows.codes[d.row], "sensor suspect", d.began_s, d.ended_s, d.facts)
        for d in days.doubts
    ]


def freezing_changes(
    watched: Watched, rows: Rows, days: Days, kept: UnitMemory, *, to_hour: int
) -> list[AlarmChange]:
    """Freezing of the unit's coldest place with pipes, once for the unit."""
    changes: list[AlarmChange] = []
    switches = {
        e.at_s // HOUR_S: e.kind == "winterised"
        for e in watched.events
        if e.kind in {"winterised", "water on"}
    }
    celsius = days.windows["temperature_c"][rows.pipes, -days.hours - 1 :]
    begins_c, ends_c = (
        np.broadcast_to(
            limits.over(name, watched.limits, hour=days.hour, hours=days.hours), days.hours
        )
        for name in ("freezing_c", "freezing_clears_c")
    )
    if not switches and not kept.freezing_s and not (celsius < begins_c.max()).any():
        return changes
    for column in range(min(days.hours, to_hour - days.hour)):
        was, kept.winterised = kept.winterised, switches.get(days.hour + column, kept.winterised)
        before, now = celsius[:, column], celsius[:, column + 1]
        if np.isnan(now).all():
            continue
        row = int(rows.pipes[np.nanargmin(now)])
        coldest = float(np.nanmin(now))
        end_s = (days.hour + column + 1) * HOUR_S
        facts = _facts(rows, days, kept, row=row, column=column)
        # not known to be rising: after a gap nobody knows, and water let in meets what is there
        rising = (now > before) & (not was or kept.winterised)
        falling = bool(((now < begins_c[column]) & ~rising).any())
        if not kept.freezing_s and falling and not kept.winterised:
            kept.freezing_s, kept.freezing_zone = end_s, rows.zones[row].code
            changes.append(AlarmChange(kept.freezing_zone, "freezing", end_s, None, facts))
        elif kept.freezing_s and (coldest >= ends_c[column] or kept.winterised):
            changes.append(
                AlarmChange(kept.freezing_zone, "freezing", kept.freezing_s, end_s, facts)
            )
            kept.freezing_s, kept.freezing_zone = 0, ""
    return changes
