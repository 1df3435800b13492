"""A small world in one thread and one source of chance: the real nodes, outboxes, wire format,
intake, record and watch, on a simulated clock, network and broker, with faults.

::

    NodeActor (sensors.node.Node, Outbox on disk)  ─┐   Link    Broker      Link  ┌─ IntakeActor
    ForeignActor (QoS 1, forgets on PUBACK)        ─┴─ packets ─ sessions ─ packets ─┤  (monitor.intake)
                                                                  WatchActor ── record (SQLite)

Only `Client` and `Broker` are made up: what a client library and a broker do of MQTT 5, QoS 1 (at
least once, again only after a reconnect, sessions kept or lost, queue limit, message expiry). The
same seed makes the same run: `World.digest` tells.
"""

import contextlib
import hashlib
import heapq
import json
import math
import random
import sqlite3
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from msgspec import structs
from paho.mqtt.client import topic_matches_sub
from sqlalchemy import event
from sqlalchemy.util import LRUCache

from monitor import intake as intake_module
from monitor import watch
from monitor.config import Broker as BrokerSettings
from monitor.errors import StoreError
from monitor.intake import Intake
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, health, open_record
from monitor.store.engine import FILE_NAME
from sensors import node as node_module
from sensors.node import Node
from sensors.outbox import Outbox
from sensors.wire import Reading, encode, topic

DAY_S = 86_400
HOUR_S = 3600
START_S = 1_893_456_000  # 2030-01-01T00:00Z
SETTLING_S = 12 * HOUR_S  # after the last fault: long enough for every back-off
FIRST_S = 60.0  # of each interval: when its sample is taken
NOTICED_S = 90  # one and a half times the keep-alive of 60 s
CLOCK_ERROR_S = 30  # a time further from the truth is wrong

Identity = tuple[str, int, int]  # node, boot, seq


class Killed(BaseException):
    """The process ends here, without a word."""


@dataclass
class Plan:
    """What a seed draws: how the world is made, and which faults befall it."""

    length_s: int
    every_s: int
    is_durable: bool  # the broker keeps its sessions over a kill; foreign publishers need that
    queue_limit: int
    faults: list[tuple[float, str, float]]  # when, which, for how long
    ticks: list[float]
    wet_h: tuple[int, int]
    ppm: dict[str, float]
    has_clock: dict[str, bool]
    spoiled: float = 0.0  # share of samples with a value that the monitor must leave out
    disputed: float = 0.0
    contact: float = 0.0
    uncounted: float = 0.0  # share of numbers that a foreign node counts and never sends


# what tells that a fault was there and changed nothing: no proof
IDLE = frozenset({"a connection was refused", "a sample was taken with no clock, or a wrong one"})
FAULTS = (
    "kill node", "kill node adding", "kill node sending", "kill broker", "kill intake taking",
    "kill intake acknowledging", "kill intake telling", "kill watch", "cut node", "cut intake",
    "half-open node", "half-open intake", "repeat", "reorder",
    "drop", "delay", "full disk", "lock",
    "clock", "sleep", "interleave",
)  # fmt: skip


def draw_plan(rng: random.Random) -> Plan:
    """Mostly two days; one in twelve is a node that comes back after two weeks."""
    is_long = rng.random() < 1 / 12
    length_s = (16 * DAY_S) if is_long else 48 * HOUR_S
    is_durable = rng.random() < 0.5
    every_s = 7200 if is_long else 3600

    def at_work_s(low: float, high: float) -> float:
        """A time about when samples are taken and sent: what idles cannot be struck."""
        slot = rng.randint(int(low * length_s / every_s), int(high * length_s / every_s))
        return slot * every_s + FIRST_S + rng.uniform(-15.0, 2.0)

    faults = [
        (at_work_s(0.05, 0.95), kind, rng.choice((10.0, 60.0, 600.0)))
        for kind in rng.choices(FAULTS, k=rng.randint(8, 16))
    ]
    if rng.random() < 0.5:  # two at once: what one process held is lost with the other
        at_s = at_work_s(0.1, 0.8)
        faults.append((at_s, rng.choice(("lock", "full disk", "cut intake")), 300.0))
        faults.append((at_s + 120.0, "kill broker", 30.0))
    if is_long:
        faults.append((1.5 * DAY_S, "sleep", 14 * DAY_S))
        faults.append((15.5 * DAY_S - 60, "reorder", HOUR_S))
    codes = ("n1", "n2", "n3")
    return Plan(
        length_s=length_s,
        every_s=every_s,
        is_durable=is_durable,
        queue_limit=10**6 if is_durable else rng.choice((3, 10, 100)),
        faults=sorted(faults),
        ticks=sorted(rng.uniform(0.2, 1.0) * length_s for _ in range(1 + is_long)),
        wet_h=(rng.randint(0, 4), rng.randint(30, 70)),
        ppm={code: rng.uniform(-60, 60) for code in codes},
        has_clock={code: rng.random() < 0.4 for code in codes},
        spoiled=rng.choice((0.0, 0.02)),
        disputed=rng.choice((0.0, 0.05)),
        contact=rng.choice((0.0, 0.02)),
        uncounted=rng.choice((0.0, 0.0, 0.4)),
    )


# --- network and broker ---------------------------------------------------------------------------


@dataclass(eq=False)
class Link:
    """One connection; packets keep their order and are lost once it is broken or half-open."""

    world: "World"
    client: "Client"
    is_broken: bool = False
    half_open_s: float | None = None
    _due: dict[str, float] = field(default_factory=dict)

    def send(self, way: str, act: Callable[[], None]) -> None:
        world = self.world
        if self.is_broken:
            return
        if self.half_open_s is not None:
            world.hit("half-open: a packet vanished")
            return
        self._due[way] = max(self._due.get(way, 0.0), world.now_s + world.latency_s())

        def arrive() -> None:
            if self.is_broken or self.half_open_s is not None:
                world.hit("a packet was lost with its connection")
            else:
                act()

        world.at(self._due[way], arrive)

    def break_off(self) -> None:
        self.is_broken = True
        self.client.inbox.clear()
        self.world.at(self.world.now_s, self.client.wake)

    def half_open(self) -> None:
        self.half_open_s = self.world.now_s
        self.world.at(self.world.now_s + NOTICED_S, self.client.wake)
        self.world.at(self.world.now_s + NOTICED_S, lambda: self.world.broker.left(self))

    @property
    def is_noticed(self) -> bool:
        """Whether the client's end knows that the connection is gone."""
        silent_s = self.world.now_s - (self.half_open_s or 0.0)
        return self.is_broken or (self.half_open_s is not None and silent_s >= NOTICED_S)


class Client:
    """What `sensors.node` and `monitor.intake` ask of the client library."""

    def __init__(self, world: "World", name: str, wake: Callable[[], None], take: Any = None):
        self.world, self.name, self.wake, self._take = world, name, wake, take
        self.inbox: deque[tuple[Any, ...]] = deque()
        self.link: Link | None = None
        self.on_connect = self.on_subscribe = self.on_publish = self.on_message = None
        self.on_disconnect: Any = None
        self._mid = 0
        self.strike: dict[str, int] = {}  # call -> how many more until the process ends

    def max_inflight_messages_set(self, _: int) -> None:
        pass

    def will_set(self, *_: Any, **__: Any) -> None:
        pass

    def connect(
        self, _host: str, _port: int, _keepalive: int, *, clean_start: bool, properties: Any
    ) -> None:
        world = self.world
        if not world.broker.is_up or world.cut.get(self.name, 0.0) > world.now_s:
            world.hit("a connection was refused")
            raise ConnectionRefusedError("nobody there")
        link = self.link = Link(world, self)
        expiry_s = properties.SessionExpiryInterval
        most = getattr(properties, "ReceiveMaximum", 65535)
        link.send("up", lambda: world.broker.connected(link, clean_start, expiry_s, most))

    def _up(self, act: Callable[[], None]) -> None:
        if self.link is not None:
            self.link.send("up", act)

    def _struck(self, call: str) -> None:
        if call in self.strike:
            self.strike[call] -= 1
            if self.strike[call] < 0:
                raise Killed(call)

    def subscribe(self, wanted: str | list[tuple[str, Any]], **_: Any) -> None:
        """The first filter alone: samples or receipts; what nodes say of themselves is not played here."""
        pattern = wanted if isinstance(wanted, str) else wanted[0][0]
        self._up(lambda: self.world.broker.subscribed(self, pattern))

    def publish(
        self, name: str, payload: bytes, qos: int, *, retain: bool = False, properties: Any = None
    ) -> None:
        self._struck("publish")
        self._mid += 1
        mid, link = self._mid, self.link
        expiry_s = getattr(properties, "MessageExpiryInterval", None)
        assert qos == 1
        if not retain:
            self._up(lambda: self.world.broker.published(link, mid, name, payload, expiry_s))

    def ack(self, mid: int, qos: int) -> None:
        self._struck("ack")
        assert qos == 1
        self._up(lambda: self.world.broker.acknowledged(self, mid))

    def disconnect(self) -> None:
        if self.link is not None:
            self.world.broker.left(self.link)
            self.link.is_broken = True

    def hear(self, *packet: Any) -> None:
        self.inbox.append(packet)
        self.wake()

    def loop(self, _: float) -> int:
        while self.inbox:
            self._dispatch(self.inbox.popleft())
        return 1 if self.link is None or self.link.is_noticed else 0

    def loop_read(self) -> None:
        for _ in range(self.world.rng.randint(1, 6)):
            if self.inbox:
                self._dispatch(self.inbox.popleft())

    def loop_misc(self) -> None:
        pass

    def socket(self) -> object:
        return None if self.link is None or self.link.is_noticed else self.link

    def _dispatch(self, packet: tuple[Any, ...]) -> None:
        kind, *rest = packet
        fine = SimpleNamespace(is_failure=False)
        if kind == "connack":
            self.on_connect(self, None, None, fine, None)
        elif kind == "suback":
            self.on_subscribe(self, None, 0, [fine], None)
        elif kind == "puback":
            if self.on_publish is not None:
                self.on_publish(self, None, rest[0], fine, None)
        elif self._take is not None:
            mid, name, payload = rest
            self._take(name, payload, packet=mid, retain=False)
        else:
            self.on_message(self, None, SimpleNamespace(payload=rest[2]))


@dataclass
class Message:
    name: str
    payload: bytes
    expires_s: float | None


@dataclass
class Session:
    expiry_s: float
    receive_maximum: int
    link: Link | None = None
    gone_s: float = 0.0
    pattern: str = ""
    mid: int = 0
    heard: int = 0  # newest one that took a path of its own
    queue: list[Message] = field(default_factory=list)
    inflight: dict[int, Message] = field(default_factory=dict)


class Broker:
    """MQTT 5 at QoS 1, as far as our parts can see it."""

    def __init__(self, world: "World") -> None:
        self.world = world
        self.is_up = True
        self.sessions: dict[str, Session] = {}

    def connected(self, link: Link, clean_start: bool, expiry_s: float, most: int) -> None:
        name, now_s = link.client.name, self.world.now_s
        old = self.sessions.get(name)
        if old is not None and old.link is not None:
            old.link.is_broken = True
        is_over = old is not None and old.link is None and now_s > old.gone_s + old.expiry_s
        if old is None or clean_start or is_over:
            self.sessions[name] = Session(expiry_s, most)
        session = self.sessions[name]
        session.link = link
        link.send("down", lambda: link.client.hear("connack"))
        if session.inflight:
            self.world.hit("messages came again on a new connection", len(session.inflight))
        for mid, message in session.inflight.items():
            self._deliver(session, mid, message)
        self._pump(session)

    def left(self, link: Link) -> None:
        session = self.sessions.get(link.client.name)
        if session is not None and session.link is link:
            session.link, session.gone_s = None, self.world.now_s

    def subscribed(self, client: Client, pattern: str) -> None:
        session = self.sessions[client.name]
        session.pattern = pattern
        if session.link is not None:
            session.link.send("down", lambda: client.hear("suback"))

    def published(
        self, link: Link | None, mid: int, name: str, payload: bytes, expiry_s: float | None
    ) -> None:
        """Accept a message, then acknowledge it to its publisher."""
        expires_s = None if expiry_s is None else self.world.now_s + expiry_s
        self.accept(Message(name, payload, expires_s))
        if link is not None:
            link.send("down", lambda: link.client.hear("puback", mid))

    def accept(self, message: Message) -> None:
        world = self.world
        if world.is_on("drop") and "/f1/" not in message.name and world.rng.random() < 0.8:
            world.hit("the broker lost a message it had acknowledged")
            return
        for session in self.sessions.values():
            if not session.pattern or not topic_matches_sub(session.pattern, message.name):
                continue
            is_waiting = session.link is None or len(session.inflight) >= session.receive_maximum
            if is_waiting and len(session.queue) >= world.plan.queue_limit:
                world.hit("the broker's queue was full")
                continue
            times = 1
            if world.is_on("repeat") and world.rng.random() < 0.3:
                times = 2
                world.hit("a message was repeated")
            session.queue += [message] * times
            self._pump(session)

    def acknowledged(self, client: Client, mid: int) -> None:
        session = self.sessions.get(client.name)
        if session is not None:
            session.inflight.pop(mid, None)
            self._pump(session)

    def _pump(self, session: Session) -> None:
        world = self.world
        if session.link is None:
            return
        if world.is_on("reorder") and len(session.queue) > 1:
            world.rng.shuffle(session.queue)
            world.hit("a message was overtaken")
        while session.queue and len(session.inflight) < session.receive_maximum:
            message = session.queue.pop(0)
            if message.expires_s is not None and world.now_s > message.expires_s:
                world.hit("a message expired")
                continue
            session.mid = session.mid % 65535 + 1
            session.inflight[session.mid] = message
            self._deliver(session, session.mid, message)

    def _deliver(self, session: Session, mid: int, message: Message) -> None:
        link = session.link
        if link is None:
            return
        if self.world.is_on("reorder"):  # as of several paths between a broker's members
            self.world.at(
                self.world.now_s + self.world.rng.uniform(0, 5),
                lambda: self._arrive(session, link, mid, message),
            )
            return
        link.send("down", lambda: link.client.hear("message", mid, *_of(message)))

    def _arrive(self, session: Session, link: Link, mid: int, message: Message) -> None:
        if link.is_broken:
            return
        if mid < session.heard:
            self.world.hit("a message was overtaken")
        session.heard = mid
        link.client.hear("message", mid, *_of(message))

    def kill(self, down_s: float) -> None:
        lost = sum(len(each.queue) + len(each.inflight) for each in self.sessions.values())
        self.world.hit("the broker was killed, messages in it", lost)
        if any(each.link for each in self.sessions.values()):
            self.world.hit("the broker was killed")
        self.is_up = False
        for session in self.sessions.values():
            if session.link is not None:
                session.link.break_off()
                self.left(session.link)
        if not self.world.plan.is_durable:
            self.sessions.clear()
        self.world.at(self.world.now_s + down_s, lambda: setattr(self, "is_up", True))


def _of(message: Message) -> tuple[str, bytes]:
    return message.name, message.payload


# --- what publishes -------------------------------------------------------------------------------


class LedgerOutbox(Outbox):
    """An outbox whose owner writes down, outside of the world, what it was given to keep."""

    world: "World"
    strike = ""

    def add(
        self, samples: Sequence[Sequence[Reading]], *, state: dict[str, int] | None = None
    ) -> None:
        if self.strike == "before":
            raise Killed("before the sample was written")
        seq = self._seq
        super().add(samples, state=state)
        for (boot, number), kept in self.after((self.boot, seq - 1), len(samples)):
            self.world.note(kept, boot, number)
        if self.strike == "after":
            raise Killed("after the sample was written")


class SimNode(Node):
    actor: "NodeActor"

    def _new_client(self, name: str) -> Any:
        return Client(self.actor.world, name, self.actor.wake)


class NodeActor:
    """A node from boot to power cut to boot, with its crystal and perhaps a clock of its own."""

    def __init__(self, world: "World", code: str, probes: Sequence[str]) -> None:
        self.world, self.code, self.probes = world, code, probes
        self.path = world.folder / f"{code}.outbox"
        self.rate = 1 + world.plan.ppm[code] * 1e-6
        self.clock_off_s = 0.0  # of its own clock
        self.asleep_to_s = 0.0
        self.node: SimNode | None = None
        self.is_dead = False
        self._wake_s: float | None = None
        self.boot()

    def monotonic_s(self) -> float:
        return 50.0 + (self.world.now_s - self.booted_s) * self.rate

    def boot(self) -> None:
        self.booted_s = self.world.now_s
        outbox = LedgerOutbox(self.path)
        outbox.world = self.world
        self.node = SimNode("yard", self.code, outbox=outbox)
        self.node.actor = self
        self.wake()

    def power_cut(self, down_s: float) -> None:
        node, self.node = self.node, None
        if node is None:
            return
        if len(node.outbox):
            self.world.hit("a node lost power with samples to send")
        if node._client is not None:
            client: Any = node._client
            self.world.broker.left(client.link)
            client.link.is_broken = True
        node.outbox._file.close()
        self.world.at(self.world.now_s + down_s, self.boot)

    def sample(self, number: int) -> None:
        node, world = self.node, self.world
        if node is None:
            return
        own_s = None
        if world.plan.has_clock[self.code]:
            own_s = round(START_S + world.now_s + self.clock_off_s)
        if own_s is None or self.clock_off_s:
            world.hit("a sample was taken with no clock, or a wrong one")
        if self.clock_off_s and node._told_s == -math.inf and not node._is_own_wrong:
            # nobody has told this boot the time yet, and no boot before found its clock wrong
            world.unverified.add((self.code, node.outbox.boot, node.outbox._seq))
        readings = [world.measure(self.code, probe, number, own_s) for probe in self.probes]
        try:
            node.take(readings, monotonic_s=self.monotonic_s(), started_s=50.0)
        except Killed:
            world.hit("a node lost power while it wrote")
            self.power_cut(600.0)
            return
        self.wake()

    def wake(self) -> None:
        self._wake_at(self.world.now_s)

    def _wake_at(self, at_s: float) -> None:
        if self._wake_s is None or at_s < self._wake_s:
            self._wake_s = at_s
            self.world.at(at_s, lambda: self._woken(at_s))

    def _woken(self, at_s: float) -> None:
        if self._wake_s == at_s:
            self._wake_s = None
            self.step()

    def step(self) -> None:
        node, world = self.node, self.world
        if node is None:
            return
        if self.asleep_to_s > world.now_s:
            self._wake_at(self.asleep_to_s)
            return
        try:
            node.step(self.monotonic_s())
        except Killed:
            world.hit("a node lost power while it sent")
            self.power_cut(600.0)
            return
        if node._client is None:
            self._wake_at(self._local(node._connect_s))
        elif node._sent:
            since_s = max(next(iter(node._sent.values())), node._heard_s)
            self._wake_at(self._local(since_s + node._resend_s) + 1.0)

    def _local(self, monotonic_s: float) -> float:
        """World's time of one of the node's, never at once again."""
        return max(self.booted_s + (monotonic_s - 50.0) / self.rate, self.world.now_s + 0.5)


class ForeignActor:
    """A node of somebody else's: the right time, no receipts, forgets what the broker has.

    It counts numbers that it never sends, and now and then sends two values under one number.
    """

    def __init__(self, world: "World") -> None:
        self.world = world
        self.seq = 0
        self.waiting: list[bytes] = []

    def sample(self, number: int) -> None:
        world = self.world
        while world.rng.random() < world.plan.uncounted:
            self.seq += 1
        at_s = round(START_S + world.now_s)
        reading = world.measure("f1", "p1", number, at_s)
        reading = structs.replace(reading, boot=4, seq=self.seq, uptime_s=round(world.now_s))
        world.note([reading], 4, self.seq)
        self.waiting.append(encode([reading]))
        if world.rng.random() < world.plan.disputed:
            other = structs.replace(reading, temperature_c=(reading.temperature_c or 0.0) + 1.0)
            world.note([other], 4, self.seq)
            self.waiting.append(encode([other]))
            world.rng.shuffle(self.waiting)
            world.hit("two values for one sample")
        self.seq += 1
        self.send()

    def send(self) -> None:
        world = self.world
        if world.broker.is_up and world.cut.get("f1", 0.0) <= world.now_s:
            for payload in self.waiting:
                message = Message(topic("yard", "f1"), payload, None)
                world.broker.accept(message)
                if world.rng.random() < 0.02:  # the acknowledgement was lost
                    world.broker.accept(message)
            self.waiting.clear()


# --- the monitor ----------------------------------------------------------------------------------


_DIALECTS: dict[str, Any] = {}
_STATEMENTS = LRUCache(1000)  # compiled once for all the records of a run, half of its time


def opened(folder: Path) -> Record:
    """The record in a folder."""
    record = open_record(folder)
    record.engine._compiled_cache = _STATEMENTS
    record.engine.dialect = _DIALECTS.setdefault("sqlite", record.engine.dialect)  # part of the key
    return record


def strike_at(record: Record, world: "World") -> dict[str, Any]:
    """Have a record's process end, or others go on, before the n-th statement from now on."""
    armed: dict[str, Any] = {"left": None, "act": None}

    def before(*_: Any) -> None:
        if armed["left"] is not None:
            armed["left"] -= 1
            if armed["left"] < 0:
                armed["left"] = None
                armed["act"]()

    event.listen(record.engine, "before_cursor_execute", before)
    event.listen(record.engine, "commit", before)
    with contextlib.closing(record.engine.raw_connection()) as connection:
        connection.cursor().execute("PRAGMA busy_timeout = 0")  # nobody else runs meanwhile
    return armed


class SimIntake(Intake):
    actor: "IntakeActor"

    def _new_client(self, name: str) -> Any:
        client = Client(self.actor.world, name, self.actor.wake, self._take_message)
        client.strike = self.actor.strike
        return client

    def _wait(self, client: Any, _timeout_s: float) -> bool:
        return client is not None and bool(client.inbox)


class IntakeActor:
    """The intake's process, and its next life."""

    def __init__(self, world: "World") -> None:
        self.world = world
        self.strike: dict[str, int] = {}
        self.intake: SimIntake | None = None
        self._wake_s: float | None = None
        self._turning = False
        self._is_closed = False
        self.start()

    def start(self) -> None:
        world = self.world
        if world.locked_to_s > world.now_s:
            world.hit("the record could not be opened")
            world.at(world.now_s + 30.0, self.start)
            return
        self.strike.clear()
        self.record = opened(world.folder)
        self.armed = strike_at(self.record, world)
        self.intake = world.intake_class(
            self.record, BrokerSettings(), lambda: START_S + world.now_s, lambda: world.now_s
        )
        self.intake.actor = self
        self.wake()

    def wake(self) -> None:
        self._wake_at(self.world.now_s)

    def _wake_at(self, at_s: float) -> None:
        if self._wake_s is None or at_s < self._wake_s:
            self._wake_s = at_s
            self.world.at(at_s, lambda: self._woken(at_s))

    def _woken(self, at_s: float) -> None:
        if self._wake_s == at_s:
            self._wake_s = None
            self.turn()

    def turn(self) -> None:
        intake = self.intake
        if intake is None or self._turning:
            return
        self._turning = True
        try:
            intake.turn()
        except Killed as killed:
            self.world.hit(f"the intake was killed: {killed}")
            self.kill(30.0)
            return
        finally:
            self._turning = False
        if intake._problems["record"] and not self._is_closed:
            self.world.hit("the record could not be written")
        self._is_closed = bool(intake._problems["record"])
        client: Any = intake._client
        more = client is not None and client.inbox
        self._wake_at(self.world.now_s if more else max(intake._next_s(), self.world.now_s))

    def kill(self, down_s: float) -> None:
        intake, self.intake = self.intake, None
        if intake is None:
            return
        client: Any = intake._client
        if client is not None:
            self.world.broker.left(client.link)
            client.link.is_broken = True
        self.record.close()
        self.world.at(self.world.now_s + down_s, self.start)


class WatchActor:
    """The watch's process: a round now and then, killed in some."""

    def __init__(self, world: "World") -> None:
        self.world = world
        self.armed: dict[str, Any] = {}
        self.record: Record | None = None

    def start(self) -> Record:
        self.record = opened(self.world.folder)
        self.armed = strike_at(self.record, self.world)
        return self.record

    def tick(self) -> bool:
        world = self.world
        if self.record is None and world.locked_to_s > world.now_s:
            world.hit("the record could not be opened")
            world.at(world.now_s + 60.0, self.tick)
            return False
        record = self.record or self.start()
        try:
            watch.tick(record, now_s=int(START_S + world.now_s))
        except Killed as killed:
            world.hit(f"the watch was killed: {killed}")
            self.close()
        except StoreError:
            world.hit("the watch could not write")
        else:
            return True
        world.at(world.now_s + 60.0, self.tick)
        return False

    def close(self) -> None:
        if self.record is not None:
            self.record.close()
            self.record = None


# --- the world ------------------------------------------------------------------------------------

ZONES = (  # node, probe, unit, zone, kind
    ("n1", "p1", "u1", "off-rear-low", "wall"),
    ("n1", "p2", "u1", "door-rear-low", "wall"),
    ("n2", "p1", "u1", "off-front-low", "wall"),
    ("f1", "p1", "u1", "door-front-low", "wall"),
    ("n3", "p1", "", "outside", "outside"),
)


def furnish(record: Record) -> None:
    """One unit of four walls, and the air outside; watched for long enough to be settled."""
    record.add_site(Site("yard"))
    placed_s = START_S - 3 * DAY_S
    record.add_unit(Unit("u1", "yard"))
    for node, probe, unit, zone, kind in ZONES:
        record.add_zone("yard", Zone(unit, zone, kind))  # type: ignore[arg-type]
        placement = Placement(node, probe, "yard", unit, zone, placed_s)
        record.place(placement, recorded_s=placed_s, who="test")


class World:
    """One run. `run` plays it; `audit` says what is wrong with the record then."""

    def __init__(
        self,
        seed: int,
        folder: Path,
        template: Path,
        *,
        intake_class: type[SimIntake] = SimIntake,
        plan: Plan | None = None,
    ) -> None:
        self.rng = random.Random(seed)
        self.plan = plan or draw_plan(self.rng)
        self.folder, self.template = folder, template
        self.intake_class = intake_class
        self.now_s = 0.0
        self.hits: Counter[str] = Counter()
        self.ledger: dict[tuple[str, str, int, int], list[Reading]] = {}
        self.truth: dict[Identity, float] = {}
        self.unverified: set[Identity] = set()  # stamped by a clock that nobody could check
        self.cut: dict[str, float] = {}
        self.locked_to_s = 0.0  # somebody else writes into the record
        self._on: dict[str, float] = {}
        self._queue: list[tuple[float, int, Callable[[], object]]] = []
        self._serial = 0
        self._trace = hashlib.sha256()
        folder.mkdir(parents=True, exist_ok=True)
        (folder / FILE_NAME).write_bytes(template.read_bytes())
        self.broker = Broker(self)
        self.intake = IntakeActor(self)
        self._until(30.0)  # it has subscribed before anybody publishes
        self.watch = WatchActor(self)
        self.watch.start()
        self.nodes = {
            code: NodeActor(self, code, probes)
            for code, probes in (("n1", ("p1", "p2")), ("n2", ("p1",)), ("n3", ("p1",)))
        }
        self.foreign = ForeignActor(self)

    # time

    def at(self, at_s: float, act: Callable[[], object]) -> None:
        self._serial += 1
        heapq.heappush(self._queue, (max(at_s, self.now_s), self._serial, act))

    def _until(self, end_s: float) -> None:
        while self._queue and self._queue[0][0] <= end_s:
            self.now_s, serial, act = heapq.heappop(self._queue)
            self._trace.update(f"{self.now_s!r} {serial}\n".encode())
            act()
        self.now_s = end_s

    def hit(self, fault: str, times: int = 1) -> None:
        """A fault changed something."""
        if times:
            self.hits[fault] += times

    def is_on(self, fault: str) -> bool:
        return self._on.get(fault, 0.0) > self.now_s

    def latency_s(self) -> float:
        if self.is_on("delay"):
            self.hit("a packet was late")
            return self.rng.uniform(0.0, 8.0)
        return self.rng.uniform(0.01, 0.2)

    # what is measured, and what was written down

    def measure(self, node: str, probe: str, number: int, own_s: int | None) -> Reading:
        hour = number * self.plan.every_s // HOUR_S
        is_wet = (node, probe) in {("n1", "p1"), ("f1", "p1")}
        is_wet = is_wet and self.plan.wet_h[0] <= hour < self.plan.wet_h[1]
        humidity = (93.0 if is_wet else 60.0) + self.rng.randint(-200, 200) / 100
        if node != "f1" and self.rng.random() < self.plan.spoiled:
            humidity = 130.0  # beyond what the wire takes
            self.hit("a sample was spoiled")
        return Reading(
            site="yard",
            node=node,
            probe=probe,
            at_s=own_s,
            silence_s=self.plan.every_s,
            temperature_c=12.0 + self.rng.randint(-300, 300) / 100,
            humidity_percent=humidity,
            contact=self.rng.random() < self.plan.contact
            if (node, probe) == ("n1", "p1")
            else None,
            battery_percent=80.0,
        )

    def note(self, sample: Sequence[Reading], boot: int, seq: int) -> None:
        """A sample is on its node's disk: from now on it must not be lost."""
        for reading in sample:
            self.ledger.setdefault((reading.node, reading.probe, boot, seq), []).append(reading)
        self.truth[sample[0].node, boot, seq] = START_S + self.now_s

    # faults

    def befall(self, fault: str, for_s: float) -> None:
        """Let a fault happen, or lie in wait for the work that it strikes."""
        node = self.nodes[self.rng.choice(sorted(self.nodes))]
        what, _, whom = fault.partition(" ")
        if what in {"kill", "interleave"}:
            self._strike(whom or what, for_s, node)
        elif fault in {"repeat", "reorder", "delay", "drop"}:
            self._on[fault] = self.now_s + max(for_s, 2 * HOUR_S)
        elif fault in {"lock", "full disk"}:
            self._close_record(fault, for_s)
        elif fault == "clock":
            step_s = self.rng.choice((-2 * DAY_S, -HOUR_S, 100, HOUR_S, 2 * DAY_S))
            node.clock_off_s = self.rng.choice((step_s, -START_S - self.now_s + 5000))
        elif fault == "sleep":
            node.asleep_to_s = max(node.asleep_to_s, self.now_s + for_s)
        else:
            self._disconnect(what, whom, for_s, node)

    def _strike(self, whom: str, for_s: float, node: NodeActor) -> None:
        rng, part = self.rng, node.node
        client: Any = part._client if part is not None else None
        if whom == "broker":
            self.broker.kill(for_s)
        elif whom in {"watch", "interleave"}:
            act, most = (self._kill, 120) if whom == "watch" else (self.interleave, 60)
            self.at(
                self.now_s + 19, lambda: self.watch.armed.update(left=rng.randint(0, most), act=act)
            )
            self.at(self.now_s + 20, self.watch.tick)
        elif whom == "intake taking":
            self.intake.armed.update(left=rng.randint(0, 12), act=self._kill)
        elif whom == "intake acknowledging":
            self.intake.strike["ack"] = rng.randint(0, 2)
        elif whom == "intake telling":
            self.intake.strike["publish"] = rng.randint(0, 2)
        elif whom == "node":
            node.power_cut(for_s)
        elif whom == "node adding" and part is not None:
            part.outbox.strike = rng.choice(("before", "after"))  # type: ignore[attr-defined]
        elif whom == "node sending" and client is not None:
            client.strike["publish"] = rng.randint(0, 2)

    @staticmethod
    def _kill() -> None:
        raise Killed("at a statement")

    def interleave(self) -> None:
        """The others go on for a while in the middle of the watch's round."""
        self.hit("the intake went on while the watch was at work")
        self.locked_to_s = max(self.locked_to_s, self.now_s + 21.0)  # perhaps by the watch
        for actor in self.nodes.values():
            if actor.node is not None:
                actor.sample(int(self.now_s / self.plan.every_s))
                actor.step()
        end_s = self.now_s + 20.0
        while self._queue and self._queue[0][0] <= end_s:
            self.now_s, _, act = heapq.heappop(self._queue)
            if act != self.watch.tick:
                act()

    def _disconnect(self, how: str, who: str, for_s: float, node: NodeActor) -> None:
        client: Any = None
        if who == "intake" and self.intake.intake is not None:
            client = self.intake.intake._client
        elif who == "node" and node.node is not None:
            client = node.node._client
        if client is None or client.link is None:
            return
        if how == "half-open":
            client.link.half_open()
        elif how == "cut":
            self.hit("a connection was cut")
            self.cut[client.name] = self.now_s + for_s
            self.cut["f1"] = self.now_s + for_s if who == "node" else 0.0
            client.link.break_off()
            self.broker.left(client.link)

    def _close_record(self, fault: str, for_s: float) -> None:
        if fault == "full disk":

            def pages(most: int) -> None:
                if self.intake.intake is not None:
                    with contextlib.closing(self.intake.record.engine.raw_connection()) as raw:
                        raw.cursor().execute(f"PRAGMA max_page_count = {most}")

            pages(1)
            self.at(self.now_s + for_s, lambda: pages(10**6))
            return
        other = sqlite3.connect(self.folder / FILE_NAME, isolation_level=None)
        try:
            other.execute("PRAGMA busy_timeout = 0")
            other.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            other.close()
            return
        self.locked_to_s = self.now_s + for_s + 1.0
        self.at(self.now_s + for_s, other.close)

    # a run

    def run(self) -> "World":
        """Play all of it, then let everything come to rest, and judge."""
        plan = self.plan
        for number in range(plan.length_s // plan.every_s):
            at_s = number * plan.every_s + FIRST_S
            for place, actor in enumerate(self.nodes.values()):
                self.at(at_s + place / 100, lambda a=actor, n=number: a.sample(n))  # type: ignore[misc]
            if plan.is_durable:
                self.at(at_s + 0.15, lambda n=number: self.foreign.sample(n))  # type: ignore[misc]
        for at_s, fault, for_s in plan.faults:
            self.at(at_s, lambda f=fault, s=for_s: self.befall(f, s))  # type: ignore[misc]
        for at_s in plan.ticks:
            self.at(at_s, self.watch.tick)
        self._until(plan.length_s)
        self._heal()
        self._until(plan.length_s + SETTLING_S)
        self.watch.armed["left"] = None
        for _ in range(3):
            if self.watch.tick():
                break
        return self

    def _heal(self) -> None:
        self.intake.armed["left"] = None
        self.intake.strike.clear()
        self.foreign.send()
        for actor in self.nodes.values():
            actor.asleep_to_s = min(actor.asleep_to_s, self.now_s + 60)
            if actor.node is not None:
                actor.node.outbox.strike = ""  # type: ignore[attr-defined]
                client: Any = actor.node._client
                if client is not None:
                    client.strike.clear()
        self.at(self.now_s + 5 * HOUR_S, self.foreign.send)

    def close(self) -> None:
        self.watch.close()
        if self.intake.intake is not None:
            self.intake.record.close()
        for actor in self.nodes.values():
            if actor.node is not None:
                actor.node.outbox.close()

    @property
    def effective(self) -> int:
        """Faults that changed something."""
        return sum(times for fault, times in self.hits.items() if fault not in IDLE)

    @property
    def digest(self) -> str:
        """Of every event and all that the record holds."""
        whole = self._trace.copy()
        whole.update(json.dumps(dump(self.folder), sort_keys=True).encode())
        whole.update(repr(sorted(self.hits.items())).encode())
        return whole.hexdigest()

    # the audit

    def audit(self, oracle: Path) -> list[str]:
        """What is wrong; nothing if every promise was kept. `oracle` is a folder to make."""
        faults = [*self._audit_readings(), *self._audit_steps()]
        oracle.mkdir()
        (oracle / FILE_NAME).write_bytes(self.template.read_bytes())
        with opened(oracle) as plain:
            given = [reading for kept in self.ledger.values() for reading in kept]
            plain.take([_usable(r) for r in given], [], received_s=START_S)
            watch.tick(plain, now_s=int(START_S + self.now_s))
        mine, theirs = dump(self.folder), dump(oracle)
        for table in ("reading", "dispute", "hour", "alarm", "silent"):
            have, want = (Counter(map(tuple, each[table])) for each in (mine, theirs))
            for word, rows in (("missing", want - have), ("too much", have - want)):
                if rows:
                    faults.append(
                        f"{table}: {sum(rows.values())} {word}, first {min(rows, key=repr)}"
                    )
        return faults

    def _audit_readings(self) -> Iterator[str]:
        """Ledgers against the record, by SQL alone."""
        held: dict[tuple[Any, ...], tuple[Any, ...]] = {}
        for row in ask(self.folder, _READINGS):
            if row[:4] in held:
                yield f"doubled {row[:4]}"
            held[row[:4]] = row[4:]
        second = {row[:4]: row[4:] for row in ask(self.folder, _DISPUTES)}
        anchors: dict[tuple[str, int], list[int]] = {}
        for node, boot, at_s in ask(self.folder, _ANCHORS):
            anchors.setdefault((node, boot), []).append(at_s)
        rejected = [json.loads(row[0]) for row in ask(self.folder, "select payload from reject")]
        refused = {(r["n"], r.get("v")) for pack in rejected for r in pack}
        for key, variants in self.ledger.items():
            values = sorted({_stored(reading) for reading in variants})
            spoiled = variants[0].humidity_percent if _is_spoiled(variants[0]) else None
            if spoiled is not None and not any(value == spoiled for _, value in refused):
                yield f"left out and not kept {key}"
            found = held.pop(key, None)
            if found is None:
                yield f"lost {key}"
                continue
            at_s, disputed, *measured = found
            kept = sorted({tuple(measured), *([second[key]] if key in second else [])})
            if kept != values or bool(disputed) != (len(values) > 1):
                yield f"altered {key}: {kept} for {values}"
            yield from self._audit_time(key, at_s, anchors.get((key[0], key[2]), []))
        yield from (f"from nowhere {key}" for key in held)

    def _audit_time(
        self, key: tuple[str, str, int, int], at_s: int | None, anchors: list[int]
    ) -> Iterator[str]:
        node, _, boot, seq = key
        if at_s is None:
            if anchors:
                yield f"time pending though known {key}"
            return
        wrong_s = abs(at_s - self.truth[node, boot, seq])
        allowed_s: float = CLOCK_ERROR_S
        if node != "f1":  # a boot that ended before it was told the time again: nobody can know
            nearest_s = min((abs(at_s - a) for a in anchors), default=0)
            is_last = max(anchors, default=0) <= at_s or min(anchors, default=0) >= at_s
            allowed_s += 60e-6 * nearest_s * is_last
        if wrong_s > allowed_s and (node, boot, seq) not in self.unverified:
            yield f"wrong time by {wrong_s:.0f} s {key}"

    def _audit_steps(self) -> Iterator[str]:
        """An alarm begins, ends, is withdrawn once for each time that it was raised."""
        repeated = ask(
            self.folder,
            "select a.kind, a.raised_s, s.state, s.why from alarm_step s join alarm_step n"
            " on n.alarm_id = s.alarm_id and n.number = s.number + 1 and n.state = s.state"
            " and n.why = s.why and n.at_s = s.at_s join alarm a on a.alarm_id = s.alarm_id",
        )
        yield from (f"alarm step doubled {row}" for row in repeated)
        open_twice = ask(
            self.folder,
            "select unit_id, zone_id, node_id, kind, count(*) from alarm where cleared_s is null"
            " and withdrawn_s is null group by 1, 2, 3, 4 having count(*) > 1",
        )
        yield from (f"alarm open twice {row}" for row in open_twice if "mould" not in row[3])
        untold = ask(
            self.folder,
            # A lone silence is told after a day, and as a part of another silence not by itself; of
            # two findings in a zone one is told.
            "select kind, raised_s from alarm where state <> 'normal' and kind <> 'silent' and"
            " not exists (select 1 from outbox where body = alarm.text) and not exists (select 1"
            " from alarm o join outbox on body = o.text where o.zone_id = alarm.zone_id"
            " and o.alarm_id <> alarm.alarm_id)",
        )
        yield from (f"alarm told to nobody {row}" for row in untold)


def _is_spoiled(reading: Reading) -> bool:
    return (reading.humidity_percent or 0.0) > 105


def _usable(reading: Reading) -> Reading:
    """A sample without the value that the wire does not take."""
    return structs.replace(reading, humidity_percent=None) if _is_spoiled(reading) else reading


def _stored(reading: Reading) -> tuple[Any, ...]:
    """Measured columns of the record, worked out here for themselves."""
    contact = None if reading.contact is None else int(reading.contact)
    return (
        round((reading.temperature_c or 0.0) * 100),
        None if _is_spoiled(reading) else round((reading.humidity_percent or 0.0) * 100),
        contact,
        round(reading.battery_percent or 0.0),
    )


_MEASURED = "r.temperature_c100, r.humidity_p100, r.contact, r.battery_p"
_PROBE = "join probe p using (probe_id) join node n using (node_id)"
_READINGS = (
    f"select n.code, p.code, r.boot, r.seq, r.at_s, r.disputed, {_MEASURED} from reading r {_PROBE}"
)
_ANCHORS = "select code, boot, at_s from anchor join node using (node_id)"
_DISPUTES = f"select n.code, p.code, r.boot, r.seq, {_MEASURED} from dispute r {_PROBE}"


def ask(folder: Path, query: str) -> list[tuple[Any, ...]]:
    """Rows of a record, read from outside."""
    with contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as connection:
        return connection.execute(query).fetchall()


def dump(folder: Path) -> dict[str, list[Any]]:
    """What a record came to, with codes for keys and without the order of arrival."""
    columns = [row[1] for row in ask(folder, "pragma table_info(hour)") if row[1] != "zone_id"]
    named = ", ".join(f"h.{name}" for name in columns)
    zone = "coalesce(u.code, ''), z.code"
    of_zone = "join zone z using (zone_id) left join unit u on u.unit_id = z.unit_id"
    return {
        "reading": sorted(ask(folder, _READINGS), key=repr),
        "dispute": sorted(ask(folder, _DISPUTES), key=repr),
        "hour": ask(folder, f"select {zone}, {named} from hour h {of_zone} order by 1, 2, 3"),
        "alarm": ask(
            folder,
            f"select {zone}, a.kind, a.raised_s, a.cleared_s from alarm a {of_zone}"
            " where withdrawn_s is null order by 1, 2, 3, 4",
        ),
        "silent": ask(
            folder,
            "select distinct n.code from alarm join node n using (node_id) where kind = 'silent'"
            " and cleared_s is null order by 1",
        ),
    }


def make_template(folder: Path) -> Path:
    """A furnished record to start from."""
    with open_record(folder) as record:
        furnish(record)
    return folder / FILE_NAME


@contextlib.contextmanager
def simulated_constants(rng: random.Random) -> Iterator[None]:
    """A pulse a day instead of one in five seconds, so its age says nothing; back-off from the seed."""
    beat, dice, away_s = intake_module.BEAT_EVERY_S, node_module._RANDOM, health.NOT_WATCHED_S
    intake_module.BEAT_EVERY_S = float(DAY_S)
    health.NOT_WATCHED_S = 10 * 365 * DAY_S
    node_module._RANDOM = rng  # type: ignore[misc, assignment]
    try:
        yield
    finally:
        intake_module.BEAT_EVERY_S = beat
        health.NOT_WATCHED_S = away_s
        node_module._RANDOM = dice  # type: ignore[misc]


def play(
    seed: int,
    folder: Path,
    template: Path,
    *,
    intake_class: type[SimIntake] = SimIntake,
    plan: Plan | None = None,
    look: Callable[[World], None] = lambda _: None,
) -> tuple[list[str], World]:
    """One seed from start to audit: what is wrong, and the world; `look` is called before it runs."""
    with simulated_constants(random.Random(seed)):
        world = World(seed, folder / "record", template, intake_class=intake_class, plan=plan)
        look(world)
        try:
            world.run()
        finally:
            world.close()
    return world.audit(folder / "oracle"), world
