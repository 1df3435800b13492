"""Intake without a broker: batches, what a message holds, how much a node may send, packets."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor import intake
from monitor.config import Broker
from monitor.errors import ConfigError, StoreError
from monitor.intake import (
    BATCH_MESSAGES,
    BATCH_READINGS,
    BATCH_WAIT_S,
    BURST_BYTES,
    MESSAGE_BYTES,
    REFILL_BYTES_S,
    REOPEN_BYTES,
    RETRY_LAST_S,
    STALLED_S,
    Allowance,
    Batch,
    Intake,
    _Client,
    check_subscribed,
    waited_s,
)
from monitor.store import NodeReceipt, Taken
from sensors.node import PACK_SAMPLES, WINDOW
from sensors.outbox import KEEP_SAMPLES
from sensors.wire import Reading, Receipt, Reject, decode_receipt, encode, topic

READING = Reading(site="yard", node="n1", at_s=1764057600, temperature_c=11.4)
REJECT = Reject(topic="t", payload=b"", reason="none", received_s=0)


def holding(readings: int, *, at: float = 100.0) -> Batch:
    batch = Batch()
    for packet in range(1, readings + 1):
        batch.add([READING], [], packet=packet, received_s=1764057600, now_s=at)
    return batch


def told(**properties: object) -> Properties:
    made = Properties(PacketTypes.PUBLISH)
    for name, value in properties.items():
        setattr(made, name, value)
    return made


def test_an_empty_batch_is_never_due() -> None:
    assert not Batch().is_due(1e18)


def test_a_lone_reading_is_due_after_a_tenth_of_a_second() -> None:
    batch = holding(1)
    assert not batch.is_due(100.0 + BATCH_WAIT_S - 0.01)
    assert batch.is_due(100.0 + BATCH_WAIT_S)


def test_later_messages_do_not_put_the_commit_off() -> None:
    batch = holding(1)
    batch.add([READING], [], packet=2, received_s=1764057601, now_s=100.09)
    assert batch.is_due(100.0 + BATCH_WAIT_S)
    assert batch.received_s == 1764057600


def test_a_full_batch_is_due_at_once() -> None:
    assert not holding(BATCH_MESSAGES - 1).is_due(100.0)
    assert holding(BATCH_MESSAGES).is_due(100.0)
    packs = Batch()
    packs.add([READING] * (BATCH_READINGS - 1), [], packet=1, received_s=0, now_s=100.0)
    assert not packs.is_due(100.0)
    packs.add([READING], [], packet=2, received_s=0, now_s=100.0)
    assert packs.is_due(100.0)


def test_messages_without_readings_fill_a_batch_too() -> None:
    batch = Batch()
    for packet in range(1, BATCH_MESSAGES + 1):
        batch.add([], [], packet=packet, received_s=0, now_s=100.0)
    assert batch.is_due(100.0)
    rejected = Batch()
    rejected.add([], [REJECT] * BATCH_READINGS, packet=1, received_s=0, now_s=100.0)
    assert rejected.is_due(100.0)


def test_a_message_of_quality_zero_is_not_acknowledged() -> None:
    batch = Batch()
    batch.add([READING], [], packet=0, received_s=0, now_s=100.0)
    assert batch.packets == []
    assert batch.is_due(101.0)


def test_a_held_batch_keeps_everything_and_waits_longer_each_time() -> None:
    batch = holding(BATCH_MESSAGES)
    waits = []
    for _ in range(10):
        batch.hold(200.0)
        assert not batch.is_due(200.0)
        waits.append(batch.due_s - 200.0)
        assert batch.is_due(batch.due_s)
    assert waits[:3] == pytest.approx([0.1, 0.2, 0.4])
    assert waits[-1] == pytest.approx(RETRY_LAST_S)
    assert len(batch.readings) == len(batch.packets) == BATCH_MESSAGES


def test_a_refused_subscription_ends_the_intake_with_a_sentence() -> None:
    check_subscribed([ReasonCode(PacketTypes.SUBACK, "Granted QoS 1")])
    with pytest.raises(ConfigError, match=r"\(Not authorized\): give the user of \[broker\]"):
        check_subscribed([ReasonCode(PacketTypes.SUBACK, "Not authorized")])


@pytest.mark.parametrize(
    ("properties", "seconds"),
    [
        pytest.param(None, 0, id="no properties: an old client"),
        pytest.param(told(), 0, id="nothing said"),
        pytest.param(told(MessageExpiryInterval=90), 0, id="expiry without what it was"),
        pytest.param(told(UserProperty=("expiry", "100")), 0, id="what it was without expiry"),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "100")), 10, id="ten seconds"
        ),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "80")), 0, id="never negative"
        ),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "1e9")), 0, id="no number"
        ),
        pytest.param(
            told(MessageExpiryInterval=90, UserProperty=("expiry", "9" * 11)), 0, id="too long"
        ),
    ],
)
def test_the_expiry_tells_how_long_a_message_waited(
    properties: Properties | None, seconds: int
) -> None:
    assert waited_s(properties) == seconds


# --- how much a node may send ---------------------------------------------------------------------

TOPIC = topic("yard", "n1")


def ring(probes: int, samples: int) -> list[bytes]:
    """Packs of a node's ring, as full as they are on the wire."""
    packs = []
    for first in range(0, samples, PACK_SAMPLES):
        pack = [
            Reading(
                site="yard",
                node="02005e10a4c3",
                probe=f"p{probe}",
                boot=17,
                seq=seq,
                at_s=1764057600 + 60 * seq,
                uptime_s=3_000_000 + 60 * seq,
                silence_s=900,
                temperature_c=11.42,
                humidity_percent=78.61,
                battery_percent=87.0,
                signal_dbm=-71.0,
            )
            for seq in range(first, first + PACK_SAMPLES)
            for probe in range(1, probes + 1)
        ]
        packs.append(encode(pack))
    return packs


def test_a_ring_of_forty_days_of_eight_probes_is_taken_in_at_once() -> None:
    allowance = Allowance()
    pack = max(ring(8, 2 * PACK_SAMPLES), key=len)
    sent = [allowance.admits(TOPIC, pack, now_s=100.0) for _ in range(KEEP_SAMPLES // PACK_SAMPLES)]
    assert all(sent)


def test_a_flood_is_dropped_but_for_what_its_allowance_gives_again() -> None:
    allowance = Allowance()
    payload = bytes(900)
    taken = 0
    for second in range(100_000):
        for _ in range(4):
            taken += allowance.admits(TOPIC, payload, now_s=100.0 + second)
    cost = MESSAGE_BYTES + len(TOPIC) + len(payload)
    most = (BURST_BYTES + 100_000 * REFILL_BYTES_S) / cost
    assert most - 1 - REOPEN_BYTES / cost <= taken <= most
    assert taken < 400_000 * 0.7


def test_an_empty_allowance_opens_again_for_more_than_a_node_has_in_flight() -> None:
    allowance = Allowance()
    (pack,) = ring(8, PACK_SAMPLES)
    now_s = 100.0
    while allowance.admits(TOPIC, pack, now_s=now_s):
        pass
    while not allowance.admits(TOPIC, pack, now_s=now_s):
        now_s += 1.0
    assert now_s == pytest.approx(100.0 + REOPEN_BYTES / REFILL_BYTES_S, rel=0.05)
    again = 1
    while allowance.admits(TOPIC, pack, now_s=now_s):
        again += 1
    assert again * PACK_SAMPLES > WINDOW


def test_names_without_end_take_no_memory_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "MOST_SENDERS", 100)
    mine = topic("yard", "mine")
    allowance = Allowance([mine])
    for number in range(1000):
        allowance.admits(topic("yard", f"forged{number}"), b"", now_s=100.0)
    allowance.admits("sillkeep/" + "x" * 60_000 + "/n/senml", b"", now_s=100.0)
    assert len(allowance._buckets) == 100
    while allowance.admits(topic("yard", "late"), bytes(100_000), now_s=100.0):
        pass
    allowance.drop(topic("yard", "late"), at_s=5)
    assert not allowance.admits(topic("yard", "later"), bytes(100_000), now_s=100.0)
    assert allowance.admits(mine, bytes(100_000), now_s=100.0)
    assert allowance.floods() == {"": (1, 5)}


@given(
    sent=st.lists(
        st.tuples(st.integers(0, 5), st.integers(0, 3000), st.floats(0, 2)), min_size=1, max_size=60
    )
)
def test_a_node_never_loses_a_token_because_of_another(sent: list[tuple[int, int, float]]) -> None:
    mine = "sillkeep/yard/n0/senml"
    limits = {
        "BURST_BYTES": 5000,
        "REFILL_BYTES_S": 500,
        "REOPEN_BYTES": 2000,
        "MOST_SENDERS": 3,
    }
    with pytest.MonkeyPatch.context() as patched:
        for name, value in limits.items():
            patched.setattr(intake, name, value)
        among, alone = Allowance([mine]), Allowance([mine])
        now_s = 100.0
        for number, size, wait_s in sent:
            now_s += wait_s
            name = f"sillkeep/yard/n{number}/senml"
            admitted = among.admits(name, bytes(size), now_s=now_s)
            if name == mine:
                assert admitted == alone.admits(mine, bytes(size), now_s=now_s)


# --- what is dropped is never promised, and comes again -------------------------------------------


class Promises:
    """A record that stores all, and a broker's end that takes promises down."""

    def __init__(self) -> None:
        self.stored: set[tuple[str, int]] = set()
        self.rejects: list[Reject] = []
        self.acknowledged: list[int] = []
        self.told: list[tuple[str, Receipt]] = []
        self.pulse: dict[str, Any] = {}
        self.is_closed = False

    def take(self, readings: Any, rejects: Any, *, received_s: int, untold: Any) -> Taken:
        assert received_s or not readings
        assert not untold
        if self.is_closed:
            raise StoreError("database or disk is full")
        self.stored |= {(r.node, r.seq) for r in readings}
        self.rejects += rejects
        high = {node: max(s for n, s in self.stored if n == node) for node, _ in self.stored}
        receipts = []
        for node in {r.node for r in readings}:
            missing = [s for s in range(high[node]) if (node, s) not in self.stored]
            gaps = tuple((s, s) for s in missing)
            receipts.append(NodeReceipt("yard", node, 1, high[node], gaps))
        return Taken(len(readings), 0, 0, 0, len(rejects), tuple(receipts))

    def beat(self, _part: str, _at_s: int, detail: str) -> None:
        if self.is_closed:
            raise StoreError("database or disk is full")
        self.pulse = json.loads(detail)

    def ack(self, packet: int, _qos: int) -> None:
        self.acknowledged.append(packet)

    def publish(self, name: str, payload: bytes, **_: object) -> None:
        self.told.append((name.split("/")[2], decode_receipt(payload)))


def promised(one: Promises) -> set[tuple[str, int]]:
    return {
        (node, seq)
        for node, told in one.told
        for seq in range(told.seq + 1)
        if not any(first <= seq <= last for first, last in told.missing)
    }


def an_intake(one: Promises, clock: list[float], **options: Any) -> Intake:
    made = Intake(one, Broker(), lambda: 1764060000 + clock[0], lambda: clock[0], **options)  # type: ignore[arg-type]
    made._client = one  # type: ignore[assignment]
    made._is_connected = True
    return made


def message(node: str, seq: int, *, good: bool = True) -> tuple[str, bytes]:
    if not good:
        return topic("yard", node), b"[" + bytes(200)
    sample = Reading(
        site="yard", node=node, boot=1, seq=seq, at_s=1764057600 + seq, temperature_c=9.0
    )
    return topic("yard", node), encode([sample])


@given(
    sent=st.lists(
        st.tuples(st.sampled_from(["a", "b"]), st.integers(0, 12), st.booleans(), st.floats(0, 3)),
        max_size=60,
    )
)
def test_nothing_that_was_dropped_is_ever_promised_and_sent_again_it_is_stored(
    sent: list[tuple[str, int, bool, float]],
) -> None:
    with pytest.MonkeyPatch.context() as patched:
        for name, value in {
            "BURST_BYTES": 2000,
            "REFILL_BYTES_S": 100,
            "REOPEN_BYTES": 900,
        }.items():
            patched.setattr(intake, name, value)
        one, clock = Promises(), [100.0]
        running = an_intake(one, clock)
        for packet, (node, seq, good, wait_s) in enumerate(sent, 1):
            clock[0] += wait_s
            name, payload = message(node, seq, good=good)
            running._take_message(name, payload, packet=packet, retain=False)
            if packet % 3 == 0:
                running._store(clock[0])
                running._tell(clock[0])
                assert promised(one) <= one.stored
        running._store(clock[0])
        running._tell(clock[0])
        assert promised(one) == one.stored
        # every message is taken off the broker, dropped or not
        assert sorted(one.acknowledged) == list(range(1, len(sent) + 1))
        running._beat(clock[0])
        assert one.pulse["dropped"] == sum(count for count, _ in one.pulse["floods"].values())
        assert one.pulse["messages"] == len(sent)
        # as a node does: what has no receipt is sent again, whatever the order of the drops
        for node, seq, good, _ in reversed(sent):
            if good and (node, seq) not in promised(one):
                clock[0] += 60.0
                running._take_message(*message(node, seq), packet=1, retain=False)
                running._store(clock[0])
                running._tell(clock[0])
        wanted = {(node, seq) for node, seq, good, _ in sent if good}
        assert promised(one) == one.stored == wanted


def test_a_flood_of_malformed_messages_is_kept_as_far_as_the_allowance_goes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(intake, "BURST_BYTES", 10_000)
    one, clock = Promises(), [100.0]
    running = an_intake(one, clock)
    for packet in range(1, 101):
        running._take_message(*message("a", 0, good=False), packet=packet, retain=False)
    running._take_message(*message("b", 1), packet=101, retain=False)
    running._store(clock[0])
    running._beat(clock[0])
    assert 0 < len(one.rejects) <= 10_000 / 300
    assert one.pulse["dropped"] == 100 - len(one.rejects)
    assert one.stored == {("b", 1)}


# --- progress -------------------------------------------------------------------------------------


def test_a_batch_that_nobody_commits_ends_the_pulse_but_a_record_that_refuses_does_not() -> None:
    one, clock = Promises(), [100.0]
    signs: list[str] = []
    running = an_intake(one, clock, on_refused=lambda: signs.append("alive"))
    running._take_message(*message("a", 1), packet=1, retain=False)
    running._beat(clock[0])
    assert one.pulse["messages"] == 1
    clock[0] += STALLED_S + 1.0  # as if the commit were never tried
    running._take_message(*message("a", 2), packet=2, retain=False)
    running._beat(clock[0])
    assert one.pulse["messages"] == 1
    one.is_closed = True
    running._store(clock[0])
    for _ in range(3):
        clock[0] += STALLED_S + 1.0
        running._beat(clock[0])  # refused too, so the sign of life is another
    assert signs == ["alive"] * 3
    one.is_closed = False
    running._store(clock[0])
    running._beat(clock[0])
    assert one.pulse["messages"] == 2


def test_a_network_that_has_something_which_never_comes_out_ends_the_pulse(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    one, clock = Promises(), [100.0]
    running = an_intake(one, clock)
    has_come = [False]
    monkeypatch.setattr(running, "_wait", lambda *_: has_come[0])
    for name in ("loop_read", "loop_misc", "socket"):
        monkeypatch.setattr(one, name, object, raising=False)

    def after(seconds: int) -> bool:
        for _ in range(seconds):
            clock[0] += 1.0
            running._read(0.0)
        return running.is_moving(clock[0])

    assert after(600), "an idle line is no stuck one"
    has_come[0] = True
    assert after(5)
    assert not after(int(STALLED_S))
    has_come[0] = False
    assert after(1)


def test_a_broker_that_answers_and_hangs_up_again_and_again_is_not_being_stuck(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A wrong password: each connection brings a refusal, and no message."""
    one, clock = Promises(), [100.0]
    running = an_intake(one, clock)
    monkeypatch.setattr(running, "_wait", lambda client, _: client is not None)
    monkeypatch.setattr(one, "loop_read", object, raising=False)
    monkeypatch.setattr(one, "loop_misc", object, raising=False)
    monkeypatch.setattr(one, "socket", lambda: None, raising=False)  # it has hung up
    for _ in range(int(5 * STALLED_S)):
        clock[0] += 1.0
        running._client = one  # type: ignore[assignment]
        running._read(0.0)
        clock[0] += 1.0
        running._read(0.0)
        assert running.is_moving(clock[0])


# --- packets of the broker ------------------------------------------------------------------------


class Line:
    """A socket that gives the stream in pieces and takes down what is written."""

    def __init__(self, pieces: list[bytes]) -> None:
        self.pieces, self.written = pieces, []

    def recv(self, most: int) -> bytes:
        if not self.pieces:
            raise BlockingIOError
        piece = self.pieces.pop(0)
        if len(piece) > most:
            self.pieces.insert(0, piece[most:])
        return piece[:most]

    def send(self, data: bytes) -> int:
        self.written.append(bytes(data))
        return len(data)

    def close(self) -> None:
        pass


def client_at(pieces: list[bytes]) -> tuple[Any, Line, list[Any]]:
    taken: list[Any] = []

    def take(name: str, payload: bytes, *, packet: int, retain: bool, waited_s: int = 0) -> None:
        taken.append((name, payload, packet, retain, waited_s))

    made, line = _Client("n", take), Line(pieces)
    made._sock = line  # type: ignore[assignment]
    return made, line, taken


def published(
    payload: bytes, *, packet: int, retain: bool = False, properties: bytes = b""
) -> bytes:
    """A message of QoS 1 as MQTT 5.0, 3.3 writes it."""
    body = len(TOPIC).to_bytes(2, "big") + TOPIC.encode() + packet.to_bytes(2, "big")
    body += bytes([len(properties)]) + properties + payload
    length, left = b"", len(body)
    while True:  # MQTT 5.0, 1.5.5
        left, low = divmod(left, 128)
        length += bytes([low | (128 if left else 0)])
        if not left:
            return bytes([0x32 | retain]) + length + body


CONTENT_TYPE = b"\x03\x00\x04text"
EXPIRY = b"\x02" + (90).to_bytes(4, "big") + b"\x26\x00\x06expiry\x00\x03100"


@given(
    messages=st.lists(
        st.tuples(
            st.binary(max_size=20) | st.integers(100, 20_000).map(bytes),
            st.booleans(),
            st.sampled_from([b"", CONTENT_TYPE, EXPIRY]),
        ),
        max_size=8,
    ),
    cuts=st.lists(st.integers(1, 300), max_size=30),
)
def test_messages_come_out_as_they_went_in_however_the_stream_is_cut(
    messages: list[tuple[bytes, bool, bytes]], cuts: list[int]
) -> None:
    stream = b"".join(
        published(payload, packet=number, retain=retain, properties=properties)
        for number, (payload, retain, properties) in enumerate(messages, 1)
    )
    pieces = []
    for cut in cuts:
        pieces.append(stream[:cut])
        stream = stream[cut:]
    pieces = [piece for piece in [*pieces, stream] if piece]
    made, line, taken = client_at(pieces)
    while line.pieces:
        assert made.loop_read() == 0
    assert taken == [
        (TOPIC, payload, number, retain, 10 if properties == EXPIRY else 0)
        for number, (payload, retain, properties) in enumerate(messages, 1)
    ]


@given(stream=st.binary(max_size=200))
def test_bytes_that_are_no_packets_raise_nothing(stream: bytes) -> None:
    made, line, _ = client_at([stream] if stream else [])
    made.on_connect = made.on_subscribe = None
    while made._sock is not None and line.pieces:
        made.loop_read()


def test_a_packet_whose_length_has_no_end_ends_the_connection() -> None:
    made, _, _ = client_at([b"\x32\xff\xff\xff\xff\x01"])
    assert made.loop_read() != 0
    assert made._sock is None


def test_acknowledgements_go_out_at_once_and_no_receipt_overtakes_them() -> None:
    made, line, _ = client_at([])
    for packet in (1, 258):
        made.ack(packet, 1)
    assert line.written == []
    assert made.want_write()
    made._packet_queue(0x30, b"\x30\x00", 0, 1)
    assert line.written == [b"\x40\x02\x00\x01\x40\x02\x01\x02", b"\x30\x00"]
    assert not made.want_write()
    made.ack(3, 1)
    made.loop_write()
    assert line.written[2:] == [b"\x40\x02\x00\x03"]
