"""Real brokers on free ports of this machine, the real intake, and bounded waiting for both."""

import contextlib
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from hypothesis import HealthCheck, settings
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties

# how long an example takes is the machine's business: benchmarks time, tests do not
settings.register_profile("here", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("here")

ROOT = Path(__file__).parent.parent
MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")


def wait_until(
    condition: Callable[[], object], *, seconds: float = 40.0, every: float = 0.02
) -> None:
    """Wait until `condition` holds: the progress of another process is seen by looking only."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"not within {seconds:g} s"
        time.sleep(every)


@pytest.fixture
def until() -> Callable[..., None]:
    return wait_until


@pytest.fixture
def free_port() -> int:
    return unused_port()


@pytest.fixture
def other_port() -> int:
    return unused_port()


def unused_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def is_open(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex(("127.0.0.1", port)) == 0


@dataclass
class RunningBroker:
    """A broker that can be ended and started again on the same port and files."""

    port: int
    command: list[str]
    folder: Path
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "broker.log").open("ab") as output:
            self.process = subprocess.Popen(self.command, cwd=ROOT, stdout=output, stderr=output)
        wait_until(lambda: is_open(self.port))

    def stop(self, number: int = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(10)
            self.process = None

    def publish(
        self,
        messages: Sequence[tuple[str, bytes]],
        *,
        retain: bool = False,
        properties: Properties | None = None,
    ) -> None:
        """Publish at QoS 1; returns when the broker has every message."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.max_inflight_messages_set(500)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        sent = [
            client.publish(topic, payload, qos=1, retain=retain, properties=properties)
            for topic, payload in messages
        ]
        for info in sent:
            info.wait_for_publish(20)
        assert all(info.is_published() for info in sent)
        client.disconnect()
        client.loop_stop()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[RunningBroker]:
    """Mosquitto with persistence, as a service would run it, on a free port."""
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    port = unused_port()
    settings = folder / "mosquitto.conf"
    settings.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 1000\n"
        f"max_queued_messages 0\npersistence true\npersistence_location {folder}/\n"
        "autosave_interval 30\n" + ("user root\n" if os.getuid() == 0 else "")
    )
    broker = RunningBroker(port, [MOSQUITTO, "-c", str(settings)], folder)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def embedded_broker(tmp_path: Path) -> Iterator[RunningBroker]:
    """The broker that `sillkeep serve` starts where none is set, on a free port."""
    port = unused_port()
    broker = RunningBroker(port, [sys.executable, "-m", "monitor.broker", str(port)], tmp_path)
    broker.start()
    yield broker
    broker.stop()


@dataclass
class RunningIntake:
    """The real intake as a process of its own, and the record it fills, seen from outside."""

    home: Path
    process: subprocess.Popen[bytes] | None = None
    log: Path = field(init=False)

    def __post_init__(self) -> None:
        self.log = self.home / "intake.log"

    def start(self) -> None:
        with self.log.open("ab") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-c", "from monitor.cli import main; main()", "intake"],
                cwd=ROOT,
                env=dict(os.environ) | {"SILLKEEP_HOME": str(self.home)},
                stdout=output,
                stderr=output,
            )

    def stop(self, number: int = signal.SIGKILL) -> None:
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(10)
            self.process = None

    def ask(self, query: str) -> list[tuple[object, ...]]:
        """Rows of the record; none while it is still being made."""
        path = self.home / "record.sqlite"
        if not path.exists():
            return []
        with contextlib.closing(
            sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=20)
        ) as connection:
            try:
                return connection.execute(query).fetchall()
            except sqlite3.OperationalError as error:
                if "no such table" in str(error):
                    return []
                raise

    def stored(self) -> int:
        """Readings in the record."""
        return int(sum(row[0] for row in self.ask("select count(*) from reading")))

    def is_connected(self) -> bool:
        """Whether this process said so in its pulse."""
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text()
        return any(
            '"connected": true' in str(row[0]) for row in self.ask("select detail from pulse")
        )


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Callable[[int], RunningIntake]]:
    """Makes the intake of a home folder whose broker is on the port given; not started yet."""
    made: list[RunningIntake] = []

    def make(port: int) -> RunningIntake:
        home = tmp_path / "home"
        home.mkdir()
        (home / "sillkeep.toml").write_text(f'[broker]\nhost = "127.0.0.1"\nport = {port}\n')
        made.append(RunningIntake(home))
        return made[-1]

    yield make
    for one in made:
        one.stop()
