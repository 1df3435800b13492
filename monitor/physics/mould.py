"""Growth of mould on a surface, as an index from 0 to 6.

::

    0  nothing           1  some, seen with a microscope     2  several colonies, microscope
    3  first to be seen  4  visible, 10 to 50 % of the area  5  more than 50 %   6  dense, all over

An hour is *favourable* where 0 < T < 50 °C and the surface humidity is above the critical one.
Then the index grows, ever slower towards the largest index of those conditions. Else the hour is
*dry*, and the index falls in the first 6 dry hours on end, rests until the 24th, then falls again.

The index says nothing about species, health or what an eye would find on a given wall: a sensor
error of 2 % at 90 % humidity changes the speed by a third.

One function serves one zone and a million, by one of three ways that differ by rounding: up to 64
zones side by side in plain floats, each with the bits it has alone; above that in numpy, by blocks
that stay in the cache; from 1,000 zones on as machine code, where numba is installed. The way
depends on the number of zones alone, so that a series may be cut at any hour.

References
----------
.. [1] ANSI/ASHRAE Standard 160-2016 with its mould index in the form of Ojanen and others;
   constants as three independent research codes agree on them, resistant classes from memory.
.. [2] A. Hukka and H. A. Viitanen, Wood Sci. Technol. 33 (1999) 475-485: time to index 1 and 3 on
   pine sapwood.
.. [3] ANSI/ASHRAE Standard 160-2009 as amended: the 30-day criterion, as quoted in the abstract of a
   2017 paper of ASTM STP 1599; from memory: 80 % itself breaks it, 5 and 40 °C are within.
"""

import math
from collections.abc import Callable, Iterator, Sequence
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
    # these two from memory
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
COMPILED_COLUMNS = 1000  # so many are worth the seconds that the first call takes to compile
_BLOCK_COLUMNS, _BLOCK_VALUES = 4096, 65_536  # a block's arrays fit in a processor's caches
_COLDEST_C, _HOTTEST_C = -100.0, 200.0

FORTNIGHT_H = 336
HORIZON_DAYS = 730
MEAN_H = 720  # the 30 days of the criterion
MEAN_LIMIT_PERCENT = 80.0  # [3]
MEAN_COLDEST_C, MEAN_HOTTEST_C = 5.0, 40.0  # [3]
# sums of whole ten-thousandths are exact, so that a mean does not depend on where a series begins
_MEAN_SCALE = 10_000.0


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
    celsius = within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C)
    critical = _critical(celsius, _material(mould_class))
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
    return _conditions(temperature_c, humidity_percent, _material(mould_class))[1][()]


def index_series(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    mould_class: MouldClass,
    decline: float = DEFAULT_DECLINE,
    start: ArrayLike = 0.0,
    dry_hours: ArrayLike = 0,
    compiled: bool | None = None,
) -> Floats:
    """Index after each hour; see `advance_index`, which also gives what the next call needs."""
    return advance_index(
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        mould_class=mould_class,
        decline=decline,
        start=start,
        dry_hours=dry_hours,
        compiled=compiled,
    )[0]


def advance_index(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    mould_class: MouldClass,
    decline: float = DEFAULT_DECLINE,
    start: ArrayLike = 0.0,
    dry_hours: ArrayLike = 0,
    compiled: bool | None = None,
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
    compiled : bool, optional
        Whether to run machine code. By default from `COMPILED_COLUMNS` zones on, where numba is
        installed. Its index is within 1e-12 of numpy's, its dry hours are the same.

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
    ImportError
        If `compiled` is true and numba is not installed.

    Notes
    -----
    Steps of one hour, within 0.003 of the exact solution. Per hour, sources [1], [2]::

        growth  = k1 (1 - exp(2.3 (M - M_max))) / (168 exp(-0.68 ln T - 13.9 ln RH + 0.14 W + 66.02))
        M_max   = A + B x - C x^2, x = (RH_crit - RH) / (RH_crit - 100)
        decline = decline * (0.00133 in dry hours 1 to 6, 0 to the 24th, 0.000667 after)

    Machine code lets other threads run: zones can be shared out among a few.
    """
    celsius, humidity = _hourly(temperature_c, humidity_percent)
    material = _material(mould_class)
    within("decline", decline, 0.0, 1.0)
    columns = celsius.shape[1:]
    index = np.broadcast_to(within("start", start, 0.0, LARGEST_INDEX), columns).flatten()
    dry = np.broadcast_to(within("dry_hours", dry_hours, 0.0), columns).flatten()
    if np.isnan(index).any() or np.isnan(dry).any():
        raise ValueError("start and dry_hours must be known; carry the last known state")
    state = index, dry.astype(np.int64)
    grid = celsius.reshape(len(celsius), len(index)), humidity.reshape(len(celsius), len(index))
    if len(index) <= SCALAR_COLUMNS and not compiled:
        series = _advance_few(*grid, *state, material, decline)
    elif compiled is False or (code := _machine_code(compiled=compiled, zones=len(index))) is None:
        series = _advance_blocks(*grid, *state, _numpy_step(material, decline))
    else:
        series = _advance_blocks(*grid, *state, _compiled_step(code, material, decline))
    return series.reshape(celsius.shape), state[1].reshape(columns)[()]


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
    material = _material(mould_class)
    rate, largest = _conditions(temperature_c, humidity_percent, material)
    rate, largest, index = np.broadcast_arrays(
        rate, largest, within("start", start, 0.0, LARGEST_INDEX)
    )
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


def days_to_index_band(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    temperature_u_k: ArrayLike,
    humidity_u_percent: ArrayLike,
    mould_class: MouldClass,
    target: float,
    start: ArrayLike = 0.0,
) -> tuple[Floats, Floats, Floats]:
    """Days until the index reaches a target, and the band that the sensor's accuracy leaves.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Conditions at the surface. [°C, -100 to 200] [%, 0 or more; above 100 counts as 100]
    temperature_u_k, humidity_u_percent : array_like
        How far off the sensor may be, either way. [K, 0 to 20] [%, 0 to 100]
    mould_class : {"VS", "S", "MR", "R"}
        Class of the material.
    target : float
        Index to reach. [0 to 6]
    start : array_like
        Index now. [0 to 6]

    Returns
    -------
    low, best, high : ndarray
        Days by the fastest of the possible conditions, as measured, and by the slowest; each as
        `days_to_index` gives them, so high is inf where the index may never get there. nan where a
        condition, its accuracy or the start is missing.

    Raises
    ------
    ValueError
        If a value is out of range or the class unknown.

    Notes
    -----
    The ends are taken from the four corners of the errors and the middle: growth is faster the
    warmer and the wetter, up to 50 °C and but for a step of 0.04 % humidity at 20 °C. The spread of the
    model itself, and of the materials in a class, is wider and not in it.
    """
    celsius = within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C)
    humidity = within("humidity_percent", humidity_percent, 0.0)
    error_k = within("temperature_u_k", temperature_u_k, 0.0, 20.0)
    error_percent = within("humidity_u_percent", humidity_u_percent, 0.0, 100.0)

    def days(warmer: float, wetter: float) -> Floats:
        return days_to_index(
            temperature_c=np.clip(celsius + warmer * error_k, _COLDEST_C, _HOTTEST_C),
            humidity_percent=np.maximum(humidity + wetter * error_percent, 0.0),
            mould_class=mould_class,
            target=target,
            start=start,
        )

    best = np.where(np.isnan(error_k + error_percent), np.nan, days(0.0, 0.0))[()]
    corners = [days(warmer, wetter) for warmer in (-1.0, 1.0) for wetter in (-1.0, 1.0)]
    low: Floats = np.minimum.reduce([*corners, best])
    high: Floats = np.maximum.reduce([*corners, best])
    return low, best, high


def forecast(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    mould_class: MouldClass,
    targets: Sequence[float] = (1.0, VISIBLE_INDEX),
    decline: float = DEFAULT_DECLINE,
    start: ArrayLike = 0.0,
    dry_hours: ArrayLike = 0,
) -> Floats:
    """Days until the index reaches targets if the last fortnight repeats itself.

    For conditions that swing from day to night; `days_to_index` of their mean may be wrong by far.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Hourly means at the surface, shape (hours,) or (hours, zones), of whole days; only the last
        14 of them are used. [°C, -100 to 200] [%, 0 or more; above 100 counts as 100] nan in either
        is a missing hour. It is taken from the day before, else the day after, at the same hour.
    mould_class : {"VS", "S", "MR", "R"}
        Class of the material.
    targets : sequence of float
        Indices to reach. [0 to 6]
    decline : float
        Share of the decline measured on pine. [0 to 1]
    start : array_like
        Index now, one for all or shape (zones,). [0 to 6]
    dry_hours : array_like
        Dry hours on end until now, one for all or shape (zones,). [0 or more]

    Returns
    -------
    ndarray
        Days, shape (targets,) or (targets, zones). 0 where the target is reached already, inf where
        it is not within `HORIZON_DAYS`, nan where fewer than half of the hours are known, or
        the start is not.

    Raises
    ------
    ValueError
        If a value is out of range, the class unknown, or the hours are not whole days.
    """
    celsius, humidity = _hourly(temperature_c, humidity_percent)
    if not len(celsius) or len(celsius) % 24:
        raise ValueError(f"hours must be whole days, got {len(celsius)} hours")
    aims = within("targets", list(targets), 0.0, LARGEST_INDEX)
    columns, zones = celsius.shape[1:], math.prod(celsius.shape[1:])
    celsius = celsius[-FORTNIGHT_H:].reshape(-1, zones)
    humidity = humidity[-FORTNIGHT_H:].reshape(-1, zones)
    index = np.broadcast_to(within("start", start, 0.0, LARGEST_INDEX), columns).flatten()
    dry = np.broadcast_to(within("dry_hours", dry_hours, 0.0), columns).flatten()
    days = np.empty((len(aims), zones))
    for block in _slices(zones, _BLOCK_COLUMNS):
        hours = _filled(
            within("temperature_c", celsius[:, block], _COLDEST_C, _HOTTEST_C),
            within("humidity_percent", humidity[:, block], 0.0),
        )
        days[:, block] = _repeat(*hours, index[block], dry[block], aims, (mould_class, decline))
    return days.reshape(len(aims), *columns)


def thirty_day_criterion(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    coverage_share: float = 0.5,
) -> Floats:
    """Tell for each hour whether the 30 days up to its end were too humid.

    The older and plainer rule beside the index, and mostly the stricter one.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Hourly means at the surface, shape (hours,) or (hours, zones). [°C, -100 to 200] [%, 0 or
        more; above 100 counts as 100] nan in either is a missing hour, left out of the means.
    coverage_share : float
        Share of the 720 hours that must be known, those before the first counting as missing. The
        default is common practice, no source. [0 to 1]

    Returns
    -------
    ndarray
        1 where the mean humidity is 80 % or more and the mean temperature 5 to 40 °C, else 0; to be
        added up. nan where too few hours, or none, are known.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    Source [3]: the mean humidity must stay below 80 % while the mean temperature is 5 to 40 °C. Means
    of 720 hours, of values to four decimals; where days are whole, the last hour of each
    has the mean of that day and the 29 before it.
    """
    celsius, humidity = _hourly(temperature_c, humidity_percent)
    within("coverage_share", coverage_share, 0.0, 1.0)
    least = max(coverage_share * MEAN_H, 1.0)
    grid = celsius.reshape(len(celsius), math.prod(celsius.shape[1:]))
    damp = humidity.reshape(grid.shape)
    broken = np.empty(grid.shape)
    for block in _slices(grid.shape[1], max(1, _BLOCK_VALUES // (len(grid) + 1))):
        broken[:, block] = _thirty_days(
            within("temperature_c", grid[:, block], _COLDEST_C, _HOTTEST_C),
            np.minimum(within("humidity_percent", damp[:, block], 0.0), 100.0),
            least,
        )
    return broken.reshape(celsius.shape)


# --- the equations --------------------------------------------------------------------------------


def _material(mould_class: str) -> _Material:
    one_of("mould_class", mould_class, MOULD_CLASSES)
    return _MATERIALS[mould_class]


def _critical(celsius: Floats, material: _Material) -> Floats:
    """Critical humidity; inf where no humidity is enough, and where the temperature is missing."""
    critical = np.empty(celsius.shape)
    _critical_into(critical.ravel(), celsius.ravel(), material)
    return critical


def _critical_into(critical: Floats, celsius: Floats, material: _Material) -> None:
    np.multiply(celsius, -0.00267, out=critical)
    for term in (0.160, -3.13):
        critical += term
        critical *= celsius
    critical += 100.0
    np.maximum(critical, material.lowest_humidity_percent, out=critical)
    np.copyto(critical, material.lowest_humidity_percent, where=celsius > 20.0)
    warm = (celsius > 0.0) & (celsius < HOTTEST_GROWTH_C)
    np.copyto(critical, np.inf, where=~warm)


def _growth(
    celsius: Floats, humidity: Floats, material: _Material, work: Floats | None = None
) -> tuple[Floats, Floats]:
    """Speed of growth [index/h, pine at index 0 being the unit of k1] and largest index.

    Both are 0 in a dry or missing hour. They are views of `work`, shape (8, values or more), where it
    is given: fresh memory for every step of every block would cost as much as the arithmetic. For
    the same reason the equations, in the notes of `advance_index`, are written in place.
    """
    work = np.empty((8, celsius.size)) if work is None else work
    growth, largest, critical, moist, t, rh, edge, spare = work[:, : celsius.size]
    np.minimum(humidity.ravel(), 100.0, out=moist)
    _critical_into(critical, celsius.ravel(), material)
    at = np.flatnonzero(moist > critical)
    t, rh, edge, spare = t[: len(at)], rh[: len(at)], edge[: len(at)], spare[: len(at)]
    np.take(celsius.ravel(), at, out=t, mode="clip")
    np.take(moist, at, out=rh, mode="clip")
    np.take(critical, at, out=edge, mode="clip")

    a, b, c = material.largest  # a + x (b - c x)
    x = np.subtract(edge, rh, out=spare)
    edge -= 100.0
    x /= edge
    top = np.multiply(x, -c, out=edge)
    top += b
    top *= x
    top += a
    largest[:] = 0.0
    largest[at] = np.maximum(top, 0.0, out=top)

    # -0.68 ln T - 13.9 ln RH + 0.14 W + 66.02
    log_weeks = np.multiply(np.log(t, out=t), -0.68, out=t)
    log_weeks -= np.multiply(np.log(rh, out=rh), 13.9, out=rh)
    log_weeks += 0.14 * material.planed
    log_weeks += 66.02
    speed = np.exp(np.negative(log_weeks, out=t), out=t)
    speed /= _HOURS_PER_WEEK
    growth[:] = 0.0
    growth[at] = speed
    return growth.reshape(celsius.shape), largest.reshape(celsius.shape)


def _conditions(
    temperature_c: ArrayLike, humidity_percent: ArrayLike, material: _Material
) -> tuple[Floats, Floats]:
    """`_growth` of values that are in range; nan where one is missing."""
    celsius, humidity = np.broadcast_arrays(
        within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C),
        within("humidity_percent", humidity_percent, 0.0),
    )
    growth, largest = _growth(celsius, humidity, material)
    missing = np.isnan(celsius + humidity)
    growth[missing] = largest[missing] = np.nan
    return growth, largest


def _potential(index: Floats, largest: Floats) -> Floats:
    """Time from far below to an index at unit speed; differences of it are durations."""
    return index - np.log(-np.expm1(_STEEPNESS * (index - largest))) / _STEEPNESS


# --- hour by hour ---------------------------------------------------------------------------------

_Ints = NDArray[np.int64]
# Carries index and dry hours over a block of hours in place, and writes the index to the series
# from (hour, zone) on.
_Step = Callable[[Floats, Floats, Floats, tuple[int, int], Floats, _Ints], None]


def _hourly(
    temperature_c: ArrayLike, humidity_percent: ArrayLike
) -> tuple[NDArray[np.generic], NDArray[np.generic]]:
    """Both as arrays of one shape, not copied: a year of many zones fills the memory once."""
    celsius, humidity = np.broadcast_arrays(np.asarray(temperature_c), np.asarray(humidity_percent))
    if celsius.ndim not in {1, 2}:
        raise ValueError(f"conditions must have 1 or 2 dimensions, got {celsius.ndim}")
    return celsius, humidity


def _slices(length: int, size: int) -> Iterator[slice]:
    return (slice(start, min(start + size, length)) for start in range(0, length, size))


def _machine_code(*, compiled: bool | None, zones: int) -> Callable[..., bool] | None:
    """Machine code of the step if it is wanted and can be had."""
    if compiled is None and zones < COMPILED_COLUMNS:
        return None
    try:
        from monitor.physics import compiled as code
    except ImportError:
        if compiled:
            raise
        return None
    return code.advance


def _advance_few(
    celsius: NDArray[np.generic],
    humidity: NDArray[np.generic],
    index: Floats,
    dry_hours: _Ints,
    material: _Material,
    decline: float,
) -> Floats:
    """Zone after zone, each with the bits it has alone."""
    growth, largest = _conditions(celsius, humidity, material)
    series = np.empty(growth.shape)
    for zone in range(len(index)):
        hours = growth[:, zone].tolist(), largest[:, zone].tolist()
        state = float(index[zone]), int(dry_hours[zone])
        series[:, zone], dry_hours[zone] = _advance_one(*hours, material, decline, *state)
    return series


def _advance_one(
    growth: list[float],
    largest: list[float],
    material: _Material,
    decline: float,
    index: float,
    dry_hours: int,
) -> tuple[list[float], int]:
    """One zone, hour by hour, in plain floats: one order of operations, whatever the batch.

    Calls of `min` and `max` would add a third to the time.
    """
    slow, fast, exp = material.slow, material.fast, math.exp
    first, late = _FIRST_DECLINE * decline, _LATE_DECLINE * decline
    series = []
    for speed, top in zip(growth, largest, strict=True):
        if speed > 0.0:
            dry_hours = 0
            if index < top:
                pace = slow if index < 1.0 else fast
                room = 1.0 - exp(_STEEPNESS * (index - top))
                grown = index + speed * pace * room
                index = grown if grown < LARGEST_INDEX else LARGEST_INDEX
        elif speed == 0.0:
            dry_hours += 1
            if dry_hours > _REST_UNTIL_HOURS:
                index = index - late if index > late else 0.0
            elif dry_hours <= _FIRST_HOURS:
                index = index - first if index > first else 0.0
        series.append(index)
    return series, dry_hours


def _advance_blocks(
    celsius: NDArray[np.generic],
    humidity: NDArray[np.generic],
    index: Floats,
    dry_hours: _Ints,
    step: _Step,
) -> Floats:
    """Many zones, by blocks of zones and hours that fit in the cache; equals `_advance_few` within 1e-12."""
    series = np.empty(celsius.shape)
    for zones in _slices(len(index), _BLOCK_COLUMNS):
        for hours in _slices(len(celsius), max(1, _BLOCK_VALUES // (zones.stop - zones.start))):
            block = floats(celsius[hours, zones]), floats(humidity[hours, zones])
            at = hours.start, zones.start
            step(*block, series, at, index[zones], dry_hours[zones])
    return series


def _compiled_step(code: Callable[..., bool], material: _Material, decline: float) -> _Step:
    constants = (
        *(material.slow, material.fast, *material.largest, material.lowest_humidity_percent),
        66.02 + 0.14 * material.planed + math.log(_HOURS_PER_WEEK),
        *(_FIRST_DECLINE * decline, _LATE_DECLINE * decline),
    )

    def step(
        celsius: Floats,
        humidity: Floats,
        series: Floats,
        at: tuple[int, int],
        index: Floats,
        dry_hours: _Ints,
    ) -> None:
        if code(celsius, humidity, series, at, index, dry_hours, constants):
            within("temperature_c", celsius, _COLDEST_C, _HOTTEST_C)
            within("humidity_percent", humidity, 0.0)

    return step


def _numpy_step(material: _Material, decline: float) -> _Step:
    # by dry hours on end, cut at the first hour after the rest
    falls = np.zeros(_REST_UNTIL_HOURS + 2)
    falls[1 : _FIRST_HOURS + 1] = _FIRST_DECLINE * decline
    falls[-1] = _LATE_DECLINE * decline
    work = np.empty((8, max(_BLOCK_VALUES, _BLOCK_COLUMNS)))

    def step(
        celsius: Floats,
        humidity: Floats,
        series: Floats,
        at: tuple[int, int],
        index: Floats,
        dry_hours: _Ints,
    ) -> None:
        within("temperature_c", celsius, _COLDEST_C, _HOTTEST_C)
        within("humidity_percent", humidity, 0.0)
        growth, largest = _growth(celsius, humidity, material, work)
        dry = (growth == 0.0) & ~np.isnan(celsius + humidity)
        resting = growth == 0.0
        zones = slice(at[1], at[1] + len(index))
        change, fall, capped = np.empty(len(index)), np.empty(len(index)), np.empty_like(dry_hours)
        for hour in range(len(growth)):
            np.add(dry_hours, dry[hour], out=dry_hours)
            np.multiply(dry_hours, resting[hour], out=dry_hours)
            np.minimum(dry_hours, len(falls) - 1, out=capped)
            np.take(falls, capped, out=fall, mode="clip")
            np.multiply(fall, dry[hour], out=fall)
            np.subtract(index, largest[hour], out=change)
            np.multiply(change, _STEEPNESS, out=change)
            np.expm1(np.minimum(change, 0.0, out=change), out=change)
            np.multiply(change, growth[hour], out=change)
            np.multiply(change, np.where(index < 1.0, material.slow, material.fast), out=change)
            np.add(change, fall, out=change)
            np.subtract(index, change, out=index)
            np.clip(index, 0.0, LARGEST_INDEX, out=index)
            series[at[0] + hour, zones] = index

    return step


# --- repeated days, and means of thirty ------------------------------------------------------------


def _filled(celsius: Floats, humidity: Floats) -> tuple[Floats, Floats]:
    """Missing hours from the nearest day before, else after, at the same hour.

    All nan where fewer than half of the hours are known.
    """
    by_hour = (-1, 24, celsius.shape[1])
    pair = np.stack([celsius, humidity]).reshape(2, *by_hour)
    known = ~np.isnan(pair[0] + pair[1])
    days = np.arange(len(known))[:, None, None]
    before = np.maximum.accumulate(np.where(known, days, -1))
    after = np.minimum.accumulate(np.where(known, days, len(known))[::-1])[::-1]
    source = np.where(before >= 0, before, np.minimum(after, len(known) - 1))
    filled = np.take_along_axis(pair, source[None], axis=1)
    filled[..., 2 * known.sum(axis=(0, 1)) < celsius.shape[0]] = np.nan
    return filled[0].reshape(celsius.shape), filled[1].reshape(celsius.shape)


def _repeat(
    celsius: Floats,
    humidity: Floats,
    index: Floats,
    dry_hours: Floats,
    targets: Floats,
    surface: tuple[MouldClass, float],
) -> Floats:
    """Days until each target, shape (targets, zones)."""
    mould_class, decline = surface
    unknown = np.isnan(celsius).all(axis=0) | np.isnan(index) | np.isnan(dry_hours)
    reach = np.nan_to_num(_conditions(celsius, humidity, _material(mould_class))[1]).max(axis=0)
    days = np.where(index >= targets[:, None], 0.0, np.inf)
    days[:, unknown] = np.nan
    for hour in range(0, HORIZON_DAYS * 24, len(celsius)):
        # what grows nowhere above a target cannot pass it
        open_ = np.flatnonzero(((days == np.inf) & (reach > targets[:, None])).any(axis=0))
        if not len(open_):
            break
        series, dry_hours[open_] = advance_index(
            temperature_c=celsius[:, open_],
            humidity_percent=humidity[:, open_],
            mould_class=mould_class,
            decline=decline,
            start=index[open_],
            dry_hours=dry_hours[open_],
        )
        index[open_] = series[-1]
        for wait, target in zip(days, targets, strict=True):
            passed = np.flatnonzero((series.max(axis=0) >= target) & (wait[open_] == np.inf))
            first = (series[:, passed] >= target).argmax(axis=0)
            wait[open_[passed]] = (hour + first + 1) / 24.0
    days[days > HORIZON_DAYS] = np.inf
    return days


def _thirty_days(celsius: Floats, humidity: Floats, least: float) -> Floats:
    """1 where the means of the last `MEAN_H` hours break the rule, 0 where not, nan unknown."""
    missing = np.isnan(celsius + humidity)
    count = _trailing((~missing).astype(np.float64))
    warmth, damp = (
        _trailing(np.where(missing, 0.0, np.rint(values * _MEAN_SCALE)))
        for values in (celsius, humidity)
    )
    unit = count * _MEAN_SCALE
    broken = (
        (damp >= MEAN_LIMIT_PERCENT * unit)
        & (warmth >= MEAN_COLDEST_C * unit)
        & (warmth <= MEAN_HOTTEST_C * unit)
    )
    return np.where(count < least, np.nan, broken.astype(np.float64))


def _trailing(values: Floats) -> Floats:
    """Sum of each hour and those before it in the window."""
    total = np.cumsum(values, axis=0)
    total[MEAN_H:] -= total[:-MEAN_H]  # numpy copies what overlaps
    return total
