"""Invented weather, one UTC day of ten-minute steps at a time: the same for a seed and a date.

A seasonal and a diurnal course, on which ride first-order autoregressive processes for air mass,
cloud, rain, dew-point depression and wind. Climates are invented; no place is meant.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_S = 600
DAY_S = 86400
STEPS_PER_DAY = DAY_S // STEP_S

# Correlation times: chosen so that fronts pass every few days and showers last hours.
_AIR_MASS, _CLOUD, _RAIN, _DRYNESS, _WIND, _VEER = range(6)
_MEMORY_H = np.array([72.0, 18.0, 7.0, 24.0, 9.0, 20.0])
_DECAY = np.exp(-STEP_S / 3600.0 / _MEMORY_H)
_KICK = np.sqrt(1.0 - _DECAY**2)


@dataclass(frozen=True, slots=True)
class Climate:
    """The course of a year. Every figure is invented."""

    mean_c: float
    summer_winter_c: float  # half the difference of July and January
    day_night_c: float  # half the difference on a clear summer day
    air_mass_c: float  # standard deviation of the passing air masses
    depression_k: float  # dew-point depression under a covered winter sky
    rain_quantile_winter: float  # it rains while a standard normal process is above this
    rain_quantile_summer: float
    rain_mm_h: float  # per unit of that process above the quantile
    latitude_deg: float


MARINE = Climate(
    mean_c=10.0,
    summer_winter_c=6.5,
    day_night_c=5.0,
    air_mass_c=2.8,
    depression_k=1.6,
    rain_quantile_winter=1.15,
    rain_quantile_summer=1.40,
    rain_mm_h=2.4,
    latitude_deg=48.0,
)
CONTINENTAL = Climate(
    mean_c=9.0,
    summer_winter_c=13.0,
    day_night_c=7.0,
    air_mass_c=4.5,
    depression_k=2.6,
    rain_quantile_winter=1.55,
    rain_quantile_summer=1.50,
    rain_mm_h=3.4,
    latitude_deg=44.0,
)


@dataclass(frozen=True, slots=True, eq=False)
class WeatherDay:
    """One UTC day; arrays of shape (144,), one value a ten-minute step."""

    temperature_c: Array
    vapour_pa: Array
    cloud: Array  # 0 clear .. 1 covered
    rain_mm: Array  # liquid, in the step
    melt_mm: Array  # water from snow lying on roofs, in the step
    wind_m_s: Array
    wind_from_deg: Array
    direct_w_m2: Array  # on a plane facing the sun
    diffuse_w_m2: Array  # on a level plane
    sun_height_rad: Array
    sun_azimuth_rad: Array  # from north, clockwise


def saturation_pa(temperature_c: Array) -> Array:
    """Saturation vapour pressure over liquid water, also below 0 °C (the sensors' convention).

    Magnus form, 17.62 and 243.12 °C, from memory; the monitor uses another equation, so the two
    cannot share an error.
    """
    return 611.2 * np.exp(17.62 * temperature_c / (243.12 + temperature_c))


def _sun(*, day: int, latitude_deg: float) -> tuple[Array, Array]:
    """Height and azimuth of the sun [rad] at the middle of each step; solar time is UTC here."""
    turn = 2.0 * np.pi * ((day % 365.2425) / 365.2425)  # day 0 is a first of January
    declination = np.deg2rad(-23.45) * np.cos(turn + 2.0 * np.pi * 10.0 / 365.0)
    hour = (np.arange(STEPS_PER_DAY) + 0.5) * (STEP_S / 3600.0)
    angle = np.deg2rad(15.0 * (hour - 12.0))
    lat = np.deg2rad(latitude_deg)
    sine = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(angle)
    east = -np.cos(declination) * np.sin(angle)
    north = np.cos(lat) * np.sin(declination) - np.sin(lat) * np.cos(declination) * np.cos(angle)
    return np.arcsin(sine), np.arctan2(east, north) % (2.0 * np.pi)


class Weather:
    """Days of weather in order; `day(n)` must be called for successive days."""

    def __init__(self, *, seed: int, climate: Climate) -> None:
        self._seed = seed
        self._climate = climate
        self._state = np.zeros(6)
        self._snow_mm = 0.0

    def day(self, day: int) -> WeatherDay:
        """Weather of UTC day number `day`; its random part depends on seed and date alone."""
        processes = self._processes(day)
        climate = self._climate
        summer = -np.cos(2.0 * np.pi * ((day % 365.2425) - 20.0) / 365.2425)  # -1 late January
        hour = (np.arange(STEPS_PER_DAY) + 0.5) * (STEP_S / 3600.0)
        cloud = 1.0 / (1.0 + np.exp(-(0.7 - 0.5 * summer) - 1.7 * processes[:, _CLOUD]))

        wetness = 0.75 * processes[:, _RAIN] + 0.66 * processes[:, _CLOUD]
        quantile = climate.rain_quantile_winter + (1.0 + summer) / 2.0 * (
            climate.rain_quantile_summer - climate.rain_quantile_winter
        )
        falling_mm_h = climate.rain_mm_h * np.maximum(wetness - quantile, 0.0)

        swing_c = climate.day_night_c * (0.65 + 0.35 * summer) * (1.1 - 0.8 * cloud)
        air_c = (
            climate.mean_c
            + climate.summer_winter_c * summer
            + climate.air_mass_c * processes[:, _AIR_MASS]
        )
        temperature_c = air_c + swing_c * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
        depression_k = climate.depression_k * (1.0 + 0.55 * (1.0 + summer)) * np.exp(
            0.45 * processes[:, _DRYNESS]
        ) + 2.2 * (1.0 - cloud)
        depression_k = np.where(falling_mm_h > 0.0, 0.35 * depression_k, depression_k)
        dew_c = np.minimum(air_c - depression_k, temperature_c - 0.2)

        rain_mm, melt_mm = self._water(
            temperature_c=temperature_c, falling_mm=falling_mm_h * (STEP_S / 3600.0)
        )
        height, azimuth = _sun(day=day, latitude_deg=climate.latitude_deg)
        sine = np.maximum(np.sin(height), 0.0)
        clear_direct = np.where(sine > 0.02, 1361.0 * 0.70 ** (1.0 / np.maximum(sine, 0.02)), 0.0)
        return WeatherDay(
            temperature_c=temperature_c,
            vapour_pa=saturation_pa(dew_c),
            cloud=cloud,
            rain_mm=rain_mm,
            melt_mm=melt_mm,
            wind_m_s=2.6
            * np.exp(0.55 * processes[:, _WIND])
            * np.where(falling_mm_h > 0.0, 1.5, 1.0),
            wind_from_deg=(235.0 + 65.0 * processes[:, _VEER]) % 360.0,
            direct_w_m2=clear_direct * (1.0 - cloud) ** 1.2,
            diffuse_w_m2=sine * (90.0 + 260.0 * cloud * (1.0 - 0.55 * cloud)),
            sun_height_rad=height,
            sun_azimuth_rad=azimuth,
        )

    def _processes(self, day: int) -> Array:
        rng = np.random.default_rng((self._seed, 1, day))
        kicks = rng.standard_normal((STEPS_PER_DAY, _DECAY.size)) * _KICK
        series = np.empty_like(kicks)
        state = self._state
        for step in range(STEPS_PER_DAY):
            state = state * _DECAY + kicks[step]
            series[step] = state
        self._state = state
        return series

    def _water(self, *, temperature_c: Array, falling_mm: Array) -> tuple[Array, Array]:
        """Rain and snow melt; snow below 0.5 °C, melting 3 mm a day and kelvin (common practice)."""
        snows = temperature_c < 0.5
        melt_mm = np.zeros_like(falling_mm)
        if self._snow_mm > 0.0 or (snows & (falling_mm > 0.0)).any():
            for step in range(STEPS_PER_DAY):
                self._snow_mm += falling_mm[step] if snows[step] else 0.0
                thaw_mm = 3.0 * max(temperature_c[step], 0.0) * STEP_S / DAY_S
                melt_mm[step] = min(thaw_mm, self._snow_mm)
                self._snow_mm -= melt_mm[step]
        return np.where(snows, 0.0, falling_mm), melt_mm
