"""Limits that a person changed: for a site or a kind of unit, from an hour on, with a reason. Pure.

The limits of `monitor.judge.rules` hold until somebody changes one. A change holds from its hour on
and never before, so what was judged stays as it was, also when late readings have it judged again.
The narrower change wins (site and kind, kind, site, all), then the newer; undone, the next one holds.
Changeable are the limits at which a word or an alarm begins and ends; the times they must last are not.
"""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.judge.rules import LIMITS, Limits
from monitor.lot import LimitEntry, LimitStep

# name: (lowest, highest); outside of these it would be another rule, not another limit
CHANGEABLE: dict[str, tuple[float, float]] = {
    "damp_percent": (12.0, 20.0),
    "damp_clears_percent": (10.0, 19.0),
    "wet_percent": (16.0, 26.0),
    "wet_pin_clears_percent": (12.0, 25.0),
    "wet_unreferenced_percent": (18.0, 28.0),
    "wet_excess_percent": (1.0, 8.0),
    "humid_percent": (90.0, 100.0),
    "humid_excess_percent": (0.0, 8.0),
    "wet_above_c": (0.0, 10.0),
    "surface_damp_percent": (65.0, 95.0),
    "surface_clears_percent": (60.0, 94.0),
    "dew_hours": (1.0, 24.0),
    "index_first": (0.5, 2.0),
    "index_visible": (2.0, 5.0),
    "rot_hours": (24.0, 1000.0),
    "freezing_c": (0.0, 6.0),
    "freezing_clears_c": (0.5, 8.0),
}
_RISING = (  # each below the next, or a state would end as it begins
    ("damp_clears_percent", "damp_percent"),
    ("damp_percent", "wet_percent"),
    ("wet_pin_clears_percent", "wet_percent"),
    ("surface_clears_percent", "surface_damp_percent"),
    ("index_first", "index_visible"),
    ("freezing_c", "freezing_clears_c"),
)


def over(
    name: str, steps: Sequence[LimitStep], *, hour: int, hours: int
) -> float | NDArray[np.float64]:
    """A limit in each of `hours` hours from `hour` on; a single number where it never changed."""
    value = float(getattr(LIMITS, name))
    mine = [step for step in steps if step.name == name and step.from_hour < hour + hours]
    if not mine:
        return value
    column = np.full(hours, value)
    for step in mine:
        column[max(0, step.from_hour - hour) :] = step.value
    return column


def steps(entries: Iterable[LimitEntry], *, site: str, body_type: str) -> tuple[LimitStep, ...]:
    """When which limit changed for the units of a kind on a site, by time."""
    fitting = [e for e in entries if e.site in {"", site} and e.body_type in {"", body_type}]
    found = []
    for name in sorted({entry.name for entry in fitting}):
        mine = [entry for entry in fitting if entry.name == name]
        before = float(getattr(LIMITS, name))
        for hour in sorted({entry.from_hour for entry in mine}):
            value = _at(name, mine, hour)
            if value != before:
                found.append(LimitStep(hour, name, value))
            before = value
    return tuple(sorted(found, key=lambda step: (step.from_hour, step.name)))


def in_force(entries: Iterable[LimitEntry], *, site: str, body_type: str, hour: int) -> Limits:
    """All limits for the units of a kind on a site in an hour; "" is any."""
    values: dict[str, Any] = {
        step.name: step.value
        for step in steps(entries, site=site, body_type=body_type)
        if step.from_hour <= hour
    }
    return replace(LIMITS, **values)


def _at(name: str, entries: Sequence[LimitEntry], hour: int) -> float:
    ends = {e.undoes: e.from_hour for e in entries if e.undoes is not None}
    holding = [
        entry
        for entry in entries
        if entry.undoes is None
        if entry.from_hour <= hour < ends.get(entry.number, hour + 1)
    ]
    if not holding:
        return float(getattr(LIMITS, name))
    narrow = max(holding, key=lambda e: (bool(e.body_type), bool(e.site), e.number))
    return narrow.new


def change(
    entries: Sequence[LimitEntry],
    *,
    name: str,
    value: float,
    site: str,
    body_type: str,
    hour: int,
) -> LimitEntry:
    """A change to be kept, with the value it replaces; `who` and `why` are for the caller to fill.

    Raises
    ------
    InputError
        If the limit cannot be changed, the value is out of its range or out of order with another.
    """
    if name not in CHANGEABLE:
        raise InputError(f'"{name}" cannot be changed; these can: {", ".join(sorted(CHANGEABLE))}')
    low, high = CHANGEABLE[name]
    if not low <= value <= high:
        raise InputError(f"{name} {value:g} is outside {low:g} to {high:g}")
    before = in_force(entries, site=site, body_type=body_type, hour=hour)
    after = asdict(before) | {name: value}
    for lower, upper in _RISING:
        if name in {lower, upper} and not after[lower] < after[upper]:
            raise InputError(
                f"{lower} {after[lower]:g} would not be below {upper} {after[upper]:g}"
            )
    old = float(getattr(before, name))
    if old == value:
        raise InputError(f"{name} is {value:g} there already")
    return LimitEntry(0, site, body_type, name, old, value, hour)


def undo(entries: Sequence[LimitEntry], number: int, *, hour: int) -> LimitEntry:
    """The entry that ends an earlier change.

    Raises
    ------
    InputError
        If there is no such change, or it was undone already.
    """
    found = next((e for e in entries if e.number == number and e.undoes is None), None)
    if found is None:
        raise InputError(f"there is no change number {number}; see: sillkeep limits")
    if any(entry.undoes == number for entry in entries):
        raise InputError(f"change number {number} was undone already")
    entry = replace(found, number=0, old=found.new, from_hour=hour, undoes=number)
    rest = [*entries, replace(entry, number=max(e.number for e in entries) + 1)]
    after = in_force(rest, site=found.site, body_type=found.body_type, hour=hour)
    return replace(entry, new=float(getattr(after, found.name)))
