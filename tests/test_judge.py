"""Judgement of one unit: what it says, and that it says the same however the readings came."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.judge import AlarmChange, Judgement, Watched, advance
from monitor.lot import Event, Zone, ZoneReadings
from tests.judging import DAY_S, START_S, hourly_series, series, watched

DAY = START_S // DAY_S
HOUR = START_S // 3600


def judged(unit: Watched, *, days: float) -> Judgement:
    return advance(unit, None, from_day=DAY, to_hour=HOUR + int(days * 24))


def alarms(judgement: Judgement, kind: str) -> list[AlarmChange]:
    return [change for change in judgement.alarms if change.kind == kind]


def since_start(at_s: int) -> float:
    return (at_s - START_S) / 3600


# --- columns --------------------------------------------------------------------------------------


def test_an_hour_is_the_plain_mean_of_its_readings_and_knows_its_cover() -> None:
    readings = series([START_S, START_S + 1200, START_S + 2400], [10.0, 11.0, 12.6], [60, 70, 80])
    hours = judged(watched({"z": readings}), days=0.125).hours["z"]
    assert hours["readings"].tolist() == [3, 0, 0]
    assert hours["temperature_c"][0] == 11.2
    assert hours["humidity_percent"][0] == 70.0
    assert hours["coverage_percent"].tolist() == [100.0, 4.2, 0.0]  # the last stands for 1350 s
    assert np.isnan(hours["temperature_c"][1:]).all()


def test_dew_point_and_wood_moisture_are_those_of_the_tables() -> None:
    hours = judged(watched({"z": hourly_series(21.1, [65.0] * 48)}), days=2).hours["z"]
    # Wood Handbook FPL-GTR-282, table 4-2: 12.0 % at 21.1 °C and 65 %
    assert hours["wood_moisture_percent"][-1] == pytest.approx(12.0, abs=0.05)
    # Magnus form of WMO-No. 8 for 21.1 °C and 65 %: 14.3 °C
    assert hours["dew_point_c"][-1] == pytest.approx(14.3, abs=0.1)


def test_an_empty_hour_shows_nothing_measured_and_holds_the_mould_index() -> None:
    humidity = [97.0] * 24 * 20 + [float("nan")] * 5 + [97.0] * 19
    hours = judged(watched({"z": hourly_series(20.0, humidity)}), days=21).hours["z"]
    gap = slice(480, 485)
    assert np.isnan(hours["wood_moisture_percent"][gap]).all()
    assert set(hours["mould_index"][gap]) == {hours["mould_index"][479]}
    assert np.isnan(hours["mould_index_low"]).all()  # five hours are held without a pair


def test_a_long_gap_opens_the_pair_and_it_stays_open() -> None:
    humidity = [97.0] * 24 * 20 + [float("nan")] * 30 + [60.0] * 42
    hours = judged(watched({"z": hourly_series(20.0, humidity)}), days=23).hours["z"]
    low, high, index = (hours[f"mould_index{part}"] for part in ("_low", "_high", ""))
    assert low[480 + 20] < index[480 + 20] < high[480 + 20]
    assert low[-1] < high[-1]


# --- words ----------------------------------------------------------------------------------------


def test_a_wall_is_damp_after_a_day_of_wood_at_16_percent() -> None:
    humidity = [60.0] * 72 + [84.0] * 72
    hours = judged(watched({"z": hourly_series(20.0, humidity)}), days=6).hours["z"]
    state = hours["state"].tolist()
    reached = int(np.argmax(hours["wood_moisture_percent"] >= 16.0))
    assert 72 < reached < 96  # the 24 h mean lags the air
    assert state[reached + 22] == "dry"
    assert state[reached + 23] == "damp"


def test_a_whole_lot_in_a_marine_winter_is_damp_and_not_wet() -> None:
    moist = hourly_series(8.0, [91.0] * 24 * 6)
    unit = watched({"z": moist}, site={"air": moist})
    hours = judged(unit, days=6).hours["z"]
    assert hours["wood_moisture_percent"][-1] > 20.0
    assert hours["ambient_moisture_percent"][-1] == hours["wood_moisture_percent"][-1]
    assert hours["state"][-1] == "damp"
    assert not alarms(judged(unit, days=6), "wet")


def test_wood_that_the_weather_does_not_explain_is_wet() -> None:
    unit = watched(
        {"z": hourly_series(12.0, [60.0] * 48 + [92.0] * 24 * 4)},
        site={"air": hourly_series(12.0, [60.0] * 24 * 6)},
    )
    judgement = judged(unit, days=6)
    assert judgement.hours["z"]["state"][-1] == "wet"
    (raised,) = alarms(judgement, "wet")
    assert raised.cleared_s is None
    excess = float(raised.facts["wood_moisture_percent"]) - float(
        raised.facts["ambient_moisture_percent"]
    )
    assert excess > 3.0


def test_a_like_zone_stands_in_for_the_air_outside() -> None:
    unit = watched(
        {"a": hourly_series(12.0, [92.0] * 72), "b": hourly_series(12.0, [60.0] * 72)},
    )
    hours = judged(unit, days=3).hours
    assert hours["a"]["ambient_moisture_percent"][-1] == hours["b"]["wood_moisture_percent"][-1]
    assert hours["a"]["state"][-1] == "wet"


def test_without_reference_wet_takes_22_percent() -> None:
    for humidity, word in ((91.5, "damp"), (95.0, "wet")):
        hours = judged(watched({"z": hourly_series(12.0, [humidity] * 96)}), days=4).hours["z"]
        assert hours["state"][-1] == word


def test_a_room_is_judged_at_its_coldest_surface_and_needs_the_air_outside() -> None:
    room = {"air-main": hourly_series(20.0, [55.0] * 96)}
    zones = [Zone("u1", "air-main", "cabin")]
    alone = judged(watched(room, zones=zones), days=4).hours["air-main"]
    assert alone["state"][-1] == "unknown"
    cold = {"air": hourly_series(-5.0, [80.0] * 96)}
    both = judged(watched(room, zones=zones, site=cold), days=4)
    hours = both.hours["air-main"]
    # surface at 7.5 °C with factor 0.5; 55 % at 20 °C is above saturation there
    assert hours["surface_humidity_percent"][-1] > 100.0
    assert hours["dew_point_margin_k"][-1] < 0.0
    assert hours["state"][-1] == "damp"
    assert hours["cause"][-1] == "condensation"
    assert alarms(both, "condensation")
    assert not alarms(both, "wet")


def test_settling_shows_values_and_no_word() -> None:
    unit = watched({"z": hourly_series(20.0, [60.0] * 96)}, settling_s={"z": [START_S]})
    hours = judged(unit, days=4).hours["z"]
    assert set(hours["state"][:48]) == {"unknown"}
    assert set(hours["state"][48:]) == {"dry"}
    assert np.isfinite(hours["wood_moisture_percent"]).all()


def test_silence_makes_unknown_and_never_dry() -> None:
    humidity = [92.0] * 72 + [float("nan")] * 72
    unit = watched(
        {"z": hourly_series(12.0, humidity)}, site={"air": hourly_series(12.0, [60.0] * 144)}
    )
    judgement = judged(unit, days=6)
    state = judgement.hours["z"]["state"].tolist()
    assert state[71] == "wet"
    assert set(state[74:]) == {"unknown"}
    assert [change.cleared_s for change in alarms(judgement, "wet")] == [None]


def test_liquid_water_is_wet_at_once_even_while_settling() -> None:
    at_s = START_S + 1800 * np.arange(96)
    contact = [0.0] * 11 + [1.0] + [0.0] * 84
    readings = series(at_s, [15.0] * 96, [50.0] * 96, contact=contact, silence_s=1800)
    unit = watched({"f": readings}, zones=[Zone("u1", "f", "floor")], settling_s={"f": [START_S]})
    judgement = judged(unit, days=2)
    assert judgement.hours["f"]["state"][5] == "wet"
    (raised,) = alarms(judgement, "water contact")
    assert raised.raised_s == START_S + 11 * 1800


def test_a_pin_reading_overrides_the_air_for_a_day() -> None:
    wood = [25.0] + [float("nan")] * 95
    at_s = START_S + 1800 * np.arange(96)
    readings = series(at_s, [15.0] * 96, [50.0] * 96, wood_percent=wood, silence_s=1800)
    hours = judged(watched({"z": readings}), days=2).hours["z"]
    assert hours["moisture_basis"].tolist() == ["pin"] * 24 + ["air"] * 24
    assert hours["wood_moisture_percent"][23] == 25.0


# --- alarms ---------------------------------------------------------------------------------------


def test_damp_waits_while_it_is_cold() -> None:
    cold = judged(watched({"z": hourly_series(3.0, [88.0] * 96)}), days=4)
    assert cold.hours["z"]["state"][-1] == "damp"
    assert not alarms(cold, "damp")
    assert alarms(judged(watched({"z": hourly_series(8.0, [88.0] * 96)}), days=4), "damp")


def test_noise_at_the_limit_raises_at_most_one_alarm_a_day() -> None:
    rng = np.random.default_rng(7)
    humidity = 80.6 + rng.uniform(-3.0, 3.0, 24 * 30)  # wood at 16 %: 80.6 % at 15 °C
    judgement = judged(watched({"z": hourly_series(15.0, humidity)}), days=30)
    raised = [change for change in alarms(judgement, "damp") if change.cleared_s is None]
    assert len(raised) <= 2


def test_freezing_is_raised_once_for_the_unit_and_not_when_winterised() -> None:
    falling = np.concatenate([np.linspace(6.0, -4.0, 48), np.linspace(-4.0, 8.0, 48)])
    room = {
        "air-main": hourly_series(falling, [60.0] * 96),
        "bed": hourly_series(falling, [60.0] * 96),
    }
    zones = [Zone("u1", "air-main", "cabin"), Zone("u1", "bed", "bed")]
    changes = alarms(judged(watched(room, zones=zones), days=4), "freezing")
    assert [change.cleared_s is None for change in changes] == [True, False]
    assert since_start(changes[0].raised_s) == pytest.approx(20, abs=1)  # 2 °C and falling
    done = [Event(START_S, "winterised")]
    assert not alarms(judged(watched(room, zones=zones, events=done), days=4), "freezing")


def test_mould_growth_is_raised_at_1_and_again_at_3() -> None:
    judgement = judged(
        watched(
            {"z": hourly_series(22.0, [97.0] * 24 * 90)}, zones=[Zone("u1", "z", mould_class="VS")]
        ),
        days=90,
    )
    raised = alarms(judgement, "mould growth")
    assert [
        float(change.facts["mould_index"]) >= limit
        for change, limit in zip(raised, (1, 3), strict=True)
    ] == [True, True]


def test_wetting_events_are_counted_by_who_was_there() -> None:
    rain = np.full(96, 0.0)
    rain[10:12], rain[40:44] = 1.5, 0.6  # 3 mm in an hour; 2.4 mm in two
    at_s = START_S + 1800 * np.arange(96)
    gauge = series(at_s, [np.nan] * 96, [np.nan] * 96, rain_mm=rain, silence_s=1800)
    late = hourly_series(12.0, [float("nan")] * 10 + [60.0] * 38)
    unit = watched({"a": hourly_series(12.0, [60.0] * 48), "b": late}, site={"gauge": gauge})
    hours = judged(unit, days=2).hours
    assert hours["a"]["witnessed"][-1] == 2
    assert hours["b"]["witnessed"][-1] == 1


# --- the same bits, however they came -------------------------------------------------------------


def unit_history(days: int, seed: int) -> Watched:
    """Three zones with gaps, noise, pins, water and rain; irregular times."""
    rng = np.random.default_rng(seed)

    def zone(shift: float) -> ZoneReadings:
        count = days * 24 * 2
        at_s = np.sort(START_S + rng.integers(0, days * DAY_S, count))
        hours = (at_s - START_S) / 3600
        celsius = 10 + shift + 8 * np.sin(hours / 24 * 2 * np.pi) + rng.normal(0, 1, count)
        humid = np.clip(85 + 12 * np.sin(hours / 170) + rng.normal(0, 3, count), 1, 104)
        keep = (np.sin(hours / 37 + shift) < 0.9) & (rng.random(count) < 0.95)
        wood = np.where(rng.random(count) < 0.02, 15 + 10 * rng.random(count), np.nan)
        contact = np.where(rng.random(count) < 0.001, 1.0, np.nan)
        rain = np.where(rng.random(count) < 0.05, 2.0 * rng.random(count), 0.0)
        return series(
            at_s[keep],
            np.round(celsius[keep], 2),
            np.round(humid[keep], 2),
            wood_percent=wood[keep],
            contact=contact[keep],
            rain_mm=rain[keep],
            silence_s=1800,
        )

    zones = [Zone("u1", "w", "wall"), Zone("u1", "r", "roof"), Zone("u1", "c", "cabin")]
    readings = {zone_.code: zone(i) for i, zone_ in enumerate(zones)}
    return watched(readings, zones=zones, site={"air": zone(5.0)}, settling_s={"w": [START_S]})


DAYS, SEEDS = st.integers(3, 75), st.integers(0, 2**32)


@settings(max_examples=25, deadline=None)
@given(DAYS, SEEDS, st.data())
def test_any_restart_from_a_checkpoint_gives_the_same_bits(
    days: int, seed: int, data: st.DataObject
) -> None:
    unit = unit_history(days, seed)
    to_hour = HOUR + days * 24 - data.draw(st.integers(0, 23))
    whole = advance(unit, None, from_day=DAY, to_hour=to_hour)
    day, memory = data.draw(st.sampled_from(whole.checkpoints))
    rest = advance(unit, memory, from_day=day, to_hour=to_hour)
    for zone, columns in rest.hours.items():
        here = whole.hours[zone]["hour"] >= day * 24
        for name, values in columns.items():
            _assert_equal(values, whole.hours[zone][name][here], f"{zone} {name}")
    later = [c[:4] for c in whole.alarms if (c.cleared_s or c.raised_s) > day * DAY_S]
    assert [c[:4] for c in rest.alarms if (c.cleared_s or c.raised_s) > day * DAY_S] == later
    saved = dict(whole.checkpoints)
    assert all(saved.get(day, memory) == memory for day, memory in rest.checkpoints)


@settings(max_examples=15, deadline=None)
@given(DAYS, SEEDS)
def test_hours_do_not_depend_on_how_days_were_batched(days: int, seed: int) -> None:
    unit = unit_history(days, seed)
    by_month = advance(unit, None, from_day=DAY, to_hour=HOUR + days * 24, checkpoints=False)
    by_day = advance(unit, None, from_day=DAY, to_hour=HOUR + days * 24)
    assert [c[:4] for c in by_month.alarms] == [c[:4] for c in by_day.alarms]
    for zone, columns in by_month.hours.items():
        for name, values in columns.items():
            _assert_equal(values, by_day.hours[zone][name], f"{zone} {name}")


@settings(max_examples=10, deadline=None)
@given(DAYS, SEEDS, st.integers(1, 48))
def test_later_hours_never_change_earlier_ones(days: int, seed: int, cut: int) -> None:
    unit = unit_history(days, seed)
    whole = advance(unit, None, from_day=DAY, to_hour=HOUR + days * 24)
    part = advance(unit, None, from_day=DAY, to_hour=HOUR + days * 24 - cut)
    for zone, columns in part.hours.items():
        for name, values in columns.items():
            _assert_equal(values, whole.hours[zone][name][: len(values)], f"{zone} {name}")


def _assert_equal(one: np.ndarray, other: np.ndarray, what: str) -> None:
    """Bit for bit, nan equal to nan."""
    np.testing.assert_array_equal(one, other, err_msg=what, strict=False)


# --- leak evidence --------------------------------------------------------------------------------


def leaking_unit(days: int = 80, *, events: tuple[Event, ...] = ()) -> Watched:
    """Four like walls under one weather; `z1` takes up water after each rain from day 45 on."""
    rng = np.random.default_rng(4)
    hours = days * 24
    daily = np.repeat(np.cumsum(rng.normal(0.0, 0.6, days)), 24)
    rain = np.where(rng.random(days) < 0.3, rng.uniform(4.0, 12.0, days), 0.0)
    water = np.zeros(days)
    for day in range(45, days):
        water[day] = 0.96 * water[day - 1] + 2.5 * (rain[day] > 0.0)
    outside = np.clip(76.0 + daily, 50.0, 95.0)
    readings = {}
    for zone in range(4):
        humidity = 68.0 + 0.5 * daily + rng.normal(0.0, 0.2, hours)
        humidity = humidity + np.repeat(water, 24) * (zone == 1)
        readings[f"z{zone}"] = hourly_series(10.0, np.clip(humidity, 30.0, 99.0))
    readings["air-main"] = hourly_series(10.0, 66.0 + 0.5 * daily)
    fallen = np.zeros(2 * hours)
    fallen[24::48] = rain
    site = {"outside": hourly_series(9.0, outside, rain_mm=fallen)}
    zones = [Zone("u1", code, kind="cabin" if code == "air-main" else "wall") for code in readings]
    return watched(readings, zones=zones, site=site, events=events)


def test_water_that_follows_rain_in_one_wall_raises_a_suspicion_that_names_its_cues() -> None:
    judgement = judged(leaking_unit(), days=80)
    raised = alarms(judgement, "leak suspect")
    assert {change.zone for change in raised} == {"z1"}
    assert since_start(raised[0].raised_s) > 45 * 24
    # two weeks after it began: that water comes in is plain, that it follows rain not yet
    assert raised[0].facts["cause"] == "cannot tell"
    said = raised[0].facts["voted"].split("; ")
    assert said[0] == "may follow rain (3.2 times its own error)"
    assert said[1] == "takes in far more than its air explains (31 of 40)"
    assert {raised[0].facts["cue_1"], raised[0].facts["cue_2"]} <= {
        "balance", "rain", "like zones", "vapour source", "weather"
    }  # fmt: skip
    score = judgement.hours["z1"]["leak_score"]
    assert np.isnan(score[: 21 * 24]).all()  # no past yet to be judged against
    assert score[-1] > 0.8
    assert np.nanmax(judgement.hours["z0"]["leak_score"]) < 0.8


def test_an_hour_carries_the_score_of_the_last_whole_day() -> None:
    part = judged(leaking_unit(), days=70.5).hours["z1"]["leak_score"]
    whole = judged(leaking_unit(), days=80).hours["z1"]["leak_score"]
    assert np.array_equal(part, whole[: len(part)], equal_nan=True)
    by_day = whole.reshape(-1, 24)
    assert np.array_equal(by_day, np.repeat(by_day[:, :1], 24, axis=1), equal_nan=True)


def test_an_inspection_ends_a_suspicion() -> None:
    at_s = START_S + 70 * DAY_S + 3600
    inspected = leaking_unit(events=(Event(at_s, "inspection", "nothing found", "u1", "z1"),))
    ends = [c.cleared_s for c in alarms(judged(inspected, days=80), "leak suspect") if c.cleared_s]
    assert ends == [at_s]


def test_a_zone_that_was_opened_has_no_past_and_is_not_scored_on_the_old_one() -> None:
    event = Event(START_S + 70 * DAY_S, "repair", "opened and dried", "u1", "z1")
    judgement = judged(leaking_unit(events=(event,)), days=80)
    score = judgement.hours["z1"]["leak_score"]
    assert len(set(score[72 * 24 :].tolist())) == 1  # the last one stands, none is added


def test_days_away_from_the_site_are_no_evidence() -> None:
    away = tuple(
        Event(START_S + day * DAY_S, "moved", value, "u1")
        for day, value in ((44, "away"), (80, "back"))
    )
    judgement = judged(leaking_unit(events=away), days=80)
    assert alarms(judgement, "leak suspect") == []


def test_leak_evidence_is_the_same_bits_from_any_checkpoint() -> None:
    unit = leaking_unit()
    whole = judged(unit, days=80)
    for day, memory in whole.checkpoints[-25::8]:
        rest = advance(unit, memory, from_day=day, to_hour=HOUR + 80 * 24)
        skip = (day - DAY) * 24
        for code, hours in rest.hours.items():
            for name in ("leak_score", "cause"):
                expected = whole.hours[code][name][skip:]
                assert hours[name].tolist() == expected.tolist() or np.array_equal(
                    hours[name], expected, equal_nan=True
                )


# --- findings that stand until somebody looks ------------------------------------------------------


class Scripted:
    """A table of weights whose scores are given, day by day, the same for every zone."""

    class table:  # noqa: N801  as in `monitor.evidence.weights`
        threshold = 0.5

    def __init__(self, scores: list[float]) -> None:
        self._scores = scores

    def score(self, features: np.ndarray) -> np.ndarray:
        return np.full(features.shape[1], self._scores.pop(0))

    def cues(self, features: np.ndarray) -> dict[str, float]:
        del features
        return {}


@pytest.mark.parametrize("inspected", [False, True])
def test_a_finding_outlasts_its_signs_until_somebody_inspects(
    monkeypatch: pytest.MonkeyPatch, inspected: bool
) -> None:
    scores = [0.0] * 25 + [0.9] * 5 + [0.0] * 20 + [0.9] * 5 + [0.0] * 15
    table = Scripted(scores)
    monkeypatch.setattr("monitor.judge.leaks.weights.shipped", lambda: table)
    seen_s = START_S + 60 * DAY_S
    events = [Event(seen_s, "inspection", "sealant cracked", "u1", "z")] if inspected else []
    unit = watched({"z": hourly_series(10.0, [60.0] * 24 * 70)}, events=events)
    judgement = judged(unit, days=70)
    began = [c.raised_s for c in alarms(judgement, "leak suspect") if c.cleared_s is None]
    assert [since_start(at_s) / 24 for at_s in began] == [27, 52]
    (latch,) = judgement.latches
    assert (latch.zone, latch.raised_s) == ("z", began[0])
    assert latch.inspected_s == (seen_s if inspected else None)
    ended = [c.cleared_s for c in alarms(judgement, "leak suspect") if c.cleared_s]
    assert ended == [
        START_S + 44 * DAY_S,
        seen_s if inspected else START_S + 69 * DAY_S,
    ]
    assert latch.rested_s == (None if inspected else START_S + 69 * DAY_S)


def test_rot_hours_ask_for_a_look_once_and_again_after_as_many_more() -> None:
    wet = {"z": hourly_series(20.0, [98.5] * 24 * 20)}
    looked = Event(START_S + 10 * DAY_S, "inspection", "sound", "u1", "z")
    raised = alarms(judged(watched(wet, events=[looked]), days=20), "rot")
    begins = [c.raised_s for c in raised if c.cleared_s is None]
    assert [c.cleared_s for c in raised if c.cleared_s] == [looked.at_s + 3600]
    first, second = (since_start(at_s) for at_s in begins)
    assert float(raised[0].facts["rot_hours"]) == 100.0
    assert second - 240 == pytest.approx(100, abs=1)
    assert 100 <= first < 130
    dry = judged(watched({"z": hourly_series(20.0, [80.0] * 24 * 20)}), days=20)
    assert not alarms(dry, "rot")


# --- probes that are doubted -----------------------------------------------------------------------


def sunny_unit(days: int, *, frozen_from: int, placed: Sequence[int] = ()) -> Watched:
    """Three walls warmed by the sun each day; the probe of `z1` stands still for ten days."""
    hour = np.arange(24 * days)
    readings = {}
    for zone in range(3):
        celsius = 15.0 + (6.0 + zone) * np.sin(hour / 24 * 2 * np.pi)
        humidity = 60.0 - 10.0 * np.sin(hour / 24 * 2 * np.pi)
        if zone == 1:
            still = (hour >= 24 * frozen_from) & (hour < 24 * (frozen_from + 10))
            celsius[still], humidity[still] = 15.0, 60.0
        readings[f"z{zone}"] = hourly_series(celsius, humidity)
    starts = {"z1": [START_S + day * DAY_S for day in placed]}
    return watched(readings, settling_s=starts)


def test_a_zone_whose_probe_stands_still_is_unknown_and_the_probe_is_named() -> None:
    judgement = judged(sunny_unit(40, frozen_from=20), days=40)
    begun, ended = alarms(judgement, "sensor suspect")
    assert (begun.zone, begun.facts["doubt"]) == ("z1", "stuck")
    assert since_start(begun.raised_s) == 22 * 24
    assert ended.cleared_s == START_S + 31 * DAY_S
    state = judgement.hours["z1"]["state"]
    doubted = np.zeros(40 * 24, dtype=bool)
    doubted[22 * 24 : 31 * 24] = True
    assert (state[doubted] == "unknown").all()
    doubted[:12] = True  # half a day must be heard before the first word
    assert (state[~doubted] == "dry").all()
    assert (judgement.hours["z0"]["state"][12:] == "dry").all()
    assert np.isfinite(judgement.hours["z1"]["humidity_percent"]).all()  # shown all the same


def test_a_new_probe_ends_the_doubt_in_the_old_one() -> None:
    changes = alarms(judged(sunny_unit(40, frozen_from=20, placed=[24]), days=25), "sensor suspect")
    assert [change.cleared_s for change in changes] == [None, START_S + 25 * DAY_S]


def test_a_doubted_probe_starts_no_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    table = Scripted([0.0] * 22 + [0.9] * 7 + [0.0] * 11)
    monkeypatch.setattr("monitor.judge.leaks.weights.shipped", lambda: table)
    original = table.score

    def known(features: np.ndarray) -> np.ndarray:
        scores = original(features)
        return np.where(np.isfinite(features).all(axis=0), scores, np.nan)

    monkeypatch.setattr(table, "score", known)
    raised = alarms(judged(sunny_unit(40, frozen_from=20), days=40), "leak suspect")
    assert {change.zone for change in raised} == {"z0", "z2"}


def test_doubt_is_the_same_bits_from_any_checkpoint() -> None:
    unit = sunny_unit(60, frozen_from=30)
    whole = judged(unit, days=60)
    for day, memory in whole.checkpoints[::9]:
        rest = advance(unit, memory, from_day=day, to_hour=HOUR + 60 * 24)
        later = [c for c in whole.alarms if (c.cleared_s or c.raised_s) > day * DAY_S]
        assert [c[:4] for c in rest.alarms] == [c[:4] for c in later]
        assert dict(whole.checkpoints)[60 + DAY] == rest.checkpoints[-1][1]


@pytest.mark.parametrize(("walls", "suspected"), [(4, False), (3, True)])
def test_a_unit_whose_zones_all_score_high_is_judged_by_a_threshold_of_its_own(
    monkeypatch: pytest.MonkeyPatch, walls: int, suspected: bool
) -> None:
    table = Scripted([0.0] * 21 + [0.4] * 40 + [0.6] * 9)
    monkeypatch.setattr("monitor.judge.leaks.weights.shipped", lambda: table)
    unit = watched({f"z{n}": hourly_series(10.0, [60.0] * 24 * 70) for n in range(walls)})
    judgement = judged(unit, days=70)
    assert bool(alarms(judgement, "leak suspect")) == suspected
