"""What a unit has to say after rain: stayed dry, no change of what was damp, look at a zone, or no data.

A storm is rain of a wetting event (2 mm in 6 h) and all that falls until 24 h have passed without any;
its answer is due a day after its last rain, when water that came in has reached the probe. A zone
answers by its wood moisture against the day before, less what its like zones did: a damp week lifts
all of them.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.judge.rules import LIMITS
from monitor.lot import STRUCTURE_KINDS, ZoneKind

Floats = NDArray[np.float64]

WETTING_H = 6
OVER_H = 24  # without rain: a front and the showers behind it are one storm
BEFORE_H = 24
ANSWER_H = 24
LEAST_SHARE = 0.8  # of the hours from the day before to the answer
RISE_PERCENT = 1.5  # wood moisture, as a trend that counts (`monitor.judge.rules`)
MUCH_PERCENT = 3.0  # whatever the others did: several leaks would hide each other

Word = Literal["stayed dry", "no change", "look at", "no data"]


@dataclass(frozen=True, slots=True)
class Storm:
    """Rain from an hour to the first dry one after it."""

    from_hour: int
    to_hour: int
    rain_mm: float

    @property
    def answer_hour(self) -> int:
        """Hour from which on its answer is due."""
        return self.to_hour + ANSWER_H


@dataclass(frozen=True, slots=True)
class Answer:
    """What a unit's zones say of one storm.

    Attributes
    ----------
    storm : Storm
    word : {"stayed dry", "no change", "look at", "no data"}
        "no change": nothing answered, but something was damp already.
    zone : str
        To look at, or that was damp already.
    rise_percent : float
        Its wood moisture above what its like zones did, or all of its rise where that alone is much; nan
        where an alarm spoke.
    heard, unheard : tuple of str
        Zones that were heard all along, and those that were not.
    """

    storm: Storm
    word: Word
    zone: str
    rise_percent: float
    heard: tuple[str, ...]
    unheard: tuple[str, ...]


def storms(rain_mm: Floats, *, from_hour: int) -> list[Storm]:
    """Storms of some hours, oldest first; an hour without a rain source is neither rain nor dry.

    Parameters
    ----------
    rain_mm : ndarray
        Rain of each hour. [hours; mm] nan where nobody measured.
    from_hour : int
        Hour number of the first.
    """
    fell = np.nan_to_num(rain_mm)
    wet = np.flatnonzero(fell > 0.0)
    if not len(wet):
        return []
    breaks = np.flatnonzero(np.diff(wet) > OVER_H) + 1
    found = []
    for hours in np.split(wet, breaks):
        first, last = int(hours[0]), int(hours[-1])
        span = fell[first : last + 1]
        six = np.convolve(span, np.ones(WETTING_H))
        if round(float(six.max()), 2) >= LIMITS.wetting_mm:
            total = round(float(span.sum()), 1)
            found.append(Storm(from_hour + first, from_hour + last + 1, total))
    return found


def answer(
    storm: Storm,
    moisture: Mapping[str, Floats],
    kinds: Mapping[str, ZoneKind],
    *,
    from_hour: int,
    alarmed: Collection[str],
    damp: Collection[str] = (),
) -> Answer:
    """What a unit's walls, roofs and floors say of a storm that is over.

    Parameters
    ----------
    storm : Storm
    moisture : mapping
        Hourly wood moisture of each zone from `from_hour` on. [hours; %] nan where not known.
    kinds : mapping
        Of the zones.
    alarmed, damp : collection of str
        Zones where water, `wet` or a leak suspect, or `damp`, stood between its first rain and its
        answer: what is wet did not stay dry, however little this rain added.
    """
    first = storm.from_hour - from_hour
    last = storm.answer_hour - from_hour
    rises: dict[str, float] = {}
    zones = sorted(zone for zone, kind in kinds.items() if kind in STRUCTURE_KINDS)
    for zone in zones:
        course = moisture.get(zone, np.zeros(0))[max(first - BEFORE_H, 0) : last]
        before, after = course[:BEFORE_H], course[-ANSWER_H:]
        wanted = last - first + BEFORE_H
        known = int((~np.isnan(course)).sum())
        if known >= LEAST_SHARE * wanted and not (np.isnan(before).all() or np.isnan(after).all()):
            rises[zone] = float(np.nanmean(after) - np.nanmean(before))
    unheard = tuple(zone for zone in zones if zone not in rises)
    spoke = sorted(alarmed)
    if spoke:
        return Answer(storm, "look at", spoke[0], float("nan"), tuple(rises), unheard)
    if len(rises) < len(unheard) or not rises:
        return Answer(storm, "no data", "", float("nan"), tuple(rises), unheard)
    over = {zone: rise - _of_others(zone, rises) for zone, rise in rises.items()}
    most = max(rises, key=lambda zone: (rises[zone], zone))
    if rises[most] >= MUCH_PERCENT:
        return Answer(storm, "look at", most, rises[most], tuple(rises), unheard)
    worst = max(over, key=lambda zone: (over[zone], zone))
    if over[worst] >= RISE_PERCENT:
        return Answer(storm, "look at", worst, over[worst], tuple(rises), unheard)
    was_damp = sorted(set(zones) & set(damp))
    if was_damp:
        return Answer(storm, "no change", was_damp[0], over[worst], tuple(rises), unheard)
    return Answer(storm, "stayed dry", "", over[worst], tuple(rises), unheard)


def _of_others(zone: str, rises: Mapping[str, float]) -> float:
    """What the weather did to the other zones; never below nothing, for they dry at their own pace."""
    others: Sequence[float] = [rise for name, rise in rises.items() if name != zone]
    return max(float(np.median(others)), 0.0) if others else 0.0
