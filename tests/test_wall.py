"""Inner surfaces: worked examples, limits and direction."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import air, wall


def test_the_least_factor_is_the_criterion_of_the_standard():
    # DIN 4108-2: 20 °C and 50 % inside, -5 °C outside, 80 % at the surface: 12.6 °C, f >= 0.70.
    # Ours is 0.705: the standard rounds its 12.6 °C (0.704) down.
    factor = wall.minimum_temperature_factor(inside_c=20.0, outside_c=-5.0, humidity_percent=50.0)
    surface_c = wall.surface_temperature(inside_c=20.0, outside_c=-5.0, temperature_factor=factor)
    assert factor == pytest.approx(0.70, abs=0.006)
    assert surface_c == pytest.approx(12.6, abs=0.05)


def test_the_factor_of_a_thermal_bridge_is_that_of_a_worked_example():
    # Worked example to the Spanish code document DA DB-HE/2 in a public handbook for building
    # surveyors (example 6.1.9): edge of a floor at 15.3 °C, 10.4 °C outside, 20 °C inside: 0.51.
    factor = wall.temperature_factor(inside_c=20.0, outside_c=10.4, surface_c=15.3)
    assert factor == pytest.approx(0.51, abs=0.005)


def test_the_least_factor_of_a_dwelling_in_a_mild_january():
    # DA DB-HE/2, worked wall: 0.36, for 20 °C and 55 % inside and 10.7 °C outside (the outside
    # temperature from memory).
    factor = wall.minimum_temperature_factor(inside_c=20.0, outside_c=10.7, humidity_percent=55.0)
    assert factor == pytest.approx(0.36, abs=0.005)


def test_at_the_least_factor_the_surface_is_exactly_at_the_limit():
    factor = wall.minimum_temperature_factor(inside_c=22.0, outside_c=2.0, humidity_percent=55.0)
    surface_c = wall.surface_temperature(inside_c=22.0, outside_c=2.0, temperature_factor=factor)
    humidity = wall.surface_humidity(temperature_c=22.0, humidity_percent=55.0, surface_c=surface_c)
    assert humidity == pytest.approx(80.0, abs=1e-5)


def test_air_above_the_limit_needs_more_than_a_perfect_wall():
    factor = wall.minimum_temperature_factor(inside_c=20.0, outside_c=0.0, humidity_percent=90.0)
    assert factor > 1.0


def test_without_a_difference_there_is_no_factor():
    assert np.isnan(wall.temperature_factor(inside_c=5.0, outside_c=5.0, surface_c=5.0))
    for inside_c in (5.0, 4.0):
        factor = wall.minimum_temperature_factor(
            inside_c=inside_c, outside_c=5.0, humidity_percent=50.0
        )
        assert np.isnan(factor)


def test_humidity_of_the_air_is_that_at_a_surface_of_its_own_temperature():
    celsius = np.array([-20.0, -5.0, 0.0, 15.0, 40.0])
    at_surface = wall.surface_humidity(
        temperature_c=celsius, humidity_percent=73.0, surface_c=celsius
    )
    np.testing.assert_allclose(at_surface, 73.0, rtol=1e-12)


def test_condensation_shows_as_more_than_100_percent_and_frost_by_its_point():
    pressure_pa = air.vapour_pressure(temperature_c=20.0, humidity_percent=50.0)
    wet, dry = wall.surface_humidity(
        temperature_c=20.0, humidity_percent=50.0, surface_c=[9.0, 9.5]
    )
    assert 9.0 < air.dew_point(vapour_pressure_pa=pressure_pa) < 9.5
    assert dry < 100.0 < wet
    over_liquid, over_ice = (
        wall.surface_humidity(
            temperature_c=-2.0, humidity_percent=77.0, surface_c=-5.0, reference=reference
        )
        for reference in ("liquid", "ice")
    )
    assert over_liquid == pytest.approx(96.3, abs=0.1)
    assert over_ice > 98.0


def test_a_missing_value_stays_missing():
    surface_c = wall.surface_temperature(
        inside_c=[20.0, np.nan], outside_c=[np.nan, 0.0], temperature_factor=0.5
    )
    humidity = wall.surface_humidity(
        temperature_c=20.0, humidity_percent=[50.0, np.nan], surface_c=[np.nan, 10.0]
    )
    assert np.isnan(surface_c).all()
    assert np.isnan(humidity).all()


def test_a_factor_out_of_range_is_named_with_the_range():
    with pytest.raises(ValueError, match=r"temperature_factor must be 0 to 1, got 70"):
        wall.surface_temperature(inside_c=20.0, outside_c=0.0, temperature_factor=70.0)


inside = st.floats(5.0, 35.0)
outside = st.floats(-30.0, 4.0)


@given(inside, outside, st.floats(0.0, 1.0))
def test_the_factor_survives_the_way_through_the_surface(inside_c, outside_c, factor):
    surface_c = wall.surface_temperature(
        inside_c=inside_c, outside_c=outside_c, temperature_factor=factor
    )
    back = wall.temperature_factor(inside_c=inside_c, outside_c=outside_c, surface_c=surface_c)
    assert back == pytest.approx(factor, abs=1e-12)


@given(inside, st.floats(1.0, 100.0), st.floats(-30.0, 30.0), st.floats(0.01, 5.0))
def test_a_colder_surface_is_never_drier(temperature_c, humidity_percent, surface_c, colder_k):
    warm, cold = wall.surface_humidity(
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        surface_c=[surface_c, surface_c - colder_k],
    )
    assert cold > warm
