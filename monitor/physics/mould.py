"""Growth of mould on a surface, as an index from 0 to 6.

::

    0  nothing           1  some, seen with a microscope     2  several colonies, microscope
    3  first to be seen  4  visible, 10 to 50 % of the area  5  more than 50 %   6  dense, all over

An hour is *favourable* where 0 < T < 50 °C and the surface humidity is above the critical one.
Then the index grows, ever slower towards the largest index of those conditions. Else the hour is
*dry*, and the index falls in the first 6 dry hours on end, rests until the 24th, then falls again.

The index says nothing about species, health or what an eye would find on a given wall: a sensor
error of 2 % at 90 % humidity changes the speed by a third.

References
----------
.. [1] ANSI/ASHRAE Standard 160-2016 with its mould index in the form of Ojanen and others;
   constants as three independent research codes agree on them, resistant classes from memory.
.. [2] A. Hukka and H. A. Viitanen, Wood Sci. Technol. 33 (1999) 475-485: time to index 1 and 3 on
   pine sapwood.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics.arguments import Floats, floats, one_of, within

MouldClass = Literal["VS", "S", "MR", "R"]

LARGEST_INDEX = 6.0
VISIBLE_INDEX = 3.0  # the standard's limit of failure [1]
HOTTEST_GROWTH_C = 50.0
# Share of the decline measured on pine that other materials show. 0.1, "almost none", where
# nothing better is known: from memory the standard's own choice, and the wary one.
DEFAULT_DECLINE = 0.1


@dataclass(frozen=True, slots=True)
class _Material:
    """Constants of a class of materials [1]."""

    slow: float  # speed up to index 1, that of pine sapwood being 1
    fast: float  # speed above index 1
    largest: tuple[float, float, float]  # A, B, C of the largest index
    lowest_humidity_percent: float
    planed: float  # W: 0 the original pine, 1 slower


_MATERIALS: dict[str, _Material] = {
    "VS": _Material(1.0, 2.0, (1.0, 7.0, 2.0), 80.0, 0.0),
    "S": _Material(0.578, 0.386, (0.3, 6.0, 1.0), 80.0, 1.0),
    "MR": _Material(0.072, 0.097, (0.0, 5.0, 1.5), 85.0, 1.0),
    "R": _Material(0.033, 0.014, (0.0, 3.0, 1.0), 85.0, 1.0),
}
MOULD_CLASSES = tuple(_MATERIALS)

_STEEPNESS = 2.3  # how sharply growth stops below the largest index [1]
_HOURS_PER_WEEK = 168.0
_FIRST_HOURS, _REST_UNTIL_HOURS = 6, 24
_FIRST_DECLINE, _LATE_DECLINE = 0.00133, 0.000667  # index per dry hour, on pine [1]
# Above this many zones an array step per hour is faster than a scalar step per zone and hour; the
# two differ by rounding, so one set of zones should always be computed on the same side of it.
SCALAR_COLUMNS = 64


def critical_humidity(*, temperature_c: ArrayLike, mould_class: MouldClass) -> Floats:
    """Surface humidity above which the index grows.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of the surface. [°C, -100 to 200]
    mould_class : {"VS", "S", "MR", "R"}
        Very sensitive, sensitive, medium resistant, resistant.

    Returns
    -------
    ndarray
        Critical relative humidity. [%] inf at or below 0 °C and from 50 °C up, where no humidity
        is enough.

    Raises
    ------
    ValueError
        If a temperature is out of range or the class unknown.
    """
    celsius = within("temperature_c", temperature_c, -100.0, 200.0)
    lowest = _material(mould_class).lowest_humidity_percent
    cool = 100.0 + celsius * (-3.13 + celsius * (0.160 + celsius * -0.00267))
    critical = np.where(celsius <= 20.0, np.maximum(cool, lowest), lowest)
    never = (celsius <= 0.0) | (celsius >= HOTTEST_GROWTH_C)
    critical = np.where(never, np.inf, critical)
    return np.where(np.isnan(celsius), np.nan, critical)[()]


def largest_index(
    *, temperature_c: ArrayLike, humidity_percent: ArrayLike, mould_class: MouldClass
) -> Floats:
    """Index that growth tends to if the conditions stay for good.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Conditions at the surface. [°C, -100 to 200] [%, 0 or more; above 100 counts as 100, the
        wettest a surface can be for the model]
    mould_class : {"VS", "S", "MR", "R"}
        Class of the material.

    Returns
    -------
    ndarray
        Largest index, 0 to 6; 0 where nothing grows.

    Raises
    ------
    ValueError
        If a value is out of range or the class unknown.
    """
    return _conditions(temperature_c, humidity_percent, mould_class)[1][()]


def index_series(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    mould_class: MouldClass,
    decline: float = DEFAULT_DECLINE,
    start: ArrayLike = 0.0,
    dry_hours: ArrayLike = 0,
) -> Floats:
    """Index after each hour; see `advance_index`, which also gives what the next call needs."""
    return advance_index(
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        mould_class=mould_class,
        decline=decline,
        start=start,
        dry_hours=dry_hours,
    )[0]


def advance_index(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    mould_class: MouldClass,
    decline: float = DEFAULT_DECLINE,
    start: ArrayLike = 0.0,
    dry_hours: ArrayLike = 0,
) -> tuple[Floats, NDArray[np.int64]]:
    """Index after each hour, and the count of dry hours it ends with.

    Carrying both into the next call gives the same bits as one call for the whole.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Hourly means at the surface, shape (hours,) or (hours, zones). [°C, -100 to 200] [%, 0 or
        more; above 100 counts as 100] nan in either is a missing hour: index and dry hours hold.
    mould_class : {"VS", "S", "MR", "R"}
        Class of the material.
    decline : float
        Share of the decline measured on pine. [0 to 1]
    start : array_like
        Index before the first hour, one for all or shape (zones,). [0 to 6]
    dry_hours : array_like
        Dry hours on end before the first hour, one for all or shape (zones,). [0 or more]

    Returns
    -------
    series : ndarray
        Element i is the index after hour i, 0 to 6; the shape of the conditions.
    dry_hours_after : ndarray
        Dry hours on end after the last hour, shape () or (zones,).

    Raises
    ------
    ValueError
        If a value is out of range, the class unknown, or a start is nan.

    Notes
    -----
    Steps of one hour, within 0.003 of the exact solution. Per hour, sources [1], [2]::

        growth  = k1 (1 - exp(2.3 (M - M_max))) / (168 exp(-0.68 ln T - 13.9 ln RH + 0.14 W + 66.02))
        decline = decline * (0.00133 in dry hours 1 to 6, 0 to the 24th, 0.000667 after)
    """
    growth, largest = _conditions(temperature_c, humidity_percent, mould_class)
    if growth.ndim not in {1, 2}:
        raise ValueError(f"conditions must have 1 or 2 dimensions, got {growth.ndim}")
    within("decline", decline, 0.0, 1.0)
    columns = growth.shape[1:]
    index = np.broadcast_to(within("start", start, 0.0, LARGEST_INDEX), columns)
    dry = np.broadcast_to(within("dry_hours", dry_hours, 0.0), columns)
    if np.isnan(index).any() or np.isnan(dry).any():
        raise ValueError("start and dry_hours must be known; carry the last known state")
    material = _material(mould_class)
    if growth[:1].size > SCALAR_COLUMNS:
        return _advance_many(growth, largest, material, decline, index, dry.astype(np.int64))
    width = growth[:1].size if len(growth) else index.size
    grid = growth.reshape(len(growth), width), largest.reshape(len(growth), width)
    series = np.empty(grid[0].shape)
    after = np.empty(width, dtype=np.int64)
    for zone in range(width):
        hours = grid[0][:, zone].tolist(), grid[1][:, zone].tolist()
        state = float(index.flat[zone]), int(dry.flat[zone])
        series[:, zone], after[zone] = _advance_one(*hours, material, decline, *state)
    return series.reshape(growth.shape), after.reshape(columns)[()]


def days_to_index(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    mould_class: MouldClass,
    target: float,
    start: ArrayLike = 0.0,
) -> Floats:
    """Days until the index reaches a target if the conditions stay as they are.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Conditions at the surface. [°C, -100 to 200] [%, 0 or more; above 100 counts as 100]
    mould_class : {"VS", "S", "MR", "R"}
        Class of the material.
    target : float
        Index to reach. [0 to 6]
    start : array_like
        Index now. [0 to 6]

    Returns
    -------
    ndarray
        Days. 0 where the target is reached already, inf where it never will be, nan where a
        condition or the start is missing.

    Raises
    ------
    ValueError
        If a value is out of range or the class unknown.

    Notes
    -----
    The growth of `advance_index` in closed form, one speed below index 1 and another above::

        dM/dt = r (1 - exp(2.3 (M - M_max)))   =>   r t = [M - ln(1 - exp(2.3 (M - M_max))) / 2.3]
    """
    within("target", target, 0.0, LARGEST_INDEX)
    rate, largest = _conditions(temperature_c, humidity_percent, mould_class)
    rate, largest, index = np.broadcast_arrays(
        rate, largest, within("start", start, 0.0, LARGEST_INDEX)
    )
    material = _material(mould_class)
    reached = index >= target
    possible = (rate > 0.0) & (largest > target) & ~reached
    knee = min(1.0, target)
    m, top = index[possible], largest[possible]
    slow = _potential(np.full(m.shape, knee), top) - _potential(np.minimum(m, knee), top)
    fast = _potential(np.full(m.shape, target), top) - _potential(
        np.minimum(np.maximum(m, knee), target), top
    )
    hours = np.full(rate.shape, np.inf)
    hours[possible] = (slow / material.slow + fast / material.fast) / rate[possible]
    hours[reached] = 0.0
    hours[np.isnan(rate) | np.isnan(index)] = np.nan
    return (hours / 24.0)[()]


def _material(mould_class: str) -> _Material:
    one_of("mould_class", mould_class, MOULD_CLASSES)
    return _MATERIALS[mould_class]


def _conditions(
    temperature_c: ArrayLike, humidity_percent: ArrayLike, mould_class: MouldClass
) -> tuple[Floats, Floats]:
    """Speed of growth [index/h, pine at index 0 being the unit of k1] and largest index.

    Both are 0 in a dry hour and nan in a missing one.
    """
    material = _material(mould_class)
    celsius, humidity = np.broadcast_arrays(
        floats(temperature_c), within("humidity_percent", humidity_percent, 0.0)
    )
    humidity = np.minimum(humidity, 100.0)
    critical = np.asarray(critical_humidity(temperature_c=celsius, mould_class=mould_class))
    favourable = humidity > critical
    t, rh, edge = celsius[favourable], humidity[favourable], critical[favourable]

    growth = np.where(np.isnan(celsius + humidity), np.nan, 0.0)
    largest = growth.copy()
    log_weeks = -0.68 * np.log(t) - 13.9 * np.log(rh) + 0.14 * material.planed + 66.02
    growth[favourable] = np.exp(-log_weeks) / _HOURS_PER_WEEK
    x = (edge - rh) / (edge - 100.0)
    a, b, c = material.largest
    largest[favourable] = np.maximum(a + x * (b - c * x), 0.0)
    return growth, largest


def _potential(index: Floats, largest: Floats) -> Floats:
    """Time from far below to an index at unit speed; differences of it are durations."""
    return index - np.log(-np.expm1(_STEEPNESS * (index - largest))) / _STEEPNESS


def _advance_one(
    growth: list[float],
    largest: list[float],
    material: _Material,
    decline: float,
    index: float,
    dry_hours: int,
) -> tuple[list[float], int]:
    """One zone, hour by hour, in plain floats: one order of operations, whatever the batch."""
    slow, fast, exp = material.slow, material.fast, math.exp
    first, late = _FIRST_DECLINE * decline, _LATE_DECLINE * decline
    series = []
    for speed, top in zip(growth, largest, strict=True):
        if speed > 0.0:
            dry_hours = 0
            if index < top:
                pace = slow if index < 1.0 else fast
                room = 1.0 - exp(_STEEPNESS * (index - top))
                index = min(index + speed * pace * room, LARGEST_INDEX)
        elif speed == 0.0:
            dry_hours += 1
            if dry_hours <= _FIRST_HOURS:
                index = max(index - first, 0.0)
            elif dry_hours > _REST_UNTIL_HOURS:
                index = max(index - late, 0.0)
        series.append(index)
    return series, dry_hours


def _advance_many(
    growth: Floats,
    largest: Floats,
    material: _Material,
    decline: float,
    index: Floats,
    dry_hours: NDArray[np.int64],
) -> tuple[Floats, NDArray[np.int64]]:
    """All zones at once, hour by hour; equals `_advance_one` within 1e-9."""
    series = np.empty(growth.shape)
    for hour, (speed, top) in enumerate(zip(growth, largest, strict=True)):
        dry = speed == 0.0
        dry_hours = np.where(dry, dry_hours + 1, np.where(speed > 0.0, 0, dry_hours))
        falls = np.where(dry_hours <= _FIRST_HOURS, _FIRST_DECLINE, 0.0)
        falls = np.where(dry_hours > _REST_UNTIL_HOURS, _LATE_DECLINE, falls) * decline
        room = np.maximum(-np.expm1(_STEEPNESS * (index - top)), 0.0)
        gain = speed * np.where(index < 1.0, material.slow, material.fast) * room
        change = np.where(dry, -falls, np.where(speed > 0.0, gain, 0.0))
        index = np.minimum(np.maximum(index + change, 0.0), LARGEST_INDEX)
        series[hour] = index
    return series, dry_hours
