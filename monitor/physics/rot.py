"""Whether wood rots: hours in which it can, and the dose of them.

Rot needs wood wetter than its fibre saturation nearly is, and some warmth. Published time scales
for the same conditions differ by a factor of ten, so nothing here gives a date.

References
----------
.. [1] T. Isaksson, C. Brischke and S. Thelandersson, Materials and Structures 46 (2013) 1209-1225
   (citation from memory): dose of daily moisture and temperature; coefficients as in a public
   research code, which leaves out that both must be above zero.
.. [2] Forest Products Laboratory: Wood Handbook, FPL-GTR-282 (2021), ch. 14: decay is slow below
   10 °C and above 35 °C and ceases near 2 and 38 °C.
"""

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.arguments import Floats, within

ROT_MOISTURE_PERCENT = 25.0  # no dose below it [1]
COLDEST_ROT_C, HOTTEST_ROT_C = 2.0, 38.0  # [2]
_LARGEST_MOISTURE_PERCENT = 200.0
_LARGEST_DOSE_MOISTURE_PERCENT = 120.0  # beyond, the polynomial turns and rises without a reason


def rot_hours(*, temperature_c: ArrayLike, moisture_percent: ArrayLike) -> Floats:
    """Tell for each hour whether wood can rot in it.

    Parameters
    ----------
    temperature_c : array_like
        Mean temperature of the wood in the hour. [°C, -100 to 200]
    moisture_percent : array_like
        Mean moisture content as a share of the dry mass. [%, 0 to 200]

    Returns
    -------
    ndarray
        1 at or above 25 % within 2 to 38 °C, else 0; to be added up. nan where either is missing:
        an hour nobody watched is not an hour without rot, and the caller says how many there were.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    Sources [1] (moisture) and [2] (temperature) of this module.
    """
    celsius = within("temperature_c", temperature_c, -100.0, 200.0)
    moisture = within("moisture_percent", moisture_percent, 0.0, _LARGEST_MOISTURE_PERCENT)
    warm = (celsius >= COLDEST_ROT_C) & (celsius <= HOTTEST_ROT_C)
    possible = np.where(warm & (moisture >= ROT_MOISTURE_PERCENT), 1.0, 0.0)
    return np.where(np.isnan(celsius + moisture), np.nan, possible)[()]


def decay_dose(*, temperature_c: ArrayLike, moisture_percent: ArrayLike) -> Floats:
    """Dose of one day, for comparing zones or winters, never for a date.

    Parameters
    ----------
    temperature_c : array_like
        Mean temperature of the wood in the day. [°C, -100 to 200]
    moisture_percent : array_like
        Mean moisture content in the day. [%, 0 to 120]

    Returns
    -------
    ndarray
        Dose, 1 being about the best day for rot. [days] 0 unless both moisture (25 % or more) and
        temperature (0 to 40 °C) allow some; nan where either is missing.

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    Source [1] of this module::

        d = (3.2 D_T + D_u) / 4.2, if D_T > 0 and D_u > 0
        D_u = 6.75e-10 u^5 - 3.5e-7 u^4 + 7.18e-5 u^3 - 7.22e-3 u^2 + 0.34 u - 4.98
        D_T = -1.8e-6 T^4 + 9.57e-5 T^3 - 1.55e-3 T^2 + 4.17e-2 T
    """
    t = within("temperature_c", temperature_c, -100.0, 200.0)
    u = within("moisture_percent", moisture_percent, 0.0, _LARGEST_DOSE_MOISTURE_PERCENT)
    by_heat = t * (4.17e-2 + t * (-1.55e-3 + t * (9.57e-5 + t * -1.8e-6)))
    by_water = -4.98 + u * (0.34 + u * (-7.22e-3 + u * (7.18e-5 + u * (-3.5e-7 + u * 6.75e-10))))
    allowed = (t >= 0.0) & (t <= 40.0) & (u >= ROT_MOISTURE_PERCENT)
    allowed &= (by_heat > 0.0) & (by_water > 0.0)
    dose = np.where(allowed, (3.2 * by_heat + by_water) / 4.2, 0.0)
    return np.where(np.isnan(t + u), np.nan, dose)[()]
