"""Dew points that others measured, in open data that lies outside this tree.

Candanedo, Feldheim and Deramaix, "Data driven prediction models of energy use of appliances in a
low-energy house", Energy and Buildings 140 (2017); Creative Commons Attribution 4.0. The columns of
the airport's weather: temperature, humidity in whole per cent and dew point, hourly from January to
May and filled in between; -5.0 to 26.1 °C, 25 to 100 %.
"""

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from monitor.physics import air

FOLDER = os.environ.get("SILLKEEP_OPEN_DATA", "")
NAME = "house_weather_2016.csv"


@pytest.fixture(scope="module")
def weather():
    """Temperature [°C], humidity [%], dew point [°C] and whether it is a full hour, by column."""
    path = Path(FOLDER) / NAME
    if not FOLDER or not path.exists():
        pytest.skip(f"no open data: SILLKEEP_OPEN_DATA names no folder that holds {NAME}")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    names = ("temperature_c", "humidity_percent", "dew_point_c")
    numbers = np.array([[float(row[name]) for name in names] for row in rows]).T
    return *numbers, np.array([row["local_time"].endswith(":00:00") for row in rows])


def rms(difference):
    return np.sqrt(np.mean(difference**2))


def test_dew_points_above_zero_are_those_of_an_airport(weather):
    # Half a per cent of humidity is 0.07 K at 100 % and 0.29 K at 25 %, the rounding of the two
    # temperatures 0.05 K each. Measured: +0.04 K on average, 0.077 K rms, 0.29 K at worst on the
    # 679 full hours; 0.075 K rms and 0.39 K at worst with the 3,415 rows filled in between.
    celsius, percent, airport_c, full_hour = weather
    vapour_pa = air.vapour_pressure(temperature_c=celsius, humidity_percent=percent)
    above = airport_c > air.TRIPLE_POINT_C
    difference = (air.dew_point(vapour_pressure_pa=vapour_pa) - airport_c)[above]
    assert above.sum() > 4000
    assert abs(difference.mean()) < 0.06
    assert rms(difference) < 0.1
    assert np.abs(difference).max() < 0.45
    assert np.abs(difference[full_hour[above]]).max() < 0.35


def test_dew_points_below_zero_are_those_of_an_airport_over_liquid_water_and_no_frost_points(
    weather,
):
    # Meteorology gives the dew point over liquid water in frost, too. As vapour pressure the two
    # agree as well as above zero: 0.6 % rms, 2.7 % at worst. Taken for a frost point their figure
    # is 0.31 K too low on average, the difference of the curves.
    celsius, percent, airport_c, _ = weather
    below = airport_c < 0.0
    vapour_pa = air.vapour_pressure(temperature_c=celsius, humidity_percent=percent)[below]
    liquid_pa = air.saturation_vapour_pressure(temperature_c=airport_c[below], over="liquid")
    frost_c = air.dew_point(vapour_pressure_pa=vapour_pa)
    share = vapour_pa / liquid_pa - 1.0
    assert below.sum() > 700
    assert rms(share) < 0.01
    assert np.abs(share).max() < 0.03
    assert (frost_c - airport_c[below]).mean() == pytest.approx(0.31, abs=0.02)
