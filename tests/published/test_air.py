"""Moist air against printed tables; sources, tolerances and what was read: README.md beside this."""

from pathlib import Path

import pytest

from monitor.physics import air

HERE = Path(__file__).parent
ZERO_C_IN_K = 273.15


def table(name):
    """Rows of a published table as dictionaries of text."""
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    header, *rows = [line.split(",") for line in lines if not line.startswith("#")]
    return [dict(zip(header, row, strict=True)) for row in rows]


def ashrae(quantity):
    return [
        pytest.param(float(row["at"]), float(row["value"]), id=f"{quantity} {row['at']}")
        for row in table("ashrae_2017_tables.csv")
        if row["quantity"] == quantity
    ]


@pytest.mark.parametrize(("temperature_c", "pressure_pa"), ashrae("p_ws"))
def test_saturation_pressure_is_that_of_the_handbook(temperature_c, pressure_pa):
    # The handbook states its equations to lie within 300 ppm of its table; half a last digit.
    computed = air.saturation_vapour_pressure(temperature_c=temperature_c)
    assert computed == pytest.approx(pressure_pa, rel=300e-6, abs=0.005)


def real_air(temperature_c):
    """Share of the humidity ratio that the table has and the equation leaves out, at most.

    It is the enhancement factor of real air: 0.42 to 0.62 % up to 50 °C; 1.2 % at 85 °C, where a
    small change of the pressure of dry air counts sixfold.
    """
    return 0.013 if temperature_c > 70.0 else 0.007


@pytest.mark.parametrize(("temperature_c", "ratio"), ashrae("w_s"))
def test_humidity_ratio_of_saturated_air_is_that_of_the_handbook(temperature_c, ratio):
    vapour_pa = air.saturation_vapour_pressure(temperature_c=temperature_c)
    computed = air.humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=101_325.0)
    assert ratio * (1.0 - real_air(temperature_c)) < computed < ratio


@pytest.mark.parametrize(("temperature_c", "enthalpy_j_kg"), ashrae("h_s"))
def test_enthalpy_of_saturated_air_is_that_of_the_handbook(temperature_c, enthalpy_j_kg):
    # The same share of the heat of the vapour, and 30 J/kg for dry air of constant heat capacity.
    vapour_pa = air.saturation_vapour_pressure(temperature_c=temperature_c)
    ratio = air.humidity_ratio(vapour_pressure_pa=vapour_pa, pressure_pa=101_325.0)
    computed = air.enthalpy(temperature_c=temperature_c, humidity_ratio=ratio)
    share_j_kg = real_air(temperature_c) * ratio * 2.5e6
    assert computed == pytest.approx(enthalpy_j_kg, abs=30.0 + share_j_kg)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), ashrae("p"))
def test_pressure_of_the_atmosphere_is_that_of_the_handbook(altitude_m, pressure_pa):
    # The table is rounded to 1 Pa.
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
    # IAPWS R14-08(2011), check value at 230 K, as the iapws library computes it; 326 ppm is the
    # largest distance of the handbook's curve from that formulation (test_air_libraries.py).
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


def test_wet_bulb_of_the_handbook_example():
    # ASHRAE Fundamentals (2017), ch. 1, example 1: 40 °C, wet bulb 20 °C, 101325 Pa, humidity 14 %.
    # The humidity is a whole number, half of one being 0.18 K; ours is 20.01 °C.
    assert air.wet_bulb(temperature_c=40.0, humidity_percent=14.0) == pytest.approx(20.0, abs=0.1)


def test_absolute_humidity_of_saturated_room_air():
    # 17.3 g/m³ at 20 °C: common value in textbooks, from memory.
    vapour_pa = air.saturation_vapour_pressure(temperature_c=20.0)
    grams = air.absolute_humidity(vapour_pressure_pa=vapour_pa, temperature_c=20.0)
    assert grams == pytest.approx(17.3, abs=0.05)
