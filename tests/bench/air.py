"""How fast dew points and hours are worked out, beside the plainest way of each.

    python tests/bench/air.py [RUNS]

Interleaved runs, medians, one line each. Dew points: of vapour pressures of which half freeze,
beside psychrolib called once a point, and psychrolib on arrays through numba. Hours: readings each
ten minutes of 80 zones and a year, beside `numpy.add.reduceat` on their columns.
"""

import importlib.util
import statistics
import sys
import time
from collections.abc import Callable
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from monitor.judge.hours import HOUR_S, hourly
from monitor.lot import ZoneReadings
from monitor.physics import air

POINTS = {"a year of six zones": 6 * 365 * 24 * 6, "ten million points": 10_000_000}
SCALAR_POINTS = 20_000  # what a loop over psychrolib is timed on
ZONES, DAYS, EVERY_S = 80, 365, 600
START_S = 1_893_456_000


def psychrolib(*, compiled: bool) -> ModuleType:
    """A psychrolib of its own, that finds numba or does not."""
    found = importlib.util.find_spec("psychrolib")
    assert found is not None
    assert found.loader is not None
    library = importlib.util.module_from_spec(found)
    kept = sys.modules.get("numba")
    if not compiled:
        sys.modules["numba"] = None  # type: ignore[assignment]
    found.loader.exec_module(library)
    if not compiled:
        del sys.modules["numba"]
        if kept is not None:
            sys.modules["numba"] = kept
    assert library.has_numba is compiled
    library.SetUnitSystem(library.SI)
    return library


def seconds(run: Callable[[], object]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def compare(runs: int, ways: dict[str, tuple[Callable[[], object], int]]) -> None:
    """Time the ways in turns; the ratio is of the first way's pace to each."""
    rounds = [[seconds(run) / count for run, count in ways.values()] for _ in range(runs)]
    medians = [statistics.median(column) for column in zip(*rounds, strict=True)]
    for name, each_s in zip(ways, medians, strict=True):
        print(f"  {name:34s} {1e-6 / each_s:8.2f} M/s   ratio {each_s / medians[0]:7.2f}")


def dew_points(runs: int) -> None:
    plain, compiled = psychrolib(compiled=False), psychrolib(compiled=True)
    rng = np.random.default_rng(1)
    for name, count in POINTS.items():
        celsius = np.clip(rng.normal(8.0, 12.0, count), -40.0, 60.0)
        percent = rng.uniform(20.0, 100.0, count)
        pressures = air.vapour_pressure(temperature_c=celsius, humidity_percent=percent)
        few = pressures[:SCALAR_POINTS].tolist()
        warm = np.full(count, 90.0)
        compiled.GetTDewPointFromVapPres(warm[:9], pressures[:9])  # compiles
        dew_c = air.dew_point(vapour_pressure_pa=pressures)
        theirs_c = compiled.GetTDewPointFromVapPres(warm, pressures)
        print(f"dew point, {name}: {100 * np.mean(dew_c < 0.01):.0f} % freeze,", end=" ")
        print(f"within {np.abs(dew_c - theirs_c).max():.1e} K")

        def ours(pressures: NDArray[np.float64] = pressures) -> object:
            return air.dew_point(vapour_pressure_pa=pressures)

        def with_humidity(
            celsius: NDArray[np.float64] = celsius, percent: NDArray[np.float64] = percent
        ) -> object:
            vapour_pa = air.vapour_pressure(temperature_c=celsius, humidity_percent=percent)
            return air.dew_point(vapour_pressure_pa=vapour_pa)

        def numba(
            warm: NDArray[np.float64] = warm, pressures: NDArray[np.float64] = pressures
        ) -> object:
            return compiled.GetTDewPointFromVapPres(warm, pressures)

        def loop(few: list[float] = few) -> object:
            return [plain.GetTDewPointFromVapPres(90.0, p) for p in few]

        compare(
            runs,
            {
                "ours, from vapour pressure": (ours, count),
                "ours, from temperature, humidity": (with_humidity, count),
                "psychrolib on arrays, by numba": (numba, count),
                "psychrolib, a point at a time": (loop, len(few)),
            },
        )


def hours(runs: int) -> None:
    rng = np.random.default_rng(2)
    at_s = START_S + np.arange(0, DAYS * 86_400, EVERY_S)
    nothing = np.full(len(at_s), np.nan)
    silence = np.full(len(at_s), 900)
    from_hour = START_S // HOUR_S
    to_hour = from_hour + DAYS * 24

    def zone() -> ZoneReadings:
        celsius = np.round(rng.normal(8.0, 12.0, len(at_s)), 2)
        percent = np.round(rng.uniform(20.0, 100.0, len(at_s)), 2)
        return ZoneReadings(
            at_s, celsius, percent, nothing, nothing, nothing, silence, silence * 3 // 2
        )

    zones = [zone() for _ in range(ZONES)]
    edges_s = np.arange(from_hour, to_hour) * HOUR_S

    def ours() -> None:
        for one in zones:
            hourly(one, from_hour=from_hour, to_hour=to_hour, before=None)

    def reduced(*names: str) -> Callable[[], None]:
        """Means of columns, a gap left out of them."""

        def run() -> None:
            for one in zones:
                starts = np.searchsorted(one.at_s, edges_s)
                for name in names:
                    values = getattr(one, name)
                    seen = ~np.isnan(values)
                    total = np.add.reduceat(np.where(seen, values, 0.0), starts)
                    count = np.add.reduceat(seen.astype(np.float64), starts)
                    with np.errstate(invalid="ignore"):
                        total / count

        return run

    count = ZONES * len(at_s)
    print(f"hours, {count:,} readings of {ZONES} zones")
    compare(
        runs,
        {
            "hourly: means, cover, contact, rain": (ours, count),
            "reduceat, 2 columns": (reduced("temperature_c", "humidity_percent"), count),
            "reduceat, the same 4 columns": (
                reduced("temperature_c", "humidity_percent", "wood_percent", "rain_mm"),
                count,
            ),
        },
    )


if __name__ == "__main__":
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    dew_points(times)
    hours(times)
