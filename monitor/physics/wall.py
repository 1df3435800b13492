"""Surfaces between inside and outside: how cold they get and how humid the air is there.

These hold for surfaces that touch the cabin's air. Air behind a panel has its own humidity, which
nothing here infers from the cabin's.

References
----------
.. [1] ISO 13788:2012: temperature factor, and 80 % at the surface as the limit for mould.
.. [2] DIN 4108-2: the criterion f >= 0.70, for 20 °C and 50 % inside and -5 °C outside.
"""

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.air import Reference, dew_point, relative_humidity, vapour_pressure
from monitor.physics.arguments import Floats, within

MOULD_LIMIT_PERCENT = 80.0  # [1]

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


def _celsius(name: str, values: ArrayLike) -> Floats:
    return within(name, values, _COLDEST_C, _HOTTEST_C)
