"""Alarm load: what asked somebody, when, how often, and what asked nobody."""

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import holds
from monitor.causes import LONE_SILENCE_S
from monitor.load import MOST_A_DAY, asked_s, lines, load
from monitor.lot import Site, Source
from monitor.store import AlarmStep, NewAlarm, open_record
from monitor.store.causes import AlarmSpan
from sensors.wire import Reading
from tests.test_cli import sillkeep

DAY_S = 86_400
T0 = 1_893_456_000
NOW_S = T0 + 10 * DAY_S


def span(number: int = 1, raised_s: int = T0 + 3600, **more: Any) -> AlarmSpan:
    given_values: dict[str, Any] = {
        "site": "lot", "unit": "u1", "zone": "z", "node": "", "kind": "wet", "class_": "today",
        "state": "unacknowledged", "cleared_s": None, "withdrawn_s": None,
    } | more  # fmt: skip
    found_s = given_values.pop("found_s", raised_s)
    return AlarmSpan(alarm_id=number, raised_s=raised_s, found_s=found_s, **given_values)


def report(*spans: AlarmSpan, people: int = 0, held: frozenset[int] = frozenset()) -> Any:
    return load(spans, site="lot", from_s=T0, now_s=NOW_S, people=people, held=held)


def test_an_alarm_asks_when_it_is_raised() -> None:
    assert asked_s(span(), now_s=NOW_S) == T0 + 3600


def test_what_late_readings_show_asks_when_it_is_found() -> None:
    late = span(found_s=T0 + 5 * DAY_S, under=((T0 + 5 * DAY_S + 2, None),))
    assert asked_s(replace(late, under=()), now_s=NOW_S) == T0 + 5 * DAY_S
    assert asked_s(late, now_s=NOW_S) is None


def test_a_member_of_a_common_cause_asks_only_when_it_stands_alone() -> None:
    under = span(under=((T0 + 3700, None),))
    left = span(under=((T0 + 3700, T0 + 7200),))
    over = span(under=((T0 + 3700, T0 + 7200),), cleared_s=T0 + 7200)
    assert asked_s(under, now_s=NOW_S) is None
    assert asked_s(left, now_s=NOW_S) == T0 + 7200
    assert asked_s(over, now_s=NOW_S) is None


def test_a_lone_silence_asks_after_a_day() -> None:
    lasting = span(kind="silent")
    short = span(kind="silent", cleared_s=T0 + 2 * 3600)
    assert asked_s(lasting, now_s=NOW_S) == T0 + 3600 + LONE_SILENCE_S
    assert asked_s(short, now_s=NOW_S) is None
    found = report(lasting, short)
    assert (found.asked, found.short_silences) == (1, 1)


def test_the_rate_is_shared_among_people_and_held_against_the_target() -> None:
    spans = [span(i, T0 + i * 3600) for i in range(60)]
    alone, shared = report(*spans), report(*spans, people=3)
    assert (alone.asked, alone.a_person_a_day, alone.within) == (60, 6.0, False)
    assert (shared.a_person_a_day, shared.within) == (2.0, True)
    assert (alone.busiest, shared.busiest) == (24.0, 8.0)
    assert (alone.days_over, shared.days_over) == (3, 2)
    assert MOST_A_DAY == 5.0


def test_the_worst_sources_come_first_with_their_share() -> None:
    spans = [span(i, T0 + i * DAY_S // 2, zone="off-rear-low") for i in range(6)]
    spans += [span(10 + i, T0 + i * DAY_S // 2, zone=f"z{i}") for i in range(14)]
    found = report(*spans)
    assert (found.top[0].name, found.top[0].count) == ("u1 off-rear-low: wet", 6)
    assert found.top[0].share_percent == 30.0
    assert (len(found.top), found.top_share_percent) == (10, 75.0)


def test_three_times_a_day_is_chattering_and_more_than_a_week_is_standing() -> None:
    spans = [span(i, T0 + 5 * DAY_S + i * 3600, cleared_s=NOW_S - 3600) for i in range(3)]
    spans += [span(10 + i, T0 + 5 * DAY_S + i * 3600, zone="y", cleared_s=NOW_S) for i in range(2)]
    spans += [span(20, NOW_S - 7 * DAY_S, zone="x"), span(21, NOW_S - 8 * DAY_S, zone="w")]
    found = report(*spans)
    assert [(s.name, s.count) for s in found.chattering] == [("u1 z: wet", 3)]
    assert [(s.name, s.count) for s in found.standing] == [("u1 w: wet", 8)]


def test_each_person_s_messages_are_counted_by_day() -> None:
    told = [("Lee", i, "lot", T0 + i * 600) for i in range(7)]
    told += [("Kim", 0, "lot", T0), ("Kim", 9, "hill", T0)]
    found = load([], site="lot", from_s=T0, now_s=NOW_S, told=told).persons
    assert [(p.name, p.told, p.a_day, p.busiest, p.days_over) for p in found] == [
        ("Lee", 7, 0.7, 7, 1),
        ("Kim", 1, 0.1, 1, 0),
    ]


def test_what_is_held_back_is_counted_and_asks_nobody() -> None:
    found = report(span(1), span(2), held=frozenset({2}))
    assert (found.asked, found.held) == (1, 1)


@given(
    st.lists(
        st.tuples(
            st.integers(T0 - DAY_S, NOW_S),
            st.integers(0, 5 * DAY_S),
            st.sampled_from(("wet", "silent", "damp")),
            st.sampled_from(("act now", "today", "this week", "season")),
            st.booleans(),
        ),
        max_size=30,
    )
)
def test_classes_days_and_sources_add_up(drawn: list[tuple[int, int, str, str, bool]]) -> None:
    spans = [
        span(i, raised_s, kind=kind, class_=class_, cleared_s=raised_s + lasts_s if ends else None)
        for i, (raised_s, lasts_s, kind, class_, ends) in enumerate(drawn)
    ]
    found = report(*spans)
    assert sum(found.by_class.values()) == found.asked
    assert found.asked <= len(spans)
    assert found.busiest * found.days >= found.asked
    assert sum(source.count for source in found.top) <= found.asked
    assert all(lines(found))


def test_the_command_reports_each_site_as_text_and_json(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record.add_site(Site("lot"))
    said = sillkeep(tmp_path, "load", "--days", "7")
    assert said.returncode == 0, said.stderr
    assert "lot: 0 alarms asked for somebody in 7 days" in said.stdout
    (found,) = json.loads(sillkeep(tmp_path, "load", "--json").stdout)
    assert (found["site"], found["asked"], found["by_class"]["today"]) == ("lot", 0, 0)
    assert found["held"] == 0
    refused = sillkeep(tmp_path, "load", "--site", "hill")
    assert (refused.returncode, "there is no site" in refused.stderr) == (2, True)


@pytest.mark.parametrize("kind", ["damp week", "gateway silent"])
def test_a_common_cause_asks_once_itself(kind: str) -> None:
    assert report(span(unit="", zone="", kind=kind)).asked == 1


def test_the_command_counts_what_a_person_holds_back(tmp_path: Path) -> None:
    source, now_s = Source("lot", "silent", "", "", "n1"), int(time.time())
    with open_record(tmp_path) as record:
        record.add_site(Site("lot"))
        reading = Reading(site="lot", node="n1", at_s=now_s - DAY_S, temperature_c=8.0)
        record.take([reading], [], received_s=now_s - DAY_S)
        step = AlarmStep(now_s - DAY_S, "unacknowledged", "sillkeep", "nothing heard")
        record.add_alarm(
            NewAlarm(
                "lot", "", "", "n1", "silent", "this week", now_s - DAY_S, None, "unacknowledged",
                "", "n1 is silent.", True, (step,),
            ),
            now_s=now_s - DAY_S,
        )  # fmt: skip
        holds.take_out(record, source, who="Ann", why="new battery", now_s=now_s - 60)
    (found,) = json.loads(sillkeep(tmp_path, "load", "--json").stdout)
    assert found["held"] == 1
