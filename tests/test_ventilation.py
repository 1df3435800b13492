"""Airing: direction, limits, published figures, an independent library, and the words for it."""

import re

import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor import text
from monitor.physics import air, ventilation, wall
from monitor.physics.ventilation import Cabin

CABIN = Cabin(volume_m3=30.0, lines_can_freeze=False)

celsius = st.floats(-30.0, 40.0)
humidity = st.floats(1.0, 100.0)


def vapour(temperature_c, humidity_percent):
    return air.vapour_pressure(temperature_c=temperature_c, humidity_percent=humidity_percent)


def dew(temperature_c, humidity_percent):
    return air.dew_point(vapour_pressure_pa=vapour(temperature_c, humidity_percent))


# --- dry or wet -----------------------------------------------------------------------------------


@given(celsius, humidity, celsius, humidity)
def test_the_sign_is_that_of_the_vapour_pressures(inside_c, inside_rh, outside_c, outside_rh):
    word = ventilation.advice(
        inside_c=inside_c,
        inside_percent=inside_rh,
        outside_c=outside_c,
        outside_percent=outside_rh,
        coldest_surface_c=60.0,
    )
    drier_pa = vapour(inside_c, inside_rh) - vapour(outside_c, outside_rh)
    band_k = ventilation.deadband(
        inside_c=inside_c,
        inside_percent=inside_rh,
        outside_c=outside_c,
        outside_percent=outside_rh,
    )
    difference_k = abs(dew(inside_c, inside_rh) - dew(outside_c, outside_rh))
    assume(abs(difference_k - band_k) > 1e-9)
    if difference_k < band_k:
        assert word == "no clear effect"
    else:
        assert word == ("dries" if drier_pa > 0.0 else "wets")


def test_ten_thousand_random_pairs_of_air_have_the_sign_of_the_humidity_ratio():
    """Against CoolProp's humidity ratio (RP-1485), at the altitude of each case: not our own formula."""
    rng = np.random.default_rng(8)
    n = 10_000
    inside_c, outside_c = rng.uniform(2.0, 40.0, n), rng.uniform(0.5, 40.0, n)
    inside_rh, outside_rh = rng.uniform(10.0, 99.0, (2, n))
    words = ventilation.advice(
        inside_c=inside_c, inside_percent=inside_rh, outside_c=outside_c, outside_percent=outside_rh,
        coldest_surface_c=np.full(n, 60.0),
    )  # fmt: skip
    pressure = 101_325.0 * (1.0 - 2.25577e-5 * rng.uniform(0.0, 3000.0, n)) ** 5.25588
    above = HAPropsSI(
        "W", "T", inside_c + 273.15, "P", pressure, "R", inside_rh / 100.0
    ) - HAPropsSI("W", "T", outside_c + 273.15, "P", pressure, "R", outside_rh / 100.0)
    assert (above[words == "dries"] > 0.0).all()
    assert (above[words == "wets"] < 0.0).all()
    assert min((words == "dries").sum(), (words == "wets").sum()) > 3_000
    assert set(words) == {"dries", "wets", "no clear effect"}


def test_relative_humidity_never_decides():
    # winter: 95 % at 2 °C holds 670 Pa, 50 % at 20 °C 1169 Pa; summer: 60 % at 30 °C holds 2550 Pa,
    # 85 % at 20 °C 1990 Pa
    words = ventilation.advice(
        inside_c=20.0,
        inside_percent=[50.0, 85.0],
        outside_c=[2.0, 30.0],
        outside_percent=[95.0, 60.0],
        coldest_surface_c=[10.0, 25.0],
    )
    assert words.tolist() == ["dries", "wets"]


@pytest.mark.parametrize(
    ("surface_c", "word"), [(9.0, "condenses"), (10.1, "condenses"), (10.3, "dries")]
)
def test_a_surface_within_1_k_of_the_dew_point_outside_goes_first(surface_c, word):
    # 60 % at 17 °C: dew point 9.2 °C; 80 % at 20 °C inside: 16.4 °C
    assert dew(17.0, 60.0) == pytest.approx(9.2, abs=0.05)
    said = ventilation.advice(
        inside_c=20.0,
        inside_percent=80.0,
        outside_c=17.0,
        outside_percent=60.0,
        coldest_surface_c=surface_c,
    )
    assert said == word


def test_frost_counts_as_condensation():
    # saturated over ice at -3.5 °C, on a surface at -3 °C
    outside_percent = 97.0
    assert -4.0 < dew(-3.5, outside_percent) < -3.0
    said = ventilation.advice(
        inside_c=-1.0,
        inside_percent=99.0,
        outside_c=-3.5,
        outside_percent=outside_percent,
        coldest_surface_c=-3.0,
    )
    assert said == "condenses"


def test_a_given_deadband_takes_the_place_of_the_sensors_own():
    case = {
        "inside_c": 20.0,
        "inside_percent": 60.0,
        "outside_c": 20.0,
        "outside_percent": 52.0,
        "coldest_surface_c": 20.0,
    }
    difference_k = dew(20.0, 60.0) - dew(20.0, 52.0)
    words = ventilation.advice(**case, deadband_k=[difference_k - 0.01, difference_k + 0.01])
    assert words.tolist() == ["dries", "no clear effect"]


def test_anything_missing_is_unknown():
    case = {
        "inside_c": 20.0,
        "inside_percent": 80.0,
        "outside_c": 5.0,
        "outside_percent": 60.0,
        "coldest_surface_c": 15.0,
    }
    assert ventilation.advice(**case) == "dries"
    for name, value in case.items():
        words = ventilation.advice(**{**case, name: [np.nan, value]})
        assert words.tolist() == ["unknown", "dries"]
    assert ventilation.advice(**{**case, "outside_percent": 0.0}) == "unknown"
    assert ventilation.advice(**case, deadband_k=np.nan) == "unknown"


def test_the_deadband_is_the_root_of_the_sum_of_squares_and_at_least_1_k():
    # one sensor of 0.2 K and 2 %: 1.195 K at 20 °C and 20 %, 0.39 K at 95 %
    dry, humid = ventilation.deadband(
        inside_c=20.0, inside_percent=[20.0, 95.0], outside_c=20.0, outside_percent=[20.0, 95.0]
    )
    assert dry == pytest.approx(np.sqrt(2.0) * 1.195, abs=0.005)
    assert humid == ventilation.LEAST_DEADBAND_K


# --- the coldest surface lags ---------------------------------------------------------------------


def test_a_warm_front_over_a_cold_soaked_cabin_is_caught():
    """Five days at -5 °C, heater off; then mild damp air outside, and a heater for the visit."""
    outside_c = np.concatenate([np.full(120, -5.0), np.full(3, 9.0)])
    inside_c = np.concatenate([np.full(120, -5.0), [6.0, 12.0, 14.0]])
    at_bridge = wall.surface_temperature(
        inside_c=inside_c, outside_c=outside_c, temperature_factor=0.45
    )
    lagging = ventilation.lagging_surface(
        inside_c=inside_c, outside_c=outside_c, temperature_factor=0.45
    )
    visit = {
        "inside_c": 14.0,
        "inside_percent": 85.0,
        "outside_c": 9.0,
        "outside_percent": 80.0,
    }
    naive = ventilation.advice(**visit, coldest_surface_c=np.minimum(inside_c, at_bridge)[-1])
    caught = ventilation.advice(**visit, coldest_surface_c=lagging[-1])
    assert lagging[-1] < -3.0
    assert (naive, caught) == ("dries", "condenses")


def test_a_step_is_followed_as_first_order():
    # 63.2 % of a step after one time constant, 95.0 % after three
    long_cold = np.concatenate([np.zeros(400), np.full(72, 10.0)])
    lagging = ventilation.lagging_surface(
        inside_c=long_cold, outside_c=long_cold, temperature_factor=1.0, time_constant_h=24.0
    )
    assert lagging[399 + 24] == pytest.approx(10.0 * (1.0 - np.exp(-1.0)), abs=1e-5)
    assert lagging[399 + 72] == pytest.approx(10.0 * (1.0 - np.exp(-3.0)), abs=1e-5)


@given(st.lists(st.floats(-20.0, 30.0), min_size=60, max_size=60), st.floats(0.0, 1.0))
def test_the_coldest_is_never_above_air_or_bridge_nor_below_all_that_was(series, factor):
    outside_c = np.array(series)
    inside_c = outside_c + 3.0
    lagging = ventilation.lagging_surface(
        inside_c=inside_c, outside_c=outside_c, temperature_factor=factor
    )
    now = np.minimum(
        inside_c,
        wall.surface_temperature(inside_c=inside_c, outside_c=outside_c, temperature_factor=factor),
    )
    known = ~np.isnan(lagging)
    assert known[16:].all()
    assert not known[:16].any()
    assert (lagging[known] <= now[known]).all()
    assert (lagging[known] >= now.min() - 1e-9).all()


@pytest.mark.parametrize("time_constant_h", [1.0, 6.0, 24.0])
def test_a_place_that_never_changes_has_no_lag(time_constant_h):
    steady = ventilation.lagging_surface(
        inside_c=np.full(100, 20.0),
        outside_c=0.0,
        temperature_factor=0.25,
        time_constant_h=time_constant_h,
    )
    np.testing.assert_allclose(steady[-1], 5.0, atol=1e-9)


def test_a_past_nobody_watched_is_no_past():
    inside_c = np.full(100, 5.0)
    inside_c[40:70] = np.nan
    lagging = ventilation.lagging_surface(
        inside_c=inside_c, outside_c=0.0, temperature_factor=[0.5]
    )
    assert np.isnan(lagging[40:70]).all()
    assert np.isnan(lagging[70])  # 30 of the last 31 hours unknown
    assert lagging[-1] == pytest.approx(2.5)


def test_several_zones_lag_side_by_side():
    rng = np.random.default_rng(1)
    inside_c, outside_c = rng.normal(10.0, 5.0, (80, 3)), rng.normal(0.0, 5.0, (80, 3))
    factor = np.array([0.25, 0.5, 0.9])
    together = ventilation.lagging_surface(
        inside_c=inside_c, outside_c=outside_c, temperature_factor=factor
    )
    for zone in range(3):
        alone = ventilation.lagging_surface(
            inside_c=inside_c[:, zone],
            outside_c=outside_c[:, zone],
            temperature_factor=factor[zone],
        )
        np.testing.assert_array_equal(together[:, zone], alone)


# --- rate -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("altitude_m", [0.0, 1500.0, 3000.0])
def test_the_rate_agrees_with_coolprop(altitude_m):
    """CoolProp follows ASHRAE RP-1485, with the enhancement factor: it adds up to 0.9 % to a ratio."""
    cabin = Cabin(volume_m3=30.0, altitude_m=altitude_m)
    inside_c, inside_rh, outside_c, outside_rh = (
        np.array(column)
        for column in zip(
            (20.0, 60.0, 5.0, 90.0), (15.0, 85.0, 1.0, 50.0), (25.0, 40.0, 30.0, 70.0), strict=True
        )
    )
    rate = ventilation.drying_rate(
        inside_c=inside_c,
        inside_percent=inside_rh,
        outside_c=outside_c,
        outside_percent=outside_rh,
        air_changes_per_h=2.0,
        cabin=cabin,
    )

    def coolprop(output, temperature_c, humidity_percent):
        return np.array(
            [
                HAPropsSI(output, "T", t + 273.15, "R", rh / 100.0, "P", cabin.pressure_pa)
                for t, rh in zip(temperature_c, humidity_percent, strict=True)
            ]
        )

    dry_air_kg_h = 2.0 * 30.0 / coolprop("Vda", inside_c, inside_rh)
    ratios = coolprop("W", inside_c, inside_rh) - coolprop("W", outside_c, outside_rh)
    np.testing.assert_allclose(rate, 1000.0 * dry_air_kg_h * ratios, rtol=0.012)


@given(celsius, humidity, celsius, humidity, st.floats(0.05, 10.0))
def test_the_rate_has_the_sign_of_the_vapour_pressures_and_grows_with_the_air(
    inside_c, inside_rh, outside_c, outside_rh, changes
):
    once, twice = ventilation.drying_rate(
        inside_c=inside_c,
        inside_percent=inside_rh,
        outside_c=outside_c,
        outside_percent=outside_rh,
        air_changes_per_h=[changes, 2.0 * changes],
        cabin=CABIN,
    )
    assert np.sign(once) == np.sign(vapour(inside_c, inside_rh) - vapour(outside_c, outside_rh))
    assert twice == pytest.approx(2.0 * once, rel=1e-12)


def test_into_perfectly_dry_air_all_vapour_of_each_change_leaves():
    rate = ventilation.drying_rate(
        inside_c=20.0,
        inside_percent=50.0,
        outside_c=-30.0,
        outside_percent=0.0,
        air_changes_per_h=1.0,
        cabin=CABIN,
    )
    held = air.absolute_humidity(vapour_pressure_pa=vapour(20.0, 50.0), temperature_c=20.0)
    assert rate == pytest.approx(30.0 * held, rel=1e-4)  # the rounding of the molar masses' ratio


@pytest.mark.parametrize(
    ("outside_c", "outside_percent", "inside_c", "warmed"),
    [(5.0, 85.0, 25.0, 23.40), (25.0, 60.0, 5.0, 217.95)],
)
def test_warming_dries_air_and_cooling_wets_it(outside_c, outside_percent, inside_c, warmed):
    # ASHRAE Fundamentals 2017, ch. 1, table 3 (read second hand, published/ashrae_2017_tables.csv):
    # 872.6 Pa at 5 °C, 3169.7 Pa at 25 °C; the equations lie within 300 ppm of it
    computed = ventilation.humidity_after_warming(
        outside_c=outside_c, outside_percent=outside_percent, inside_c=inside_c
    )
    assert computed == pytest.approx(warmed, rel=6e-4)


# --- hours worth opening --------------------------------------------------------------------------


def day(**changes):
    """24 hours: dry air outside except from hour 6 to 9; inside 15 °C and 85 %."""
    outside_percent = np.full(24, 60.0)
    outside_percent[6:10] = 100.0
    return {
        "outside_c": np.where(np.arange(24) // 4 == 1, 14.0, 8.0),
        "outside_percent": outside_percent,
        "inside_c": 15.0,
        "inside_percent": 85.0,
        "coldest_surface_c": 12.0,
        "raining": False,
        "cabin": CABIN,
        **changes,
    }


def test_hours_worth_opening_are_those_that_dry():
    hours = ventilation.opening_hours(**day())
    words = hours.advice.tolist()
    assert hours.worth.tolist() == [word == "dries" for word in words]
    assert words[6] == "condenses"
    assert hours.windows == ((0, 6), (8, 24))
    assert hours.unknown_hours == 0


def test_the_water_lies_between_the_airs_own_and_the_first_hours_rate_held():
    hours = ventilation.opening_hours(
        **day(outside_c=np.full(24, 8.0), outside_percent=np.full(24, 60.0))
    )
    pressures = np.array([vapour(15.0, 85.0), vapour(8.0, 60.0)])
    held_in, held_out = 30.0 * air.absolute_humidity(
        vapour_pressure_pa=pressures, temperature_c=15.0
    )
    assert hours.windows == ((0, 24),)
    # once the excess of the air, and 2 x 24 times: a mole of air more or less is 1.5 %
    assert hours.least_g == pytest.approx(held_in - held_out, rel=0.015)
    assert hours.most_g == pytest.approx(48.0 * (held_in - held_out), rel=0.015)


def test_what_the_air_holds_too_much_counts_once_however_many_windows():
    rain = np.zeros(24, dtype=bool)
    rain[12] = True
    steady = {"outside_c": np.full(24, 8.0), "outside_percent": np.full(24, 60.0)}
    whole = ventilation.opening_hours(**day(**steady))
    parted = ventilation.opening_hours(**day(**steady, raining=rain))
    assert parted.windows == ((0, 12), (13, 24))
    assert parted.least_g == pytest.approx(whole.least_g, rel=1e-6)
    assert parted.most_g == pytest.approx(whole.most_g * 23.0 / 24.0)


def test_rain_and_frost_leave_no_hour():
    rain = np.zeros(24, dtype=bool)
    rain[:7] = True
    assert ventilation.opening_hours(**day(raining=rain)).windows == ((8, 24),)
    cold = {"outside_c": np.full(24, 1.0)}
    assert ventilation.opening_hours(**day(**cold)).windows == ((0, 24),)
    wet_lines = ventilation.opening_hours(**day(**cold, cabin=Cabin(volume_m3=30.0)))
    assert (wet_lines.windows, wet_lines.least_g, wet_lines.most_g) == ((), 0.0, 0.0)


def test_hours_without_a_forecast_are_unknown_and_not_worth_it():
    forecast = np.full(24, 60.0)
    forecast[3:5] = np.nan
    hours = ventilation.opening_hours(**day(outside_percent=forecast))
    assert hours.unknown_hours == 2
    assert not hours.worth[3:5].any()
    assert np.isfinite(hours.most_g)


@given(st.lists(st.floats(20.0, 100.0), min_size=24, max_size=24), st.floats(0.1, 10.0))
def test_windows_cover_the_hours_and_the_bounds_are_in_order(outside_percent, changes):
    cabin = Cabin(volume_m3=30.0, open_changes_per_h=changes, lines_can_freeze=False)
    hours = ventilation.opening_hours(
        **day(outside_c=np.full(24, 12.0), outside_percent=np.array(outside_percent), cabin=cabin)
    )
    covered = np.zeros(24, dtype=bool)
    for start, end in hours.windows:
        assert not covered[start:end].any()
        covered[start:end] = True
    np.testing.assert_array_equal(covered, hours.worth)
    assert 0.0 <= hours.least_g <= hours.most_g


def test_a_typical_day_goes_on_where_the_hours_end():
    hours = np.arange(24 * 9 + 5)
    temperature_c = 10.0 + 5.0 * np.sin(2 * np.pi * hours / 24.0)
    mean_c, mean_percent = ventilation.typical_day(
        temperature_c=temperature_c, humidity_percent=np.full(len(hours), 70.0)
    )
    ahead = np.arange(24 * 9 + 5, 24 * 10 + 5)
    np.testing.assert_allclose(mean_c, 10.0 + 5.0 * np.sin(2 * np.pi * ahead / 24.0), atol=1e-9)
    np.testing.assert_allclose(mean_percent, 70.0, rtol=1e-9)


def test_a_typical_day_has_the_mean_vapour_pressure():
    temperature_c = np.repeat([0.0, 20.0, 10.0], 24)
    humidity_percent = np.repeat([90.0, 40.0, 60.0], 24)
    mean_c, mean_percent = ventilation.typical_day(
        temperature_c=temperature_c, humidity_percent=humidity_percent, days=3
    )
    of_days = vapour([0.0, 20.0, 10.0], [90.0, 40.0, 60.0])
    np.testing.assert_allclose(mean_c, 10.0)
    np.testing.assert_allclose(vapour(mean_c, mean_percent), of_days.mean())


def test_fog_on_cold_and_warm_days_makes_no_more_than_saturated_air():
    # the mean of 611 and 2339 Pa is more than air at the mean of 0 and 20 °C holds
    mean_c, mean_percent = ventilation.typical_day(
        temperature_c=np.repeat([0.0, 20.0, 0.0, 20.0], 24), humidity_percent=np.full(96, 100.0)
    )
    np.testing.assert_allclose(mean_c, 10.0)
    np.testing.assert_array_equal(mean_percent, 100.0)


def test_only_the_last_days_count_and_gaps_do_not():
    temperature_c = np.concatenate([np.full(24 * 5, -20.0), np.full(24 * 3, 10.0)])
    humidity_percent = np.full(24 * 8, 60.0)
    assert ventilation.typical_day(
        temperature_c=temperature_c, humidity_percent=humidity_percent, days=3
    )[0] == pytest.approx(10.0)
    temperature_c[24 * 7 + 2] = np.nan  # one of three at hour 2, one of seven
    for days, known in ((3, False), (7, True)):
        mean_c, _ = ventilation.typical_day(
            temperature_c=temperature_c, humidity_percent=humidity_percent, days=days
        )
        assert np.isfinite(mean_c[2]) == known
        assert np.isfinite(np.delete(mean_c, 2)).all()


@pytest.mark.parametrize("hours", [0, 20, 24 * 2 + 23])
def test_fewer_than_three_days_are_no_pattern(hours):
    mean_c, mean_percent = ventilation.typical_day(
        temperature_c=np.full(hours, 5.0), humidity_percent=np.full(hours, 80.0)
    )
    assert mean_c.shape == mean_percent.shape == (24,)
    assert np.isnan(mean_c).all()
    assert np.isnan(mean_percent).all()


def test_hours_that_do_not_go_together_are_refused():
    with pytest.raises(ValueError, match="hours of one length"):
        ventilation.typical_day(temperature_c=np.zeros(96), humidity_percent=[50.0])
    with pytest.raises(ValueError, match=r"days must be 3 to 7, got 1"):
        ventilation.typical_day(temperature_c=np.zeros(96), humidity_percent=np.ones(96), days=1)
    with pytest.raises(ValueError, match="must be a run of hours"):
        ventilation.opening_hours(**day(outside_c=8.0))
    with pytest.raises(ValueError, match=r"volume_m3 must be 1 to 1000, got 0"):
        Cabin(volume_m3=0.0)


# --- furnishings ----------------------------------------------------------------------------------


def test_panels_hold_what_the_table_of_wood_says():
    # Wood Handbook FPL-GTR-282, table 4-2, 21.1 °C: 12.0 % at 65 %, 13.1 % at 70 %; its tenths
    # leave 0.1 of 1.1 points. 120 kg of panels.
    by_point = ventilation.buffer_g_per_point(
        temperature_c=21.1, humidity_percent=67.5, area_m2=80.0, thickness_m=0.003
    )
    assert by_point == pytest.approx(120_000.0 * (13.1 - 12.0) / 100.0 / 5.0, rel=0.1)


def test_furnishings_hold_far_more_than_the_air():
    """Pinned, not published: 38 g and 2.6 kg for ten points at 15 °C and 65 %, 67 times as much."""
    of_air = ventilation.air_g_per_point(temperature_c=15.0, cabin=CABIN)
    of_panels = ventilation.buffer_g_per_point(
        temperature_c=15.0, humidity_percent=65.0, area_m2=80.0, thickness_m=0.003
    )
    assert 10.0 * of_air == pytest.approx(38.5, abs=0.2)
    assert 10.0 * of_panels == pytest.approx(2570.0, abs=20.0)
    assert of_panels / of_air == pytest.approx(67.0, abs=1.0)


@pytest.mark.parametrize("temperature_c", [5.0, 20.0, 35.0])
def test_the_water_of_saturated_air_agrees_with_coolprop(temperature_c):
    # density of saturated vapour, IAPWS-95; real vapour is up to 0.3 % denser than an ideal gas
    density = PropsSI("D", "T", temperature_c + 273.15, "Q", 1, "Water")
    of_air = ventilation.air_g_per_point(temperature_c=temperature_c, cabin=CABIN)
    assert 100.0 * of_air / 30.0 == pytest.approx(1000.0 * density, rel=0.003)


@given(st.floats(1.0, 60.0), humidity)
def test_twice_the_panels_hold_twice_the_water(temperature_c, humidity_percent):
    once, twice = (
        ventilation.buffer_g_per_point(
            temperature_c=temperature_c,
            humidity_percent=humidity_percent,
            area_m2=area_m2,
            thickness_m=0.003,
        )
        for area_m2 in (40.0, 80.0)
    )
    assert once > 0.0
    assert twice == pytest.approx(2.0 * once)


def test_damper_panels_give_off_more_by_the_point():
    by_point = ventilation.buffer_g_per_point(
        temperature_c=15.0,
        humidity_percent=[60.0, 80.0, 99.0, 100.0],
        area_m2=80.0,
        thickness_m=0.003,
    )
    assert (np.diff(by_point)[:2] > 0.0).all()
    assert by_point[3] > 0.9 * by_point[2]  # no step at the end of the scale


drying = {
    "humidity_percent": 75.0,
    "target_percent": 60.0,
    "warmed_percent": 50.0,
    "rate_g_h": 100.0,
    "buffer_g_per_percent": 240.0,
}


def test_drying_takes_from_steady_to_ever_slower():
    # 15 points of 240 g at 2400 g/d; C/K = 240 x 25 / 2400 = 2.5 d, ln(25 / 10) = 0.916, twice
    least, most = ventilation.days_to_dry(**drying)
    assert least == pytest.approx(1.5)
    assert most == pytest.approx(2.0 * 2.5 * np.log(2.5))
    assert ventilation.days_to_dry(**drying, open_h=6.0)[0] == pytest.approx(4.0 * 1.5)


def test_drying_ends_where_the_air_outside_is():
    least, most = ventilation.days_to_dry(**{**drying, "warmed_percent": [59.9, 60.0, 65.0]})
    assert least == pytest.approx(1.5)
    assert 8.0 < most[0] < np.inf
    assert most[1:].tolist() == [np.inf, np.inf]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"rate_g_h": -20.0}, (np.inf, np.inf)),
        ({"rate_g_h": 0.0}, (np.inf, np.inf)),
        ({"rate_g_h": np.nan}, (np.nan, np.nan)),
        ({"humidity_percent": 55.0}, (0.0, 0.0)),
        ({"humidity_percent": 55.0, "rate_g_h": -20.0}, (0.0, 0.0)),
        ({"warmed_percent": np.nan}, (np.nan, np.nan)),
        ({"open_h": 0.0}, (np.inf, np.inf)),
    ],
)
def test_drying_that_is_done_or_never_ends(changes, expected):
    np.testing.assert_array_equal(ventilation.days_to_dry(**{**drying, **changes}), expected)


@given(st.floats(61.0, 100.0), st.floats(0.0, 59.0), st.floats(1.0, 1000.0), st.floats(0.1, 50.0))
def test_a_wetter_start_takes_longer_and_the_range_is_in_order(start, warmed, rate, wetter):
    case = {**drying, "warmed_percent": warmed, "rate_g_h": rate}
    least, most = ventilation.days_to_dry(
        **{**case, "humidity_percent": [start, min(start + wetter, 120.0)]}
    )
    assert (least <= most).all()
    assert least[0] < least[1]


# --- occupied -------------------------------------------------------------------------------------


def test_gas_burnt_gives_the_water_of_its_hydrogen():
    # IUPAC standard atomic weights, abridged 2021: C 12.011, H 1.008, O 15.999; to 4 digits
    carbon, hydrogen, oxygen = 12.011, 1.008, 15.999
    water = 2.0 * hydrogen + oxygen
    propane, butane = 3.0 * carbon + 8.0 * hydrogen, 4.0 * carbon + 10.0 * hydrogen
    assert pytest.approx(4.0 * water / propane, abs=5e-4) == ventilation.WATER_PER_PROPANE
    assert pytest.approx(5.0 * water / butane, abs=5e-4) == ventilation.WATER_PER_BUTANE


def test_a_day_of_gas_is_spread_over_its_hours():
    for gas, water in (("propane", 1634.0), ("butane", 1550.0)):
        assert ventilation.generation(**{f"unvented_{gas}_kg_per_d": 0.24}) == pytest.approx(
            (0.01 * water, 0.01 * water)
        )


def test_four_people_give_off_what_a_table_of_families_says():
    # Moisture sources of 1988 for cold climates (second-hand): family of four, respiration and
    # perspiration 0.44 US pints an hour, 208 g; our range for people who sit must hold it.
    least, most = ventilation.generation(awake=4.0)
    assert least < 0.44 * 473.2 < most
    # and cooking dinner for four, 1.2 pints, is the least of a day
    assert 24.0 * ventilation.generation(cooked_for=4.0)[0] == pytest.approx(1.2 * 473.2, rel=0.02)


def test_nobody_gives_off_nothing_and_less_than_nobody_is_refused():
    assert ventilation.generation() == (0.0, 0.0)
    with pytest.raises(ValueError, match=r"awake must be 0 or more, got -1"):
        ventilation.generation(awake=-1.0)


@pytest.mark.parametrize(("changes", "dew_point_c"), [(0.3, 17.4), (1.5, 4.1)])
def test_two_sleepers_stream_on_glass_or_do_not(changes, dew_point_c):
    """By hand at 1.2 kg/m³: 100 g/h (two of 50), 30 m³, 0 °C and 85 % outside (3.2 g/kg).

    100 / (1.2 x 30 x 0.3) = 9.26 g/kg more: dew point 17.4 °C; at 1.5 an hour 1.85: 4.1 °C. Dry
    air at 20 °C is 1.18 to 1.20 kg/m³: 0.25 K.
    """
    balance = ventilation.moisture_balance(
        outside_c=0.0,
        outside_percent=85.0,
        inside_c=20.0,
        generation_g_h=100.0,
        air_changes_per_h=changes,
        cabin=CABIN,
    )
    single_pane_c = wall.surface_temperature(inside_c=20.0, outside_c=0.0, temperature_factor=0.25)
    assert balance.dew_point_c == pytest.approx(dew_point_c, abs=0.25)
    assert (balance.dew_point_c > single_pane_c) == (changes == 0.3)


@given(
    celsius, st.floats(0.0, 100.0), st.floats(5.0, 30.0), st.floats(1.0, 2000.0), st.floats(0.3, 20)
)
def test_at_rest_all_that_is_given_off_leaves(outside_c, outside_rh, inside_c, given_off, changes):
    cabin = Cabin(volume_m3=30.0, altitude_m=1000.0)
    balance = ventilation.moisture_balance(
        outside_c=outside_c,
        outside_percent=outside_rh,
        inside_c=inside_c,
        generation_g_h=given_off,
        air_changes_per_h=changes,
        cabin=cabin,
    )
    assume(balance.humidity_percent < 119.0)
    rate = ventilation.drying_rate(
        inside_c=inside_c,
        inside_percent=balance.humidity_percent,
        outside_c=outside_c,
        outside_percent=outside_rh,
        air_changes_per_h=changes,
        cabin=cabin,
    )
    assert rate == pytest.approx(given_off, rel=1e-6)


def test_more_air_is_drier_and_more_people_wetter():
    case = {"outside_c": 0.0, "outside_percent": 85.0, "inside_c": 20.0, "cabin": CABIN}
    by_air = ventilation.moisture_balance(
        **case, generation_g_h=100.0, air_changes_per_h=[0.15, 0.3, 1.0, 4.0, 1000.0]
    )
    by_people = ventilation.moisture_balance(
        **case, generation_g_h=[0.0, 50.0, 400.0], air_changes_per_h=1.0
    )
    assert (np.diff(by_air.humidity_percent) < 0.0).all()
    assert by_air.vapour_pressure_pa[-1] == pytest.approx(vapour(0.0, 85.0), rel=0.01)
    assert (np.diff(by_people.dew_point_c) > 0.0).all()
    assert by_people.vapour_pressure_pa[0] == pytest.approx(vapour(0.0, 85.0))


def test_more_vapour_than_air_has_no_answer():
    flood = ventilation.moisture_balance(
        outside_c=0.0,
        outside_percent=85.0,
        inside_c=20.0,
        generation_g_h=[1e7, np.nan],
        air_changes_per_h=0.01,
        cabin=CABIN,
    )
    assert np.isnan(flood.vapour_pressure_pa).all()
    assert np.isnan(flood.dew_point_c).all()


@given(st.floats(-20.0, 5.0), st.floats(30.0, 100.0), st.floats(0.2, 0.9), st.floats(10.0, 500.0))
def test_the_changes_needed_hold_the_surface_at_its_target(
    outside_c, outside_rh, factor, given_off
):
    air_is = {"outside_c": outside_c, "outside_percent": outside_rh, "inside_c": 20.0}
    surface_c = wall.surface_temperature(
        inside_c=20.0, outside_c=outside_c, temperature_factor=factor
    )
    changes = ventilation.air_changes_needed(
        **air_is, surface_c=surface_c, generation_g_h=given_off, cabin=CABIN
    )
    assume(0.01 <= changes <= 1000.0)
    balance = ventilation.moisture_balance(
        **air_is, generation_g_h=given_off, air_changes_per_h=changes, cabin=CABIN
    )
    at_surface = air.relative_humidity(
        vapour_pressure_pa=balance.vapour_pressure_pa, temperature_c=surface_c, reference="ice"
    )
    assert at_surface == pytest.approx(80.0, rel=1e-6)


def test_no_airing_is_enough_for_a_surface_too_cold_for_the_air_outside():
    needed = ventilation.air_changes_needed(
        outside_c=15.0,
        outside_percent=90.0,
        inside_c=18.0,
        surface_c=[14.0, 17.9, np.nan],
        generation_g_h=100.0,
        cabin=CABIN,
    )
    assert needed[0] == np.inf
    assert 0.0 < needed[1] < np.inf
    assert np.isnan(needed[2])


# --- words ----------------------------------------------------------------------------------------

FIGURES = {"inside_dew_c": 8.04, "outside_dew_c": 3.1, "surface_c": 2.5}
CLOSING = re.compile(r"\b(clos\w*|shut\w*|seal\w*)\b", re.IGNORECASE)


@pytest.mark.parametrize("word", ventilation.ADVICE)
def test_words_for_an_occupied_unit_never_ask_to_close(word):
    for inside_dew_c in (-5.0, 8.0):
        said = text.airing_text(
            word, occupied=True, **{**FIGURES, "inside_dew_c": inside_dew_c}, rate_g_h=93.0
        )
        assert text.KEEP_VENTS_OPEN in said
        assert not CLOSING.search(said)


def test_words_for_a_stored_unit_say_closed_where_opening_wets():
    asks = [
        word
        for word in ventilation.ADVICE
        if CLOSING.search(text.airing_text(word, occupied=False, **FIGURES))
    ]
    assert asks == ["condenses", "wets"]


def test_advice_comes_with_its_figures():
    said = text.airing_text("dries", occupied=False, **FIGURES, rate_g_h=93.0)
    assert said == (
        "Open: the air outside holds less water (dew point 3.1 °C outside, 8.0 °C inside) and would "
        "carry off about 93 g an hour."
    )
    without = text.airing_text("wets", occupied=True, **FIGURES)
    assert "an hour" not in without
    frost = text.airing_text("condenses", occupied=False, **{**FIGURES, "surface_c": -1.0})
    assert "-1.0 °C) as frost" in frost
    assert text.WARM_AFTER_COLD in frost
    assert "(about 0.0 °C) (" in text.airing_text(
        "condenses", occupied=False, **{**FIGURES, "surface_c": -0.04}
    )


def test_people_who_make_surfaces_run_are_told_to_open_more():
    wetter, drier = (
        text.airing_text("condenses", occupied=True, **{**FIGURES, "inside_dew_c": inside_dew_c})
        for inside_dew_c in (8.0, 3.5)
    )
    assert wetter.startswith("Open more")
    assert drier.startswith("Open no more than usual")


def test_hours_are_told_by_the_clock_at_the_unit():
    said = text.opening_hours_text(
        [(1, 4), (6, 24)],
        first_hour=17,
        least_g=18.9,
        most_g=1234.0,
        unknown_hours=2,
        occupied=False,
    )
    assert "18:00 to 21:00, 23:00 to 17:00 tomorrow" in said
    assert "From about 19 g to about 1.2 kg" in said
    assert "could not be judged: 2." in said


@pytest.mark.parametrize("occupied", [True, False])
def test_no_hour_is_said_as_no_hour(occupied):
    said = text.opening_hours_text(
        (), first_hour=0, least_g=0.0, most_g=0.0, unknown_hours=0, occupied=occupied
    )
    assert said.startswith("No hour of the next day is worth opening for.")
    assert (text.KEEP_VENTS_OPEN in said) == occupied


@pytest.mark.parametrize(
    ("least", "most", "said"),
    [
        (2.6, 7.9, "Airing takes 3 to 8 days to bring it to 60 %."),
        (0.2, 0.9, "Airing takes about 1 day to bring it to 60 %."),
        (2.6, np.inf, "3 days or more"),
        (np.inf, np.inf, "does not bring it to 60 %"),
        (0.0, 0.0, "already"),
        (np.nan, np.nan, "Cannot tell"),
    ],
)
def test_days_are_said_as_a_range(least, most, said):
    assert said in text.days_to_dry_text(least, most, target_percent=60.0)


def test_the_buffer_is_said_in_grams_and_kilograms():
    said = text.buffer_text(air_g=38.4, furnishings_g=2571.0)
    assert "about 38 g of water in the air and about 2.6 kg in the furnishings" in said
    assert "less than 10 g" in text.buffer_text(air_g=3.0, furnishings_g=2571.0)


def test_the_cautions_cover_people_flames_alarms_cold_and_ladders():
    said = " ".join(text.AIRING_CAUTIONS)
    for needed in ("Never close up", "combustion stay open", "CO, LP-gas and smoke alarms"):
        assert needed in said
    for needed in ("neither replaces", "After a cold spell", "off the roof", "Local rules"):
        assert needed in said
    assert not re.search(r"\b(safe|toxic|mou?ld-free)\b", said, re.IGNORECASE)
