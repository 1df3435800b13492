"""Moist air against printed tables, two independent libraries and its own promises."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from hypothesis import given
from hypothesis import strategies as st
from numpy.polynomial import Chebyshev, Polynomial

from monitor.physics import air

PUBLISHED = Path(__file__).parent / "published"
ZERO_C_IN_K = 273.15

psychrolib.SetUnitSystem(psychrolib.SI)


def table(name):
    """Rows of a published table as dictionaries of text."""
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    header, *rows = [line.split(",") for line in lines if not line.startswith("#")]
    return [dict(zip(header, row, strict=True)) for row in rows]


def ashrae(quantity):
    return [
        pytest.param(float(row["at"]), float(row["value"]), id=f"{quantity} {row['at']}")
        for row in table("ashrae_2017_tables.csv")
        if row["quantity"] == quantity
    ]


# Printed tables


@pytest.mark.parametrize(("temperature_c", "pressure_pa"), ashrae("p_ws"))
def test_saturation_pressure_is_that_of_the_handbook(temperature_c, pressure_pa):
    # The handbook states its equations to lie within 300 ppm of its table.
    computed = air.saturation_vapour_pressure(temperature_c=temperature_c)
    assert computed == pytest.approx(pressure_pa, rel=300e-6)


@pytest.mark.parametrize(("temperature_c", "ratio"), ashrae("w_s"))
def test_humidity_ratio_of_saturated_air_is_that_of_the_handbook(temperature_c, ratio):
    # The table holds the enhancement factor of real air, the equation does not: 0.4 to 0.7 % in
    # cool air, 1.7 % at 85 °C, where a small change of the pressure of dry air counts sixfold.
    vapour_pa = air.saturation_vapour_pressure(temperature_c=temperature_c)
    computed = air.humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=101_325.0)
    assert computed == pytest.approx(ratio, rel=0.02 if temperature_c > 70 else 0.01)


@pytest.mark.parametrize(("temperature_c", "enthalpy_j_kg"), ashrae("h_s"))
def test_enthalpy_of_saturated_air_is_that_of_the_handbook(temperature_c, enthalpy_j_kg):
    # Worst below 50 °C is 0.5 % of the humidity's share; 1.7 % at 85 °C as for the ratio.
    vapour_pa = air.saturation_vapour_pressure(temperature_c=temperature_c)
    ratio = air.humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=101_325.0)
    computed = air.enthalpy(temperature_c=temperature_c, humidity_ratio=ratio)
    assert computed == pytest.approx(enthalpy_j_kg, abs=300.0, rel=0.02)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), ashrae("p"))
def test_pressure_of_the_atmosphere_is_that_of_the_handbook(altitude_m, pressure_pa):
    computed = air.pressure_at_altitude(altitude_m=altitude_m)
    assert computed == pytest.approx(pressure_pa, abs=1.0)


@pytest.mark.parametrize(
    "row", table("supercooled_water.csv"), ids=lambda row: f"{row['temperature_c']} °C"
)
def test_saturation_below_zero_is_that_of_the_meteorological_tables(row):
    # Older formulas than ours; 0.12 % is the largest difference found.
    celsius = float(row["temperature_c"])
    liquid = air.saturation_vapour_pressure(temperature_c=celsius, over="liquid")
    ice = air.saturation_vapour_pressure(temperature_c=celsius, over="ice")
    assert liquid == pytest.approx(float(row["over_liquid_pa"]), rel=1.5e-3)
    assert ice == pytest.approx(float(row["over_ice_pa"]), rel=1.5e-3)


def test_saturation_over_ice_is_that_of_iapws_at_its_check_value():
    # IAPWS R14-08(2011), table of check values, 230 K; from memory.
    ice = air.saturation_vapour_pressure(temperature_c=230.0 - ZERO_C_IN_K, over="ice")
    assert ice == pytest.approx(8.947352740, rel=400e-6)


@pytest.mark.parametrize(
    ("temperature_c", "humidity_percent"),
    [(-5, 95), (-10, 91), (-15, 87), (-20, 82), (-25, 78), (-30, 75)],
)
def test_a_sensor_in_air_saturated_over_ice_reads_less_than_100(temperature_c, humidity_percent):
    # Table in the manuals of three humidity probes, WMO convention; whole numbers. Its 87 at -15 °C
    # is rounded up by more than a half: the meteorological tables give 165.2 / 191.2 Pa = 86.4 %.
    vapour_pa = air.saturation_vapour_pressure(temperature_c=temperature_c, over="ice")
    reading = air.relative_humidity(vapour_pressure_pa=vapour_pa, temperature_c=temperature_c)
    assert reading == pytest.approx(humidity_percent, abs=0.7 if temperature_c == -15 else 0.5)


# Independent libraries


@pytest.mark.parametrize("altitude_m", [0.0, 1500.0, 3500.0])
def test_moist_air_agrees_with_coolprop(altitude_m):
    """CoolProp follows ASHRAE RP-1485 with the enhancement factor; it takes ice below 0 °C."""
    pressure_pa = float(air.pressure_at_altitude(altitude_m=altitude_m))
    temperature_c, humidity_percent = (
        grid.ravel()
        for grid in np.meshgrid(np.arange(-40.0, 71.0, 10.0), [1.0, 5, 20, 40, 60, 80, 95, 100])
    )
    states = list(zip(temperature_c + ZERO_C_IN_K, humidity_percent / 100.0, strict=True))

    def coolprop(output):
        return np.array([HAPropsSI(output, "T", t, "R", rh, "P", pressure_pa) for t, rh in states])

    vapour_pa = air.vapour_pressure(
        temperature_c=temperature_c, humidity_percent=humidity_percent, reference="ice"
    )
    ratio = air.humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=pressure_pa)
    enthalpy = air.enthalpy(temperature_c=temperature_c, humidity_ratio=ratio)
    dew_k = air.dew_point(vapour_pressure_pa=vapour_pa) + ZERO_C_IN_K
    in_range = dew_k > 173.15  # CoolProp's own dew points end there
    np.testing.assert_allclose(dew_k[in_range], coolprop("D")[in_range], rtol=0, atol=0.05)
    np.testing.assert_allclose(ratio, coolprop("W"), rtol=0.01)
    # 0.9 % of the humidity ratio is up to 1.4 % of the heat of evaporation in hot wet air
    np.testing.assert_allclose(enthalpy, coolprop("H"), rtol=0.01, atol=500.0)


def test_saturation_over_water_agrees_with_iapws_95():
    celsius = np.linspace(0.02, 100.0, 41)
    pressures = [PropsSI("P", "T", t + ZERO_C_IN_K, "Q", 1, "Water") for t in celsius]
    computed = air.saturation_vapour_pressure(temperature_c=celsius)
    np.testing.assert_allclose(computed, pressures, rtol=300e-6)  # the handbook's own statement


def test_dew_point_is_that_of_psychrolib():
    celsius = np.linspace(-40.0, 85.0, 2501)
    pressures = np.array([psychrolib.GetSatVapPres(t) for t in celsius.tolist()])
    inverted = [psychrolib.GetTDewPointFromVapPres(90.0, p) for p in pressures.tolist()]
    computed = air.dew_point(vapour_pressure_pa=pressures)
    np.testing.assert_allclose(computed, celsius, rtol=0, atol=1e-6)
    np.testing.assert_allclose(computed, inverted, rtol=0, atol=1e-6)


def test_dew_point_keeps_that_accuracy_over_its_whole_range():
    celsius = np.linspace(-99.99, 134.99, 4701)
    pressures = [psychrolib.GetSatVapPres(t) for t in celsius.tolist()]
    computed = air.dew_point(vapour_pressure_pa=pressures)
    np.testing.assert_allclose(computed, celsius, rtol=0, atol=1e-6)


def fitted(low_c, high_c):
    """Coefficients of the dew point in x = ln(p / 611.657 Pa), from psychrolib's own curve."""
    nodes = np.cos(np.pi * (np.arange(1000) + 0.5) / 1000)
    celsius = (low_c + high_c) / 2 + (high_c - low_c) / 2 * nodes
    x = np.log([psychrolib.GetSatVapPres(t) / 611.657 for t in celsius.tolist()])
    return Chebyshev.fit(x, celsius, 10).convert(kind=Polynomial, domain=[-1, 1], window=[-1, 1])


@pytest.mark.parametrize(
    ("low_c", "high_c", "coefficients"),
    [
        pytest.param(-100.0, 0.01, air._FROST_COEFFICIENTS, id="frost"),
        pytest.param(0.0100000001, 135.0, air._DEW_COEFFICIENTS, id="dew"),
    ],
)
def test_the_coefficients_of_the_dew_point_can_be_fitted_again(low_c, high_c, coefficients):
    celsius = np.linspace(low_c, high_c, 1001)
    x = np.log([psychrolib.GetSatVapPres(t) / 611.657 for t in celsius.tolist()])
    again = fitted(low_c, high_c)(x)
    np.testing.assert_allclose(Polynomial(coefficients)(x), again, rtol=0, atol=1e-9)


def test_the_range_of_the_dew_point_is_that_of_the_fit():
    lowest_pa, highest_pa = psychrolib.GetSatVapPres(-100.0), psychrolib.GetSatVapPres(135.0)
    assert lowest_pa == pytest.approx(air._LOWEST_DEW_PA, rel=1e-8)
    assert highest_pa == pytest.approx(air._HIGHEST_DEW_PA, rel=1e-5)


# Below zero


def test_frost_is_not_missed_at_minus_20_degrees():
    # Taking a sensor's 80 % as over ice gives -22.3 °C and hides that the air is nearly saturated.
    vapour_pa = air.vapour_pressure(temperature_c=-20.0, humidity_percent=80.0)
    naive_pa = air.vapour_pressure(temperature_c=-20.0, humidity_percent=80.0, reference="ice")
    over_ice = air.relative_humidity(
        vapour_pressure_pa=vapour_pa, temperature_c=-20.0, reference="ice"
    )
    assert air.dew_point(vapour_pressure_pa=vapour_pa) == pytest.approx(-20.3, abs=0.05)
    assert air.dew_point(vapour_pressure_pa=naive_pa) == pytest.approx(-22.3, abs=0.05)
    assert over_ice == pytest.approx(97.2, abs=0.1)


@pytest.mark.parametrize("reference", ["liquid", "ice"])
def test_nothing_jumps_at_the_triple_point(reference):
    below, above = air.vapour_pressure(
        temperature_c=[0.01, 0.01 + 1e-9], humidity_percent=80.0, reference=reference
    )
    assert above == pytest.approx(below, rel=3e-5)
    cold, warm = air.dew_point(vapour_pressure_pa=[611.657, 611.6570001])
    assert warm == pytest.approx(cold, abs=1e-6)


def test_above_zero_the_reference_makes_no_difference():
    celsius = np.linspace(0.02, 90.0, 50)
    over = [
        air.saturation_vapour_pressure(temperature_c=celsius, over=o) for o in ("auto", "liquid")
    ]
    np.testing.assert_array_equal(*over)


# Limits


def test_a_missing_value_stays_missing_and_only_that_one():
    gaps_c, full_c = [np.nan, 10.0, -10.0], [20.0, 10.0, -10.0]
    for humidity in (50.0, [50.0, 50.0, 50.0]):
        gap = air.vapour_pressure(temperature_c=gaps_c, humidity_percent=humidity)
        full = air.vapour_pressure(temperature_c=full_c, humidity_percent=humidity)
        assert np.isnan(gap[0])
        np.testing.assert_array_equal(gap[1:], full[1:])
    dew_c = air.dew_point(vapour_pressure_pa=gap)
    assert np.isnan(dew_c).tolist() == [True, False, False]
    bulb_c = air.wet_bulb(temperature_c=gaps_c, humidity_percent=50.0)
    assert np.isnan(bulb_c).tolist() == [True, False, False]


def test_air_without_vapour_has_no_dew_point():
    dew_c = air.dew_point(vapour_pressure_pa=[0.0, 0.001, 0.002])
    assert np.isnan(dew_c).tolist() == [True, True, False]
    uncertainty_k = air.dew_point_uncertainty(
        temperature_c=60.0, humidity_percent=0.0, temperature_u_k=0.2, humidity_u_percent=2.0
    )
    assert np.isnan(uncertainty_k)


def test_boiling_water_leaves_no_dry_air_to_refer_to():
    assert np.isnan(air.humidity_ratio(vapour_pressure_pa=101_325.0, pressure_pa=101_325.0))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: air.saturation_vapour_pressure(temperature_c=201.0), "-100 to 200, got 201"),
        (
            lambda: air.saturation_vapour_pressure(temperature_c=1.0, over="ice"),
            "-100 to 0.01, got 1",
        ),
        (
            lambda: air.vapour_pressure(temperature_c=[20.0, 20.0], humidity_percent=[50, 130]),
            "humidity_percent must be 0 to 120, got 130",
        ),
        (
            lambda: air.vapour_pressure(temperature_c=20.0, humidity_percent=-1.0),
            "0 to 120, got -1",
        ),
        (lambda: air.dew_point(vapour_pressure_pa=-5.0), "0 to 313251, got -5"),
        (lambda: air.dew_point(vapour_pressure_pa=np.inf), "got inf"),
        (
            lambda: air.humidity_ratio(vapour_pressure_pa=900.0, pressure_pa=1013.25e3),
            "1000 to 200000",
        ),
        (lambda: air.pressure_at_altitude(altitude_m=12_000.0), "-5000 to 11000"),
        (lambda: air.enthalpy(temperature_c=20.0, humidity_ratio=-0.1), "0 or more"),
        (
            lambda: air.saturation_vapour_pressure(temperature_c=1.0, over="snow"),
            "one of auto, liquid, ice, got 'snow'",
        ),
        (
            lambda: air.vapour_pressure(temperature_c=1.0, humidity_percent=1.0, reference="auto"),
            "one of liquid, ice, got 'auto'",
        ),
    ],
)
def test_a_value_out_of_range_is_named_with_the_range(call, words):
    with pytest.raises(ValueError, match="must be") as raised:
        call()
    assert words in str(raised.value)


def test_a_float_gives_a_float_and_an_array_its_shape():
    assert isinstance(air.dew_point(vapour_pressure_pa=1200.0), float)
    assert isinstance(air.saturation_vapour_pressure(temperature_c=-3), float)
    grid_c = np.full((3, 2), 15.0)
    assert air.vapour_pressure(temperature_c=grid_c, humidity_percent=50.0).shape == (3, 2)
    assert air.dew_point(vapour_pressure_pa=np.empty((0, 4))).shape == (0, 4)


# Direction

celsius = st.floats(-40.0, 85.0)
percent = st.floats(0.1, 100.0)


@given(celsius, percent, st.floats(0.01, 20.0))
def test_warmer_air_of_the_same_vapour_is_less_humid(temperature_c, humidity_percent, warmer_k):
    vapour_pa = air.vapour_pressure(temperature_c=temperature_c, humidity_percent=humidity_percent)
    warmed = air.relative_humidity(
        vapour_pressure_pa=vapour_pa, temperature_c=temperature_c + warmer_k
    )
    assert warmed < humidity_percent


@given(celsius, percent)
def test_humidity_survives_the_way_through_vapour_pressure(temperature_c, humidity_percent):
    vapour_pa = air.vapour_pressure(temperature_c=temperature_c, humidity_percent=humidity_percent)
    back = air.relative_humidity(vapour_pressure_pa=vapour_pa, temperature_c=temperature_c)
    assert back == pytest.approx(humidity_percent, rel=1e-12)


@given(st.floats(0.01, 85.0), percent)
def test_the_dew_point_is_never_above_the_air_and_meets_it_at_100(temperature_c, humidity_percent):
    vapour_pa, saturated_pa = air.vapour_pressure(
        temperature_c=temperature_c, humidity_percent=[humidity_percent, 100.0]
    )
    assert air.dew_point(vapour_pressure_pa=vapour_pa) <= temperature_c + 1e-6
    assert air.dew_point(vapour_pressure_pa=saturated_pa) == pytest.approx(temperature_c, abs=1e-6)


@given(st.lists(st.floats(0.002, 100_000.0), min_size=2, max_size=20))
def test_more_vapour_never_has_a_lower_dew_point(pressures):
    dew_c = air.dew_point(vapour_pressure_pa=sorted(pressures))
    assert (np.diff(dew_c) >= -1e-7).all()


def test_absolute_humidity_of_saturated_room_air():
    # 17.3 g/m³ at 20 °C: common value in textbooks, from memory.
    vapour_pa = air.saturation_vapour_pressure(temperature_c=20.0)
    grams = air.absolute_humidity(vapour_pressure_pa=vapour_pa, temperature_c=20.0)
    assert grams == pytest.approx(17.3, abs=0.05)


# Uncertainty


@pytest.mark.parametrize(
    ("humidity_percent", "uncertainty_k"),
    [(95, 0.39), (80, 0.44), (60, 0.54), (40, 0.74), (20, 1.19)],
)
def test_the_uncertainty_of_the_dew_point_is_that_of_moving_both_readings(
    humidity_percent, uncertainty_k
):
    """Pinned, not published: a sensor of +-0.2 K and +-2 % at 20 °C, and the same by brute force."""
    computed = air.dew_point_uncertainty(
        temperature_c=20.0,
        humidity_percent=humidity_percent,
        temperature_u_k=0.2,
        humidity_u_percent=2.0,
    )
    warm, cold, moist, dry = air.dew_point(
        vapour_pressure_pa=air.vapour_pressure(
            temperature_c=[20.2, 19.8, 20.0, 20.0],
            humidity_percent=humidity_percent + np.array([0.0, 0.0, 2.0, -2.0]),
        )
    )
    assert computed == pytest.approx(uncertainty_k, abs=0.006)
    assert computed == pytest.approx(np.hypot(warm - cold, moist - dry) / 2.0, rel=0.01)


def test_the_uncertainty_is_known_at_the_ends_of_the_range():
    uncertainty_k = air.dew_point_uncertainty(
        temperature_c=[-40.0, -100.0, 60.0],
        humidity_percent=[0.008, 100.0, 1.0],
        temperature_u_k=0.2,
        humidity_u_percent=[0.0, 2.0, 2.0],
    )
    assert (uncertainty_k > 0.0).all()


# Wet bulb


def test_wet_bulb_of_the_handbook_example():
    # ASHRAE Fundamentals (2017), ch. 1, example 1: 40 °C, wet bulb 20 °C, 101325 Pa, humidity 14 %.
    assert air.wet_bulb(temperature_c=40.0, humidity_percent=14.0) == pytest.approx(20.0, abs=0.1)


def test_wet_bulb_of_saturated_air_is_its_own_temperature():
    bulb_c = air.wet_bulb(temperature_c=[25.0, 5.0, -10.0], humidity_percent=[100.0, 100.0, 110.0])
    np.testing.assert_allclose(bulb_c, [25.0, 5.0, -10.0], atol=0.002)


FAKE_NUMBA = '''
"""Stands for numba as psychrolib uses it: inside a vectorised function errors come back as 0."""
import numpy as np

def njit(function):
    function.py_func = function
    return function

def vectorize(function):
    def quiet(*values):
        try:
            return function(*values)
        except ValueError:
            return 0.0
    return np.vectorize(quiet, otypes=[float])
'''


@pytest.mark.parametrize("numba", ["absent", "present"])
def test_wet_bulb_does_not_depend_on_whether_numba_is_installed(tmp_path, numba):
    if numba == "present":
        (tmp_path / "numba.py").write_text(FAKE_NUMBA, encoding="utf-8")
    program = (
        "import sys; from monitor.physics import air\n"
        "assert 'psychrolib' not in sys.modules\n"
        "print(air.wet_bulb(temperature_c=[30.0, float('nan'), -10.0], humidity_percent=50.0))\n"
        "import psychrolib; print(psychrolib.has_numba)"
    )
    path = (
        f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(Path(air.__file__).parents[2])!r}]\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", path + program], capture_output=True, text=True, check=True
    )
    values, has_numba = done.stdout.splitlines()
    assert has_numba == str(numba == "present")
    bulb_c = [float(word) for word in values.strip("[]").split()]
    assert bulb_c[::2] == pytest.approx([22.01, -11.47], abs=0.01)
    assert np.isnan(bulb_c[1])


# Bits

FUNCTIONS = {
    "saturation_vapour_pressure": lambda t, _h: air.saturation_vapour_pressure(temperature_c=t),
    "vapour_pressure": lambda t, h: air.vapour_pressure(temperature_c=t, humidity_percent=h),
    "dew_point": lambda t, h: air.dew_point(
        vapour_pressure_pa=air.vapour_pressure(temperature_c=t, humidity_percent=h)
    ),
    "relative_humidity": lambda t, h: air.relative_humidity(
        vapour_pressure_pa=h * 10.0, temperature_c=t
    ),
    "humidity_ratio": lambda _t, h: air.humidity_ratio(
        vapour_pressure_pa=h * 10.0, pressure_pa=101_325.0
    ),
    "pressure_at_altitude": lambda t, _h: air.pressure_at_altitude(altitude_m=t * 100.0),
    "dew_point_uncertainty": lambda t, h: air.dew_point_uncertainty(
        temperature_c=t, humidity_percent=h, temperature_u_k=0.2, humidity_u_percent=2.0
    ),
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_bits_do_not_depend_on_how_an_array_is_split(name):
    function = FUNCTIONS[name]
    rng = np.random.default_rng(7)
    temperature_c = np.round(rng.uniform(-40.0, 85.0, 20_011), 2)
    humidity_percent = np.round(rng.uniform(0.0, 100.0, 20_011), 2)
    whole = function(temperature_c, humidity_percent).tobytes()
    for size in (4096, 1013, 8192, 17):
        cuts = range(0, temperature_c.size, size)
        parts = [
            function(temperature_c[at : at + size], humidity_percent[at : at + size]) for at in cuts
        ]
        assert b"".join(part.tobytes() for part in parts) == whole
    one_by_one = [
        function(t, h) for t, h in zip(temperature_c[:500], humidity_percent[:500], strict=True)
    ]
    assert np.array(one_by_one).tobytes() == whole[: 500 * 8]
    strided = function(np.repeat(temperature_c, 3)[::3], np.repeat(humidity_percent, 3)[::3])
    assert strided.tobytes() == whole
