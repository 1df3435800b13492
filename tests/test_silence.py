"""Silence of a channel, of a probe, of a person: none of it is dryness, and none of it floods anybody."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor import watch
from monitor.errors import InputError, MeanwhileError
from monitor.lot import Event, Placement, Site, Unit, Zone
from monitor.store import open_record
from monitor.store.record import Record
from monitor.store.rows import AlarmStep, ChangedAlarm
from sensors.wire import Reading

HOUR_S, DAY_S = 3600, 86400
T0 = 1_764_028_800  # a midnight, UTC
EVERY_S = 1800
ZONE = "off-rear-low"


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        opened.add_site(Site("yard"))
        for unit in ("u1", "u2"):
            opened.add_unit(Unit(unit, "yard"))
            opened.add_zone("yard", Zone(unit, ZONE, "wall"))
        yield opened


def placed(record: Record, unit: str = "u1", *, node: str = "n1", probe: str = "p1", at_s=T0):
    record.place(
        Placement(node, probe, "yard", unit, ZONE, at_s), recorded_s=at_s, who="", why="test"
    )


def heard(
    record: Record, days: int, told: Callable[[int], dict | None], *, first_day: int = 0
) -> None:
    for day in range(first_day, first_day + days):
        samples = [
            Reading(site="yard", node="n1", boot=1, seq=at_s, at_s=at_s, **fields)
            for at_s in range(T0 + day * DAY_S, T0 + (day + 1) * DAY_S, EVERY_S)
            if (fields := told(at_s - T0)) is not None
        ]
        record.take(samples, [], received_s=T0 + (day + 1) * DAY_S)
    watch.tick(record, now_s=T0 + (first_day + days) * DAY_S)


def words(record: Record, unit: str = "u1") -> list[str]:
    """The word at the end of each day."""
    rows = record.hours(unit, ZONE, from_hour=0, to_hour=10**9)
    return [row["state"] for row in rows if row["hour"] % 24 == 23]


def standing(record: Record, kind: str) -> list[str]:
    found = [a for a in record.alarms() if a.kind == kind and a.cleared_s is None]
    return [a.unit for a in found if a.withdrawn_s is None]


AIR = {"temperature_c": 20.0, "humidity_percent": 50.0}


@pytest.mark.parametrize(
    "told", [{"temperature_c": 20.0}, {"battery_percent": 80.0}, {"contact": False}]
)
def test_a_wall_whose_moisture_nobody_measures_is_unknown(record: Record, told: dict) -> None:
    placed(record)
    heard(record, 5, lambda _: told)
    assert words(record) == ["unknown"] * 5


def test_a_wall_whose_humidity_sensor_died_becomes_unknown(record: Record) -> None:
    placed(record)
    heard(record, 9, lambda at_s: AIR if at_s < 4 * DAY_S else {"temperature_c": 20.0})
    assert words(record)[3:] == ["dry", *["unknown"] * 5]


def test_water_is_not_over_because_its_channel_fell_silent(record: Record) -> None:
    placed(record)

    def told(at_s: int) -> dict:
        return AIR | ({"contact": at_s >= 3 * DAY_S} if at_s < 4 * DAY_S else {})

    heard(record, 9, told)
    assert words(record)[4:] == ["wet"] * 5
    assert standing(record, "water contact") == ["u1"]
    record.add_event(
        "yard", Event(T0 + 9 * DAY_S, "inspection", "dry", "u1", ZONE), recorded_s=T0 + 9 * DAY_S
    )
    heard(record, 3, told, first_day=9)
    assert words(record)[-1] == "dry"  # somebody looked, and the air says the rest
    assert standing(record, "water contact") == []


def test_a_pin_that_died_wet_has_not_dried(record: Record) -> None:
    placed(record)
    heard(record, 12, lambda at_s: AIR | ({"wood_percent": 28.0} if at_s < 4 * DAY_S else {}))
    assert words(record)[2:] == ["wet"] * 10


def test_a_pin_alone_raises_damp(record: Record) -> None:
    placed(record)
    heard(record, 4, lambda _: {"wood_percent": 18.0})
    assert standing(record, "damp") == ["u1"]


@pytest.mark.parametrize("warms_k_h", [0.1, 0.0])
def test_frost_after_a_gap_is_told(record: Record, warms_k_h: float) -> None:
    record.add_zone("yard", Zone("u1", "air-main", "cabin"))
    record.place(Placement("n1", "p1", "yard", "u1", "air-main", T0), recorded_s=T0, who="")

    def told(at_s: int) -> dict | None:
        hour = at_s / HOUR_S
        if hour < 24:
            return {"temperature_c": 6.0, "humidity_percent": 70.0}
        if hour < 34:
            return None
        return {"temperature_c": round(-9 + (hour - 34) * warms_k_h, 2), "humidity_percent": 80.0}

    heard(record, 3, told)
    assert standing(record, "freezing") == ["u1"]


def test_water_let_in_at_frost_is_told_while_it_warms_up(record: Record) -> None:
    record.add_zone("yard", Zone("u1", "air-main", "cabin"))
    record.place(Placement("n1", "p1", "yard", "u1", "air-main", T0), recorded_s=T0, who="")
    for hour, kind in ((0, "winterised"), (30, "water on")):
        record.add_event("yard", Event(T0 + hour * HOUR_S, kind, "", "u1"), recorded_s=T0)
    heard(
        record,
        2,
        lambda at_s: {"temperature_c": -9 + at_s / HOUR_S * 0.1, "humidity_percent": 80.0},
    )
    (alarm,) = [a for a in record.alarms() if a.kind == "freezing"]
    assert alarm.raised_s == T0 + 31 * HOUR_S


# --- what a probe said elsewhere ------------------------------------------------------------------


def test_a_wet_probe_brings_no_water_to_where_it_is_put_next(record: Record) -> None:
    placed(record)
    heard(record, 1, lambda at_s: AIR | {"contact": at_s >= 12 * HOUR_S})
    placed(record, "u2", at_s=T0 + DAY_S + 600)
    for minute in range(20, 300, 20):
        watch.tick(record, now_s=T0 + DAY_S + minute * 60)
    assert standing(record, "water contact") == ["u1"]
    assert [a.unit for a in record.alarms() if a.kind == "water contact"].count("u2") == 0


def test_a_node_from_the_drawer_is_given_its_time(record: Record) -> None:
    heard(record, 1, lambda _: AIR | {"battery_percent": 3.0})
    placed(record, at_s=T0 + 90 * DAY_S)
    watch.tick(record, now_s=T0 + 90 * DAY_S + 60)
    assert [a.kind for a in record.alarms()] == []
    watch.tick(record, now_s=T0 + 91 * DAY_S)
    assert [a.kind for a in record.alarms()] == ["silent"]


def test_a_corrected_placement_takes_hours_and_alarms_along(record: Record) -> None:
    placed(record)
    heard(record, 4, lambda at_s: AIR | {"contact": at_s >= 2 * DAY_S})
    assert standing(record, "water contact") == ["u1"]
    placed(record, "u2")
    for unit in ("u1", "u2"):
        assert len(words(record, unit)) == (4 if unit == "u1" else 0)
    watch.tick(record, now_s=T0 + 4 * DAY_S + HOUR_S)
    assert words(record, "u1") == []
    assert len(words(record, "u2")) == 4
    assert standing(record, "water contact") == ["u2"]


def test_two_batteries_on_one_node_are_one_alarm(record: Record) -> None:
    placed(record)
    placed(record, node="n1", probe="p2", unit="u2")
    for step in range(20):
        now_s = T0 + step * EVERY_S
        record.take(
            [
                Reading(site="yard", node="n1", probe=probe, boot=1, seq=step, at_s=now_s,
                        battery_percent=percent, **AIR)
                for probe, percent in (("p1", 15.0), ("p2", 90.0))
            ],
            [],
            received_s=now_s,
        )  # fmt: skip
        watch.tick(record, now_s=now_s)
    assert len([a for a in record.alarms() if a.kind == "battery low"]) == 1


# --- one probe of a node that goes on --------------------------------------------------------------


def probes_heard(record: Record, from_h: int, to_h: int, *, both: bool) -> None:
    """A sample an hour of p1 in u1, and of p2 in u2 while it is plugged in; 1 h of silence declared."""
    for hour in range(from_h, to_h):
        at_s = T0 + hour * HOUR_S
        sample = [
            Reading(site="yard", node="n1", probe=probe, boot=1, seq=hour, at_s=at_s,
                    silence_s=HOUR_S, **AIR)
            for probe in (("p1", "p2") if both else ("p1",))
        ]  # fmt: skip
        record.take(sample, [], received_s=at_s)
        watch.tick(record, now_s=at_s + 60)


def test_a_probe_that_its_node_goes_on_without_is_told_and_ends_when_it_is_heard(
    record: Record,
) -> None:
    placed(record)
    placed(record, probe="p2", unit="u2")
    probes_heard(record, 0, 4, both=True)
    probes_heard(record, 4, 7, both=False)  # newest of p1 at 6 h: 3 h later than that of p2
    assert standing(record, "probe silent") == []
    probes_heard(record, 7, 8, both=False)
    assert standing(record, "probe silent") == ["u2"]
    (alarm,) = [a for a in record.alarms() if a.kind == "probe silent"]
    assert alarm.zone == ZONE
    assert alarm.raised_s == T0 + 3 * HOUR_S + 3 * HOUR_S + 900
    assert f"{ZONE}: probe p2 of node n1 has not been heard since 2025-11-25 03:00 UTC." in (
        alarm.text
    )
    assert standing(record, "silent") == []
    probes_heard(record, 8, 30, both=False)  # judged meanwhile: told once
    assert len([a for a in record.alarms() if a.kind == "probe silent"]) == 1
    probes_heard(record, 30, 32, both=True)
    assert standing(record, "probe silent") == []


@pytest.mark.parametrize(("told_h", "is_said"), [(4, True), (2, False)])
def test_what_a_node_said_of_a_probe_stands_in_the_alarm(
    record: Record, told_h: int, is_said: bool
) -> None:
    """Where it was said after the probe's last sample; a fault told before that was over."""
    placed(record)
    placed(record, probe="p2", unit="u2")
    probes_heard(record, 0, 4, both=True)
    why = "no answer at 0x45 on bus 1"
    record.keep_node_faults({("yard", "n1"): (T0 + told_h * HOUR_S, {"p2": why, "p9": "broken"})})
    probes_heard(record, 4, 8, both=False)
    (alarm,) = [a for a in record.alarms() if a.kind == "probe silent"]
    assert (f"Its node says why: {why}." in alarm.text) == is_said
    assert ("Likely cause: its plug or cable" in alarm.text) != is_said
    assert "broken" not in alarm.text
    record.keep_node_faults({("yard", "n1"): (T0 + 9 * HOUR_S, {})})
    assert next(a for a in record.alarms() if a.kind == "probe silent").text == alarm.text


def test_a_silent_node_has_no_silent_probes_and_a_probe_that_never_spoke_is_one(
    record: Record,
) -> None:
    placed(record)
    placed(record, probe="p2", unit="u2")
    probes_heard(record, 0, 3, both=True)
    watch.tick(record, now_s=T0 + 3 * DAY_S)
    assert standing(record, "probe silent") == []
    placed(record, probe="p3", unit="u2", at_s=T0 + 3 * DAY_S)
    probes_heard(record, 72, 80, both=True)
    assert standing(record, "probe silent") == ["u2"]
    (alarm,) = [a for a in record.alarms() if a.kind == "probe silent"]
    assert "probe p3 of node n1 was not heard since it was placed" in alarm.text


def test_a_silent_probe_that_is_taken_away_is_no_longer_told(record: Record) -> None:
    placed(record)
    placed(record, probe="p2", unit="u2")
    probes_heard(record, 0, 9, both=False)
    assert standing(record, "probe silent") == ["u2"]
    gone = Placement("n1", "p2", "yard", "", "", T0 + 9 * HOUR_S)
    record.place(gone, recorded_s=T0 + 9 * HOUR_S, who="", why="test")
    probes_heard(record, 9, 11, both=False)
    assert standing(record, "probe silent") == []


# --- what cannot be, and what happens at once -----------------------------------------------------


@pytest.mark.parametrize("value", ["", "heavy", "nan", "inf", "-5"])
def test_rain_without_an_amount_is_refused_in_words(record: Record, value: str) -> None:
    with pytest.raises(InputError, match="rain"):
        record.add_event("yard", Event(T0, "rain", value), recorded_s=T0)


def test_one_unit_that_cannot_be_judged_stops_no_other(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    placed(record)
    placed(record, "u2", probe="p2")
    real = watch.judge_unit

    def failing(record, site, unit, *rest, **more):
        if unit.code == "u1":
            raise ValueError("a bad event")
        return real(record, site, unit, *rest, **more)

    monkeypatch.setattr(watch, "judge_unit", failing)
    at_s = T0 + HOUR_S
    sample = Reading(
        site="yard", node="n1", probe="p2", boot=1, seq=1, at_s=at_s, contact=True, **AIR
    )
    record.take([sample], [], received_s=at_s)
    watch.tick(record, now_s=T0 + DAY_S)
    assert standing(record, "water contact") == ["u2"]


def test_a_long_round_shows_that_it_goes_on(record: Record) -> None:
    placed(record)
    placed(record, "u2", probe="p2")
    heard(record, 1, lambda _: AIR)
    beats = []
    record.take(
        [Reading(site="yard", node="n1", probe=p, boot=2, seq=1, at_s=T0 + DAY_S + 60, **AIR)
         for p in ("p1", "p2")], [], received_s=T0 + DAY_S + 60,
    )  # fmt: skip
    watch.tick(record, now_s=T0 + DAY_S + 2 * HOUR_S, alive=lambda: beats.append(1))
    assert len(beats) == 2


def test_an_answer_that_comes_while_the_alarm_ends_revives_nothing(record: Record) -> None:
    placed(record)
    heard(record, 1, lambda _: AIR | {"contact": True})
    (alarm,) = [a for a in record.alarms() if a.kind == "water contact"]
    ended = ChangedAlarm(
        alarm.alarm_id, T0 + DAY_S, "returned unacknowledged",
        AlarmStep(T0 + DAY_S, "returned unacknowledged", "sillkeep", "over"), before=alarm.state,
    )  # fmt: skip
    record.change_alarm(ended, now_s=T0 + DAY_S)
    late = ChangedAlarm(
        alarm.alarm_id, None, "acknowledged", AlarmStep(T0 + DAY_S, "acknowledged", "Ann", ""),
        before=alarm.state,
    )  # fmt: skip
    with pytest.raises(MeanwhileError, match="again"):
        record.change_alarm(late, now_s=T0 + DAY_S)
    watch.acknowledge(record, alarm.alarm_id, who="Ann", now_s=T0 + DAY_S)
    (now,) = [a for a in record.alarms() if a.kind == "water contact"]
    assert (now.state, now.cleared_s) == ("normal", T0 + DAY_S)
