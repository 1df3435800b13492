"""Wood in balance with air: the handbook's table, the limits, the direction."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import wood

PUBLISHED = Path(__file__).parent / "published"


def handbook():
    """(temperature [°C], humidity [%], moisture [%]) of each cell of table 4-2."""
    lines = (PUBLISHED / "wood_handbook_4_2.csv").read_text(encoding="utf-8").splitlines()
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
    ("moisture_percent", "humidity_percent"), [(20.0, 89.1), (26.0, 97.3), (28.0, 99.3)]
)
def test_humidity_of_wood_at_20_degrees(moisture_percent, humidity_percent):
    """Pinned, not published: what the damp, wet and rot limits mean to a humidity sensor."""
    computed = wood.equilibrium_humidity(temperature_c=20.0, moisture_percent=moisture_percent)
    assert computed == pytest.approx(humidity_percent, abs=0.05)


def test_dry_air_makes_dry_wood_and_saturated_air_nearly_fills_the_fibres():
    dry, full = wood.equilibrium_moisture(temperature_c=20.0, humidity_percent=[0.0, 100.0])
    assert dry == 0.0
    assert full == pytest.approx(wood.FIBRE_SATURATION_PERCENT, abs=1.5)


def test_air_above_100_percent_wets_wood_no_further():
    at, above = wood.equilibrium_moisture(temperature_c=20.0, humidity_percent=[100.0, 240.0])
    assert above == at


def test_colder_than_the_equation_bears_is_taken_as_its_coldest():
    cold, colder, coldest = wood.equilibrium_moisture(
        temperature_c=[-30.0, -45.0, -100.0], humidity_percent=80.0
    )
    assert cold == colder == coldest == pytest.approx(14.9, abs=0.05)


def test_wood_wetter_than_air_can_make_it_is_in_balance_at_100_percent():
    assert wood.equilibrium_humidity(temperature_c=20.0, moisture_percent=45.0) == 100.0


def test_a_missing_value_stays_missing():
    moisture = wood.equilibrium_moisture(
        temperature_c=[np.nan, 20.0, 20.0], humidity_percent=[80.0, np.nan, 80.0]
    )
    humidity = wood.equilibrium_humidity(
        temperature_c=[np.nan, 20.0, 20.0], moisture_percent=[16.0, np.nan, 16.0]
    )
    assert np.isnan(moisture).tolist() == np.isnan(humidity).tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: wood.equilibrium_moisture(temperature_c=20.0, humidity_percent=-0.1),
            "humidity_percent must be 0 or more, got -0.1",
        ),
        (
            lambda: wood.equilibrium_moisture(temperature_c=126.0, humidity_percent=50.0),
            "temperature_c must be -100 to 125, got 126",
        ),
        (
            lambda: wood.equilibrium_humidity(temperature_c=20.0, moisture_percent=-1.0),
            "moisture_percent must be 0 or more, got -1",
        ),
    ],
)
def test_a_value_out_of_range_is_named_with_the_range(call, words):
    with pytest.raises(ValueError, match="must be") as raised:
        call()
    assert words in str(raised.value)


@given(st.floats(-100.0, 125.0), st.floats(0.0, 99.0), st.floats(0.01, 1.0))
def test_moister_air_makes_moister_wood(temperature_c, humidity_percent, more_percent):
    less, more = wood.equilibrium_moisture(
        temperature_c=temperature_c,
        humidity_percent=[humidity_percent, humidity_percent + more_percent],
    )
    assert less < more


@given(st.floats(20.0, 80.0), st.floats(0.5, 10.0), st.floats(1.0, 100.0))
def test_warmer_wood_is_drier_at_the_same_humidity(temperature_c, warmer_k, humidity_percent):
    cool, warm = wood.equilibrium_moisture(
        temperature_c=[temperature_c, temperature_c + warmer_k], humidity_percent=humidity_percent
    )
    assert warm < cool


@given(st.floats(-60.0, 120.0), st.floats(0.0, 100.0))
def test_humidity_survives_the_way_through_wood(temperature_c, humidity_percent):
    moisture = wood.equilibrium_moisture(
        temperature_c=temperature_c, humidity_percent=humidity_percent
    )
    back = wood.equilibrium_humidity(temperature_c=temperature_c, moisture_percent=moisture)
    assert back == pytest.approx(humidity_percent, abs=1e-8)


def test_the_bits_do_not_depend_on_how_an_array_is_split():
    rng = np.random.default_rng(3)
    temperature_c, humidity_percent = rng.uniform(-40, 85, 10_007), rng.uniform(0, 105, 10_007)

    def moisture(part):
        return wood.equilibrium_moisture(
            temperature_c=temperature_c[part], humidity_percent=humidity_percent[part]
        ).tobytes()

    parts = [moisture(slice(at, at + 13)) for at in range(0, 10_007, 13)]
    assert b"".join(parts) == moisture(slice(None))
