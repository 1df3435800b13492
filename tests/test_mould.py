"""The mould index: the regressions behind it, the rules of the standard, and its promises."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import mould


def constant_hours(temperature_c, humidity_percent, mould_class="VS", hours=3000):
    return mould.index_series(
        temperature_c=np.full(hours, temperature_c),
        humidity_percent=np.full(hours, humidity_percent),
        mould_class=mould_class,
    )


def days_until(series, target):
    return (np.argmax(series >= target) + 1) / 24.0


# The regressions


@pytest.mark.parametrize(
    ("humidity_percent", "target", "days"),
    [
        # Hukka and Viitanen 1999, pine sapwood at 20 °C: t_m = 1.483 and 4.204 weeks to index 1
        pytest.param(97.0, 1.0, 10.4, id="97 %, first growth"),
        pytest.param(90.0, 1.0, 29.4, id="90 %, first growth"),
        # t_v = exp(-0.74 ln T - 12.72 ln RH + 61.50) = 2.98 weeks to index 3
        pytest.param(97.0, 3.0, 20.8, id="97 %, visible"),
    ],
)
def test_pine_grows_mould_as_fast_as_the_regressions_say(humidity_percent, target, days):
    """Agreement with the regressions, not with laboratory data."""
    closed = mould.days_to_index(
        temperature_c=20.0, humidity_percent=humidity_percent, mould_class="VS", target=target
    )
    stepped = days_until(constant_hours(20.0, humidity_percent), target)
    assert closed == pytest.approx(days, abs=0.1)
    assert stepped == pytest.approx(days, abs=0.1)


@pytest.mark.parametrize("temperature_c", [5.0, 12.0, 20.0, 28.0])
@pytest.mark.parametrize("humidity_percent", [93.0, 97.0, 100.0])
def test_the_first_growth_on_pine_is_that_of_the_regression(temperature_c, humidity_percent):
    # Within 1 %: the index slows down a little towards the largest one, the regression does not.
    weeks = math.exp(-0.68 * math.log(temperature_c) - 13.9 * math.log(humidity_percent) + 66.02)
    days = mould.days_to_index(
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        mould_class="VS",
        target=1.0,
    )
    assert days == pytest.approx(7.0 * weeks, rel=0.01)


# Rules of the ASHRAE 160 form


@pytest.mark.parametrize(
    ("mould_class", "largest"), [("VS", 6.0), ("S", 5.3), ("MR", 3.5), ("R", 2.0)]
)
def test_the_largest_index_of_a_class_at_saturation(mould_class, largest):
    computed = mould.largest_index(
        temperature_c=20.0, humidity_percent=100.0, mould_class=mould_class
    )
    assert computed == pytest.approx(largest, rel=1e-12)


def test_a_resistant_surface_never_fails_and_a_medium_one_only_near_saturation():
    celsius, percent = np.meshgrid(np.arange(-10.0, 60.0, 1.0), np.arange(50.0, 110.0, 0.5))
    resistant, medium = (
        mould.largest_index(temperature_c=celsius, humidity_percent=percent, mould_class=c)
        for c in ("R", "MR")
    )
    assert resistant.max() == pytest.approx(2.0, abs=1e-12)
    assert percent[medium >= mould.VISIBLE_INDEX].min() == 97.0
    wettest = constant_hours(28.0, 100.0, "R", hours=300_000)
    assert wettest.max() == pytest.approx(2.0, abs=1e-3)
    assert (wettest < mould.VISIBLE_INDEX).all()


@pytest.mark.parametrize(
    ("temperature_c", "mould_class", "humidity_percent"),
    [
        pytest.param(5.0, "VS", 88.016, id="cool: 100 - 15.65 + 4 - 0.334"),
        pytest.param(7.0, "R", 85.014, id="where the resistant classes leave the curve"),
        pytest.param(7.2, "R", 85.0, id="and stay at their lowest"),
        pytest.param(17.6, "S", 80.0, id="the curve's dip below 80 is filled"),
        pytest.param(20.0, "S", 80.04, id="the end of the curve"),
        pytest.param(20.1, "S", 80.0, id="warm"),
        pytest.param(35.0, "MR", 85.0, id="hot"),
        pytest.param(0.0, "VS", math.inf, id="freezing: no humidity is enough"),
        pytest.param(50.0, "VS", math.inf, id="too hot: no humidity is enough"),
    ],
)
def test_critical_humidity(temperature_c, mould_class, humidity_percent):
    computed = mould.critical_humidity(temperature_c=temperature_c, mould_class=mould_class)
    assert computed == pytest.approx(humidity_percent, abs=0.001)


def test_at_exactly_the_critical_humidity_nothing_grows():
    # Quantised sensors often report it; the standard's form grows above it only.
    assert constant_hours(22.0, 80.0, "S").max() == 0.0
    assert constant_hours(22.0, 80.01, "S").max() > 0.0


def test_sensitive_wood_is_slower_by_its_class_and_its_planing():
    pine, planed = (
        mould.index_series(temperature_c=[20.0], humidity_percent=[97.0], mould_class=c)[0]
        for c in ("VS", "S")
    )
    assert planed / pine == pytest.approx(0.578 * math.exp(-0.14), rel=0.01)


def test_the_index_falls_in_six_dry_hours_rests_to_the_day_and_falls_again():
    series, dry_hours = mould.advance_index(
        temperature_c=np.full(30, 20.0),
        humidity_percent=np.full(30, 40.0),
        mould_class="VS",
        decline=1.0,
        start=2.0,
    )
    falls = -np.diff(np.concatenate([[2.0], series]))
    expected = [0.00133] * 6 + [0.0] * 18 + [0.000667] * 6
    np.testing.assert_allclose(falls, expected, atol=1e-12)
    assert dry_hours == 30


def test_other_materials_fall_slower_and_by_default_hardly():
    hours = {"temperature_c": [20.0], "humidity_percent": [40.0], "mould_class": "S", "start": 2.0}
    default = mould.index_series(**hours)
    half = mould.index_series(**hours, decline=0.5)
    assert default[0] == pytest.approx(2.0 - 0.000133, abs=1e-12)
    assert half[0] == pytest.approx(2.0 - 0.000665, abs=1e-12)


@pytest.mark.parametrize(
    "temperature_c", [pytest.param(-5.0, id="frozen"), pytest.param(52.0, id="hot noon")]
)
def test_frost_and_heat_are_dry_hours_however_humid(temperature_c):
    series, dry_hours = mould.advance_index(
        temperature_c=[temperature_c] * 3,
        humidity_percent=[100.0] * 3,
        mould_class="VS",
        start=1.5,
    )
    assert dry_hours == 3
    assert (np.diff(series) < 0.0).all()


def test_a_favourable_hour_starts_the_count_of_dry_hours_again():
    wet, dry = 95.0, 40.0
    _, after = mould.advance_index(
        temperature_c=[20.0] * 5, humidity_percent=[dry, dry, wet, dry, dry], mould_class="S"
    )
    assert after == 2


def test_the_index_stays_between_nothing_and_six():
    soaked = mould.index_series(
        temperature_c=np.full(50, 30.0),
        humidity_percent=np.full(50, 130.0),
        mould_class="VS",
        start=5.999,
    )
    dried = mould.index_series(
        temperature_c=np.full(50, 30.0),
        humidity_percent=np.full(50, 20.0),
        mould_class="VS",
        decline=1.0,
        start=0.001,
    )
    assert soaked.max() <= 6.0
    assert dried[-1] == 0.0


# Gaps and resumption

hour = st.one_of(
    st.just((math.nan, math.nan)),
    st.just((20.0, math.nan)),
    st.tuples(st.floats(-10.0, 55.0), st.floats(30.0, 110.0)),
    st.tuples(st.floats(10.0, 30.0), st.floats(90.0, 100.0)),
)
mould_class = st.sampled_from(mould.MOULD_CLASSES)


def test_a_missing_hour_holds_the_index_and_the_count():
    temperature_c = np.array([20.0, np.nan, 20.0, 20.0, 20.0])
    humidity_percent = np.array([40.0, 40.0, np.nan, 40.0, 95.0])
    series, dry_hours = mould.advance_index(
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        mould_class="S",
        start=2.0,
        dry_hours=5,
    )
    held, count = mould.advance_index(
        temperature_c=temperature_c[:4],
        humidity_percent=humidity_percent[:4],
        mould_class="S",
        start=2.0,
        dry_hours=5,
    )
    assert series[0] == series[1] == series[2] == series[3]  # the 7th dry hour is one of rest
    assert count == 7
    assert held[-1] < series[-1]
    assert dry_hours == 0


@given(st.lists(hour, max_size=60), st.data(), mould_class, st.floats(0.0, 1.0))
def test_a_series_cut_at_any_hour_gives_the_same_bits(hours, data, material, decline):
    temperature_c, humidity_percent = np.array(hours).reshape(-1, 2).T
    cut = data.draw(st.integers(0, len(hours)))
    start = data.draw(st.floats(0.0, 6.0))
    dry_hours = data.draw(st.integers(0, 40))

    def advance(part, index, dry):
        return mould.advance_index(
            temperature_c=temperature_c[part],
            humidity_percent=humidity_percent[part],
            mould_class=material,
            decline=decline,
            start=index,
            dry_hours=dry,
        )

    whole, dry_whole = advance(slice(None), start, dry_hours)
    first, dry_first = advance(slice(0, cut), start, dry_hours)
    state = first[-1] if cut else start
    second, dry_second = advance(slice(cut, None), state, dry_first)
    assert first.tobytes() + second.tobytes() == whole.tobytes()
    assert dry_second == dry_whole


def yard(hours, zones, seed=5):
    """Synthetic zones from dry to soaked, a tenth of the hours missing."""
    rng = np.random.default_rng(seed)
    temperature_c = rng.normal(14.0, 12.0, (hours, zones))
    humidity_percent = np.clip(rng.normal(85.0, 12.0, (hours, zones)), 5.0, 110.0)
    temperature_c[rng.random((hours, zones)) < 0.1] = np.nan
    return temperature_c, humidity_percent


def test_zones_together_give_the_bits_of_each_alone():
    temperature_c, humidity_percent = yard(hours=400, zones=7)
    starts, dry_hours = np.linspace(0.0, 3.0, 7), np.arange(7) * 5
    together, after = mould.advance_index(
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        mould_class="S",
        start=starts,
        dry_hours=dry_hours,
    )
    for zone in range(7):
        alone, dry = mould.advance_index(
            temperature_c=temperature_c[:, zone],
            humidity_percent=humidity_percent[:, zone],
            mould_class="S",
            start=starts[zone],
            dry_hours=dry_hours[zone],
        )
        assert alone.tobytes() == together[:, zone].tobytes()
        assert dry == after[zone]


@pytest.mark.parametrize("material", mould.MOULD_CLASSES)
def test_many_zones_at_once_agree_with_each_alone(material):
    zones = mould.SCALAR_COLUMNS + 16
    temperature_c, humidity_percent = yard(hours=2000, zones=zones)
    conditions = {"mould_class": material, "decline": 0.5}
    many, dry_many = mould.advance_index(
        temperature_c=temperature_c, humidity_percent=humidity_percent, **conditions
    )
    few = [
        mould.advance_index(
            temperature_c=temperature_c[:, part],
            humidity_percent=humidity_percent[:, part],
            **conditions,
        )
        for part in (slice(0, 40), slice(40, None))
    ]
    np.testing.assert_allclose(many, np.hstack([s for s, _ in few]), rtol=0, atol=1e-9)
    np.testing.assert_array_equal(dry_many, np.hstack([d for _, d in few]))


def test_no_hours_leave_the_state_as_it_was():
    empty = {"mould_class": "S", "start": [1.0, 2.0], "dry_hours": [3, 4]}
    series, dry_hours = mould.advance_index(
        temperature_c=np.empty((0, 2)), humidity_percent=np.empty((0, 2)), **empty
    )
    assert series.shape == (0, 2)
    assert dry_hours.tolist() == [3, 4]


# Forecast


@given(
    st.floats(1.0, 45.0),
    st.floats(81.0, 100.0),
    st.sampled_from(["VS", "S"]),
    st.floats(0.0, 2.5),
    st.floats(0.1, 3.0),
)
def test_the_closed_form_is_where_the_hours_arrive(
    temperature_c, humidity_percent, material, start, target
):
    days = mould.days_to_index(
        temperature_c=temperature_c,
        humidity_percent=humidity_percent,
        mould_class=material,
        target=target,
        start=start,
    )
    if not days < 150.0:
        return
    hours = math.ceil(days * 24.0) + 2
    series = mould.index_series(
        temperature_c=np.full(hours, temperature_c),
        humidity_percent=np.full(hours, humidity_percent),
        mould_class=material,
        start=start,
    )
    # One hour at the end, and one where the speed changes at index 1.
    assert start >= target or days_until(series, target) == pytest.approx(days, abs=3.0 / 24.0)


def test_a_forecast_says_never_missing_and_already():
    days = mould.days_to_index(
        temperature_c=[20.0, 20.0, -5.0, np.nan, 20.0, 20.0, 20.0],
        humidity_percent=[70.0, 82.0, 99.0, 99.0, np.nan, 70.0, 97.0],
        mould_class="S",
        target=3.0,
        start=[0.0, 0.0, 0.0, 0.0, 0.0, 3.0, 0.0],
    )
    assert days[:3].tolist() == [math.inf] * 3
    assert np.isnan(days[3:5]).all()
    assert days[5] == 0.0
    assert 30.0 < days[6] < 120.0


@pytest.mark.parametrize(
    ("humidity_percent", "days"),
    [
        (88.0, 40.3),
        (90.0, 29.4),
        (92.0, 21.7),
        (84.0, 78.0),
        (82.0, 118.0),
        (80.0, math.inf),
    ],
)
def test_what_two_percent_of_sensor_error_does_to_the_forecast(humidity_percent, days):
    """Pinned, not published: days to index 1 on pine at 20 °C."""
    computed = mould.days_to_index(
        temperature_c=20.0, humidity_percent=humidity_percent, mould_class="VS", target=1.0
    )
    assert computed == pytest.approx(days, rel=0.01)


# Direction and limits


@given(st.floats(0.1, 49.0), st.floats(70.0, 99.0), st.floats(0.1, 5.0), mould_class)
def test_a_wetter_surface_never_grows_slower(temperature_c, humidity_percent, more, material):
    conditions = {"temperature_c": temperature_c, "mould_class": material, "target": 0.5}
    dry, wet = mould.days_to_index(
        humidity_percent=[humidity_percent, humidity_percent + more], **conditions
    )
    assert wet <= dry


def test_more_sensitive_materials_never_grow_slower():
    indices = [constant_hours(18.0, 96.0, c, hours=5000)[-1] for c in ("VS", "S", "MR", "R")]
    assert indices == sorted(indices, reverse=True)
    assert indices[0] > 4.0
    assert indices[-1] < 1.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"humidity_percent": [-1.0]}, "humidity_percent must be 0 or more, got -1"),
        ({"temperature_c": [250.0]}, "temperature_c must be -100 to 200, got 250"),
        ({"mould_class": "X"}, "mould_class must be one of VS, S, MR, R, got 'X'"),
        ({"decline": 1.5}, "decline must be 0 to 1, got 1.5"),
        ({"start": 7.0}, "start must be 0 to 6, got 7"),
        ({"start": math.nan}, "must be known"),
        ({"dry_hours": -1}, "dry_hours must be 0 or more, got -1"),
        ({"temperature_c": 20.0, "humidity_percent": 90.0}, "must have 1 or 2 dimensions, got 0"),
    ],
)
def test_a_value_out_of_range_is_named_with_the_range(change, words):
    good = {"temperature_c": [20.0], "humidity_percent": [90.0], "mould_class": "S"}
    with pytest.raises(ValueError, match="must") as raised:
        mould.advance_index(**{**good, **change})
    assert words in str(raised.value)
