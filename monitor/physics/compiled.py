"""The hour of the mould index as machine code; only where numba is installed (extra `fast`).

The same steps as `monitor.physics.mould` takes in numpy, for many zones side by side. Logarithm and
exponential are written out as polynomials, because a loop that calls the library's takes one zone
at a time. No operation is fused or reordered, so a zone has the same bits beside any others and on
any processor; against numpy they differ by rounding, by less than 1e-12 in the index of a year.

The compiled code is kept beside this file, or in the user's cache, or in memory where neither can
be written.
"""

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from monitor.physics.arguments import Floats

_LN2_HIGH, _LN2_LOW = 0.6931471803691238, 1.9082149292705877e-10  # their sum is ln 2, to 1e-26
_SQRT_HALF_BITS = 0x3FE6A09E667F3BCD
_ROUND = 6755399441055744.0  # 1.5 x 2**52: adding it leaves a whole number in the lowest bits


def _compile(function: Callable[..., Any]) -> Callable[..., Any]:
    """Machine code of `function`, made at its first call, that runs beside other threads."""
    code: Callable[..., Any]
    try:
        code = numba.njit(function, nogil=True, error_model="numpy", cache=True)
    except RuntimeError:  # nowhere to keep it
        code = numba.njit(function, nogil=True, error_model="numpy")
    return code


def _ln_of(x: float) -> float:
    """Natural logarithm of a positive number, from the series of artanh; relative error 3e-16."""
    bits = np.float64(x).view(np.int64)
    power = (bits - np.int64(_SQRT_HALF_BITS)) >> np.int64(52)
    rest = np.int64(bits - (power << np.int64(52))).view(np.float64)  # 0.71 to 1.41
    f = (rest - 1.0) / (rest + 1.0)
    s = f * f
    p = 2 / 11 + s * (2 / 13 + s * (2 / 15 + s * (2 / 17 + s * (2 / 19 + s * (2 / 21)))))
    p = 2 / 3 + s * (2 / 5 + s * (2 / 7 + s * (2 / 9 + s * p)))
    k = np.float64(power)
    return k * _LN2_HIGH + (k * _LN2_LOW + (2.0 * f + f * s * p))


def _exp_of(x: float) -> float:
    """Exponential of -700 to 700, from its series about the nearest power of 2; error 3e-16."""
    shifted = x * 1.4426950408889634 + _ROUND
    power = np.float64(shifted).view(np.int64)
    whole = shifted - _ROUND
    r = (x - whole * _LN2_HIGH) - whole * _LN2_LOW
    p = 1 / 362880 + r * (1 / 3628800 + r * (1 / 39916800 + r * (1 / 479001600)))
    p = 1 / 24 + r * (1 / 120 + r * (1 / 720 + r * (1 / 5040 + r * (1 / 40320 + r * p))))
    p = 1.0 + r * (1.0 + r * (0.5 + r * (1 / 6 + r * p)))
    return p * np.int64((power + np.int64(1023)) << np.int64(52)).view(np.float64)


_ln = _compile(_ln_of)
_exp = _compile(_exp_of)


def _hour_of(
    celsius: Floats,
    humidity: Floats,
    series: Floats,
    index: Floats,
    dry_hours: NDArray[np.int64],
    constants: tuple[float, ...],
) -> bool:
    """One hour of many zones; tells whether a condition was out of range.

    Without branches, for whole registers of zones: what a zone does not need is computed for
    conditions that do no harm, and dropped.
    """
    slow, fast, a, b, c, lowest, offset, first, late = constants
    wrong = False
    for zone in range(celsius.shape[0]):
        t, rh, m, dry = celsius[zone], humidity[zone], index[zone], dry_hours[zone]
        wrong |= (t < -100.0) | (t > 200.0) | (rh < 0.0)
        known = (t == t) & (rh == rh)  # noqa: PLR0124  nan is not itself
        rh = 100.0 if rh > 100.0 else rh
        cool = 100.0 + t * (-3.13 + t * (0.160 + t * -0.00267))
        critical = cool if (t <= 20.0) & (cool > lowest) else lowest
        grows = (t > 0.0) & (t < 50.0) & (rh > critical)
        t, rh, critical = (t, rh, critical) if grows else (20.0, 90.0, 80.0)
        x = (critical - rh) / (critical - 100.0)
        top = a + x * (b - c * x)
        over = 2.3 * (m - (top if top > 0.0 else 0.0))
        room = 1.0 - _exp(over if over < 0.0 else 0.0)
        pace = slow if m < 1.0 else fast
        up = m + pace * room * _exp(0.68 * _ln(t) + 13.9 * _ln(rh) - offset)
        dry = 0 if grows else dry + known
        fall = first if dry <= 6 else (late if dry > 24 else 0.0)
        down = m - (fall if known else 0.0)
        m = min(up, 6.0) if grows else max(down, 0.0)
        index[zone] = series[zone] = m
        dry_hours[zone] = dry
    return wrong


_hour = _compile(_hour_of)


def _advance_of(
    celsius: Floats,
    humidity: Floats,
    series: Floats,
    at: tuple[int, int],
    index: Floats,
    dry_hours: NDArray[np.int64],
    constants: tuple[float, ...],
) -> bool:
    """Carry `index` and `dry_hours` over the hours, and write the index to `series` from `at` on.

    Tells whether a condition was out of range; the result means nothing then.
    """
    wrong = False
    first_hour, zone = at
    for hour in range(celsius.shape[0]):
        row = series[first_hour + hour, zone : zone + celsius.shape[1]]
        wrong |= _hour(celsius[hour], humidity[hour], row, index, dry_hours, constants)
    return wrong


advance = _compile(_advance_of)
