"""What a stranger to a lived-in unit sees of its air: the mean of each whole day, and nothing finer.

When people are in, get up, cook and leave can be read from humidity and temperature by the hour. So a
unit's own owner sees its hours; everybody else who may see the unit (its lot, a verifier) sees, for the
time that somebody lived in it, one mean a day. Words, alarms and daily means say what a lot or an
inspector has to know. Wood moisture is worked out from a running mean of 24 hours: the line of a
fortnight, which shows it twice a day, tells no hour either.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.living import Spell
from monitor.store.board import Series, ZoneNow

HOUR_S, DAY_H = 3600, 24
LEAST_H = 12  # of a day that must be known for its mean
FIGURES = (
    "temperature_c", "humidity_percent", "dew_point_c", "wood_moisture_percent",
    "ambient_moisture_percent", "surface_humidity_percent", "mould_index", "mould_index_low",
    "mould_index_high",
)  # fmt: skip
KEPT = frozenset({"unit", "zone", "time", "hour", "state", "trend", "cause", "witnessed"})

Floats = NDArray[np.float64]


def lived_in(spells: Iterable[Spell], *, from_hour: int, count: int) -> NDArray[np.bool_]:
    """Hours of the days on which somebody lived in a unit; whole days, so that no edge tells when."""
    days = (from_hour + np.arange(count)) // DAY_H
    inside = np.zeros(count, dtype=np.bool_)
    for from_s, to_s in spells:
        first = from_s // HOUR_S // DAY_H
        last = np.inf if to_s is None else to_s // HOUR_S // DAY_H
        inside |= (days >= first) & (days <= last)
    return inside


def by_day(values: Floats, private: NDArray[np.bool_], *, from_hour: int) -> Floats:
    """Hours with those that are private as the mean of their day; nan where a day is not over.

    A part of a day, at the ends of what is asked for, has no mean: asked for hour by hour it would be
    the hours themselves.
    """
    if not private.any():
        return values
    day = (from_hour + np.arange(len(values))) // DAY_H
    days, where = np.unique(day, return_inverse=True)
    known = ~np.isnan(values)
    whole = np.bincount(where) == DAY_H
    count = np.bincount(where[known], minlength=len(days))
    total = np.bincount(where[known], weights=values[known], minlength=len(days))
    mean = np.where(whole & (count >= LEAST_H), total / np.maximum(count, 1), np.nan)
    return np.where(private, mean[where], values)


def series(found: Series, spells: Sequence[Spell]) -> Series:
    """A zone over time as a stranger sees it."""
    names = [field.name for field in fields(Series) if field.name != "from_hour"]
    count = len(found.temperature_c)
    private = lived_in(spells, from_hour=found.from_hour, count=count)
    if not private.any():
        return found
    coarse: dict[str, Any] = {
        name: by_day(getattr(found, name), private, from_hour=found.from_hour) for name in names
    }
    return replace(found, **coarse)


def zone(now: ZoneNow, days: Series) -> ZoneNow:
    """A zone as it is now with the means of its last whole day in the place of this hour's figures.

    `days` are its last two whole days at least, as a stranger sees them.
    """
    figures: dict[str, Any] = {}
    for name in FIGURES:
        values = getattr(days, name, None)
        known = [] if values is None else values[~np.isnan(values)]
        figures[name] = round(float(known[-1]), 2) if len(known) else None
    return replace(now, **figures)


def rows(hours: Sequence[Mapping[str, Any]], spells: Sequence[Spell]) -> list[dict[str, Any]]:
    """Hours for a file: of private days one row with the mean of the day, and no row of a part of one."""
    found: list[dict[str, Any]] = []
    of_day: list[Mapping[str, Any]] = []
    for row in hours:
        private = lived_in(spells, from_hour=int(row["hour"]), count=1)[0]
        if of_day and (not private or row["hour"] // DAY_H != of_day[0]["hour"] // DAY_H):
            found += _mean_row(of_day)
            of_day = []
        if private:
            of_day.append(row)
        else:
            found.append(dict(row))
    return found + _mean_row(of_day)


def _mean_row(of_day: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    if len(of_day) < DAY_H:
        return []
    last = dict(of_day[-1])
    for name, value in last.items():
        if name in KEPT or isinstance(value, str):
            continue
        known = [row[name] for row in of_day if row[name] is not None]
        total = sum(known)
        if name in {"readings", "rain_mm"}:
            last[name] = round(total, 3) if known else None
        else:
            last[name] = round(total / len(known), 3) if len(known) >= LEAST_H else None
    return [last | {"hour": of_day[0]["hour"]}]
