"""How often the air of a room is exchanged, estimated from what is measured in it.

Two ways that need no tracer brought in:

- *carbon dioxide that people left behind* falls towards the air outside as exp(-n t) [1]_;
- *water that people give off* leaves with the air: at rest n = G / (rho V (W_in - W_out)).

The first says nothing without a probe for carbon dioxide, the second rests on how much water people
give off, which sources know within a factor of two. Both are about the air a room exchanged, with
outside or with a neighbouring room of outdoor air; neither is a verdict on health.

References
----------
.. [1] ISO 12569:2017, and ASTM E741: decay of a tracer gas; from memory.
.. [2] Carbon dioxide outdoors: 425 ppm, mean of 2024 and 2025, NOAA Global Monitoring Laboratory,
   rounded, from memory; towns and closed yards have more.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics.air import humidity_ratio, vapour_pressure
from monitor.physics.arguments import Floats, floats, within
from monitor.physics.ventilation import Cabin, dry_air

OUTSIDE_PPM, OUTSIDE_U_PPM = 425.0, 40.0  # [2]; towns, and sensors that set their own zero
LEAST_STEP_S = 300  # samples are taken together by so much at least: less is noise of the sensor
LEAST_FALL_PPM = 150.0  # five times the noise of common sensors (30 ppm). Our choice.
LEAST_EXCESS_PPM = 75.0  # below it the unknown air outside decides
KEPT_SHARE = 0.37  # of the excess at the start, one time constant: later, air of next rooms leads
LEAST_STEPS = 4
MOST_MISFIT = 0.06  # rms of ln(excess): more is no decay of one room


@dataclass(frozen=True, slots=True)
class Decay:
    """One fall of carbon dioxide.

    Attributes
    ----------
    from_s, to_s : int
        First and last step taken.
    changes_per_h, low, high : float
        Air changes, and their band: two standard errors of the line, and the air outside within
        `OUTSIDE_U_PPM`. [1/h]
    """

    from_s: int
    to_s: int
    changes_per_h: float
    low: float
    high: float


def decays(
    *, at_s: NDArray[np.int64], co2_ppm: ArrayLike, outside_ppm: float = OUTSIDE_PPM
) -> tuple[Decay, ...]:
    """Air changes from each fall of carbon dioxide.

    Parameters
    ----------
    at_s : ndarray of int
        Times in order. [s]
    co2_ppm : array_like
        Carbon dioxide. [ppm, 0 to 100 000] nan where not measured.
    outside_ppm : float
        Outdoors. [ppm, 300 to 1000]

    Returns
    -------
    tuple of Decay
        Oldest first. Who stays in the room while it falls makes a decay slow: each is at least what
        was exchanged. Four samples within the fall to a third are needed: at ten minutes up to 1.9
        changes an hour are seen, at five 3.8.

    Raises
    ------
    ValueError
        If an argument is out of range or the two are not of one length.
    """
    ppm = within("co2_ppm", co2_ppm, 0.0, 100_000.0)
    outside = float(within("outside_ppm", outside_ppm, 300.0, 1000.0))
    if len(at_s) != len(ppm):
        raise ValueError("at_s and co2_ppm must be of one length")
    times = np.asarray(at_s, dtype=np.int64)[~np.isnan(ppm)]
    if len(times) < LEAST_STEPS:
        return ()
    step_s = max(LEAST_STEP_S, int(np.median(np.diff(times))))
    step, mean = _steps(times, ppm[~np.isnan(ppm)], step_s)
    found = []
    for first, last in _falls(step, mean):
        # people leave one by one, and who stays makes it slow: the steepest part has the fewest
        fits = [
            _fit(step[i : last + 1] * step_s, mean[i : last + 1], outside)
            for i in range(first, last)
        ]
        known = [one for one in fits if one is not None]
        found += [max(known, key=lambda one: one.changes_per_h)] if known else []
    return tuple(found)


def from_vapour(
    *,
    inside_c: ArrayLike,
    inside_percent: ArrayLike,
    outside_c: ArrayLike,
    outside_percent: ArrayLike,
    least_g_h: float,
    most_g_h: float,
    cabin: Cabin,
) -> tuple[float, float]:
    """Air changes that carry off what people give off.

    Parameters
    ----------
    inside_c, inside_percent, outside_c, outside_percent : array_like
        Hours in which the air had come to rest, such as the last ones of a night.
        [°C, -100 to 200] [%, 0 to 120]
    least_g_h, most_g_h : float
        Water given off in them (`ventilation.generation`). [g/h, 0 or more]
    cabin : Cabin

    Returns
    -------
    low, high : float
        [1/h] nan where no hour is known, or the air inside holds no more than that outside by half
        a gram a kilogram: then sensors decide.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Furnishings that take up water make it too high, those that give it off too low: of a night after
    nights like it they do neither by much. Dew on glass is water taken out too.
    """
    pressure_pa = cabin.pressure_pa
    inside_pa = vapour_pressure(temperature_c=inside_c, humidity_percent=inside_percent)
    ratio_in, ratio_out = (
        humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=pressure_pa)
        for vapour_pa in (
            inside_pa,
            vapour_pressure(temperature_c=outside_c, humidity_percent=outside_percent),
        )
    )
    above = np.atleast_1d(ratio_in - ratio_out)
    if np.isnan(above).all():
        return float("nan"), float("nan")
    more = float(np.nanmedian(above))
    if more < LEAST_MORE:
        return float("nan"), float("nan")
    dry_air_kg = float(dry_air(np.nanmean(floats(inside_c)), np.nanmean(inside_pa), cabin))
    low, high = (
        float(within("given off", grams, 0.0)) / 1000.0 / (dry_air_kg * more)
        for grams in (least_g_h, most_g_h)
    )
    return low, high


LEAST_MORE = 0.0005  # kg/kg


def _steps(at_s: NDArray[np.int64], ppm: Floats, step_s: int) -> tuple[NDArray[np.int64], Floats]:
    """Number of each step that has samples, and their mean in it."""
    numbers, places = np.unique(at_s // step_s, return_inverse=True)
    return numbers, np.bincount(places, weights=ppm) / np.bincount(places)


def _falls(step: NDArray[np.int64], mean: Floats) -> list[tuple[int, int]]:
    """First and last place of each run of steps, close to each other, in which it only falls."""
    falls = (np.diff(mean) < 0.0) & (np.diff(step) <= 2)
    edges = np.flatnonzero(np.diff(falls.astype(np.int8), prepend=0, append=0))
    return [(int(first), int(last)) for first, last in edges.reshape(-1, 2)]


def _fit(at_s: NDArray[np.int64], mean: Floats, outside_ppm: float) -> Decay | None:
    """Slope of the logarithm of the excess; None where it is no decay."""
    excess = mean - outside_ppm
    used = excess >= max(LEAST_EXCESS_PPM, KEPT_SHARE * excess[0])
    if used.sum() < LEAST_STEPS or mean[0] - mean[used][-1] < LEAST_FALL_PPM:
        return None
    hours = (at_s[used] - at_s[0]) / 3600.0
    slopes = []
    error = misfit = 0.0
    for shift in (0.0, -OUTSIDE_U_PPM, OUTSIDE_U_PPM):
        log = np.log(excess[used] - shift)
        slope, start = np.polyfit(hours, log, 1)
        slopes.append(-float(slope))
        if not shift:
            left = log - (start + slope * hours)
            misfit = float(np.sqrt((left * left).mean()))
            spread = ((hours - hours.mean()) ** 2).sum()
            error = float(np.sqrt((left * left).sum() / (len(hours) - 2) / spread))
    if misfit > MOST_MISFIT or slopes[0] <= 0.0:
        return None
    first, last = at_s[used][[0, -1]]
    low, high = min(slopes) - 2.0 * error, max(slopes) + 2.0 * error
    return Decay(int(first), int(last), slopes[0], max(low, 0.0), high)
