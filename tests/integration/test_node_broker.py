"""Nodes against a real broker: what is on disk reaches the monitor, whatever is killed."""

import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from sensors import node as node_module
from sensors.node import Broker, Node, Replayed, run
from sensors.outbox import Outbox
from sensors.wire import Reading, Receipt, decode, encode_receipt

pytestmark = pytest.mark.broker

ROOT = Path(__file__).parent.parent.parent
NOW_S = 1_900_000_000
START_S = 1_893_456_000  # 2030-01-01


class Monitor:
    """A small receiver: keeps readings by identity, and sends receipts for what it kept."""

    def __init__(self, port: int) -> None:
        self.readings: dict[tuple[object, ...], Reading] = {}
        self.reasons: list[str] = []
        self.states: list[bytes] = []
        self.messages = 0
        self.lose: Callable[[int], bool] = lambda _: False
        self.gives_receipts = True
        self._seqs: dict[tuple[str, str, int], set[int]] = {}
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe("sillkeep/#", qos=1)
        self.is_ready = False
        self.client.on_subscribe = lambda *_: setattr(self, "is_ready", True)
        self.client.connect("127.0.0.1", port)
        while not self.is_ready:
            self.client.loop(0.1)

    def _on_message(self, _client, _userdata, message) -> None:
        if message.topic.endswith("/state"):
            self.states.append(message.payload)
        if not message.topic.endswith("/senml"):
            return
        self.messages += 1
        if self.lose(self.messages):
            return
        readings, rejects = decode(message.topic, message.payload, received_s=NOW_S)
        self.reasons += [reject.reason for reject in rejects]
        touched = set()
        for each in readings:
            self.readings[each.node, each.probe, each.boot, each.seq] = each
            key = (each.site, each.node, each.boot or 0)
            self._seqs.setdefault(key, set()).add(each.seq or 0)
            touched.add(key)
        if self.gives_receipts:
            for key in touched:
                self._receipt(*key)

    def _receipt(self, site: str, node: str, boot: int) -> None:
        seqs = self._seqs[site, node, boot]
        lost = sorted(set(range(max(seqs))) - seqs)
        receipt = Receipt(boot=boot, seq=max(seqs), utc=NOW_S, missing=[(a, a) for a in lost])
        self.client.publish(f"sillkeep/{site}/{node}/receipt", encode_receipt(receipt), qos=1)


@pytest.fixture
def monitor(mosquitto) -> Iterator[Monitor]:
    one = Monitor(mosquitto.port)
    yield one
    one.client.disconnect()


def drive(until: Callable[[], object], *parts: Node | Monitor, seconds: float = 20.0) -> None:
    """Let nodes and monitor work in turn until something is so; bounded."""
    end_s = time.monotonic() + seconds
    while not until():
        now_s = time.monotonic()
        assert now_s < end_s, f"not within {seconds:g} s"
        for part in parts:
            if isinstance(part, Node):
                part.step(now_s, 0.005)
            else:
                part.client.loop(0.005)


def node_of(mosquitto, folder: Path, code: str = "n1") -> Node:
    return Node(
        "yard",
        code,
        outbox=Outbox(folder / f"{code}.outbox"),
        broker=Broker(port=mosquitto.port),
    )


def samples(count: int, code: str = "n1") -> list[list[Reading]]:
    return [
        [
            Reading(
                site="yard",
                node=code,
                probe=probe,
                at_s=START_S + 600 * number,
                temperature_c=5 + number / 100,
                humidity_percent=70.0,
            )
            for probe in ("p1", "p2")
        ]
        for number in range(count)
    ]


def history(path: Path, count: int) -> Path:
    lines = ["time,zone,temperature_c,humidity_percent"]
    for number in range(count):
        at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(START_S + 600 * number))
        lines += [f"{at},{zone},{10 + number % 50 / 10},{60 + number % 30}" for zone in ("a", "b")]
    path.write_text("\n".join(lines) + "\n")
    return path


def test_a_sample_stays_on_disk_until_its_receipt(mosquitto, monitor, tmp_path):
    node = node_of(mosquitto, tmp_path)
    node.add(samples(120))
    monitor.gives_receipts = False
    drive(lambda: len(monitor.readings) == 240, node, monitor)
    assert node.waiting == 120  # the broker has acknowledged all of it
    assert node.clock_s(0.0) is None
    monitor.gives_receipts = True
    monitor._receipt("yard", "n1", 1)
    drive(lambda: node.waiting == 0, node, monitor)
    assert monitor.messages == 3  # a backlog goes in packs of 50
    assert node.clock_s(time.monotonic()) == pytest.approx(NOW_S, abs=2)
    node.close()


def test_a_lost_pack_is_sent_again_because_the_receipt_names_it(
    mosquitto, monitor, tmp_path, monkeypatch
):
    monkeypatch.setattr(node_module, "MISSED_AFTER_S", 1.0)
    node = node_of(mosquitto, tmp_path)
    node.add(samples(150))
    monitor.lose = lambda number: number == 2
    drive(lambda: node.waiting == 50, node, monitor)
    added = 0

    def all_stored() -> bool:
        nonlocal added
        if node.waiting == 50 and monitor.messages >= 3 + added and added < 400:
            node.add(samples(151 + added)[-1:])  # life goes on: each brings a receipt
            added += 1
        return node.waiting == 0 and len(monitor.readings) >= 300

    drive(all_stored, node, monitor)
    assert {key[3] for key in monitor.readings} == set(range(150 + added))
    node.close()


def test_nothing_is_lost_when_the_broker_is_killed(mosquitto, tmp_path):
    monitor, node = Monitor(mosquitto.port), node_of(mosquitto, tmp_path)
    node.add(samples(1500))
    monitor.gives_receipts = False
    drive(lambda: monitor.messages >= 5, node, monitor)
    mosquitto.stop(signal.SIGKILL)
    (mosquitto.folder / "mosquitto.db").unlink(missing_ok=True)  # and its memory with it
    drive(lambda: not node.is_online, node)
    mosquitto.start()
    again = Monitor(mosquitto.port)
    drive(lambda: node.waiting == 0, node, again)
    assert len(again.readings) == 3000
    node.close()


def test_several_nodes_share_a_process_and_tell_their_state(mosquitto, monitor, tmp_path):
    nodes = [node_of(mosquitto, tmp_path, code) for code in ("n1", "n2", "n3")]
    for node in nodes:
        node.add(samples(20, node.node))
    drive(lambda: not any(node.waiting for node in nodes), *nodes, monitor)
    assert len(monitor.readings) == 3 * 40
    assert monitor.states == [b'{"state":"online"}'] * 3
    nodes[0].close()
    drive(lambda: len(monitor.states) == 4, monitor, *nodes[1:])
    assert monitor.states[3] == b'{"state":"offline"}'
    for node in nodes[1:]:
        node.close()


def test_a_sample_that_is_never_stored_is_set_aside_and_the_others_go_on(
    mosquitto, monitor, tmp_path, monkeypatch
):
    monkeypatch.setattr(node_module, "MISSED_AFTER_S", 1.0)  # a minute of patience is not tested
    node = node_of(mosquitto, tmp_path)
    hot = [Reading(site="yard", node="n1", at_s=START_S, temperature_c=700.0)]
    node.add([hot, *samples(1)])
    added = 0

    def is_set_aside() -> bool:
        nonlocal added
        if node.waiting == 1 and added < 4000:
            node.add(samples(1))
            added += 1
        return node.set_aside == 1 and node.waiting == 0

    drive(is_set_aside, node, monitor)
    assert len(node.outbox) == 1  # kept all the same
    assert "temperature_c of 700 is outside -60 to 120" in monitor.reasons[0]
    node.close()


def by_boot(monitor: Monitor) -> list[int]:
    """How many readings of each boot are in, oldest boot first."""
    counts = Counter(boot for _, _, boot, *_ in monitor.readings)
    return [count for _, count in sorted(counts.items())]


def test_a_replay_killed_in_the_middle_goes_on_and_loses_nothing(mosquitto, tmp_path):
    monitor = Monitor(mosquitto.port)
    command = [sys.executable, "-m", "sensors.node", "--site=yard", "--node=n1"]
    command += [f"--replay={history(tmp_path / 'past.csv', 9000)}", f"--home={tmp_path}"]
    command += [f"--broker=127.0.0.1:{mosquitto.port}"]
    # A start puts up to 2.5 windows of 1000 samples into its outbox: enough is left for the third.
    for start, stop_after in enumerate((500, 500, None)):
        process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL)
        if stop_after is not None:
            # Counted by boot: the broker may still hand over what the killed process had sent.
            drive(lambda: by_boot(monitor)[start:] >= [stop_after], monitor, seconds=30)  # noqa: B023
            assert process.poll() is None
            process.kill()
            process.wait(10)
        else:
            drive(lambda: process.poll() is not None, monitor, seconds=30)  # noqa: B023
            assert process.returncode == 0
    times = {(each.probe, each.at_s) for each in monitor.readings.values()}
    assert len(times) == len(monitor.readings) == 18_000
    assert len(by_boot(monitor)) == 3  # one boot a start


def test_a_replay_in_pace_publishes_as_its_own_times_come(mosquitto, tmp_path):
    monitor = Monitor(mosquitto.port)
    seen: list[Replayed] = []

    def tell(done: Replayed) -> None:
        seen.append(done)
        monitor.client.loop(0.001)

    started_s = time.monotonic()
    done = run(
        site="yard",
        node="n1",
        replay=history(tmp_path / "past.csv", 7),
        home=tmp_path,
        broker=Broker(port=mosquitto.port),
        pace=3600.0,
        tell=tell,
    )
    assert time.monotonic() - started_s >= 1.0  # six steps of 600 s at 3600 s a second
    assert sorted({each.added for each in seen}) == [1, 2, 3, 4, 5, 6, 7]
    assert (done.samples, done.waiting, done.rejects) == (7, 0, [])
    assert len(monitor.readings) == 14
