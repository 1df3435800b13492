"""Several take in readings of one record: it comes to the same as if one had."""

import json
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor import accesslist
from monitor.config import Broker, load
from monitor.errors import ConfigError
from monitor.intake import Estate, Heir, _former, client_name, samples_of
from monitor.messages import ALIVE_S, alive, late_parts
from monitor.parts import kind_of, member_of, name_of, number_of, of_kind
from monitor.store import Pulse, Record, open_record
from sensors.wire import Reading

T0 = 1_764_057_600
HOUR_S = 3600
_NUMBERS = count()


def sample(seq: int, *, timed: bool, node: str = "n1") -> Reading:
    """One of a boot whose clock is set now and then; the uptime drifts by a second a sample."""
    uptime_s = seq * 700
    at_s = T0 + uptime_s + seq if timed else None
    return Reading(site="yard", node=node, boot=1, seq=seq, at_s=at_s, uptime_s=uptime_s,
                   temperature_c=float(seq % 40))  # fmt: skip


_OF_NODE = {
    "reading": "select boot, seq, at_s, uptime_s, temperature_c100, disputed from reading"
    " join probe using (probe_id) where node_id = ?",
    "receipt": "select boot, seq, missing from receipt where node_id = ?",
    "anchor": "select boot, uptime_hour, uptime_s, at_s from anchor where node_id = ?",
    "latest": "select at_s, temperature_c100, readings from latest"
    " join probe using (probe_id) where node_id = ?",
}


def rows(record: Record, node: str) -> dict[str, list[tuple[object, ...]]]:
    with record.engine.connect() as db:
        (key,) = db.exec_driver_sql("select node_id from node where code = ?", (node,)).one()
        return {
            name: sorted((tuple(row) for row in db.exec_driver_sql(query, (key,))), key=repr)
            for name, query in _OF_NODE.items()
        }


@pytest.fixture(scope="module")
def takers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Record, Record, Record]]:
    """One that is alone, and two that share a record."""
    lone, shared = tmp_path_factory.mktemp("lone"), tmp_path_factory.mktemp("shared")
    with open_record(lone) as alone, open_record(shared) as one, open_record(shared) as other:
        one.share()
        other.share()
        yield alone, one, other


@given(
    timed=st.lists(st.booleans(), min_size=1, max_size=24),
    turns=st.lists(
        st.tuples(st.integers(0, 1), st.lists(st.integers(0, 23), min_size=1, max_size=6)),
        min_size=1,
        max_size=12,
    ),
)
@example(timed=[True] * 24, turns=[(0, [0, 2]), (1, [1, 3]), (0, [4]), (1, [5])])
@example(timed=[False, True, False], turns=[(0, [1]), (1, [0]), (1, [2]), (0, [0, 2])])
@example(timed=[True] * 6, turns=[(0, [1]), (1, [0]), (0, [2]), (1, [5]), (0, [1])])
@settings(max_examples=60)
def test_two_that_take_turns_come_to_the_same_as_one(
    takers: tuple[Record, Record, Record], timed: list[bool], turns: list[tuple[int, list[int]]]
) -> None:
    alone, *both = takers
    node = f"n{next(_NUMBERS)}"
    for who, seqs in turns:
        group = [sample(seq, timed=timed[seq % len(timed)], node=node) for seq in seqs]
        told = both[who].take(group, [], received_s=T0 + 10**6)
        assert told.receipts == alone.take(group, [], received_s=T0 + 10**6).receipts
    assert rows(both[0], node) == rows(alone, node)


def test_without_reading_anew_what_the_other_took_is_asked_for_again(tmp_path: Path) -> None:
    told = []
    for sharing in (True, False):
        with open_record(tmp_path / str(sharing)) as one, open_record(one.home) as other:
            if sharing:
                one.share()
                other.share()
            for who, seq in ((one, 0), (other, 1), (one, 2), (other, 3)):
                (receipt,) = who.take([sample(seq, timed=True)], [], received_s=T0).receipts
            told.append((receipt.seq, receipt.missing))
    assert told == [(3, ()), (3, ((2, 2),))]


@pytest.mark.parametrize(
    ("kind", "number", "member", "name"),
    [
        ("intake", 1, "", "intake"),
        ("intake", 2, "", "intake-2"),
        ("intake", 1, "barn", "intake@barn"),
        ("watch", 16, "north-2", "watch-16@north-2"),
    ],
)
def test_a_name_says_kind_number_and_machine(
    kind: str, number: int, member: str, name: str
) -> None:
    assert name_of(kind, number=number, member=member) == name
    assert (kind_of(name), number_of(name), member_of(name)) == (kind, number, member)
    assert of_kind(kind, ["messages", name, "check"]) == [name]


def test_a_lone_intake_subscribes_plainly_and_several_share_under_names_of_their_own() -> None:
    def asked(broker: Broker) -> list[str]:
        return [wanted for wanted, _ in samples_of(broker, ["gateway/+/up"])]

    assert asked(Broker()) == ["sillkeep/+/+/senml", "gateway/+/up"]
    shared = ["$share/a-b/a/b/+/+/senml", "$share/a-b/gateway/+/up"]
    assert asked(Broker(prefix="a/b", intakes=2)) == shared
    assert asked(Broker(prefix="a/b", member="barn")) == shared
    assert client_name(Broker(), "intake") == "sillkeep-intake"
    assert client_name(Broker(prefix="a/b"), "intake-2@barn") == "a-b-intake-2@barn"


def test_an_intake_takes_back_what_its_name_was_subscribed_to_before() -> None:
    before = [Pulse("intake", T0, json.dumps({"filters": ["sillkeep/+/+/senml", "x/#"]})),
              Pulse("intake-2", T0, json.dumps({"filters": ["y/#"]}))]  # fmt: skip
    assert _former(before, "intake", Broker()) == ["sillkeep/+/+/senml", "x/#"]
    # one of an older version did not say what it was subscribed to under its own prefix
    old = [Pulse("intake", T0, "{}")]
    assert _former(old, "intake", Broker(intakes=2)) == ["sillkeep/+/+/senml"]
    assert _former([], "intake", Broker()) == []


def beat(record: Record, part: str, at_s: int, **detail: object) -> None:
    record.beat(part, at_s, json.dumps(detail))


def test_somebody_listens_while_one_of_several_does_and_what_came_too_late_does_not_count(
    tmp_path: Path,
) -> None:
    with open_record(tmp_path) as record:
        assert record.listening().at_s is None
        beat(record, "intake", T0)
        beat(record, "intake-2", T0 - HOUR_S)
        assert record.listening().at_s == T0
        (gone,) = [pulse for pulse in record.pulses() if pulse.part == "intake-2"]
        record.settle_pulse(gone, by="intake")
        assert [pulse.part for pulse in record.pulses() if pulse.is_over] == ["intake-2"]
        beat(record, "intake-2", T0 + 5)  # it is back
        record.settle_pulse(gone, by="intake")
        assert not any(pulse.is_over for pulse in record.pulses())
        assert record.listening().is_deaf(T0 + 5 + HOUR_S)


def test_one_absence_of_several_intakes_is_one(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        beat(record, "intake", T0)
        beat(record, "intake-2", T0 + 3)
        back_s = T0 + 5 * HOUR_S
        gap = record.listening().gap_before(back_s)
        assert gap == (T0 + 3, back_s)
        beat(record, "intake", back_s, gap=gap)
        beat(record, "intake-2", back_s + 4, gap=record.listening().gap_before(back_s + 4))
        assert record.listening().gap == gap


def test_floods_of_all_intakes_are_added(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record.take([sample(0, timed=True)], [], received_s=T0)
        topic = "sillkeep/yard/n1/senml"
        beat(record, "intake", T0, since_s=T0 - 9, floods={topic: (3, T0 - 4)})
        beat(record, "intake-2", T0, since_s=T0 - 5, floods={topic: (4, T0 - 2)})
        since_s, (flood,) = record.floods()
        assert (since_s, flood.node, flood.dropped, flood.at_s) == (T0 - 5, "n1", 7, T0 - 2)


class Done(Heir):
    """An heir that has it all at once."""

    def __init__(self, pulse: Pulse) -> None:
        self.pulse, self.part = pulse, pulse.part
        self.is_done, self.is_refused = True, False

    def turn(self, longest_s: float = 0.0) -> None: ...


def test_the_first_of_those_that_live_takes_over_and_forgets_one_that_is_not_wanted_any_more(
    tmp_path: Path,
) -> None:
    with open_record(tmp_path) as record:
        time_s = [0.0]
        made: list[str] = []

        def heir(pulse: Pulse) -> Heir:
            made.append(pulse.part)
            return Done(pulse)

        def estate(part: str) -> Estate:
            return Estate(record, part, intakes=1, gone_s=60, heir=heir, timer=lambda: time_s[0])

        first, other = estate("intake"), estate("intake@barn")
        for part in ("intake", "intake-2", "intake@barn", "intake@shed"):
            beat(record, part, T0)
        for step in range(1, 30):
            time_s[0] = step * 10.0
            for part in ("intake", "intake@barn"):
                beat(record, part, T0 + step)
            other.turn()
            first.turn()
            if step < 7:
                assert made == []
        assert made == ["intake-2", "intake@shed"]
        told = {pulse.part: pulse.is_over for pulse in record.pulses()}
        assert told == {"intake": False, "intake@barn": False, "intake@shed": True}
        beat(record, "intake", T0 + 8 * 86400)
        time_s[0] += 10.0
        first.turn()
        assert "intake@shed" not in {pulse.part for pulse in record.pulses()}


def test_an_outage_of_the_record_is_nobodys_death(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        time_s = [0.0]
        estate = Estate(
            record, "intake", intakes=2, gone_s=60, heir=pytest.fail, timer=lambda: time_s[0]
        )
        for part in ("intake", "intake-2"):
            beat(record, part, T0)
        for _ in range(30):  # no pulse can be written, of nobody
            time_s[0] += 5.0
            estate.turn()
        beat(record, "intake", T0 + 150)  # ours is the first that can
        for _ in range(3):
            time_s[0] += 5.0
            estate.turn()
        beat(record, "intake-2", T0 + 160)
        estate.turn()


def test_the_pulse_before_we_had_a_member_is_forgotten_where_names_are_users(
    tmp_path: Path,
) -> None:
    with open_record(tmp_path) as record:
        time_s = [0.0]
        estate = Estate(
            record, "intake@barn", intakes=1, gone_s=60, of_all=False, heir=pytest.fail,
            timer=lambda: time_s[0],
        )  # fmt: skip
        for part in ("intake", "intake@shed"):
            beat(record, part, T0)
        for step in range(20):
            beat(record, "intake@barn", T0 + 5 * step)
            time_s[0] += 5.0
            estate.turn()
        assert {pulse.part for pulse in record.pulses()} == {"intake@barn", "intake@shed"}
        beat(record, "intake@barn", T0 + 8 * 86400)
        time_s[0] += 5.0
        estate.turn()
        assert {pulse.part for pulse in record.pulses()} == {"intake@barn"}


def test_the_broker_lets_in_each_intake_under_a_name_of_its_own_while_it_keeps_something_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "secret").write_text("a-password-of-24-letters")
    toml = '[broker]\nhost = "127.0.0.1"\nusername = "monitor"\npassword_file = "secret"\n'
    toml += 'access_files = "broker"\nintakes = {}\n'

    def listed(intakes: int) -> list[str]:
        (tmp_path / "sillkeep.toml").write_text(toml.format(intakes))
        accesslist.keep(record, load(tmp_path))
        names = (tmp_path / "broker" / accesslist.PASSWD).read_text().splitlines()
        users = (tmp_path / "broker" / accesslist.ACL).read_text().splitlines()
        found = [line.partition(":")[0] for line in names]
        assert [f"user {name}" for name in found] == [u for u in users if u.startswith("user")]
        return found

    with open_record(tmp_path) as record:
        assert listed(1) == ["monitor"]
        assert listed(3) == ["monitor", "monitor-2", "monitor-3"]
        beat(record, "intake-2", T0)
        beat(record, "intake-3@barn", T0)
        assert listed(1) == ["monitor", "monitor-2"]
        (gone,) = [pulse for pulse in record.pulses() if pulse.part == "intake-2"]
        record.settle_pulse(gone)
        assert listed(1) == ["monitor"]
        with pytest.raises(ConfigError):
            accesslist.check_name("monitor-2", load(tmp_path).broker)
        # a node that had the name first is out, by name; all others are in
        nodes = [("yard", "monitor-2", "hash"), ("yard", "n1", "hash")]
        monkeypatch.setattr(record, "node_hashes", lambda: nodes)
        with pytest.raises(ConfigError, match="yard/monitor-2 has the name"):
            listed(2)
        names = (tmp_path / "broker" / accesslist.PASSWD).read_text().splitlines()
        assert [name.partition(":")[0] for name in names] == ["monitor", "monitor-2", "n1"]
        assert "yard/monitor-2" not in (tmp_path / "broker" / accesslist.ACL).read_text()


def test_the_heart_beats_while_one_watch_lives_and_every_intake_does_or_is_taken_over() -> None:
    def dead(**pulses: int) -> list[str]:
        at = {part.replace("_", "-"): T0 - ago_s for part, ago_s in pulses.items()}
        return late_parts(alive(at, archive=False, now_s=T0))

    fine = {"intake": 5, "watch": 5, "messages": 5}
    assert dead(**fine) == []
    assert dead(**fine, watch_2=ALIVE_S + 1) == []
    assert dead(**fine, intake_2=ALIVE_S + 1) == ["intake-2"]
    assert dead(**(fine | {"watch": ALIVE_S + 1}), watch_2=ALIVE_S + 1) == ["watch", "watch-2"]
