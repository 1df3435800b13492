"""The intake at a real broker: stored, acknowledged, receipted; faults kept; a closed record waited for."""

import time
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.config import Broker
from monitor.errors import StoreError
from monitor.intake import Intake
from monitor.lot import Placement, Site
from monitor.store import NodeReceipt, Taken, open_record
from sensors.wire import Reading, Receipt, Reject, decode_receipt, encode

NOW_S = 1764060000
TOPIC = "sillkeep/yard/n1/senml"
PACK = b'[{"bn":"n1:","t":-600,"n":"temperature","u":"Cel","v":11.4}]'


def sample(seq: int, *, node: str = "n1", temperature_c: float = 11.42) -> tuple[str, bytes]:
    reading = Reading(
        site="yard",
        node=node,
        boot=17,
        seq=seq,
        at_s=1760000000 + 600 * seq,
        temperature_c=temperature_c,
        humidity_percent=78.6,
    )
    return f"sillkeep/yard/{node}/senml", encode([reading])


class OpenRecord:
    """A record in memory that can be closed to writing, as a full disk closes the real one."""

    def __init__(self) -> None:
        self.is_closed = False
        self.refused = 0
        self.readings: list[Reading] = []
        self.rejects: list[Reject] = []
        self.pulse = ""

    def take(
        self,
        readings: Sequence[Reading],
        rejects: Sequence[Reject],
        *,
        received_s: int,
        untold: Sequence[Reading],
    ) -> Taken:
        assert received_s == NOW_S
        if self.is_closed:
            self.refused += 1
            raise StoreError("database or disk is full")
        self.readings += [*readings, *untold]
        self.rejects += rejects
        receipts = [
            NodeReceipt(reading.site, reading.node, reading.boot, reading.seq)
            for reading in readings
            if reading.boot is not None and reading.seq is not None
        ]
        return Taken(len(readings), 0, 0, 0, len(rejects), tuple(receipts))

    def beat(self, part: str, at_s: int, detail: str) -> None:
        assert (part, at_s) == ("intake", NOW_S)
        if self.is_closed:
            raise StoreError("database or disk is full")
        self.pulse = detail


@pytest.fixture
def record() -> OpenRecord:
    return OpenRecord()


@pytest.fixture
def listening() -> Callable[..., Any]:
    """Starts an intake in this process and turns it until a condition holds."""

    def start(broker: Any, record: OpenRecord) -> Callable[..., None]:
        intake = Intake(record, Broker(host="127.0.0.1", port=broker.port), lambda: float(NOW_S))

        def turn_until(condition: Callable[[], object], *, seconds: float = 20.0) -> None:
            end = time.monotonic() + seconds
            while not condition():
                assert time.monotonic() < end, record.pulse
                intake.turn(0.05)

        turn_until(lambda: '"connected": true' in record.pulse)
        return turn_until

    return start


@pytest.fixture
def receipts(mosquitto: Any) -> Any:
    """All receipts that a node's subscription gets."""
    found: list[tuple[str, Receipt]] = []
    subscribed: list[int] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_connect = lambda *_: client.subscribe("sillkeep/+/+/receipt", qos=1)
    client.on_subscribe = lambda *_: subscribed.append(1)
    client.on_message = lambda _client, _userdata, message: found.append(
        (message.topic, decode_receipt(message.payload))
    )
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    end = time.monotonic() + 10
    while not subscribed:
        assert time.monotonic() < end
        time.sleep(0.01)
    yield found
    client.disconnect()
    client.loop_stop()


@pytest.mark.broker
@pytest.mark.parametrize("kind", ["mosquitto", "embedded_broker"])
def test_a_message_is_stored_once_and_never_comes_again(
    kind: str, request: pytest.FixtureRequest, intake: Any, until: Callable[..., None]
) -> None:
    broker = request.getfixturevalue(kind)
    taker = intake(broker.port)
    taker.start()
    until(taker.is_connected)
    broker.publish([sample(0), sample(1), sample(1), sample(0), (TOPIC, b"rubbish")])
    broker.publish([(TOPIC, b"rubbish"), sample(2)])
    until(lambda: taker.stored() == 3)
    # the pulse comes after the acknowledgement, the commit before it: ended between, it comes again
    until(lambda: '"stored": 3,' in str(taker.ask("select detail from pulse")))
    assert taker.ask("select count(*) from reject") == [(1,)]
    taker.stop()
    broker.publish([sample(3)])  # kept for us while nobody listens
    taker.start()
    until(lambda: taker.stored() == 4)
    until(lambda: '"messages": 1,' in str(taker.ask("select detail from pulse")))


@pytest.mark.broker
def test_what_a_node_says_of_its_probes_is_kept_before_and_while_the_intake_listens(
    mosquitto: Any, intake: Any, until: Callable[..., None]
) -> None:
    taker = intake(mosquitto.port)
    with open_record(taker.home) as record:
        record.add_site(Site("yard"))
        record.place(Placement("n1", "p1", "yard", "", "", 5), recorded_s=5, who="test")
    topic = "sillkeep/yard/n1/state"
    fault = b'{"state":"online","faults":{"p2":"no answer at 0x45"}}'
    mosquitto.publish([(topic, fault)], retain=True)
    taker.start()
    kept = "select faults from node_state"
    until(lambda: taker.ask(kept) == [('{"p2": "no answer at 0x45"}',)])
    hostile = [(topic, b"\xff"), (topic, b'{"state":"offline"}'), ("sillkeep/X Y/n/state", fault)]
    mosquitto.publish([*hostile, ("sillkeep/yard/stranger/state", fault), sample(1)])
    until(lambda: taker.stored() == 1)
    assert taker.ask(kept) == [('{"p2": "no answer at 0x45"}',)]
    assert taker.ask("select topic from reject") == []
    mosquitto.publish([(topic, b'{"state":"online"}')], retain=True)
    until(lambda: taker.ask(kept) == [("{}",)])


@pytest.mark.broker
def test_every_malformed_message_is_kept_once_with_its_reason(
    mosquitto: Any, intake: Any, until: Callable[..., None]
) -> None:
    taker = intake(mosquitto.port)
    taker.start()
    until(taker.is_connected)
    malformed = [
        b"",
        b"{",
        b"\xff\x00",
        b"[]",
        b'[{"bn":"other:","n":"temperature","u":"Cel","v":1}]',
        b'[{"bn":"n1:","bt":1764057600,"n":"humidity","u":"%RH","v":130}]',
    ]
    mosquitto.publish([(TOPIC, payload) for payload in malformed * 2])
    mosquitto.publish([sample(1)])
    until(lambda: taker.stored() == 1)
    rows = taker.ask("select payload, reason from reject")
    assert sorted(row[0] for row in rows) == sorted(malformed)
    assert all(row[1] for row in rows)


@pytest.mark.broker
def test_a_receipt_names_boot_and_sequence_and_the_time(
    mosquitto: Any, record: OpenRecord, listening: Any, receipts: Any
) -> None:
    turn_until = listening(mosquitto, record)
    mosquitto.publish([sample(5), sample(6, node="n2")])
    turn_until(lambda: len(receipts) == 2)
    assert receipts == [
        ("sillkeep/yard/n1/receipt", Receipt(boot=17, seq=5, utc=NOW_S)),
        ("sillkeep/yard/n2/receipt", Receipt(boot=17, seq=6, utc=NOW_S)),
    ]


@pytest.mark.broker
def test_under_load_a_node_gets_few_receipts_that_say_all(
    mosquitto: Any, record: OpenRecord, listening: Any, receipts: Any
) -> None:
    turn_until = listening(mosquitto, record)
    mosquitto.publish([sample(seq) for seq in range(2000)])
    turn_until(lambda: receipts and receipts[-1][1].seq == 1999)
    assert len(receipts) < 50
    assert len(record.readings) == 2000


@pytest.mark.broker
def test_a_closed_record_is_waited_for_and_nothing_is_acknowledged_before(
    mosquitto: Any, record: OpenRecord, listening: Any, receipts: Any
) -> None:
    turn_until = listening(mosquitto, record)
    record.is_closed = True
    mosquitto.publish([sample(seq) for seq in range(1500)])
    turn_until(lambda: record.refused >= 4)
    assert receipts == []
    record.is_closed = False
    turn_until(lambda: len(record.readings) >= 1500)
    assert sorted(reading.seq for reading in record.readings) == list(range(1500))
    # the receipt left after the acknowledgements, so the broker has those too
    turn_until(lambda: receipts and receipts[-1][1].seq == 1499)
    again = OpenRecord()
    second = listening(mosquitto, again)  # takes the session over: what was left would come now
    mosquitto.publish([sample(1500)])
    second(lambda: again.readings)
    assert [reading.seq for reading in again.readings] == [1500]


@pytest.mark.broker
def test_messages_that_wait_unstored_while_the_connection_breaks_come_again(
    mosquitto: Any, record: OpenRecord, listening: Any
) -> None:
    turn_until = listening(mosquitto, record)
    record.is_closed = True
    mosquitto.publish([sample(seq) for seq in range(10)])
    turn_until(lambda: record.refused >= 1)
    mosquitto.stop()
    refused = record.refused
    turn_until(lambda: record.refused > refused)
    mosquitto.start()
    record.is_closed = False
    turn_until(lambda: len(record.readings) >= 10)
    assert {reading.seq for reading in record.readings} == set(range(10))


@pytest.mark.broker
@pytest.mark.parametrize("kind", ["mosquitto", "embedded_broker"])
def test_the_time_a_message_waited_at_the_broker_is_taken_off(
    kind: str, request: pytest.FixtureRequest, record: OpenRecord, listening: Any
) -> None:
    broker = request.getfixturevalue(kind)
    listening(broker, record)  # leaves a session behind
    told = Properties(PacketTypes.PUBLISH)
    told.MessageExpiryInterval = 940
    told.UserProperty = ("expiry", "1000")
    broker.publish([(TOPIC, PACK)], properties=told)
    later = OpenRecord()
    listening(broker, later)(lambda: later.readings)
    waited = NOW_S - 600 - 60 - int(later.readings[0].at_s or 0)
    assert 0 <= waited <= 5


@pytest.mark.broker
def test_retained_messages_are_rejected_where_a_broker_sends_them_at_all(
    embedded_broker: Any, record: OpenRecord, listening: Any
) -> None:
    embedded_broker.publish([(TOPIC, PACK)], retain=True)
    turn_until = listening(embedded_broker, record)
    turn_until(lambda: record.rejects)
    assert record.readings == []
    assert "retain flag" in record.rejects[0].reason
    embedded_broker.publish([sample(1)])
    turn_until(lambda: record.readings)
    assert len(record.rejects) == 1
