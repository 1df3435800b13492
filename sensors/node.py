"""The node: probe -> outbox on disk -> broker; a sample is forgotten only on a receipt.

::

    add ─▶ outbox ─▶ publish (QoS 1, packs) ─▶ broker ─▶ monitor: stored and synced
             ▲                                              │
             └── forget, all but `missing` ◀── receipt ◀────┘
             └── send again ◀── reconnected, or no receipt for a minute (then two, four, ... 15)

The broker is transport, not storage: what it acknowledges still waits here for the receipt. A
sample that the monitor goes on calling missing although it was sent (it was rejected there, and
is kept there as a reject) is set aside after a few times: kept, counted, no longer sent.
No thread, no clock: `step` is told the time and does what is due.
"""

import argparse
import bisect
import hashlib
import json
import logging
import math
import select
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from secrets import SystemRandom
from typing import Final, NamedTuple

import paho.mqtt.client as mqtt
from msgspec import structs
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from sensors.outbox import Key, Outbox, Sample
from sensors.probes.replay import parse_map, read_replay
from sensors.wire import OLDEST_S, Reading, Receipt, decode_receipt, encode, topic

log = logging.getLogger(__name__)

PACK_SAMPLES: Final = 50  # of a backlog in one pack
PACK_BYTES: Final = 65_536  # a pack of several samples stays below it
WINDOW: Final = 1000  # samples sent and not yet stored; the monitor takes groups of 500
RESEND_FIRST_S: Final = 60.0  # a receipt usually takes less than a second
RESEND_LAST_S: Final = 900.0
MISSED_AFTER_S: Final = 10.0  # a receipt that crossed the sending says nothing about it
MISSED_TIMES: Final = 3
CLOCK_LIFE_S: Final = 4 * 86400.0  # 60 ppm of drift, a plain crystal's, is 21 s by then
CLOCK_WRONG_S: Final = 30
ROUND_TRIP_S: Final = 15.0  # from a sample to a receipt that sets the clock: its error is no larger
RECONNECT_FIRST_S: Final = 1.0
RECONNECT_LAST_S: Final = 60.0
KEEPALIVE_S: Final = 60
WILL_DELAY_S: Final = 30  # a short drop of the line is no "offline"
_START: Final[Key] = (-1, -1)
_CLOCK_WRONG: Final = "clock wrong"  # of the outbox's states
_RANDOM: Final = SystemRandom()


@dataclass(frozen=True, slots=True)
class Broker:
    """Where and how a node connects."""

    host: str = "127.0.0.1"
    port: int = 1883
    prefix: str = "sillkeep"
    username: str = ""
    password: str = ""
    ca_file: Path | None = None  # set: TLS


class Node:
    """One node's connection and outbox.

    Parameters
    ----------
    site, node : str
        Codes; the topic's.
    outbox : Outbox
        Of this node alone; `close` closes it.
    broker : Broker
        Where to publish.
    """

    def __init__(self, site: str, node: str, *, outbox: Outbox, broker: Broker = Broker()) -> None:
        self.site = site
        self.node = node
        self.outbox = outbox
        self.is_online = False  # connected, and subscribed to the receipts
        self.stored = 0  # samples that receipts covered since the start
        self._broker = broker
        self._client: mqtt.Client | None = None
        self._receipts: list[Receipt] = []
        self._problem = ""
        self._faults: dict[str, str] = {}
        self._connect_s = 0.0
        self._reconnect_s = 0.0
        self._resend_s = RESEND_FIRST_S
        self._heard_s = -math.inf  # when the last receipt came
        self._ahead_s: float | None = None  # UTC less the caller's monotonic time
        self._told_s = -math.inf  # when the last receipt said so
        # the probe's own clock, by the receipts; kept, as the next boot has none at first
        self._is_own_wrong = bool(outbox.state(_CLOCK_WRONG))
        self._sent: dict[Key, float] = {}  # in flight -> when sent; oldest first
        self._sent_to = _START  # everything up to it was sent, or set aside
        self._missed: dict[Key, int] = {}
        self._set_aside: set[Key] = set()
        self._pack_samples = PACK_SAMPLES

    @property
    def waiting(self) -> int:
        """Samples in the outbox that are still to be stored."""
        return len(self.outbox) - len(self._set_aside)

    @property
    def set_aside(self) -> int:
        """Samples that the monitor did not store although they were sent several times."""
        return len(self._set_aside)

    def clock_s(self, monotonic_s: float) -> int | None:
        """UTC in seconds by the last receipt, for a node without a clock; None before the first."""
        return None if self._ahead_s is None else round(monotonic_s + self._ahead_s)

    def add(
        self, samples: Sequence[Sequence[Reading]], *, state: dict[str, int] | None = None
    ) -> None:
        """Put samples on disk; each is one or more readings of one moment, one a probe.

        Without boot and seq they get this node's next ones. See `Outbox.add` for `state`.

        Raises
        ------
        ValueError
            If a reading is of another node or cannot be written as a pack; nothing is kept.
        """
        for sample in samples:
            if any((each.site, each.node) != (self.site, self.node) for each in sample):
                raise ValueError(f"a sample of {sample[0].node} was given to node {self.node}")
            encode([structs.replace(each, boot=0, seq=0) for each in sample])
        self.outbox.add(samples, state=state)

    def take(
        self,
        sample: Sequence[Reading],
        *,
        monotonic_s: float,
        started_s: float,
        state: Mapping[str, int] | None = None,
    ) -> None:
        """Put a sample of now on disk: with the uptime, and the time if a clock can be trusted.

        That is the receipts' until it has drifted; before the first receipt the probe's own, which
        may be unset or have stepped, if it was right when last compared. Without either the monitor
        works the time out from the uptime. `state` is kept with it, see `Outbox.add`.
        """
        own_s = next((each.at_s for each in sample if (each.at_s or 0) >= OLDEST_S), None)
        at_s = self.clock_s(monotonic_s)
        if at_s is None:
            at_s = None if self._is_own_wrong else own_s
        elif monotonic_s - self._told_s > CLOCK_LIFE_S:
            at_s = None
        elif own_s is not None:
            self._is_own_wrong = abs(own_s - at_s) > CLOCK_WRONG_S
        uptime_s = round(monotonic_s - started_s)
        stamped = [structs.replace(each, at_s=at_s, uptime_s=uptime_s) for each in sample]
        self.add([stamped], state={**(state or {}), _CLOCK_WRONG: int(self._is_own_wrong)})

    def tell_faults(self, faults: Mapping[str, str]) -> None:
        """Say in the retained state which probes fail and why; again after each connection."""
        self._faults = dict(faults)
        if self._client is not None and self.is_online:
            self._tell_state(self._client, "online")

    def step(self, monotonic_s: float, wait_s: float = 0.0) -> None:
        """Connect, hear, forget and send, whatever is due; wait at most `wait_s` for the network.

        Parameters
        ----------
        monotonic_s : float
            A clock that never jumps. [s]
        wait_s : float
            0 returns at once. [s]
        """
        if self._client is None and monotonic_s >= self._connect_s:
            self._connect(monotonic_s)
        client = self._client
        if client is None:
            select.select([], [], [], wait_s)
        elif client.loop(wait_s) != mqtt.MQTT_ERR_SUCCESS or client.socket() is None:
            self._lost(monotonic_s, "the connection ended")
        self._settle(monotonic_s)
        if self.is_online:
            self._send(monotonic_s)

    def close(self) -> None:
        """Say that the node goes offline, and close the outbox; samples stay in it."""
        if self._client is not None:
            if self.is_online:
                self._tell_state(self._client, "offline")
            self._client.disconnect()
            self._client = None
        self.is_online = False
        self.outbox.close()

    # the broker

    def _new_client(self, name: str) -> mqtt.Client:
        return mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)

    def _connect(self, monotonic_s: float) -> None:
        """Open a fresh connection: what was in flight is in the outbox, not in the client."""
        broker = self._broker
        client = self._new_client(f"{broker.prefix.replace('/', '-')}-{self.site}-{self.node}")
        client.max_inflight_messages_set(WINDOW)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        if broker.username:
            client.username_pw_set(broker.username, broker.password)
        if broker.ca_file is not None:
            client.tls_set(ca_certs=str(broker.ca_file))
        will = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
        will.WillDelayInterval = WILL_DELAY_S
        client.will_set(self._topic("state"), _state("offline"), 1, retain=True, properties=will)
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        session.SessionExpiryInterval = WILL_DELAY_S  # a will waits no longer than its session
        try:
            client.connect(
                broker.host, broker.port, KEEPALIVE_S, clean_start=True, properties=session
            )
        except OSError as error:
            self._lost(monotonic_s, f"no connection ({error})")
        else:
            self._client = client

    def _lost(self, monotonic_s: float, reason: str) -> None:
        self._client = None
        self.is_online = False
        self._send_again()
        self._reconnect_s = min(self._reconnect_s * 2 or RECONNECT_FIRST_S, RECONNECT_LAST_S)
        # spread out, so that a yard of nodes does not come back in one second
        self._connect_s = monotonic_s + self._reconnect_s * _RANDOM.uniform(0.5, 1.5)
        self._note(f"{self._broker.host}:{self._broker.port}: {self._problem or reason}")

    def _note(self, problem: str) -> None:
        """Say a problem once, and its end once."""
        if problem and not self._problem:
            log.warning("node %s: %s; trying again until it works", self.node, problem)
        if self._problem and not problem:
            log.warning("node %s: working again", self.node)
        self._problem = problem

    def _on_connect(
        self,
        client: mqtt.Client,
        _userdata: object,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._note(f"the broker refuses the connection: {reason}")
            return
        client.subscribe(self._topic("receipt"), qos=1)

    def _on_subscribe(
        self,
        client: mqtt.Client,
        _userdata: object,
        _number: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        """Begin to send: from now on no receipt can be missed."""
        if any(reason.is_failure for reason in reasons):
            self._note(f"the broker refuses {self._topic('receipt')}: {reasons[0]}; see its rules")
            client.disconnect()
            return
        self._note("")
        self.is_online = True
        self._reconnect_s = 0.0
        self._tell_state(client, "online")

    def _on_publish(
        self,
        _client: mqtt.Client,
        _userdata: object,
        _number: int,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._note(f"the broker refuses {self._topic('senml')}: {reason}; see its rules")

    def _on_message(
        self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage
    ) -> None:
        try:
            self._receipts.append(decode_receipt(bytes(message.payload)))
        except ValueError as error:
            log.warning("node %s: %s", self.node, error)

    def _topic(self, last: str) -> str:
        return f"{self._broker.prefix}/{self.site}/{self.node}/{last}"

    def _tell_state(self, client: mqtt.Client, word: str) -> None:
        faults = self._faults if word == "online" else {}
        client.publish(self._topic("state"), _state(word, faults), 1, retain=True)

    # what is in flight

    def _settle(self, monotonic_s: float) -> None:
        """Forget what receipts say is stored; note what they miss."""
        newest = {(receipt.boot, receipt.first): receipt for receipt in self._receipts}
        if self._receipts:
            self._resend_s, self._heard_s = RESEND_FIRST_S, monotonic_s
        self._receipts.clear()
        for (boot, first), receipt in newest.items():
            self.stored += self.outbox.forget(boot, receipt.seq, receipt.missing)
            self._set_aside -= {key for key in self._set_aside if _covers(receipt, key)}
            for key in [key for key in self._sent if key[0] == boot and key[1] <= receipt.seq]:
                if _covers(receipt, key):
                    if monotonic_s - self._sent.pop(key) < ROUND_TRIP_S:  # else it lay somewhere
                        self._ahead_s, self._told_s = receipt.utc - monotonic_s, monotonic_s
                    self._missed.pop(key, None)
                elif key[1] >= first and monotonic_s - self._sent[key] > MISSED_AFTER_S:
                    self._miss(key)
        # while receipts come the monitor is at work: more of the same would only keep it from that
        waited_s = monotonic_s - max(next(iter(self._sent.values()), 0.0), self._heard_s)
        if self._sent and waited_s > self._resend_s:
            self._resend_s = min(self._resend_s * 2, RESEND_LAST_S)
            self._send_again()

    def _miss(self, key: Key) -> None:
        del self._sent[key]
        self._missed[key] = self._missed.get(key, 0) + 1
        if self._missed[key] < MISSED_TIMES:
            self._sent_to = min(self._sent_to, (key[0], key[1] - 1))
            return
        del self._missed[key]
        self._set_aside.add(key)
        log.warning(
            "node %s: sample %d of boot %d was sent %d times and is not stored; it is set aside: "
            "see the rejects of the monitor",
            self.node,
            key[1],
            key[0],
            MISSED_TIMES,
        )

    def _send_again(self) -> None:
        self._sent.clear()
        self._sent_to = _START

    def _send(self, monotonic_s: float) -> None:
        """Publish packs until the window or the outbox is used up."""
        while len(self._sent) < WINDOW:
            held = self.outbox.after(self._sent_to, self._pack_samples)
            if not held:
                return
            fresh = [
                (key, sample)
                for key, sample in held
                if key not in self._sent and key not in self._set_aside
            ]
            # one that was missed goes alone: a pack is refused whole where a sample spoils it
            alone = [(key, sample) for key, sample in fresh if key in self._missed]
            fresh = [(key, sample) for key, sample in fresh if key not in self._missed]
            payload = encode([each for _, sample in fresh for each in sample]) if fresh else b""
            if len(payload) > PACK_BYTES and len(fresh) > 1:
                self._pack_samples = len(fresh) // 2  # this node's samples are large
                continue
            self._sent_to = held[-1][0]
            if fresh:
                self._publish(payload, fresh, monotonic_s)
            for key, sample in alone:
                self._publish(encode(sample), [(key, sample)], monotonic_s)

    def _publish(
        self, payload: bytes, samples: list[tuple[Key, Sample]], monotonic_s: float
    ) -> None:
        if self._client is None:
            return
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = "application/senml+json"
        self._client.publish(
            topic(self.site, self.node, self._broker.prefix), payload, 1, properties=properties
        )
        for key, _ in samples:
            self._sent[key] = monotonic_s


def _covers(receipt: Receipt, key: Key) -> bool:
    """Whether a receipt says that a sample is stored."""
    boot, seq = key
    inside = boot == receipt.boot and seq <= receipt.seq
    return inside and not any(first <= seq <= last for first, last in receipt.missing)


def _state(word: str, faults: Mapping[str, str] | None = None) -> bytes:
    told = {"state": word} | ({"faults": dict(faults)} if faults else {})
    return json.dumps(told, separators=(",", ":")).encode()


# ---- replay of a file ----------------------------------------------------------------------------


class Replayed(NamedTuple):
    """How a replay ended, or stands."""

    samples: int  # of the file
    added: int  # of them put into the outbox so far
    waiting: int  # in the outbox, not yet stored
    set_aside: int
    dropped: int
    rejects: list[str]  # a sentence for each row that is no reading


def run(  # noqa: PLR0913  an entry point: one argument an option
    *,
    site: str,
    node: str,
    replay: Path,
    home: Path,
    broker: Broker = Broker(),
    pace: float = 0.0,
    columns: Mapping[str, str] | None = None,
    timezone: str | None = None,
    tell: Callable[[Replayed], None] | None = None,
) -> Replayed:
    """Publish a file's history with its own times until all of it is stored.

    Started again after it was ended, it goes on where it was.

    Parameters
    ----------
    site, node : str
        Codes of the node.
    replay : Path
        CSV file, see `sensors.probes.replay`.
    home : Path
        Folder of the outbox.
    broker : Broker
        Where to publish.
    pace : float
        Seconds of the file a second; 0: as fast as receipts come.
    columns : Mapping[str, str] or None
        Our column names -> the file's.
    timezone : str or None
        Of times without offset.
    tell : Callable[[Replayed], None] or None
        Called after each step, for a progress bar.

    Raises
    ------
    ReplayError
        If the file or an option cannot be used.
    sqlite3.Error
        If the outbox cannot be read or written.
    """
    history = read_replay(replay, site=site, node=node, columns=columns, timezone=timezone)
    times = [sample[0].at_s or 0 for sample in history.samples]
    outbox = Outbox(
        home / f"{site}-{node}.outbox",
        first_boot=int(time.time()),  # noqa: TID251  entry point
    )
    source = Node(site, node, outbox=outbox, broker=broker)
    name = f"replay {_digest(replay, columns, timezone)}"
    added = outbox.state(name)
    start_s = time.monotonic()
    start_at_s = times[added] if added < len(times) else 0
    try:
        while True:
            now_s = time.monotonic()
            due = len(times)
            if pace > 0:
                due = bisect.bisect_right(times, start_at_s + (now_s - start_s) * pace)
            due = min(due, added + WINDOW // 2) if source.waiting < 2 * WINDOW else added
            if due > added:
                source.add(history.samples[added:due], state={name: due})
                added = due
            source.step(now_s, 0.05)
            done = Replayed(
                len(times),
                added,
                source.waiting,
                source.set_aside,
                outbox.dropped,
                history.rejects,
            )
            if tell:
                tell(done)
            if added == len(times) and not source.waiting:
                return done
    finally:
        source.close()


def _digest(path: Path, columns: Mapping[str, str] | None, timezone: str | None) -> str:
    """Which history this is: the same file read in the same way."""
    read_as = f"{sorted((columns or {}).items())} {timezone}".encode()
    return hashlib.sha256(path.read_bytes() + read_as).hexdigest()[:32]


def parse_broker(text: str) -> Broker:
    """Broker of `HOST:PORT` or `HOST`.

    Raises
    ------
    ValueError
        If it is neither.
    """
    host, _, port = text.rpartition(":") if ":" in text else (text, "", "1883")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise ValueError(f"--broker {text!r}: write HOST:PORT, such as 127.0.0.1:1883")
    return Broker(host=host, port=int(port))


def main(arguments: Sequence[str] | None = None) -> int:
    """Replay a file from the command line; 0: all of it is stored, 2: the file is unusable."""
    parser = argparse.ArgumentParser(prog="python -m sensors.node", description=run.__doc__)
    parser.add_argument("--site", required=True)
    parser.add_argument("--node", required=True)
    parser.add_argument("--replay", required=True, type=Path)
    parser.add_argument("--broker", default="127.0.0.1:1883")
    parser.add_argument("--pace", default=0.0, type=float)
    parser.add_argument("--home", default=Path(), type=Path)
    parser.add_argument("--map", default="", dest="columns")
    parser.add_argument("--timezone")
    given = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s")
    try:
        done = run(
            site=given.site,
            node=given.node,
            replay=given.replay,
            home=given.home,
            broker=parse_broker(given.broker),
            pace=given.pace,
            columns=parse_map(given.columns),
            timezone=given.timezone,
        )
    except ValueError as error:
        log.error("%s", error)  # noqa: TRY400  the sentence is all a person needs
        return 2
    for sentence in done.rejects:
        log.warning("%s", sentence)
    log.info("%d samples stored, %d rows rejected", done.added, len(done.rejects))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
