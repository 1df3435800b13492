"""How fast a unit's history is judged, beside a plain script of the same figures, and the dew point alone.

    python -m tests.bench.judge [DAYS] [RUNS]

Runs alternate, medians. The plain script is what somebody writes who has pandas and psychrolib: hourly
means by `resample`, psychrolib and each formula called an hour at a time, the mould index in a loop.
It gives twelve of the two dozen figures that `judge` gives, no alarm and nothing to go on from; where
both are defined alike they are compared first. The lower yardsticks are psychrolib's dew point alone, as it
is and compiled by numba.
"""

import math
import sys
from dataclasses import replace
from types import ModuleType

import numpy as np
import pandas as pd

from monitor.judge import Judgement, Watched, advance
from monitor.lot import Zone, ZoneReadings
from tests.bench.air import psychrolib
from tests.bench.rows import Row, in_turns, seconds, told

# with numba installed psychrolib compiles itself, and a call takes a sixth of the time
PLAIN, COMPILED = psychrolib(compiled=False), psychrolib(compiled=True)
ZONES = 6
START_S = 1_893_456_000
EVERY_S = 600
PRESSURE_PA = 101_325.0
# class, as in monitor/physics/mould.py: speed to index 1, above it, A, B, C of the largest, planed
CLASSES = {"S": (0.578, 0.386, 0.3, 6.0, 1.0, 1.0), "VS": (1.0, 2.0, 1.0, 7.0, 2.0, 0.0)}
# figures that both define alike, and how far the roundings may take them apart
ALIKE = {"temperature_c": 0.006, "humidity_percent": 0.006, "readings": 0, "dew_point_c": 0.03,
         "humidity_ratio_g_kg": 0.01, "wood_moisture_percent": 0.02, "ambient_moisture_percent": 0.02,
         "mould_index": 0.01, "mould_index_sensitive": 0.01, "rot_hours": 0}  # fmt: skip


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


# --- the plain script -----------------------------------------------------------------------------


def plainly(readings: dict[str, ZoneReadings]) -> dict[str, pd.DataFrame]:
    """Hours of all zones."""
    tables = {code: _zone(series) for code, series in readings.items()}
    moisture = pd.DataFrame(
        {code: hours["wood_moisture_percent"] for code, hours in tables.items()}
    )
    for code, hours in tables.items():
        hours["ambient_moisture_percent"] = moisture.drop(columns=code).median(axis=1)
        excess = hours["wood_moisture_percent"] - hours["ambient_moisture_percent"]
        hours["state"] = [
            "wet" if u >= 20 else "damp" if u >= 16 and over >= 2 else "dry"
            for u, over in zip(hours["wood_moisture_percent"], excess, strict=True)
        ]
    return tables


def _zone(series: ZoneReadings) -> pd.DataFrame:
    times = pd.to_datetime(series.at_s, unit="s")
    columns = {"temperature_c": series.temperature_c, "humidity_percent": series.humidity_percent}
    sampled = pd.DataFrame(columns, index=times).resample("1h")
    hours = sampled.mean()
    hours["readings"] = sampled["temperature_c"].count()
    pairs = list(zip(hours["temperature_c"], hours["humidity_percent"] / 100.0, strict=True))
    hours["dew_point_c"] = [PLAIN.GetTDewPointFromRelHum(t, rh) for t, rh in pairs]
    hours["humidity_ratio_g_kg"] = [
        1000 * PLAIN.GetHumRatioFromRelHum(t, rh, PRESSURE_PA) for t, rh in pairs
    ]
    day = hours[["temperature_c", "humidity_percent"]].rolling(24, min_periods=1).mean()
    hours["wood_moisture_percent"] = [
        _wood(t, h) for t, h in zip(day["temperature_c"], day["humidity_percent"], strict=True)
    ]
    for name, mould_class in (("mould_index", "S"), ("mould_index_sensitive", "VS")):
        hours[name] = _mould(pairs, mould_class)
    hours["thirty_day_humidity_percent"] = hours["humidity_percent"].rolling(720, 1).mean()
    rots = (hours["wood_moisture_percent"] >= 25) & hours["temperature_c"].between(2, 38)
    hours["rot_hours"] = rots.cumsum()
    return hours


def _wood(t: float, humidity: float) -> float:
    """Wood Handbook FPL-GTR-282, eq. 4-5."""
    w = 349.0 + t * (1.29 + t * 0.0135)
    k = 0.805 + t * (0.000736 - t * 0.00000273)
    k1 = 6.27 + t * (-0.00938 - t * 0.000303)
    k2 = 1.91 + t * (0.0407 - t * 0.000293)
    kh = k * humidity / 100
    return (
        1800
        / w
        * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))
    )


def _mould(pairs: list[tuple[float, float]], mould_class: str) -> list[float]:
    """The index in the form of ASHRAE 160, as monitor/physics/mould.py has it."""
    slow, fast, a, b, c, planed = CLASSES[mould_class]
    index, dry, found = 0.0, 0, []
    for t, humidity in pairs:
        rh = min(100 * humidity, 100.0)
        critical = 80.0 if t > 20 else max(80.0, -0.00267 * t**3 + 0.160 * t**2 - 3.13 * t + 100.0)
        if 0 < t < 50 and rh > critical:
            dry = 0
            x = (critical - rh) / (critical - 100)
            largest = max(a + b * x - c * x * x, 0.0)
            if index < largest:
                weeks = math.exp(-0.68 * math.log(t) - 13.9 * math.log(rh) + 0.14 * planed + 66.02)
                pace = (slow if index < 1 else fast) / (168 * weeks)
                index = min(index + pace * (1 - math.exp(2.3 * (index - largest))), 6.0)
        else:
            dry += 1
            fall = 0.000133 if dry <= 6 else 0.0000667 if dry > 24 else 0.0
            index = max(index - fall, 0.0)
        found.append(index)
    return found


def agree(judged: Judgement, plain: dict[str, pd.DataFrame]) -> None:
    """Both sides figure the same; RuntimeError where not."""
    for code, hours in plain.items():
        # below 0 °C psychrolib reads humidity over ice, sensors tell it over water
        warm = hours["temperature_c"].to_numpy() > 0.1
        for name, within in ALIKE.items():
            ours = np.asarray(judged.hours[code][name], dtype=float)
            apart = np.abs(ours - hours[name].to_numpy())[warm].max()
            if not apart <= within:
                raise RuntimeError(f"{name} of {code} differs by {apart:.3g} from the plain script")


# --- measuring ------------------------------------------------------------------------------------


def measure(days: int, runs: int) -> list[Row]:
    """Zone-hours a second of both yardsticks and of `judge`."""
    readings = history(days)
    zones = tuple(Zone("u", code) for code in readings)
    watched = Watched(unit="u", zones=zones, readings=readings)
    to_hour = START_S // 3600 + days * 24
    means = [
        (float(series.temperature_c[at]), float(series.humidity_percent[at]) / 100.0)
        for series in readings.values()
        for at in range(0, len(series.at_s), 6)
    ]

    def judge() -> Judgement:
        return advance(watched, None, from_day=START_S // 86_400, to_hour=to_hour)

    def dew_points(library: ModuleType) -> None:
        for celsius, humid in means:
            library.GetTDewPointFromRelHum(celsius, humid)

    agree(judge(), plainly(readings))
    hours = ZONES * days * 24
    rows = []
    for name, other in (
        ("pandas, psychrolib an hour at a time", lambda: plainly(readings)),
        ("psychrolib's dew point alone", lambda: dew_points(PLAIN)),
        ("the same, compiled by numba", lambda: dew_points(COMPILED)),
    ):
        ours, theirs = in_turns(
            runs, lambda: hours / seconds(judge), lambda other=other: hours / seconds(other)
        )
        note = f"{hours:,} hours in {hours / ours:.2f} s"
        rows.append(Row("judge, a unit's history", ours, "zone-hours/s", name, theirs, note))
    gives = f"{rows[0].note}; the script gives 12 of 24 figures, {len(ALIKE)} of them compared"
    return [replace(rows[0], note=gives, main=True), *rows[1:]]


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches."""
    return measure(30, 1) if quick else measure(365, 5)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    print(told(measure(*given, *(365, 5)[len(given) :])))
