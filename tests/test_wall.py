"""Inner surfaces: worked examples, limits and direction."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import air, layers, wall
from monitor.physics.layers import ASSEMBLIES, Assembly, Layer


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


# --- layers ---------------------------------------------------------------------------------------


def masonry(inside_film, outside_film):
    """Outer wall insulated on the inside: DIN 4108-3:2001, B.5 example 4, outside to inside."""
    rows = (
        ("render", 0.02, 1.0, 40.0),
        ("masonry", 0.24, 0.4, 8.0),
        ("polystyrene foam", 0.04, 0.04, 20.0),
        ("wood-wool board", 0.025, 0.08, 4.0),
        ("plaster", 0.015, 0.7, 15.0),
    )
    return Assembly(
        code="masonry",
        name="masonry",
        layers=tuple(
            Layer(name, thickness, conductivity, 1000.0, 1000.0, factor, False, "as above")
            for name, thickness, conductivity, factor in rows
        ),
        inside_film_m2_k_w=inside_film,
        outside_film_m2_k_w=outside_film,
        probe_layer=2,
        probe_face="outer",
        bridge=layers.WOOD_STUD,
    )


def test_the_u_value_is_that_of_a_worked_example():
    # Layers of DIN 4108-3:2001, B.5 example 4, as a public script quotes them; it prints 0.4719366
    # (all its digits), with surfaces of 1/8 and 1/25 m² K/W. The standard itself was not at hand.
    assert wall.u_value(masonry(1 / 8, 1 / 25)) == pytest.approx(0.4719366, abs=5e-8)


def test_surfaces_resist_as_the_standard_says():
    # ISO 6946:2017: 0.13 inside and 0.04 outside, 0.17 together: a wall of nothing has 5.88.
    hung = ASSEMBLIES["hung-wall"]
    assert wall.u_value(replace(hung, layers=())) == pytest.approx(1 / 0.17)
    assert ASSEMBLIES["roof"].inside_film_m2_k_w == pytest.approx(0.10)
    assert ASSEMBLIES["slide-floor"].inside_film_m2_k_w == pytest.approx(0.17)


def test_temperatures_fall_with_the_resistance_from_inside_to_outside():
    # By hand: U (20 - -5) = 11.79842 W/m² through 0.04, 0.02, 0.6, 1.0, 0.3125, 0.0214 m² K/W.
    celsius = wall.interface_temperatures(masonry(1 / 8, 1 / 25), inside_c=20.0, outside_c=-5.0)
    by_hand = [-4.5281, -4.2921, 2.7870, 14.5854, 18.2724, 18.5252]
    assert celsius == pytest.approx(by_hand, abs=1e-4)


def test_the_inner_surface_has_the_factor_of_the_field():
    wall_c = wall.interface_temperatures(
        ASSEMBLIES["laminated-wall"], inside_c=[20.0, 5.0], outside_c=[-10.0, 5.0]
    )
    assert wall_c.shape == (2, 6)
    factor = 1.0 - 0.13 * wall.u_value(ASSEMBLIES["laminated-wall"])
    assert wall_c[0, -1] == pytest.approx(-10.0 + 30.0 * factor)
    assert wall_c[1] == pytest.approx(5.0)


# --- bridges --------------------------------------------------------------------------------------


def test_every_aluminium_stud_and_single_pane_fails_the_criterion():
    bridges = [one.bridge for one in ASSEMBLIES.values() if "aluminium" in one.bridge.name]
    assert len(bridges) >= 4
    for bridge in [*bridges, layers.SINGLE_PANE]:
        assert bridge.factor < wall.LEAST_FACTOR
        assert bridge.mould_check_factor < wall.LEAST_FACTOR


def test_the_field_of_every_insulated_wall_meets_the_criterion():
    for code in ("laminated-wall", "hung-wall", "roof", "slide-roof", "bonded-floor"):
        resistance = 1.0 / wall.u_value(ASSEMBLIES[code]) - ASSEMBLIES[code].inside_film_m2_k_w
        assert resistance / (resistance + 0.25) > wall.LEAST_FACTOR


def test_less_moving_air_makes_the_coldest_place_colder():
    for assembly in ASSEMBLIES.values():
        free = wall.worst_factor(assembly, film_m2_k_w=0.13)
        assert wall.worst_factor(assembly) == wall.worst_factor(assembly, film_m2_k_w=0.25) < free


def test_no_factor_is_made_up_for_another_film():
    with pytest.raises(ValueError, match=r"film_m2_k_w must be 0\.13 or 0\.25, got 0\.17"):
        wall.worst_factor(ASSEMBLIES["roof"], film_m2_k_w=0.17)


# --- a factor from nights -------------------------------------------------------------------------


def a_month(seed, *, factor=0.45, inside_c=18.0, noise_k=0.1, night_k=0.3):
    """Hours of 30 days: outside -6 to 6 °C; a surface whose nights and hours scatter."""
    rng = np.random.default_rng(seed)
    hours = np.arange(720)
    outside = -6.0 * np.cos(2 * np.pi * (hours - 3) / 24.0) + np.repeat(rng.normal(0, 2, 30), 24)
    inside = inside_c + rng.normal(0.0, 0.5, 720)
    surface = outside + factor * (inside - outside) + rng.normal(0.0, noise_k, 720)
    surface += np.roll(np.repeat(rng.normal(0.0, night_k, 30), 24), 12)  # a night is one run
    night = (hours % 24 >= 21) | (hours % 24 < 6)
    return {"inside_c": inside, "outside_c": outside, "surface_c": surface, "night": night}


def test_nights_give_the_factor_back():
    fit = wall.fit_temperature_factor(**a_month(1))
    assert (fit.hours, fit.nights) == (270, 31)
    assert fit.factor == pytest.approx(0.45, abs=3 * fit.uncertainty)
    assert 0.001 < fit.uncertainty < 0.01
    assert 15.0 < fit.mean_difference_k < 25.0


def test_the_stated_uncertainty_is_that_of_many_months():
    # 100 months: their scatter is known to 7 %, the mean of the stated ones to less.
    fits = [wall.fit_temperature_factor(**a_month(seed)) for seed in range(100)]
    scatter = np.std([fit.factor for fit in fits])
    assert np.mean([fit.uncertainty for fit in fits]) == pytest.approx(scatter, rel=0.25)
    assert np.mean([fit.factor for fit in fits]) == pytest.approx(0.45, abs=4 * scatter / 10)


def test_sun_on_the_wall_would_make_the_wall_look_better():
    month = a_month(2)
    sun_k = np.maximum(0.0, np.sin(2 * np.pi * (np.arange(720) % 24 - 6) / 24.0)) * 15.0
    month["surface_c"] = month["surface_c"] + sun_k
    by_night = wall.fit_temperature_factor(**month)
    by_day = wall.fit_temperature_factor(**{**month, "night": ~month["night"]})
    assert by_night.factor == pytest.approx(0.45, abs=0.02)
    assert by_day.factor > 0.65


def test_a_cabin_as_cold_as_outside_shows_no_factor():
    fit = wall.fit_temperature_factor(**a_month(3, inside_c=0.0))
    assert fit.mean_difference_k < wall.LEAST_DIFFERENCE_K
    assert np.isnan([fit.factor, fit.uncertainty]).all()


def test_few_nights_show_no_factor():
    month = {name: values[:40] for name, values in a_month(4).items()}
    fit = wall.fit_temperature_factor(**month)
    assert fit.nights < wall.LEAST_NIGHTS
    assert np.isnan(fit.factor)


def test_no_hours_show_no_factor():
    month = a_month(5)
    month["surface_c"] = np.full(720, np.nan)
    fit = wall.fit_temperature_factor(**month)
    assert (fit.hours, fit.nights) == (0, 0)
    assert np.isnan([fit.factor, fit.mean_difference_k]).all()


def test_missing_hours_are_left_out():
    month = a_month(6)
    gaps = {**month, "inside_c": month["inside_c"].copy()}
    gaps["inside_c"][::5] = np.nan
    fit = wall.fit_temperature_factor(**gaps)
    assert fit.hours == (month["night"] & (np.arange(720) % 5 > 0)).sum()
    assert fit.nights == 31
    assert fit.factor == pytest.approx(0.45, abs=0.02)


def test_hours_of_different_length_are_refused():
    month = a_month(7)
    month["night"] = month["night"][:-1]
    with pytest.raises(ValueError, match="must be hours of one length"):
        wall.fit_temperature_factor(**month)
