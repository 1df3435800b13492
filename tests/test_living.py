"""The Living page's figures: the night ahead, surfaces, one action; a simulated cold month of following it."""

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo.plans import SitePlan, Stay, UnitPlan, ZonePlan
from demo.weather import MARINE
from demo.world import World
from monitor import living, text
from monitor.lot import Event, ForecastHour
from monitor.physics import air, ventilation
from monitor.text import KEEP_VENTS_OPEN
from tests.test_ventilation import CLOSING

DAY_S, HOUR_S = 86_400, 3600
NEXT_H = 490_000
WEEK = 8 * 24


def a_week(*, inside_c=19.0, inside_percent=60.0, outside_c=4.0, outside_percent=85.0):
    hours = np.arange(WEEK)
    swing = np.sin(2 * np.pi * (hours - 9) / 24)
    cabin = np.array([np.full(WEEK, inside_c), np.full(WEEK, inside_percent)])
    outside = np.array([outside_c + 3.0 * swing, np.full(WEEK, outside_percent)])
    return cabin, outside


def told(**given_) -> living.Told:
    cabin, outside = given_.pop("air", None) or a_week()
    known = {
        "stay": living.Stay(True, (NEXT_H - 200) * HOUR_S, 2, True),
        "cabin": cabin,
        "outside": outside,
        "ahead": (),
        "next_hour": NEXT_H,
        "clock_h": 18,
        "factor": 0.5,
        "factor_source": "assumed",
        "altitude_m": 0.0,
        "pipes": [("air-main", cabin[0])],
        "water": True,
        "co2_at_s": np.array([], dtype=np.int64),
        "co2_ppm": np.array([]),
    }
    return living.Told(**(known | given_))


def forecast(celsius, percent=85.0, rain=0.0, hours=24):
    return [ForecastHour(NEXT_H + k, celsius, percent, rain) for k in range(hours)]


# --- who is in it ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("notes", "life", "occupied", "people"),
    [
        ([], "stored", False, 2),
        ([], "occupied", True, 2),
        ([(5, "occupied", "3 people")], "stored", True, 3),
        ([(5, "occupied", "3 people"), (9, "vacated", "")], "occupied", False, 2),
        ([(9, "occupied", "many"), (5, "vacated", "")], "stored", True, 2),
        ([(5, "occupied", "٣ people")], "stored", True, 2),
    ],
)
def test_the_newest_note_says_who_is_in_it(notes, life, occupied, people):
    events = [Event(at_s, kind, value) for at_s, kind, value in notes]
    found = living.stay(events, life=life)
    assert (found.occupied, found.people) == (occupied, people)


def test_stays_run_from_moving_in_to_moving_out():
    events = [
        Event(5, "occupied"), Event(9, "vacated"), Event(20, "occupied"), Event(22, "occupied"),
    ]  # fmt: skip
    assert living.spells(events, life="stored") == [(5, 9), (20, None)]
    assert living.spells([], life="occupied") == [(0, None)]
    assert living.spells([Event(7, "vacated")], life="occupied") == [(0, 7)]
    assert living.spells([Event(7, "occupied")], life="occupied") == [(0, None)]
    assert living.spells([], life="stock") == []


# --- the night ------------------------------------------------------------------------------------


def test_a_forecast_takes_the_place_of_the_usual_day():
    usual, cold = living.living(told()), living.living(told(ahead=forecast(-6.0)))
    assert not usual.from_forecast
    assert cold.from_forecast
    assert np.allclose(cold.ahead_outside_c, -6.0)
    # a surface halfway between 19 and -6 °C, by the definition of the factor (ISO 13788)
    assert cold.judged is not None
    assert cold.judged.coldest_c == pytest.approx(6.5, abs=0.1)


def test_half_a_forecast_is_none_and_gaps_of_one_are_the_usual_night():
    assert not living.living(told(ahead=forecast(-6.0, hours=14))).from_forecast
    found = living.living(told(ahead=forecast(-6.0, hours=20)))
    assert found.from_forecast
    assert np.isfinite(found.ahead_outside_c).all()
    assert np.allclose(found.ahead_outside_c[:20], -6.0)


def test_air_that_people_have_used_goes_before_drying_and_heat():
    at_s = np.array([NEXT_H * HOUR_S - 600])
    cabin, _ = a_week(inside_c=14.0, inside_percent=85.0)
    wet = (cabin, np.array([np.full(WEEK, 16.0), np.full(WEEK, 95.0)]))
    assert living.act(living.living(told(air=wet))) in {"heat", "dry the air"}
    used = told(air=wet, co2_at_s=at_s, co2_ppm=np.array([3000.0]))
    assert living.act(living.living(used)) == "more air"


def test_what_people_add_lies_on_top_of_the_vapour_outside():
    """The same people in drier air outside: the dew point inside falls by what the air outside lost."""
    mild, dry = (living.living(told(ahead=forecast(4.0, percent))) for percent in (90.0, 40.0))
    lost = air.vapour_pressure(temperature_c=4.0, humidity_percent=90.0) - air.vapour_pressure(
        temperature_c=4.0, humidity_percent=40.0
    )
    inside = [
        air.saturation_vapour_pressure(temperature_c=found.ahead_dew_c[0], over="liquid")
        for found in (mild, dry)
    ]
    assert inside[0] - inside[1] == pytest.approx(lost, rel=1e-3)


def test_who_moved_in_today_is_worked_out_from_the_balance():
    """Two sleepers, 30 m³, 0.27 changes an hour, 0 °C and 85 % outside: hand calculation.

    70 g/h over 30 m³ x 1.2 kg/m³ x 0.27 /h adds 7.2 g/kg to the 3.2 g/kg outside: 10.4 g/kg, dew point
    14.7 °C by a psychrometric chart.
    """
    cabin, _ = a_week(inside_c=18.0)
    outside = np.array([np.zeros(WEEK), np.full(WEEK, 85.0)])
    new = living.Stay(True, (NEXT_H - 5) * HOUR_S, 2, True)
    found = living.living(told(air=(cabin, outside), stay=new))
    assert found.from_balance
    assert found.ahead_dew_c[0] == pytest.approx(14.7, abs=0.5)
    assert found.judged is not None
    assert found.judged.margin_k < 0.0


def test_who_moved_in_an_hour_ago_is_told_of_the_night_and_not_of_the_hour():
    """Inside and outside hold the same water now; by the night two people have added theirs."""
    cabin, _ = a_week(inside_c=15.0, inside_percent=60.0)
    outside = np.array([np.full(WEEK, 7.4), np.full(WEEK, 100.0)])
    new = living.Stay(True, (NEXT_H - 1) * HOUR_S, 2, True)
    found = living.living(told(air=(cabin, outside), stay=new))
    assert found.advice != "dries"
    assert living.act(found) in {"open more", "air and heat"}


def test_surfaces_are_those_of_their_factors_the_nearest_to_dew_first():
    found = living.living(told(ahead=forecast(-10.0)))
    margins = [surface.margin_k for surface in found.surfaces]
    assert margins == sorted(margins)
    assert found.surfaces[0].name == "Single glazing"
    assert found.surfaces[0].coldest_c == pytest.approx(-10.0 + 0.25 * 29.0, abs=0.1)


def test_more_air_settles_drier_and_the_table_says_where_it_runs():
    found = living.living(told(ahead=forecast(-5.0)))
    dews = [row.dew_point_c for row in found.settles]
    assert dews == sorted(dews, reverse=True)
    assert found.settles[0].streams
    assert not found.settles[-1].streams


def test_nothing_is_made_up_where_nothing_is_known():
    cabin, outside = (np.full((2, WEEK), np.nan) for _ in range(2))
    empty = living.Stay(False, None, 2, False)
    found = living.living(told(air=(cabin, outside), stay=empty))
    assert found.surfaces == ()
    assert found.settles == ()
    assert living.act(found) == "no figures"
    assert np.isnan([found.temperature_c, found.co2_ppm, *found.changes_per_h]).all()


def test_carbon_dioxide_says_how_much_air_there_is_for_each():
    """1,000 ppm above outdoors is 4.8 L/s for who sits: 0.0048 L/s given off (Persily, de Jonge 2017)."""
    asleep, sitting = living.per_person(1425.0)
    assert (asleep, sitting) == pytest.approx((3.3, 4.8))
    assert np.isnan(living.per_person(460.0)).all()
    assert np.isnan(living.per_person(np.nan)).all()


@pytest.mark.parametrize(
    ("percent", "word"), [(29.9, "dry"), (30.0, "within"), (50.0, "within"), (50.1, "above"),
                          (59.9, "above"), (60.0, "too humid"), (np.nan, "")],
)  # fmt: skip
def test_the_published_bands(percent, word):
    """EPA 402-K-02-003: below 60 %, ideally 30 to 50 %; CDC: no more than 50 %."""
    assert living.band(percent) == word


# --- one action -----------------------------------------------------------------------------------

KINDS = (
    "no figures", "open more", "air and heat", "heat", "dry the air", "open a little", "more air",
    "wipe", "nothing",
)  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_no_action_closes_anything_and_all_keep_the_vents_open(kind):
    said = text.action_text(
        kind, surface="Single glazing", surface_c=3.0, dew_c=9.0, humidity_percent=71.0, co2_ppm=1500.0
    )  # fmt: skip
    assert not CLOSING.search(said)
    assert not re.search(r"\b(safe|toxic|mou?ld-free)\b", said, re.IGNORECASE)
    assert (KEEP_VENTS_OPEN in said) == (kind != "no figures")


@settings(max_examples=60, deadline=None)
@given(
    st.floats(8.0, 24.0), st.floats(20.0, 95.0), st.floats(-15.0, 30.0), st.floats(20.0, 100.0),
    st.booleans(),
)  # fmt: skip
def test_the_action_has_the_sign_of_the_water_in_the_air(
    inside_c, inside_rh, outside_c, outside_rh, water
):
    found = living.living(
        told(
            air=a_week(inside_c=inside_c, inside_percent=inside_rh, outside_c=outside_c,
                       outside_percent=outside_rh),
            water=water,
        )
    )  # fmt: skip
    kind = living.act(found)
    assert kind in {*KINDS, "freezing"}
    more_inside = found.dew_point_c - found.outside_dew_c
    if kind == "open a little":
        assert more_inside >= ventilation.LEAST_DEADBAND_K
    if kind == "dry the air":
        assert more_inside < 3.0  # two sensors in dry air tell 1.7 K apart, the colder is worse
    if kind in {"open more", "air and heat", "heat"}:
        assert found.judged is not None
        hour = found.judged.hour
        tonight = found.ahead_dew_c[hour] - found.ahead_outside_dew_c[hour]
        assert (tonight >= ventilation.LEAST_DEADBAND_K) == (kind != "heat")


def test_opening_is_reconciled_with_rain_and_frost():
    def said(**given_):
        known = {"rain_from": "", "rain_known": True, "frost": False, "water": True}
        return text.conflicts("open more", **(known | given_))

    assert said() == ""
    assert "03:00" in said(rain_from="03:00")
    assert "lee side" in said(rain_known=False)
    assert "ten minutes" in said(frost=True)
    assert "cupboards with pipes" in said(frost=True)
    assert "cupboards" not in said(frost=True, water=False)
    assert text.conflicts("heat", rain_from="03:00", rain_known=True, frost=True, water=True) == ""


def test_rain_that_nobody_forecasts_is_unknown_and_not_dry():
    assert living.living(told()).rain_h == -2
    assert living.living(told(ahead=forecast(2.0))).rain_h == -1
    wet = [replace(hour, rain_mm=1.0 if hour.hour == NEXT_H + 9 else 0.0) for hour in forecast(2.0)]
    assert living.living(told(ahead=wet)).rain_h == 9


# --- a cold month ---------------------------------------------------------------------------------

JANUARY_S = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp())
NIGHTS = 24


def a_month(*, follows: bool) -> tuple[int, float, set[str]]:
    """Two people from day 9 on, vents as units are shut; at midnight the action is asked for, or not.

    Gives hours of dew on the judged surface in the last 14 days, the mean air changes, and what was said.
    """
    plan = UnitPlan("u1", (ZonePlan("off-rear-low", "laminated wall", "off"),), volume_m3=30.0)
    world = World(seed=3, units=[plan], sites=[SitePlan(climate=MARINE)], start_s=JANUARY_S,
                  sample_s=HOUR_S, step_s=1800, spin_up_days=3)  # fmt: skip
    rows, said, stays = [], set(), []
    for day in range(NIGHTS):
        changes = 0.25
        if day >= 9 and rows:
            table = np.concatenate(rows)[-WEEK:]
            now = told(
                air=(table[:, :2].T, table[:, 2:].T),
                stay=living.Stay(True, JANUARY_S + DAY_S, 2, True),
                next_hour=JANUARY_S // HOUR_S + day * 24,
                clock_h=0,
            )
            kind = living.act(living.living(now))
            said.add(kind)
            if follows and kind in {"open more", "air and heat", "open a little"}:
                changes = ventilation.AJAR_CHANGES_PER_H
        from_s = JANUARY_S + day * DAY_S
        stays.append(Stay(from_s, from_s + DAY_S, people=2, air_changes_h=changes))
        world.units = (replace(plan, stays=tuple(stays)),)
        found = world.run(from_s + DAY_S - HOUR_S)
        column = {name: place for place, name in enumerate(world.probes)}
        cabin, outside = column["u1", "air-main"], column["", "outside"]
        rows.append(
            np.stack([found.temperature_c[:, cabin], found.true_humidity_percent[:, cabin],
                      found.temperature_c[:, outside], found.true_humidity_percent[:, outside]], axis=1)
        )  # fmt: skip
    table = np.concatenate(rows)[-14 * 24 :]
    dew = air.dew_point(
        vapour_pressure_pa=air.vapour_pressure(
            temperature_c=table[:, 0], humidity_percent=table[:, 1]
        )
    )
    surface = living.surface_course(inside_c=table[:, 0], outside_c=table[:, 2], factor=0.5)
    return int((dew >= surface).sum()), float(np.mean([s.air_changes_h for s in stays[-14:]])), said


def test_following_the_advice_lowers_the_hours_of_condensation_and_ignoring_it_does_not():
    """A simulation that knows nothing of the monitor: people's vapour, furnishings, windows, weather."""
    followed_h, aired, _ = a_month(follows=True)
    ignored_h, shut, said = a_month(follows=False)
    assert shut == 0.25
    assert said & {"open more", "air and heat"}
    assert ignored_h >= 100
    assert followed_h < 0.5 * ignored_h
    assert aired > 0.5


def test_the_air_changes_of_the_last_nights_hold_the_simulated_truth():
    """Two sleepers at 35 g/h each and 0.6 changes an hour in the simulation; the band must hold that."""
    plan = UnitPlan(
        "u1", (ZonePlan("off-rear-low", "laminated wall", "off"),), volume_m3=30.0,
        stays=(Stay(JANUARY_S, JANUARY_S + 20 * DAY_S, people=2, air_changes_h=0.6),),
    )  # fmt: skip
    world = World(seed=5, units=[plan], start_s=JANUARY_S, sample_s=HOUR_S, step_s=1800)
    found = world.run(JANUARY_S + 14 * DAY_S + 17 * HOUR_S)
    column = {name: place for place, name in enumerate(world.probes)}
    table = {
        name: np.array([found.temperature_c[-WEEK:, column[key]],
                        found.true_humidity_percent[-WEEK:, column[key]]])
        for name, key in (("cabin", ("u1", "air-main")), ("outside", ("", "outside")))
    }  # fmt: skip
    low, high = living.living(
        told(air=(table["cabin"], table["outside"]), clock_h=18,
             stay=living.Stay(True, (NEXT_H - 14 * 24) * HOUR_S, 2, True))
    ).changes_per_h  # fmt: skip
    assert low < 0.6 < high
    assert high < 4.0 * low
