"""The section through a wall: what a page shows of the physics beside the judged figures."""

import numpy as np
import pytest

from monitor import explain, text
from monitor.lot import STRUCTURE_KINDS, ZONE_KINDS, Unit

HOURS = 40 * 24


def air(celsius, percent, hours=HOURS):
    return np.array([np.full(hours, float(celsius)), np.full(hours, float(percent))])


def section(kind="wall", *, cabin, outside, own=None):
    return explain.section(kind, cabin=cabin, outside=outside, own_percent=own)


def test_a_heated_damp_cabin_in_frost_condenses_inside_the_wall_and_a_cold_one_does_not():
    lived_in = section(cabin=air(20, 60), outside=air(-5, 85))
    stored = section(cabin=air(-5, 85), outside=air(-5, 85))
    assert lived_in.planes
    assert lived_in.gain_g_m2_day > 0.5
    assert stored.planes == ()
    assert stored.gain_g_m2_day == 0.0
    at = np.searchsorted(lived_in.place, lived_in.planes)
    # where it condenses, the vapour is at its dew point
    assert lived_in.dew_point_c[at] == pytest.approx(lived_in.temperature_c[at], abs=0.01)


def test_the_section_runs_from_the_outside_air_to_the_inside_air():
    drawn = section(cabin=air(20, 40), outside=air(0, 80))
    assert (np.diff(drawn.place) > 0.0).all()
    assert drawn.place[[0, -1]].tolist() == [0.0, float(len(drawn.parts))]
    assert (np.diff(drawn.temperature_c) >= 0.0).all()
    assert drawn.outside[0] < drawn.temperature_c[0] < drawn.temperature_c[-1] < drawn.inside[0]


def test_a_wet_probe_contradicts_the_estimate_and_a_dry_one_does_not():
    both = {"cabin": air(10, 60), "outside": air(8, 70)}
    wet = section(**both, own=np.full(HOURS, 97.0))
    like = section(**both, own=np.full(HOURS, 65.0))
    assert wet.contradicted
    assert wet.above_h == wet.compared_h == 72
    assert not like.contradicted


def test_a_probe_that_was_silent_contradicts_nothing():
    own = np.full(HOURS, 97.0)
    own[-60:] = np.nan
    assert not section(cabin=air(10, 60), outside=air(8, 70), own=own).contradicted


def test_with_half_a_day_missing_on_one_side_nothing_is_drawn():
    outside = air(8, 70)
    outside[:, -13:] = np.nan
    assert section(cabin=air(10, 60), outside=outside) is None


def test_the_same_question_is_answered_from_memory():
    both = {"cabin": air(11, 61), "outside": air(8, 71)}
    assert section(**both) is section(**both)


def airing(*, cabin, outside, **changes):
    asked = {"factor": 0.5, "altitude_m": 0.0, "lines_can_freeze": False} | changes
    return explain.airing(cabin=cabin, outside=outside, **asked)


def test_drier_air_outside_is_worth_opening_for_and_moister_is_not():
    dries = airing(cabin=air(20, 60, 168), outside=air(12, 60, 168))
    wets = airing(cabin=air(20, 40, 168), outside=air(18, 90, 168))
    assert dries.advice == "dries"
    assert dries.rate_g_h > 0.0
    assert dries.windows == ((0, 24),)
    assert wets.advice in {"wets", "condenses"}
    assert wets.rate_g_h < 0.0
    assert wets.windows == ()


def test_a_warm_front_over_a_cold_unit_condenses():
    cabin, outside = air(2, 80, 168), air(2, 80, 168)
    cabin[:, -1], outside[:, -1] = (6.0, 80.0), (12.0, 95.0)
    assert airing(cabin=cabin, outside=outside).advice == "condenses"


def test_no_hour_below_freezing_is_worth_opening_where_lines_can_freeze():
    both = {"cabin": air(10, 70, 168), "outside": air(-4, 70, 168)}
    assert airing(**both).windows
    assert airing(**both, lines_can_freeze=True).windows == ()


def test_without_the_last_hour_on_both_sides_no_advice_is_given():
    outside = air(8, 70, 168)
    outside[:, -1] = np.nan
    assert airing(cabin=air(20, 60, 168), outside=outside) is None


def test_the_forecast_repeats_the_fortnight_and_its_band_is_the_sensors():
    # VS, 20 °C, 90 %: 29.4 days, 21.7 to 40.3 by ±2 % alone, Hukka and Viitanen 1999 (regression)
    found = explain.growth(climate=air(20, 90, 14 * 24), index=0.0, mould_class="VS")
    assert found.target == 1.0
    assert found.days == pytest.approx(29.4, abs=1.1)  # whole days
    assert found.low_days < 22.7
    assert found.high_days > 39.3


def test_a_dry_wall_never_gets_there_and_a_grown_one_has_no_forecast():
    dry = explain.growth(climate=air(20, 50, 14 * 24), index=0.0, mould_class="S")
    assert dry.days == dry.high_days == float("inf")
    assert explain.growth(climate=air(20, 99, 14 * 24), index=3.2, mould_class="S") is None
    silent = np.full((2, 14 * 24), np.nan)
    assert explain.growth(climate=silent, index=0.0, mould_class="S") is None


def test_the_forecast_is_said_with_its_band_only_where_the_sensor_makes_a_difference():
    said = text.growth_text(1.0, days=40.0, low_days=28.0, high_days=float("inf"))
    assert "40 days; a sensor off by 0.2 K and 2 % leaves 28 days to never within two years" in said
    soon = text.growth_text(1.0, days=0.9, low_days=0.8, high_days=1.2)
    assert soon.endswith("seen with a microscope: 1 day.")


# --- where to look, what is not seen --------------------------------------------------------------

DECLARED = Unit("rv1", "yard", lean="off-rear", weather_side="off", slides=1)
UNDECLARED = Unit("rv1", "yard", body_type="")


def test_the_units_lean_and_weather_side_are_in_the_reasons_of_where_to_look():
    look = explain.look("off-rear-low", kind="wall", unit=DECLARED, cause="rain ingress")
    reasons = " ".join(entry.reason for entry in look.entries)
    assert "this is the low corner, up-slope is towards door-front" in reasons
    assert "driven rain meets the off side" in reasons


def test_a_unit_that_stands_level_is_ranked_like_one_whose_lean_nobody_knows():
    zone = {"kind": "wall", "cause": ""}
    level = explain.look("off-rear-low", unit=Unit("rv1", "yard", lean="level"), **zone)
    unknown = explain.look("off-rear-low", unit=Unit("rv1", "yard"), **zone)
    assert level.entries == unknown.entries
    assert explain.unseen([], Unit("a", "b", lean="level")) == explain.unseen([], Unit("a", "b"))


def test_condensation_has_no_place_to_look_at():
    look = explain.look("off-rear-low", kind="wall", unit=DECLARED, cause="condensation")
    assert look.entries == ()


def test_slides_that_nobody_declared_are_left_out_and_declared_ones_are_not():
    paths = [[spot.path for spot in explain.unseen([], unit)] for unit in (UNDECLARED, DECLARED)]
    assert not any("slide" in path for path in paths[0])
    assert any("slide 1" in path for path in paths[1])


def test_what_is_declared_is_said_and_what_is_not_is_named_as_the_lot_file_names_it():
    said = text.stand_text(DECLARED)
    assert said == (
        "Ordered for: travel trailer, lowest corner off-rear, rain mostly on its off side, 1 slide."
    )
    assert text.stand_text(UNDECLARED).startswith(
        "Not declared: body_type, lean, weather_side, slides; the order goes without."
    )
    assert 'such as lean = "off-rear"' in text.stand_text(UNDECLARED)
    level = text.stand_text(Unit("a", "b", lean="level", weather_side="rear", slides=0))
    assert "standing level, rain mostly on its rear wall, no slides" in level
    assert "2 slides" in text.stand_text(Unit("a", "b", slides=2))


def test_shares_of_found_leaks_are_those_that_were_counted():
    shares = explain.found_shares()
    assert [upper for upper, _ in shares] == [3.0, 6.0, 10.0, float("inf")]
    count = explain.entries.couplings().classes
    assert shares[0][1] == pytest.approx(count[0].found_percent)
    strong = count[3:]
    assert shares[3][1] == pytest.approx(
        100 * sum(row.found for row in strong) / sum(row.leaks for row in strong)
    )


def test_what_a_probe_cannot_have_seen_is_said_with_the_shares_and_that_no_unit_was_counted():
    shares = ((3.0, 14.0), (6.0, 65.0), (float("inf"), 96.0))
    old, weak, slow = text.could_not_have_seen("wall", found_percent=shares)
    assert "there before" in old
    assert (
        "14 % of those that added less than 3 points were found, 65 % of 3 to 6, 96 % of 6 or more"
        in weak
    )
    assert "No real units have been counted" in weak
    assert "5 mL" in slow
    assert len(text.could_not_have_seen("roof", found_percent=shares)) == 4


def test_since_when_a_zone_is_judged_against_itself_is_said_with_what_began_it():
    assert text.baseline_text("3 Oct 2030", reopened="") == (
        "Judged against itself since 3 Oct 2030, its first reading."
    )
    again = text.baseline_text("3 Oct 2030", reopened="opened and dried")
    assert again.endswith("when it was worked on (opened and dried).")


def test_the_next_probe_is_told_with_place_and_reason_and_a_wall_probe_with_both_places():
    first, second, *_ = explain.unseen([], DECLARED)
    said = text.probe_text(first.place, reason=first.reason)
    assert said.startswith(": low in the rear corner of the off side, inside a cabinet")
    assert said.endswith("low in the corner.")
    assert text.probe_text("there", reason="") == ": there."
    assert "off-rear-low and door-rear-low" in text.wall_probe_text([first.zone, second.zone])
    assert "off-rear-low says nothing now" in text.not_heard_text(["off-rear-low"])
    assert "a, b say nothing now" in text.not_heard_text(["a", "b"])


@pytest.mark.parametrize("kind", ZONE_KINDS)
@pytest.mark.parametrize("ambient", [14.0, 24.0])
def test_an_alarm_of_a_room_never_claims_a_leak(kind, ambient):
    facts = {"kind": kind, "wood_moisture_percent": 24.0, "ambient_moisture_percent": ambient}
    for alarm in ("wet", "mould growth", "damp", "condensation"):
        said = text.alarm_text(alarm, zone="air-main", alarm_class="today", facts=facts)
        claims = "a leak is likely" in said or "up-slope" in said
        assert not (claims and kind not in STRUCTURE_KINDS and kind != "outside"), said
    wet = text.alarm_text("wet", zone="x", alarm_class="today", facts=facts)
    if kind in STRUCTURE_KINDS:
        assert "up-slope" in wet
    if kind == "cabin" and ambient == 14.0:
        assert "needs a probe at the wall" in wet


def test_the_parts_of_the_longer_caution_that_go_with_looking_are_in_it_too():
    for part in text.LOOK_CAUTIONS:
        assert part in text.CAUTION_LONG
    for word in ("ladder", "shore power"):
        assert any(word in part for part in text.LOOK_CAUTIONS)
    assert "LP gas" in text.CAUTION


def test_a_forecast_takes_the_place_of_the_usual_day_and_rain_closes_its_hours():
    both = {"cabin": air(20, 60, 168), "outside": air(12, 60, 168)}
    ahead = np.array([np.full(24, 12.0), np.full(24, 60.0), np.zeros(24)])
    ahead[2, 6:10] = 0.5
    found = airing(**both, ahead=ahead)
    assert found.from_forecast
    assert found.windows == ((0, 6), (10, 24))
    humid = np.array([np.full(24, 19.0), np.full(24, 95.0), np.zeros(24)])
    assert airing(**both, ahead=humid).windows == ()
    half = ahead.copy()
    half[:, 11:] = np.nan
    assert not airing(**both, ahead=half).from_forecast
    assert airing(**both, ahead=half).windows == ((0, 24),)
