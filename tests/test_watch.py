"""Rounds of the watch on a real record: judged, raised, corrected, never cleared by silence."""

import itertools
import json
import math
import random
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from monitor import judge, people, text, watch
from monitor.errors import InputError
from monitor.lot import (
    DEFAULT_SILENCE_S,
    Event,
    ForecastHour,
    Placement,
    Site,
    Unit,
    Zone,
    silent_after_s,
)
from monitor.store import Alarm, OutboxItem, Record, open_record
from monitor.store import people as kept
from monitor.store.people import Person
from sensors.wire import Reading
from tests.conftest import tries
from tests.judging import DAY_S, START_S

HOUR_S = 3600


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        furnish(opened)
        yield opened


def furnish(record: Record, placed_s: int = START_S - 3 * DAY_S) -> None:
    """One unit with two walls, and the air outside."""
    record.add_site(Site("yard"))
    record.add_unit(Unit("u1", "yard"))
    for probe, unit, zone, kind in (
        ("p1", "u1", "off-rear-low", "wall"),
        ("p2", "u1", "door-rear-low", "wall"),
        ("p3", "", "outside", "outside"),
    ):
        record.add_zone("yard", Zone(unit, zone, kind))  # type: ignore[arg-type]
        placement = Placement("n1", probe, "yard", unit, zone, placed_s)
        record.place(placement, recorded_s=placed_s, who="test")


def history(
    days: int, *, wet_from_h: int = 10**6, wet_to_h: int = 10**6, every_s: int = 1800
) -> list[Reading]:
    """Mild dry weather; the first wall is wet for a while."""
    readings = []
    for seq, second in enumerate(range(0, days * DAY_S, every_s)):
        wet = wet_from_h <= second // HOUR_S < wet_to_h
        for probe, humidity in (("p1", 92.0 if wet else 60.0), ("p2", 61.0), ("p3", 62.0)):
            readings.append(
                Reading(
                    site="yard",
                    node="n1",
                    probe=probe,
                    boot=1,
                    seq=seq,
                    at_s=START_S + second + 60,
                    temperature_c=12.0,
                    humidity_percent=humidity,
                )
            )
    return readings


def take(record: Record, readings: Sequence[Reading], received_s: int) -> None:
    for group in _batched(readings):
        record.take(group, [], received_s=received_s)


def _batched(readings: Sequence[Reading]) -> Iterator[Sequence[Reading]]:
    for start in range(0, len(readings), 500):
        yield readings[start : start + 500]


def state(record: Record, at_s: int, zone: str = "off-rear-low") -> str:
    hour = at_s // HOUR_S
    (row,) = record.hours("u1", zone, from_hour=hour, to_hour=hour + 1)
    return str(row["state"])


def open_kinds(record: Record) -> list[str]:
    return sorted(alarm.kind for alarm in record.alarms() if alarm.cleared_s is None)


def test_a_leak_is_raised_as_wet_with_the_reason(record: Record) -> None:
    now_s = START_S + 6 * DAY_S
    take(record, history(6, wet_from_h=72), now_s)
    done = watch.tick(record, now_s=now_s)
    assert (done.units, done.hours) == (1, 2 * 144)
    (alarm,) = [a for a in record.alarms() if a.kind == "wet"]
    assert (alarm.unit, alarm.zone, alarm.class_) == ("u1", "off-rear-low", "today")
    assert alarm.state == "unacknowledged"
    assert "the weather alone explains" in alarm.text
    assert state(record, now_s - HOUR_S) == "wet"
    assert state(record, now_s - HOUR_S, "door-rear-low") == "dry"


def test_a_round_without_news_changes_nothing(record: Record) -> None:
    now_s = START_S + 2 * DAY_S
    take(record, history(2), now_s)
    watch.tick(record, now_s=now_s)
    before = record.counts()
    assert watch.tick(record, now_s=now_s).units == 0
    assert record.counts() == before


def test_silence_clears_nothing_and_raises_its_own_alarm(record: Record) -> None:
    heard_s = START_S + 6 * DAY_S
    take(record, history(6, wet_from_h=72), heard_s)
    watch.tick(record, now_s=heard_s)
    watch.tick(record, now_s=heard_s + 10 * DAY_S)
    assert open_kinds(record) == ["silent", "wet"]
    assert state(record, heard_s + 9 * DAY_S) == "unknown"


def seen_dry(record: Record, day: int, zone: str = "off-rear-low") -> None:
    """An inspection without a leak, and a round of the watch after its hour."""
    at_s = START_S + day * DAY_S + 600
    record.add_event("yard", Event(at_s, "inspection", "dry", "u1", zone), recorded_s=at_s)
    watch.tick(record, now_s=at_s + 2 * HOUR_S)


def wet(record: Record) -> list[str]:
    return [alarm.state for alarm in record.alarms() if alarm.kind == "wet"]


@pytest.mark.parametrize("acknowledged", [False, True])
def test_an_inspection_ends_what_a_probe_that_is_gone_cannot(
    record: Record, acknowledged: bool
) -> None:
    readings = history(16, wet_from_h=72, wet_to_h=240)
    take(record, readings[: 6 * 48 * 3], START_S + 6 * DAY_S)
    watch.tick(record, now_s=START_S + 6 * DAY_S)
    if acknowledged:
        (alarm,) = [a for a in record.alarms() if a.kind == "wet"]
        watch.acknowledge(record, alarm.alarm_id, who="A", now_s=START_S + 6 * DAY_S)
    seen_dry(record, 6)  # while a probe is there, its readings have the word
    standing = "acknowledged" if acknowledged else "unacknowledged"
    assert wet(record) == [standing]
    gone_s = START_S + 7 * DAY_S
    record.place(Placement("n1", "p1", "yard", "", "", gone_s), recorded_s=gone_s, who="", why="x")
    watch.tick(record, now_s=gone_s + DAY_S)
    assert wet(record) == [standing]  # nothing shows that it dried
    seen_dry(record, 9, zone="door-rear-low")  # of another place
    assert wet(record) == [standing]
    seen_dry(record, 9)
    assert wet(record) == ["normal"]
    (alarm,) = [a for a in record.alarms() if a.kind == "wet"]
    assert alarm.cleared_s == START_S + 9 * DAY_S + HOUR_S
    steps = record.alarm_steps(alarm.alarm_id)
    assert (steps[-1].state, steps[-1].why) == ("normal", "somebody inspected it")
    again_s = START_S + 12 * DAY_S
    home = Placement("n1", "p1", "yard", "u1", "off-rear-low", again_s)
    record.place(home, recorded_s=again_s, who="", why="x")
    take(record, readings[12 * 48 * 3 :], START_S + 16 * DAY_S)
    watch.tick(record, now_s=START_S + 16 * DAY_S)
    assert wet(record) == ["normal"]  # it is dry there, and its past was over
    late = Event(START_S + DAY_S, "hose", "", "u1", "door-rear-low")
    record.add_event("yard", late, recorded_s=START_S + 17 * DAY_S)  # all is judged once more
    watch.tick(record, now_s=START_S + 17 * DAY_S)
    assert wet(record) == ["normal"]


def test_a_node_that_never_spoke_is_silent_too(record: Record) -> None:
    watch.tick(record, now_s=START_S)
    (alarm,) = record.alarms()
    assert (alarm.kind, alarm.node) == ("silent", "n1")
    assert "since it was placed" in alarm.text
    watch.tick(record, now_s=START_S + DAY_S)
    assert len(record.alarms()) == 1


def test_a_node_heard_again_ends_its_silence_and_stays_to_be_acknowledged(record: Record) -> None:
    watch.tick(record, now_s=START_S)
    take(record, history(1), START_S + DAY_S)
    watch.tick(record, now_s=START_S + DAY_S + 60)
    (alarm,) = [a for a in record.alarms() if a.kind == "silent"]
    assert alarm.state == "returned unacknowledged"
    assert alarm.cleared_s == START_S + DAY_S - 1740  # its newest sample


def test_a_node_that_hands_over_old_samples_is_not_silent_until_it_stops(record: Record) -> None:
    now_s = START_S + 30 * DAY_S
    take(record, history(1), now_s)
    watch.tick(record, now_s=now_s + 60)
    assert "silent" not in open_kinds(record)
    watch.tick(record, now_s=now_s + 400)
    assert "silent" in open_kinds(record)


def test_liquid_water_is_raised_before_its_hour_is_over_and_only_once(record: Record) -> None:
    at_s = START_S + 2 * DAY_S + 120
    take(record, history(2), at_s)
    water = Reading(
        site="yard", node="n1", probe="p1", boot=1, seq=9999, at_s=at_s, contact=True,
        temperature_c=12.0, humidity_percent=60.0,
    )  # fmt: skip
    record.take([water], [], received_s=at_s)
    watch.tick(record, now_s=at_s + 10)
    assert [a.kind for a in record.alarms(open_only=True)] == ["water contact"]
    watch.tick(record, now_s=at_s + HOUR_S)
    kinds = [a.kind for a in record.alarms(open_only=True) if a.kind == "water contact"]
    assert kinds == ["water contact"]
    assert state(record, at_s) == "wet"


def test_water_seen_twice_in_an_hour_before_the_round_is_one_alarm(record: Record) -> None:
    hour_s = START_S + 2 * DAY_S
    take(record, history(2), hour_s)
    for seq, at_s in ((9998, hour_s + 300), (9999, hour_s + 900)):
        water = replace(history(1)[0], seq=seq, at_s=at_s, contact=True)
        record.take([water], [], received_s=at_s)
    watch.tick(record, now_s=hour_s + 1000)
    watch.tick(record, now_s=hour_s + HOUR_S + 60)
    assert [a.kind for a in record.alarms() if a.kind == "water contact"] == ["water contact"]


def test_water_that_turns_out_to_be_disputed_is_withdrawn(record: Record) -> None:
    at_s = START_S + 2 * DAY_S + 300
    take(record, history(2), at_s)
    water = replace(history(1)[0], seq=9998, at_s=at_s, contact=True)
    record.take([water], [], received_s=at_s)
    watch.tick(record, now_s=at_s + 60)
    record.take([replace(water, contact=False)], [], received_s=at_s + 90)
    watch.tick(record, now_s=at_s + HOUR_S)
    (alarm,) = [a for a in record.alarms() if a.kind == "water contact"]
    assert (alarm.state, alarm.withdrawn_s) == ("normal", at_s + HOUR_S)


def test_an_alarm_raised_again_after_it_was_withdrawn_is_told_again(record: Record) -> None:
    at_s = START_S + DAY_S
    unit, begins = Unit("u1", "yard"), judge.AlarmChange("off-rear-low", "wet", at_s, None, {})
    for now_s, changes in ((at_s + 60, [begins]), (at_s + 120, []), (at_s + 180, [begins])):
        work = watch.reconcile(
            unit, changes, (), record.alarms(unit="u1"), since_s=START_S, now_s=now_s
        )
        for new in work.new:
            record.add_alarm(new, now_s=now_s)
        for changed in work.changed:
            record.change_alarm(changed, now_s=now_s)
    with record.engine.connect() as connection:
        keys = [
            row[0]
            for row in connection.exec_driver_sql("SELECT key FROM outbox ORDER BY outbox_id")
        ]
    told = f"u1/off-rear-low/wet/{at_s}"
    assert keys == [told, "alarm 1/withdrawn/2", f"{told}/3"]


def test_the_hours_of_a_site_go_on_while_its_node_is_silent(record: Record) -> None:
    take(record, history(1), START_S + DAY_S)
    watch.tick(record, now_s=START_S + DAY_S)
    first, last = record.site_spans("yard")["outside"]
    for days in (2, 3, 7):
        watch.tick(record, now_s=START_S + days * DAY_S)
    assert (first, last) == (START_S // HOUR_S, START_S // HOUR_S + 23)
    assert record.site_spans("yard")["outside"] == (first, first + 7 * 24 - 1)


def test_late_readings_raise_what_they_show_and_withdraw_what_they_disprove(record: Record) -> None:
    readings = history(8, wet_from_h=72)
    now_s = START_S + 8 * DAY_S
    # the air outside is missing at first: the other wall is the only reference
    take(record, [r for r in readings if r.probe != "p2"], now_s)
    watch.tick(record, now_s=now_s)
    (first,) = [a for a in record.alarms() if a.kind == "wet"]
    # two days of late readings of the same probe, dry: those before them were disputed by nothing
    late = [
        Reading(
            site="yard", node="n1", probe="p1", boot=1, seq=10_000 + k,
            at_s=START_S + 72 * HOUR_S + 90 + 60 * k, temperature_c=12.0, humidity_percent=20.0,
        )
        for k in range(5 * 24 * 60)
    ]  # fmt: skip
    take(record, late, now_s)
    watch.tick(record, now_s=now_s)
    (withdrawn,) = [a for a in record.alarms() if a.alarm_id == first.alarm_id]
    assert withdrawn.withdrawn_s == now_s
    assert withdrawn.state == "normal"
    assert withdrawn.revision == 2
    assert withdrawn.text == first.text


def test_a_move_is_judged_from_when_it_happened(record: Record) -> None:
    now_s = START_S + 6 * DAY_S
    take(record, history(6, wet_from_h=72), now_s)
    watch.tick(record, now_s=now_s)
    assert state(record, now_s - HOUR_S) == "wet"
    moved = Placement("n1", "p1", "yard", "", "", START_S + 2 * DAY_S)
    record.place(moved, recorded_s=now_s, who="test", why="taken away")
    watch.tick(record, now_s=now_s)
    assert state(record, now_s - HOUR_S) == "unknown"
    assert state(record, START_S + DAY_S) == "dry"
    assert [a.kind for a in record.alarms() if a.kind == "wet" and a.withdrawn_s is None] == []


def test_an_event_with_an_earlier_time_is_judged_again(record: Record) -> None:
    now_s = START_S + 4 * DAY_S
    take(record, history(4), now_s)
    watch.tick(record, now_s=now_s)
    record.add_event("yard", Event(START_S + DAY_S, "hose", unit="u1"), recorded_s=now_s)
    watch.tick(record, now_s=now_s)
    hour = now_s // HOUR_S - 1
    (row,) = record.hours("u1", "off-rear-low", from_hour=hour, to_hour=hour + 1)
    assert row["witnessed"] == 1


def test_acknowledging_needs_a_name_and_happens_once(record: Record) -> None:
    watch.tick(record, now_s=START_S)
    (alarm,) = record.alarms()
    with pytest.raises(InputError, match="who acknowledges"):
        watch.acknowledge(record, alarm.alarm_id, who=" ", now_s=START_S)
    watch.acknowledge(record, alarm.alarm_id, who="R. Test", now_s=START_S)
    assert record.alarms()[0].state == "acknowledged"
    with pytest.raises(InputError, match="acknowledged already"):
        watch.acknowledge(record, alarm.alarm_id, who="R. Test", now_s=START_S)
    with pytest.raises(InputError, match="no alarm number 77"):
        watch.acknowledge(record, 77, who="R. Test", now_s=START_S)


def _contents(record: Record) -> tuple[Any, ...]:
    hours = [
        {name: value for name, value in row.items() if name != "zone_id"}
        for zone in ("off-rear-low", "door-rear-low")
        for row in record.hours("u1", zone, from_hour=0, to_hour=10**7)
    ]
    alarms = sorted(
        (a.zone, a.kind, a.raised_s, a.cleared_s or 0)
        for a in record.alarms()
        if a.withdrawn_s is None and a.kind not in {"silent", "probe silent"}
    )
    return hours, alarms


@settings(max_examples=tries(3, 20), deadline=None)
@given(seed=st.integers(0, 2**32), rounds=st.integers(1, 6))
def test_any_order_repeats_rounds_and_restarts_end_in_the_same_record(
    tmp_path_factory: pytest.TempPathFactory, seed: int, rounds: int
) -> None:
    rng = random.Random(seed)
    days = 7
    end_s = START_S + days * DAY_S
    readings = [r for r in history(days, wet_from_h=60, wet_to_h=100) if rng.random() < 0.9]
    with open_record(tmp_path_factory.mktemp("plain")) as plain:
        furnish(plain)
        take(plain, readings, end_s)
        watch.tick(plain, now_s=end_s)
        expected = _contents(plain)

    home = tmp_path_factory.mktemp("shuffled")
    with open_record(home) as first:
        furnish(first)
    shuffled = readings + rng.sample(readings, len(readings) // 5)
    rng.shuffle(shuffled)
    cuts = sorted(rng.randrange(len(shuffled)) for _ in range(rounds))
    for start, stop in itertools.pairwise([0, *cuts, len(shuffled)]):
        with open_record(home) as reopened:  # a restart before every round
            take(reopened, shuffled[start:stop], end_s)
            watch.tick(
                reopened, now_s=rng.randrange(START_S, end_s) if stop < len(shuffled) else end_s
            )
    with open_record(home) as reopened:
        watch.tick(reopened, now_s=end_s)
        assert _contents(reopened) == expected


# --- findings that are latched ---------------------------------------------------------------------

T_FOUND = START_S + 30 * DAY_S
BEGINS = judge.AlarmChange("off-rear-low", "leak suspect", T_FOUND, None, {})
AGAIN = judge.AlarmChange("off-rear-low", "leak suspect", T_FOUND + 40 * DAY_S, None, {})


def reconciled(
    record: Record, changes: list[judge.AlarmChange], latch: judge.Latch | None, now_s: int
) -> str:
    """State of the one leak suspect after the watch has found this."""
    unit = Unit("u1", "yard")
    latches = [] if latch is None else [latch]
    for _ in range(2):  # finding the same again changes nothing
        work = watch.reconcile(
            unit, changes, latches, record.alarms(unit="u1"), since_s=START_S, now_s=now_s
        )
        for new in work.new:
            record.add_alarm(new, now_s=now_s)
        for changed in work.changed:
            record.change_alarm(changed, now_s=now_s)
    assert work.new == work.changed == ()
    (alarm,) = record.alarms(unit="u1")
    return alarm.state


def test_a_leak_suspect_stays_until_an_inspection_and_its_episodes_are_one_alarm(
    record: Record,
) -> None:
    rested_s, seen_s = T_FOUND + 20 * DAY_S, T_FOUND + 60 * DAY_S
    found = judge.Latch("off-rear-low", T_FOUND, None)
    assert reconciled(record, [BEGINS], found, T_FOUND + DAY_S) == "unacknowledged"
    (alarm,) = record.alarms()
    watch.acknowledge(record, alarm.alarm_id, who="A. N.", now_s=T_FOUND + 2 * DAY_S)
    resting = judge.Latch("off-rear-low", T_FOUND, rested_s)
    assert reconciled(record, [BEGINS], resting, rested_s) == "latched acknowledged"
    back = judge.Latch("off-rear-low", T_FOUND, None)
    assert reconciled(record, [BEGINS, AGAIN], back, seen_s - DAY_S) == "unacknowledged"
    inspected = judge.Latch("off-rear-low", T_FOUND, None, seen_s)
    assert reconciled(record, [BEGINS, AGAIN], inspected, seen_s + DAY_S) == "normal"
    (alarm,) = record.alarms()
    assert (alarm.cleared_s, alarm.revision) == (seen_s, 1)


def test_late_readings_that_show_a_finding_was_none_withdraw_it_even_when_latched(
    record: Record,
) -> None:
    resting = judge.Latch("off-rear-low", T_FOUND, T_FOUND + 20 * DAY_S)
    now_s = T_FOUND + 21 * DAY_S
    assert reconciled(record, [BEGINS], resting, now_s) == "latched unacknowledged"
    assert reconciled(record, [], None, now_s) == "normal"
    (alarm,) = record.alarms()
    assert alarm.withdrawn_s == now_s


def test_a_finding_older_than_what_was_judged_now_stands(record: Record) -> None:
    found = judge.Latch("off-rear-low", T_FOUND, None)
    assert reconciled(record, [BEGINS], found, T_FOUND + DAY_S) == "unacknowledged"
    assert reconciled(record, [], found, T_FOUND + 90 * DAY_S) == "unacknowledged"


def test_a_low_battery_is_raised_once_and_ends_with_a_fuller_one(record: Record) -> None:
    def heard(day: int, percent: float) -> None:
        at_s = START_S + day * DAY_S
        sample = replace(history(1)[0], seq=day, at_s=at_s, battery_percent=percent)
        record.take([sample], [], received_s=at_s)
        watch.tick(record, now_s=at_s)

    for day, percent in enumerate((40.0, 20.0, 19.0, 25.0)):
        heard(day, percent)
    (alarm,) = [a for a in record.alarms() if a.kind == "battery low"]
    assert (alarm.node, alarm.raised_s, alarm.state) == ("n1", START_S + DAY_S, "unacknowledged")
    assert "is at 20 %" in alarm.text
    heard(4, 95.0)
    (alarm,) = [a for a in record.alarms() if a.kind == "battery low"]
    assert (alarm.cleared_s, alarm.state) == (START_S + 4 * DAY_S, "returned unacknowledged")


def test_a_flood_is_raised_while_the_intake_drops_and_ends_an_hour_after(record: Record) -> None:
    def counted(at_s: int, floods: dict[str, tuple[int, int]], *, since_s: int = START_S) -> None:
        record.beat("intake", at_s, json.dumps({"since_s": since_s, "floods": floods}))
        watch.tick(record, now_s=at_s)

    def found() -> list[tuple[str, int | None]]:
        return [(a.node, a.cleared_s) for a in record.alarms() if a.kind == "flood"]

    record.take([history(1)[0]], [], received_s=START_S)
    counted(START_S + 60, {})
    assert found() == []
    dropped_s = START_S + 3 * HOUR_S
    counted(dropped_s + 30, {"sillkeep/yard/n1/senml": (1200, dropped_s)})
    counted(dropped_s + 90, {"sillkeep/yard/n1/senml": (2500, dropped_s + 80)})
    (alarm,) = [a for a in record.alarms() if a.kind == "flood"]
    assert (alarm.node, alarm.class_, alarm.raised_s) == ("n1", "this week", dropped_s)
    assert "1,200 of its messages were dropped" in alarm.text
    counted(dropped_s + 600, {}, since_s=dropped_s + 300)  # a new intake has counted for minutes
    assert found() == [("n1", None)]
    over_s = dropped_s + 300 + HOUR_S
    counted(over_s, {}, since_s=dropped_s + 300)
    assert found() == [("n1", over_s)]


def test_a_flood_under_names_that_the_record_lacks_is_one_alarm_of_its_site(
    record: Record,
) -> None:
    at_s = START_S + HOUR_S
    floods = {
        "sillkeep/yard/forged1/senml": (5, at_s),
        "sillkeep/nowhere/forged2/senml": (6, at_s - 5),
        "": (7, at_s - 9),
    }
    record.beat("intake", at_s, json.dumps({"since_s": START_S, "floods": floods}))
    for now_s in (at_s, at_s + 60):
        watch.tick(record, now_s=now_s)
    (alarm,) = [a for a in record.alarms() if a.kind == "flood"]
    assert (alarm.site, alarm.node) == ("yard", "")
    assert "somebody under unknown names" in alarm.text
    assert "18 of its messages" in alarm.text


def test_checkpoints_are_thinned_and_late_readings_judged_from_the_one_before(
    tmp_path: Path,
) -> None:
    """What a record has kept that was judged day by day is what one judged at once keeps."""
    days, late = 50, 20
    whole = history(days, wet_from_h=24 * 30, every_s=3600)
    late_s = START_S + late * DAY_S
    others = [r for r in whole if not (r.at_s and late_s <= r.at_s < late_s + DAY_S)]
    with open_record(tmp_path / "daily") as daily, open_record(tmp_path / "once") as once:
        for record in (daily, once):
            furnish(record, START_S)
        for day in range(days):
            now_s = START_S + (day + 1) * DAY_S
            take(daily, [r for r in others if r.at_s and now_s - DAY_S <= r.at_s < now_s], now_s)
            watch.tick(daily, now_s=now_s)
        now_s = START_S + days * DAY_S
        take(daily, [r for r in whole if r not in others], now_s)
        watch.tick(daily, now_s=now_s)
        take(once, whole, now_s)
        watch.tick(once, now_s=now_s)
        asked = "SELECT day, state FROM checkpoint ORDER BY day"
        with daily.engine.connect() as one, once.engine.connect() as other:
            kept, fresh = (db.exec_driver_sql(asked).all() for db in (one, other))
        assert dict(kept) == dict(fresh)
        last = (START_S + days * DAY_S) // DAY_S
        steps = [later - day for (day, _), (later, _) in itertools.pairwise(kept)]
        assert [day for day, _ in kept][-8:] == list(range(last - 7, last + 1))
        assert max(steps) <= judge.SPARSE_STEP
        assert len(kept) < 20
        for zone in ("off-rear-low", "door-rear-low"):
            found = [
                record.hours("u1", zone, from_hour=0, to_hour=2**40) for record in (daily, once)
            ]
            assert found[0] == found[1]


# --- the monitor itself was away ------------------------------------------------------------------


def notices(record: Record) -> list[str]:
    with record.engine.connect() as db:
        query = "select body from outbox where key like ? order by outbox_id"
        return [row[0] for row in db.exec_driver_sql(query, ("not watched/%",))]


def listens(record: Record, at_s: int, gap: tuple[int, int] | None = None) -> None:
    record.beat("intake", at_s, json.dumps({"since_s": at_s, "gap": gap}))


def test_after_hours_without_a_monitor_one_notice_comes_and_no_silences(record: Record) -> None:
    readings = history(2)
    last_s = START_S + DAY_S
    take(record, [r for r in readings if r.at_s and r.at_s <= last_s], last_s)
    listens(record, last_s)
    watch.tick(record, now_s=last_s)
    record.beat("watch", last_s)
    back_s = last_s + 9 * HOUR_S
    watch.tick(record, now_s=back_s)  # before the intake has come back
    assert (notices(record), "silent" in open_kinds(record)) == ([], False)
    gap = record.listening().gap_before(back_s + 5)
    assert gap == (last_s, back_s + 5)
    listens(record, back_s + 5, gap)
    for now_s in (back_s + 10, back_s + 70, back_s + HOUR_S):
        watch.tick(record, now_s=now_s)
        listens(record, now_s, gap)
        assert "silent" not in open_kinds(record)
    (said,) = notices(record)
    assert said.startswith(
        f"Nothing was watched from {text.moment(last_s)} to {text.moment(back_s + 5)}"
    )
    listens(record, back_s + 5 * HOUR_S, gap)
    record.beat("watch", back_s + 5 * HOUR_S - 60)  # it went on, round after round
    watch.tick(record, now_s=back_s + 5 * HOUR_S)  # the node had its time anew
    (silent,) = [a for a in record.alarms() if a.kind == "silent"]
    assert silent.raised_s == back_s + 5 + silent_after_s(DEFAULT_SILENCE_S)
    assert len(notices(record)) == 1


def test_a_node_that_was_silent_before_the_monitor_went_away_stays_silent(record: Record) -> None:
    take(record, history(1), START_S + DAY_S)
    away_s = START_S + 2 * DAY_S
    listens(record, away_s)
    watch.tick(record, now_s=away_s)
    (before,) = [a for a in record.alarms() if a.kind == "silent"]
    gap = (away_s, away_s + 9 * HOUR_S)
    listens(record, gap[1], gap)
    watch.tick(record, now_s=gap[1] + 60)
    assert [a for a in record.alarms() if a.kind == "silent"] == [before]


def test_a_watch_that_was_away_while_the_intake_ran_is_told_too(record: Record) -> None:
    record.beat("watch", START_S)
    back_s = START_S + 5 * HOUR_S
    listens(record, back_s - 5)
    watch.tick(record, now_s=back_s)
    (said,) = notices(record)
    assert f"from {text.moment(START_S)} to {text.moment(back_s)}" in said


def test_a_restart_of_minutes_is_no_absence(record: Record) -> None:
    listens(record, START_S)
    record.beat("watch", START_S)
    assert record.listening().gap_before(START_S + 1800) is None
    listens(record, START_S + 1800)
    watch.tick(record, now_s=START_S + 1805)
    assert notices(record) == []
    # the clock of a machine without one goes back until it is set
    assert record.listening().gap_before(1_000_000) is None


def test_the_notice_is_a_message_of_its_own_words(record: Record) -> None:
    said = text.not_watched_text(from_s=START_S, to_s=START_S + 5 * HOUR_S)
    record.tell(OutboxItem(f"not watched/{START_S}", "people", said), now_s=START_S)
    (entry,) = kept.undecided(record.engine, limit=5)
    ann = Person("Ann", "owner", "UTC", quiet=(0, 0), person_id=1, addresses=("a",))
    found = people.plan(entry, [ann], [], now_s=START_S + 600)
    assert found is not None
    (message,) = found.messages
    assert message.subject == "Today: nothing was watched"
    assert "Sillkeep itself did not run" in message.body.replace("\n", " ")


# --- frost ahead ----------------------------------------------------------------------------------


def a_cold_week(record: Record, *, days: int = 8) -> int:
    """An unheated cabin that follows falling, swinging air; the hour after it."""
    record.add_zone("yard", Zone("u1", "air-main", "cabin"))
    placed_s = START_S - 3 * DAY_S
    place = Placement("n1", "p4", "yard", "u1", "air-main", placed_s)
    record.place(place, recorded_s=placed_s, who="test")
    readings, inside_c = [], 6.0
    for seq in range(days * 48):
        outside_c = 5.0 + 4.0 * math.sin(2 * math.pi * (seq / 48 - 0.4)) - 0.2 * seq / 48
        inside_c += (outside_c + 0.5 - inside_c) * (1 - math.exp(-0.5 / 4.0))
        for probe, celsius in (("p3", outside_c), ("p4", inside_c)):
            at_s = START_S + seq * 1800 + 60
            readings.append(
                Reading(site="yard", node="n1", probe=probe, boot=1, seq=seq, at_s=at_s,
                        temperature_c=celsius, humidity_percent=75.0)
            )  # fmt: skip
    take(record, readings, START_S)
    return START_S + days * DAY_S


def expect(record: Record, celsius: float, *, now_s: int) -> None:
    hours = [ForecastHour(now_s // HOUR_S + k, celsius) for k in range(48)]
    record.keep_forecast("yard", hours, now_s=now_s)


def ahead(record: Record) -> list[Alarm]:
    return [alarm for alarm in record.alarms() if alarm.kind == "freezing ahead"]


def test_a_frost_that_is_forecast_is_told_once_with_its_hour_and_ends_with_the_forecast(record):
    now_s = a_cold_week(record)
    watch.tick(record, now_s=now_s)
    assert ahead(record) == []  # nobody forecasts anything
    expect(record, -9.0, now_s=now_s)
    for later in (HOUR_S, 2 * HOUR_S):
        watch.tick(record, now_s=now_s + later)
    (alarm,) = ahead(record)
    assert (alarm.class_, alarm.zone, alarm.state) == ("today", "air-main", "unacknowledged")
    assert re.search(r"reaches 0 °C about \d{4}-\d\d-\d\d \d\d:\d\d UTC", alarm.text)
    expect(record, 12.0, now_s=now_s + 3 * HOUR_S)
    watch.tick(record, now_s=now_s + 3 * HOUR_S)
    (over,) = ahead(record)
    assert over.cleared_s == now_s + 3 * HOUR_S
    assert over.withdrawn_s is None


@pytest.mark.parametrize("how", ["winterised", "mild"])
def test_a_winterised_unit_and_a_mild_forecast_tell_nothing(record, how):
    now_s = a_cold_week(record)
    if how == "winterised":
        record.add_event("yard", Event(START_S, "winterised", unit="u1"), recorded_s=START_S)
    expect(record, -9.0 if how == "winterised" else 3.0, now_s=now_s)
    watch.tick(record, now_s=now_s)
    assert ahead(record) == []


def test_a_forecast_of_the_day_before_yesterday_is_none(record):
    now_s = a_cold_week(record)
    expect(record, -9.0, now_s=now_s - 40 * HOUR_S)
    watch.tick(record, now_s=now_s)
    assert ahead(record) == []


def test_winterising_ends_what_was_told_ahead(record):
    now_s = a_cold_week(record)
    expect(record, -9.0, now_s=now_s)
    watch.tick(record, now_s=now_s)
    record.add_event("yard", Event(now_s, "winterised", unit="u1"), recorded_s=now_s)
    watch.tick(record, now_s=now_s + HOUR_S)
    assert [alarm.cleared_s for alarm in ahead(record)] == [now_s + HOUR_S]


def test_what_was_told_ahead_ends_by_itself_where_nobody_forecasts_any_more(record):
    now_s = a_cold_week(record)
    expect(record, -9.0, now_s=now_s)
    watch.tick(record, now_s=now_s)
    (alarm,) = ahead(record)
    for hours, over in ((40, False), (50, True)):
        later_s = now_s + hours * HOUR_S
        mild = [
            Reading(site="yard", node="n1", probe=probe, boot=1, seq=5000 + hours,
                    at_s=later_s - 60, temperature_c=8.0, humidity_percent=75.0)
            for probe in ("p3", "p4")
        ]  # fmt: skip
        take(record, mild, later_s)
        watch.tick(record, now_s=later_s)
        (alarm,) = ahead(record)
        assert (alarm.cleared_s is not None) == over
