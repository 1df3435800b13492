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

What a node sends beyond any real one is acknowledged to the broker and dropped, never receipted:
a real node keeps it and sends it again (`Allowance`).

The pulse is left in the record while there is progress: a batch that waits though the record takes
what it is given, or a network that has something which never comes out, ends it, and the supervisor
starts another. A record that refuses is no such case: a new process could not write to it either.

Several intakes share the messages of one record: the broker hands each message to one of them (MQTT
5.0, 4.8.2), whichever node it is of, and what they remember of nodes they read anew in each group.
What the broker keeps for one that is gone, another takes over (`Heir`).

One thread, and one client object for each connection: an acknowledgement can only go out on the
connection its message came from, and a receipt never waits in a queue of ours until its time of
day is wrong. The network is read between two batches with the client's steps for foreign event
loops: many messages for one wait, and no wake-up byte for each answer.
"""

import gc
import json
import logging
import math
import os
import select
import ssl
import struct
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.client import PUBACK
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.exception import MalformedPacket
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.config import BUSY, Broker, Settings, claim
from monitor.errors import ConfigError, StoreError
from monitor.parts import kind_of, member_of, name_of, number_of
from sensors.formats import mapped
from sensors.wire import (
    Reading,
    Receipt,
    Reject,
    decode,
    decode_state,
    encode_receipt,
    split_topic,
    topic,
)

if TYPE_CHECKING:
    from monitor.store import NodeReceipt, Pulse, Record

# a commit waits for the disk however little it holds: 18 us a reading in groups of 500, 9 us in
# groups of 2000 (measured, beside 25 to 30 us of work); larger ones would keep other writers waiting
BATCH_READINGS = 2000
BATCH_MESSAGES = 500  # half of RECEIVE_MAXIMUM: the rest is on its way while this is stored
BATCH_WAIT_S = 0.1  # a lone reading is stored this long after it came
RECEIVE_MAXIMUM = 1000
SESSION_S = 30 * 86400  # how long the broker keeps our place: a month without the monitor
KEEPALIVE_S = 60
READ_BYTES = 65_536  # of one look at the network: some hundred messages
RECEIPT_EVERY_S = 0.5  # receipts are cumulative: under load one a node this often is enough
RECEIPT_LIFE_S = 30  # a receipt also sets clocks: an old one would set them wrong
BEAT_EVERY_S = 5.0
STATES_EVERY_S = 2.0  # what nodes say of themselves is kept so often
LATE_S = 3600  # a sample older than that when it comes changes hours that were judged
# retained: whoever asks later sees it
ONLINE, OFFLINE = b'{"state":"online"}', b'{"state":"offline"}'
RETRY_FIRST_S, RETRY_LAST_S = 0.1, 5.0  # back-off towards the record and towards the broker
# Of several intakes: one that left out so many pulses is gone, and what the broker keeps for it is taken
# in by another. A minute as a rule: the supervisor starts one again within 30 s.
GONE_PULSES = 12
DRAINED_S = 5.0  # an heir to whom nothing came for so long has it all
AGAIN_S = 600.0  # after an attempt that was ended from outside: the other one lives
OVER_KEPT_S = (
    7 * 86400
)  # for so long pages show an intake that is gone and whose work was taken over
STALLED_S = 10.0  # work that waits for longer, though nothing is in its way, is stuck
# The allowance of a node, in bytes of its messages. The ring of one with eight probes, 40 days of a
# sample a minute, is 57,600 samples of 1,060 bytes (measured): 61 MB, at once. It goes on with 18
# bytes a second.
BURST_BYTES = 64_000_000
REFILL_BYTES_S = 2_000  # a hundred times that: what it measured in a day comes in within 13 minutes
# An empty allowance opens again with this much, more than a node has in flight before it waits for
# receipts (1,000 samples): so what is dropped is the end of what it sent, no gap that it gives up
REOPEN_BYTES = 2_000_000
# What is mapped has no outbox to send again from, and a whole lot may share one topic: 3,000 probes
# every 15 minutes in messages of 2 kB are 7 kB a second
MAPPED_REFILL_BYTES_S = 100_000
MESSAGE_BYTES = 100  # what a message costs beside its topic and payload
MOST_SENDERS = 10_000  # with an allowance of their own; later names, forged ones say, share one
LONGEST_TOPIC = 300  # of two codes and a prefix
TOLD_FLOODS = 20  # named in the pulse; all are counted
SHARED = "$share/"
_RETAINED = (
    "a retained message: it may be of any age, so it is no fresh reading; "
    "publish samples without the retain flag"
)
_PUBLISH_ONCE = 0x32  # PUBLISH of QoS 1; the other two bits are "again" and "retained"
_PUBACK = struct.Struct("!BBH")

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Batch:
    """Decoded messages that wait for one commit, with their packet identifiers.

    Times are of a clock that never steps. [s]
    """

    readings: list[Reading] = field(default_factory=list)
    untold: list[Reading] = field(default_factory=list)  # of sources that know no receipt
    rejects: list[Reject] = field(default_factory=list)
    packets: list[int] = field(default_factory=list)  # to acknowledge once stored
    received_s: int = 0  # when the first one came, since the epoch
    due_s: float = math.inf
    retry_s: float = 0.0  # 0: the record took the last batch

    @property
    def is_full(self) -> bool:
        """Whether one commit has enough to do; an unusable message is work too."""
        held = len(self.readings) + len(self.untold) + len(self.rejects)
        return held >= BATCH_READINGS or (len(self.packets) >= BATCH_MESSAGES)

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


@dataclass(slots=True)
class _Bucket:
    left: float = 0.0  # [bytes]
    at_s: float = -math.inf  # of `left`, by a clock that never steps; a new one is full at once
    is_shut: bool = False
    dropped: int = 0
    dropped_s: int = 0  # the last one, since the epoch


class Allowance:
    """How much each node may send: far more than a real one, and bounded for all others.

    A token bucket for each topic; no node's use bears on another's. Memory is bounded: names that
    come after the first `MOST_SENDERS` share one bucket.

    Parameters
    ----------
    known : Iterable[str]
        Topics of the nodes of the lot: they have buckets of their own whoever came before.
    """

    def __init__(self, known: Iterable[str] = ()) -> None:
        self._buckets = {topic: _Bucket() for topic in known}
        self._others = _Bucket()
        self.dropped = 0

    def admits(
        self, topic: str, payload: bytes, *, now_s: float, refill_bytes_s: int = REFILL_BYTES_S
    ) -> bool:
        """Whether a message may be taken in; what it costs is paid then.

        `now_s` is of a clock that never steps.
        """
        bucket = self._bucket(topic)
        if now_s > bucket.at_s:
            more = (now_s - bucket.at_s) * refill_bytes_s
            bucket.left, bucket.at_s = min(bucket.left + more, BURST_BYTES), now_s
        cost = MESSAGE_BYTES + len(topic) + len(payload)
        if bucket.left < (max(REOPEN_BYTES, cost) if bucket.is_shut else cost):
            bucket.is_shut = True
            return False
        bucket.is_shut = False
        bucket.left -= cost
        return True

    def drop(self, topic: str, *, at_s: int) -> None:
        """Count a message that was not taken in; `at_s` since the epoch."""
        bucket = self._bucket(topic)
        bucket.dropped += 1
        bucket.dropped_s = at_s
        self.dropped += 1

    def floods(self) -> dict[str, tuple[int, int]]:
        """Messages dropped and when the last one was, by topic ("": names that share), newest first."""
        found = [(topic, b.dropped, b.dropped_s) for topic, b in self._buckets.items() if b.dropped]
        if self._others.dropped:
            found.append(("", self._others.dropped, self._others.dropped_s))
        found.sort(key=lambda flood: flood[2], reverse=True)
        return {topic: (dropped, at_s) for topic, dropped, at_s in found[:TOLD_FLOODS]}

    def _bucket(self, topic: str) -> _Bucket:
        bucket = self._buckets.get(topic)
        if bucket is None:
            if len(self._buckets) >= MOST_SENDERS or len(topic) > LONGEST_TOPIC:
                return self._others
            bucket = self._buckets[topic] = _Bucket()
        return bucket


class _TakeMessage(Protocol):
    def __call__(
        self, topic: str, payload: bytes, *, packet: int, retain: bool, waited_s: int = 0
    ) -> None: ...


class _Client(mqtt.Client):
    """The client with a short way for what nearly all messages are: QoS 1, no telling properties.

    The library builds a table of 27 properties and a lock for each message, reads each with three
    system calls and acknowledges it with one. Here many are read at once and acknowledged at once.
    All other packets are handled by the library.
    """

    def __init__(self, name: str, take: _TakeMessage) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5, manual_ack=True
        )
        self._take = take
        self._heard = b""  # the beginning of a packet whose end has not come
        self._acks = bytearray()
        self.on_message = self._take_other

    def loop_read(self, max_packets: int = 0) -> MQTTErrorCode:  # noqa: ARG002  the library's
        """Read what has come, at most `READ_BYTES`, and handle every whole packet."""
        try:
            came = self._sock_recv(READ_BYTES)
        except BlockingIOError:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        except OSError:
            came = b""
        if not came:
            return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_CONN_LOST)
        self._last_bytes_received = time.monotonic()
        data, start = self._heard + came, 0
        while self._sock is not None:  # a packet may have ended the connection
            first, end = body_of(data, start)
            if end > len(data):
                break
            if not first or self._handle(data[start], data[first:end]) > 0:
                return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_PROTOCOL)
            start = end
        self._heard = data[start:]
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _handle(self, command: int, body: bytes) -> MQTTErrorCode:
        if command & 0xF6 == _PUBLISH_ONCE and (place := payload_at(body)):
            end = 2 + int.from_bytes(body[:2], "big")
            self._take(
                body[2:end].decode(errors="replace"),
                body[place:],
                packet=int.from_bytes(body[end : end + 2], "big"),
                retain=bool(command & 1),
            )
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        packet = self._in_packet
        packet["command"], packet["packet"] = command, bytearray(body)
        packet["remaining_length"], packet["pos"] = len(body), 0
        try:
            return self._packet_handle()
        except MalformedPacket:
            return MQTTErrorCode.MQTT_ERR_PROTOCOL

    def ack(self, mid: int, qos: int) -> MQTTErrorCode:  # noqa: ARG002  1: we ask for no other
        """Acknowledge a message, with what is written next."""
        self._acks += _PUBACK.pack(0x40, 2, mid)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def want_write(self) -> bool:
        """Whether something waits to be written."""
        return bool(self._acks) or super().want_write()

    def loop_write(self) -> MQTTErrorCode:
        """Write what waits."""
        self._queue_acks()
        return super().loop_write()

    def _queue_acks(self) -> None:
        acks, self._acks = bytes(self._acks), bytearray()
        if acks:
            super()._packet_queue(PUBACK, acks, 0, 1)

    def _packet_queue(
        self,
        command: int,
        packet: bytes | bytearray,
        mid: int,
        qos: int,
        info: mqtt.MQTTMessageInfo | None = None,
    ) -> MQTTErrorCode:
        self._queue_acks()  # a receipt never overtakes them
        return super()._packet_queue(command, packet, mid, qos, info)

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


def body_of(data: bytes, at: int) -> tuple[int, int]:
    """Where the body of the packet that begins at `at` begins and ends (MQTT 5.0, 1.5.5 and 2.1).

    The end is behind the data where the packet has not come in whole; (0, 0) if its length takes
    more than four bytes, so that it is none.
    """
    length = shift = 0
    for place in range(at + 1, min(at + 5, len(data))):
        byte = data[place]
        length |= (byte & 127) << shift
        if byte < 128:
            return place + 1, place + 1 + length
        shift += 7
    return (0, 0) if len(data) >= at + 5 else (0, len(data) + 1)


def payload_at(body: bytes) -> int:
    """Where the payload of a message of QoS 1 begins; 0 if its properties need the library.

    MQTT 5.0, 3.3: length of the topic, topic, packet identifier, length of the properties, those.
    None, or the content type alone (3.3.2.3.9), which nodes send with every pack, say nothing.
    """
    at = 4 + int.from_bytes(body[:2], "big")
    if at >= len(body):
        return 0
    length, first = body[at], at + 1
    if not length:
        return first
    is_content_type = (
        3 <= length < 128
        and body[first] == 3
        and int.from_bytes(body[first + 1 : first + 3], "big") == length - 3
    )
    return first + length if is_content_type else 0


class Intake:
    """The connection to the broker, and what waits between it and the record."""

    def __init__(  # noqa: PLR0913  what the entry point found out, one each
        self,
        record: "Record",
        broker: Broker,
        clock: Callable[[], float],
        timer: Callable[[], float] = time.monotonic,
        *,
        known: Iterable[str] = (),
        gap: tuple[int, int] | None = None,
        on_refused: Callable[[], None] = lambda: None,
        maps: Sequence[mapped.Map] = (),
        former: Iterable[str] = (),
        number: int = 1,
    ) -> None:
        self._maps = maps
        self._filters = sorted({each.topic for each in maps})
        self._subscribed = [wanted for wanted, _ in samples_of(broker, self._filters)]
        # filters that the broker remembers of an earlier run, and that the settings have no more
        self._former = sorted(set(former) - set(self._subscribed))
        self._number = number
        self.part = name_of("intake", number=number, member=broker.member)
        self._gap = gap  # the newest long span in which no intake ran
        self._record = record
        self._broker = broker
        self._clock = clock
        self._timer = timer  # never steps
        self._batch = Batch()
        self._allowance = Allowance(known)
        self._on_refused = on_refused  # a sign of life that needs no record
        self._started_s = int(clock())
        self._futile_s = math.inf  # since when the network has something and gives no message
        self._receipts: dict[tuple[str, str, int, int], NodeReceipt] = {}
        # faults that nodes told, with when; the newest of each until it is kept
        self._states: dict[tuple[str, str], tuple[int, dict[str, str]]] = {}
        self._states_s = -math.inf
        counted = ("messages", "stored", "repeated", "disputed", "rejected", "late")
        self._counts = dict.fromkeys(counted, 0)
        self._client: mqtt.Client | None = None
        self._is_connected = False
        self._problems = {"broker": "", "record": ""}
        self.beat_every_s = BEAT_EVERY_S
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
        if self._states and now_s >= self._states_s:
            self._keep_states(now_s)
        if now_s >= self._beat_s:
            self._beat(now_s)

    def _next_s(self) -> float:
        due_s = [self._batch.due_s, self._beat_s]
        if self._client is None:
            due_s.append(self._connect_s)
        if self._receipts and self._is_connected:
            due_s.append(self._tell_s)
        if self._states:
            due_s.append(self._states_s)
        return min(due_s)

    def _read(self, timeout_s: float) -> None:
        """Wait at most `timeout_s` for the network; take in what has come, up to a full batch."""
        client = self._client
        has_come = self._wait(client, max(timeout_s, 0.0))
        if client is None:
            return
        self._futile_s = min(self._futile_s, self._timer()) if has_come else math.inf
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
        # decrypted already: the system sees nothing more to read
        is_pending = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        if is_pending:
            timeout_s = 0.0
        writing = [sock] if client.want_write() else []
        readable, writable, _ = select.select([sock], writing, [], timeout_s)
        if writable:
            client.loop_write()
        return bool(readable) or is_pending

    # the broker

    @property
    def _is_first(self) -> bool:
        """Whether it speaks for its machine: of the state of the monitor, and of the nodes'."""
        return self._number == 1

    def _new_client(self, name: str) -> mqtt.Client:
        return _Client(name, self._take_message)

    def _connect(self, now_s: float) -> None:
        """Open a new connection; our place at the broker is kept under the client's name."""
        self._forget_packets(now_s)
        broker = self._broker
        client = self._new_client(client_name(broker, self.part))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        if self._is_first and not broker.member:
            # without a topic level for a site: it is nobody's node. Of several machines none speaks for all
            client.will_set(f"{broker.prefix}/monitor/state", OFFLINE, qos=1, retain=True)
        try:
            user = broker.user(number_of(self.part))
            connect(client, broker, receive_maximum=RECEIVE_MAXIMUM, user=user)
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
        # a broker that refuses us, time after time, is not our being stuck
        self._futile_s = math.inf
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
        if self._former:
            client.unsubscribe(self._former)
        wanted = samples_of(self._broker, self._filters)
        if self._is_first:
            # retained: each node's newest state comes at once, which no shared subscription gives
            wanted.append((f"{self._broker.prefix}/+/+/state", SubscribeOptions(qos=1)))
        client.subscribe(wanted)
        if self._is_first:
            said = b"" if self._broker.member else ONLINE  # nothing takes away what was retained
            client.publish(f"{self._broker.prefix}/monitor/state", said, qos=1, retain=True)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _userdata: object,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        if self._is_first and reasons[-1].is_failure:
            log.warning(
                "the broker refuses us the states of nodes: why a probe fails stays unknown"
            )
        check_subscribed(reasons[: len(self._subscribed)], self._filters)
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
        said = f"disconnected ({reason})"
        if str(reason) == "Session taken over":
            said += ": another client has our name; does the broker give all of a user the same?"
        self._note("broker", self._problems["broker"] or said)

    def _take_message(
        self, topic: str, payload: bytes, *, packet: int, retain: bool, waited_s: int = 0
    ) -> None:
        """Decode one message into the batch, or drop it."""
        self._counts["messages"] += 1
        received_s, now_s = int(self._clock()), self._timer()
        self._futile_s = math.inf
        maps = [each for each in self._maps if mapped.matches(each.topic, topic)]
        refill_bytes_s = MAPPED_REFILL_BYTES_S if maps else REFILL_BYTES_S
        if not self._allowance.admits(topic, payload, now_s=now_s, refill_bytes_s=refill_bytes_s):
            self._allowance.drop(topic, at_s=received_s)
            if packet and self._client is not None:
                self._client.ack(packet, 1)
            return
        if topic.endswith("/state") and not maps:
            self._take_state(topic, payload, received_s=received_s)
            if packet and self._client is not None:  # it is retained: nothing is lost with it
                self._client.ack(packet, 1)
            return
        if retain:
            readings: list[Reading] = []
            rejects = [
                Reject(topic=topic, payload=payload, reason=_RETAINED, received_s=received_s)
            ]
        elif maps:
            readings, rejects = [], []
            for each in maps:
                found, faults = mapped.decode(
                    each, topic, payload, received_s=received_s, waited_s=waited_s
                )
                self._batch.untold += found
                rejects += faults
        else:
            readings, rejects = decode(topic, payload, received_s=received_s, waited_s=waited_s)
        self._batch.add(readings, rejects, packet=packet, received_s=received_s, now_s=now_s)

    def _take_state(self, topic: str, payload: bytes, *, received_s: int) -> None:
        faults = decode_state(payload)
        try:
            site, node, _ = split_topic(topic)
        except ValueError:
            return
        if faults is not None and (
            (site, node) in self._states or len(self._states) < MOST_SENDERS
        ):
            self._states[site, node] = received_s, faults

    # the record

    def _keep_states(self, now_s: float) -> None:
        """Keep what nodes said of themselves; what cannot be kept now is tried again."""
        self._states_s = now_s + STATES_EVERY_S
        try:
            self._record.keep_node_faults(self._states)
        except StoreError as error:
            log.debug("states of nodes wait: %s", error)
            return
        self._states.clear()

    def _store(self, now_s: float) -> None:
        """Commit the batch, then acknowledge its messages."""
        batch = self._batch
        try:
            taken = self._record.take(
                batch.readings,
                batch.rejects,
                received_s=batch.received_s,
                untold=batch.untold,
            )
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
        self._counts["late"] += late(batch)
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
        self._beat_s = now_s + self.beat_every_s
        if not self.is_moving(now_s):
            log.error("the intake is stuck: no sign of progress any more")
            return
        detail = {
            **self._counts,
            "dropped": self._allowance.dropped,
            "floods": self._allowance.floods(),
            "since_s": self._started_s,
            "gap": self._gap,
            "filters": self._subscribed,
            "connected": self._is_connected,
            **self._problems,
        }
        try:
            self._record.beat(self.part, int(self._clock()), json.dumps(detail))
        except StoreError as error:
            log.debug("no pulse: %s", error)  # the batch says it, if there is one
            self._on_refused()

    def is_moving(self, now_s: float) -> bool:
        """Whether there is progress, or none to be made: nothing came, or the record refuses it."""
        is_waiting = self._batch.due_s < now_s - STALLED_S and not self._problems["record"]
        return not is_waiting and self._futile_s >= now_s - STALLED_S


def late(batch: Batch) -> int:
    """Samples that came more than an hour after they were taken, as far as their time is told."""
    edge_s = batch.received_s - LATE_S
    return sum(
        each.at_s is not None and each.at_s < edge_s
        for readings in (batch.readings, batch.untold)
        for each in readings
    )


def client_name(broker: Broker, part: str) -> str:
    """Under which the broker keeps the place of one intake.

    One name for one prefix: a changed prefix starts a new session, without the old topic.
    """
    return f"{broker.prefix.replace('/', '-')}-{part}"


def connect(
    client: mqtt.Client, broker: Broker, *, receive_maximum: int, user: str | None = None
) -> None:
    """Sign in at the broker, with the session it keeps for us; OSError if it is not reached."""
    if broker.username:
        client.username_pw_set(user or broker.username, broker.password())
    if broker.ca_file is not None:
        client.tls_set(ca_certs=str(broker.ca_file))
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = SESSION_S
    properties.ReceiveMaximum = receive_maximum
    client.connect(
        broker.address, broker.port, KEEPALIVE_S, clean_start=False, properties=properties
    )


def samples_of(broker: Broker, filters: Iterable[str]) -> list[tuple[str, SubscribeOptions]]:
    """Subscriptions to samples: those of our own prefix, then those of [[map]].

    Shared ones where there may be several intakes: each message goes to one of the group (4.8.2).
    """
    once = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
    group = f"{SHARED}{broker.prefix.replace('/', '-')}/" if broker.is_shared else ""
    return [(group + wanted, once) for wanted in (f"{broker.prefix}/+/+/senml", *filters)]


def check_subscribed(reasons: Sequence[ReasonCode], filters: Sequence[str] = ()) -> None:
    """Raise ConfigError if the broker refused a subscription: the prefix, or one of [[map]]."""
    for number, reason in enumerate(reasons):
        if reason.is_failure:
            what = (
                f'"{filters[number - 1]}" of [[map]]'
                if 0 < number <= len(filters)
                else "the prefix"
            )
            raise ConfigError(
                f"the broker does not let us subscribe ({reason}): "
                f"give the user of [broker] read access to {what}"
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


class Heir(Intake):
    """Takes in what the broker keeps for an intake that is gone, and ends its session there.

    A broker goes on handing messages to one that is away, and keeps them for it alone. The heir
    connects under its name, takes its subscriptions back, so that all that is new goes to the
    others, and ends once nothing has come for a while. One that was not gone after all takes its
    name back and subscribes anew: what the heir has not acknowledged comes to it again.

    Parameters
    ----------
    pulse : Pulse
        The last sign of the one that is gone.
    """

    def __init__(
        self,
        record: "Record",
        broker: Broker,
        clock: Callable[[], float],
        *,
        pulse: "Pulse",
        maps: Sequence[mapped.Map] = (),
    ) -> None:
        super().__init__(record, broker, clock, maps=maps, former=_filters_of(pulse))
        self.pulse = pulse
        self.part = pulse.part
        self.is_done = self.is_refused = False
        self._beat_s = math.inf  # it has no pulse: it is not its own work
        self._heard, self._heard_s = 0, math.inf

    @property
    def _is_first(self) -> bool:
        return False

    def turn(self, longest_s: float = 0.0) -> None:
        """Do what is due, as any intake; then see whether it is all."""
        if self.is_done or self.is_refused:
            return
        super().turn(longest_s)
        now_s = self._timer()
        if self._counts["messages"] > self._heard or self._batch.due_s < math.inf:
            self._heard, self._heard_s = self._counts["messages"], now_s
        if self._client is not None and now_s - self._heard_s > DRAINED_S:
            ending = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
            ending.SessionExpiryInterval = 0
            self.is_done = True
            self._client.disconnect(properties=ending)

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: object,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.is_refused = reason.is_failure
        if not reason.is_failure:
            client.unsubscribe([*self._former, *self._subscribed])
            self._is_connected = True  # receipts may go out
            self._heard_s = self._timer()

    def _lost(self, reason: str) -> None:
        self._client = None
        self.is_refused = True
        log.warning("%s: %s", self.part, reason)

    def _on_disconnect(
        self,
        client: mqtt.Client,
        userdata: object,
        flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if not self.is_done:
            super()._on_disconnect(client, userdata, flags, reason, properties)


class Estate:
    """Looks for intakes that are gone, and takes over what the broker keeps for them, one by one.

    Of those that live the first by name does it.

    Parameters
    ----------
    part : str
        Who looks.
    intakes : int
        How many this machine is to have.
    gone_s : float
        One without a new pulse for so long is gone. [s]
    of_all : bool
        Whether it can sign in at the broker as one of another machine too.
    heir : callable
        Makes the heir of the one whose pulse this is.
    """

    def __init__(
        self,
        record: "Record",
        part: str,
        *,
        intakes: int,
        gone_s: float,
        of_all: bool = True,
        heir: "Callable[[Pulse], Heir]",
        timer: Callable[[], float] = time.monotonic,
    ) -> None:
        self._record = record
        self._part = part
        self._intakes = intakes
        self._gone_s = gone_s
        self._of_all = of_all
        self._make = heir
        self._timer = timer
        self._heir: Heir | None = None
        self._seen: dict[
            str, tuple[int, float]
        ] = {}  # last pulse, and since when there is none newer
        self._look_s = -math.inf
        self._not_before_s: dict[str, float] = {}

    @property
    def longest_s(self) -> float:
        """How long the intake may wait for its own network: the heir's is looked at in between."""
        return BEAT_EVERY_S if self._heir is None else BATCH_WAIT_S

    def turn(self) -> None:
        """Go on with what is taken over; now and then look whether there is more."""
        if self._heir is not None:
            self._heir.turn()
            self._settle(self._heir)
        elif self._timer() >= self._look_s:
            self._look_s = self._timer() + BEAT_EVERY_S
            try:
                self._look()
            except StoreError:  # nobody's pulse was seen: that is no death
                self._seen.clear()

    def _look(self) -> None:
        now_s = self._timer()
        pulses = {p.part: p for p in self._record.pulses() if kind_of(p.part) == "intake"}
        for part, each in pulses.items():
            # told by its own counting, not by the time of day: clocks differ, and are set
            if self._seen.get(part, (None, 0.0))[0] != each.at_s:
                self._seen[part] = each.at_s, now_s
        own = pulses.get(self._part)
        if own is None or self._silent_s(own, now_s) > self._gone_s / 4:
            self._seen.clear()  # the record takes no pulse of ours either: theirs say nothing
            return
        gone = [each for each in pulses.values() if self._silent_s(each, now_s) > self._gone_s]
        living = {part for part in pulses if self._is_reached(part)} - {p.part for p in gone}
        if min(living) != self._part:
            return
        for each in gone:
            if self._is_past(each, own):
                self._record.settle_pulse(each)
            elif self._may_inherit(each, now_s):
                log.warning("%s is gone: taking in what the broker keeps for it", each.part)
                self._heir = self._make(each)
                return

    def _is_past(self, pulse: "Pulse", own: "Pulse") -> bool:
        """Whether nothing is to be done any more for one that is gone, so that its pulse may go, too."""
        if pulse.at_s < own.at_s - OVER_KEPT_S:
            return pulse.is_over or not self._is_reached(pulse.part)
        # where names are users, what was kept for the one of no member is kept for the first of ours
        return not self._is_reached(pulse.part) and not member_of(pulse.part)

    def _may_inherit(self, pulse: "Pulse", now_s: float) -> bool:
        is_due = now_s >= self._not_before_s.get(pulse.part, -math.inf)
        return is_due and not pulse.is_over and self._is_reached(pulse.part)

    def _silent_s(self, pulse: "Pulse", now_s: float) -> float:
        return now_s - self._seen[pulse.part][1]

    def _is_reached(self, part: str) -> bool:
        return self._of_all or member_of(part) == member_of(self._part)

    def _settle(self, heir: Heir) -> None:
        part = heir.part
        if heir.is_refused:
            log.warning("%s: not taken over, for now", part)
            self._not_before_s[part] = self._timer() + AGAIN_S
        elif heir.is_done:
            is_unwanted = (
                member_of(part) == member_of(self._part) and number_of(part) > self._intakes
            )
            with suppress(StoreError):  # else it is done again
                self._record.settle_pulse(heir.pulse, by="" if is_unwanted else self._part)
            log.warning("%s: taken over", part)
        else:
            return
        self._heir = None


def _filters_of(pulse: "Pulse") -> list[str]:
    """Topic filters that an intake had subscribed to: the broker goes on remembering them."""
    return [str(each) for each in json.loads(pulse.detail).get("filters", ())]


def _former(pulses: "Iterable[Pulse]", part: str, broker: Broker) -> list[str]:
    """Filters that the broker may remember of the last run under our name.

    An intake that turns shared was subscribed to the plain filter, whatever an older version said.
    """
    found = [each for pulse in pulses if pulse.part == part for each in _filters_of(pulse)]
    if broker.is_shared:
        alone = broker.model_copy(update={"intakes": 1, "member": ""})
        found += [wanted for wanted, _ in samples_of(alone, ())]
    return found


def run(settings: Settings, *, number: int = 1) -> int:
    """Take in readings until the process is ended; `number` counts the intakes of this machine.

    Returns
    -------
    int
        Exit status: `BUSY` if this intake of this home folder runs already; else it does not return.

    Raises
    ------
    ConfigError
        If the broker refuses the subscription, or the settings ask for fewer intakes.
    StoreError
        If the record cannot be opened.
    """
    from monitor.store import open_record

    broker = settings.broker
    if number > broker.intakes:
        raise ConfigError(f"broker.intakes is {broker.intakes}: there is no intake {number}")
    part = name_of("intake", number=number, member=broker.member)
    lock = claim(settings.home, part)
    if lock is None:
        log.error("another intake of %s is running", settings.home)
        return BUSY
    with lock:
        record = open_record(settings.record_home, server=settings.record.server())
        if broker.is_shared:
            record.share()
        places, pulses = record.placements(), record.pulses()
        maps = [each.compiled() for each in settings.map]
        intake = Intake(
            record,
            broker,
            time.time,  # noqa: TID251  entry point
            known={topic(place.site, place.node, broker.prefix) for place in places},
            gap=record.listening().gap_before(int(time.time())),  # noqa: TID251  entry point
            on_refused=lambda: os.utime(lock.fileno()),
            maps=maps,
            former=_former(pulses, part, broker),
            number=number,
        )
        intake.beat_every_s = float(settings.record.pulse_seconds)
        estate = Estate(
            record,
            part,
            intakes=broker.intakes,
            gone_s=GONE_PULSES * intake.beat_every_s,
            # where the list is ours a name is a user's: those of other machines have others
            of_all=broker.access_files is None,
            heir=lambda pulse: Heir(
                record,
                broker,
                time.time,  # noqa: TID251  entry point
                pulse=pulse,
                maps=maps,
            ),
        )
        has_others = broker.is_shared or any(
            kind_of(each.part) == "intake" and each.part != part for each in pulses
        )
        # a batch is thousands of objects that all die together: looking for cycles among them took
        # a tenth of the work
        gc.freeze()
        gc.set_threshold(50_000)
        while True:
            intake.turn(estate.longest_s)
            if has_others:
                estate.turn()
