"""READ FIRST: one unit's readings become judged hours. A pure fold over whole UTC days.

::

    memory at midnight    ─┐
    readings of all zones ─┼─> advance ─> hours (what the page shows)
    outside air, events   ─┘              alarm changes (what raised them)
                                          memory at each later midnight (checkpoints)

Nothing here reads a clock, a disk or a setting. Whatever order, batches and restarts the readings
came through, the same readings give the same bits: sums of readings are exact (`monitor.judge.hours`)
and over windows, and every other operation is elementwise or runs hour by hour.

Words are taken from rounded figures, the ones that are stored, so that a reader of the record
reaches the same words.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.judge.day import (
    DAY_H,
    Days,
    Measured,
    Rows,
    Watched,
    find_moisture,
    find_surface,
    grow_mould,
    look_back,
    measure,
    readings_of,
    telling,
)
from monitor.judge.findings import (
    BY_HAND,
    AlarmChange,
    alarm_changes,
    count_wettings,
    doubts_of,
    find_words,
    freezing_changes,
    suspicions,
)
from monitor.judge.hours import last_before, rounded
from monitor.judge.leaks import Latch, standing, weigh_leaks
from monitor.judge.memory import MEAN_DAYS, UnitMemory

__all__ = ["BY_HAND", "VERSION", "AlarmChange", "Judgement", "Latch", "Watched", "advance"]

VERSION = "6"  # of these rules: a record judged by another version is judged again

# Checkpoints, by how far back a late reading reaches: most come within days, a ring holds 40
DAILY_DAYS, SPARSE_DAYS = 7, 40
SPARSE_STEP, OLD_STEP = 5, 30  # days between two; judging starts by as much too early

Column = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """Hours of each zone as columns of the HOURS file, alarm changes by time, and checkpoints.

    `latches` are the findings of leaks that were inspected in the span or still stand at its end.
    `memory` is what is known after its last day: a checkpoint, if that day is whole.
    """

    hours: dict[str, dict[str, Column]]
    alarms: list[AlarmChange]
    checkpoints: list[tuple[int, bytes]]  # (day number, memory before its first hour)
    latches: list[Latch]
    around: list[AlarmChange]  # doubts in the site's own probes, a slash before their zone
    memory: UnitMemory


def advance(
    watched: Watched, memory: bytes | None, *, from_day: int, to_hour: int, checkpoints: bool = True
) -> Judgement:
    """Judge every hour of one unit from a midnight on.

    Parameters
    ----------
    watched : Watched
        Zones, readings, outside air and events.
    memory : bytes or None
        Memory before `from_day`, a checkpoint of an earlier call; None: nothing is known yet.
    from_day : int
        Day number (UTC days since 1970).
    to_hour : int
        Hour number up to which hours are complete; not included.
    checkpoints : bool
        False leaves the checkpoints out, for who will not come back to them.

    Returns
    -------
    Judgement
        One row a zone-hour from the zone's first reading (or `watched_from_s`) on.
    """
    rows = Rows.of(watched, from_hour=from_day * DAY_H, to_hour=to_hour)
    kept = UnitMemory.empty(rows.codes) if memory is None else UnitMemory.from_bytes(memory)
    kept = _arranged(kept, rows.codes)
    measured = measure(watched, rows, kept)
    tables: list[dict[str, Column]] = []
    changes: list[AlarmChange] = []
    around: list[AlarmChange] = []
    latches: list[Latch] = []
    saved: list[tuple[int, bytes]] = []
    to_day = -(-to_hour // DAY_H)
    for first, last in _stretches(from_day, to_day, daily=checkpoints):
        days = _judge_days(watched, rows, measured, kept, from_day=first, to_day=last)
        tables.append(_hours_of(rows, days))
        changes += alarm_changes(watched, rows, days, kept, to_hour=to_hour)
        changes += suspicions(rows, days, kept)
        doubts = doubts_of(rows, days)
        changes += [doubt for doubt in doubts if not doubt.zone.startswith("/")]
        around += [doubt for doubt in doubts if doubt.zone.startswith("/")]
        changes += freezing_changes(watched, rows, days, kept, to_hour=to_hour)
        latches += days.latches
        _remember(watched, rows, days, kept)
        if checkpoints and last * DAY_H <= to_hour:
            saved.append((last, kept.to_bytes()))
    changes.sort(key=lambda c: (c.raised_s if c.cleared_s is None else c.cleared_s, c.zone, c.kind))
    return Judgement(
        hours=_tables(watched, tables, to_hour=to_hour),
        alarms=changes,
        checkpoints=saved,
        latches=latches + standing(kept),
        around=around,
        memory=kept,
    )


def _arranged(kept: UnitMemory, codes: Sequence[str]) -> UnitMemory:
    """The same memory with its rows in the order of `codes`; a zone unknown to it starts empty."""
    if kept.codes == list(codes):
        return kept
    fresh = UnitMemory.empty(codes)
    for row, code in enumerate(codes):
        if code in kept.codes:
            old = kept.codes.index(code)
            fresh.zones[row] = kept.zones[old]
            fresh.day_totals[row], fresh.day_counts[row] = (
                kept.day_totals[old],
                kept.day_counts[old],
            )
            for name, window in fresh.windows.items():
                window[row] = kept.windows[name][old]
    for name in _OF_UNIT:
        setattr(fresh, name, getattr(kept, name))
    return fresh


_OF_UNIT = (
    "outside",
    "wetting",
    "rain_known",
    "winterised",
    "freezing_s",
    "freezing_zone",
    "threshold",
    "evidence",
    "evidence_codes",
    "trust",
    "trust_codes",
)


def _stretches(from_day: int, to_day: int, *, daily: bool) -> list[tuple[int, int]]:
    """Days judged in one go: a month at a time, and from one checkpoint to the next where wanted."""
    to_hour = to_day * DAY_H
    starts = [
        day
        for day in range(from_day, to_day)
        if day == from_day
        or (has_checkpoint(day, to_hour=to_hour) if daily else (day - from_day) % OLD_STEP == 0)
    ]
    return list(pairwise([*starts, to_day]))


def has_checkpoint(day: int, *, to_hour: int) -> bool:
    """Whether the memory before a day is kept, when all before `to_hour` is judged."""
    to_day = -(-to_hour // DAY_H)
    if day >= to_day - DAILY_DAYS:
        return True
    return day % (SPARSE_STEP if day >= to_day - SPARSE_DAYS else OLD_STEP) == 0


def _judge_days(
    watched: Watched,
    rows: Rows,
    measured: Measured,
    kept: UnitMemory,
    *,
    from_day: int,
    to_day: int,
) -> Days:
    start = from_day * DAY_H - rows.from_hour
    now = measured.cut(start, start + (to_day - from_day) * DAY_H)
    nothing = np.zeros((len(rows.zones), 0))
    days = Days(
        from_day * DAY_H, now, {}, {}, nothing, nothing, {}, {}, {}, [], [], [], [], [], [], []
    )
    look_back(rows, days, kept)
    find_moisture(rows, days, kept)
    find_surface(rows, days, kept)
    grow_mould(rows, days, kept)
    weigh_leaks(watched, rows, days, kept, to_hour=rows.to_hour)
    find_words(watched, rows, days, kept)
    count_wettings(watched, days, kept)
    return days


# --- midnight, and the table ----------------------------------------------------------------------


def _remember(watched: Watched, rows: Rows, days: Days, kept: UnitMemory) -> None:
    """Carry what later days look back on over midnight."""
    for name, window in kept.windows.items():
        window[:] = days.windows[name][:, -window.shape[1] :]
    for name, series in kept.outside.items():
        series[:] = days.outside[name][-len(series) :]
    kept.day_totals = days.day_totals[:, -(MEAN_DAYS - 1) :]
    kept.day_counts = days.day_counts[:, -(MEAN_DAYS - 1) :]
    heard = (days.now.readings.sum(axis=1) > 0).tolist()
    for row, zone in enumerate(kept.zones):
        zone.heard = zone.heard or heard[row]
        zone.rot_hours = float(np.nan_to_num(days.figures["rot_hours"][row, -1]))
        readings, hour = readings_of(watched, rows.codes[row]), days.hour + days.hours
        zone.last = last_before(readings, hour=hour, before=zone.last)
        zone.told = last_before(telling(rows.zones[row], readings), hour=hour, before=zone.told)


_FIGURES = (
    "dew_point_c",
    "humidity_ratio_g_kg",
    "surface_humidity_percent",
    "dew_point_margin_k",
    "wood_moisture_percent",
    "ambient_moisture_percent",
    "mould_index",
    "mould_index_low",
    "mould_index_high",
    "mould_index_sensitive",
    "days_to_index_1",
    "days_to_index_3",
    "thirty_day_humidity_percent",
    "rot_hours",
)


def _hours_of(rows: Rows, days: Days) -> dict[str, Column]:
    """Columns of one day, (rows, 24)."""
    now = days.now
    columns: dict[str, Column] = {name: days.figures[name] for name in _FIGURES}
    for name in ("mould_index", "mould_index_low", "mould_index_high", "mould_index_sensitive"):
        columns[name] = rounded(days.figures[name], 4)
    for name in ("state", "trend", "cause", "moisture_basis"):
        columns[name] = np.array(days.words[name])
    shape = now.readings.shape
    return columns | {
        "hour": np.broadcast_to(days.hour + np.arange(days.hours), shape),
        "readings": now.readings,
        "coverage_percent": rounded(now.covered_s / 36.0, 1),
        "temperature_c": rounded(now.temperature_c, 2),
        "humidity_percent": rounded(now.humidity_percent, 2),
        "rain_mm": np.broadcast_to(now.rain_mm, shape),
        "witnessed": np.array(days.witnessed),
        "leak_score": days.figures["leak_score"],
        "mould_class": np.array(
            [["" if z.kind == "outside" else z.mould_class] * days.hours for z in rows.zones]
        ),
        "visible": days.flags["visible"],
    }


def _tables(
    watched: Watched, days: list[dict[str, Column]], *, to_hour: int
) -> dict[str, dict[str, Column]]:
    """Rows of each of the unit's own zones, from when it was first watched to the last hour."""
    if not days:
        return {}
    whole = {name: np.concatenate([day[name] for day in days], axis=1) for name in days[0]}
    shown = whole.pop("visible") & (whole["hour"] < to_hour)
    return {
        zone.code: {name: values[row, shown[row]] for name, values in whole.items()}
        for row, zone in enumerate(watched.zones)
        if shown[row].any()
    }
