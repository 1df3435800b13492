"""Common causes: grouping of standing alarms, without the record and through it."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from monitor import lotfile, watch
from monitor.causes import (
    HALF,
    KINDS,
    LEAST,
    LONE_SILENCE_S,
    SHARE,
    Cause,
    Grouping,
    Kept,
    NodeNow,
    Standing,
    group,
    row_of,
    told_from_s,
)
from monitor.config import Messages
from monitor.lot import AlarmClass, AlarmKind, Placement, Site, Unit, Zone, silent_after_s
from monitor.messages import Courier
from monitor.store import AlarmStep, NewAlarm, OutboxItem, Record, open_record
from monitor.store import people as people_kept
from monitor.store import schema as t
from monitor.store.people import Message, Person
from monitor.store.users import Doer
from sensors.wire import Reading
from tests.test_cli import sillkeep

T0 = 1_893_456_000
UT = 900


def node(number: int, last_s: int = T0, **where: str) -> NodeNow:
    return NodeNow(
        site="lot",
        node=f"n{number}",
        last_s=last_s,
        silence_s=UT,
        **({"unit": f"u{number}"} | where),
    )


def silent(number: int, last_s: int = T0) -> Standing:
    raised_s = last_s + silent_after_s(UT)
    return Standing(number, "lot", f"u{number}", "", f"n{number}", "silent", "this week", raised_s)


def zone_alarm(
    number: int, unit: int, kind: AlarmKind = "damp", class_: AlarmClass = "season", zone: str = "z"
) -> Standing:
    return Standing(number, "lot", f"u{unit}", zone, "", kind, class_, T0)


def kept(cause: Cause, *more: int) -> Kept:
    members = frozenset(cause.members) | frozenset(more)
    return Kept(cause.kind, cause.site, cause.place, cause.began_s, members)


def test_a_silent_gateway_is_one_cause_with_its_nodes() -> None:
    nodes = [node(i, T0 + 60 * i, gateway="g1") for i in range(5)]
    nodes += [node(i, T0 + 20 * UT, gateway="g2") for i in range(5, 9)]
    found = group([silent(i, T0 + 60 * i) for i in range(5)], nodes)
    assert found == Grouping((Cause("gateway silent", "lot", "g1", T0, (0, 1, 2, 3, 4), 5),), ())


def test_a_row_without_power_is_one_cause_where_its_gateway_still_hears_others() -> None:
    nodes = [node(i, gateway="g1", row="B") for i in range(4)]
    nodes += [node(i, T0 + 20 * UT, gateway="g1", row="C") for i in range(4, 8)]
    found = group([silent(i) for i in range(4)], nodes)
    assert [(c.kind, c.place, c.members) for c in found.causes] == [
        ("row silent", "B", (0, 1, 2, 3))
    ]


def test_several_silent_gateways_are_the_broker_or_the_uplink() -> None:
    nodes = [node(i, gateway=f"g{i % 2}") for i in range(6)]
    found = group([silent(i) for i in range(6)], nodes)
    assert [(c.kind, c.place, len(c.members)) for c in found.causes] == [("site silent", "", 6)]


def test_with_one_gateway_for_all_the_gateway_is_named() -> None:
    found = group([silent(i) for i in range(4)], [node(i, gateway="g1") for i in range(4)])
    assert [(c.kind, c.place) for c in found.causes] == [("gateway silent", "g1")]


@pytest.mark.parametrize(
    ("life", "count", "grouped"), [("stock", 2, 1), ("stock", 1, 0), ("sold", 1, 1)]
)
def test_a_unit_is_silent_as_one_with_two_nodes_or_when_it_is_known_to_be_gone(
    life: str, count: int, grouped: int
) -> None:
    nodes = [node(i, unit="u9", life=life) for i in range(count)]
    nodes += [node(i, T0 + 50 * UT) for i in range(5, 9)]
    found = group([silent(i) for i in range(count)], nodes)
    assert [c.kind for c in found.causes] == ["unit silent"] * grouped
    assert len(found.alone) == (0 if grouped else count)


def test_two_silent_nodes_are_a_coincidence() -> None:
    nodes = [node(i, gateway="g1") for i in range(2)]
    nodes += [node(i, T0 + 50 * UT, gateway="g2") for i in range(2, 6)]
    assert group([silent(0), silent(1)], nodes) == Grouping((), (0, 1))


def test_nodes_that_fell_silent_on_different_days_share_nothing() -> None:
    days = [T0 + 86_400 * i for i in range(4)]
    nodes = [node(i, last_s, gateway="g1") for i, last_s in enumerate(days)]
    nodes += [node(9, days[-1] + 50 * UT, gateway="g2")]
    found = group([silent(i, last_s) for i, last_s in enumerate(days)], nodes)
    assert found == Grouping((), (0, 1, 2, 3))


def test_one_fifth_may_still_be_heard_and_more_may_not() -> None:
    for heard, causes in ((1, 1), (2, 0)):
        nodes = [node(i, gateway="g1") for i in range(4)]
        nodes += [node(10 + i, T0 + 50 * UT, gateway="g1") for i in range(heard)]
        nodes += [node(20 + i, T0 + 50 * UT, gateway="g2") for i in range(9)]
        assert len(group([silent(i) for i in range(4)], nodes).causes) == causes
    assert pytest.approx(4 / 5) == SHARE


def test_what_was_dead_long_before_speaks_neither_for_nor_against() -> None:
    nodes = [node(i, T0 - 40 * 86_400, gateway="g1") for i in range(6)]
    nodes += [node(i, gateway="g1") for i in range(6, 10)]
    nodes += [node(i, T0 + 50 * UT, gateway="g2") for i in range(10, 20)]
    alarms = [silent(i, T0 - 40 * 86_400) for i in range(6)] + [silent(i) for i in range(6, 10)]
    found = group(alarms, nodes)
    assert [cause.members for cause in found.causes] == [(6, 7, 8, 9)]
    assert found.alone == (0, 1, 2, 3, 4, 5)


def test_a_node_whose_silence_is_not_due_yet_joins_later() -> None:
    slow = replace(node(9, T0 + UT, gateway="g1"), silence_s=86_400)
    others = [node(i, T0 + 9 * 86_400, gateway="g2") for i in range(20, 30)]
    nodes = [*(node(i, gateway="g1") for i in range(4)), slow, *others]
    (cause,) = group([silent(i) for i in range(4)], nodes).causes
    assert cause.members == (0, 1, 2, 3)
    (later,) = group([silent(i) for i in (0, 1, 2, 3, 9)], nodes, kept=[kept(cause)]).causes
    assert later.members == (0, 1, 2, 3, 9)
    assert later.key == cause.key


def test_a_cause_stands_while_half_are_silent_then_the_rest_stand_alone() -> None:
    others = [node(i, T0 + 9 * 86_400, gateway="g2") for i in range(20, 40)]
    nodes = [node(i, gateway="g1") for i in range(6)] + others
    (cause,) = group([silent(i) for i in range(6)], nodes).causes
    for back, stands in ((3, True), (4, False)):
        returned = [replace(n, last_s=T0 + 8 * 86_400) for n in nodes[:back]]
        found = group(
            [silent(i) for i in range(back, 6)], [*returned, *nodes[back:]], kept=[kept(cause)]
        )
        assert (len(found.causes) == 1) is stands
        assert found.alone == (() if stands else (4, 5))
    assert pytest.approx(3 / 6) == HALF


def test_a_gateway_that_fails_again_is_a_new_cause() -> None:
    old = Kept("gateway silent", "lot", "g1", T0 - 86_400, frozenset({0, 1, 100}))
    nodes = [node(i, T0 - 86_400, gateway="g1") for i in (0, 1)]
    nodes += [node(i, gateway="g1") for i in range(2, 12)]
    nodes += [node(i, T0 + 50 * UT, gateway="g2") for i in range(20, 40)]
    alarms = [silent(i, T0 - 86_400) for i in (0, 1)] + [silent(i) for i in range(2, 12)]
    found = group(alarms, nodes, kept=[old])
    assert [(c.began_s, len(c.members)) for c in found.causes] == [(T0, 10)]
    assert found.alone == (0, 1)


def test_damp_that_the_weather_explains_is_one_notice_for_the_lot() -> None:
    damp = [zone_alarm(i, unit=i // 2, zone=f"z{i % 2}") for i in range(6)]
    own = zone_alarm(7, unit=7, class_="this week")
    wet = zone_alarm(8, unit=0, kind="wet", class_="today")
    grown = zone_alarm(9, unit=1, kind="mould growth", class_="this week", zone="z0")
    elsewhere = zone_alarm(10, unit=7, kind="mould growth", class_="this week")
    (cause,) = group([*damp, own, wet, grown, elsewhere], []).causes
    assert (cause.kind, cause.members) == ("damp week", (0, 1, 2, 3, 4, 5, 9))


def test_a_damp_week_is_over_when_one_unit_stays_damp_and_that_one_is_told() -> None:
    (cause,) = group([zone_alarm(i, unit=i) for i in range(3)], []).causes
    assert group([zone_alarm(i, unit=i) for i in range(2)], [], kept=[kept(cause)]).causes
    assert group([zone_alarm(0, unit=0)], [], kept=[kept(cause)]) == Grouping((), (0,))
    assert group([zone_alarm(i, unit=i) for i in range(2)], []).causes == ()


def test_damp_in_less_than_a_tenth_of_the_units_is_no_weather_of_the_lot() -> None:
    nodes = [node(i, T0 + 86_400) for i in range(40)]
    damp = [zone_alarm(i, unit=i) for i in range(4)]
    (cause,) = group(damp, nodes).causes
    assert group(damp[:3], nodes).alone == (0, 1, 2)
    assert group(damp[:2], nodes, kept=[kept(cause)]).causes
    assert group(damp[:1], nodes, kept=[kept(cause)]).alone == (0,)
    frost = [replace(alarm, kind="freezing", class_="act now") for alarm in damp[:3]]
    assert group(frost, nodes).causes


def test_a_frost_is_one_alarm_and_other_sites_have_their_own() -> None:
    here = [zone_alarm(i, unit=i, kind="freezing", class_="act now") for i in range(3)]
    there = [replace(alarm, alarm_id=10 + alarm.alarm_id, site="hill") for alarm in here]
    found = group([*here, *there[:2]], [])
    assert [(c.kind, c.site) for c in found.causes] == [("frost", "lot")]
    assert found.alone == (10, 11)


def test_a_lone_silence_is_told_after_a_day_and_anything_else_at_once() -> None:
    alarm = silent(1)
    assert told_from_s(alarm) == alarm.raised_s + LONE_SILENCE_S
    released_s = alarm.raised_s + 5 * 86_400
    told_s = told_from_s(alarm, silence_s=UT, released_s=released_s)
    assert told_s == released_s + silent_after_s(UT)
    damp = zone_alarm(1, unit=1)
    assert told_from_s(damp, released_s=released_s) == damp.raised_s


@pytest.mark.parametrize(
    ("slot", "row"),
    [("B-12", "B"), ("north B-12", "north B"), ("12", ""), ("", ""), ("A/3", "A"), ("-4", "")],
)
def test_the_row_of_a_slot_is_what_stands_before_its_number(slot: str, row: str) -> None:
    assert row_of(slot) == row


# --- whatever stands ------------------------------------------------------------------------------

_lasts = st.integers(0, 12).map(lambda step: T0 + step * 700)
_nodes = st.lists(
    st.tuples(
        _lasts,
        st.sampled_from("gh"),
        st.sampled_from("AB"),
        st.booleans(),
        st.sampled_from((900, 3600)),
    ),
    min_size=1,
    max_size=14,
)
_zones = st.lists(
    st.tuples(
        st.integers(0, 5),
        st.sampled_from((("damp", "season"), ("damp", "this week"), ("freezing", "act now"),
                         ("mould growth", "this week"), ("wet", "today"))),
        st.sampled_from("xy"),
    ),
    max_size=12,
)  # fmt: skip


def _drawn(
    nodes: list[tuple[int, str, str, bool, int]],
    zones: list[tuple[int, tuple[AlarmKind, AlarmClass], str]],
) -> tuple[list[Standing], list[NodeNow]]:
    placed = [
        NodeNow("lot", f"n{i}", last_s, ut, unit=f"u{i // 2}", row=row, gateway=gateway)
        for i, (last_s, gateway, row, _, ut) in enumerate(nodes)
    ]
    standing = [silent(i, n.last_s) for i, n in enumerate(placed) if nodes[i][3]]
    standing += [
        zone_alarm(100 + i, unit, *kind, zone=zone) for i, (unit, kind, zone) in enumerate(zones)
    ]
    return standing, placed


@given(nodes=_nodes, zones=_zones, shuffle=st.randoms(use_true_random=False))
def test_members_and_single_ones_are_all_whatever_the_order(
    nodes: list[tuple[int, str, str, bool, int]],
    zones: list[tuple[int, tuple[AlarmKind, AlarmClass], str]],
    shuffle: object,
) -> None:
    standing, placed = _drawn(nodes, zones)
    found = group(standing, placed)
    numbers = sorted([*found.alone, *(n for cause in found.causes for n in cause.members)])
    assert numbers == sorted(alarm.alarm_id for alarm in standing)
    shuffle.shuffle(standing)  # type: ignore[attr-defined]
    shuffle.shuffle(placed)  # type: ignore[attr-defined]
    assert group(standing, placed) == found
    assert {cause.kind for cause in found.causes} <= KINDS
    kinds = {alarm.alarm_id: alarm.kind for alarm in standing}
    for cause in found.causes:
        assert len({kinds[n] for n in cause.members} & {"wet"}) == 0
        assert len(cause.members) >= (2 if cause.kind == "unit silent" else LEAST)


@given(nodes=_nodes, zones=_zones, over=st.sets(st.integers(0, 120)))
def test_nothing_is_lost_when_causes_go_on_or_end(
    nodes: list[tuple[int, str, str, bool, int]],
    zones: list[tuple[int, tuple[AlarmKind, AlarmClass], str]],
    over: set[int],
) -> None:
    standing, placed = _drawn(nodes, zones)
    before = [kept(cause) for cause in group(standing, placed).causes]
    left = [alarm for alarm in standing if alarm.alarm_id not in over]
    heard = {alarm.node for alarm in standing if alarm.alarm_id in over and alarm.node}
    later = [replace(n, last_s=T0 + 86_400) if n.node in heard else n for n in placed]
    found = group(left, later, kept=before)
    numbers = sorted([*found.alone, *(n for cause in found.causes for n in cause.members)])
    assert numbers == sorted(alarm.alarm_id for alarm in left)
    assert len({cause.key for cause in found.causes}) == len(found.causes)
    again = group(left, later, kept=before)
    assert again == found


@given(nodes=_nodes, zones=_zones)
def test_looking_again_at_the_same_settles(
    nodes: list[tuple[int, str, str, bool, int]],
    zones: list[tuple[int, tuple[AlarmKind, AlarmClass], str]],
) -> None:
    standing, placed = _drawn(nodes, zones)
    first = group(standing, placed)
    second = group(standing, placed, kept=[kept(cause) for cause in first.causes])
    assert group(standing, placed, kept=[kept(cause) for cause in second.causes]) == second


# --- through the record ---------------------------------------------------------------------------

GATEWAYS = {("lot", f"n{i}"): "g1" if i < 4 else "g2" for i in range(8)}


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with open_record(tmp_path) as opened:
        opened.add_site(Site("lot"))
        for i in range(8):
            opened.add_unit(Unit(f"u{i}", "lot", slot=f"B-{i}"))
            opened.add_zone("lot", Zone(f"u{i}", "off-rear-low"))
            placement = Placement(f"n{i}", "p1", "lot", f"u{i}", "off-rear-low", T0)
            opened.place(placement, recorded_s=T0, who="test")
        opened.declare_gateways(GATEWAYS)
        yield opened


def heard(record: Record, numbers: range, from_s: int, to_s: int, *, received_s: int) -> None:
    readings = [
        Reading(
            site="lot", node=f"n{i}", probe="p1", boot=1, seq=at_s, at_s=at_s,
            temperature_c=12.0, humidity_percent=60.0,
        )
        for i in numbers
        for at_s in range(from_s + 10 * i, to_s, UT)
    ]  # fmt: skip
    for start in range(0, len(readings), 500):
        record.take(readings[start : start + 500], [], received_s=received_s)


def told(record: Record) -> list[str]:
    """First words of what is still to be told to people."""
    with record.engine.connect() as connection:
        query = select(t.outbox.c.body).where(
            t.outbox.c.channel == "people",
            t.outbox.c.done_s.is_(None),
            t.outbox.c.key.not_like("%/withdrawn/%"),
        )
        return sorted(connection.execute(query).scalars())


def kinds(record: Record) -> list[tuple[str, int | None]]:
    return sorted((a.kind, a.cleared_s) for a in record.alarms() if a.withdrawn_s is None)


def test_a_gateway_that_fails_is_told_once_and_its_nodes_stay_in_the_record(record: Record) -> None:
    now_s = T0 + 6 * 3600
    heard(record, range(4), T0, T0 + 3600, received_s=T0 + 3600)
    heard(record, range(4, 8), T0, now_s, received_s=now_s)
    watch.tick(record, now_s=now_s)
    (cause,) = record.standing_causes()
    assert (cause.kind, cause.place, len(cause.now)) == ("gateway silent", "g1", 4)
    assert sum(a.kind == "silent" for a in record.alarms(open_only=True)) == 4
    (said,) = told(record)
    assert "every node behind gateway g1 fell silent at once (4 nodes" in said
    for later_s in (600, 3600, 2 * 86_400):
        heard(record, range(4, 8), now_s, now_s + later_s, received_s=now_s + later_s)
        watch.tick(record, now_s=now_s + later_s)
        assert told(record) == [said]
    assert [row.cause_id for row in record.standing_causes()] == [cause.cause_id]


def freezes(record: Record, numbers: range, *, now_s: int) -> None:
    for i in numbers:
        step = AlarmStep(now_s, "unacknowledged", "sillkeep", "it is cold")
        record.add_alarm(
            NewAlarm(
                site="lot", unit=f"u{i}", zone="off-rear-low", node="", kind="freezing",
                class_="act now", raised_s=now_s, cleared_s=None, state="unacknowledged", cause="",
                text="cold", instant=True, steps=(step,),
                outbox=(OutboxItem(f"u{i}/freezing", "people", "cold"),),
            ),
            now_s=now_s,
        )  # fmt: skip


def test_a_cause_is_told_again_when_it_has_come_to_twice_what_it_began_with(
    record: Record, tmp_path: Path
) -> None:
    ann = Person("Ann", "owner", "UTC", added_s=T0)
    by = Doer("test", T0)
    people_kept.add(record.engine, tmp_path, ann, [("json://127.0.0.1:9/x", "json")], by=by)
    sent: list[str] = []
    now_s = T0

    def send(_: str | None, message: Message, __: bytes | None) -> None:
        if "told again" not in message.body:  # for nobody answers: another matter
            sent.append(" ".join(message.body.split()))

    post = Courier(record, tmp_path, Messages(), lambda: now_s, send)
    for numbers, said in ((range(4), 1), (range(4, 7), 1), (range(7, 8), 2)):
        freezes(record, numbers, now_s=now_s)
        for _ in range(3):
            watch.tick(record, now_s=now_s)
            post.turn()
            now_s += 100
        assert len(sent) == said
    assert "in 4 places" in sent[0]
    assert "in 8 places" in sent[1]


def test_what_stays_silent_when_the_gateway_is_back_is_told_by_itself(record: Record) -> None:
    fails_s, back_s = T0 + 3600, T0 + 6 * 3600
    heard(record, range(4), T0, fails_s, received_s=fails_s)
    heard(record, range(4, 8), T0, back_s, received_s=back_s)
    watch.tick(record, now_s=back_s)
    end_s = back_s + 30 * 3600
    heard(record, range(1, 4), fails_s, end_s, received_s=end_s)  # with their backlog
    heard(record, range(4, 8), back_s, end_s, received_s=end_s)
    for now_s in (end_s, end_s + 60):
        watch.tick(record, now_s=now_s)
    assert record.standing_causes() == []
    silences = {a.node: a for a in record.alarms() if a.kind == "silent"}
    assert silences["n0"].cleared_s is None
    assert all(silences[f"n{i}"].withdrawn_s for i in (1, 2, 3))  # they measured all the time
    assert len(told(record)) == 1  # of the gateway: n0 may still be on its way
    heard(record, range(1, 8), end_s, end_s + 3 * 3600, received_s=end_s + 3 * 3600)
    watch.tick(record, now_s=end_s + 3 * 3600)
    assert sum("(node n0)" in said for said in told(record)) == 1
    assert len(told(record)) == 2


def test_a_silence_that_left_a_gap_ends_and_is_not_withdrawn(record: Record) -> None:
    heard(record, range(8), T0, T0 + 3600, received_s=T0 + 3600)
    later_s = T0 + 6 * 3600
    heard(record, range(1, 8), T0 + 3600, later_s, received_s=later_s)
    watch.tick(record, now_s=later_s)
    heard(record, range(8), later_s, later_s + 3600, received_s=later_s + 3600)
    watch.tick(record, now_s=later_s + 3600)
    (alarm,) = [a for a in record.alarms() if a.kind == "silent"]
    assert (alarm.state, alarm.withdrawn_s) == ("returned unacknowledged", None)
    assert alarm.cleared_s is not None
    assert told(record) == []  # it lasted hours only


def test_a_lone_silence_is_told_after_a_day(record: Record) -> None:
    heard(record, range(1), T0, T0 + 3600, received_s=T0 + 3600)
    for hours in (6, 20, 27):
        now_s = T0 + hours * 3600
        heard(record, range(1, 8), T0, now_s, received_s=now_s)
        watch.tick(record, now_s=now_s)
        assert len(told(record)) == (1 if hours == 27 else 0)


def test_gateways_are_listed_and_changed_by_command(record: Record, tmp_path: Path) -> None:
    changed = sillkeep(tmp_path, "node", "gateway", "n7", "roof", "--site", "lot")
    assert changed.returncode == 0, changed.stderr
    assert record.gateways()["lot", "n7"] == "roof"
    listed = sillkeep(tmp_path, "node", "list").stdout
    assert "lot/n0  never heard  via g1  u0/off-rear-low" in listed
    assert "lot/n7  never heard  via roof" in listed
    heard(record, range(7), T0, T0 + 600, received_s=T0 + 600)  # later than any clock here
    within = ("node", "list", "--heard-within", "60")
    for at_s, late in ((None, "lot/n7"), (1_700_000_000, "lot/n7"), (T0, "")):
        if at_s is not None:
            heard(record, range(7, 8), at_s, at_s + 600, received_s=at_s + 600)
        asked = sillkeep(tmp_path, *within)
        said = f"not heard within 60 s: {late}" if late else ""
        assert (asked.returncode, asked.stderr.strip()) == (int(bool(late)), said)
    refused = sillkeep(tmp_path, "node", "gateway", "n9", "roof", "--site", "lot")
    assert (refused.returncode, "there is no node" in refused.stderr) == (2, True)


def test_a_lot_file_names_gateways(tmp_path: Path) -> None:
    path = tmp_path / "lot.toml"
    path.write_text(
        '[[site]]\ncode = "lot"\n[[unit]]\ncode = "u1"\n[[zone]]\nunit = "u1"\ncode = "z"\n'
        '[[node]]\ncode = "n1"\nunit = "u1"\nfrom = 2030-01-01T00:00:00Z\n'
        'probes = { p1 = "z" }\ngateway = "office"\n'
    )
    assert lotfile.read_lot(path).gateways == {("lot", "n1"): "office"}
