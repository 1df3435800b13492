"""Invented weather on both sides of a wall, for tests and benches of the transport."""

from dataclasses import dataclass

import numpy as np

from monitor.physics.air import vapour_pressure
from monitor.physics.transport import Climate


@dataclass(frozen=True, kw_only=True, eq=False)
class Weather:
    """Hourly means; the sun as what the skin takes up."""

    cabin_c: np.ndarray
    cabin_percent: np.ndarray
    outside_c: np.ndarray
    outside_percent: np.ndarray
    sun_w_m2: np.ndarray

    def climate(self, outside_film_m2_k_w: float = 0.04) -> Climate:
        return Climate(
            outside_c=self.outside_c + self.sun_w_m2 * outside_film_m2_k_w,
            outside_pa=vapour_pressure(
                temperature_c=self.outside_c, humidity_percent=self.outside_percent
            ),
            inside_c=self.cabin_c,
            inside_pa=vapour_pressure(
                temperature_c=self.cabin_c, humidity_percent=self.cabin_percent
            ),
        )


def invented(days: int, *, occupied: bool, seed: int = 1) -> Weather:
    """A year that begins in the coldest days: seasons, days, weather of some days, noise."""
    rng = np.random.default_rng(seed)
    hour = np.arange(days * 24)
    day = np.sin(2 * np.pi * (hour - 9) / 24)
    front = np.zeros(len(hour))
    for at in range(1, len(hour)):
        front[at] = 0.985 * front[at - 1] + rng.normal(0, 0.7)
    outside_c = 8 - 12 * np.cos(2 * np.pi * hour / 8760) + 5 * day + front
    outside_percent = np.clip(76 - 9 * day + rng.normal(0, 4, len(hour)), 20, 100)
    cloud = np.repeat(rng.uniform(0.1, 1.0, days), 24)
    sun_w_m2 = 300 * cloud * np.maximum(0, np.sin(2 * np.pi * (hour - 6) / 24)) - 40 * cloud
    if occupied:
        cabin_c = np.maximum(outside_c, 20) + 1
        cabin_percent = np.clip(48 + 8 * np.sin(hour / 19) + rng.normal(0, 2, len(hour)), 10, 95)
    else:
        cabin_c = outside_c + 1 + 3 * np.sin(2 * np.pi * (hour - 11) / 24)
        cabin_percent = np.clip(66 + rng.normal(0, 2, len(hour)), 10, 95)
    return Weather(
        cabin_c=cabin_c,
        cabin_percent=cabin_percent,
        outside_c=outside_c,
        outside_percent=outside_percent,
        sun_w_m2=sun_w_m2,
    )
