"""The node without a broker: its outbox on disk, and files replayed as samples."""

import sqlite3
from itertools import pairwise
from pathlib import Path

import pytest

from sensors.node import Broker, Node, main, parse_broker
from sensors.outbox import Outbox
from sensors.probes.replay import NaiveTimeError, ReplayError, parse_map, read_replay, read_time
from sensors.wire import Reading, Receipt, decode, topic

START_S = 1_893_456_000  # 2030-01-01T00:00Z


def samples(count: int) -> list[list[Reading]]:
    return [
        [Reading(site="yard", node="n1", at_s=START_S + 60 * number, temperature_c=5.0)]
        for number in range(count)
    ]


def keys(outbox: Outbox) -> list[tuple[int, int]]:
    return [key for key, _ in outbox.after((-1, -1), 1000)]


def test_samples_get_boot_and_seq_and_survive_a_restart(tmp_path):
    first = Outbox(tmp_path / "n1.outbox")
    first.add(samples(2))
    first.add(samples(1))
    # not closed: as after a kill
    second = Outbox(tmp_path / "n1.outbox")
    second.add(samples(1))
    assert keys(second) == [(1, 0), (1, 1), (1, 2), (2, 0)]
    assert len(second) == 4
    (key, sample), *_ = second.after((1, 1), 1)
    assert key == (1, 2)
    assert sample == [
        Reading(site="yard", node="n1", at_s=START_S, temperature_c=5.0, boot=1, seq=2)
    ]
    first.close()
    second.close()


def test_a_sample_with_its_own_boot_and_seq_keeps_them_and_is_kept_once(tmp_path):
    outbox = Outbox(tmp_path / "n1.outbox")
    own = [[Reading(site="yard", node="n1", at_s=START_S, wood_percent=15.0, boot=9, seq=40)]]
    outbox.add(own)
    outbox.add(own)
    assert keys(outbox) == [(9, 40)]
    assert len(outbox) == 1
    outbox.close()


def test_boots_count_up_from_the_first_number_of_the_file(tmp_path):
    boots = []
    for first_boot in (700, 700, 900, 800):
        outbox = Outbox(tmp_path / "n1.outbox", first_boot=first_boot)
        boots.append(outbox.boot)
        outbox.close()
    assert boots == [700, 701, 900, 901]


@pytest.mark.parametrize(
    ("seq", "missing", "left"),
    [
        (9, [], []),
        (4, [], [5, 6, 7, 8, 9]),
        (9, [(0, 0), (3, 5)], [0, 3, 4, 5]),
        (6, [(3, 5)], [3, 4, 5, 7, 8, 9]),
        (6, [(5, 8)], [5, 6, 7, 8, 9]),
        (9, [(8, 9), (2, 2)], [2, 8, 9]),
        (10**12, [], []),
    ],
)
def test_a_receipt_forgets_what_is_stored_and_keeps_what_is_missing(tmp_path, seq, missing, left):
    outbox = Outbox(tmp_path / "n1.outbox")
    outbox.add(samples(10))
    assert outbox.forget(2, 10**12) == 0  # another boot
    assert outbox.forget(1, seq, missing) == 10 - len(left)
    assert [seq for _, seq in keys(outbox)] == left
    assert len(outbox) == len(left)
    outbox.close()


def test_a_full_outbox_drops_the_oldest_and_counts_them_for_good(tmp_path):
    outbox = Outbox(tmp_path / "n1.outbox", keep_samples=5)
    outbox.add(samples(5))
    assert outbox.dropped == 0
    outbox.add(samples(3))
    assert [seq for _, seq in keys(outbox)] == [3, 4, 5, 6, 7]
    outbox.close()
    again = Outbox(tmp_path / "n1.outbox", keep_samples=5)
    assert (len(again), again.dropped) == (5, 3)
    again.close()


def test_how_far_a_file_is_replayed_is_kept_with_the_samples_or_not_at_all(tmp_path):
    outbox = Outbox(tmp_path / "n1.outbox")
    outbox.add(samples(2), state={"replay": 2})
    assert outbox.state("replay") == 2
    with pytest.raises(sqlite3.IntegrityError):
        outbox.add(samples(2), state={"replay": None})  # fails after the samples were written
    assert (outbox.state("replay"), len(outbox)) == (2, 2)
    outbox.close()


def test_a_sample_that_could_not_be_sent_is_refused_before_it_is_kept(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    for faulty, sentence in [
        (Reading(site="yard", node="n2", at_s=START_S, wood_percent=9.0), "was given to node n1"),
        (Reading(site="yard", node="n1", wood_percent=9.0), "needs boot, seq and uptime"),
        (Reading(site="yard", node="n1", at_s=START_S, wood_percent=float("nan")), "of nan"),
    ]:
        with pytest.raises(ValueError, match=sentence):
            node.add([*samples(1), [faulty]])
    assert node.waiting == 0
    node.close()


def test_a_node_without_clock_stamps_its_uptime(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    node.take([Reading(site="yard", node="n1", contact=True)], monotonic_s=160.4, started_s=100.0)
    (_, (reading,)), *_ = node.outbox.after((-1, -1), 1)
    assert (reading.at_s, reading.uptime_s, reading.boot, reading.seq) == (None, 60, 1, 0)
    node.close()


def receipted(node: Node, *, monotonic_s: float, utc: int, seq: int, missing=(), first=0) -> None:
    """Let a node hear a receipt."""
    receipt = Receipt(boot=1, seq=seq, utc=utc, missing=list(missing), first=first)
    node._receipts.append(receipt)
    node._settle(monotonic_s)


def sampled(node: Node, monotonic_s: float, own_s: int | None = None) -> int | None:
    """Time that a sample of now is given."""
    measured = Reading(site="yard", node="n1", at_s=own_s, wood_percent=12.0)
    node.take([measured], monotonic_s=monotonic_s, started_s=0.0)
    return node.outbox.after((-1, -1), 1000)[-1][1][0].at_s


def test_a_clock_that_was_never_set_gives_no_time(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    assert sampled(node, 10.0, own_s=86_400) is None
    assert sampled(node, 20.0, own_s=START_S) == START_S
    node.close()


def test_receipts_tell_the_time_better_than_the_probe_until_they_are_old(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    sampled(node, 10.0)
    node._sent[1, 0] = 11.0
    receipted(node, monotonic_s=12.0, utc=START_S, seq=0)
    assert sampled(node, 100.0, own_s=START_S + 3600) == START_S + 88
    assert sampled(node, 12.0 + 5 * 86_400, own_s=START_S) is None  # ours has drifted
    node.close()
    # found wrong, it stays so over a restart
    again = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    assert sampled(again, 10.0, own_s=START_S + 3600) is None
    again.close()


def test_a_receipt_that_lay_unread_sets_no_clock(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    sampled(node, 10.0)
    node._sent[1, 0] = 11.0
    receipted(node, monotonic_s=611.0, utc=START_S, seq=0)  # the node slept for ten minutes
    assert (len(node.outbox), node.clock_s(611.0)) == (0, None)
    node.close()


def test_a_receipt_says_nothing_of_the_part_before_its_first(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    node.add(samples(10))
    node._sent = {(1, seq): 0.0 for seq in range(10)}
    receipted(node, monotonic_s=50.0, utc=START_S, seq=9, missing=[(0, 4), (7, 7)], first=5)
    assert keys(node.outbox) == [(1, seq) for seq in (0, 1, 2, 3, 4, 7)]
    assert sorted(node._sent) == [(1, seq) for seq in range(5)]  # waits for its own receipt
    assert node._missed == {(1, 7): 1}
    node.close()


class Sink:
    """In place of the broker: keeps packs."""

    def __init__(self) -> None:
        self.packs: list[bytes] = []

    def publish(self, _topic: str, payload: bytes, *_: object, **__: object) -> None:
        self.packs.append(payload)


def test_a_sample_that_spoils_its_pack_is_set_aside_alone(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    node.add(samples(6))
    node._client = sink = Sink()
    stored: set[int] = {5}  # a later sample shows the node what is missing
    for now_s in range(0, 200, 20):
        node._send(float(now_s))
        for pack in sink.packs:
            seqs = {r.seq for r in decode(topic("yard", "n1"), pack, received_s=START_S + 999)[0]}
            stored |= set() if 2 in seqs else seqs  # the monitor refuses any pack with number 2
        sink.packs.clear()
        gaps = [(seq, seq) for seq in range(5) if seq not in stored]
        receipted(node, monotonic_s=now_s + 15.0, utc=START_S, seq=5, missing=gaps)
    assert stored == {0, 1, 3, 4, 5}
    assert (node.set_aside, keys(node.outbox)) == (1, [(1, 2)])
    node._client = None
    node.close()


def test_nothing_is_sent_again_while_receipts_come(tmp_path):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"))
    node.add(samples(40))
    node._client = sink = Sink()
    for seq in range(30):  # a monitor that has much to do
        receipted(node, monotonic_s=50.0 * seq, utc=START_S, seq=seq)
        node._send(50.0 * seq)
    assert len(sink.packs) == 1
    for now_s in (1509.0, 1511.0):
        node._settle(now_s)
        node._send(now_s)
        assert len(sink.packs) == (1 if now_s < 1510.0 else 2)
    node._client = None
    node.close()


def test_without_a_broker_samples_wait_and_connecting_backs_off(tmp_path, free_port):
    node = Node("yard", "n1", outbox=Outbox(tmp_path / "n1.outbox"), broker=Broker(port=free_port))
    node.add(samples(3))
    tried = []
    for now_s in range(2000):
        before = node._connect_s
        node.step(float(now_s))
        if node._connect_s != before:
            tried.append(now_s)
    waits = [later - earlier for earlier, later in pairwise(tried)]
    assert 20 < len(tried) < 80
    assert waits[0] <= 2
    assert 29 <= max(waits) <= 91  # a minute, give or take half
    assert node.waiting == 3
    node.close()


# ---- files ---------------------------------------------------------------------------------------


def replay(path: Path, text: str, **options):
    path.write_text(text)
    return read_replay(path, site="yard", node="n1", **options)


def test_each_zone_is_a_probe_and_rows_of_one_time_are_one_sample(tmp_path):
    history = replay(
        tmp_path / "past.csv",
        "time,zone,temperature_c,humidity_percent,contact\n"
        "2030-01-01T01:00:00+01:00,off-rear-low,5.5,80,\n"
        "2030-01-01T00:30:00Z,Sill 2,,,1\n"
        "2030-01-01T00:00:00Z,Sill 2,6.5,81,0\n",
    )
    assert history.rejects == []
    # spacing of the second probe is 1800 s, so it may be silent that long
    row = {"site": "yard", "node": "n1"}
    assert history.samples == [
        [
            Reading(
                **row,
                probe="off-rear-low",
                at_s=START_S,
                silence_s=900,
                temperature_c=5.5,
                humidity_percent=80.0,
            ),
            Reading(
                **row,
                probe="p2",
                at_s=START_S,
                silence_s=1800,
                temperature_c=6.5,
                humidity_percent=81.0,
                contact=False,
            ),
        ],
        [Reading(**row, probe="p2", at_s=START_S + 1800, silence_s=1800, contact=True)],
    ]


def test_two_rows_of_one_probe_and_time_are_two_samples(tmp_path):
    history = replay(
        tmp_path / "past.csv",
        "time,wood_percent\n2030-01-01T00:00:00Z,15\n2030-01-01T00:00:00Z,16\n",
    )
    assert [[r.wood_percent for r in sample] for sample in history.samples] == [[15.0], [16.0]]


def test_rows_that_are_no_reading_are_counted_with_a_sentence(tmp_path):
    path = tmp_path / "past.csv"
    history = replay(
        path,
        "time,zone,temperature_c,humidity_percent\n"
        "2030-01-01T00:00:00Z,a,5.5,130\n"
        "2030-01-01T00:00:00Z,b,5.5,70\n"
        "yesterday,a,5.5,70\n"
        "2030-01-01T00:20:00Z,a,warm,70\n"
        "2030-01-01T00:30:00Z,a,,\n"
        "1999-01-01T00:30:00Z,a,5,50\n",
    )
    assert [[r.probe for r in sample] for sample in history.samples] == [["b"]]
    sentences = "\n".join(history.rejects)
    assert len(history.rejects) == 5
    assert "line 4: 'yesterday' is no RFC 3339 time" in sentences
    assert "line 5: temperature_c 'warm' is no number" in sentences
    assert "line 6: no measured value" in sentences
    assert "line 7: 1999-01-01T00:30:00Z is before 2010" in sentences
    assert "line 2: 1 values left out" in sentences
    assert "humidity_percent of 130 is outside 0 to 105" in sentences


def test_local_times_are_read_in_their_zone_and_impossible_ones_rejected(tmp_path):
    history = replay(
        tmp_path / "past.csv",
        "local_time,place,temperature_c\n"
        "2016-01-11 17:30:00,kitchen,19.89\n"
        "2016-03-27 02:30:00,kitchen,19\n"  # the clocks went from 02:00 to 03:00
        "2015-10-25 02:30:00,kitchen,19\n",  # and from 03:00 back to 02:00
        columns=parse_map("time=local_time, zone=place"),
        timezone="Europe/Brussels",
    )
    assert [r.at_s for sample in history.samples for r in sample] == [1452529800]  # 16:30 UTC
    assert "showed 2016-03-27 02:30:00 never" in history.rejects[0]
    assert "showed 2015-10-25 02:30:00 twice" in history.rejects[1]


@pytest.mark.parametrize(
    ("text", "options", "sentence"),
    [
        ("time,temperature_c\n2030-01-01 00:00:00,5\n", {}, "give --timezone (such as Europe/Br"),
        ("when,temperature_c\n", {}, "no column time: name it by --map time=COLUMN"),
        ("time,warmth\n", {}, "no measured column: name one by --map"),
        (
            "time,temperature_c\n",
            {"columns": {"zone": "room"}},
            "no column room, which --map names",
        ),
        ("time,temperature_c\n", {"timezone": "Mars/Base"}, "'Mars/Base' is no time zone"),
    ],
)
def test_an_unusable_file_is_one_sentence(tmp_path, text, options, sentence):
    with pytest.raises(ReplayError) as caught:
        replay(tmp_path / "past.csv", text, **options)
    assert sentence in str(caught.value)


def test_an_unreadable_file_or_option_is_one_sentence(tmp_path):
    (tmp_path / "bytes.csv").write_bytes(b"time,temperature_c\n\xff\xfe\x00,5\n")
    for path in (tmp_path / "bytes.csv", tmp_path / "absent.csv", tmp_path):
        with pytest.raises(ReplayError, match="cannot be read as CSV"):
            read_replay(path, site="yard", node="n1")
    with pytest.raises(ReplayError, match="write OURS=THEIRS"):
        parse_map("when=time")
    with pytest.raises(ValueError, match="write HOST:PORT"):
        parse_broker("localhost:mqtt")
    with pytest.raises(NaiveTimeError):
        read_time("2030-01-01T00:00", None)


def test_the_command_ends_with_2_and_a_sentence_where_the_file_is_unusable(tmp_path, caplog):
    command = ["--site=yard", "--node=n1", f"--replay={tmp_path}/no.csv", f"--home={tmp_path}"]
    assert main(command) == 2
    assert "cannot be read as CSV" in caplog.text
