"""The bench: whether a probe in a closed box over a salt has come to rest, and what it is worth then.

A cased node follows the air in the box slowly: it takes hours until housing, board and sensor have given
up or taken up their water. So a slope that is small is not yet rest: what is still to come is the slope
times the time constant, which is read off the course where it can be, else assumed.
"""

from dataclasses import dataclass
from itertools import pairwise
from math import hypot, log
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.lot import BenchPoint
from monitor.physics import salts
from monitor.text import bench as words

HOUR_S = 3600
TAIL_S = 2 * HOUR_S  # judged, or six samples of a node that takes one an hour at most
LONGEST_TAIL_S = 12 * HOUR_S
LEAST_SAMPLES = 6
LOOKBACK_S = 24 * HOUR_S  # read where nobody says since when it is in the box
LONGEST_BOX_S = 7 * 86_400
RATE_PERCENT_H = 0.4  # 0.2 % of humidity in 30 minutes
LEFT_PERCENT = 0.5  # most that may be still to come: a quarter of a common sensor's accuracy
SPREAD_K = 0.5  # of the temperature while it is judged
RESOLUTION_PERCENT = 0.1  # of common nodes: a flat line is known no better
# common practice, no source: a cased node is at rest after 12 to 24 h, four time constants and more
CASE_H = 3.0
CASE_SPAN_H = (0.5, 12.0)  # of a time constant read off the course
TEMPERATURE_U_K = 0.3  # of the probe, and of box against slurry: ours

Word = Literal["too few", "gap", "warming", "moving", "settled"]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Settling:
    """How near to rest a probe is.

    Attributes
    ----------
    word : Word
        What is missing to rest, first the first.
    wait_s : int
        How much longer it takes, about; 0 when settled.
    from_s, at_s : int
        First and last reading judged.
    samples : int
        Readings in between.
    rate_percent_h, rate_error_percent_h : float
        Slope of the humidity and its standard error. [%/h] nan if unknown.
    left_percent : float
        What may still be to come. [%]
    spread_k : float
        Between the warmest and the coldest of them. [K]
    humidity_percent, noise_percent, temperature_c : float
        Mean, its standard error, and mean temperature. [%] [%] [°C]
    """

    word: Word
    wait_s: int
    from_s: int = 0
    at_s: int = 0
    samples: int = 0
    rate_percent_h: float = float("nan")
    rate_error_percent_h: float = float("nan")
    left_percent: float = float("nan")
    spread_k: float = float("nan")
    humidity_percent: float = float("nan")
    noise_percent: float = float("nan")
    temperature_c: float = float("nan")


def settling(*, at_s: Ints, temperature_c: Floats, humidity_percent: Floats) -> Settling:
    """See whether a probe has come to rest at the end of a run of readings.

    Parameters
    ----------
    at_s : ndarray
        Times in order, shape (readings,). [s]
    temperature_c, humidity_percent : ndarray
        As measured. [°C] [%] nan where missing; such readings are passed over.

    Returns
    -------
    Settling
    """
    known = np.isfinite(temperature_c) & np.isfinite(humidity_percent)
    times, celsius, humid = at_s[known], temperature_c[known], humidity_percent[known]
    spacing_s = float(np.median(np.diff(times))) if len(times) > 1 else float(TAIL_S)
    tail_s = min(max(TAIL_S, LEAST_SAMPLES * spacing_s), LONGEST_TAIL_S)
    count = len(times)
    span_s = int(times[-1] - times[0]) if count else 0
    if count < LEAST_SAMPLES or span_s < 0.8 * tail_s - spacing_s:
        return Settling("too few", int(max(tail_s - span_s, spacing_s)), samples=count)
    tail = times >= times[-1] - tail_s
    end, warm, damp = times[tail], celsius[tail], humid[tail]
    if len(end) < LEAST_SAMPLES or np.diff(end).max() > 3.0 * spacing_s:
        return Settling("gap", int(tail_s), samples=len(end))
    hours = (end - end.mean()) / HOUR_S
    slope, error = _slope(hours, damp)
    case_h = _time_constant(times, humid)
    left = abs(slope) * case_h
    spread = float(warm.max() - warm.min())
    surely = abs(slope) + 2.0 * error
    allowed = min(RATE_PERCENT_H, LEFT_PERCENT / case_h)
    word: Word = "settled"
    wait_h = 0.0
    if spread >= SPREAD_K:
        word, wait_h = "warming", tail_s / HOUR_S
    elif surely >= RATE_PERCENT_H or left >= LEFT_PERCENT:
        word = "moving"
        wait_h = min(max(case_h * log(max(surely / allowed, 1.0)), 0.5), 24.0)
    return Settling(
        word=word,
        wait_s=int(np.ceil(2.0 * wait_h)) * HOUR_S // 2,
        from_s=int(end[0]),
        at_s=int(end[-1]),
        samples=len(end),
        rate_percent_h=slope,
        rate_error_percent_h=error,
        left_percent=left,
        spread_k=spread,
        humidity_percent=float(damp.mean()),
        noise_percent=float(hypot(damp.std(), RESOLUTION_PERCENT) / np.sqrt(len(damp))),
        temperature_c=float(warm.mean()),
    )


def _slope(hours: Floats, percent: Floats) -> tuple[float, float]:
    """Slope by least squares and its standard error, in %/h; no less noise than a node resolves."""
    square = float((hours * hours).sum())
    slope = float((hours * (percent - percent.mean())).sum() / square)
    left = percent - percent.mean() - slope * hours
    noise = hypot(np.sqrt((left * left).sum() / (len(hours) - 2)), RESOLUTION_PERCENT / np.sqrt(12))
    return slope, float(noise / np.sqrt(square))


def _time_constant(at_s: Ints, percent: Floats) -> float:
    """Time constant in hours, from how much less each third of the last hours changes."""
    span_s = min(int(at_s[-1] - at_s[0]), 9 * HOUR_S)
    edges = at_s[-1] - span_s * np.array([1.0, 2.0 / 3.0, 1.0 / 3.0, 0.0])
    parts = [percent[(at_s >= low) & (at_s <= high)] for low, high in pairwise(edges)]
    if any(len(part) == 0 for part in parts):
        return CASE_H
    first, second, third = (float(part.mean()) for part in parts)
    before, after = second - first, third - second
    if abs(before) < 3.0 * RESOLUTION_PERCENT or not 0.0 < after / before < 1.0:
        return CASE_H
    found = -span_s / 3.0 / HOUR_S / log(after / before)
    return min(max(found, CASE_SPAN_H[0]), CASE_SPAN_H[1])


def window(now_s: int, *, from_s: int | None, to_s: int | None) -> tuple[int, int]:
    """Span [from, to) of readings to look at; without a beginning the last day.

    Raises
    ------
    InputError
        If it ends before it begins, lies ahead or is longer than a week.
    """
    end_s = now_s + 1 if to_s is None else to_s
    start_s = end_s - LOOKBACK_S if from_s is None else from_s
    if not start_s < end_s <= now_s + 1:
        raise InputError("the time in the box ends before it begins, or is not over yet")
    if end_s - start_s > LONGEST_BOX_S:
        raise InputError("a week in the box is the most: say when it went in for this point")
    return start_s, end_s


def point(
    found: Settling,
    *,
    place: tuple[str, str, str],
    salt: str,
    batch: str,
    from_s: int | None,
    who: str,
    now_s: int,
) -> BenchPoint:
    """The point that a probe at rest gives.

    Parameters
    ----------
    found : Settling
    place : tuple of str
        Site, node and probe.
    salt, batch : str
    from_s : int or None
        Since when it was in the box; None: nobody says, then what was judged is all that counts as
        read in the box.
    who : str
    now_s : int

    Returns
    -------
    BenchPoint
        Without a number, which the record gives.

    Raises
    ------
    InputError
        If it is not at rest, with how long to wait; if the salt is unknown, the temperature out of the
        table's range, or the probe so far off that it is no correction any more.
    """
    if not who.strip():
        raise InputError("say who checks: a name or initials")
    if salt not in salts.SALTS:
        raise InputError(f"the salt is one of {', '.join(salts.SALTS)}")
    if found.word != "settled":
        raise InputError(words.settling_text(found.word, wait_s=found.wait_s))
    celsius, humid = round(found.temperature_c, 2), round(found.humidity_percent, 3)
    if not salts.COLDEST_C <= celsius <= salts.HOTTEST_C:
        raise InputError(words.out_of_range(celsius, salts.COLDEST_C, salts.HOTTEST_C))
    reference = float(salts.humidity(salt, temperature_c=celsius))
    if abs(reference - humid) > 10.0:
        raise InputError(words.absurd(humid, reference, salt, like=_like(humid, celsius, salt)))
    sides = np.clip(
        [celsius - TEMPERATURE_U_K, celsius + TEMPERATURE_U_K], salts.COLDEST_C, salts.HOTTEST_C
    )
    swing = float(np.ptp(salts.humidity(salt, temperature_c=sides))) / 2.0
    own = float(salts.uncertainty(salt, temperature_c=celsius))
    return BenchPoint(
        0,
        *place,
        salt=salt,
        batch=batch.strip()[:80],
        from_s=found.from_s if from_s is None else min(from_s, found.from_s),
        at_s=found.at_s,
        measured_percent=humid,
        temperature_c=celsius,
        reference_percent=round(reference, 3),
        uncertainty_percent=round(hypot(own, found.left_percent, found.noise_percent, swing), 3),
        recorded_s=now_s,
        who=who.strip()[:80],
    )


def _like(percent: float, celsius: float, said: str) -> str:
    """Another salt whose humidity a reading is near to; "" where there is none."""
    off = {
        salt: abs(percent - float(salts.humidity(salt, temperature_c=celsius)))
        for salt in salts.SALTS
        if salt != said
    }
    nearest = min(off, key=lambda salt: off[salt])
    return nearest if off[nearest] < 5.0 else ""
