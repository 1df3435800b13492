"""What is held back: by a person, by logic, for maintenance; in tables, on long walks, in the record."""

import json
import random
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast, get_args

import msgspec
import numpy as np
import pytest
from dash.development.base_component import Component
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from dashboards.pages import alarms as alarms_page
from dashboards.words import wish
from monitor import alarms, holds, text, watch
from monitor.alarms import Around, Found
from monitor.cli import app
from monitor.errors import InputError
from monitor.judge import advance
from monitor.judge.rules import LIMITS
from monitor.lot import AlarmClass, AlarmKind, AlarmState, Event, Source, Unit, Zone
from monitor.store import Alarm, ChangedAlarm, Hold, NewHold, Record, open_record, people
from monitor.store.board import AlarmRow
from tests import alarm_tables
from tests import test_repairs as repairs
from tests.judging import DAY_S, START_S, hourly_series, watched
from tests.test_pages import to_html
from tests.test_repairs import END_S, REPAIRED_S
from tests.test_watch import furnish, history, take

HOUR_S = 3600
NOW_S = START_S + 10 * DAY_S
WET = Source("yard", "wet", "u1", "off-rear-low")
KINDS = get_args(AlarmKind)
ACTS = get_args(alarms.HoldAct)


# --- tables ---------------------------------------------------------------------------------------


@given(st.lists(st.sampled_from(ACTS), max_size=40))
def test_any_sequence_of_acts_on_a_source_keeps_to_the_table(acts: list[alarms.HoldAct]) -> None:
    held: alarms.Held = ""
    for act in acts:
        try:
            following = alarms.held_after(held, act)
        except InputError:
            assert (held, act) not in alarms.HOLDS
            continue
        assert following == alarms.HOLDS[held, act]
        held = following


def test_every_hold_can_end_and_none_of_design_covers_one_of_a_person() -> None:
    words = {held for held, _ in alarms.HOLDS} - {""}
    assert words == {"shelved", "suppressed by design", "out of service"}
    for word in words:
        assert "" in {then for (held, _), then in alarms.HOLDS.items() if held == word}
        assert word == "" or (word, "suppressed") not in alarms.HOLDS


def test_the_diagram_in_the_handbook_is_the_one_of_the_tables() -> None:
    assert alarm_tables.committed() == alarm_tables.section()
    drawn = re.findall(r"^ +(\w+) --> (\w+) : (.+)$", alarms.diagram(), re.MULTILINE)
    assert len(drawn) == len(alarms.TRANSITIONS) + len(alarms.HOLDS)


WEATHER = {"damp week", "frost", "frost ahead"}


def test_every_kind_but_a_common_cause_has_its_delays() -> None:
    assert set(watch.DELAYS) | holds.OF_PLACE | WEATHER | {"site silent"} == set(KINDS)
    for delay in watch.DELAYS.values():
        assert delay.begins
        assert delay.ends
        assert delay.deadband
    assert (
        f"{LIMITS.damp_percent:g} / {LIMITS.damp_clears_percent:g}" in watch.DELAYS["damp"].deadband
    )


# --- by design ------------------------------------------------------------------------------------


def found(kind: AlarmKind, *, zone: str = "w1", raised_s: int = NOW_S, **values: Any) -> Found:
    class_ = values.get("class_", alarms.CLASSES[kind])
    return Found(Source("yard", kind, "u1", zone), class_, raised_s)


def at(kind: str, *, ago_s: int = HOUR_S, zone: str = "w1", unit: str = "u1") -> Event:
    return Event(NOW_S - ago_s, kind, "", unit, zone)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["water contact", "wet", "damp"])
@pytest.mark.parametrize("wetted", ["wash", "hose"])
def test_a_recorded_wash_explains_water_in_its_zone_for_three_days(
    kind: AlarmKind, wetted: str
) -> None:
    around = Around(events=[at(wetted)])
    reason = alarms.by_design(found(kind), around, now_s=NOW_S)
    assert reason is not None
    assert reason.until_s == NOW_S - HOUR_S + 3 * DAY_S
    assert alarms.by_design(found(kind), around, now_s=reason.until_s) is None
    assert alarms.by_design(found(kind, zone="w2"), around, now_s=NOW_S) is None
    assert alarms.by_design(found(kind, raised_s=NOW_S - 2 * HOUR_S), around, now_s=NOW_S) is None
    anywhere = Around(events=[at(wetted, zone="")])
    assert alarms.by_design(found(kind, zone="w2"), anywhere, now_s=NOW_S) is not None
    assert alarms.by_design(found("leak suspect"), anywhere, now_s=NOW_S) is None


@given(
    st.sampled_from(["freezing", "frost", "water contact"]),
    st.lists(st.sampled_from(["wash", "hose", "winterised", "vacated"]), max_size=5),
    st.sampled_from(["occupied", "intake"]),
)
def test_neither_freezing_nor_water_from_a_live_supply_is_ever_held_back_by_logic(
    kind: AlarmKind, events: list[str], life: str
) -> None:
    noted = [at(event, ago_s=3 * HOUR_S, zone="") for event in events]
    noted.append(at("water on", ago_s=2 * HOUR_S, zone=""))
    around = Around(life, noted, [("w1", NOW_S - HOUR_S)])
    assert alarms.by_design(found(kind), around, now_s=NOW_S) is None
    assert alarms.explained(found(kind), [found(k) for k in KINDS]) is None


def test_the_supply_is_live_while_somebody_lives_there_or_the_water_is_on() -> None:
    def live(*events: str, life: str = "stored") -> bool:
        noted = [at(e, ago_s=(9 - i) * HOUR_S, zone="") for i, e in enumerate(events)]
        return alarms.is_supply_live(Around(life, noted), at_s=NOW_S)

    assert not live()
    assert live(life="occupied")
    assert live("water on")
    assert not live("water on", "winterised")
    assert live("occupied")
    assert not live("occupied", "vacated")
    assert live("water on", "occupied", "vacated")


def test_a_probe_that_settles_and_the_first_days_of_an_intake_tell_nobody() -> None:
    placed = Around(placed_s=[("w1", NOW_S - DAY_S)])
    assert alarms.by_design(found("wet"), placed, now_s=NOW_S) is not None
    assert alarms.by_design(found("wet", zone="w2"), placed, now_s=NOW_S) is None
    assert alarms.by_design(found("damp"), replace(placed, life="intake"), now_s=NOW_S) is not None
    later_s = NOW_S + 3 * DAY_S
    late = found("damp", raised_s=later_s)
    assert alarms.by_design(late, placed, now_s=later_s) is None
    assert alarms.by_design(late, replace(placed, life="intake"), now_s=later_s) is not None
    assert alarms.by_design(late, replace(placed, life="intake"), now_s=NOW_S + 7 * DAY_S) is None


def test_a_finding_is_told_once_and_never_under_a_less_urgent_one() -> None:
    damp, leak = found("damp"), found("leak suspect")
    reason = alarms.explained(damp, [damp, leak])
    assert reason is not None
    assert reason.why == "explained by leak suspect, which stands in the same zone"
    assert alarms.explained(leak, [damp, leak]) is None
    assert alarms.explained(damp, [damp, found("leak suspect", zone="w2")]) is None
    condensing = found("leak suspect", class_="this week")
    assert alarms.explained(found("wet"), [condensing]) is None


# --- a long walk ----------------------------------------------------------------------------------


class Remembered:
    """A record in memory with the questions that holds and acknowledging ask."""

    def __init__(self, sources: list[Source]) -> None:
        self.now_s = 0
        self.kept: list[Alarm] = [
            Alarm(i, s.site, s.unit, s.zone, s.node, s.kind, alarms.CLASSES[s.kind], 0, 0,
                  "normal", "", "", instant=False, withdrawn_s=None, revision=1)
            for i, s in enumerate(sources)
        ]  # fmt: skip
        self.open: dict[Source, Hold] = {}
        self.log: list[tuple[Source, str, str, int, str, str]] = []
        self.numbers = 0

    def alarms(self, *, open_only: bool = False) -> list[Alarm]:
        return [a for a in self.kept if not open_only or a.state != "normal"]

    def holds(self) -> list[Hold]:
        return list(self.open.values())

    def hold(self, new: NewHold, *, now_s: int, instead_of: Hold | None = None) -> None:
        if instead_of is not None:
            del self.open[instead_of.source]
        assert new.source not in self.open
        before = instead_of.word if instead_of else ""
        self.log.append((new.source, before, new.word, now_s, new.who, new.why))
        self.numbers += 1
        self.open[new.source] = Hold(
            self.numbers, new.source, new.word, new.began_s, new.until_s, new.who, new.why
        )

    def end_hold(self, hold: Hold, *, who: str, why: str, now_s: int) -> None:
        del self.open[hold.source]
        self.log.append((hold.source, hold.word, "", now_s, who, why))

    def change_alarm(self, change: ChangedAlarm, *, now_s: int) -> None:
        before = self.kept[change.alarm_id]
        self.kept[change.alarm_id] = replace(before, state=change.state, cleared_s=change.cleared_s)
        step = change.step
        self.log.append((before.source, before.state, change.state, now_s, step.who, step.why))


WALK = 100_000


def test_a_walk_of_many_steps_keeps_to_the_tables_and_nothing_stays_shelved() -> None:
    chance = random.Random(20)
    kinds: list[AlarmKind] = ["damp", "wet", "leak suspect", "water contact", "freezing"]
    sources = [Source("yard", kind, "u1", f"w{zone}") for zone in range(3) for kind in kinds]
    kept = Remembered(sources)
    record = cast("Record", kept)
    now_s, refused = NOW_S, Counter[str]()
    while len(kept.log) < WALK:
        now_s += chance.choice((60, HOUR_S, 6 * HOUR_S))
        source = chance.choice(sources)
        number = sources.index(source)
        before = len(kept.log), kept.kept[number].state, kept.open.get(source)
        act = chance.choice(
            ("condition", "condition", "acknowledge", "shelve", "release", "out", "back")
        )
        try:
            _do(act, record, number, source, chance, now_s)
        except InputError:
            refused[act] += 1
            assert (len(kept.log), kept.kept[number].state, kept.open.get(source)) == before
        told = [one for one in kept.alarms(open_only=True) if one.cleared_s is None]
        holds.review(record, now_s=now_s)
        assert all(hold.until_s is None or hold.until_s > now_s for hold in kept.open.values())
        for hold in kept.open.values():
            if hold.word == "suppressed by design":
                assert any(one.source == hold.source for one in told)
    for _, old, new, at_s, who, why in kept.log:
        table: Any = alarms.TRANSITIONS if old in get_args(AlarmState) else alarms.HOLDS
        assert new in {then for (state, _), then in table.items() if state == old}, (old, new)
        assert who
        assert why
        assert at_s > 0
    seen = {(old, new) for _, old, new, *_ in kept.log}
    reached = {(state, then) for (state, _), then in (alarms.TRANSITIONS | alarms.HOLDS).items()}
    assert seen == reached  # the walk has been everywhere
    assert set(refused) >= {"shelve", "release", "back", "acknowledge"}


def _do(
    act: str, record: Record, number: int, source: Source, chance: random.Random, now_s: int
) -> None:
    if act == "condition":
        _turn(record, number, chance, now_s)
    elif act == "acknowledge":
        watch.acknowledge(record, number, who="A", now_s=now_s)
    elif act == "shelve":
        until_s = now_s + chance.choice((HOUR_S, DAY_S, 30 * DAY_S))
        holds.shelve(record, source, who="A", why="r", until_s=until_s, now_s=now_s)
    elif act == "release":
        holds.release(record, source, who="A", why="", now_s=now_s)
    elif act == "out":
        holds.take_out(record, source, who="A", why="r", now_s=now_s)
    else:
        holds.put_back(record, source, who="A", why="", now_s=now_s)


def _turn(record: Record, number: int, chance: random.Random, now_s: int) -> None:
    """The condition of an alarm turns, as the judge would find it."""
    alarm = next(a for a in record.alarms() if a.alarm_id == number)
    latches = alarm.kind == "leak suspect"
    acts: list[alarms.Act] = [
        act
        for state, act in alarms.TRANSITIONS
        if state == alarm.state and act != "acknowledged"
        if act == "begins" or (act in {"rests", "inspected"}) == latches
    ]
    act = chance.choice(acts)
    state = alarms.after(alarm.state, act)
    cleared_s = now_s if act in {"ends", "inspected"} else None
    step = watch.AlarmStep(now_s, state, "sillkeep", act)
    record.change_alarm(ChangedAlarm(number, cleared_s, state, step), now_s=now_s)


# --- noise at a limit -----------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("kind", ["wall", "roof", "floor", "cabin", "bed"])
def test_noise_of_three_points_at_any_limit_raises_at_most_one_alarm_a_day(
    kind: Any, seed: int
) -> None:
    """Four weeks, at humidities that lie across every limit of the rules from 70 to 99 %."""
    days, chance = 28, np.random.default_rng(seed)
    levels = np.arange(70.0, 100.0, 1.0)
    zones = [Zone("u1", f"z{level:.0f}", kind) for level in levels]
    readings = {
        zone.code: hourly_series(
            14.0, np.minimum(level + chance.uniform(-3.0, 3.0, 24 * days), 100.0)
        )
        for zone, level in zip(zones, levels, strict=True)
    }
    outside = {"outside": hourly_series(6.0, np.full(24 * days, 70.0))}
    unit = watched(readings, zones=zones, site=outside)
    judgement = advance(
        unit, None, from_day=START_S // DAY_S, to_hour=START_S // HOUR_S + 24 * days
    )
    begun = [c for c in judgement.alarms if c.cleared_s is None]
    a_day = Counter((c.zone, c.kind, c.raised_s // DAY_S) for c in begun)
    assert {"damp"} <= {c.kind for c in begun}
    assert max(a_day.values()) == 1


# --- texts ----------------------------------------------------------------------------------------

FORBIDDEN = re.compile(
    r"\b(safe|safely|toxic|mould-free|mold-free|harmless|certified|guarantee\w*)\b", re.I
)
CLOSES_UP = re.compile(
    r"(?<!not )(?<!never )\b(close|seal|shut) (the |all |its )?(vents|windows|unit)\b", re.I
)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("class_", get_args(AlarmClass))
def test_no_part_of_any_alarm_is_empty_or_says_what_we_may_not(
    kind: AlarmKind, class_: AlarmClass
) -> None:
    parts = text.alarm_parts(kind, zone="off-rear-low", alarm_class=class_, facts={})
    assert len(parts) == len(text.NAMES_OF_PARTS) == 7
    for part in parts:
        assert len(part.strip(" .")) > 5
        assert "\n" not in part
        assert not FORBIDDEN.search(part)
        assert not CLOSES_UP.search(part)
    assert parts[4] == f"{text.TIME_ALLOWED[class_]}."


@pytest.mark.parametrize(
    ("kinds", "words"),
    [
        (
            ("wet", "damp", "leak suspect", "rot", "did not stay dry", "drying stalled"),
            "off a roof",
        ),
        (("wet", "damp", "water contact", "leak suspect"), "power"),
        (("water contact", "freezing", "frost"), "absorption refrigerator"),
        (("freezing", "frost", "wet", "silent", "battery low"), "LP"),
        (("mould growth",), "Never mix bleach with ammonia"),
        (("mould growth", "wet", "silent", "flood"), "local rules"),
    ],
)
def test_each_kind_has_the_caution_that_belongs_to_it(
    kinds: tuple[AlarmKind, ...], words: str
) -> None:
    for kind in kinds:
        *_, caution = text.alarm_parts(kind, zone="z", alarm_class="today", facts={})
        assert words in caution


def test_nothing_but_water_in_use_and_freezing_may_be_act_now() -> None:
    waking = {
        kind
        for kind in KINDS
        for in_use in (False, True)
        for cause in ("", "condensation", "rain ingress")
        if alarms.alarm_class(kind, in_use=in_use, cause=cause) == "act now"
    }
    assert waking == {"water contact", "freezing", "frost"}
    assert alarms.alarm_class("water contact") == "today"


# --- in the record --------------------------------------------------------------------------------


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        furnish(opened)
        yield opened


def waiting(kept: Record) -> list[str]:
    """Kinds of alarms about which somebody has still to be told."""
    known = {alarm.alarm_id: alarm.kind for alarm in kept.alarms()}
    entries = people.undecided(kept.engine, limit=99)
    return sorted(known[e.alarm.alarm_id] for e in entries if e.alarm is not None)


def test_a_shelved_alarm_is_judged_not_told_and_told_when_it_returns(kept: Record) -> None:
    now_s = START_S + 5 * DAY_S
    until_s = now_s + 3 * DAY_S
    holds.shelve(kept, WET, who="Ann", why="the wall is open", until_s=until_s, now_s=now_s)
    assert kept.holds()[0].source == WET  # nothing stands there yet
    take(kept, history(7, wet_from_h=100), now_s + 2 * DAY_S)
    watch.tick(kept, now_s=now_s + 2 * DAY_S)
    (alarm,) = [a for a in kept.alarms() if a.kind == "wet"]
    assert alarm.state == "unacknowledged"
    assert "wet" not in waiting(kept)
    assert kept.held_alarms() == {alarm.alarm_id}
    assert alarm.alarm_id not in {a.alarm_id for a in people.standing(kept.engine)}
    watch.tick(kept, now_s=until_s)
    assert (kept.holds(), kept.held_alarms()) == ([], frozenset())
    assert "wet" in waiting(kept)
    (ended,) = kept.holds(every=True)
    assert (ended.who, ended.why) == ("Ann", "the wall is open")
    assert (ended.ended_s, ended.ended_who, ended.ended_why) == (
        until_s,
        "sillkeep",
        "its time is over",
    )


def test_an_alarm_that_ends_while_it_is_held_back_is_over_when_it_is_put_back(
    kept: Record,
) -> None:
    now_s = START_S + 14 * DAY_S
    holds.take_out(kept, WET, who="Ann", why="new lining", now_s=START_S)
    take(kept, history(14, wet_from_h=72, wet_to_h=144), now_s)
    watch.tick(kept, now_s=START_S + 6 * DAY_S)
    watch.tick(kept, now_s=now_s)
    (alarm,) = [a for a in kept.alarms() if a.kind == "wet"]
    assert alarm.cleared_s is not None
    assert [hold.word for hold in kept.holds()] == ["out of service"]  # time alone ends none
    before = waiting(kept).count("wet")
    holds.put_back(kept, WET, who="Bo", why="", now_s=now_s)
    assert waiting(kept).count("wet") == before
    assert kept.holds(every=True)[0].ended_who == "Bo"


def test_a_person_s_hold_needs_a_name_a_reason_and_a_time_that_its_class_allows(
    kept: Record,
) -> None:
    good = {"who": "Ann", "why": "r", "until_s": NOW_S + DAY_S, "now_s": NOW_S}
    for wrong, said in (
        ({"who": " "}, "who you are"),
        ({"why": " "}, "say why"),
        ({"until_s": NOW_S}, "to come"),
        ({"until_s": NOW_S + 4 * DAY_S}, "at most 72 hours"),
    ):
        with pytest.raises(InputError, match=said):
            holds.shelve(kept, WET, **(good | wrong))  # type: ignore[arg-type]
    freezing = Source("yard", "freezing", "u1", "off-rear-low")
    with pytest.raises(InputError, match="at most 4 hours"):
        holds.shelve(kept, freezing, **good)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="several sources"):
        holds.shelve(kept, Source("yard", "row silent"), **good)  # type: ignore[arg-type]
    assert kept.holds(every=True) == []
    holds.shelve(kept, WET, **good)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="release it first"):
        holds.shelve(kept, WET, **good)  # type: ignore[arg-type]
    holds.take_out(kept, WET, who="Bo", why="rewired", now_s=NOW_S)
    now, before = kept.holds(every=True)
    assert (now.word, before.ended_who, before.ended_why) == (
        "out of service",
        "Bo",
        "in its place: out of service",
    )


def test_a_recorded_wash_keeps_its_water_quiet_until_the_supply_is_live(kept: Record) -> None:
    at_s = START_S + DAY_S + 1000
    kept.add_event("yard", Event(at_s - 600, "wash", "", "u1", ""), recorded_s=at_s)
    take(kept, history(1), at_s)
    water = msgspec.structs.replace(history(1)[0], seq=9999, at_s=at_s, contact=True)
    kept.take([water], [], received_s=at_s + 10)
    watch.tick(kept, now_s=at_s + 10)
    (hold,) = [h for h in kept.holds() if h.source.kind == "water contact"]
    assert (hold.word, hold.why) == ("suppressed by design", "a wash was recorded here")
    assert "water contact" not in waiting(kept)
    on = Event(at_s + 60, "water on", "", "u1", "")
    kept.add_event("yard", on, recorded_s=at_s + 60)
    watch.tick(kept, now_s=at_s + HOUR_S)
    assert "water contact" not in {h.source.kind for h in kept.holds()}
    assert "water contact" in waiting(kept)


def test_what_a_leak_suspect_explains_is_held_back_until_the_leak_is_inspected(
    tmp_path: Path,
) -> None:
    with open_record(tmp_path) as kept:
        furnish(kept)
        for kind in ("damp", "leak suspect"):
            change = watch.judge.AlarmChange("off-rear-low", kind, START_S, None, {})  # type: ignore[arg-type]
            alarm = watch._new_alarm(Unit("u1", "yard"), change, None, now_s=START_S, in_use=False)
            kept.add_alarm(alarm, now_s=START_S)
        assert waiting(kept) == ["damp", "leak suspect"]
        holds.review(kept, now_s=START_S + 60)
        assert waiting(kept) == ["leak suspect"]
        (hold,) = kept.holds()
        assert (hold.source.kind, hold.who) == ("damp", "sillkeep")
        (leak,) = [a for a in kept.alarms() if a.kind == "leak suspect"]
        step = watch.AlarmStep(START_S + 90, "normal", "Ann", "inspected")
        kept.change_alarm(ChangedAlarm(leak.alarm_id, START_S + 90, "normal", step), now_s=START_S)
        holds.review(kept, now_s=START_S + 120)
        assert kept.holds() == []
        assert waiting(kept).count("damp") == 1


def test_a_walk_through_restarts_of_the_watch_loses_nothing(tmp_path: Path) -> None:
    chance, now_s = random.Random(7), NOW_S
    sources = [replace(WET, kind=kind) for kind in ("wet", "damp", "rot")]  # type: ignore[arg-type]
    with open_record(tmp_path) as kept:
        furnish(kept)
    entered = ended = 0
    for _ in range(60):
        with open_record(tmp_path) as kept:  # the watch was killed and starts again
            before = kept.holds(every=True)
            for _ in range(5):
                now_s += chance.choice((60, 6 * HOUR_S, DAY_S))
                source, open_ = chance.choice(sources), len(kept.holds())
                holds.review(kept, now_s=now_s)
                ended += open_ - len(kept.holds())
                act = chance.choice(("shelve", "release", "out", "back"))
                in_force = {h.source: h for h in kept.holds()}
                try:
                    _do(act, kept, 0, source, chance, now_s)
                except InputError:
                    continue
                entered += act in {"shelve", "out"}
                ended += act in {"release", "back"} or source in in_force
            kinds = {h.hold_id: (h.who, h.why, h.began_s, h.until_s) for h in before}
            after = {h.hold_id: h for h in kept.holds(every=True)}
            assert {
                n: (h.who, h.why, h.began_s, h.until_s) for n, h in after.items() if n in kinds
            } == kinds
            for hold in before:
                if hold.ended_s is not None:
                    assert after[hold.hold_id] == hold
    with open_record(tmp_path, read_only=True) as kept:
        every = kept.holds(every=True)
    assert len(every) == entered > 20
    assert sum(h.ended_s is not None for h in every) == ended > 20
    for hold in every:
        if hold.word == "shelved" and hold.ended_s is not None:
            assert hold.until_s is not None
            assert hold.ended_who
            assert hold.ended_why


def test_a_repair_that_leaks_again_is_raised_until_the_next_repair(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def follow(*_: object) -> list[SimpleNamespace]:
        told = [(REPAIRED_S + day * DAY_S, verdict) for day, verdict in line]
        revisions = [SimpleNamespace(at_s=at_s, verdict=verdict) for at_s, verdict in told]
        followed = SimpleNamespace(revisions=revisions, standing=None, stalls=[])
        return [
            SimpleNamespace(zone="w1", repaired_s=REPAIRED_S, ended_s=ended_s, followed=followed)
        ]

    monkeypatch.setattr("monitor.judge.proofs.follow", follow)
    line, ended_s = [(1, "drying"), (9, "did not stay dry")], None
    with open_record(tmp_path) as record:
        repairs.furnish(record)
        repairs.take(record, repairs.history())
        watch.tick(record, now_s=END_S)
        (alarm,) = [a for a in record.alarms() if a.kind == "did not stay dry"]
        assert (alarm.unit, alarm.zone, alarm.class_) == ("u1", "w1", "today")
        assert (alarm.raised_s, alarm.cleared_s) == (REPAIRED_S + 9 * DAY_S, None)
        assert "did not stay dry after the repair on" in alarm.text
        assert "did not stay dry" in waiting(record)
        ended_s = REPAIRED_S + 20 * DAY_S
        record.add_event("yard", replace(repairs.HOSE, kind="reseal"), recorded_s=END_S)
        watch.tick(record, now_s=END_S)
        (alarm,) = [a for a in record.alarms() if a.kind == "did not stay dry"]
        assert alarm.cleared_s == ended_s


def test_a_doubted_probe_of_the_site_is_raised_once_for_all_units(kept: Record) -> None:
    """The outside probe stands still while the walls take part in the sun of each day."""
    days, readings = 30, []
    for seq in range(days * 24):
        warm = np.sin(seq / 24 * 2 * np.pi)
        still = seq >= 20 * 24
        for probe, swing in (("p1", 6.0), ("p2", 7.0), ("p3", 0.0 if still else 8.0)):
            celsius, percent = 15.0 + swing * warm, 60.0 - 1.5 * swing * warm
            reading = msgspec.structs.replace(
                history(1)[0],
                probe=probe,
                seq=seq,
                at_s=START_S + seq * HOUR_S + 60,
                temperature_c=celsius,
                humidity_percent=percent,
            )
            readings.append(reading)
    take(kept, readings, START_S + days * DAY_S)
    for day in (days - 1, days):
        watch.tick(kept, now_s=START_S + day * DAY_S)
    (alarm,) = [a for a in kept.alarms() if a.kind == "sensor suspect"]
    assert (alarm.site, alarm.unit, alarm.zone) == ("yard", "", "outside")
    assert alarm.raised_s == START_S + 22 * DAY_S
    assert alarm.cleared_s is None
    assert "outside: the probe is doubted" in alarm.text


# --- command line and page ------------------------------------------------------------------------


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    with open_record(tmp_path) as kept:
        furnish(kept)
        now_s = START_S + 6 * DAY_S
        take(kept, history(6, wet_from_h=72), now_s)
        watch.tick(kept, now_s=now_s)
    monkeypatch.setenv("SILLKEEP_HOME", str(tmp_path))
    return tmp_path


def run(*words: str) -> Any:
    return CliRunner().invoke(app, ["alarms", *words])


def test_the_command_line_does_all_that_a_person_can(home: Path) -> None:
    with open_record(home, read_only=True) as kept:
        number = next(str(a.alarm_id) for a in kept.alarms() if a.kind == "wet")
    assert run("acknowledge", number, "--who", "Ann").exit_code == 0
    listed = json.loads(run("--kind", "wet", "--state", "acknowledged", "--json").stdout)
    assert [(a["kind"], a["held"]) for a in listed] == [("wet", "")]
    shelve = run("shelve", number, "--who", "Ann", "--why", "wall is open", "--hours", "24")
    assert "shelved until" in shelve.stdout
    assert "shelved" in run("--held").stdout
    assert "by Ann: wall is open" in run("holds").stdout
    assert json.loads(run("holds", "--json").stdout)[0]["word"] == "shelved"
    assert "released" in run("release", number, "--who", "Bo").stdout
    assert run("holds").stdout == "nothing is held back\n"
    assert "ended" in run("holds", "--all").stdout
    place = ("--unit", "u1", "--zone", "door-rear-low", "--kind", "damp")
    assert run("out-of-service", *place, "--who", "Bo", "--why", "rewired").exit_code == 0
    assert "out of service" in run("holds").stdout
    assert run("put-back", *place, "--who", "Bo").exit_code == 0
    node = ("--site", "yard", "--node", "n1", "--kind", "silent")
    assert run("shelve", *node, "--who", "Bo", "--why", "moved", "--hours", "5").exit_code == 0
    with open_record(home, read_only=True) as kept:
        assert kept.holds()[0].source.unit == kept.placements()[0].unit
    noted = run("inspect", number, "--who", "Bo", "--finding", "seam open")
    assert "inspection of u1 off-rear-low noted" in noted.stdout
    with open_record(home, read_only=True) as kept:
        assert [e.value for e in kept.events("yard", unit="u1") if e.kind == "inspection"] == [
            "seam open"
        ]
    shown = run("show", number).stdout
    assert "acknowledged, by Ann: acknowledged" in shown
    assert "released" in shown


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--unit", "u9", "--zone", "w", "--kind", "wet"), 'no unit "u9"'),
        (("--unit", "u1", "--zone", "w9", "--kind", "wet"), "the record knows no yard u1 w9"),
        (("--unit", "u1", "--kind", "wet"), "give --unit and --zone"),
        (("--unit", "u1", "--zone", "w", "--kind", "silent"), "give --node"),
        (("--unit", "u1", "--zone", "w", "--kind", "odd"), "is no kind of alarm"),
        (("999",), "no alarm number 999"),
    ],
)
def test_a_place_that_is_not_there_is_said_plainly(
    home: Path, words: tuple[str, ...], said: str
) -> None:
    refused = run("out-of-service", *words, "--who", "A", "--why", "r")
    assert refused.exit_code != 0
    assert said in str(refused.exception)


def row(**values: Any) -> AlarmRow:
    given: dict[str, Any] = {
        "alarm_id": 1,
        "site": "yard",
        "unit": "u1",
        "zone": "off-rear-low",
        "node": "",
        "kind": "wet",
        "alarm_class": "today",
        "state": "unacknowledged",
        "cause": "",
        "text": "Whole.",
        "raised_s": NOW_S,
        "cleared_s": None,
        "withdrawn_s": None,
        "parts": text.alarm_parts("wet", zone="off-rear-low", alarm_class="today", facts={}),
    }
    return AlarmRow(**(given | values))


def seen(*rows: AlarmRow, held: tuple[Hold, ...] = ()) -> str:
    asked = wish("/alarms", "", now_s=NOW_S)
    parts: list[Component | None] = alarms_page.blocks(
        rows, (), {}, asked=asked, token="t", held=held
    )
    return "".join(to_html(part) for part in parts if part is not None)


def test_an_alarm_opens_to_its_condition_and_the_six_other_parts() -> None:
    found_ = seen(row())
    condition, *others = row().parts
    assert found_.count(condition) == 1
    for name, said in zip(text.NAMES_OF_PARTS[1:], others, strict=True):
        told = said.removeprefix("Likely cause: ").removeprefix("Cause: ")
        told = told[:1].upper() + told[1:]
        assert found_.index(name) < found_.index(told)
        assert found_.count(told) == 1
    assert "Whole." not in found_
    assert "Whole." in seen(row(parts=()))


def test_what_is_held_back_has_a_list_of_its_own_and_its_release() -> None:
    hold = Hold(4, WET, "shelved", NOW_S, NOW_S + DAY_S, "Ann", "wall is open")
    found_ = seen(row(), row(alarm_id=2, kind="rot"), held=(hold,))
    assert "1 open alarm, 1 not acknowledged. 1 source held back." in found_
    assert found_.index("/alarms/2/acknowledge") < found_.index("Held back")
    assert found_.index("Held back") < found_.index("/alarms/1/acknowledge")
    assert 'action="/holds/4/end"' in found_
    assert "By Ann since" in found_
    design = replace(hold, word="suppressed by design", who="sillkeep", until_s=None)
    assert "/holds/4/end" not in seen(row(), held=(design,))
    assert "By logic since" in seen(row(), held=(design,))
