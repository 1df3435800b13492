"""When the coldest place with pipes will freeze: shown on pages, and told ahead of a frost that is forecast.

Hours of the unit's places with pipes, and of the air outside ── how each follows the air outside
(`monitor.physics.cooling`) ── the air that is expected ── hours to freezing, as a band.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.lot import Event, ForecastHour
from monitor.physics import cooling

Floats = NDArray[np.float64]

WEEK_H, NIGHT_H = 7 * 24, 24
FRESH_S = 36 * 3600  # an older issue of a forecast is none. Our choice.
CLEARS_C = 2.0  # the lowest expected must be this warm again: a forecast wavers by as much


@dataclass(frozen=True, slots=True)
class Freezing:
    """When the coldest place with pipes freezes.

    Attributes
    ----------
    zone : str
        That place; "" where none is measured.
    now_c : float
    at_risk : bool
        Whether water stands in the lines.
    heated : bool
        Whether it is so much warmer than outside that only heat, or people, explain it.
    expected : Freeze or None
        By the air that is expected; None where the place is heated or does not follow it.
    without_heating_h : tuple of float
        Hours to freezing once the heating stops, least and most; nan where it is not heated.
    by_forecast : bool
        Whether the air that is expected is a forecast.
    """

    zone: str
    now_c: float
    at_risk: bool
    heated: bool
    expected: cooling.Freeze | None
    without_heating_h: tuple[float, float]
    by_forecast: bool

    @property
    def is_due(self) -> bool:
        """Whether it is to be told: water in the lines, a forecast, and a frost in it."""
        return (
            self.at_risk
            and self.by_forecast
            and self.expected is not None
            and 0.0 < self.expected.hours < np.inf
        )

    @property
    def is_over(self) -> bool:
        """Whether what was told is so no more."""
        expected = self.expected
        if not self.at_risk or self.heated or self.now_c <= cooling.FREEZES_C:
            return True
        return self.by_forecast and expected is not None and expected.lowest_c >= CLEARS_C


def fresh(issued_s: int, hours: list[ForecastHour], *, now_s: int) -> list[ForecastHour]:
    """Hours of a forecast, as the record gives them with the time of its issue; none of an old one."""
    return [] if now_s - issued_s > FRESH_S else hours


def has_water(events: Sequence[Event]) -> bool:
    """Whether water stands in the lines: unless the newest note says winterised."""
    notes = [event for event in events if event.kind in {"winterised", "water on"}]
    newest = max(notes, key=lambda event: event.at_s, default=None)
    return newest is None or newest.kind == "water on"


def freezing(
    pipes: Sequence[tuple[str, Floats]],
    *,
    outside_c: Floats,
    ahead_c: Floats,
    water: bool,
    by_forecast: bool,
) -> Freezing:
    """When the coldest place with pipes freezes.

    Parameters
    ----------
    pipes : sequence of (zone, ndarray)
        Hourly temperatures of places where pipes are. [hours; °C] nan where missing.
    outside_c : ndarray
        Air outside, the same hours. [hours; °C]
    ahead_c : ndarray
        Air outside that is expected, from the hour after. [hours; °C]
    water, by_forecast : bool
        As in `Freezing`.

    Returns
    -------
    Freezing
        Without a zone where none of them is known in the last day. A node that sends once a day is
        followed from its newest hour on, by the air outside since then.
    """
    unknown = (float("nan"), float("nan"))
    known = [(zone, course) for zone, course in pipes if _age_h(course) < NIGHT_H]
    if not known:
        nothing = float("nan")
        return Freezing("", nothing, water, False, None, unknown, by_forecast)  # noqa: FBT003
    zone, course = min(known, key=lambda one: (_newest(one[1]), one[0]))
    now_c = _newest(course)
    heated = _is_heated(course[-NIGHT_H:], outside_c[-NIGHT_H:])
    expected, without = None, unknown
    ahead_known = ahead_c[~np.isnan(ahead_c)]
    if heated and len(ahead_known):
        lowest_c = float(ahead_known[:NIGHT_H].min())
        without = cooling.hours_without_heating(inside_c=now_c, outside_c=lowest_c)
    follower = None
    if not heated:
        follower = cooling.fit(inside_c=course[-WEEK_H:], outside_c=outside_c[-WEEK_H:])
    if follower is not None:
        expected = _expected(follower, now_c, _age_h(course), outside_c, ahead_c)
    return Freezing(zone, now_c, water, heated, expected, without, by_forecast)


def _age_h(course: Floats) -> int:
    """Hours since the newest one that is known; their number where none is."""
    known = np.flatnonzero(~np.isnan(course))
    return len(course) - 1 - int(known[-1]) if len(known) else max(len(course), NIGHT_H)


def _newest(course: Floats) -> float:
    return float(course[~np.isnan(course)][-1])


def _expected(
    follower: cooling.Follower, from_c: float, age_h: int, outside_c: Floats, ahead_c: Floats
) -> cooling.Freeze | None:
    """When it freezes, in hours from now, followed from `age_h` hours ago on."""
    since = outside_c[len(outside_c) - age_h :]
    course = np.concatenate([since, ahead_c])
    known = np.flatnonzero(~np.isnan(course))
    if not len(known):
        return None
    # what was not measured outside since lies between what was and what is expected
    course[:age_h] = np.interp(np.arange(age_h), known, course[known])
    found = cooling.freeze(follower, from_c=from_c, outside_c=course)
    if found is None or found.known_h <= age_h:
        return None
    return replace(
        found,
        hours=max(found.hours - age_h, 0.0),
        earliest_h=max(found.earliest_h - age_h, 0.0),
        latest_h=max(found.latest_h - age_h, 0.0),
        known_h=found.known_h - age_h,
    )


def _is_heated(inside_c: Floats, outside_c: Floats) -> bool:
    """Whether the colder half of a day outside left a place much warmer than that."""
    over = inside_c - outside_c
    known = ~np.isnan(over)
    if not known.any():
        return False
    colder = known & (outside_c <= np.median(outside_c[known]))
    return float(over[colder].mean()) > cooling.HEATED_K
