"""How fast a unit's history is judged, beside the plainest dew point of the same hours.

    python tests/bench/judge.py [DAYS] [RUNS]

Interleaved runs, medians, one line each. The yardstick is psychrolib called once an hour and zone in
a Python loop: one figure of the two dozen that `judge` gives.
"""

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
import psychrolib

from monitor.judge import Watched, advance
from monitor.lot import Zone, ZoneReadings

ZONES = 6
START_S = 1_893_456_000
EVERY_S = 600


def history(days: int) -> dict[str, ZoneReadings]:
    """Six zones, a reading each ten minutes."""
    rng = np.random.default_rng(3)
    at_s = START_S + np.arange(0, days * 86_400, EVERY_S)
    hours = (at_s - START_S) / 3600
    nothing = np.full(len(at_s), np.nan)
    silence = np.full(len(at_s), 900)

    def zone() -> ZoneReadings:
        celsius = 10 + 9 * np.sin(hours / 8760 * 2 * np.pi) + 4 * np.sin(hours / 24 * 2 * np.pi)
        humid = np.clip(78 + rng.normal(0, 6, len(at_s)), 5, 100)
        return ZoneReadings(
            at_s, celsius, humid, nothing, nothing, nothing, silence, silence * 3 // 2
        )

    return {f"z{number}": zone() for number in range(ZONES)}


def seconds(run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def main(days: int = 365, runs: int = 5) -> None:
    readings = history(days)
    zones = tuple(Zone("u", code) for code in readings)
    watched = Watched(unit="u", zones=zones, readings=readings)
    to_hour = START_S // 3600 + days * 24
    psychrolib.SetUnitSystem(psychrolib.SI)
    means = [
        (float(series.temperature_c[at]), float(series.humidity_percent[at]) / 100.0)
        for series in readings.values()
        for at in range(0, len(series.at_s), 6)
    ]

    def judge() -> None:
        advance(watched, None, from_day=START_S // 86_400, to_hour=to_hour)

    def plain() -> None:
        for celsius, humid in means:
            psychrolib.GetTDewPointFromRelHum(celsius, humid)

    pairs = [(seconds(judge), seconds(plain)) for _ in range(runs)]
    hours = ZONES * days * 24
    ours, theirs = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"judge             {hours / ours:12,.0f} zone-hours/s  ({ours:.2f} s for {hours:,})")
    print(f"psychrolib alone  {hours / theirs:12,.0f} zone-hours/s  ({theirs:.2f} s)")
    print(f"ratio             {theirs / ours:12.2f}")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
