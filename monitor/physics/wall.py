"""Surfaces between inside and outside: how cold they get and how humid the air is there.

What gives a humidity holds for surfaces that touch the cabin's air. Air behind a panel has its own
humidity, which nothing here infers from the cabin's.

References
----------
.. [1] ISO 13788:2012: temperature factor, and 80 % at the surface as the limit for mould.
.. [2] DIN 4108-2: the criterion f >= 0.70, for 20 °C and 50 % inside and -5 °C outside.
.. [3] ISO 6946:2017: U value of a component of homogeneous layers.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics.air import Reference, dew_point, relative_humidity, vapour_pressure
from monitor.physics.arguments import Floats, floats, within
from monitor.physics.layers import MOULD_CHECK_FILM_M2_K_W, WALL_FILM_M2_K_W, Assembly

MOULD_LIMIT_PERCENT = 80.0  # [1]
LEAST_FACTOR = 0.70  # [2]

# Sensors of 0.2 K make an error of 0.06 of a factor from 5 K. Our choice.
LEAST_DIFFERENCE_K = 5.0
LEAST_NIGHTS = 3  # fewer say nothing about how far one night is from the next. Our choice.

_COLDEST_C, _HOTTEST_C = -100.0, 200.0


def temperature_factor(
    *, inside_c: ArrayLike, outside_c: ArrayLike, surface_c: ArrayLike
) -> Floats:
    """How far a surface is from the outside temperature, as a share of the whole difference.

    Parameters
    ----------
    inside_c, outside_c, surface_c : array_like
        Temperature of the air inside, of the air outside, of the inner surface. [°C, -100 to 200]

    Returns
    -------
    ndarray
        Temperature factor: 0 as cold as outside, 1 as warm as inside; outside 0 to 1 where sun
        or a lag is at work. nan where inside and outside are equal.

    Raises
    ------
    ValueError
        If a temperature is out of range.

    Notes
    -----
    f = (T_s - T_e) / (T_i - T_e), source [1] of this module.
    """
    outside = _celsius("outside_c", outside_c)
    difference = _celsius("inside_c", inside_c) - outside
    above_outside = _celsius("surface_c", surface_c) - outside
    return above_outside / np.where(difference == 0.0, np.nan, difference)


def surface_temperature(
    *, inside_c: ArrayLike, outside_c: ArrayLike, temperature_factor: ArrayLike
) -> Floats:
    """Temperature of an inner surface from its temperature factor.

    Parameters
    ----------
    inside_c, outside_c : array_like
        Temperature of the air inside and outside. [°C, -100 to 200]
    temperature_factor : array_like
        Temperature factor of the surface. [0 to 1]

    Returns
    -------
    ndarray
        Temperature of the surface. [°C] Without sun or lag.

    Raises
    ------
    ValueError
        If a temperature or factor is out of range.

    Notes
    -----
    T_s = T_e + f (T_i - T_e), source [1] of this module.
    """
    outside = _celsius("outside_c", outside_c)
    factor = within("temperature_factor", temperature_factor, 0.0, 1.0)
    return outside + factor * (_celsius("inside_c", inside_c) - outside)


def surface_humidity(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    surface_c: ArrayLike,
    reference: Reference = "liquid",
) -> Floats:
    """Relative humidity that air has once it is brought to the temperature of a surface.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        The air. [°C, -100 to 200] [%, 0 to 120]
    surface_c : array_like
        Temperature of the surface the air touches. [°C, -100 to 200]
    reference : {"liquid", "ice"}
        What both humidities refer to below 0.01 °C.

    Returns
    -------
    ndarray
        Relative humidity at the surface. [%] Above 100 water condenses; returned as computed.
        Over liquid, frost begins at less than 100 on a surface below 0 °C (95 at -5 °C): for
        condensation compare the frost point with the surface.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    The vapour pressure is the same in the air and at the surface, source [1] of this module.
    """
    pressure = vapour_pressure(
        temperature_c=temperature_c, humidity_percent=humidity_percent, reference=reference
    )
    return relative_humidity(
        vapour_pressure_pa=pressure, temperature_c=surface_c, reference=reference
    )


def minimum_temperature_factor(
    *,
    inside_c: ArrayLike,
    outside_c: ArrayLike,
    humidity_percent: ArrayLike,
    limit_percent: float = MOULD_LIMIT_PERCENT,
) -> Floats:
    """Temperature factor that a surface needs to stay below a humidity.

    Parameters
    ----------
    inside_c, outside_c : array_like
        Temperature of the air inside and outside. [°C, -100 to 200]
    humidity_percent : array_like
        Relative humidity inside, over liquid water. [%, 0 to 120]
    limit_percent : float
        Humidity at the surface not to be passed; over ice below 0.01 °C, as in the standard.
        [%, 1 to 100]

    Returns
    -------
    ndarray
        Least temperature factor. Above 1 no insulation is enough: the air itself is too humid;
        below 0 any surface will do. nan where it is not warmer inside than outside, or no dew
        point exists.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    f_min = (T_sat(p_i / limit) - T_e) / (T_i - T_e), source [1] of this module.
    """
    limit = within("limit_percent", limit_percent, 1.0, 100.0)
    pressure = vapour_pressure(temperature_c=inside_c, humidity_percent=humidity_percent)
    coldest_c = dew_point(vapour_pressure_pa=100.0 * pressure / limit)
    outside = _celsius("outside_c", outside_c)
    difference = _celsius("inside_c", inside_c) - outside
    return (coldest_c - outside) / np.where(difference > 0.0, difference, np.nan)


def u_value(assembly: Assembly) -> float:
    """Heat that passes the field of a wall, by area and difference of the air temperatures.

    Parameters
    ----------
    assembly : Assembly

    Returns
    -------
    float
        U value. [W/(m² K)] Of the layers alone: studs make the whole wall's higher.

    Notes
    -----
    Source [3] of this module.
    """
    return 1.0 / float(_resistances(assembly).sum())


def interface_temperatures(
    assembly: Assembly, *, inside_c: ArrayLike, outside_c: ArrayLike
) -> Floats:
    """Temperatures at the faces of the layers of a wall at rest.

    Parameters
    ----------
    assembly : Assembly
    inside_c, outside_c : array_like
        Temperature of the air inside and outside. [°C, -100 to 200]

    Returns
    -------
    ndarray
        Temperatures from the outer surface to the inner. [°C] The shape of the arguments, with one
        more axis at the end: one face more than layers.

    Raises
    ------
    ValueError
        If a temperature is out of range.

    Notes
    -----
    Each layer takes its share of the resistance, source [1] of this module. A thin wall is at rest
    within minutes to an hour.
    """
    outside = _celsius("outside_c", outside_c)
    difference = _celsius("inside_c", inside_c) - outside
    resistances = _resistances(assembly)
    share: Floats = np.cumsum(resistances)[:-1] / resistances.sum()
    return outside[..., None] + difference[..., None] * share


def worst_factor(assembly: Assembly, *, film_m2_k_w: float = MOULD_CHECK_FILM_M2_K_W) -> float:
    """Temperature factor of the coldest place of a wall's inner surface.

    Parameters
    ----------
    assembly : Assembly
    film_m2_k_w : float
        Resistance of the inner surface: 0.25 as for a check against mould, behind furniture or in
        a corner; 0.13 where the air moves freely. [m² K/W, 0.13 or 0.25]

    Returns
    -------
    float
        Temperature factor of the assembly's bridge: an estimate, not this unit's own.

    Raises
    ------
    ValueError
        If no factor is known for the film.
    """
    factors = {
        WALL_FILM_M2_K_W: assembly.bridge.factor,
        MOULD_CHECK_FILM_M2_K_W: assembly.bridge.mould_check_factor,
    }
    if film_m2_k_w not in factors:
        raise ValueError(f"film_m2_k_w must be 0.13 or 0.25, got {film_m2_k_w:g}")
    return factors[film_m2_k_w]


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorFit:
    """A temperature factor from measured nights.

    Attributes
    ----------
    factor : float
        nan where the hours do not give one.
    uncertainty : float
        Standard uncertainty, from how far nights differ. A sensor that reads 0.2 K wrong adds
        0.2 K over the mean difference, which no number of nights shows; nor does it show what
        changes slowly, as a heater moved or wood that got wet: for that compare fits of weeks.
    hours, nights : int
        Hours used, and the nights they are from.
    mean_difference_k : float
        Mean of the temperature inside less that outside, without its sign.
    """

    factor: float
    uncertainty: float
    hours: int
    nights: int
    mean_difference_k: float


def fit_temperature_factor(
    *, inside_c: ArrayLike, outside_c: ArrayLike, surface_c: ArrayLike, night: NDArray[np.bool_]
) -> FactorFit:
    """Temperature factor of a surface from hours without sun.

    Parameters
    ----------
    inside_c, outside_c, surface_c : array_like
        Hourly temperatures in the order of time: air inside, air outside, the surface or the place
        behind a panel. nan where not measured. [hours; °C, -100 to 200]
    night : ndarray of bool
        True for hours without sun on the wall, some hours after sunset.

    Returns
    -------
    FactorFit
        Without a factor where the mean difference is below `LEAST_DIFFERENCE_K` or the nights are
        fewer than `LEAST_NIGHTS`: then inside and outside hardly differ, and a surface between
        them could have any factor.

    Raises
    ------
    ValueError
        If a temperature is out of range or the arrays are not of one length.

    Notes
    -----
    Least squares of surface less outside over inside less outside, through the origin. Hours of one
    night err together, so the uncertainty counts nights. With x the difference, r what is left::

        u² = N / (N - 1) sum over nights (sum of x r)² / (sum of x²)²

    A skin under a clear sky is colder than the air, which makes the factor come out lower than in
    the laboratory: that is how cold the surface gets, and on the careful side.
    """
    inside, outside, surface = (
        _celsius(name, values)
        for name, values in (
            ("inside_c", inside_c),
            ("outside_c", outside_c),
            ("surface_c", surface_c),
        )
    )
    dark = np.asarray(night, dtype=np.bool_)
    if inside.ndim != 1 or not inside.shape == outside.shape == surface.shape == dark.shape:
        raise ValueError("inside_c, outside_c, surface_c and night must be hours of one length")
    across, above = inside - outside, surface - outside
    used = dark & ~np.isnan(across + above)
    number = np.cumsum(dark & ~np.concatenate([[False], dark[:-1]]))  # of the night; gaps or not
    across, above, of_night = across[used], above[used], number[used]
    hours, nights = len(across), len(np.unique(of_night))
    difference = float(np.abs(across).mean()) if hours else np.nan
    factor = uncertainty = np.nan
    if nights >= LEAST_NIGHTS and difference >= LEAST_DIFFERENCE_K:
        squares = (across * across).sum()
        factor = float((across * above).sum() / squares)
        left = np.bincount(of_night, weights=across * (above - factor * across))
        spread = nights / (nights - 1) * (left * left).sum()
        uncertainty = float(np.sqrt(spread) / squares)
    return FactorFit(
        factor=factor,
        uncertainty=uncertainty,
        hours=hours,
        nights=nights,
        mean_difference_k=difference,
    )


def _resistances(assembly: Assembly) -> Floats:
    """Resistances from the air outside to the air inside, films included."""
    layers = [layer.resistance_m2_k_w for layer in assembly.layers]
    return floats([assembly.outside_film_m2_k_w, *layers, assembly.inside_film_m2_k_w])


def _celsius(name: str, values: ArrayLike) -> Floats:
    return within(name, values, _COLDEST_C, _HOTTEST_C)
