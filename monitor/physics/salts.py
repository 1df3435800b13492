"""Relative humidity over saturated solutions of salts, by which a humidity sensor is checked.

References
----------
.. [1] L. Greenspan: Humidity fixed points of binary saturated aqueous solutions, Journal of Research of
   the National Bureau of Standards 81A (1977) 89-96. Polynomials and uncertainties from memory.
   Checked: the polynomials against two public copies of the paper's coefficients, and in the
   tests against a museum conservator's table from 5 to 25 °C and against other fits. The linear
   term of LiCl is positive: scans of the paper lose its sign, and with a minus its humidity at 20 °C would
   be 10.98 %, not 11.31 %. The uncertainties were found in no second source.
"""

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.arguments import Floats, one_of, within

COLDEST_C, HOTTEST_C = 0.0, 30.0  # of the uncertainties, and of a bench that somebody works at

# humidity [%] as a polynomial in °C, lowest power first [1, table of coefficients]
_POLYNOMIALS: dict[str, tuple[float, ...]] = {
    "LiCl": (11.2323, 0.00824245, -0.214890e-3),
    "MgCl2": (33.6686, -0.00797397, -0.108988e-2),
    "K2CO3": (43.1315, 0.00147523),
    "NaCl": (75.5164, 0.0398321, -0.265459e-2, 0.2848e-4),
    "KCl": (88.6190, -0.193340, 0.899706e-3),
    "K2SO4": (98.7792, -0.0590502),
}
_AT_C = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
_UNCERTAINTIES: dict[str, tuple[float, ...]] = {  # [%] at `_AT_C` [1]
    "LiCl": (0.54, 0.47, 0.41, 0.35, 0.31, 0.27, 0.24),
    "MgCl2": (0.33, 0.28, 0.24, 0.21, 0.18, 0.16, 0.14),
    "K2CO3": (0.66, 0.50, 0.39, 0.33, 0.33, 0.39, 0.50),
    "NaCl": (0.34, 0.27, 0.22, 0.18, 0.14, 0.12, 0.11),
    "KCl": (0.53, 0.45, 0.39, 0.33, 0.29, 0.26, 0.25),
    "K2SO4": (1.1, 0.91, 0.76, 0.63, 0.53, 0.45, 0.40),
}
SALTS: tuple[str, ...] = tuple(_POLYNOMIALS)


def humidity(salt: str, *, temperature_c: ArrayLike) -> Floats:
    """Relative humidity in a closed box over a saturated solution with undissolved salt in it.

    Parameters
    ----------
    salt : str
        One of `SALTS`.
    temperature_c : array_like
        Temperature of solution and air alike. [°C, 0 to 30]

    Returns
    -------
    ndarray
        Relative humidity. [%] nan where the temperature is.

    Raises
    ------
    ValueError
        If the salt is unknown or a temperature out of range.

    Notes
    -----
    A box whose lid is 1 K warmer than its slurry is some 5 points of humidity too dry at 75 %, which no
    table tells: equal temperature matters more than the salt's own change.
    """
    one_of("salt", salt, SALTS)
    celsius = within("temperature_c", temperature_c, COLDEST_C, HOTTEST_C)
    found = np.zeros_like(celsius)
    for factor in reversed(_POLYNOMIALS[salt]):
        found = found * celsius + factor
    return found


def uncertainty(salt: str, *, temperature_c: ArrayLike) -> Floats:
    """How far `humidity` may be off for a clean, saturated solution.

    Parameters
    ----------
    salt : str
        One of `SALTS`.
    temperature_c : array_like
        Temperature of solution and air alike. [°C, 0 to 30]

    Returns
    -------
    ndarray
        Either way. [%] Between the temperatures of the table in a straight line.

    Raises
    ------
    ValueError
        If the salt is unknown or a temperature out of range.
    """
    one_of("salt", salt, SALTS)
    celsius = within("temperature_c", temperature_c, COLDEST_C, HOTTEST_C)
    found: Floats = np.interp(celsius, _AT_C, _UNCERTAINTIES[salt])
    return found
