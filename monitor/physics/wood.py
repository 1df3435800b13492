"""Moisture of wood: what it takes up from the air around it, and what a pin meter makes of it.

References
----------
.. [1] Forest Products Laboratory: Wood Handbook, FPL-GTR-282 (2021), ch. 4: eq. 4-5 and table 4-2,
   which is calculated from it; p. 4-3. The equation is that of Hailwood and Horrobin with
   coefficients of Simpson (1973). Beware of reprints that use the Celsius coefficients with °F.
.. [2] Temperature and species correction of resistance meters, in the form that Canadian kiln
   practice took from Pfaff and Garrahan, Forest Products Journal 36 (1986): equation and citation
   from memory; checked in the tests against rules on the instruction sheets of meters.
"""

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.arguments import Floats, within

FIBRE_SATURATION_PERCENT = 30.0  # cell walls full, no free water yet; "about 30 %" [1]
LARGEST_EQUILIBRIUM_HUMIDITY_PERCENT = 100.0
# Wood at 92 % humidity and 20 °C. From there on a sensor's 2 % are 1.4 points and more, wetting and
# drying wood lie further apart, and eq. 4-5 lies up to 2 points (at 97 %) below the newer eq. 4-6.
LARGEST_AIR_ESTIMATE_PERCENT = 22.0
SMALLEST_PIN_PERCENT = 7.0  # drier wood hardly conducts; instruction sheets begin there
PIN_REFERENCE_C = 22.7  # where eq. of [2] changes nothing

_COLDEST_C, _HOTTEST_C = -100.0, 125.0
# A coefficient of eq. 4-5 changes its sign near -37 °C and the equation turns to nonsense; table
# 4-2 ends at -1.1 °C and wood changes little with cold, so that colder wood is taken as at -30 °C.
_COLDEST_COEFFICIENTS_C = -30.0


def equilibrium_moisture(*, temperature_c: ArrayLike, humidity_percent: ArrayLike) -> Floats:
    """Moisture content of wood that has come to rest with the air around it.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of wood and air. [°C, -100 to 125] Table 4-2 begins at -1.1 °C; below it the
        equation is extrapolated to -30 °C, and the value of -30 °C stands for what is colder.
    humidity_percent : array_like
        Relative humidity of the air over liquid water. [%, 0 or more] Wood takes up no more from
        air above 100 % than at 100 %: what is more condenses, and that no air sensor measures.

    Returns
    -------
    ndarray
        Moisture content as a share of the dry mass. [%]

    Raises
    ------
    ValueError
        If a temperature is out of range or a humidity negative.

    Notes
    -----
    Source [1] eq. 4-5 of this module. Single species and panels scatter by 3 % around it, wood
    that is drying lies above wood that is wetting, and above `LARGEST_AIR_ESTIMATE_PERCENT` it says
    little.
    """
    celsius = within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C)
    humidity = np.minimum(
        within("humidity_percent", humidity_percent, 0.0), LARGEST_EQUILIBRIUM_HUMIDITY_PERCENT
    )
    w, k, k1, k2 = _coefficients(celsius)
    kh = k * (humidity / 100.0)
    layered = k1 * kh + 2.0 * k1 * k2 * kh * kh
    return 1800.0 / w * (kh / (1.0 - kh) + layered / (1.0 + k1 * kh + k1 * k2 * kh * kh))


def equilibrium_humidity(*, temperature_c: ArrayLike, moisture_percent: ArrayLike) -> Floats:
    """Relative humidity of air that neither wets nor dries wood: the inverse of the above.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of wood and air. [°C, -100 to 125]
    moisture_percent : array_like
        Moisture content as a share of the dry mass. [%, 0 or more]

    Returns
    -------
    ndarray
        Relative humidity over liquid water, within 1e-9 of the root. [%] 100 for wood that is
        wetter than air alone can make it.

    Raises
    ------
    ValueError
        If a temperature is out of range or a moisture content negative.

    Notes
    -----
    By bisection: the moisture rises with humidity at every temperature in range.
    """
    celsius, moisture = np.broadcast_arrays(
        within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C),
        within("moisture_percent", moisture_percent, 0.0),
    )
    low = np.zeros(celsius.shape)
    high = np.full(celsius.shape, LARGEST_EQUILIBRIUM_HUMIDITY_PERCENT)
    for _ in range(40):  # 100 % / 2^40 is 1e-10 %
        middle = 0.5 * (low + high)
        drier = equilibrium_moisture(temperature_c=celsius, humidity_percent=middle) < moisture
        low, high = np.where(drier, middle, low), np.where(drier, high, middle)
    return np.where(np.isnan(celsius + moisture), np.nan, high)[()]


def corrected_pin_moisture(
    *,
    temperature_c: ArrayLike,
    reading_percent: ArrayLike,
    species_factor: ArrayLike = 1.0,
    species_percent: ArrayLike = 0.0,
) -> Floats:
    """Moisture content behind the reading of a pin meter in wood colder or warmer than a room.

    For meters that measure resistance and do not correct themselves: cold wood conducts less and
    reads too dry, by about 0.12 points for each degree at 15 %.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of the wood. [°C, -40 to 85] The source's own range could not be read; the
        rules it was checked against go from about 0 to 50 °C.
    reading_percent : array_like
        What the meter shows on its scale for Douglas fir, as is common. [%, 0 to 100] Good from
        about 7 % to fibre saturation; what lies outside is corrected, but remains a rough figure.
    species_factor, species_percent : array_like
        Slope a and offset b of a species or panel, from oven-dry tests. [-, 0.1 to 10]
        [%, -20 to 20] As they stand, none: the meter's own scale.

    Returns
    -------
    ndarray
        Moisture content as a share of the dry mass, not below 0. [%]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Source [2] of this module, R the reading and T the temperature::

        u_T = (R + 0.567 - 0.0260 T + 0.000051 T²) / (0.881 x 1.0056^T)
        u = (u_T - b) / a

    Nothing changes at 22.7 °C. Rules on instruction sheets add 0.5 to 1 point for each 5 K below
    20 °C. Glue, salt and preservatives make wood read 1 to 2 points wetter.
    """
    t = within("temperature_c", temperature_c, -40.0, 85.0)
    reading = within("reading_percent", reading_percent, 0.0, 100.0)
    factor = within("species_factor", species_factor, 0.1, 10.0)
    offset = within("species_percent", species_percent, -20.0, 20.0)
    at_reference = (reading + 0.567 + t * (-0.0260 + t * 0.000051)) / (0.881 * np.power(1.0056, t))
    return np.maximum((at_reference - offset) / factor, 0.0)


def _coefficients(celsius: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """W, K, K1 and K2 of eq. 4-5 for Celsius [1]."""
    t = np.maximum(celsius, _COLDEST_COEFFICIENTS_C)
    return (
        349.0 + t * (1.29 + t * 0.0135),
        0.805 + t * (0.000736 + t * -0.00000273),
        6.27 + t * (-0.00938 + t * -0.000303),
        1.91 + t * (0.0407 + t * -0.000293),
    )
