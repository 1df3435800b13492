"""Intake: messages of the nodes -> record -> acknowledgement -> receipt.

::

    message -> decode -> Batch          memory only: the broker still holds the message
    Batch due -> record.take            ONE transaction, synced
              -> acknowledge            the broker may forget the messages
              -> receipt                the node may forget its samples

Killed between any two lines, the messages come again and are stored once. A record that cannot be
written (locked, full, read-only) stops the acknowledgements, nothing else: the broker sends no
more than `RECEIVE_MAXIMUM` unacknowledged messages, so memory stays bounded, and the batch is
tried again until it is stored. Any other error ends the process; the supervisor starts a new one.

One thread, and one client object for each connection: an acknowledgement can only go out on the
connection its message came from, and a receipt never waits in a queue of ours until its time of
day is wrong. The network is read between two batches with the client's steps for foreign event
loops: many messages for one wait, and no wake-up byte for each answer.
"""

import json
import logging
import math
import select
import ssl
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.config import BUSY, Broker, Settings, claim
from monitor.errors import ConfigError, StoreError
from sensors.wire import Reading, Receipt, Reject, decode, encode_receipt

if TYPE_CHECKING:
    from monitor.store import NodeReceipt, Record

# a commit waits for the disk however little it holds: 18 us a reading in groups of 500, 9 us in
# groups of 2000 (measured, beside 25 to 30 us of work); larger ones would keep other writers waiting
BATCH_READINGS = 2000
BATCH_MESSAGES = 500  # half of RECEIVE_MAXIMUM: the rest is on its way while this is stored
BATCH_WAIT_S = 0.1  # a lone reading is stored this long after it came
RECEIVE_MAXIMUM = 1000
SESSION_S = 30 * 86400  # how long the broker keeps our place: a month without the monitor
KEEPALIVE_S = 60
RECEIPT_EVERY_S = 0.5  # receipts are cumulative: under load one a node this often is enough
RECEIPT_LIFE_S = 30  # a receipt also sets clocks: an old one would set them wrong
BEAT_EVERY_S = 5.0
RETRY_FIRST_S, RETRY_LAST_S = 0.1, 5.0  # back-off towards the record and towards the broker
_RETAINED = (
    "a retained message: it may be of any age, so it is no fresh reading; "
    "publish samples without the retain flag"
)

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Batch:
    """Decoded messages that wait for one commit, with their packet identifiers.

    Times are of a clock that never steps. [s]
    """

    readings: list[Reading] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    packets: list[int] = field(default_factory=list)  # to acknowledge once stored
    received_s: int = 0  # when the first one came, since the epoch
    due_s: float = math.inf
    retry_s: float = 0.0  # 0: the record took the last batch

    @property
    def is_full(self) -> bool:
        """Whether one commit has enough to do; an unusable message is work too."""
        return len(self.readings) + len(self.rejects) >= BATCH_READINGS or (
            len(self.packets) >= BATCH_MESSAGES
        )

    def add(
        self,
        readings: list[Reading],
        rejects: list[Reject],
        *,
        packet: int,
        received_s: int,
        now_s: float,
    ) -> None:
        """Put in what one message held; `packet` is 0 where nothing is to be acknowledged."""
        if self.due_s == math.inf:
            self.received_s = received_s
            self.due_s = now_s + BATCH_WAIT_S
        self.readings += readings
        self.rejects += rejects
        if packet:
            self.packets.append(packet)

    def is_due(self, now_s: float) -> bool:
        """Whether to try the commit now."""
        return now_s >= self.due_s or (self.is_full and not self.retry_s)

    def hold(self, now_s: float) -> None:
        """Keep everything after a commit that failed, and try again later each time."""
        self.retry_s = min(self.retry_s * 2 or RETRY_FIRST_S, RETRY_LAST_S)
        self.due_s = now_s + self.retry_s


class _TakeMessage(Protocol):
    def __call__(
        self, topic: str, payload: bytes, *, packet: int, retain: bool, waited_s: int = 0
    ) -> None: ...


class _Client(mqtt.Client):
    """The client with a short way for what nearly all messages are: QoS 1, no properties.

    The library builds a table of 27 properties and a lock for each message, 65 of the 80
    microseconds that it spends on one (measured). All other messages go its way.
    """

    def __init__(self, name: str, take: _TakeMessage) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5, manual_ack=True
        )
        self._take = take
        self.on_message = self._take_other

    def _handle_publish(self) -> MQTTErrorCode:
        # MQTT 5.0, 3.3: length of the topic, topic, packet identifier, length of the properties
        command, packet = self._in_packet["command"], self._in_packet["packet"]
        end = 2 + int.from_bytes(packet[:2], "big")
        is_plain = command & 0b110 == 0b010 and len(packet) > end + 2 and packet[end + 2] == 0
        if not is_plain:
            return super()._handle_publish()
        self._take(
            packet[2:end].decode(errors="replace"),
            bytes(packet[end + 3 :]),
            packet=int.from_bytes(packet[end : end + 2], "big"),
            retain=bool(command & 1),
        )
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _take_other(
        self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage
    ) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        self._take(
            topic,
            bytes(message.payload),
            packet=message.mid if message.qos else 0,
            retain=message.retain,
            waited_s=waited_s(message.properties),
        )


class Intake:
    """The connection to the broker, and what waits between it and the record."""

    def __init__(
        self,
        record: "Record",
        broker: Broker,
        clock: Callable[[], float],
        timer: Callable[[], float] = time.monotonic,
    ) -> None:
        self._record = record
        self._broker = broker
        self._clock = clock
        self._timer = timer  # never steps
        self._batch = Batch()
        self._receipts: dict[tuple[str, str, int, int], NodeReceipt] = {}
        self._counts = {"messages": 0, "stored": 0, "repeated": 0, "disputed": 0, "rejected": 0}
        self._client: mqtt.Client | None = None
        self._is_connected = False
        self._problems = {"broker": "", "record": ""}
        self._connect_s = self._tell_s = self._beat_s = -math.inf
        self._reconnect_s = 0.0

    def turn(self, longest_s: float = BEAT_EVERY_S) -> None:
        """Wait for the network or the next thing due, at most `longest_s`; do all that is due."""
        now_s = self._timer()
        if self._client is None and now_s >= self._connect_s:
            self._connect(now_s)
        self._read(min(self._next_s() - self._timer(), longest_s))
        now_s = self._timer()
        if self._batch.is_due(now_s):
            self._store(now_s)
        if self._receipts and self._is_connected and now_s >= self._tell_s:
            self._tell(now_s)
        if now_s >= self._beat_s:
            self._beat(now_s)

    def _next_s(self) -> float:
        due_s = [self._batch.due_s, self._beat_s]
        if self._client is None:
            due_s.append(self._connect_s)
        if self._receipts and self._is_connected:
            due_s.append(self._tell_s)
        return min(due_s)

    def _read(self, timeout_s: float) -> None:
        """Wait at most `timeout_s` for the network; take in what has come, up to a full batch."""
        client = self._client
        has_come = self._wait(client, max(timeout_s, 0.0))
        if client is None:
            return
        if has_come:
            heard = -1
            while heard < self._counts["messages"]:
                heard = self._counts["messages"]
                client.loop_read()
                if self._batch.is_full:
                    break
        client.loop_misc()
        if client.socket() is None:
            self._lost("the connection ended")

    def _wait(self, client: mqtt.Client | None, timeout_s: float) -> bool:
        """Wait for the network and write what waits; whether there may be something to read."""
        sock = client.socket() if client else None
        if client is None or sock is None:
            select.select([], [], [], timeout_s)
            return False
        if isinstance(sock, ssl.SSLSocket) and sock.pending():
            timeout_s = 0.0  # decrypted already: the system sees nothing more to read
        writing = [sock] if client.want_write() else []
        readable, writable, _ = select.select([sock], writing, [], timeout_s)
        if writable:
            client.loop_write()
        return bool(readable) or isinstance(sock, ssl.SSLSocket)

    # the broker

    def _new_client(self, name: str) -> mqtt.Client:
        return _Client(name, self._take_message)

    def _connect(self, now_s: float) -> None:
        """Open a new connection; our place at the broker is kept under the client's name."""
        self._forget_packets(now_s)
        broker = self._broker
        # one name for one prefix: a changed prefix starts a new session, without the old topic
        name = f"{broker.prefix.replace('/', '-')}-intake"
        client = self._new_client(name)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        if broker.username:
            client.username_pw_set(broker.username, broker.password())
        if broker.ca_file is not None:
            client.tls_set(ca_certs=str(broker.ca_file))
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        try:
            client.connect(
                broker.address, broker.port, KEEPALIVE_S, clean_start=False, properties=properties
            )
        except OSError as error:
            self._lost(f"no connection ({error})")
        else:
            self._client = client

    def _forget_packets(self, now_s: float) -> None:
        """Store what the last connection brought; what cannot be stored comes again."""
        self._batch.packets.clear()
        if self._batch.due_s < math.inf:
            self._store(now_s)
        if self._batch.due_s < math.inf:
            # the record is still closed: dropped, so that reconnecting cannot fill the memory
            self._batch = Batch(retry_s=self._batch.retry_s)

    def _lost(self, reason: str) -> None:
        self._client = None
        self._is_connected = False
        self._reconnect_s = min(self._reconnect_s * 2 or RETRY_FIRST_S, RETRY_LAST_S)
        self._connect_s = self._timer() + self._reconnect_s
        address = f"{self._broker.address}:{self._broker.port}"
        self._note("broker", self._problems["broker"] or f"{address}: {reason}")

    def _note(self, part: str, problem: str) -> None:
        """Say a problem once, and its end once."""
        if problem and not self._problems[part]:
            log.warning("%s: %s; trying again until it works", part, problem)
        if self._problems[part] and not problem:
            log.warning("%s: working again", part)
        self._problems[part] = problem

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: object,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._note("broker", f"the broker refuses us: {reason}; see [broker] in the settings")
            return
        # each time, though the broker remembers it: we may have been killed between our first
        # connection and its subscription. Repeating it neither repeats nor drops a message.
        client.subscribe(
            f"{self._broker.prefix}/+/+/senml",
            options=SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND),
        )

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _userdata: object,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        check_subscribed(reasons)
        self._is_connected = True
        self._reconnect_s = 0.0
        self._note("broker", "")
        self._beat_s = -math.inf  # now, so that a page sees it at once

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _userdata: object,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._is_connected = False
        self._note("broker", self._problems["broker"] or f"disconnected ({reason})")

    def _take_message(
        self, topic: str, payload: bytes, *, packet: int, retain: bool, waited_s: int = 0
    ) -> None:
        """Decode one message into the batch."""
        self._counts["messages"] += 1
        received_s = int(self._clock())
        if retain:
            readings: list[Reading] = []
            rejects = [
                Reject(topic=topic, payload=payload, reason=_RETAINED, received_s=received_s)
            ]
        else:
            readings, rejects = decode(topic, payload, received_s=received_s, waited_s=waited_s)
        self._batch.add(
            readings, rejects, packet=packet, received_s=received_s, now_s=self._timer()
        )

    # the record

    def _store(self, now_s: float) -> None:
        """Commit the batch, then acknowledge its messages."""
        batch = self._batch
        try:
            taken = self._record.take(batch.readings, batch.rejects, received_s=batch.received_s)
        except StoreError as error:
            self._note("record", f"readings wait at the broker: {error}")
            batch.hold(now_s)
            return
        self._note("record", "")
        if self._client is not None:
            for packet in batch.packets:
                self._client.ack(packet, 1)
        for count in ("stored", "repeated", "disputed", "rejected"):
            self._counts[count] += getattr(taken, count)
        self._owe(taken.receipts)
        self._batch = Batch()

    def _owe(self, receipts: "Iterable[NodeReceipt]") -> None:
        """Remember receipts; a later one of the same part says everything the earlier one did."""
        for receipt in receipts:
            self._receipts[receipt.site, receipt.node, receipt.boot, receipt.first] = receipt

    def _tell(self, now_s: float) -> None:
        """Publish the receipts owed."""
        self._tell_s = now_s + RECEIPT_EVERY_S
        if self._client is None:
            return
        utc = int(self._clock())
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = RECEIPT_LIFE_S
        for (site, node, boot, first), told in self._receipts.items():
            gaps = list(told.missing)
            receipt = Receipt(boot=boot, seq=told.seq, utc=utc, missing=gaps, first=first)
            self._client.publish(
                f"{self._broker.prefix}/{site}/{node}/receipt",
                encode_receipt(receipt),
                qos=1,
                properties=properties,
            )
        self._receipts.clear()

    def _beat(self, now_s: float) -> None:
        """Leave a sign of progress in the record, where the page and the supervisor see it."""
        self._beat_s = now_s + BEAT_EVERY_S
        detail = self._counts | {"connected": self._is_connected} | self._problems
        try:
            self._record.beat("intake", int(self._clock()), json.dumps(detail))
        except StoreError as error:
            log.debug("no pulse: %s", error)  # the batch says it, if there is one


def check_subscribed(reasons: Sequence[ReasonCode]) -> None:
    """Raise ConfigError if the broker refused a subscription."""
    if any(reason.is_failure for reason in reasons):
        raise ConfigError(
            f"the broker does not let us subscribe ({reasons[0]}): "
            "give the user of [broker] read access to the prefix"
        )


def waited_s(properties: Properties | None) -> int:
    """Seconds a message spent at the broker, 0 if the sender did not make it tell.

    A broker lowers the message expiry by the time of waiting (MQTT 5.0, 3.3.2.3.3), but keeps what
    it was to itself: the sender repeats it in a user property `expiry`.
    """
    left: int | None = getattr(properties, "MessageExpiryInterval", None)
    if left is None:
        return 0
    for name, value in getattr(properties, "UserProperty", ()):
        if name == "expiry" and value.isdecimal() and len(value) <= 10:
            return max(int(value) - left, 0)
    return 0


def run(settings: Settings) -> int:
    """Take in readings until the process is ended.

    Returns
    -------
    int
        Exit status: `BUSY` if another intake of this home folder runs; else it does not return.

    Raises
    ------
    ConfigError
        If the broker refuses the subscription.
    StoreError
        If the record cannot be opened.
    """
    from monitor.store import open_record

    lock = claim(settings.home, "intake")
    if lock is None:
        log.error("another intake of %s is running", settings.home)
        return BUSY
    with lock:
        record = open_record(settings.record_home)
        intake = Intake(record, settings.broker, time.time)  # noqa: TID251  entry point
        while True:
            intake.turn()
