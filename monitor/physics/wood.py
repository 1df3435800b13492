"""Moisture that wood takes up from the air around it.

References
----------
.. [1] Forest Products Laboratory: Wood Handbook, FPL-GTR-282 (2021), ch. 4: eq. 4-5 and table 4-2,
   which is calculated from it; p. 4-3. The equation is that of Hailwood and Horrobin with
   coefficients of Simpson (1973). Beware of reprints that use the Celsius coefficients with °F.
"""

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.arguments import Floats, within

FIBRE_SATURATION_PERCENT = 30.0  # cell walls full, no free water yet; "about 30 %" [1]
LARGEST_EQUILIBRIUM_HUMIDITY_PERCENT = 100.0

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
    that is drying lies above wood that is wetting, and above about 22 % it says little.
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


def _coefficients(celsius: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """W, K, K1 and K2 of eq. 4-5 for Celsius [1]."""
    t = np.maximum(celsius, _COLDEST_COEFFICIENTS_C)
    return (
        349.0 + t * (1.29 + t * 0.0135),
        0.805 + t * (0.000736 + t * -0.00000273),
        6.27 + t * (-0.00938 + t * -0.000303),
        1.91 + t * (0.0407 + t * -0.000293),
    )
