"""Airing: whether opening dries or wets, how fast, when, and what people and gas add.

**The sign is that of the vapour pressure, never of the relative humidity**: winter air of 95 % dries
a room, summer air of 60 % may wet it. What is said of opening is about water only. People and
flames need air whatever the figures here say, so the words for an occupied unit
(`monitor.text`) never ask to close anything.

References
----------
.. [1] ASHRAE Handbook: Fundamentals (2017), ch. 1, eq. 20 (humidity ratio).
.. [2] ISO 13788:2012: 80 % at the surface as the limit for mould.
.. [3] R. L. Maddalena and others, Environ. Sci. Technol. 43 (2009), abstract: four unoccupied
   housing trailers exchanged their air 0.15 to 0.39 times an hour.
.. [4] A handbook of solar housing, table 10.1.1, as a public page quotes it (second-hand).
.. [5] New Zealand metal roofing code of practice, clause 10.8.1, per household of 2.5 people.
.. [6] Household moisture sources, a table of 1988 for cold climates, as a public page quotes it
   (second-hand; US pints of 473 mL).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics.air import (
    WATER_GAS_CONSTANT_J_KG_K,
    WATER_TO_AIR,
    ZERO_C_IN_K,
    absolute_humidity,
    dew_point,
    dew_point_uncertainty,
    humidity_ratio,
    pressure_at_altitude,
    relative_humidity,
    saturation_vapour_pressure,
    vapour_pressure,
)
from monitor.physics.arguments import Floats, floats, within
from monitor.physics.wall import MOULD_LIMIT_PERCENT, surface_humidity, surface_temperature
from monitor.physics.wood import equilibrium_moisture

Advice = Literal["condenses", "dries", "wets", "no clear effect", "unknown"]
ADVICE: tuple[Advice, ...] = get_args(Advice)

SENSOR_TEMPERATURE_U_K, SENSOR_HUMIDITY_U_PERCENT = 0.2, 2.0  # data sheets of common chips
LEAST_DEADBAND_K = 1.0  # two places of one unit differ by this. Our choice.
SURFACE_MARGIN_K = 1.0  # what a temperature factor and a lag leave unknown. Our choice.
SURFACE_LAG_H = 24.0  # a full water tank, or things stacked in a cabinet. Our choice.
LEAST_KNOWN_SHARE = 0.5  # of the weight of a lag's past. Our choice.

CLOSED_CHANGES_PER_H = (0.15, 0.39)  # [3]
AJAR_CHANGES_PER_H = 2.0  # a roof vent and a window ajar: from memory 1 to 5, by wind
LEAST_OPEN_C = 2.0  # colder air is not let in on lines with water. Our choice.
LEAST_DAYS, MOST_DAYS = 3, 7  # of a typical day: fewer are no pattern, more another season

PANEL_DENSITY_KG_M3 = 500.0  # thin plywood, ISO 10456 from memory
SLOW_RELEASE = 2.0  # cushions, clothes and thick parts, which no area counts. Our choice.
ASSUMED_PANELS_M2 = 80.0  # of 3 mm ply that the air of a unit reaches. Our choice.

WATER_PER_PROPANE, WATER_PER_BUTANE = 1.634, 1.550  # kg/kg: C3H8 gives 4 H2O, C4H10 5

_DRY_AIR_GAS_CONSTANT_J_KG_K = WATER_TO_AIR * WATER_GAS_CONSTANT_J_KG_K
_LEAST_CHANGES_PER_H, _MOST_CHANGES_PER_H = 0.01, 1000.0
_DAY_H = 24

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabin:
    """What airing a unit depends on.

    Attributes
    ----------
    volume_m3 : float
        Air inside.
    altitude_m : float
    open_changes_per_h : float
        How often its air is exchanged in an hour while opened for airing. It depends on wind and
        vents more than on anything here: a figure for the size of things.
    lines_can_freeze : bool
        Whether there is water in its lines and nothing keeps them warm: neither winterised nor
        heated.
    """

    volume_m3: float
    altitude_m: float = 0.0
    open_changes_per_h: float = AJAR_CHANGES_PER_H
    lines_can_freeze: bool = True

    def __post_init__(self) -> None:
        within("volume_m3", self.volume_m3, 1.0, 1000.0)
        _changes("open_changes_per_h", self.open_changes_per_h)
        pressure_at_altitude(altitude_m=self.altitude_m)

    @property
    def pressure_pa(self) -> float:
        """Mean pressure of the air."""
        return float(pressure_at_altitude(altitude_m=self.altitude_m))


# --- dry or wet -----------------------------------------------------------------------------------


def advice(
    *,
    inside_c: ArrayLike,
    inside_percent: ArrayLike,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    coldest_surface_c: ArrayLike,
    deadband_k: ArrayLike | None = None,
) -> NDArray[np.str_]:
    """What opening does to the water inside.

    Parameters
    ----------
    inside_c, inside_percent, outside_c, outside_percent : array_like
        Air inside and outside; the humidity as a sensor gives it. [°C, -100 to 200] [%, 0 to 120]
    coldest_surface_c : array_like
        Coldest surface that the air inside touches, such as `lagging_surface` gives.
        [°C, -100 to 200]
    deadband_k : array_like, optional
        Least difference of the dew points that counts. [K, 0 or more] By default that of
        `deadband`.

    Returns
    -------
    ndarray of str
        One of `ADVICE`, the first that holds:

        - "condenses": the dew point outside is above the coldest surface less 1 K;
        - "dries": the dew point inside is above that outside by the deadband or more;
        - "wets": it is below it by as much;
        - "no clear effect".

        "unknown" where anything is nan, or air so dry that it has no dew point.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    "condenses" goes first, even where the air inside is the wetter: from an open vent a cold
    surface draws water without end, from the air of a closed cabin a few cups. What is inside and
    wetter still condenses there: heat the surface, then air.
    """
    band = (
        deadband(
            inside_c=inside_c,
            inside_percent=inside_percent,
            outside_c=outside_c,
            outside_percent=outside_percent,
        )
        if deadband_k is None
        else within("deadband_k", deadband_k, 0.0)
    )
    outside_dew_c = _dew_point(outside_c, outside_percent)
    drier_k = _dew_point(inside_c, inside_percent) - outside_dew_c
    above_surface_k = outside_dew_c - within("coldest_surface_c", coldest_surface_c, -100.0, 200.0)
    code = np.select(
        [
            np.isnan(drier_k + above_surface_k + band),
            above_surface_k > -SURFACE_MARGIN_K,
            drier_k >= band,
            drier_k <= -band,
        ],
        [ADVICE.index(word) for word in ("unknown", "condenses", "dries", "wets")],
        ADVICE.index("no clear effect"),
    )
    words: NDArray[np.str_] = np.array(ADVICE)[code]
    return words


def deadband(
    *,
    inside_c: ArrayLike,
    inside_percent: ArrayLike,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    temperature_u_k: ArrayLike = SENSOR_TEMPERATURE_U_K,
    humidity_u_percent: ArrayLike = SENSOR_HUMIDITY_U_PERCENT,
    outside_humidity_u_percent: ArrayLike | None = None,
) -> Floats:
    """Difference of two dew points that two sensors can tell.

    Parameters
    ----------
    inside_c, inside_percent, outside_c, outside_percent : array_like
        Air inside and outside. [°C, -100 to 200] [%, 0 to 120]
    temperature_u_k, humidity_u_percent : array_like
        Accuracy of both sensors. [K] [%] 0 or more
    outside_humidity_u_percent : array_like, optional
        Of the one outside, if it is another. [%] 0 or more

    Returns
    -------
    ndarray
        Root of the sum of the squares of the two uncertainties, at least 1 K. [K] Wider in dry
        air: 1.7 K where both are at 20 %. nan where there is no dew point.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    inside_u, outside_u = (
        dew_point_uncertainty(
            temperature_c=celsius,
            humidity_percent=humidity,
            temperature_u_k=temperature_u_k,
            humidity_u_percent=accuracy,
        )
        for celsius, humidity, accuracy in (
            (inside_c, inside_percent, humidity_u_percent),
            (
                outside_c,
                outside_percent,
                humidity_u_percent
                if outside_humidity_u_percent is None
                else outside_humidity_u_percent,
            ),
        )
    )
    return np.maximum(LEAST_DEADBAND_K, np.sqrt(inside_u * inside_u + outside_u * outside_u))


def lagging_surface(
    *,
    inside_c: ArrayLike,
    outside_c: ArrayLike,
    temperature_factor: ArrayLike,
    time_constant_h: float = SURFACE_LAG_H,
) -> Floats:
    """Coldest surface inside, what is slow to warm up included.

    Mild damp air after a cold spell is the classic failure: skin and air are warm within the hour,
    while tanks, floors and full cabinets are still as cold as yesterday, and water settles there.

    Parameters
    ----------
    inside_c, outside_c : array_like
        Hourly temperature of the air in the order of time, hours on the first axis; three time
        constants of them or more. [°C, -100 to 200] nan where not measured.
    temperature_factor : array_like
        Temperature factor of the coldest place. [0 to 1]
    time_constant_h : float
        Time in which slow things make good 63 % of a change. [h, 1 to 240]

    Returns
    -------
    ndarray
        At each hour the coldest of the air inside, the place with that factor, and what follows
        the colder of those two with the time constant. [°C] nan in a missing hour, and where the
        hours known hold less than half of the weight of the past: 17 h after a start from nothing
        with the default.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Mean of the past with weights falling as exp(-t / time constant), over the hours known.
    """
    kept = float(np.exp(-1.0 / within("time_constant_h", time_constant_h, 1.0, 240.0)))
    inside = np.atleast_1d(floats(inside_c))
    at_bridge = surface_temperature(
        inside_c=inside, outside_c=outside_c, temperature_factor=temperature_factor
    )
    now = np.minimum(inside, at_bridge)
    known = ~np.isnan(now)
    added = np.where(known, now, 0.0)
    total, weight = np.zeros(now.shape[1:]), np.zeros(now.shape[1:])
    lagged = np.full(now.shape, np.nan)
    for hour in range(len(now)):
        total = kept * total + added[hour]
        weight = kept * weight + known[hour]
        enough = weight * (1.0 - kept) >= LEAST_KNOWN_SHARE
        lagged[hour] = np.where(enough, total / np.where(enough, weight, 1.0), np.nan)
    coldest: Floats = np.minimum(now, lagged)
    return coldest


# --- how fast, and when ---------------------------------------------------------------------------


def humidity_after_warming(
    *, outside_c: ArrayLike, outside_percent: ArrayLike, inside_c: ArrayLike
) -> Floats:
    """Relative humidity that air from outside has once it is as warm as the cabin.

    Parameters
    ----------
    outside_c, outside_percent : array_like
        Air outside. [°C, -100 to 200] [%, 0 to 120]
    inside_c : array_like
        Temperature inside. [°C, -100 to 200]

    Returns
    -------
    ndarray
        Relative humidity: the driest that airing alone can make it. [%] Above 100 in a cabin
        colder than the dew point outside: water condenses.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    return surface_humidity(
        temperature_c=outside_c, humidity_percent=outside_percent, surface_c=inside_c
    )


def drying_rate(
    *,
    inside_c: ArrayLike,
    inside_percent: ArrayLike,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    air_changes_per_h: ArrayLike,
    cabin: Cabin,
) -> Floats:
    """Water that leaves with the air, less what comes in with it.

    Parameters
    ----------
    inside_c, inside_percent, outside_c, outside_percent : array_like
        Air inside and outside. [°C, -100 to 200] [%, 0 to 120]
    air_changes_per_h : array_like
        How often the air is exchanged. [1/h, 0.01 to 1000]
    cabin : Cabin

    Returns
    -------
    ndarray
        Water that leaves. [g/h] Negative where opening brings water in. It falls as the cabin
        dries: within the hour where nothing gives off water.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    rho V n (W_in - W_out), with rho the dry air in a volume of the air inside, source [1] of this
    module.
    """
    pressure_pa = cabin.pressure_pa
    inside_pa = vapour_pressure(temperature_c=inside_c, humidity_percent=inside_percent)
    ratio_in = humidity_ratio(vapour_pressure_pa=inside_pa, pressure_pa=pressure_pa)
    ratio_out = _outside_ratio(outside_c, outside_percent, cabin)
    changes = _changes("air_changes_per_h", air_changes_per_h)
    return 1000.0 * dry_air(inside_c, inside_pa, cabin) * changes * (ratio_in - ratio_out)


def dry_air(inside_c: ArrayLike, inside_pa: ArrayLike, cabin: Cabin) -> Floats:
    """Dry air in a cabin [kg], from its temperature [°C] and vapour pressure [Pa]."""
    return (cabin.pressure_pa - floats(inside_pa)) / _gas(inside_c) * cabin.volume_m3


def typical_day(
    *, temperature_c: ArrayLike, humidity_percent: ArrayLike, days: int = MOST_DAYS
) -> tuple[Floats, Floats]:
    """Mean day of the last days, for the next 24 hours where there is no forecast.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Hourly air in the order of time, up to the last full hour. [hours; °C, -100 to 200]
        [%, 0 to 120] nan where not measured.
    days : int
        How many of the last days to take, as far as the hours go. [3 to 7]

    Returns
    -------
    temperature_c, humidity_percent : ndarray
        Mean temperature, and the humidity that the mean vapour pressure makes at it, at most 100:
        the mean of humidities would not be the humidity of the mean air. [24; °C, %] The first is
        the hour after the last one given. nan for an hour of the day known on fewer than 3 days.

    Raises
    ------
    ValueError
        If an argument is out of range, or the hours are not of one length.
    """
    if not LEAST_DAYS <= days <= MOST_DAYS:
        raise ValueError(f"days must be {LEAST_DAYS} to {MOST_DAYS}, got {days}")
    celsius = within("temperature_c", temperature_c, -100.0, 200.0)
    pressure_pa = vapour_pressure(temperature_c=celsius, humidity_percent=humidity_percent)
    if celsius.ndim != 1 or len(floats(humidity_percent)) != len(celsius):
        raise ValueError("temperature_c and humidity_percent must be hours of one length")
    kept = min(days, len(celsius) // _DAY_H) * _DAY_H
    first = len(celsius) - kept
    both = np.stack([celsius[first:], pressure_pa[first:]]).reshape(2, -1, _DAY_H)
    known = ~np.isnan(both[1])
    count = known.sum(axis=0)
    means = np.where(known, both, 0.0).sum(axis=1) / np.maximum(count, 1)
    mean_c, mean_pa = np.where(count >= LEAST_DAYS, means, np.nan)
    humidity = relative_humidity(vapour_pressure_pa=mean_pa, temperature_c=mean_c)
    return mean_c, np.minimum(humidity, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpeningHours:
    """Hours worth opening.

    Attributes
    ----------
    worth : ndarray of bool
        One for each hour ahead.
    windows : tuple of (int, int)
        Runs of them: first hour, and the hour after the last.
    least_g, most_g : float
        Water that leaves in them. Least: what the air of the cabin itself holds too much, once.
        Most: as much each hour as in the first, while furnishings keep the air as humid as it is.
    unknown_hours : int
        Hours nobody can judge; they are not worth opening.
    advice : ndarray of str
        What opening does in each hour (`advice`), rain and frost aside.
    """

    worth: Bools
    windows: tuple[tuple[int, int], ...]
    least_g: float
    most_g: float
    unknown_hours: int
    advice: NDArray[np.str_]


def opening_hours(
    *,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    inside_c: ArrayLike,
    inside_percent: ArrayLike,
    coldest_surface_c: ArrayLike,
    raining: Bools | bool,
    cabin: Cabin,
) -> OpeningHours:
    """Hours in which opening dries, of those ahead.

    Parameters
    ----------
    outside_c, outside_percent : array_like
        Hourly air outside: a forecast, or `typical_day`. [hours; °C, -100 to 200] [%, 0 to 120]
    inside_c, inside_percent, coldest_surface_c : array_like
        Air and coldest surface inside, hour by hour, or as they are now.
        [°C, -100 to 200] [%, 0 to 120]
    raining : ndarray of bool, or bool
        Hours to leave out because it rains. False where nobody knows: then say "not in rain".
    cabin : Cabin
        Where its lines can freeze, hours below 2 °C outside are left out.

    Returns
    -------
    OpeningHours
        Without windows where no hour is worth it.

    Raises
    ------
    ValueError
        If an argument is out of range, or the air outside not a run of hours.

    Notes
    -----
    Air alone, with an open cabin of n changes an hour for t hours: V (v_in - v_out) (1 - exp(-n t)),
    of the run of hours that takes out most.
    """
    celsius = floats(outside_c)
    if celsius.ndim != 1:
        raise ValueError("outside_c must be a run of hours")
    air = {
        "inside_c": inside_c,
        "inside_percent": inside_percent,
        "outside_c": celsius,
        "outside_percent": outside_percent,
    }
    effect = advice(**air, coldest_surface_c=coldest_surface_c)
    freezes = cabin.lines_can_freeze & (celsius < LEAST_OPEN_C)
    worth = (effect == "dries") & ~np.asarray(raining, dtype=np.bool_) & ~freezes
    changes = cabin.open_changes_per_h
    rate = np.where(worth, drying_rate(**air, air_changes_per_h=changes, cabin=cabin), 0.0)
    windows = _runs(worth)
    from_air = [
        rate[start:end].mean() / changes * -np.expm1(-changes * (end - start))
        for start, end in windows
    ]
    return OpeningHours(
        worth=worth,
        windows=windows,
        least_g=float(max(from_air, default=0.0)),
        most_g=float(rate.sum()),
        unknown_hours=int((effect == "unknown").sum()),
        advice=effect,
    )


# --- what furnishings hold ------------------------------------------------------------------------


def air_g_per_point(*, temperature_c: ArrayLike, cabin: Cabin) -> Floats:
    """Water that changes the humidity of a cabin's air by one point, were there nothing but air.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of the air. [°C, -100 to 200]
    cabin : Cabin

    Returns
    -------
    ndarray
        Water. [g] 3.8 g for 30 m³ at 15 °C.

    Raises
    ------
    ValueError
        If a temperature is out of range.
    """
    one_percent_pa = 0.01 * saturation_vapour_pressure(temperature_c=temperature_c, over="liquid")
    return cabin.volume_m3 * absolute_humidity(
        vapour_pressure_pa=one_percent_pa, temperature_c=temperature_c
    )


def buffer_g_per_point(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    area_m2: float,
    thickness_m: float,
    density_kg_m3: float = PANEL_DENSITY_KG_M3,
) -> Floats:
    """Water that wooden furnishings give off as the humidity falls by one point.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        Air they have come to rest with. [°C, -100 to 125] [%, 0 to 100]
    area_m2, thickness_m, density_kg_m3 : float
        Panels that the air reaches: area of one face, whole thickness, dry density.
        [m², 0 to 1000] [m, 0 to 0.1] [kg/m³, 50 to 1500]

    Returns
    -------
    ndarray
        Water, from the slope of the moisture of wood. [g] Some 260 g for 80 m² of 3 mm plywood at
        15 °C and 65 %, against 3.8 g in 30 m³ of air: that is why drying takes days.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    mass_kg = float(
        within("area_m2", area_m2, 0.0, 1000.0)
        * within("thickness_m", thickness_m, 0.0, 0.1)
        * within("density_kg_m3", density_kg_m3, 50.0, 1500.0)
    )
    half = 0.5
    centre = np.clip(within("humidity_percent", humidity_percent, 0.0, 100.0), half, 100.0 - half)
    wetter, drier = (
        equilibrium_moisture(temperature_c=temperature_c, humidity_percent=centre + step)
        for step in (half, -half)
    )
    return 1000.0 * mass_kg * (wetter - drier) / 100.0


def days_to_dry(
    *,
    humidity_percent: ArrayLike,
    target_percent: ArrayLike,
    warmed_percent: ArrayLike,
    rate_g_h: ArrayLike,
    buffer_g_per_percent: ArrayLike,
    open_h: ArrayLike = 24.0,
) -> tuple[Floats, Floats]:
    """How long airing takes, as a range.

    Parameters
    ----------
    humidity_percent, target_percent : array_like
        Humidity that the furnishings have come to rest with, and where it shall go. [%, 0 to 120]
    warmed_percent : array_like
        Humidity of the air outside once warmed (`humidity_after_warming`). [%, 0 or more]
    rate_g_h : array_like
        Water that leaves now (`drying_rate`). [g/h]
    buffer_g_per_percent : array_like
        Water in air and furnishings by point of humidity (`air_g_per_point`,
        `buffer_g_per_point`). [g, 0 or more]
    open_h : array_like
        Hours of each day in which it is open. [h, 0 to 24]

    Returns
    -------
    least, most : ndarray
        Days. Least: water goes on leaving as fast as now. Most: ever slower as the humidity comes
        near that of the warmed air, and twice as much water. 0 where it is dry enough already;
        infinite where airing brings nothing out, or not down to the target.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Most: C dh/dt = -K (h - h_w) gives C / K ln((h - h_w) / (h_target - h_w)), with K the rate by
    point of difference. A rough figure: one buffer, one temperature, the same weather every day.
    """
    humidity = within("humidity_percent", humidity_percent, 0.0, 120.0)
    target = within("target_percent", target_percent, 0.0, 120.0)
    rate_g_d = floats(rate_g_h) * within("open_h", open_h, 0.0, 24.0)
    buffer_g = within("buffer_g_per_percent", buffer_g_per_percent, 0.0)
    warmed = within("warmed_percent", warmed_percent, 0.0)
    above, left = humidity - warmed, target - warmed
    per_point_d = buffer_g / np.where(rate_g_d == 0.0, np.nan, rate_g_d)
    ratio = np.where(left > 0.0, above / np.where(left > 0.0, left, 1.0), np.nan)
    slow = SLOW_RELEASE * per_point_d * above * np.log(np.where(ratio > 0.0, ratio, np.nan))
    unknown = np.isnan(humidity + target + warmed + rate_g_d + buffer_g)
    done, stuck = humidity <= target, rate_g_d <= 0.0
    least = np.select([unknown, done, stuck], [np.nan, 0.0, np.inf], per_point_d * (above - left))
    most = np.select([unknown, done, stuck | (left <= 0.0)], [np.nan, 0.0, np.inf], slow)
    return least[()], most[()]


# --- occupied -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MoistureSource:
    """Water that living gives off.

    Attributes
    ----------
    least_g, most_g : float
    per : str
        What that is for.
    source : str
    """

    least_g: float
    most_g: float
    per: str
    source: str


SOURCES: Mapping[str, MoistureSource] = MappingProxyType(
    {
        "awake": MoistureSource(
            40.0, 60.0, "person and hour", "sitting [4]; 52 in [6]; 60 to 120 when active [4]"
        ),
        "asleep": MoistureSource(
            20.0,
            50.0,
            "person and hour",
            "50 mL/h in [5], of one person or of 2.5; half an imperial pint a night, 35, elsewhere",
        ),
        "shower": MoistureSource(210.0, 240.0, "5 minutes", "2500 g/h [4]; half a pint [6]"),
        "cooking": MoistureSource(
            140.0, 1200.0, "person and day", "dinner for four, 1.2 pints [6]; 3.0 L/day for 2.5 [5]"
        ),
        "propane": MoistureSource(
            1000.0 * WATER_PER_PROPANE, 1000.0 * WATER_PER_PROPANE, "kg burnt", "stoichiometry"
        ),
        "butane": MoistureSource(
            1000.0 * WATER_PER_BUTANE, 1000.0 * WATER_PER_BUTANE, "kg burnt", "stoichiometry"
        ),
    }
)


def generation(
    *,
    awake: float = 0.0,
    asleep: float = 0.0,
    showers_per_d: float = 0.0,
    cooked_for: float = 0.0,
    unvented_propane_kg_per_d: float = 0.0,
    unvented_butane_kg_per_d: float = 0.0,
) -> tuple[float, float]:
    """Water that people give off, cooking, washing and burning gas included.

    Parameters
    ----------
    awake, asleep : float
        People inside: at an hour, or in the mean of a day. [0 or more]
    showers_per_d : float
        Showers of 5 minutes, their vapour let into the cabin. [1/d, 0 or more]
    cooked_for : float
        People cooked for, without the flame. [0 or more]
    unvented_propane_kg_per_d, unvented_butane_kg_per_d : float
        Gas burnt in cookers and heaters without a flue. [kg/d, 0 or more] A furnace with a flue
        adds none.

    Returns
    -------
    least_g_h, most_g_h : float
        Water, what is by day spread over the day. [g/h] Sources differ by a factor of two, of
        cooking by eight.

    Raises
    ------
    ValueError
        If an argument is negative.
    """
    by_hour = {"awake": awake, "asleep": asleep}
    by_day = {
        "shower": showers_per_d,
        "cooking": cooked_for,
        "propane": unvented_propane_kg_per_d,
        "butane": unvented_butane_kg_per_d,
    }
    amounts = {
        **{name: float(within(name, value, 0.0)) for name, value in by_hour.items()},
        **{name: float(within(name, value, 0.0)) / _DAY_H for name, value in by_day.items()},
    }
    return (
        sum(amount * SOURCES[name].least_g for name, amount in amounts.items()),
        sum(amount * SOURCES[name].most_g for name, amount in amounts.items()),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Balance:
    """Air of an occupied unit at rest.

    Attributes
    ----------
    humidity_ratio, vapour_pressure_pa, dew_point_c, humidity_percent : ndarray
        As if no water condensed: above 100 % it does, and runs down what is coldest.
    """

    humidity_ratio: Floats
    vapour_pressure_pa: Floats
    dew_point_c: Floats
    humidity_percent: Floats


def moisture_balance(
    *,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    inside_c: ArrayLike,
    generation_g_h: ArrayLike,
    air_changes_per_h: ArrayLike,
    cabin: Cabin,
) -> Balance:
    """Humidity that a unit settles at: as much water leaves with the air as is given off.

    Parameters
    ----------
    outside_c, outside_percent : array_like
        Air outside. [°C, -100 to 200] [%, 0 to 120]
    inside_c : array_like
        Temperature inside. [°C, -100 to 200]
    generation_g_h : array_like
        Water given off (`generation`). [g/h, 0 or more]
    air_changes_per_h : array_like
        How often the air is exchanged. [1/h, 0.01 to 1000]
    cabin : Cabin

    Returns
    -------
    Balance
        nan where so much vapour would displace all air.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    W_in = W_out + G / (rho V n), rho as in `drying_rate`. Furnishings delay it by days.
    """
    pressure_pa = cabin.pressure_pa
    ratio_out = _outside_ratio(outside_c, outside_percent, cabin)
    given_off = within("generation_g_h", generation_g_h, 0.0) / 1000.0
    changes = _changes("air_changes_per_h", air_changes_per_h)
    # of a volume of the air inside [Pa]; solved for the vapour, since rho depends on it
    added_pa = given_off * _gas(inside_c) / (changes * cabin.volume_m3)
    inside_pa = (ratio_out * pressure_pa + added_pa) / (WATER_TO_AIR + ratio_out)
    inside_pa = np.where(inside_pa < pressure_pa, inside_pa, np.nan)[()]
    return Balance(
        humidity_ratio=humidity_ratio(vapour_pressure_pa=inside_pa, pressure_pa=pressure_pa),
        vapour_pressure_pa=inside_pa,
        dew_point_c=dew_point(vapour_pressure_pa=inside_pa),
        humidity_percent=relative_humidity(vapour_pressure_pa=inside_pa, temperature_c=inside_c),
    )


def air_changes_needed(
    *,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    inside_c: ArrayLike,
    surface_c: ArrayLike,
    generation_g_h: ArrayLike,
    cabin: Cabin,
    target_percent: ArrayLike = MOULD_LIMIT_PERCENT,
) -> Floats:
    """How often the air must be exchanged to hold the humidity at a surface.

    Parameters
    ----------
    outside_c, outside_percent, inside_c, generation_g_h, cabin
        As for `moisture_balance`.
    surface_c : array_like
        Temperature of the surface. [°C, -100 to 200]
    target_percent : array_like
        Humidity there: 80 against mould [2], 100 against water running down; over ice below
        0.01 °C. [%, 1 to 100]

    Returns
    -------
    ndarray
        Air changes. [1/h] Infinite where the air outside alone makes the surface that humid: no
        airing is enough, only a warmer surface. What water asks for, not what people and flames
        need.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    ratio_out = _outside_ratio(outside_c, outside_percent, cabin)
    target_pa = vapour_pressure(
        temperature_c=surface_c,
        humidity_percent=within("target_percent", target_percent, 1.0, 100.0),
        reference="ice",
    )
    given_off = within("generation_g_h", generation_g_h, 0.0) / 1000.0
    room_pa = target_pa * (WATER_TO_AIR + ratio_out) - ratio_out * cabin.pressure_pa
    per_change_kg = cabin.volume_m3 * np.where(room_pa > 0.0, room_pa, np.nan) / _gas(inside_c)
    needed = given_off / per_change_kg
    unknown = np.isnan(room_pa + given_off + _gas(inside_c))
    return np.select([unknown, room_pa <= 0.0], [np.nan, np.inf], needed)[()]


def _dew_point(celsius: ArrayLike, humidity: ArrayLike) -> Floats:
    return dew_point(
        vapour_pressure_pa=vapour_pressure(temperature_c=celsius, humidity_percent=humidity)
    )


def _outside_ratio(celsius: ArrayLike, humidity: ArrayLike, cabin: Cabin) -> Floats:
    return humidity_ratio(
        vapour_pressure_pa=vapour_pressure(temperature_c=celsius, humidity_percent=humidity),
        pressure_pa=cabin.pressure_pa,
    )


def _gas(celsius: ArrayLike) -> Floats:
    """R T of dry air [J/kg]: pressure over density."""
    kelvin = within("inside_c", celsius, -100.0, 200.0) + ZERO_C_IN_K
    return _DRY_AIR_GAS_CONSTANT_J_KG_K * kelvin


def _changes(name: str, values: ArrayLike) -> Floats:
    return within(name, values, _LEAST_CHANGES_PER_H, _MOST_CHANGES_PER_H)


def _runs(flags: Bools) -> tuple[tuple[int, int], ...]:
    """First index of each run of True, and the index after its last."""
    edges = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0))
    return tuple((int(start), int(end)) for start, end in edges.reshape(-1, 2))
