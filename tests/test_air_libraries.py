"""Moist air against libraries that others wrote; they are needed here and nowhere in the product."""

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from numpy.polynomial import Chebyshev, Polynomial

from monitor.physics import air

ZERO_C_IN_K = 273.15

psychrolib.SetUnitSystem(psychrolib.SI)


# psychrolib, whose curves ours are; test_air.py compares the two with numba and without


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


# CoolProp


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


# IAPWS


def iapws(celsius):
    from iapws import IAPWS95

    return [IAPWS95(T=t + ZERO_C_IN_K, x=1).P * 1e6 for t in celsius]


def coolprop(celsius):
    return [PropsSI("P", "T", t + ZERO_C_IN_K, "Q", 1, "Water") for t in celsius]


@pytest.mark.parametrize("library", [iapws, coolprop])
def test_saturation_over_water_agrees_with_iapws_95(library):
    # 300 ppm is the handbook's own statement; 226 ppm is the worst found, at 8 °C.
    celsius = np.linspace(0.02, 130.0, 41)
    computed = air.saturation_vapour_pressure(temperature_c=celsius)
    np.testing.assert_allclose(computed, library(celsius), rtol=300e-6)


def test_saturation_over_ice_agrees_with_iapws_r14_08():
    # The handbook says 300 ppm of its own table; from IAPWS R14-08(2011) its curve is at most
    # 326 ppm away, near -47 °C. That is 0.003 K of the frost point.
    from iapws._iapws import _Sublimation_Pressure

    celsius = np.linspace(-99.9, 0.01, 61)
    pressures = np.array([_Sublimation_Pressure(t + ZERO_C_IN_K) for t in celsius]) * 1e6
    computed = air.saturation_vapour_pressure(temperature_c=celsius, over="ice")
    np.testing.assert_allclose(computed, pressures, rtol=330e-6)
    frost_c = air.dew_point(vapour_pressure_pa=pressures)
    np.testing.assert_allclose(frost_c, celsius, rtol=0, atol=0.003)


# MetPy, whose dew point is the inverse of the formula of Bolton (1980), over liquid water only


def metpy_dew_point(pressures):
    import metpy.calc
    from metpy.units import units

    return metpy.calc.dewpoint(pressures * units.Pa).to("degC").magnitude


def test_dew_point_above_zero_agrees_with_metpy_where_its_formula_was_fitted():
    # Bolton fitted -35 to 35 °C to 0.1 %, which is 0.015 K; 0.013 K is the worst found. It is
    # 0.08 K off at 50 °C and 0.17 K at 60 °C.
    celsius = np.linspace(0.02, 35.0, 200)
    pressures = air.saturation_vapour_pressure(temperature_c=celsius)
    np.testing.assert_allclose(
        air.dew_point(vapour_pressure_pa=pressures), metpy_dew_point(pressures), rtol=0, atol=0.015
    )


def test_supercooled_water_agrees_with_metpy():
    # Bolton's 0.1 %, and 0.1 % between Murphy and Koop and the older curve he fitted: 0.025 K.
    celsius = np.linspace(-30.0, -0.01, 100)
    pressures = air.saturation_vapour_pressure(temperature_c=celsius, over="liquid")
    np.testing.assert_allclose(metpy_dew_point(pressures), celsius, rtol=0, atol=0.025)


def test_below_zero_the_dew_point_of_metpy_is_no_frost_point():
    # 2.3 K apart at -20 °C and 3.7 K at -40 °C: ours is over ice, theirs over liquid.
    celsius = np.array([-40.0, -20.0])
    pressures = air.saturation_vapour_pressure(temperature_c=celsius, over="ice")
    frost_c = air.dew_point(vapour_pressure_pa=pressures)
    np.testing.assert_allclose(frost_c - metpy_dew_point(pressures), [3.7, 2.3], atol=0.05)
