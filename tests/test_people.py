"""Who is told what and when: classes, quiet hours, escalation, lists, corrections."""

import re
from collections import Counter
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import people, text
from monitor.store.people import AlarmNow, Entry, Person, Told

HOUR_S, DAY_S = 3600, 86_400


def at(local: str, zone: str = "America/New_York", fold: int = 0) -> int:
    here = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo(zone), fold=fold)
    return int(here.timestamp())


def person(name: str = "Ann", **values: Any) -> Person:
    given = {
        "role": "owner",
        "timezone": "America/New_York",
        "person_id": sum(map(ord, name)),
        "addresses": (f"at-{name}",),
    }
    return Person(name=name, **(given | values))


def alarm(**values: Any) -> AlarmNow:
    given: dict[str, Any] = {
        "alarm_id": 7, "site": "yard", "unit": "u1", "unit_name": "", "slot": "A2",
        "zone": "off-rear-low", "node": "", "kind": "wet", "class_": "today",
        "state": "unacknowledged", "raised_s": NOON, "cleared_s": None, "withdrawn_s": None,
        "revision": 1, "text": "off-rear-low is wet: 5.5 °C since 2026-01-05 17:00 UTC.",
    }  # fmt: skip
    return AlarmNow(**(given | values))


def told(who: Person, **values: Any) -> Told:
    given: dict[str, Any] = {
        "message_id": 1, "alarm_id": 7, "revision": 1, "person_id": who.person_id,
        "address_key": who.addresses[0], "kind": "alarm", "step": who.place, "state": "sent",
        "tries": 1, "due_s": NOON,
    }  # fmt: skip
    return Told(**(given | values))


NOON = at("2026-01-05T12:00")  # a Monday
LATER = NOON + people.SETTLES_S
ANN = person()
BEN = person("Ben", role="technician", place=2)


def plan(of: AlarmNow, *who: Person, known: tuple[Told, ...] = (), now_s: int = LATER) -> Any:
    return people.plan(Entry(1, "key", NOON, of, of.text), who, known, now_s=now_s)


# --- when -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("class_", "now", "due"),
    [
        ("act now", "2026-01-05T03:00", "2026-01-05T03:00"),
        ("today", "2026-01-05T03:00", "2026-01-05T07:00"),
        ("today", "2026-01-05T20:00", "2026-01-06T07:00"),
        ("today", "2026-01-05T19:59", "2026-01-05T19:59"),
        ("today", "2026-01-05T07:00", "2026-01-05T07:00"),
        ("this week", "2026-01-05T12:00", None),
        ("season", "2026-01-05T12:00", None),
    ],
)
def test_the_class_decides_when_a_person_is_told(class_: Any, now: str, due: str | None) -> None:
    assert people.due_s(ANN, class_, at(now)) == (due and at(due))


@pytest.mark.parametrize(
    ("quiet", "now", "loud"),
    [
        # 2026-03-08 02:00 EST becomes 03:00 EDT: the night is an hour shorter
        ((1200, 420), at("2026-03-07T23:00"), at("2026-03-08T07:00")),
        # quiet hours that end in the hour that does not exist end when it is over
        ((1200, 150), at("2026-03-08T01:59"), at("2026-03-08T03:00")),
        # 2026-11-01 02:00 EDT becomes 01:00 EST: the night is an hour longer
        ((1200, 420), at("2026-10-31T23:00"), at("2026-11-01T07:00")),
        # half past one comes twice; the quiet hour before it too
        ((1200, 90), at("2026-11-01T01:10"), at("2026-11-01T01:30")),
        ((1200, 90), at("2026-11-01T01:10", fold=1), at("2026-11-01T01:30", fold=1)),
    ],
)
def test_quiet_hours_follow_the_wall_clock_over_both_changes(
    quiet: tuple[int, int], now: int, loud: int
) -> None:
    assert people.first_loud_s(person(quiet=quiet), now) == loud


def test_a_night_with_a_change_is_as_long_as_it_really_is() -> None:
    starts = [at("2026-03-07T20:00"), at("2026-06-06T20:00"), at("2026-10-31T20:00")]
    assert [people.first_loud_s(ANN, s) - s for s in starts] == [
        10 * HOUR_S,
        11 * HOUR_S,
        12 * HOUR_S,
    ]


ZONES = ("UTC", "America/New_York", "Europe/Brussels", "Australia/Lord_Howe", "Asia/Kathmandu")
MINUTES = st.integers(0, 1439)


@given(
    st.integers(1_750_000_000, 1_850_000_000), st.tuples(MINUTES, MINUTES), st.sampled_from(ZONES)
)
def test_the_first_loud_time_is_loud_and_all_before_it_is_quiet(
    now_s: int, quiet: tuple[int, int], zone: str
) -> None:
    who = person(quiet=quiet, timezone=zone)
    loud = people.first_loud_s(who, now_s)
    assert now_s <= loud <= now_s + 26 * HOUR_S
    assert not people.is_quiet(who, loud)
    assert people.first_loud_s(who, loud) == loud
    assert all(people.is_quiet(who, s) for s in range(now_s, loud, 60))


@given(
    st.integers(1_750_000_000, 1_850_000_000),
    st.sampled_from(ZONES),
    st.sampled_from(people.LIST_KINDS),
)
def test_a_list_was_due_once_in_its_span_and_outside_quiet_hours(
    now_s: int, zone: str, kind: people.ListKind
) -> None:
    who = person(timezone=zone)
    due = people.list_due_s(who, kind, now_s)
    longest = {"morning": 2, "week": 7, "season": 92}[kind]
    assert due <= now_s < due + longest * DAY_S + 2 * HOUR_S
    assert not people.is_quiet(who, due)
    assert people.list_due_s(who, kind, due) == due


@given(st.text(min_size=1), st.integers(0, 60), st.integers(0, 3))
def test_waits_grow_to_a_limit_and_differ_between_messages(key: str, tries: int, rank: int) -> None:
    wait = people.wait_s(key, tries, rank)
    longest = people.LONGEST_WAIT_S if rank else people.URGENT_WAIT_S
    assert 7 <= wait <= longest
    assert len({people.wait_s(f"{key}{i}", 5, rank) for i in range(50)}) > 5


# --- who ------------------------------------------------------------------------------------------


def test_those_first_in_order_are_told_and_nobody_else() -> None:
    also = person("Cai")
    assert {m.person_id for m in plan(alarm(), ANN, BEN, also).messages} == {
        ANN.person_id, also.person_id,
    }  # fmt: skip


@pytest.mark.parametrize("role", ["sales", "auditor"])
def test_who_does_not_answer_alarms_is_not_called(role: str) -> None:
    assert plan(alarm(), person(role=role)).messages == ()


def test_a_person_is_told_of_their_units_and_sites_only() -> None:
    assert plan(alarm(), person(reach=frozenset({"u2", "other"}))).messages == ()
    assert len(plan(alarm(), person(reach=frozenset({"u1"}))).messages) == 1
    assert len(plan(alarm(), person(reach=frozenset({"yard"}))).messages) == 1


def test_each_address_is_told_under_a_key_of_its_own() -> None:
    keys = {m.key for m in plan(alarm(), person(addresses=("a", "b"))).messages}
    assert len(keys) == 2
    assert keys == {m.key for m in plan(alarm(), person(addresses=("a", "b"))).messages}


def test_what_may_share_a_cause_is_held_a_little_and_liquid_water_is_not() -> None:
    assert plan(alarm(kind="freezing", class_="act now"), ANN, now_s=NOON + 10) is None
    assert len(plan(alarm(kind="water contact"), ANN, now_s=NOON).messages) == 1


@pytest.mark.parametrize(
    "changes", [{"withdrawn_s": NOON}, {"state": "normal"}, {"class_": "this week"}]
)
def test_what_asks_for_nothing_now_makes_no_message(changes: dict[str, Any]) -> None:
    assert plan(alarm(**changes), ANN) == people.Plan()


def test_old_news_makes_no_message() -> None:
    assert plan(alarm(), ANN, now_s=NOON + 8 * DAY_S) == people.Plan()


# --- corrections ----------------------------------------------------------------------------------


def test_a_withdrawn_alarm_is_taken_back_from_those_who_were_told_and_nobody_else() -> None:
    gone = alarm(withdrawn_s=LATER, revision=2)
    found = plan(gone, ANN, BEN, known=(told(ANN),))
    assert [(m.person_id, m.kind) for m in found.messages] == [(ANN.person_id, "correction")]
    assert "it was not so" in found.messages[0].body.replace("\n", " ")


def test_what_was_not_sent_yet_is_not_sent_when_it_is_withdrawn() -> None:
    gone = alarm(withdrawn_s=LATER, revision=2)
    waiting = told(ANN, state="waiting", tries=0, message_id=5)
    assert plan(gone, ANN, known=(waiting,)) == people.Plan((), (5,))


def test_a_try_that_nobody_knows_the_end_of_is_taken_back_too() -> None:
    gone = alarm(withdrawn_s=LATER, revision=2)
    found = plan(gone, ANN, known=(told(ANN, state="waiting", tries=1, message_id=5),))
    assert found.void == (5,)
    assert len(found.messages) == 1


def test_raised_again_it_is_told_to_those_who_had_the_first() -> None:
    found = plan(
        alarm(revision=3), ANN, BEN, known=(told(ANN), told(ANN, kind="correction", revision=2))
    )
    assert [(m.person_id, m.kind) for m in found.messages] == [(ANN.person_id, "correction")]
    assert found.messages[0].subject.startswith("Corrected: wet")


def test_the_same_revision_is_not_told_twice() -> None:
    assert plan(alarm(), ANN, known=(told(ANN),)) == people.Plan()


def test_a_cause_that_has_grown_is_told_again_in_its_new_words() -> None:
    entry = Entry(1, "key/2", NOON, alarm(), "off-rear-low is wetter.")
    found = people.plan(entry, [ANN], [told(ANN)], now_s=LATER)
    assert found is not None
    assert "is wetter" in found.messages[0].body


def test_what_has_grown_is_told_to_whoever_was_told_and_to_nobody_else() -> None:
    cai, dan = person("Cai", place=3), person("Dan")
    known = (told(ANN), told(BEN))
    entry = Entry(1, "key/2", NOON, alarm(), "off-rear-low is wetter.")
    found = people.plan(entry, [ANN, BEN, cai, dan], known, now_s=LATER)
    assert found is not None
    assert {(m.person_id, m.step) for m in found.messages} == {
        (ANN.person_id, 1), (dan.person_id, 1), (BEN.person_id, 2),
    }  # fmt: skip


def test_what_was_corrected_and_grew_since_is_no_second_correction() -> None:
    known = (told(ANN), told(ANN, kind="correction", revision=2, message_id=2))
    again = Entry(1, "key/2", NOON, alarm(revision=2), "off-rear-low is wetter.")
    found = people.plan(again, [ANN], known, now_s=LATER)
    assert found is not None
    assert [m.kind for m in found.messages] == ["alarm"]
    assert plan(alarm(revision=2), ANN, known=known) == people.Plan()


# --- escalation -----------------------------------------------------------------------------------


def escalate(of: AlarmNow, *known: Told, now_s: int, who: tuple[Person, ...] = (ANN, BEN)) -> Any:
    return people.escalate([of], who, {7: known}, now_s=now_s)


def test_the_second_person_is_told_when_the_first_does_not_acknowledge_in_time() -> None:
    urgent = alarm(class_="act now")
    assert escalate(urgent, told(ANN), now_s=NOON + 899).messages == ()
    found = escalate(urgent, told(ANN), now_s=NOON + 900)
    again, next_one = found.messages
    assert (again.person_id, again.step) == (ANN.person_id, 1)
    assert "told again" in again.body
    assert (next_one.person_id, next_one.step) == (BEN.person_id, 2)
    assert "Ann did not acknowledge this in time" in next_one.body


def test_act_now_is_told_again_a_few_times_and_what_still_waits_is_not() -> None:
    urgent, had = alarm(class_="act now"), [told(ANN)]
    for turn in range(200):
        now_s = NOON + turn * 300
        made = escalate(urgent, *had, now_s=now_s, who=(ANN,)).messages
        had += [told(ANN, due_s=message.due_s, message_id=turn + 2) for message in made]
    assert [one.due_s - NOON for one in had] == [900 * n for n in range(people.MOST_TELLINGS)]
    waiting = told(ANN, state="waiting")
    assert escalate(urgent, waiting, now_s=NOON + 900, who=(ANN,)).messages == ()
    assert escalate(alarm(), told(ANN), now_s=NOON + 900, who=(ANN,)).messages == ()


def test_being_told_again_gives_nobody_more_time() -> None:
    had = (told(ANN), told(ANN, due_s=NOON + 900, message_id=2), told(BEN, due_s=NOON + 900))
    found = escalate(alarm(class_="act now"), *had, now_s=NOON + 1850, who=(ANN, BEN))
    assert found.nobody == (7,)


@pytest.mark.parametrize(
    ("told_at", "until"),
    [("2026-01-05T12:00", "2026-01-06T18:00"), ("2026-01-09T12:00", "2026-01-12T18:00")],
)
def test_a_today_alarm_waits_until_the_end_of_the_next_working_day(
    told_at: str, until: str
) -> None:
    one = told(ANN, due_s=at(told_at))
    assert escalate(alarm(), one, now_s=at(until) - 1).messages == ()
    assert len(escalate(alarm(), one, now_s=at(until)).messages) == 1


def test_what_could_not_be_handed_over_goes_to_the_next_at_once() -> None:
    assert len(escalate(alarm(), told(ANN, state="expired"), now_s=NOON + 1).messages) == 1


def test_who_was_removed_is_not_waited_for() -> None:
    gone = replace(told(ANN), person_id=999)
    assert len(escalate(alarm(), gone, now_s=NOON + 1).messages) == 1


@pytest.mark.parametrize(
    "state", ["acknowledged", "latched acknowledged", "returned unacknowledged"]
)
def test_what_is_acknowledged_or_over_calls_nobody_else(state: Any) -> None:
    assert escalate(alarm(state=state), told(ANN), now_s=NOON + 30 * DAY_S) == people.Escalation()


def test_with_nobody_left_it_is_said_so() -> None:
    last = (told(ANN), told(BEN, due_s=NOON + 900))
    assert escalate(alarm(class_="act now"), *last, now_s=NOON + 1799).nobody == ()
    assert escalate(alarm(class_="act now"), *last, now_s=NOON + 1800).nobody == (7,)
    assert escalate(alarm(), now_s=NOON + 100, who=()).nobody == (7,)


@given(st.lists(st.integers(1, 5), min_size=1, max_size=6), st.integers(0, 40))
def test_each_person_is_told_once_and_in_order(places: list[int], quarters: int) -> None:
    everybody = [person(f"P{i}", person_id=i + 1, place=place) for i, place in enumerate(places)]
    urgent = alarm(class_="act now")
    first = plan(urgent, *everybody, now_s=LATER).messages
    had = [told(everybody[m.person_id - 1], due_s=m.due_s) for m in first]
    for quarter in range(quarters):
        now_s = LATER + quarter * 900
        made = escalate(urgent, *had, now_s=now_s, who=tuple(everybody)).messages
        had += [told(everybody[m.person_id - 1], due_s=m.due_s) for m in made]
    firsts = {one.person_id: one for one in reversed(had)}.values()
    assert [one.step for one in reversed(firsts)] == sorted(one.step for one in firsts)
    assert max(Counter(one.person_id for one in had).values()) <= people.MOST_TELLINGS
    if quarters > 6:
        assert len(firsts) == len(places)


# --- lists ----------------------------------------------------------------------------------------


def listed(kind: people.ListKind, *found: AlarmNow, who: Person = ANN, **values: Any) -> Any:
    return people.list_of(who, kind, found, due=LATER, now_s=LATER, **values)


def test_a_morning_list_is_the_ten_most_urgent_places_along_the_rows() -> None:
    slots = [f"{row}{n}" for row in "BA" for n in (10, 2, 1, 9, 30, 4)]
    found = [alarm(alarm_id=i, unit=f"u{i}", slot=slot) for i, slot in enumerate(slots, 1)]
    urgent = alarm(alarm_id=99, unit="u99", slot="Z9", class_="act now")
    body = listed("morning", *found, urgent)[0].body
    order = [
        body.index(f" {slot} u") for slot in ("Z9", "A1", "A2", "A4", "A9", "A10", "A30", "B1")
    ]
    assert order == sorted(order)
    assert "and 3 more on the board" in body


def test_alarms_of_one_place_are_one_thing_to_look_at() -> None:
    [message] = listed("week", alarm(), alarm(alarm_id=8, kind="damp", class_="this week"))
    assert message.subject == "The week: 1 place to look at"
    assert "wet, damp" in message.body
    assert message.alarms == ((7, 1), (8, 1))


def test_a_morning_with_nothing_is_silent_and_a_week_says_so_in_one_line() -> None:
    assert listed("morning") == []
    [message] = listed("week")
    assert message.subject == "The week: nothing to do"
    assert text.NOTHING_TO_DO in message.body.replace("\n", " ")


def test_a_season_digest_holds_the_season_and_a_week_does_not() -> None:
    later = alarm(class_="season", kind="damp")
    assert "damp" in listed("season", later, alarm())[0].body
    assert "wet" not in listed("season", later, alarm())[0].body
    assert listed("week", later)[0].subject == "The week: nothing to do"


def seals_of(unit: str, *, slot: str = "", sold: bool = False) -> people.SealsDue:
    return people.SealsDue("yard", unit, slot, sold, lambda: f"2 of 9 joints of {unit} are due")


def test_seals_that_ask_are_in_the_weeks_list_alone() -> None:
    asking = [seals_of(f"u{n}", slot=f"A{n}") for n in range(12, 0, -1)]
    [message] = listed("week", seals=asking)
    assert message.subject == "The week: seals to look at"
    order = [message.body.index(f"- u{n}: 2 of 9") for n in range(1, 11)]
    assert order == sorted(order)
    assert "and 2 more units" in message.body
    assert listed("week", alarm(), seals=asking)[0].subject == "The week: 1 place to look at"
    assert listed("season", seals=asking)[0].subject == "The season: nothing to do"
    assert listed("morning", seals=asking, who=replace(ANN, role="technician")) == []


def test_of_seals_too_people_hear_what_they_look_after() -> None:
    far = replace(ANN, reach=frozenset({"other"}))
    assert listed("week", seals=[seals_of("u1")], who=far)[0].subject == "The week: nothing to do"
    sold = seals_of("u1", sold=True)
    assert "nothing to do" in listed("week", seals=[sold])[0].subject
    own = replace(ANN, role="owner", reach=frozenset({"u1"}))
    assert "- u1: 2 of 9" in listed("week", seals=[sold], who=own)[0].body


def test_a_list_takes_back_what_an_earlier_one_told() -> None:
    [message] = listed("week", corrected=[alarm(withdrawn_s=LATER, revision=2)])
    assert "No longer so" in message.body
    assert message.alarms == ((7, 2),)


# --- sentences ------------------------------------------------------------------------------------


def test_times_and_temperatures_are_the_readers_own() -> None:
    wish = text.Wish("America/New_York", fahrenheit=True, twelve_hour=True)
    said = text.shown_in("From -5 to 2.5 °C since 2026-01-05 17:00 UTC, now −1 °C.", wish)
    assert said == "From 23 to 36.5 °F since Mon 5 Jan 2026, 12:00 PM EST, now 30 °F."


def test_a_message_says_what_to_do_before_it_says_why() -> None:
    said = text.alarm_text("water contact", zone="floor-bath", alarm_class="act now", facts={})
    urgent = alarm(kind="water contact", class_="act now", zone="floor-bath", text=said)
    subject, body = text.alarm_message(urgent, text.Wish(), board_url="https://board.example/")
    assert subject == "ACT NOW: liquid water, A2 u1 floor-bath"
    parts = ("floor-bath: liquid water", "What to do within the hour", "Shut the water supply",
             "Do not step", "Electricity: pull shore power", "Likely cause", "Slot:   A2",
             "/unit/u1/zone/floor-bath")  # fmt: skip
    assert [body.index(part) for part in parts] == sorted(body.index(part) for part in parts)
    assert max(map(len, body.splitlines())) <= 76
    for sentence in said.split(". "):
        assert sentence.split(" (within")[0].strip(". ") in " ".join(body.split())


@pytest.mark.parametrize("kind", sorted(text.PARTS))
def test_no_word_of_an_alarm_is_lost_in_its_message(kind: Any) -> None:
    said = text.alarm_text(kind, zone="z", alarm_class="today", facts={"kind": "wall"})
    _, body = text.alarm_message(alarm(kind=kind, text=said), text.Wish(), board_url="")
    shown = set(re.findall(r"\w+", body.replace(text.TIME_ALLOWED["today"], "")))
    kept = said.replace(f"({text.TIME_ALLOWED['today']})", "")
    assert set(re.findall(r"\w+", kept)) <= shown
