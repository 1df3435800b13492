"""What bench points say of a probe's humidity, and how it is applied to readings. Pure.

::

    points of a probe, by time ── each with the newest other one that is at least 20 % of humidity away
                                  and at most 7 days older  ─> offset and slope   (two points)
                               └─ without such a one        ─> offset alone       (one point)

The newest check holds. It holds for readings after it and never before, and the readings themselves
stay as they were measured: the correction is applied wherever they are read to be judged. What a probe
measured from when it was laid into the box until somebody says that it is back is of no zone and is
left out. It stays so of a point that was taken back: a wrong salt or an open lid makes a box no wall. Where
nobody had said that it is back, its box ends with the point.
"""

from collections.abc import Iterable, Sequence
from itertools import groupby
from math import hypot

import numpy as np
from numpy.typing import NDArray

from monitor.lot import BenchCheck, BenchPoint, Placement

PAIR_S = 7 * 86_400  # two points further apart in time are two checks
APART_PERCENT = 20.0  # points closer to each other tell no slope: 0.5 % on 10 % is 5 % on 100 %
MOST_PERCENT = 10.0  # a correction beyond it is a broken sensor or a wrong slurry
DUE_S = 365 * 86_400  # common practice, no source: once a year
ASSUMED_PERCENT = 2.0  # accuracy of a sensor that nobody checked: data sheets of common chips
# What a check leaves, ours: hysteresis and bending of the sensor; and after one point also its slope.
AFTER_TWO_PERCENT, AFTER_ONE_PERCENT = 1.0, 1.5
_USED_PERCENT = (20.0, 100.0)  # humidity in a unit; the uncertainty of a check is its worst there

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def checks(points: Iterable[BenchPoint]) -> list[BenchCheck]:
    """Checks that follow from points, by site, node, probe and time; points taken back are left out."""
    held = sorted(
        (point for point in points if point.undone_s is None),
        key=lambda point: (point.site, point.node, point.probe, point.at_s, point.number),
    )
    found = []
    for _, own in groupby(held, key=lambda point: (point.site, point.node, point.probe)):
        before: list[BenchPoint] = []
        for point in own:
            found.append(_check(point, before))
            before.append(point)
    return found


def whole(found: Iterable[BenchCheck]) -> list[BenchCheck]:
    """Checks without those whose one point is the first of a later check of two."""
    found = list(found)
    first = {one.points[0].number for one in found if len(one.points) > 1}
    return [one for one in found if len(one.points) > 1 or one.points[0].number not in first]


def _check(point: BenchPoint, before: Sequence[BenchPoint]) -> BenchCheck:
    other = next(
        (
            one
            for one in reversed(before)
            if point.at_s - one.at_s <= PAIR_S
            and abs(point.reference_percent - one.reference_percent) >= APART_PERCENT
            and point.measured_percent != one.measured_percent
        ),
        None,
    )
    if other is None:
        points: tuple[BenchPoint, ...] = (point,)
        slope = 1.0
        left = hypot(AFTER_ONE_PERCENT, point.uncertainty_percent)
    else:
        points = (other, point)
        span = point.measured_percent - other.measured_percent
        slope = (point.reference_percent - other.reference_percent) / span
        left = hypot(AFTER_TWO_PERCENT, max(_spread(other, point, h) for h in _USED_PERCENT))
    return BenchCheck(
        site=point.site,
        node=point.node,
        probe=point.probe,
        at_s=point.at_s,
        who=point.who,
        batch=" / ".join(dict.fromkeys(one.batch for one in points if one.batch)),
        points=points,
        offset_percent=point.reference_percent - slope * point.measured_percent,
        slope=slope,
        uncertainty_percent=round(left, 2),
    )


def _spread(low: BenchPoint, high: BenchPoint, percent: float) -> float:
    """Uncertainty of the straight line through two points at a humidity."""
    share = (percent - low.reference_percent) / (high.reference_percent - low.reference_percent)
    return hypot((1.0 - share) * low.uncertainty_percent, share * high.uncertainty_percent)


def largest(check: BenchCheck) -> float:
    """Largest correction in % that a check makes anywhere between 10 and 95 %, either way."""
    return max(abs(check.correction(percent)) for percent in (10.0, 95.0))


def applied(at_s: Ints, hundredths: Floats, own: Sequence[BenchCheck]) -> Floats:
    """Humidity in hundredths of a per cent as the checks of one probe, by time, correct it.

    Whole hundredths again and between 0 and 100 %, so that sums of them stay exact.
    """
    if not own:
        return hundredths
    starts = np.array([check.at_s for check in own])
    offset = np.array([0.0, *(100.0 * check.offset_percent for check in own)])
    slope = np.array([1.0, *(check.slope for check in own)])
    nth = np.searchsorted(starts, at_s, side="left")  # a check holds after its own last reading
    corrected = np.clip(np.rint(offset[nth] + slope[nth] * hundredths), 0.0, 10_000.0)
    return np.where(nth == 0, hundredths, corrected)


def in_box(at_s: Ints, points: Iterable[BenchPoint]) -> NDArray[np.bool_]:
    """Which readings of a probe are of the box over a salt."""
    found = np.zeros(at_s.shape, dtype=np.bool_)
    for point in points:
        here = at_s >= point.from_s
        back_s = box_end_s(point)
        if back_s is not None:  # the readings of the point itself are of the box in any case
            here &= (at_s <= point.at_s) | (at_s < back_s)
        found |= here
    return found


def box_end_s(point: BenchPoint) -> int | None:
    """When a probe left its box; None while it lies in it, as far as is known."""
    return point.at_s if point.back_s is None and point.undone_s is not None else point.back_s


def open_points(points: Iterable[BenchPoint]) -> list[BenchPoint]:
    """Points of which nobody said yet that the probe is back: it lies in its box, as far as is known."""
    return [point for point in points if point.undone_s is None and point.back_s is None]


def newest(found: Iterable[BenchCheck], *, now_s: int) -> dict[tuple[str, str, str], BenchCheck]:
    """The check that holds at a time, by (site, node, probe)."""
    return {
        (one.site, one.node, one.probe): one
        for one in sorted(found, key=lambda one: one.at_s)
        if one.at_s <= now_s
    }


def is_due(check: BenchCheck | None, *, now_s: int) -> bool:
    """Whether a probe asks for a check: it never had one, or it is older than a year."""
    return check is None or now_s - check.at_s > DUE_S


def accuracy(
    found: Iterable[BenchCheck],
    placements: Iterable[Placement],
    *,
    site: str,
    unit: str,
    zone: str,
    now_s: int,
) -> float:
    """How far off the humidity of a zone may be, by the checks of the probes that watch it now.

    Returns
    -------
    float
        Of the least known probe. [%] `ASSUMED_PERCENT` at least where a check is overdue; that
        itself where there is none, or no probe.
    """
    holds = newest(found, now_s=now_s)
    watching = [
        (p.site, p.node, p.probe)
        for p in placements
        if (p.site, p.unit, p.zone) == (site, unit, zone)
        and p.from_s <= now_s
        and (p.to_s is None or p.to_s > now_s)
    ]

    def of(probe: tuple[str, str, str]) -> float:
        check = holds.get(probe)
        if check is None:
            return ASSUMED_PERCENT
        known = check.uncertainty_percent
        return max(known, ASSUMED_PERCENT) if is_due(check, now_s=now_s) else known

    return max(map(of, watching), default=ASSUMED_PERCENT)
