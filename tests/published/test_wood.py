"""Wood against the handbook and instruction sheets; sources and what was read: README.md here."""

from pathlib import Path

import numpy as np
import pytest

from monitor.physics import wood

HERE = Path(__file__).parent


def handbook():
    """(temperature [°C], humidity [%], moisture [%]) of each cell of table 4-2."""
    lines = (HERE / "wood_handbook_4_2.csv").read_text(encoding="utf-8").splitlines()
    header, *rows = [line.split(",") for line in lines if not line.startswith("#")]
    for row in rows:
        for humidity, moisture in zip(header[1:], row[1:], strict=True):
            yield float(row[0]), float(humidity), float(moisture)


def test_wood_moisture_is_that_of_the_wood_handbook():
    # The table is calculated from the same equation and rounded to 0.1, the temperatures from °F:
    # 227 of 228 cells agree within 0.055, the last within 0.06.
    cells = np.array(list(handbook()))
    assert len(cells) == 228
    computed = wood.equilibrium_moisture(temperature_c=cells[:, 0], humidity_percent=cells[:, 1])
    np.testing.assert_allclose(computed, cells[:, 2], rtol=0, atol=0.06)


def test_the_celsius_coefficients_are_not_used_with_fahrenheit():
    # The other set of coefficients that is in print, for °F (from memory), gives the same wood.
    for celsius in (0.0, 21.1, 60.0):
        f, h = celsius * 1.8 + 32.0, 0.8
        w = 330 + 0.452 * f + 0.00415 * f**2
        kh = (0.791 + 4.63e-4 * f - 8.44e-7 * f**2) * h
        k1 = 6.34 + 7.75e-4 * f - 9.35e-5 * f**2
        k2 = 1.09 + 0.0284 * f - 9.04e-5 * f**2
        layered = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
        expected = 1800 / w * (kh / (1 - kh) + layered)
        computed = wood.equilibrium_moisture(temperature_c=celsius, humidity_percent=80.0)
        assert computed == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(
    ("humidity_percent", "more_percent"),
    [
        pytest.param(65.0, 0.5, id="65 %"),
        pytest.param(80.0, 0.6, id="80 %"),
        pytest.param(95.0, 1.1, id="95 %"),
    ],
)
def test_the_newer_equation_of_the_handbook_makes_slightly_wetter_wood(
    humidity_percent, more_percent
):
    """Wood Handbook (2021), eq. 4-6, a second opinion: how far the two lie apart at 20 °C.

    The differences are ours; 0.1 holds their rounding.
    """
    kelvin = 293.15
    potential = -0.000612 * kelvin * (1.0 - kelvin / 647.1) ** 2.43
    newer = 100.0 * (potential * np.log(1.0 - humidity_percent / 100.0)) ** (0.0577 * kelvin**0.430)
    ours = wood.equilibrium_moisture(temperature_c=20.0, humidity_percent=humidity_percent)
    assert newer - ours == pytest.approx(more_percent, abs=0.1)


def test_the_newer_equation_turned_round_gives_the_humidity_within_a_sensors_error():
    """Wood Handbook (2021), eq. 4-7, the inverse of 4-6, at 20 °C from 7 to 24 % moisture.

    2.19 % humidity is the worst found, about a sensor's error.
    """
    moisture = np.linspace(7.0, 24.0, 18)
    kelvin = 293.15
    potential = 0.000612 * kelvin * (1.0 - kelvin / 647.1) ** 2.43
    wetness = (moisture / 100.0) ** (1.0 / (0.0577 * kelvin**0.430)) / potential
    newer = 100.0 * (1.0 - np.exp(-wetness))
    ours = wood.equilibrium_humidity(temperature_c=20.0, moisture_percent=moisture)
    np.testing.assert_allclose(ours, newer, rtol=0, atol=2.25)


def test_a_pin_meter_is_corrected_as_instruction_sheets_say():
    # Instruction sheet of a pin meter made for 20 °C: where wood is more than 5 °C off, add 0.5 %
    # for each 5 °C below, subtract as much above, "approximately". From 5 to 35 °C and counted from
    # 20 °C as the sheet does, the equation keeps within 0.2 % of that at 12 % moisture.
    celsius = np.array([5.0, 10.0, 15.0, 25.0, 30.0, 35.0])
    at_20, *corrected = wood.corrected_pin_moisture(
        temperature_c=[20.0, *celsius], reading_percent=12.0
    )
    rule = -0.5 * (celsius - 20.0) / 5.0
    np.testing.assert_allclose(corrected - at_20, rule, rtol=0, atol=0.2)


@pytest.mark.parametrize(("temperature_c", "added_percent"), [(10.0, 2), (40.0, -3), (50.0, -4)])
def test_a_pin_meter_is_corrected_less_than_another_sheet_says(temperature_c, added_percent):
    # User guide of another meter made for 20 °C, worked examples at 15 %, in whole numbers: its
    # rule is steeper than the equation, by 0.9 to 1.1 points.
    at_20, corrected = wood.corrected_pin_moisture(
        temperature_c=[20.0, temperature_c], reading_percent=15.0
    )
    assert 0.0 < (added_percent - (corrected - at_20)) * np.sign(added_percent) < 1.1
