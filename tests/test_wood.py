"""Wood in balance with air, and pins in wood: limits and direction; tables are in published."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import rot, wood


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


def test_the_largest_estimate_from_air_is_wood_at_92_percent_and_not_yet_rotting():
    at = wood.equilibrium_humidity(
        temperature_c=20.0, moisture_percent=wood.LARGEST_AIR_ESTIMATE_PERCENT
    )
    assert at == pytest.approx(92.4, abs=0.05)
    assert wood.LARGEST_AIR_ESTIMATE_PERCENT < rot.ROT_MOISTURE_PERCENT
    assert rot.ROT_MOISTURE_PERCENT < wood.FIBRE_SATURATION_PERCENT


# Pin meters


@given(st.floats(0.0, 60.0))
def test_a_pin_meter_at_its_reference_temperature_is_believed(reading_percent):
    corrected = wood.corrected_pin_moisture(
        temperature_c=wood.PIN_REFERENCE_C, reading_percent=reading_percent
    )
    assert corrected == pytest.approx(reading_percent, abs=0.01)


@given(st.floats(-40.0, 80.0), st.floats(0.1, 5.0), st.floats(wood.SMALLEST_PIN_PERCENT, 30.0))
def test_colder_wood_of_the_same_reading_is_wetter(temperature_c, warmer_k, reading_percent):
    cold, warm = wood.corrected_pin_moisture(
        temperature_c=[temperature_c, temperature_c + warmer_k], reading_percent=reading_percent
    )
    assert cold > warm


@given(st.floats(-40.0, 85.0), st.floats(wood.SMALLEST_PIN_PERCENT, 30.0), st.floats(0.1, 5.0))
def test_a_higher_reading_is_wetter_wood(temperature_c, reading_percent, more_percent):
    less, more = wood.corrected_pin_moisture(
        temperature_c=temperature_c,
        reading_percent=[reading_percent, reading_percent + more_percent],
    )
    assert less < more


def test_a_species_is_corrected_after_the_temperature():
    plain = wood.corrected_pin_moisture(temperature_c=5.0, reading_percent=18.0)
    species = wood.corrected_pin_moisture(
        temperature_c=5.0, reading_percent=18.0, species_factor=0.9, species_percent=1.5
    )
    assert species == pytest.approx((plain - 1.5) / 0.9, rel=1e-12)


def test_a_pin_meter_never_shows_less_than_no_water():
    assert wood.corrected_pin_moisture(temperature_c=85.0, reading_percent=0.0) == 0.0


def test_a_missing_value_stays_missing():
    moisture = wood.equilibrium_moisture(
        temperature_c=[np.nan, 20.0, 20.0], humidity_percent=[80.0, np.nan, 80.0]
    )
    humidity = wood.equilibrium_humidity(
        temperature_c=[np.nan, 20.0, 20.0], moisture_percent=[16.0, np.nan, 16.0]
    )
    pin = wood.corrected_pin_moisture(
        temperature_c=[np.nan, 20.0, 20.0], reading_percent=[16.0, np.nan, 16.0]
    )
    for found in (moisture, humidity, pin):
        assert np.isnan(found).tolist() == [True, True, False]


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
        (
            lambda: wood.corrected_pin_moisture(temperature_c=-41.0, reading_percent=12.0),
            "temperature_c must be -40 to 85, got -41",
        ),
        (
            lambda: wood.corrected_pin_moisture(temperature_c=20.0, reading_percent=101.0),
            "reading_percent must be 0 to 100, got 101",
        ),
        (
            lambda: wood.corrected_pin_moisture(
                temperature_c=20.0, reading_percent=12.0, species_factor=0.0
            ),
            "species_factor must be 0.1 to 10, got 0",
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

    def pin(part):
        return wood.corrected_pin_moisture(
            temperature_c=temperature_c[part], reading_percent=humidity_percent[part] / 5.0
        ).tobytes()

    for work in (moisture, pin):
        parts = [work(slice(at, at + 13)) for at in range(0, 10_007, 13)]
        assert b"".join(parts) == work(slice(None))
