"""Moist air: vapour pressure, dew point and what follows from them.

Two saturation curves meet at the triple point. **Below 0 °C a sensor's humidity refers to liquid
water**, the convention of the World Meteorological Organization that humidity chips follow; tables
for air conditioning refer to ice. In air saturated over ice at -20 °C a sensor reads 82 %, so
mixing the two up hides frost. Hence `reference="liquid"` is the default wherever a humidity goes
in, while a dew point below the triple point is always the frost point, over ice.

Above the triple point, and over ice, the curves are those of the ASHRAE Handbook (as in
psychrolib); over supercooled water that of Murphy and Koop, since the ASHRAE curve for liquid
errs by 0.7 % at -40 °C. The enhancement factor of real air is left out, as in the handbook: it
cancels in the dew point and leaves 0.9 % in the humidity ratio at worst.

References
----------
.. [1] ASHRAE Handbook: Fundamentals (2017), ch. 1: eq. 3 (pressure of the atmosphere), 5 and 6
   (saturation over ice and liquid water), 20 (humidity ratio), 30 (enthalpy), 33 and 35 (wet bulb).
.. [2] D. M. Murphy and T. Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539-1565, eq. 10
   (supercooled water); coefficients from memory, checked in the tests.
"""

from functools import cache
from types import ModuleType
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.arguments import Floats, floats, one_of, within

Over = Literal["auto", "liquid", "ice"]
Reference = Literal["liquid", "ice"]

TRIPLE_POINT_C = 0.01
ZERO_C_IN_K = 273.15
STANDARD_PRESSURE_PA = 101_325.0
WATER_TO_AIR = 0.621945  # ratio of the molar masses [1, eq. 20]
WATER_GAS_CONSTANT_J_KG_K = 461.523  # 8.314462618 / 0.018015268
LARGEST_HUMIDITY_PERCENT = 120.0  # chips report up to about 119 % when wet (data sheet formulas)

_COLDEST_C, _HOTTEST_C = -100.0, 200.0  # range of the saturation curves [1]
_TRIPLE_POINT_PA = 611.657  # IAPWS
_HOTTEST_DEW_POINT_C = 135.0
_LOWEST_DEW_PA = 1.40510212e-03  # frost point -100 °C
_HIGHEST_DEW_PA = 313_251.0  # dew point 135 °C

# Dew point [°C] = sum of c_i x^i, x = ln(p / 611.657 Pa): least squares through the curves of [1]
# at Chebyshev nodes of the temperature, by `fitted` in tests/test_air.py, which makes these
# figures again. Within 6e-8 K of the curves.
_FROST_COEFFICIENTS = (  # -100 to 0.01 °C
    0.00999947623006392,
    12.144673258979214,
    0.5452698139366248,
    0.02528426360739142,
    0.0012141863378882904,
    5.963522703000305e-05,
    2.8797431570807166e-06,
    1.2585678964585044e-07,
    4.3824122241088455e-09,
    1.0185623726364842e-10,
    1.1372990383017206e-12,
)
_DEW_COEFFICIENTS = (  # 0.01 to 135 °C
    0.009999317532184193,
    13.766648711819855,
    0.7788326863288639,
    0.04741056887083055,
    0.002934041115754464,
    0.0002112932551917686,
    5.572088737536925e-07,
    3.608353355198609e-06,
    -4.5273288334398207e-07,
    4.811340203377512e-08,
    -1.8947184270530476e-09,
)
_BLOCK = 8192  # elements worked on at a time, so that they stay in the processor's cache


def saturation_vapour_pressure(*, temperature_c: ArrayLike, over: Over = "auto") -> Floats:
    """Vapour pressure of air in balance with water or ice.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of the surface. [°C, -100 to 200; over ice not above 0.01]
    over : {"auto", "liquid", "ice"}
        "auto": ice up to 0.01 °C, liquid water above. "liquid": supercooled below 0.01 °C.

    Returns
    -------
    ndarray
        Saturation vapour pressure. [Pa]

    Raises
    ------
    ValueError
        If a temperature is out of range.

    Notes
    -----
    Sources [1] eq. 5 and 6, [2] eq. 10 of this module. The liquid curves meet at 0.01 °C to 2e-6.
    """
    one_of("over", over, get_args(Over))
    hottest_c = TRIPLE_POINT_C if over == "ice" else _HOTTEST_C
    celsius = within("temperature_c", temperature_c, _COLDEST_C, hottest_c)
    kelvin = np.atleast_1d(celsius) + ZERO_C_IN_K
    cold = np.atleast_1d(celsius) <= TRIPLE_POINT_C
    log_pressure = _log_over_liquid(kelvin)
    if cold.any():
        below = kelvin[cold]
        log_pressure[cold] = (
            _log_over_supercooled(below) if over == "liquid" else _log_over_ice(below)
        )
    return _shaped(np.exp(log_pressure), celsius)


def vapour_pressure(
    *, temperature_c: ArrayLike, humidity_percent: ArrayLike, reference: Reference = "liquid"
) -> Floats:
    """Partial pressure of the water vapour in air.

    Parameters
    ----------
    temperature_c : array_like
        Air temperature. [°C, -100 to 200]
    humidity_percent : array_like
        Relative humidity. [%, 0 to 120; above 100 as wet sensors report it]
    reference : {"liquid", "ice"}
        What the humidity refers to below 0.01 °C: "liquid" for sensors, "ice" for tables.

    Returns
    -------
    ndarray
        Vapour pressure. [Pa]

    Raises
    ------
    ValueError
        If a temperature or humidity is out of range.
    """
    humidity = within("humidity_percent", humidity_percent, 0.0, LARGEST_HUMIDITY_PERCENT)
    return humidity / 100.0 * _saturation(temperature_c, reference)


def relative_humidity(
    *, vapour_pressure_pa: ArrayLike, temperature_c: ArrayLike, reference: Reference = "liquid"
) -> Floats:
    """Relative humidity of air of a vapour pressure, brought to a temperature.

    Parameters
    ----------
    vapour_pressure_pa : array_like
        Vapour pressure. [Pa, 0 or more]
    temperature_c : array_like
        Temperature of the air, or of a surface it touches. [°C, -100 to 200]
    reference : {"liquid", "ice"}
        What the result refers to below 0.01 °C.

    Returns
    -------
    ndarray
        Relative humidity. [%] Above 100 water condenses; returned as computed.

    Raises
    ------
    ValueError
        If a pressure is negative or a temperature out of range.
    """
    pressure = within("vapour_pressure_pa", vapour_pressure_pa, 0.0)
    return 100.0 * pressure / _saturation(temperature_c, reference)


def dew_point(*, vapour_pressure_pa: ArrayLike) -> Floats:
    """Temperature at which vapour begins to condense; below 0.01 °C the frost point.

    Parameters
    ----------
    vapour_pressure_pa : array_like
        Vapour pressure. [Pa, 0 to 313251]

    Returns
    -------
    ndarray
        Dew point, or frost point. [°C] nan where there is none within the curve's range: a
        pressure below 0.0014 Pa (frost point under -100 °C), as of a sensor that reports 0 %.

    Raises
    ------
    ValueError
        If a pressure is negative or its dew point lies above 135 °C.

    Notes
    -----
    Polynomial in the logarithm of the pressure, one for each of the curves [1] eq. 5 and 6;
    within 1e-6 K of psychrolib, which inverts them by iteration. Only within 2e-5 K above the
    triple point, where the curves meet, psychrolib's own iteration ends up to 2e-6 K off.
    """
    pressure = within("vapour_pressure_pa", vapour_pressure_pa, 0.0, _HIGHEST_DEW_PA)
    flat = pressure.reshape(-1)
    result = np.empty_like(flat)
    for start in range(0, flat.size, _BLOCK):
        block = flat[start : start + _BLOCK]
        result[start : start + _BLOCK] = _dew_point_of_block(block)
    return _shaped(result, pressure)


def humidity_ratio(*, vapour_pressure_pa: ArrayLike, pressure_pa: ArrayLike) -> Floats:
    """Mass of water vapour that goes with a mass of dry air.

    Parameters
    ----------
    vapour_pressure_pa : array_like
        Vapour pressure. [Pa, 0 or more]
    pressure_pa : array_like
        Pressure of the air as a whole. [Pa, 1000 to 200000]

    Returns
    -------
    ndarray
        Humidity ratio. [kg/kg] nan where the vapour pressure reaches the whole pressure: water
        boils there, and no dry air is left to refer to.

    Raises
    ------
    ValueError
        If a pressure is out of range.

    Notes
    -----
    Source [1] eq. 20 of this module.
    """
    vapour = within("vapour_pressure_pa", vapour_pressure_pa, 0.0)
    dry_air = within("pressure_pa", pressure_pa, 1_000.0, 200_000.0) - vapour
    return WATER_TO_AIR * vapour / np.where(dry_air > 0.0, dry_air, np.nan)


def absolute_humidity(*, vapour_pressure_pa: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """Mass of water vapour in a volume of air.

    Parameters
    ----------
    vapour_pressure_pa : array_like
        Vapour pressure. [Pa, 0 or more]
    temperature_c : array_like
        Air temperature. [°C, -100 to 200]

    Returns
    -------
    ndarray
        Absolute humidity, by the law of ideal gases. [g/m³]

    Raises
    ------
    ValueError
        If a pressure is negative or a temperature out of range.
    """
    pressure = within("vapour_pressure_pa", vapour_pressure_pa, 0.0)
    kelvin = within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C) + ZERO_C_IN_K
    return 1000.0 * pressure / (WATER_GAS_CONSTANT_J_KG_K * kelvin)


def enthalpy(*, temperature_c: ArrayLike, humidity_ratio: ArrayLike) -> Floats:
    """Heat content of moist air per mass of dry air, zero for dry air at 0 °C.

    Parameters
    ----------
    temperature_c : array_like
        Air temperature. [°C, -100 to 200]
    humidity_ratio : array_like
        Humidity ratio. [kg/kg, 0 or more]

    Returns
    -------
    ndarray
        Enthalpy. [J/kg]

    Raises
    ------
    ValueError
        If a humidity ratio is negative or a temperature out of range.

    Notes
    -----
    Source [1] eq. 30 of this module.
    """
    celsius = within("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C)
    ratio = within("humidity_ratio", humidity_ratio, 0.0)
    return 1000.0 * (1.006 * celsius + ratio * (2501.0 + 1.86 * celsius))


def wet_bulb(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    pressure_pa: ArrayLike = STANDARD_PRESSURE_PA,
    reference: Reference = "liquid",
) -> Floats:
    """Temperature that a wetted, ventilated thermometer would show; for display, never for a rule.

    Within about 0.9 K of 0 °C two answers exist, for water and for ice on the bulb.

    Parameters
    ----------
    temperature_c : array_like
        Air temperature. [°C, -100 to 200]
    humidity_percent : array_like
        Relative humidity. [%, 0 to 120]
    pressure_pa : array_like
        Pressure of the air. [Pa, 10000 to 200000]
    reference : {"liquid", "ice"}
        What the humidity refers to below 0.01 °C.

    Returns
    -------
    ndarray
        Wet-bulb temperature, to 0.001 K. [°C] The air's own temperature where it is saturated.
        nan where the air would boil.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Source [1] eq. 33 and 35 of this module, solved by psychrolib one value at a time.
    """
    vapour = vapour_pressure(
        temperature_c=temperature_c, humidity_percent=humidity_percent, reference=reference
    )
    # psychrolib takes no air as drier than 1e-7 kg/kg; in thinner air that has no dew point, and
    # psychrolib raises, or with numba goes on with a dew point of 0
    pressure = within("pressure_pa", pressure_pa, 10_000.0, 200_000.0)
    ratio = humidity_ratio(vapour_pressure_pa=vapour, pressure_pa=pressure)
    celsius, ratio, pressure = np.broadcast_arrays(floats(temperature_c), ratio, pressure)
    bulb = _psychrolib().GetTWetBulbFromHumRatio
    known = ~np.isnan(celsius + ratio + pressure)  # nan makes psychrolib raise, or with numba 0
    triples = zip(celsius[known].flat, ratio[known].flat, pressure[known].flat, strict=True)
    result = np.full(celsius.shape, np.nan)
    result[known] = [float(bulb(*triple)) for triple in triples]
    return result[()]


def pressure_at_altitude(*, altitude_m: ArrayLike) -> Floats:
    """Mean pressure of the atmosphere at an altitude.

    Parameters
    ----------
    altitude_m : array_like
        Height above the sea. [m, -5000 to 11000]

    Returns
    -------
    ndarray
        Pressure of the standard atmosphere. [Pa] Weather moves it by about 3 %.

    Raises
    ------
    ValueError
        If an altitude is out of range.

    Notes
    -----
    Source [1] eq. 3 of this module.
    """
    altitude = within("altitude_m", altitude_m, -5_000.0, 11_000.0)
    # not **: numpy raises a lone number by another routine than an array, a bit apart
    return STANDARD_PRESSURE_PA * np.power(1.0 - 2.25577e-5 * altitude, 5.2559)


def dew_point_uncertainty(
    *,
    temperature_c: ArrayLike,
    humidity_percent: ArrayLike,
    temperature_u_k: ArrayLike,
    humidity_u_percent: ArrayLike,
) -> Floats:
    """How far the dew point may be off for a given accuracy of the sensor.

    Parameters
    ----------
    temperature_c, humidity_percent : array_like
        What the sensor says; the humidity over liquid water. [°C, -100 to 200] [%, 0 to 120]
    temperature_u_k, humidity_u_percent : array_like
        Accuracy of the sensor, taken as independent. [K] [%] 0 or more

    Returns
    -------
    ndarray
        Uncertainty of the dew point, of the same coverage as the accuracies. [K] nan where there
        is no dew point.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    First order, with s the slope of the logarithm of the saturation pressure::

        u² = (s(T) / s(T_d) u_T)² + (u_RH / (RH s(T_d)))²
    """
    humidity = within("humidity_percent", humidity_percent, 0.0, LARGEST_HUMIDITY_PERCENT)
    temperature_u = within("temperature_u_k", temperature_u_k, 0.0)
    humidity_u = within("humidity_u_percent", humidity_u_percent, 0.0)
    pressure = vapour_pressure(temperature_c=temperature_c, humidity_percent=humidity)
    dew_slope = _log_slope(dew_point(vapour_pressure_pa=pressure), over="auto")
    from_temperature = _log_slope(floats(temperature_c), over="liquid") / dew_slope * temperature_u
    present = np.where(humidity > 0.0, humidity, np.nan)
    from_humidity = humidity_u / (present * dew_slope)
    return np.sqrt(from_temperature * from_temperature + from_humidity * from_humidity)[()]


def _saturation(temperature_c: ArrayLike, reference: Reference) -> Floats:
    """Saturation pressure that a humidity refers to."""
    one_of("reference", reference, get_args(Reference))
    return saturation_vapour_pressure(
        temperature_c=temperature_c, over="liquid" if reference == "liquid" else "auto"
    )


def _log_over_liquid(kelvin: Floats) -> Floats:
    """ASHRAE eq. 6: logarithm of the saturation pressure [Pa] over liquid water."""
    series = 1.3914993 + kelvin * (
        -4.8640239e-02 + kelvin * (4.1764768e-05 + kelvin * -1.4452093e-08)
    )
    return -5.8002206e03 / kelvin + series + 6.5459673 * np.log(kelvin)


def _log_over_ice(kelvin: Floats) -> Floats:
    """ASHRAE eq. 5: logarithm of the saturation pressure [Pa] over ice."""
    series = 6.3925247 + kelvin * (
        -9.677843e-03 + kelvin * (6.2215701e-07 + kelvin * (2.0747825e-09 + kelvin * -9.484024e-13))
    )
    return -5.6745359e03 / kelvin + series + 4.1635019 * np.log(kelvin)


def _log_over_supercooled(kelvin: Floats) -> Floats:
    """Murphy and Koop eq. 10: logarithm of the saturation pressure [Pa] over liquid, 123 to 332 K."""
    log_kelvin = np.log(kelvin)
    cold = 53.878 - 1331.22 / kelvin - 9.44523 * log_kelvin + 0.014025 * kelvin
    warm = 54.842763 - 6763.22 / kelvin - 4.210 * log_kelvin + 0.000367 * kelvin
    return warm + np.tanh(0.0415 * (kelvin - 218.8)) * cold


def _log_slope(celsius: Floats, *, over: Over) -> Floats:
    """Slope d ln p_sat / dT [1/K], from a central difference of 1 K, which errs by less than 1e-5."""
    half_k = 0.5
    centre = np.clip(celsius, _COLDEST_C + half_k, _HOTTEST_C - half_k)  # both ends in range
    upper = saturation_vapour_pressure(temperature_c=centre + half_k, over=over)
    lower = saturation_vapour_pressure(temperature_c=centre - half_k, over=over)
    return np.log(upper / lower) / (2.0 * half_k)


def _dew_point_of_block(pressure_pa: Floats) -> Floats:
    """Dew point of one stretch of pressures, each in range or nan."""
    present = np.where(pressure_pa >= _LOWEST_DEW_PA, pressure_pa, np.nan)
    x = np.log(present / _TRIPLE_POINT_PA)
    frost = x <= 0.0
    if not frost.any():
        return _polynomial(_DEW_COEFFICIENTS, x)
    if frost.all():
        return _polynomial(_FROST_COEFFICIENTS, x)
    result = _polynomial(_DEW_COEFFICIENTS, x)
    result[frost] = _polynomial(_FROST_COEFFICIENTS, x[frost])
    return result


def _polynomial(coefficients: tuple[float, ...], x: Floats) -> Floats:
    """Horner's rule in place: no temporary array at each of ten steps."""
    result = coefficients[-1] * x
    for coefficient in coefficients[-2:0:-1]:
        result += coefficient
        result *= x
    result += coefficients[0]
    return result


def _shaped(values: Floats, like: Floats) -> Floats:
    """`values` in the shape of `like`; a float where that has no dimension."""
    return values.reshape(like.shape)[()]


@cache
def _psychrolib() -> ModuleType:
    """Import psychrolib where it is needed, and set its global unit system once.

    Where numba is installed, importing it wraps every function and takes seconds.
    """
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    library: ModuleType = psychrolib
    return library
