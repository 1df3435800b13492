"""How a place inside follows the air outside, and when it will freeze.

A place without heating follows the air outside as a first-order lag; sun, people and a warm neighbour
lift it::

    dT/dt = (T_out + lift - T) / time constant

Both numbers are fitted from the last days of that very place. A heated place follows its thermostat
instead: it has no such fit, and what is said of it is how long it takes to cool once the heating
stops.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.arguments import Floats, within

LEAST_HOURS = 72  # three days and nights
LEAST_HOUR_SPAN_K = 3.0  # outside must have moved, or nothing can be seen to follow it
SHORTEST_H, LONGEST_H = 0.5, 100.0
HEATED_K = 6.0  # warmer than outside by so much at night: heated, or lived in. Our choice.
CLOSED_H = (3.0, 12.0)  # time constant of a closed unit without heating: from memory, by its size
FREEZES_C = 0.0  # of fresh water; pipes burst later, the careful end counts


@dataclass(frozen=True, slots=True)
class Follower:
    """How a place follows the air outside.

    Attributes
    ----------
    time_constant_h, lift_k : float
        Fitted. [h] [K]
    error_k : ndarray
        Root mean square of what a prediction from a known hour missed, by hours ahead: element i after i + 1
        hours. [24; K]
    """

    time_constant_h: float
    lift_k: float
    error_k: Floats


def fit(*, inside_c: ArrayLike, outside_c: ArrayLike) -> Follower | None:
    """Time constant and lift of a place, from its last days.

    Parameters
    ----------
    inside_c, outside_c : array_like
        Hourly temperatures in the order of time. [hours; °C, -100 to 200] nan where not measured.

    Returns
    -------
    Follower or None
        None where fewer than 72 hours are known, the air outside hardly moved, or the place does not
        follow it (heated, or its own probe does not say so).

    Raises
    ------
    ValueError
        If a temperature is out of range or the two are not hours of one length.

    Notes
    -----
    Least squares of T[k+1] - T[k] over T_out[k] - T[k], with a constant. The errors are of hindcasts
    from each hour of the same days, with the air outside as it was: a forecast that errs adds to them.
    """
    inside, outside = (
        within(name, values, -100.0, 200.0)
        for name, values in (("inside_c", inside_c), ("outside_c", outside_c))
    )
    if inside.ndim != 1 or inside.shape != outside.shape:
        raise ValueError("inside_c and outside_c must be hours of one length")
    change, across = np.diff(inside), (outside - inside)[:-1]
    known = ~np.isnan(change + across)
    if known.sum() < LEAST_HOURS or np.nanmax(outside) - np.nanmin(outside) < LEAST_HOUR_SPAN_K:
        return None
    x, y = across[known], change[known]
    spread = ((x - x.mean()) ** 2).sum()
    if spread <= 0.0:
        return None
    share = float(((x - x.mean()) * (y - y.mean())).sum() / spread)
    if not 1.0 - np.exp(-1.0 / LONGEST_H) <= share <= 1.0 - np.exp(-1.0 / SHORTEST_H):
        return None
    lift = float(y.mean() - share * x.mean()) / share
    follower = Follower(float(-1.0 / np.log1p(-share)), lift, np.zeros(0))
    return Follower(
        follower.time_constant_h, lift, _missed(follower, inside=inside, outside=outside)
    )


def ahead(follower: Follower, *, from_c: ArrayLike, outside_c: ArrayLike) -> Floats:
    """Temperature of a place in the hours to come.

    Parameters
    ----------
    follower : Follower
    from_c : array_like
        Temperature now. [°C]
    outside_c : array_like
        Air outside, hour by hour from now. [..., hours; °C]

    Returns
    -------
    ndarray
        At the end of each hour. [..., hours; °C] nan from the first hour on that is not known outside.
    """
    kept = np.exp(-1.0 / follower.time_constant_h)
    outside = np.asarray(outside_c, dtype=np.float64)
    now = np.broadcast_to(np.asarray(from_c, dtype=np.float64), outside.shape[:-1])
    found = np.empty(outside.shape)
    for hour in range(outside.shape[-1]):
        towards = outside[..., hour] + follower.lift_k
        now = towards + kept * (now - towards)
        found[..., hour] = now
    return found


@dataclass(frozen=True, slots=True)
class Freeze:
    """When a place falls to freezing; hours from now, inf: not within what is known ahead.

    Attributes
    ----------
    hours, earliest_h, latest_h : float
        As predicted, and with twice its error colder and warmer. [h]
    lowest_c : float
        Lowest predicted temperature. [°C]
    known_h : int
        Hours ahead that are known.
    """

    hours: float
    earliest_h: float
    latest_h: float
    lowest_c: float
    known_h: int


def freeze(
    follower: Follower, *, from_c: float, outside_c: ArrayLike, limit_c: float = FREEZES_C
) -> Freeze | None:
    """When a place falls to a limit, by the air outside that is expected.

    Parameters
    ----------
    follower : Follower
    from_c : float
        Temperature now. [°C]
    outside_c : array_like
        Hours ahead. [hours; °C]
    limit_c : float
        [°C]

    Returns
    -------
    Freeze or None
        None where the first hour ahead is not known.
    """
    course = ahead(follower, from_c=from_c, outside_c=outside_c)
    known = int(np.argmax(np.isnan(course))) if np.isnan(course).any() else len(course)
    if not known or np.isnan(from_c):
        return None
    course = course[:known]
    last = len(follower.error_k) - 1
    error = 2.0 * follower.error_k[np.minimum(np.arange(known), last)]
    return Freeze(
        hours=_first_h(course, from_c, limit_c),
        earliest_h=_first_h(course - error, from_c, limit_c),
        latest_h=_first_h(course + error, from_c, limit_c),
        lowest_c=float(course.min()),
        known_h=known,
    )


def hours_without_heating(
    *, inside_c: float, outside_c: float, limit_c: float = FREEZES_C
) -> tuple[float, float]:
    """How long a heated unit takes to cool to a limit once its heating stops.

    Parameters
    ----------
    inside_c, outside_c : float
        Air inside now, and the lowest outside of the hours to come. [°C]
    limit_c : float
        [°C]

    Returns
    -------
    least, most : float
        With time constants of 3 and 12 hours, from memory. [h] inf where it is not as cold outside;
        0 where it is as cold inside.
    """
    if np.isnan(inside_c + outside_c):
        return float("nan"), float("nan")
    if inside_c <= limit_c:
        return 0.0, 0.0
    if outside_c >= limit_c:
        return float("inf"), float("inf")
    constants = float(np.log((inside_c - outside_c) / (limit_c - outside_c)))
    return CLOSED_H[0] * constants, CLOSED_H[1] * constants


def _missed(follower: Follower, *, inside: Floats, outside: Floats) -> Floats:
    """Root mean square error of hindcasts by hours ahead, up to 24."""
    hours = 24
    starts = np.arange(len(inside) - hours)
    window = starts[:, None] + np.arange(hours)
    course = ahead(follower, from_c=inside[starts], outside_c=outside[window])
    left = course - inside[window + 1]
    known = ~np.isnan(left)
    squares = np.where(known, left, 0.0) ** 2
    rms: Floats = np.sqrt(squares.sum(axis=0) / np.maximum(known.sum(axis=0), 1))
    return rms


def _first_h(course: Floats, from_c: float, limit_c: float) -> float:
    """Hours until a course falls to a limit, between whole hours by a straight line."""
    if from_c <= limit_c:
        return 0.0
    below = np.flatnonzero(course <= limit_c)
    if not len(below):
        return float("inf")
    place = int(below[0])
    before = from_c if place == 0 else float(course[place - 1])
    share = (before - limit_c) / (before - float(course[place])) if before > limit_c else 0.0
    return place + share
