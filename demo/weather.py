"""Invented weather of several sites side by side, one UTC day at a time.

A seasonal and a diurnal course, on which ride first-order autoregressive processes for air mass,
cloud, rain, dew-point depression and wind; each site has its own, the same for a seed and a date.
It is made in steps of ten minutes and then averaged, so a coarser step sees the same weather.
Climates are classes, invented; no place is meant.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_S = 600
DAY_S = 86400
STEPS_PER_DAY = DAY_S // STEP_S
YEAR_DAYS = 365.2425

# Correlation times: chosen so that fronts pass every few days and showers last hours.
_AIR_MASS, _CLOUD, _RAIN, _DRYNESS, _WIND, _VEER = range(6)
_MEMORY_H = np.array([72.0, 18.0, 7.0, 24.0, 9.0, 20.0])
_DECAY = np.exp(-STEP_S / 3600.0 / _MEMORY_H)[:, None]
_KICK = np.sqrt(1.0 - _DECAY**2)

SNOW_C = 0.5  # below it falls as snow
MELT_MM_DAY_K = 3.0  # common practice


@dataclass(frozen=True, slots=True)
class Climate:
    """The course of a year. Every figure is invented."""

    name: str
    mean_c: float
    summer_winter_c: float  # half the difference of July and January
    day_night_c: float  # half the difference on a clear summer day
    air_mass_c: float  # standard deviation of the passing air masses
    depression_k: float  # dew-point depression under a covered winter sky
    rain_quantile_winter: float  # it rains while a standard normal process is above this
    rain_quantile_summer: float
    rain_mm_h: float  # per unit of that process above the quantile
    latitude_deg: float
    cloudiness: float = 0.7  # 0: half the sky, more: more of it
    summer_depression: float = 0.55  # how much drier summer air is, per half year
    wind_m_s: float = 2.6  # median
    wind_from_deg: float = 235.0


MARINE = Climate(
    name="marine",
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
    name="continental",
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
HOT_HUMID = Climate(
    name="hot-humid",
    mean_c=21.5,
    summer_winter_c=6.5,
    day_night_c=5.0,
    air_mass_c=2.6,
    depression_k=2.6,
    rain_quantile_winter=1.60,
    rain_quantile_summer=1.25,
    rain_mm_h=4.2,
    latitude_deg=29.0,
    cloudiness=0.3,
    summer_depression=-0.05,
    wind_m_s=2.4,
    wind_from_deg=150.0,
)
MOUNTAIN = Climate(
    name="mountain",
    mean_c=6.5,
    summer_winter_c=11.5,
    day_night_c=8.5,
    air_mass_c=4.0,
    depression_k=6.0,
    rain_quantile_winter=1.60,
    rain_quantile_summer=1.75,
    rain_mm_h=2.2,
    latitude_deg=40.0,
    cloudiness=-0.2,
    summer_depression=0.75,
    wind_m_s=3.0,
    wind_from_deg=270.0,
)
CLIMATES = {climate.name: climate for climate in (MARINE, CONTINENTAL, HOT_HUMID, MOUNTAIN)}


@dataclass(frozen=True, slots=True, eq=False)
class WeatherDay:
    """One UTC day; arrays of shape (steps, sites): means, or sums of mm, over the step.

    Vectors are split along north, east and up, so that a wall takes its part without more ado.
    """

    temperature_c: Array
    vapour_pa: Array
    cloud: Array  # 0 clear .. 1 covered
    rain_mm: Array  # liquid
    melt_mm: Array  # water from snow lying on roofs
    wind_m_s: Array
    driven_north_mm: Array  # rain through an upright plane facing north, free field
    driven_east_mm: Array
    beam_north_w_m2: Array  # the sun's own rays on planes that face north, east, up
    beam_east_w_m2: Array
    beam_up_w_m2: Array
    diffuse_w_m2: Array  # on a level plane


_SUMS = {"rain_mm", "melt_mm", "driven_north_mm", "driven_east_mm"}


def saturation_pa(temperature_c: Array) -> Array:
    """Saturation vapour pressure over liquid water, also below 0 °C (the sensors' convention).

    Magnus form, 17.62 and 243.12 °C, from memory; the monitor uses another equation, so the two
    cannot share an error.
    """
    return 611.2 * np.exp(17.62 * temperature_c / (243.12 + temperature_c))


class Weather:
    """Days of weather in order; `day(n)` must be called for successive days."""

    def __init__(self, *, seed: int, climates: Sequence[Climate]) -> None:
        self._seed = seed
        self._climate = {
            field.name: np.array([getattr(climate, field.name) for climate in climates])
            for field in fields(Climate)
            if field.name != "name"
        }
        self._sites = len(climates)
        self._state = np.zeros((len(_MEMORY_H), self._sites))
        self._snow_mm = np.zeros(self._sites)

    def day(self, day: int, *, step_s: int = STEP_S) -> WeatherDay:
        """Weather of UTC day number `day`; its random part depends on seed and date alone."""
        processes = self._processes(day)
        climate = self._climate
        summer = -np.cos(2.0 * np.pi * ((day % YEAR_DAYS) - 20.0) / YEAR_DAYS)  # -1 late January
        hour = (np.arange(STEPS_PER_DAY) + 0.5)[:, None] * (STEP_S / 3600.0)
        cloud = 1.0 / (
            1.0 + np.exp(-(climate["cloudiness"] - 0.5 * summer) - 1.7 * processes[:, _CLOUD])
        )

        wetness = 0.75 * processes[:, _RAIN] + 0.66 * processes[:, _CLOUD]
        quantile = climate["rain_quantile_winter"] + (1.0 + summer) / 2.0 * (
            climate["rain_quantile_summer"] - climate["rain_quantile_winter"]
        )
        falling_mm_h = climate["rain_mm_h"] * np.maximum(wetness - quantile, 0.0)

        swing_c = climate["day_night_c"] * (0.65 + 0.35 * summer) * (1.1 - 0.8 * cloud)
        air_c = (
            climate["mean_c"]
            + climate["summer_winter_c"] * summer
            + climate["air_mass_c"] * processes[:, _AIR_MASS]
        )
        temperature_c = air_c + swing_c * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
        depression_k = climate["depression_k"] * (
            1.0 + climate["summer_depression"] * (1.0 + summer)
        ) * np.exp(0.45 * processes[:, _DRYNESS]) + 2.2 * (1.0 - cloud)
        depression_k = np.where(falling_mm_h > 0.0, 0.35 * depression_k, depression_k)
        dew_c = np.minimum(air_c - depression_k, temperature_c - 0.2)

        rain_mm, melt_mm = self._water(
            temperature_c=temperature_c, falling_mm=falling_mm_h * (STEP_S / 3600.0)
        )
        wind_m_s = (
            climate["wind_m_s"]
            * np.exp(0.55 * processes[:, _WIND])
            * np.where(falling_mm_h > 0.0, 1.5, 1.0)
        )
        wind_rad = np.deg2rad(climate["wind_from_deg"] + 65.0 * processes[:, _VEER])
        # ISO 15927-3, from memory: 2/9 v r^(8/9) per hour, r in mm/h and v in m/s.
        driven_mm = (2.0 / 9.0) * wind_m_s * (rain_mm * (3600.0 / STEP_S)) ** (8.0 / 9.0)
        driven_mm *= STEP_S / 3600.0
        beam, diffuse_w_m2 = self._sun(day=day, cloud=cloud)
        return _averaged(
            WeatherDay(
                temperature_c=temperature_c,
                vapour_pa=saturation_pa(dew_c),
                cloud=cloud,
                rain_mm=rain_mm,
                melt_mm=melt_mm,
                wind_m_s=wind_m_s,
                driven_north_mm=driven_mm * np.cos(wind_rad),
                driven_east_mm=driven_mm * np.sin(wind_rad),
                beam_north_w_m2=beam[0],
                beam_east_w_m2=beam[1],
                beam_up_w_m2=beam[2],
                diffuse_w_m2=diffuse_w_m2,
            ),
            step_s // STEP_S,
        )

    def _sun(self, *, day: int, cloud: Array) -> tuple[tuple[Array, Array, Array], Array]:
        """The sun's rays along north, east and up, and what the sky gives a level plane [W/m2]."""
        turn = 2.0 * np.pi * ((day % YEAR_DAYS) / YEAR_DAYS)  # day 0 is a first of January
        declination = np.deg2rad(-23.45) * np.cos(turn + 2.0 * np.pi * 10.0 / 365.0)
        hour = (np.arange(STEPS_PER_DAY) + 0.5)[:, None] * (STEP_S / 3600.0)
        angle = np.deg2rad(15.0 * (hour - 12.0))  # solar time is UTC here
        lat = np.deg2rad(self._climate["latitude_deg"])
        up = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(angle)
        east = -np.cos(declination) * np.sin(angle)
        north = np.cos(lat) * np.sin(declination) - np.sin(lat) * np.cos(declination) * np.cos(
            angle
        )
        sine = np.maximum(up, 0.0)
        clear = np.where(sine > 0.02, 1361.0 * 0.70 ** (1.0 / np.maximum(sine, 0.02)), 0.0)
        direct = clear * (1.0 - cloud) ** 1.2
        diffuse = sine * (90.0 + 260.0 * cloud * (1.0 - 0.55 * cloud))
        return (direct * north, direct * east, direct * sine), diffuse

    def _processes(self, day: int) -> Array:
        """Standard normal processes, (steps, processes, sites)."""
        shape = (STEPS_PER_DAY, _DECAY.size)
        kicks = np.stack(
            [
                np.random.default_rng((self._seed, 1, day, site)).standard_normal(shape)
                for site in range(self._sites)
            ],
            axis=2,
        )
        kicks *= _KICK
        state = self._state
        for step in range(STEPS_PER_DAY):
            state = state * _DECAY + kicks[step]
            kicks[step] = state
        self._state = state
        return kicks

    def _water(self, *, temperature_c: Array, falling_mm: Array) -> tuple[Array, Array]:
        """Rain and snow melt, in mm a step."""
        snows = temperature_c < SNOW_C
        snow_mm = np.where(snows, falling_mm, 0.0)
        melt_mm = np.zeros_like(falling_mm)
        if self._snow_mm.any() or snow_mm.any():
            thaw_mm = MELT_MM_DAY_K * np.maximum(temperature_c, 0.0) * STEP_S / DAY_S
            lying_mm = self._snow_mm
            for step in range(STEPS_PER_DAY):
                lying_mm = lying_mm + snow_mm[step]
                melt_mm[step] = np.minimum(thaw_mm[step], lying_mm)
                lying_mm = lying_mm - melt_mm[step]
            self._snow_mm = lying_mm
        return falling_mm - snow_mm, melt_mm


def _averaged(day: WeatherDay, steps: int) -> WeatherDay:
    """The same day in steps `steps` times as long."""
    if steps == 1:
        return day
    coarse = {}
    for field in fields(day):
        fine = getattr(day, field.name)
        means = fine.reshape(-1, steps, fine.shape[1]).mean(axis=1)
        coarse[field.name] = means * steps if field.name in _SUMS else means
    return WeatherDay(**coarse)
