"""A unit's words after rain: what counts as a storm, and who may say that it stayed dry."""

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import people, storms, text
from monitor.judge.storms import Answer, Storm, answer
from monitor.judge.storms import storms as find
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import open_record
from monitor.store.people import Person

HOURS = 240
KINDS = {
    "off-rear-low": "wall",
    "door-rear-low": "wall",
    "roof-vent1-ring": "roof",
    "air-main": "cabin",
}
STORM = Storm(100, 110, 12.0)


def courses(**risen: float) -> dict[str, np.ndarray]:
    """Wood moisture that rises by so much when the storm ends."""
    found = {}
    for zone in KINDS:
        line = np.full(HOURS, 12.0)
        line[STORM.to_hour :] += risen.get(zone.replace("-", "_"), 0.0)
        found[zone] = line
    return found


def said(moisture, *, alarmed=(), damp=()) -> Answer:
    return answer(STORM, moisture, KINDS, from_hour=0, alarmed=alarmed, damp=damp)


# --- storms ---------------------------------------------------------------------------------------


def rain(*falls: tuple[int, float]) -> np.ndarray:
    line = np.zeros(HOURS)
    for hour, fell in falls:
        line[hour] = fell
    return line


def test_two_millimetres_in_six_hours_are_a_storm_and_drizzle_is_none():
    assert find(rain((50, 1.0), (55, 1.0)), from_hour=1000) == [Storm(1050, 1056, 2.0)]
    assert find(rain((50, 1.0), (56, 1.0)), from_hour=1000) == []
    assert find(rain(*((hour, 0.3) for hour in range(50, 80))), from_hour=0) == []


def test_showers_within_a_day_are_one_storm():
    assert find(rain((50, 5.0), (74, 3.0)), from_hour=0) == [Storm(50, 75, 8.0)]
    assert [s.rain_mm for s in find(rain((50, 5.0), (75, 3.0)), from_hour=0)] == [5.0, 3.0]


@given(st.lists(st.floats(0.0, 9.0) | st.just(float("nan")) | st.just(0.0), max_size=150))
def test_storms_lie_apart_and_hold_a_wetting(fell):
    found = find(np.array(fell), from_hour=7)
    for storm in found:
        assert storm.rain_mm >= 2.0
        assert 7 <= storm.from_hour < storm.to_hour <= 7 + len(fell)
    for one, other in itertools.pairwise(found):
        assert other.from_hour - one.to_hour >= 24


# --- answers --------------------------------------------------------------------------------------


def test_a_zone_that_rises_above_the_others_is_looked_at_and_the_others_are_not():
    found = said(courses(off_rear_low=2.4, door_rear_low=0.3))
    assert (found.word, found.zone) == ("look at", "off-rear-low")
    assert found.rise_percent == pytest.approx(2.4 - 0.15)


def test_a_damp_week_that_lifts_all_of_them_is_no_leak():
    found = said(courses(off_rear_low=2.0, door_rear_low=2.2, roof_vent1_ring=1.9))
    assert found.word == "stayed dry"


def test_leaks_do_not_hide_each_other():
    found = said(courses(off_rear_low=5.0, door_rear_low=6.0, roof_vent1_ring=5.5))
    assert (found.word, found.zone) == ("look at", "door-rear-low")


def test_water_in_any_zone_speaks_and_one_wall_of_many_does_not_speak_for_all():
    assert said(courses(), alarmed={"air-main"}).word == "look at"
    moisture = courses()
    for zone in ("off-rear-low", "door-rear-low"):
        moisture[zone][80:140] = np.nan
    assert said(moisture).word == "no data"


def test_who_dries_slower_than_the_others_is_no_leak():
    assert said(courses(door_rear_low=-2.0, roof_vent1_ring=-2.0)).word == "stayed dry"


def test_wet_is_never_called_dry_however_little_this_rain_added():
    found = said(courses(), alarmed={"roof-vent1-ring"})
    assert (found.word, found.zone) == ("look at", "roof-vent1-ring")
    found = said(courses(), damp={"off-rear-low"})
    assert (found.word, found.zone) == ("no change", "off-rear-low")
    assert "stayed dry" not in line(found)


def test_silence_is_never_dryness():
    moisture = courses()
    moisture["off-rear-low"][90:140] = np.nan
    found = said(moisture)
    assert (found.word, found.unheard) == ("stayed dry", ("off-rear-low",))
    assert line(found) == (
        "Rain of 25 Nov 2026, 12 mm: stayed dry where it was heard. No data of off-rear-low."
    )
    for zone in KINDS:
        moisture[zone][90:140] = np.nan
    assert said(moisture).word == "no data"
    assert "Nobody can say" in line(said(moisture))
    assert said({}).word == "no data"


def test_a_cabin_alone_has_nothing_to_say_of_walls():
    found = answer(STORM, courses(), {"air-main": "cabin"}, from_hour=0, alarmed=())
    assert found.word == "no data"


@given(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), st.integers(0, 100))
def test_the_word_follows_the_rise_and_gaps_never_make_it_dry(rise, others, gap):
    moisture = courses(off_rear_low=rise, door_rear_low=others, roof_vent1_ring=others)
    whole = said(moisture)
    over = max(rise - max(others, 0.0), others - max((rise + others) / 2.0, 0.0))
    assert (whole.word == "look at") == (over >= 1.5 or max(rise, others) >= 3.0)
    moisture["off-rear-low"][76 : 76 + gap] = np.nan
    cut = said(moisture)
    if gap > 12:
        assert "off-rear-low" in cut.unheard


def line(found: Answer) -> str:
    return text.storm_text(
        word=found.word, day="25 Nov 2026", rain_mm=found.storm.rain_mm, zone=found.zone,
        rise_percent=found.rise_percent, unheard=found.unheard,
    )  # fmt: skip


# --- from the record ------------------------------------------------------------------------------

NOW_S = 1_893_776_400
HOUR_S = 3600


def test_the_answer_comes_a_day_after_the_rain_and_rain_unknown_is_said(tmp_path: Path):
    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        record.add_unit(Unit("u1", "yard"))
        unit = record.units()[0]
        assert storms.of(record, unit, now_s=NOW_S) == storms.Rain((), known=False)
        for number, zone in enumerate(("", "off-rear-low")):
            code = zone or "outside"
            kind = "wall" if zone else "outside"
            owner = "u1" if zone else ""
            record.add_zone("yard", Zone(owner, code, kind))
            place = Placement(f"n{number}", "p1", "yard", owner, code, NOW_S - 30 * 86400)
            record.place(place, recorded_s=NOW_S, who="test")
        fill(record, rained_h=30)
        ((storm, found),) = storms.of(record, unit, now_s=NOW_S).answers
        assert storm.rain_mm == 6.0
        assert found is not None
        assert found.word == "stayed dry"
        early = NOW_S - 8 * HOUR_S
        ((_, found),) = storms.of(record, unit, now_s=early).answers
        assert found is None
        assert "too early" in storms.line(storm, found, timezone="UTC")


def test_what_was_damp_already_is_never_called_dry(tmp_path: Path):
    """By the word of its hours: in the cold there is no alarm."""
    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        record.add_unit(Unit("u1", "yard"))
        for owner, code, kind in (("u1", "off-rear-low", "wall"), ("", "outside", "outside")):
            record.add_zone("yard", Zone(owner, code, kind))  # type: ignore[arg-type]
        fill(record, rained_h=30, state="damp")
        ((storm, found),) = storms.of(record, record.units()[0], now_s=NOW_S).answers
        assert found is not None
        assert (found.word, found.zone) == ("no change", "off-rear-low")
        assert "stayed dry" not in storms.line(storm, found, timezone="UTC")


def fill(record, *, rained_h: int, state: str = "dry") -> None:
    from monitor.store import schema as t

    to_hour = NOW_S // HOUR_S
    with record.engine.begin() as db:
        for zone in db.execute(t.zone.select()).all():
            for hour in range(to_hour - 14 * 24, to_hour):
                rained = 6.0 if hour == to_hour - rained_h else 0.0
                row = {"zone_id": zone.zone_id, "hour": hour, "readings": 6, "coverage_percent": 100.0,
                       "state": state, "rain_mm": rained if zone.unit_id is None else None,
                       "wood_moisture_percent": None if zone.unit_id is None else 12.0}  # fmt: skip
                db.execute(t.hour.insert(), row)


# --- who hears of it ------------------------------------------------------------------------------


def somebody(role: str = "owner", reach: frozenset[str] = frozenset(), **values) -> Person:
    known = {
        "person_id": 1, "name": "Ann", "role": role, "timezone": "UTC", "addresses": ("a1",),
        "reach": reach, "added_s": 0,
    }  # fmt: skip
    return Person(**(known | values))


@pytest.mark.parametrize(
    ("who", "units", "hears"),
    [
        (somebody(), 1, True),
        (somebody(), 6, False),
        (somebody(reach=frozenset({"u1"})), 400, True),
        (somebody(reach=frozenset({"yard"})), 3, True),
        (somebody(reach=frozenset({"elsewhere"})), 3, False),
        (somebody("lot lead"), 1, False),
        (somebody(addresses=()), 1, False),
    ],
)
def test_owners_of_a_unit_or_of_few_hear_of_each_storm(who, units, hears):
    assert people.hears_of_rain(who, "yard", "u1", units=units) == hears
