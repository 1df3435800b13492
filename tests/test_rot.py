"""Rot: when it can happen, and the dose of it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import rot


@pytest.mark.parametrize(
    ("temperature_c", "moisture_percent", "hours"),
    [
        pytest.param(20.0, 24.99, 0.0, id="too dry"),
        pytest.param(20.0, 25.0, 1.0, id="just wet enough"),
        pytest.param(20.0, 90.0, 1.0, id="soaked"),
        pytest.param(1.99, 40.0, 0.0, id="too cold"),
        pytest.param(2.0, 40.0, 1.0, id="just warm enough"),
        pytest.param(38.0, 40.0, 1.0, id="just cool enough"),
        pytest.param(38.01, 40.0, 0.0, id="too hot"),
        pytest.param(-10.0, 10.0, 0.0, id="winter"),
    ],
)
def test_wood_rots_only_when_wet_and_warm(temperature_c, moisture_percent, hours):
    # 25 %: Brischke-Isaksson dose; 2 and 38 °C: Wood Handbook FPL-GTR-282, ch. 14
    computed = rot.rot_hours(temperature_c=temperature_c, moisture_percent=moisture_percent)
    assert computed == hours


def test_a_missing_hour_is_unknown_and_not_an_hour_without_rot():
    hours = rot.rot_hours(temperature_c=[np.nan, 20.0, 20.0], moisture_percent=[30, np.nan, 30])
    dose = rot.decay_dose(temperature_c=[np.nan, 20.0, 20.0], moisture_percent=[30, np.nan, 30])
    assert np.isnan(hours).tolist() == np.isnan(dose).tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("temperature_c", "moisture_percent", "days"),
    [
        pytest.param(20.0, 24.9, 0.0, id="dry warm wood has no dose"),
        pytest.param(-0.1, 50.0, 0.0, id="nor has frozen wood"),
        pytest.param(40.1, 50.0, 0.0, id="nor hot wood"),
        # By hand from the polynomials: D_u(30) = 0.3933, D_T(20) = 0.6916
        pytest.param(20.0, 30.0, (3.2 * 0.6916 + 0.3933) / 4.2, id="wet room"),
        # D_u(40) = 0.8361, D_T(30) = 0.9819
        pytest.param(30.0, 40.0, (3.2 * 0.9819 + 0.8361) / 4.2, id="near the best"),
    ],
)
def test_dose_of_a_day(temperature_c, moisture_percent, days):
    computed = rot.decay_dose(temperature_c=temperature_c, moisture_percent=moisture_percent)
    assert computed == pytest.approx(days, abs=1e-3)


@given(st.floats(-40.0, 85.0), st.floats(0.0, 120.0))
def test_the_dose_of_a_day_lies_between_none_and_one_day(temperature_c, moisture_percent):
    dose = rot.decay_dose(temperature_c=temperature_c, moisture_percent=moisture_percent)
    assert 0.0 <= dose <= 1.0


@given(st.floats(-40.0, 85.0), st.floats(0.0, 24.99))
def test_nothing_rots_below_25_percent(temperature_c, moisture_percent):
    hours = rot.rot_hours(temperature_c=temperature_c, moisture_percent=moisture_percent)
    dose = rot.decay_dose(temperature_c=temperature_c, moisture_percent=moisture_percent)
    assert hours == dose == 0.0


def test_a_moisture_out_of_range_is_named_with_the_range():
    with pytest.raises(ValueError, match="moisture_percent must be 0 to 200, got -1"):
        rot.rot_hours(temperature_c=20.0, moisture_percent=-1.0)
