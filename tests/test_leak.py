"""Leak evidence: the fold over days, the score, the votes on a cause."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor import text
from monitor.evidence import leak, verdict, weights

DAYS, ZONES = 90, 4
LIKE = np.array([[j for j in range(ZONES) if j != i] for i in range(ZONES)])


def world(seed=1, *, leaking=None, from_day=45, points=0.8):
    """Daily means of four like walls under one weather; one of them takes up water after rain."""
    rng = np.random.default_rng(seed)
    swing = np.cumsum(rng.normal(0.0, 0.25, DAYS))
    moisture = 13.0 + swing[:, None] * 0.4 + rng.normal(0.0, 0.05, (DAYS, ZONES))
    rain = np.where(rng.random(DAYS) < 0.3, rng.uniform(3.0, 12.0, DAYS), 0.0)
    vapour = 7.0 + 0.5 * swing[:, None] + np.zeros((DAYS, ZONES))
    if leaking is not None:
        water = 0.0
        for day in range(from_day, DAYS):
            water = 0.96 * water + points * (rain[day] > 0.0)
            moisture[day, leaking] += water
            vapour[day, leaking] += 0.15 * water
    return moisture, vapour, rain


def fold(moisture, vapour, rain, *, memory=None, days=None, columns=slice(None), like=LIKE):
    zones = moisture[:, columns].shape[1]
    memory = memory or leak.Memory.empty(zones)
    features = []
    for day in days or range(len(moisture)):
        means = leak.DayMeans(
            temperature_c=np.full(zones, 9.0),
            moisture=moisture[day, columns],
            vapour=vapour[day, columns],
            saturation=np.full(zones, 8.8),
        )
        around = leak.Around(
            cabin_vapour=np.full(zones, vapour[day, 3]),
            outside_vapour=np.full(zones, vapour[day, 3] - 0.3),
            outside_c=np.full(zones, 8.0),
            rain_mm=np.full(zones, rain[day]),
            wetted=np.zeros(zones),
            dew=np.zeros(zones),
            in_use=np.zeros(zones),
            like=like,
        )
        features.append(leak.advance_day(memory, means, around))
    return np.array(features), memory


def named(features, name):
    return features[:, leak.FEATURES.index(name)]


def test_a_wall_that_takes_up_water_after_rain_is_told_from_its_like_walls():
    features, _ = fold(*world(leaking=1))
    for name in ("own_balance", "own_rain", "source_20", "like_rise", "weather_rise"):
        last = named(features, name)[-1]
        assert last[1] > max(last[0], last[2], last[3]), name
    score = weights.shipped().score(np.moveaxis(features, 1, 0))
    threshold = weights.shipped().table.threshold
    assert score[-1, 1] >= threshold
    assert (score[21:, [0, 2]] < threshold).all()


def test_the_same_water_without_rain_does_not_count_as_following_it():
    moisture, vapour, rain = world(leaking=1)
    shuffled = np.random.default_rng(3).permutation(rain)
    follows, other = (fold(moisture, vapour, r)[0] for r in (rain, shuffled))
    assert named(follows, "own_rain")[-1, 1] > named(other, "own_rain")[-1, 1] + 2.0


def test_rain_that_nobody_measured_is_no_evidence():
    moisture, vapour, rain = world(leaking=1)
    features, _ = fold(moisture, vapour, np.full_like(rain, np.nan))
    assert (named(features, "rain_60") == 0.0).all()
    assert named(features, "own_balance")[-1, 1] > 10.0  # the other witnesses still speak


def test_nothing_is_learned_while_a_leak_is_suspected():
    moisture, vapour, rain = world(leaking=1, points=1.5)
    _, before = fold(moisture, vapour, rain, days=range(60))
    assert before.cusum[1] > 5.0
    theta = before.theta[:, 1].copy()
    _, after = fold(moisture, vapour, rain, memory=before, days=range(60, 61))
    assert (after.theta[:, 1] == theta).all()


def test_the_excess_is_the_water_that_came_in_and_neither_a_season_nor_a_level_of_long_ago():
    moisture, vapour, rain = world()
    season = 2.0 * np.sin(np.arange(DAYS) / 30.0)
    apart = moisture + season[:, None] * np.array([1.0, 1.15, 0.85, 1.0]) + [0.0, 1.0, 0.0, 0.0]
    wet, _, _ = world(leaking=1)
    healthy, leaking = (fold(m, vapour, rain)[0] for m in (apart, apart + wet - moisture))
    for side in ("like", "weather"):
        added = named(leaking, f"{side}_excess") - named(healthy, f"{side}_excess")
        assert added[-1, 1] > 0.4 * (wet - moisture)[-1, 1] > 0.8, side
        assert np.abs(added[:45]).max() < 1e-9, side  # rounding
    assert abs(named(healthy, "like_excess")[45:, 1]).max() < 0.5  # of 1.0 in level, 0.6 in season
    assert named(leaking, "like_sum")[-1, 1] > named(healthy, "like_sum")[-1, 1] + 5.0
    assert named(leaking, "like_rain")[-1, 1] > named(healthy, "like_rain")[-1, 1] + 2.0


def test_the_excess_of_a_zone_without_like_zones_is_nothing():
    nobody = np.full((ZONES, 1), -1)
    features, _ = fold(*world(leaking=1), like=nobody)
    assert (named(features, "like_excess") == 0.0).all()
    assert named(features, "weather_excess")[-1, 1] > 0.5


def test_a_missing_day_is_no_feature_and_changes_no_evidence():
    moisture, vapour, rain = world()
    _, memory = fold(moisture, vapour, rain, days=range(40))
    kept = memory.cusum.copy(), memory.slow_hit.copy() / memory.slow_weight
    hole = moisture.copy()
    hole[40] = np.nan
    features, memory = fold(hole, vapour, rain, memory=memory, days=range(40, 41))
    assert np.isnan(features).all()
    assert (memory.cusum == kept[0]).all()
    assert memory.slow_hit / memory.slow_weight == pytest.approx(kept[1])


@settings(max_examples=25)
@given(cut=st.integers(1, DAYS - 1))
def test_a_fold_cut_anywhere_through_its_bytes_gives_the_same_bits(cut):
    moisture, vapour, rain = world(leaking=2)
    whole, _ = fold(moisture, vapour, rain)
    first, memory = fold(moisture, vapour, rain, days=range(cut))
    memory = leak.Memory.from_bytes(memory.to_bytes(), zones=ZONES)
    rest, _ = fold(moisture, vapour, rain, memory=memory, days=range(cut, DAYS))
    assert np.array_equal(np.concatenate([first, rest]), whole, equal_nan=True)


def test_a_zone_in_company_has_the_bits_it_has_alone():
    moisture, vapour, rain = world(leaking=1)
    nobody = np.full((ZONES, 1), -1)
    together, _ = fold(moisture, vapour, rain, like=nobody)
    for zone in range(ZONES):
        # the cabin of `fold` is zone 3: give the lone zone the same surroundings
        alone_m = np.repeat(moisture[:, [zone]], ZONES, axis=1)
        alone_v = np.repeat(vapour[:, [zone]], ZONES, axis=1)
        alone_v[:, 3] = vapour[:, 3]
        alone, _ = fold(alone_m, alone_v, rain, columns=slice(0, 1), like=nobody[:1])
        assert np.array_equal(alone[:, :, 0], together[:, :, zone], equal_nan=True)


def test_zones_can_be_put_in_another_order_and_a_new_one_added():
    _, memory = fold(*world(leaking=1))
    moved = memory.arranged([2, -1, 1])
    assert moved.cusum[[0, 2]].tolist() == memory.cusum[[2, 1]].tolist()
    assert moved.age[1] == 0.0
    moved.forget(0)
    assert np.isnan(moved.moisture[0])


def test_vapour_that_would_condense_on_the_skin_is_counted_by_the_hour():
    celsius = np.full((1, 24), 5.0)
    pressure = np.full((1, 24), 600.0)  # dew point about 0 °C
    pressure[:, :6] = 900.0  # about 5.4 °C
    share = leak.dew_share(temperature_c=celsius, cabin_vapour_pa=pressure)
    assert share.tolist() == [[0.25]]


# --- the score ------------------------------------------------------------------------------------


def test_the_shipped_table_says_how_it_was_made_and_how_it_did_on_worlds_it_never_saw():
    table = weights.shipped().table
    assert table.made_by == "tests/fit/leak.py"
    assert "unseen" in table.tried_on
    assert "false a healthy zone-year" in table.tried_on
    assert 0.5 < table.threshold < 1.0


def test_weights_for_other_features_are_refused():
    table = weights.shipped().table
    import msgspec

    with pytest.raises(ValueError, match="fit them again"):
        weights.Weights.of(msgspec.structs.replace(table, features=table.features[1:]))


def test_a_feature_is_brought_to_its_scale_along_the_knots_and_cut_at_the_ends():
    placed = weights.scaled(np.array([[-1.0, 0.0, 5.0, 15.0, 99.0, np.nan]]), ((0.0, 10.0, 20.0),))
    assert placed[0, :5].tolist() == [0.0, 0.0, 0.25, 0.75, 1.0]
    assert np.isnan(placed[0, 5])


def score_of(log_odds):
    return 1.0 / (1.0 + np.exp(-np.asarray(log_odds)))


def test_a_site_has_its_own_threshold_where_its_healthy_zones_score_high():
    quiet = score_of(np.full((90, 8), -3.0))
    assert weights.own_threshold(quiet, threshold=0.8) == 0.8
    restless = score_of(np.full((90, 8), -0.5))
    own = weights.own_threshold(restless, threshold=0.8)
    assert own == pytest.approx(score_of(-0.5 + weights.OWN_MARGIN))
    leaks = restless.copy()
    leaks[:, :3] = 0.999  # three of eight leak: the others still say what is usual
    assert weights.own_threshold(leaks, threshold=0.8) == pytest.approx(own)


@given(seed=st.integers(0, 1000), level=st.floats(-6.0, 6.0))
def test_a_site_never_has_less_than_the_threshold_of_the_table_nor_as_much_as_1(seed, level):
    odds = np.random.default_rng(seed).normal(level, 1.0, (60, 6))
    own = weights.own_threshold(score_of(odds), threshold=0.8)
    assert 0.8 <= own < 1.0
    assert weights.own_threshold(score_of(odds + 1.0), threshold=0.8) >= own


def test_a_site_of_few_zones_or_days_has_the_threshold_of_the_table():
    high = np.full((90, 8), 0.7)
    for few in (high[:, :3], high[:20], np.where(np.arange(8) < 5, np.nan, high), high[:0]):
        assert weights.own_threshold(few, threshold=0.8) == 0.8
    assert weights.own_threshold(high, threshold=0.8) > 0.8


def test_one_zone_and_many_have_the_same_score():
    features, _ = fold(*world(leaking=1))
    table = weights.shipped()
    many = table.score(np.moveaxis(features[-5:], 1, 0))
    one = [table.score(features[day, :, 1]) for day in range(-5, 0)]
    assert many[:, 1].tolist() == [float(value) for value in one]


def test_the_strongest_cue_of_a_leak_after_rain_is_not_the_room():
    features, _ = fold(*world(leaking=1))
    cues = weights.shipped().cues(features[-1, :, 1])
    assert set(cues) == set(weights.CUES)
    assert max(cues, key=lambda cue: float(cues[cue])) != "dew"


# --- the cause ------------------------------------------------------------------------------------

DRY = dict.fromkeys(leak.FEATURES, 0.0) | {
    "in_use": 0.0,
    "like_first": 0.0,
    "weather_first": 0.0,
    "wettings": 10.0,
}
LEAKING = {"balance": 30.0, "source_20": 4.0, "like_excess": 3.0, "weather_excess": 3.0}


@pytest.mark.parametrize(
    ("figures", "cause"),
    [
        (LEAKING | {"own_rain": 5.0}, "rain ingress"),
        (LEAKING | {"in_use": 1.0}, "plumbing"),
        ({"dew": 0.4, "source_20": -4.0, "in_use": 1.0}, "condensation"),
        ({"like_first": 5.0, "like_level": 2.0, "source_20": 3.0}, "built-in moisture"),
        ({"balance": 9.0, "like_excess": 0.8, "weather_excess": 1.0, "dew": 0.05,
          "wettings": 1.0, "like_first": 1.0}, "cannot tell"),
    ],
)  # fmt: skip
def test_the_cause_is_the_one_that_the_cues_agree_on(figures, cause):
    assert verdict.cause(verdict.seen(DRY | figures)) == cause


def test_no_water_in_the_pipes_excludes_plumbing():
    wet = DRY | LEAKING | {"in_use": 0.0}
    assert verdict.cause(verdict.seen(wet)) != "plumbing"


def test_an_unknown_use_of_the_unit_votes_for_nothing():
    assert "use" not in verdict.seen(DRY | {"in_use": float("nan")})


def test_the_alarm_says_only_what_its_figures_say():
    facts = dict.fromkeys(leak.FEATURES, 0.0) | {
        "cue_1": "rain", "cue_2": "like zones", "own_rain": 5.2, "like_level": 2.4,
        "like_rise": 1.9, "cause": "rain ingress", "voted": "follows rain", "rain_72_mm": 12.0,
    }  # fmt: skip
    said = text.alarm_text("leak suspect", zone="z", alarm_class="today", facts=facts)
    assert "follows rain (t 5.2" in said
    assert "2.4 points above its like zones, +1.9 against its own past" in said
    assert "What spoke: follows rain." in said
    assert "tube of sealant" in said
    assert "Stay off a roof" in said  # the caution
    late = text.alarm_text(
        "leak suspect", zone="z", alarm_class="today", facts=facts | {"state": "wet"}
    )
    assert "wet already" in late
    assert "tube of sealant" not in late


def test_an_alarm_of_weak_cues_says_so():
    said = text.alarm_text("leak suspect", zone="z", alarm_class="today", facts={"cue_1": ""})
    assert "several weak cues agree" in said
    assert "cannot tell" in said
