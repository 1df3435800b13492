"""The life of an alarm, and the text that goes with it."""

import re
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import alarms, text
from monitor.errors import InputError
from monitor.lot import AlarmClass, AlarmKind, AlarmState

STATES = get_args(AlarmState)
ACTS = get_args(alarms.Act)
FACTS = {
    "wood_moisture_percent": 21.4,
    "ambient_moisture_percent": 14.2,
    "surface_mean_percent": 86.0,
    "mould_index": 1.2,
    "temperature_c": 1.4,
    "dew_h": 5.0,
    "rain_72_mm": 12.0,
    "basis": "air",
    "kind": "wall",
    "cause": "cannot tell",
    "factor": "assumed",
}


@given(st.lists(st.sampled_from(ACTS), max_size=40))
def test_any_sequence_of_acts_keeps_to_the_table(acts: list[alarms.Act]) -> None:
    state: AlarmState = "normal"
    for act in acts:
        try:
            following = alarms.after(state, act)
        except InputError:
            assert (state, act) not in alarms.TRANSITIONS
            continue
        assert following in STATES
        state = following


@pytest.mark.parametrize(
    ("acts", "state"),
    [
        (["begins"], "unacknowledged"),
        (["begins", "acknowledged"], "acknowledged"),
        (["begins", "ends"], "returned unacknowledged"),
        (["begins", "acknowledged", "ends"], "normal"),
        (["begins", "ends", "acknowledged"], "normal"),
        (["begins", "ends", "begins"], "unacknowledged"),
        (["begins", "rests"], "latched unacknowledged"),
        (["begins", "acknowledged", "rests"], "latched acknowledged"),
        (["begins", "rests", "acknowledged", "begins"], "unacknowledged"),
        (["begins", "rests", "inspected"], "normal"),
        (["begins", "acknowledged", "rests", "inspected"], "normal"),
    ],
)
def test_an_alarm_ends_only_when_both_over_and_acknowledged(
    acts: list[alarms.Act], state: AlarmState
) -> None:
    now: AlarmState = "normal"
    for act in acts:
        now = alarms.after(now, act)
    assert now == state


def test_acknowledging_twice_is_refused_with_a_reason() -> None:
    with pytest.raises(InputError, match="acknowledged already"):
        alarms.after("acknowledged", "acknowledged")


def test_condensation_waits_and_water_in_a_unit_in_use_does_not() -> None:
    assert alarms.alarm_class("wet") == "today"
    assert alarms.alarm_class("wet", cause="condensation") == "this week"
    assert alarms.alarm_class("water contact") == "today"
    assert alarms.alarm_class("water contact", in_use=True) == "act now"


def test_dampness_that_the_weather_explains_opens_no_unit() -> None:
    assert alarms.alarm_class("damp") == "this week"
    assert alarms.alarm_class("damp", weather_explains=True) == "season"
    assert alarms.alarm_class("wet", weather_explains=True) == "today"
    damp_month = FACTS | {"wood_moisture_percent": 16.5, "ambient_moisture_percent": 20.0}
    assert text.weather_explains(damp_month)
    assert not text.weather_explains(FACTS)
    assert not text.weather_explains(FACTS | {"ambient_moisture_percent": float("nan")})
    room = text.alarm_text(
        "damp", zone="air-main", alarm_class="season", facts=damp_month | {"kind": "cabin"}
    )
    assert "hardly more water than the air outside" in room


def test_only_freezing_and_water_in_use_may_wake_anyone() -> None:
    waking = {kind for kind, class_ in alarms.CLASSES.items() if class_ == "act now"}
    assert waking == {"freezing", "frost"}
    assert set(alarms.CLASSES) == set(get_args(AlarmKind))


@pytest.mark.parametrize("kind", sorted(text.PARTS))
def test_every_alarm_text_has_all_its_parts(kind: AlarmKind) -> None:
    parts = text.PARTS[kind]("off-rear-low", FACTS)
    for part in (parts.condition, parts.cause, parts.consequence, parts.response, parts.do_not):
        assert len(part) > 10
    assert parts.caution or kind in {"battery low", "flood"} or kind.endswith("silent")
    for class_ in get_args(AlarmClass):
        said = text.alarm_text(kind, zone="off-rear-low", alarm_class=class_, facts=FACTS)
        assert text.TIME_ALLOWED[class_] in said
        assert "nan" not in said
        assert "  " not in said


@pytest.mark.parametrize("kind", sorted(text.PARTS))
def test_texts_hold_without_any_figure(kind: AlarmKind) -> None:
    said = text.alarm_text(kind, zone="z", alarm_class="today", facts={})
    assert said


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (
            {"doubt": "saturated", "days": 3.0, "swing_k": 9.4, "least_percent": 99.7},
            "99.7 % or more for 3 days, though each warmed by 9 K",
        ),
        (
            {
                "doubt": "stuck",
                "days": 2.0,
                "swing_k": 0.01,
                "others_swing_k": 8.0,
                "humidity_span_percent": 0.05,
            },
            "have not moved for 2 days",
        ),
        (
            {"doubt": "swapped?", "other": "door-rear-low", "times_better": 6.2},
            "fits the place of door-rear-low 6 times better",
        ),
        (
            {"doubt": "drifting", "percent_a_year": -3.1, "years": 1.8},
            "by -3.1 % a year, in a straight line over 1.8 years",
        ),
    ],
)
def test_a_doubted_probe_says_why(facts: dict[str, float | str], said: str) -> None:
    text_ = text.alarm_text("sensor suspect", zone="z", alarm_class="this week", facts=facts)
    assert said in text_
    assert "unknown until it is trusted again" in text_


def test_texts_never_promise_or_frighten() -> None:
    said = " ".join(
        text.alarm_text(kind, zone="z", alarm_class="today", facts=FACTS) for kind in text.PARTS
    )
    said += text.CAUTION_LONG
    assert not re.search(r"\b(safe|toxic|mould-free|certified)\b", said, re.IGNORECASE)
    assert "neither replaces nor silences" in text.CAUTION_LONG


def test_a_wet_text_says_how_much_the_weather_explains_and_whether_it_rained() -> None:
    said = text.alarm_text("wet", zone="off-rear-low", alarm_class="today", facts=FACTS)
    assert "21.4 %" in said
    assert "7.2 points more than the 14.2 % the weather alone explains" in said
    assert "12 mm" in said
    unknown = text.alarm_text(
        "wet", zone="z", alarm_class="today", facts=FACTS | {"rain_72_mm": float("nan")}
    )
    assert "Rain is not recorded" in unknown
