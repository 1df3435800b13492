"""How fast the mould index is, by each of its ways, and what holds it back.

    python tests/bench/mould.py [ZONES] [RUNS]

Interleaved runs, medians, one line each. The bounds are numpy's: the stream of the same bytes through
one addition, and the four functions that a favourable hour needs (two logarithms, two exponentials)
of every hour, in the cache. Synthetic hours, of which some 3 in 10 are favourable.
"""

import statistics
import sys
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from monitor.physics import mould

Floats = NDArray[np.float64]
YEAR_H = 8760
CACHED = 65_536


def climate(hours: int, zones: int) -> tuple[Floats, Floats]:
    """Hourly means of zones with seasons, days and spells of damp of their own."""
    rng = np.random.default_rng(3)
    hour = np.arange(hours)[:, None]
    celsius = rng.normal(0.0, 1.0, (hours, zones))
    celsius += 10 + 9 * np.sin(hour / YEAR_H * 2 * np.pi) + 4 * np.sin(hour / 24 * 2 * np.pi)
    humid = rng.normal(0.0, 6.0, (hours, zones))
    humid += 78 + 8 * np.sin(hour / 300 + np.arange(zones))
    return celsius, np.clip(humid, 5.0, 100.0, out=humid)


def index(celsius: Floats, humid: Floats, *, compiled: bool | None = None) -> None:
    mould.index_series(
        temperature_c=celsius, humidity_percent=humid, mould_class="S", compiled=compiled
    )


def medians(ways: Mapping[str, Callable[[], object]], runs: int) -> dict[str, float]:
    """Seconds of each way, the ways taking turns."""
    seconds: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(runs):
        for name, run in ways.items():
            start = time.perf_counter()
            run()
            seconds[name].append(time.perf_counter() - start)
    return {name: statistics.median(values) for name, values in seconds.items()}


def a_year_of_many(zones: int, runs: int) -> None:
    celsius, humid = climate(YEAR_H, zones)
    few = celsius[:, :12].copy(), humid[:, :12].copy()
    out = np.empty_like(celsius)
    cached = np.ascontiguousarray(humid.ravel()[:CACHED])
    halves = (slice(0, zones // 2), slice(zones // 2, zones))
    material, work = mould._material("S"), np.empty((8, CACHED))
    warm = np.ascontiguousarray(celsius.ravel()[:CACHED]) + 10.0

    def two_threads() -> None:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda at: index(celsius[:, at], humid[:, at], compiled=True), halves))

    def functions() -> None:
        for _ in range(20):
            np.log(cached), np.log(cached), np.exp(cached), np.expm1(cached)

    def conditions() -> None:
        for _ in range(20):
            mould._growth(warm, cached, material, work)

    ways: dict[str, tuple[Callable[[], object], int]] = {
        "Python loop": (lambda: index(*few), few[0].size),
        "numpy": (lambda: index(celsius, humid, compiled=False), celsius.size),
        "compiled": (lambda: index(celsius, humid, compiled=True), celsius.size),
        "compiled, two threads": (two_threads, celsius.size),
        "bound: stream": (lambda: np.add(celsius, humid, out=out), celsius.size),
        "bound: log, log, exp, expm1": (functions, 20 * CACHED),
        "part: numpy's conditions": (conditions, 20 * CACHED),
    }
    took = medians({name: run for name, (run, _) in ways.items()}, runs)
    share = float((humid > mould.critical_humidity(temperature_c=celsius, mould_class="S")).mean())
    print(f"a year of {zones:,} zones, {share:.0%} of the hours favourable, M zone-hours/s")
    for name, (_, size) in ways.items():
        print(f"  {name:30} {size / took[name] / 1e6:8.1f}  ({took[name]:.3f} s)")


def what_is_asked(runs: int) -> None:
    lot, unit = climate(1, 3_000_000), climate(YEAR_H, 6)
    took = medians(
        {
            "a step of 3 million zones, numpy": lambda: index(*lot, compiled=False),
            "a step of 3 million zones, compiled": lambda: index(*lot, compiled=True),
            "a unit's year, six zones": lambda: index(*unit),
            "a unit's year, compiled": lambda: index(*unit, compiled=True),
        },
        runs,
    )
    for name, seconds in took.items():
        print(f"{name:38} {1e3 * seconds:8.1f} ms")


def table(runs: int) -> None:
    print("ns a zone-hour, numpy / compiled")
    spans = (1, 10, 100, 1000)
    print("      zones" + "".join(f"{hours:11,} h  " for hours in spans))
    for zones in (100, 1000, 4000, 16_000, 256_000):
        cells = []
        for hours in spans:
            if zones * hours > 30_000_000:
                continue
            conditions = climate(hours, zones)
            times = max(1, 200_000 // (zones * hours))  # short work, many times

            def run(*, compiled: bool, by: tuple[Floats, Floats], times: int) -> None:
                for _ in range(times):
                    index(*by, compiled=compiled)

            took = medians(
                {
                    str(compiled): lambda compiled=compiled, by=conditions, times=times: run(
                        compiled=compiled, by=by, times=times
                    )
                    for compiled in (False, True)
                },
                runs,
            )
            each = [1e9 * seconds / (zones * hours * times) for seconds in took.values()]
            cells.append(f"{each[0]:7.1f}/{each[1]:5.1f} ")
        print(f"{zones:11,}" + "".join(cells))


def main(zones: int = 4000, runs: int = 5) -> None:
    index(np.full((1, 2), 20.0), np.full((1, 2), 90.0), compiled=True)  # compiles
    a_year_of_many(zones, runs)
    what_is_asked(runs)
    table(runs)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
