"""Lay-up and opening lists: what has to be done to a unit by its climate and the time of year. Pure.

A list is begun by a person, and its items are those of that day's climate; an item that is neither
done nor left out goes on into the next list. What the items say is in `monitor.text`; all of it is common
practice, no source, where nothing else is named there.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.lot import STRUCTURE_KINDS, ListKind, SeasonList

Floats = NDArray[np.float64]
Climate = Literal["frost", "no frost", "humid"]
LIST_KINDS: tuple[ListKind, ...] = ("lay-up", "opening")

LEAST_HOURS = 300 * 24  # of a year: fewer may have missed its winter, or its summer
HUMID_DEW_C = 18.0  # mean of the dampest month: air from outside wets what it meets. Our choice.
MONTH_H = 30 * 24
# northern months in which a list is due; six months apart in the south
DUE: Mapping[ListKind, tuple[int, ...]] = {"lay-up": (9, 10, 11), "opening": (3, 4)}
SEALS_DAYS = 90  # between two walks round the seals: common practice, no source
DRY_PERCENT = 60.0  # cabin air, mean of a day: EPA's upper end for rooms
SETTLES_D = 14  # after closing: what was left inside shows by then


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to do; `only` in which climate, "" in all, `slides` only with slide-outs."""

    key: str
    only: Climate | Literal[""] = ""
    slides: bool = False


ITEMS: Mapping[ListKind, tuple[Item, ...]] = {
    "lay-up": (
        Item("dry first"),
        Item("look at seals"),
        Item("clear drains"),
        Item("water out", "frost"),
        Item("tanks empty", "no frost"),
        Item("refrigerator"),
        Item("fabrics out"),
        Item("cupboards open"),
        Item("slides in dry", slides=True),
        Item("vents"),
        Item("drying in frost", "frost"),
        Item("drying in damp heat", "humid"),
        Item("gas and alarms"),
        Item("house battery"),
        Item("probes heard"),
    ),
    "opening": (
        Item("air it"),
        Item("nests"),
        Item("walk round"),
        Item("look at seals"),
        Item("hose test"),
        Item("water in", "frost"),
        Item("water fresh", "no frost"),
        Item("look for mould"),
        Item("tubs out"),
        Item("cooler drain", "humid"),
        Item("gas and alarms"),
        Item("probes heard"),
    ),
}


def climates(temperature_c: Floats, dew_point_c: Floats) -> frozenset[Climate]:
    """Climate of a site by a year of its outside air; what less than 300 days have not shown may still come.

    Parameters
    ----------
    temperature_c, dew_point_c : ndarray
        Hourly, the last year. [hours; °C] nan where missing.
    """
    known = ~np.isnan(temperature_c)
    whole = known.sum() >= LEAST_HOURS
    found: set[Climate] = set()
    if known.any() and np.nanmin(temperature_c) <= 0.0:
        found.add("frost")
    else:
        found |= {"no frost"} if whole else {"frost", "no frost"}
    months = [dew_point_c[start : start + MONTH_H] for start in range(0, len(dew_point_c), MONTH_H)]
    means = [np.nanmean(month) for month in months if (~np.isnan(month)).sum() >= MONTH_H // 3]
    if not whole or (means and max(means) >= HUMID_DEW_C):
        found.add("humid")
    return frozenset(found)


def items(
    kind: ListKind,
    climate: frozenset[Climate],
    *,
    slides: int | None,
    before: Iterable[SeasonList] = (),
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Items of a new list, and those of them that are left over from the lists before.

    `slides` None: nobody declared any, so that is asked too.
    """
    own = [
        item.key
        for item in ITEMS[kind]
        if (not item.only or item.only in climate) and (not item.slides or slides != 0)
    ]
    newest = max(before, key=lambda begun: begun.begun_s, default=None)
    over = newest.left if newest is not None else ()
    carried = tuple(key for key in over if key not in own)
    return (*carried, *own), carried


def is_due(kind: ListKind, day: date, *, latitude_deg: float | None) -> bool:
    """Whether it is the time of year for a list; without a latitude as in the north."""
    month = day.month
    if latitude_deg is not None and latitude_deg < 0.0:
        month = (month + 5) % 12 + 1
    return month in DUE[kind]


@cache
def latitude_deg(timezone: str) -> float | None:
    """Latitude of a time zone's main place [°], by the list of the tz database; None: it has none."""
    table = (files("tzdata") / "zoneinfo" / "zone.tab").read_text(encoding="utf-8")
    for line in table.splitlines():
        cells = line.split("\t")
        if len(cells) >= 3 and cells[2] == timezone:
            sign, digits = cells[1][0], cells[1][1:]
            cut = next(place for place, letter in enumerate(digits) if letter in "+-")
            found = int(digits[:2]) + int(digits[2:4]) / 60.0 if cut >= 4 else float(digits[:cut])
            return -found if sign == "-" else found
    return None


# --- dry before it is closed ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Dryness:
    """Whether a unit is dry enough to close.

    Attributes
    ----------
    ready : bool or None
        None: nothing speaks against it, but not all of it is known.
    cabin_percent : float
        Mean humidity of the cabin's last day; nan: not known.
    against : tuple of (zone, word)
        Damp or wet zones.
    unknown : tuple of str
        Walls, roofs and floors that are unknown.
    """

    ready: bool | None
    cabin_percent: float
    against: tuple[tuple[str, str], ...]
    unknown: tuple[str, ...]


def dryness(zones: Sequence[tuple[str, str, str]], *, cabin_percent: float) -> Dryness:
    """Whether a unit is dry enough to close.

    Parameters
    ----------
    zones : sequence of (code, kind, word)
    cabin_percent : float
        Mean humidity of the cabin's last day. [%] nan: not known.
    """
    walls = [(code, word) for code, kind, word in zones if kind in STRUCTURE_KINDS]
    against = tuple((code, word) for code, _, word in zones if word in {"damp", "wet"})
    unknown = tuple(code for code, word in walls if word == "unknown")
    if against or cabin_percent >= DRY_PERCENT:
        return Dryness(False, cabin_percent, against, unknown)  # noqa: FBT003
    if unknown or not walls or np.isnan(cabin_percent):
        return Dryness(None, cabin_percent, (), unknown)
    return Dryness(True, cabin_percent, (), ())  # noqa: FBT003


def settling(cabin_percent: Floats, *, days: int) -> tuple[float, float]:
    """Mean humidity of the first and of the last day since a unit was closed [%].

    Parameters
    ----------
    cabin_percent : ndarray
        Hourly, since then. [hours; %] nan where missing.
    days : int
        Whole days since then; below 2: nothing to compare.

    Returns
    -------
    first, last : float
        nan where a day is not half known.
    """
    if days < 2:
        return float("nan"), float("nan")
    ends = (cabin_percent[:24], cabin_percent[(days - 1) * 24 : days * 24])
    known = [
        float(np.nanmean(day)) if (~np.isnan(day)).sum() >= 12 else float("nan") for day in ends
    ]
    return known[0], known[1]
