"""Leak evidence: a score a zone and day, as a fold over days.

Wood stores the moisture [1]_, so the wood's moisture is followed, not the humidity of the air beside
it. For each day the change that the weather, the cabin and the like zones explain is expected; what
is left over is weighed by five witnesses::

    balance        more water than the weather explains, day after day (a cumulative sum)
    rain           what is left over follows rain (a regression with forgetting, 15 and 60 days)
    vapour source  the cavity holds more vapour than cabin and outside: water is inside it
    like zones     wetter against the unit's like zones than it used to be
    weather        wetter than the wood would be in outside air

Beside these, two Kalman filters [2]_ learn how wet the zone should be, one from its like zones, one
from the weather and the cabin. Each splits what it measures into what its zone's own coefficients
explain and a slowly changing rest, the excess, into which a leak goes rather than into what is
learned. They begin with the coefficients of an average zone, so that weeks are enough to know one.

A fitted table of weights (`monitor.evidence.weights`) makes one score of them, 0 to 1, which is no
probability: no real leaks have been measured. What a zone expects is not learned while a witness
suspects a leak, else the leak would be learned.

Rows are zones, of one unit or of a thousand: every operation is elementwise or a sum over a short,
fixed axis, so a zone's figures are the same bits alone and in company.

References
----------
.. [1] P. Cleary and M. Sherman, "Seasonal storage of moisture in roof sheathing", Lawrence Berkeley
   Laboratory (1984), citation from memory.
.. [2] R. E. Kalman, "A new approach to linear filtering and prediction problems", Journal of Basic
   Engineering 82 (1960), 35-45, citation from memory.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from monitor.evidence.folds import Lossless, drive, median_of_known
from monitor.physics import air, wood

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAY_H = 24
LEAST_HOURS = 6  # a day with fewer is missing
FIRST_DAYS = 7  # after them, a zone's first level is noted: what was built in, or leaked before
SKIN_K = 1.0  # how much colder than the probe the skin behind it is taken for
BRIDGED_DAYS = 3  # shorter gaps are bridged: the change over them counts as one day's

# What the expectation is made of: vapour from cabin and outside, exchange with deep wood, the like
# zones' change, the change of temperature, a constant.
_START = np.array([0.03, 0.05, 0.17, 0.6, -0.01, 0.0])
_START_SPREAD = np.array([0.1, 0.2, 0.4, 2.0, 0.0125, 0.16])
_CONSTANT = 0.3
_FORGETTING = 0.999
_NEVER_NEGATIVE = 3  # the first so many terms
_LARGEST_ERROR = 3.0  # standard deviations: what is beyond teaches no more

_DEEP_SHARE = 0.12  # of the way that deep wood goes to the surface in a day
_START_SIGMA, _LEAST_SIGMA, _SIGMA_SHARE = 0.12, 0.02, 0.03
_START_SOURCE, _LEAST_SOURCE = 1.5, 0.3  # of the vapour source [% of saturation]
_SLACK, _LARGEST_SUM = 0.4, 40.0  # of the cumulative sum, in standard deviations
_DOUBTED_SUM, _DOUBTED_RAIN = 5.0, 3.5  # above either nothing is learned
_FROST_C, _FROST_TRUST = -3.0, 0.3  # below, the isotherm says little

_LEAST_RAIN_MM = 0.8
_WETTING_DRIVE = 0.5  # about 2 mm
SNOW_C = 0.5  # rain at or below it is snow
_MELT_MM_K_DAY = 3.0  # water from lying snow in a day of 1 °C; handbooks say 2 to 6, from memory
_TODAY, _YESTERDAY = 0.55, 0.45
_MEAN_SHARE = 0.02
_FORGET_FAST, _FORGET_SLOW = 0.935, 0.9835  # 15 and 60 days

# How wet a zone should be: coefficients of healthy zones of simulated worlds, their mean and variance
# between zones, and the noise of a day (`tests/fit/leak.py --expected` prints them).
_SIDES = ("like", "weather")
_EXPECTED = {
    "like": np.array([0.1, -0.6, -0.5, 0.2, -0.3, 0.3]),
    "weather": np.array([0.0, 1.7, 0.2, -1.0, 1.8, 0.2]),
}
_EXPECTED_VARIANCE = {
    "like": np.array([1.5, 0.7, 0.2, 0.7, 0.5, 0.5]),
    "weather": np.array([0.6, 1.4, 1.0, 1.0, 1.1, 0.2]),
}
_NOISE = {"like": 0.15, "weather": 0.17}  # less than their scatter, which lasts for days
_EXCESS_KEPT, _EXCESS_STEP, _EXCESS_START = 0.998, 0.03, 0.1  # of a day; standard deviations
_EXCESS_SLACK = 0.3  # of its cumulative sum, in standard deviations
_EXCESS_BELOW, _EXCESS_ABOVE = -3.0, 4.0  # standard deviations: what is beyond moves it no more
_FAST, _SLOW = 1.0 / 5.0, 1.0 / 20.0  # days that wood near the surface, and all of it, lags


_UNKNOWN_AT_FIRST = (
    *("moisture", "deep", "temperature_c", "cabin_gap", "outside_gap"),
    *("source_fast", "source_slow", "source_past", "like_fast", "like_slow"),
    *("weather_fast", "weather_slow", "dew", "in_use", "like_first", "weather_first"),
    *("ambient_fast", "ambient_slow", "indoor_fast", "indoor_slow", "warmth"),
)


@dataclass(slots=True, eq=False)
class Memory(Lossless):
    """What the fold carries from day to day, one column a zone; nan where nothing is known yet."""

    moisture: Floats  # (R,) of the last day with data [%]
    deep: Floats
    temperature_c: Floats
    cabin_gap: Floats  # vapour, cabin less zone, of that day [g/m3]
    outside_gap: Floats
    missing: Floats  # days since that day
    age: Floats  # days with data
    theta: Floats  # (6, R)
    spread: Floats  # (6, 6, R)
    variance: Floats
    cusum: Floats
    drive: Floats  # of the day before
    drive_mean: Floats
    rain: Floats  # drive of today and yesterday less its mean, 0 where nobody told
    snow_mm: Floats
    own_cusum: Floats  # the same against the like zones' unexplained change
    own_hit: Floats
    own_weight: Floats
    fast_hit: Floats  # sums of the rain regressions
    fast_weight: Floats
    slow_hit: Floats
    slow_weight: Floats
    source_fast: Floats
    source_slow: Floats
    source_past: Floats  # what was usual before any suspicion
    source_variance: Floats
    source_hit: Floats
    source_weight: Floats
    like_fast: Floats
    like_slow: Floats
    weather_fast: Floats
    weather_slow: Floats
    dew: Floats  # part of the day in which the cabin's vapour would condense on the zone's skin
    in_use: Floats  # part of the last weeks with people or water in the pipes
    wettings: Floats  # days of wetting lived through, of the last 60 or so
    like_first: Floats  # how far above its like zones it stood when it was new to us
    weather_first: Floats
    ambient_fast: Floats  # wood in balance with outside air at the zone's temperature [%]
    ambient_slow: Floats
    indoor_fast: Floats  # with cabin air
    indoor_slow: Floats
    warmth: Floats  # temperature of the last weeks [°C]
    like_theta: Floats  # (7, R) six coefficients and the excess over the like zones [%]
    like_spread: Floats  # (7, 7, R)
    like_sum: Floats
    like_hit: Floats
    like_weight: Floats
    weather_theta: Floats  # the same against the weather
    weather_spread: Floats
    weather_sum: Floats
    weather_hit: Floats
    weather_weight: Floats

    @classmethod
    def empty(cls, zones: int) -> "Memory":
        """Nothing known of so many zones."""
        start = {field.name: np.zeros(zones) for field in fields(cls)}
        for name in _UNKNOWN_AT_FIRST:
            start[name] = np.full(zones, np.nan)
        start["theta"] = np.repeat(_START[:, None], zones, axis=1)
        start["spread"] = np.repeat(np.diag(_START_SPREAD)[:, :, None], zones, axis=2)
        start["variance"] = np.full(zones, _START_SIGMA**2)
        start["source_variance"] = np.full(zones, _START_SOURCE**2)
        for side in _SIDES:
            first = np.append(_EXPECTED[side], 0.0)
            spread = np.diag(np.append(_EXPECTED_VARIANCE[side], _EXCESS_START**2))
            start[f"{side}_theta"] = np.repeat(first[:, None], zones, axis=1)
            start[f"{side}_spread"] = np.repeat(spread[:, :, None], zones, axis=2)
        return cls(**start)

    def forget(self, column: int) -> None:
        """Begin one zone anew."""
        fresh = Memory.empty(1)
        for field in fields(self):
            getattr(self, field.name)[..., column] = getattr(fresh, field.name)[..., 0]

    def arranged(self, order: list[int]) -> "Memory":
        """The same with its columns in another order; -1 is a zone nothing is known of."""
        memory = Memory.empty(len(order))
        for field in fields(self):
            old, new = getattr(self, field.name), getattr(memory, field.name)
            for column, source in enumerate(order):
                if source >= 0:
                    new[..., column] = old[..., source]
        return memory


@dataclass(frozen=True, slots=True, eq=False)
class DayMeans:
    """One day of every zone, (R,) each; nan where less than a quarter of it was measured."""

    temperature_c: Floats
    moisture: Floats  # wood in balance with the air [%]
    vapour: Floats  # [g/m3]
    saturation: Floats  # vapour at saturation [g/m3]


def day_means(*, temperature_c: Floats, humidity_percent: Floats) -> DayMeans:
    """Means over whole days of hours.

    Parameters
    ----------
    temperature_c, humidity_percent : ndarray
        Hourly means, shape (..., hours) with whole days. [°C] [%]

    Returns
    -------
    DayMeans
        Arrays of shape (..., days).

    Notes
    -----
    The wood's moisture is taken at -10 to 70 °C and 1 to 97.5 %: beyond, the isotherm runs away
    with the sensor's error.
    """
    known = np.isfinite(temperature_c) & np.isfinite(humidity_percent)
    celsius = np.where(known, temperature_c, np.nan)
    humidity = np.where(known, humidity_percent, np.nan)
    moisture = wood.equilibrium_moisture(
        temperature_c=np.clip(celsius, -10.0, 70.0),
        humidity_percent=np.clip(humidity, 1.0, 97.5),
    )
    pressure = air.vapour_pressure(temperature_c=celsius, humidity_percent=humidity)
    full = air.saturation_vapour_pressure(temperature_c=celsius, over="liquid")
    return DayMeans(
        temperature_c=_over_days(celsius),
        moisture=_over_days(moisture),
        vapour=_over_days(
            air.absolute_humidity(vapour_pressure_pa=pressure, temperature_c=celsius)
        ),
        saturation=_over_days(
            air.absolute_humidity(vapour_pressure_pa=full, temperature_c=celsius)
        ),
    )


def dew_share(*, temperature_c: Floats, cabin_vapour_pa: Floats) -> Floats:
    """Part of each day in which the cabin's vapour would condense on the zone's skin.

    Parameters
    ----------
    temperature_c : ndarray
        Of the zone, hourly, shape (..., hours) with whole days. [°C]
    cabin_vapour_pa : ndarray
        Of its cabin, the same shape. [Pa]

    Returns
    -------
    ndarray
        0 to 1, shape (..., days); nan where less than a quarter of the day is known.
    """
    full = air.saturation_vapour_pressure(temperature_c=temperature_c - SKIN_K)
    known = np.isfinite(full) & np.isfinite(cabin_vapour_pa)
    return _over_days(np.where(known, (cabin_vapour_pa >= full) * 1.0, np.nan))


def _over_days(hours: Floats) -> Floats:
    """Mean of each day; sums over whole numbers of 1e-6, so that no order of hours matters."""
    split = np.rint(hours * 1e6).reshape(*hours.shape[:-1], -1, DAY_H)
    seen = np.isfinite(split)
    count = seen.sum(axis=-1)
    total = np.where(seen, split, 0.0).sum(axis=-1)
    mean: Floats = np.where(count >= LEAST_HOURS, total / np.maximum(count, 1) / 1e6, np.nan)
    return mean


@dataclass(frozen=True, slots=True, eq=False)
class Around:
    """What surrounds each zone in one day, (R,) each; nan where unknown."""

    cabin_vapour: Floats  # [g/m3]
    outside_vapour: Floats
    outside_c: Floats
    rain_mm: Floats
    wetted: Floats  # drive of a hose test, a wash or a noted thaw on this zone, 0 without
    dew: Floats  # part of the day in which the cabin's air would condense on the zone's skin
    in_use: Floats  # 1 with people in the unit or water in its pipes, 0 without
    like: Ints  # (R, K) columns of each zone's like zones, -1 where it has fewer


FEATURES = (
    "balance",
    "own_balance",
    "rain_15",
    "rain_60",
    "own_rain",
    "source_5",
    "source_20",
    "source_rise",
    "source_rain",
    "like_rise",
    "like_level",
    "weather_rise",
    "weather_level",
    "moisture",
    "dew",
    "age",
    "like_excess",
    "like_sum",
    "like_rain",
    "weather_excess",
    "weather_sum",
    "weather_rain",
)


def advance_day(memory: Memory, day: DayMeans, around: Around) -> Floats:
    """Take one more day of every zone into `memory`, in place, and weigh it.

    Returns
    -------
    ndarray
        Features of shape (len(FEATURES), R); nan where the zone was not measured that day.
    """
    known = np.isfinite(day.moisture)
    bridged = known & (memory.missing <= BRIDGED_DAYS)
    change = np.where(bridged, day.moisture - memory.moisture, np.nan)
    cabin_gap = around.cabin_vapour - day.vapour
    outside_gap = around.outside_vapour - day.vapour
    terms = np.stack(
        [
            _two_days(cabin_gap, memory.cabin_gap),
            _two_days(outside_gap, memory.outside_gap),
            _or_zero(memory.deep - memory.moisture),
            _or_zero(_median_of(change, around.like)),
            _or_zero(day.temperature_c - memory.temperature_c),
            np.full(len(known), _CONSTANT),
        ]
    )
    error = change - _dot(memory.theta, terms)
    error = np.where(day.temperature_c < _FROST_C, _FROST_TRUST * error, error)
    own = error - _or_zero(_median_of(error, around.like))
    sigma = np.sqrt(memory.variance)
    _weigh_balance(memory, error / sigma, own / sigma)
    _weigh_rain(memory, error, own, around)
    _learn(memory, terms, error, sigma)
    _weigh_levels(memory, day, around, known)
    _weigh_excess(memory, day, around)
    _remember(memory, day, known, cabin_gap, outside_gap)
    return np.where(known, _features(memory, day), np.nan)


def _weigh_balance(memory: Memory, error: Floats, own: Floats) -> None:
    for sums, surplus in ((memory.cusum, error), (memory.own_cusum, own)):
        after = np.clip(sums + surplus - _SLACK, 0.0, _LARGEST_SUM)
        sums[:] = np.where(np.isnan(surplus), sums, after)


def _weigh_rain(memory: Memory, error: Floats, own: Floats, around: Around) -> None:
    """Regress what is left over on the rain of today and yesterday."""
    fallen = np.where(around.outside_c <= SNOW_C, 0.0, around.rain_mm)
    snow = np.where(around.outside_c <= SNOW_C, _or_zero(around.rain_mm), 0.0)
    melt = np.minimum(memory.snow_mm, _MELT_MM_K_DAY * np.maximum(_or_zero(around.outside_c), 0.0))
    memory.snow_mm += snow - melt
    water_mm = _or_zero(fallen) + melt
    asked = np.where(water_mm < _LEAST_RAIN_MM, 0.0, drive(water_mm))
    asked = np.maximum(asked, around.wetted)
    both = _TODAY * asked + _YESTERDAY * memory.drive
    memory.drive[:] = asked
    memory.drive_mean += _MEAN_SHARE * (both - memory.drive_mean)
    rain = both - memory.drive_mean
    told = np.isfinite(error) & (np.isfinite(around.rain_mm) | (around.wetted > 0.0))
    rain = np.where(told, rain, 0.0)
    memory.rain[:] = rain
    memory.wettings[:] = _FORGET_SLOW * memory.wettings + (told & (asked >= _WETTING_DRIVE))
    power = memory.variance * rain * rain
    for hit, weight, left, kept in (
        (memory.fast_hit, memory.fast_weight, error, _FORGET_FAST),
        (memory.slow_hit, memory.slow_weight, error, _FORGET_SLOW),
        (memory.own_hit, memory.own_weight, own, _FORGET_SLOW),
    ):
        hit[:] = kept * hit + _or_zero(left) * rain
        weight[:] = kept * weight + power


def _learn(memory: Memory, terms: Floats, error: Floats, sigma: Floats) -> None:
    """Recursive least squares with forgetting, held while a witness suspects a leak."""
    doubted = (memory.cusum > _DOUBTED_SUM) | (
        _ratio(memory.slow_hit, memory.slow_weight) > _DOUBTED_RAIN
    )
    learns = np.isfinite(error) & ~doubted
    bound = _LARGEST_ERROR * sigma
    taught = np.clip(_or_zero(error), -bound, bound)
    spread_terms = (memory.spread * terms[None]).sum(axis=1)
    gain = spread_terms / (_FORGETTING + _dot(terms, spread_terms))
    theta = memory.theta + gain * taught
    theta[:_NEVER_NEGATIVE] = np.maximum(theta[:_NEVER_NEGATIVE], 0.0)
    spread = (memory.spread - gain[:, None] * spread_terms[None]) / _FORGETTING
    # forgetting without news would let the spread grow without end
    spread = np.clip(spread, -_START_SPREAD.max() * 4.0, _START_SPREAD.max() * 4.0)
    memory.theta[:] = np.where(learns, theta, memory.theta)
    memory.spread[:] = np.where(learns, spread, memory.spread)
    variance = memory.variance + _SIGMA_SHARE * (taught * taught - memory.variance)
    memory.variance[:] = np.where(
        learns, np.maximum(variance, _LEAST_SIGMA * _LEAST_SIGMA), memory.variance
    )


def _weigh_levels(memory: Memory, day: DayMeans, around: Around, known: NDArray[np.bool_]) -> None:
    outer = np.fmax(around.cabin_vapour, around.outside_vapour)
    source = 100.0 * (day.vapour - outer) / day.saturation
    _weigh_source(memory, source - memory.source_slow)
    _smooth(memory.source_fast, source, 1.0 / 5.0)
    _smooth(memory.source_slow, source, 1.0 / 20.0)
    slow = np.maximum(0.015, 1.0 / (memory.age + 3.0))
    slow = np.where(memory.cusum > _DOUBTED_SUM, 0.0, slow)
    ahead = day.moisture - _median_of(day.moisture, around.like)
    _smooth(memory.source_past, source, slow)
    _smooth(memory.like_fast, ahead, 0.4)
    _smooth(memory.like_slow, ahead, slow)
    ambient = _wood_in(around.outside_vapour, day)
    excess = day.moisture - ambient
    _smooth(memory.weather_fast, excess, 0.2)
    _smooth(memory.weather_slow, excess, slow)
    _smooth(memory.dew, around.dew, 1.0 / 20.0)
    _smooth(memory.in_use, np.where(known, around.in_use, np.nan), 1.0 / 20.0)
    memory.age += known
    new = known & (memory.age == FIRST_DAYS)
    memory.like_first[:] = np.where(new, memory.like_fast, memory.like_first)
    memory.weather_first[:] = np.where(new, memory.weather_fast, memory.weather_first)
    indoor = _wood_in(around.cabin_vapour, day)
    _smooth(memory.ambient_fast, ambient, _FAST)
    _smooth(memory.ambient_slow, ambient, _SLOW)
    _smooth(memory.indoor_fast, indoor, _FAST)
    _smooth(memory.indoor_slow, indoor, _SLOW)
    _smooth(memory.warmth, day.temperature_c, _SLOW)


def _wood_in(vapour: Floats, day: DayMeans) -> Floats:
    """Wood in balance with that vapour at the zone's temperature [%]."""
    moisture: Floats = wood.equilibrium_moisture(
        temperature_c=np.clip(day.temperature_c, -10.0, 70.0),
        humidity_percent=np.clip(100.0 * vapour / day.saturation, 1.0, 97.5),
    )
    return moisture


def expected_terms(
    memory: Memory, day: DayMeans, around: Around
) -> dict[str, tuple[Floats, Floats]]:
    """What the two filters regress: terms (6, R) and moisture (R,) of each, after `advance_day`.

    The moisture is that above the like zones' median, and that above 12 %; nan where unknown.
    """
    median = _median_of(day.moisture, around.like)
    warmer_k = day.temperature_c - _median_of(day.temperature_c, around.like)
    one = np.ones(len(day.moisture))
    like = [
        one,
        (median - 12.0) / 3.0,
        warmer_k / 2.0,
        (memory.indoor_slow - memory.ambient_slow) / 3.0,
        (memory.warmth - 10.0) / 10.0,
        (memory.ambient_fast - memory.ambient_slow) / 3.0,
    ]
    weather = [
        one,
        (memory.ambient_fast - 12.0) / 3.0,
        (memory.indoor_fast - 12.0) / 3.0,
        (memory.ambient_slow - 12.0) / 3.0,
        (memory.indoor_slow - 12.0) / 3.0,
        (day.temperature_c - 10.0) / 10.0,
    ]
    there = np.isfinite(memory.ambient_fast) & np.isfinite(memory.indoor_fast)
    return {
        "like": (_or_zero(np.stack(like)), day.moisture - median),
        "weather": (_or_zero(np.stack(weather)), np.where(there, day.moisture - 12.0, np.nan)),
    }


def _weigh_excess(memory: Memory, day: DayMeans, around: Around) -> None:
    """One step of each Kalman filter; its surprises are summed up, and regressed on rain."""
    for side, (terms, level) in expected_terms(memory, day, around).items():
        theta, spread = getattr(memory, f"{side}_theta"), getattr(memory, f"{side}_spread")
        theta[-1] *= _EXCESS_KEPT
        spread[-1] *= _EXCESS_KEPT
        spread[:, -1] *= _EXCESS_KEPT
        spread[-1, -1] += _EXCESS_STEP**2
        seen = np.concatenate([terms, np.ones((1, terms.shape[1]))])
        shared = (spread * seen[None]).sum(axis=1)
        variance = _NOISE[side] ** 2 + _dot(seen, shared)
        sigma = np.sqrt(variance)
        surprise = (_or_zero(level) - _dot(seen, theta)) / sigma
        known = np.isfinite(level)
        surprise = np.where(known, np.clip(surprise, _EXCESS_BELOW, _EXCESS_ABOVE), 0.0)
        gain = np.where(known, shared / variance, 0.0)
        theta += gain * (surprise * sigma)
        spread -= gain[:, None] * shared[None]
        total = getattr(memory, f"{side}_sum")
        summed = np.clip(total + surprise - _EXCESS_SLACK, 0.0, _LARGEST_SUM)
        total[:] = np.where(known, summed, total)
        hit, weight = getattr(memory, f"{side}_hit"), getattr(memory, f"{side}_weight")
        hit[:] = _FORGET_SLOW * hit + surprise * memory.rain
        weight[:] = _FORGET_SLOW * weight + memory.rain * memory.rain


def _weigh_source(memory: Memory, surplus: Floats) -> None:
    """Regress the vapour source's departure from its own three weeks on the same rain."""
    rain = np.where(np.isnan(surplus), 0.0, memory.rain)
    memory.source_hit[:] = _FORGET_SLOW * memory.source_hit + _or_zero(surplus) * rain
    memory.source_weight[:] = (
        _FORGET_SLOW * memory.source_weight + memory.source_variance * rain * rain
    )
    doubted = memory.cusum > _DOUBTED_SUM
    spread = memory.source_variance + _SIGMA_SHARE * (surplus**2 - memory.source_variance)
    spread = np.where(np.isnan(surplus) | doubted, memory.source_variance, spread)
    memory.source_variance[:] = np.maximum(spread, _LEAST_SOURCE**2)


def _remember(
    memory: Memory,
    day: DayMeans,
    known: NDArray[np.bool_],
    cabin_gap: Floats,
    outside_gap: Floats,
) -> None:
    deep = memory.deep + _DEEP_SHARE * (day.moisture - memory.deep)
    deep = np.where(np.isnan(memory.deep), day.moisture, deep)
    for name, value in (
        ("moisture", day.moisture),
        ("deep", deep),
        ("temperature_c", day.temperature_c),
        ("cabin_gap", cabin_gap),
        ("outside_gap", outside_gap),
    ):
        kept = getattr(memory, name)
        kept[:] = np.where(known, value, kept)
    memory.missing[:] = np.where(known, 0.0, memory.missing + 1.0)


def _features(memory: Memory, day: DayMeans) -> Floats:
    return np.stack(
        [
            memory.cusum,
            memory.own_cusum,
            _ratio(memory.fast_hit, memory.fast_weight),
            _ratio(memory.slow_hit, memory.slow_weight),
            _ratio(memory.own_hit, memory.own_weight),
            _or_zero(memory.source_fast),
            _or_zero(memory.source_slow),
            _or_zero(memory.source_fast - memory.source_past),
            _ratio(memory.source_hit, memory.source_weight),
            _or_zero(memory.like_fast - memory.like_slow),
            _or_zero(memory.like_fast),
            _or_zero(memory.weather_fast - memory.weather_slow),
            _or_zero(memory.weather_fast),
            day.moisture,
            _or_zero(memory.dew),
            memory.age,
            memory.like_theta[-1],
            memory.like_sum,
            _ratio(memory.like_hit, memory.like_weight),
            memory.weather_theta[-1],
            memory.weather_sum,
            _ratio(memory.weather_hit, memory.weather_weight),
        ]
    )


def witnesses(memory: Memory) -> dict[str, Floats]:
    """What the verdict looks at beside the features, (R,) each."""
    return {
        "in_use": memory.in_use,
        "like_first": _or_zero(memory.like_first),
        "weather_first": _or_zero(memory.weather_first),
        "wettings": memory.wettings,
    }


# --- arithmetic over rows ---------------------------------------------------------------------------


def _two_days(today: Floats, yesterday: Floats) -> Floats:
    """Half the sum of two days; today's twice where yesterday's is unknown, 0 where today's is."""
    return _or_zero(0.5 * (today + np.where(np.isnan(yesterday), today, yesterday)))


def _or_zero(values: Floats) -> Floats:
    return np.where(np.isnan(values), 0.0, values)


def _dot(left: Floats, right: Floats) -> Floats:
    """Sum over terms, in their order."""
    total: Floats = (left * right).sum(axis=0)
    return total


def _ratio(hit: Floats, weight: Floats) -> Floats:
    """Student's t of a rain regression; 0 before any rain."""
    return np.where(weight > 0.0, hit / np.sqrt(np.where(weight > 0.0, weight, 1.0)), 0.0)


def _smooth(kept: Floats, value: Floats, share: Floats | float) -> None:
    """Exponential mean in place; begins at the first value, holds over missing ones."""
    after = np.where(np.isnan(kept), value, kept + share * (value - kept))
    kept[:] = np.where(np.isnan(value), kept, after)


def _median_of(values: Floats, like: Ints) -> Floats:
    """Median over each zone's like zones that are known; nan where none is."""
    return median_of_known(np.where(like >= 0, values[like], np.nan).T)
