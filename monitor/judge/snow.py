"""Snow that melts, worked out where a service gives precipitation and temperature: a thaw wets as rain does.

What falls at or below `SNOW_C` lies; what lies melts by the degrees above it. A gauge without heating
sees neither, so only what services and files say counts; a person may note a thaw at any time.
"""

import numpy as np
from numpy.typing import NDArray

from monitor.judge.rules import LIMITS

Floats = NDArray[np.float64]

SNOW_C = 0.5  # half of what falls at 1 °C is snow; from memory, by station
MELTS_MM_K_H = 4.0 / 24.0  # 4 mm a degree and day, 2 to 6 by sun and wind: handbooks, from memory
LOOKS_BACK_H = 180 * 24  # a winter
WETS_H = 24


def thaws(temperature_c: Floats, precipitation_mm: Floats) -> list[tuple[int, float]]:
    """Hours in which as much has melted in a day as makes a wetting, once for each thaw.

    Parameters
    ----------
    temperature_c, precipitation_mm : ndarray
        Hourly, a month or more. [hours; °C] [mm of water] nan where missing: nothing falls or melts.

    Returns
    -------
    list of (hour, mm)
        Place of the hour, and the water of the day to it; the next thaw begins when a day has passed
        without melt.
    """
    lies = 0.0
    melted = np.zeros(len(temperature_c))
    fell = np.nan_to_num(precipitation_mm)
    for hour, celsius in enumerate(temperature_c.tolist()):
        if celsius <= SNOW_C:
            lies += fell[hour]
        elif lies > 0.0 and celsius == celsius:  # noqa: PLR0124  not a number
            melted[hour] = min(lies, MELTS_MM_K_H * (celsius - SNOW_C))
            lies -= melted[hour]
    found: list[tuple[int, float]] = []
    running = False
    for hour in range(len(melted)):
        day = float(melted[max(hour - WETS_H + 1, 0) : hour + 1].sum())
        if not running and day >= LIMITS.wetting_mm:
            found.append((hour, round(day, 1)))
            running = True
        elif day == 0.0:
            running = False
    return found
