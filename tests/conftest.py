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
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import paho.mqtt.client as mqtt
import pytest
from hypothesis import HealthCheck, settings
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from monitor.config import Server
    from tests.servers import RunningServer

# how long an example takes is the machine's business: benchmarks time, tests do not
settings.register_profile("here", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("here")

ROOT = Path(__file__).parent.parent


def tries(quick: int, whole: int) -> int:
    """How often a test of chance tries: `whole` with `./tests/run --long`, else what CI has time for."""
    return whole if os.environ.get("SILLKEEP_LONG") else quick


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


def sillkeep(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command on a home folder, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *words],
        env=os.environ | {"SILLKEEP_HOME": str(home)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def is_open(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex(("127.0.0.1", port)) == 0


# tests of the record by its doors alone: they run on a file and on a server,
BOTH = {
    "test_checking.py",
    "test_sealing.py",
    "test_store.py",
    "test_watch.py",
}
# and these on a server where time is no matter
BOTH_LONG = {
    "test_forgetting.py",
    "test_holds.py",
    "test_people.py",
    "test_repairs.py",
    "test_access.py",
    "test_archive.py",
    "test_bench.py",
    "test_causes.py",
    "test_exchange.py",
    "test_handing_border.py",
    "test_handing_parts.py",
    "test_leases.py",
    "test_leaving.py",
    "test_limits.py",
    "test_messages.py",
    "test_moving.py",
    "test_pages.py",
    "test_partitions.py",
    "test_rounds.py",
    "test_seals.py",
    "test_several.py",
    "test_silence.py",
    "test_storms.py",
    "test_weather.py",
}
# fixtures that make one file for a whole module
MADE_ONCE = {"dry_home"}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Have tests of the record run on both; those marked `file` look into the file."""
    is_of_file = metafunc.definition.get_closest_marker("file") or MADE_ONCE & {
        *metafunc.fixturenames
    }
    name = metafunc.definition.path.name
    if name in BOTH | BOTH_LONG and not is_of_file:
        # a database for each example takes minutes
        is_long = name in BOTH_LONG or hasattr(metafunc.function, "hypothesis")
        marks = [pytest.mark.long] if is_long else []
        on_server = pytest.param("postgresql", marks=marks)
        metafunc.parametrize("record_on", ["sqlite", on_server], indirect=True)


@pytest.fixture(scope="session")
def server() -> Iterator["RunningServer"]:
    """One PostgreSQL server for all tests of this process."""
    from tests import servers

    if servers.POSTGRES is None:
        pytest.skip("postgresql is not installed")
    with servers.running_server() as running:
        yield running


@pytest.fixture(autouse=True)
def record_on(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Which database records are opened on; on a server, each folder has one of its own."""
    kind: str = getattr(request, "param", "sqlite")
    if kind == "sqlite":
        yield kind
        return
    from monitor.store import record as opening
    from monitor.store.engine import open_engine

    running: RunningServer = request.getfixturevalue("server")
    made: dict[Path, Server] = {}
    engines: list[Engine] = []

    def opened(home: Path, *, read_only: bool = False, server: "Server | None" = None) -> "Engine":
        known = server or made.get(home)
        if known is None and (home / "record.sqlite").exists():
            return open_engine(home, read_only=read_only)  # made once for a whole module
        if known is None:
            known = made[home] = running.empty() if read_only else running.record()
        home.mkdir(parents=True, exist_ok=True)
        settings = home / "sillkeep.toml"  # of commands in a process of their own
        if not settings.exists():
            settings.write_text(f'[record]\naddress = "{known.address}"\n')
        engine = open_engine(home, read_only=read_only, server=known)
        engines.append(engine)
        return engine

    monkeypatch.setattr(opening, "open_engine", opened)
    yield kind
    for engine in engines:
        engine.dispose()
    for one in made.values():
        running.drop(one)


TAKE_TURNS = {"faults", "integration", "browser"}  # folders of tests that start programs,
STAY_WITHIN = {"test_simulation.py", "test_every_line.py"}  # but these do not


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that start programs run one after another, beside all others on the other processors."""
    for item in items:
        is_alone = item.path.parent.name in TAKE_TURNS and item.path.name not in STAY_WITHIN
        if is_alone or item.get_closest_marker("broker"):
            item.add_marker(pytest.mark.xdist_group("programs"))


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
        user: tuple[str, str] | None = None,
    ) -> None:
        """Publish at QoS 1; returns when the broker has every message."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.max_inflight_messages_set(500)
        if user is not None:
            client.username_pw_set(*user)
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


# --- an archive -----------------------------------------------------------------------------------

INFLUXD = shutil.which("influxd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
NGINX = shutil.which("nginx", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
TOKEN = "token-of-the-tests"
INFLUXD_CONF = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  index-version = "tsi1"
[http]
  bind-address = "127.0.0.1:{inner}"
  log-enabled = false
[monitor]
  store-enabled = false
"""
# version 1.6 knows neither tokens nor the write path of version 2: the proxy stands in for both
NGINX_CONF = """
daemon off; worker_processes 1; {user} pid {folder}/nginx.pid; error_log {folder}/nginx.log warn;
events {{ worker_connections 64; }}
http {{
  access_log off; client_max_body_size 64m;
  client_body_temp_path {folder}/b; proxy_temp_path {folder}/p; fastcgi_temp_path {folder}/f;
  uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  server {{
    listen 127.0.0.1:{port};
    if ($http_authorization != "Token {token}") {{
      return 401 '{{"code":"unauthorized","message":"unauthorized access"}}';
    }}
    proxy_set_header Authorization "";
    location = /api/v2/write {{
      set $args db=$arg_bucket&precision=n;
      rewrite ^ /write break; proxy_pass http://127.0.0.1:{inner};
    }}
    location = /query {{ proxy_pass http://127.0.0.1:{inner}; }}
  }}
}}
"""


@dataclass
class RunningInflux:
    """InfluxDB 1.6 that is written to as if it were version 2, and can be stopped and started."""

    folder: Path
    port: int
    inner: int
    database: subprocess.Popen[bytes] | None = None
    proxy: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def toml(self) -> str:
        """Settings of this archive."""
        return f'[archive]\nurl = "{self.url}"\nbucket = "lot"\ntoken_file = "token"\n'

    def start(self) -> None:
        with (self.folder / "influxd.log").open("ab") as output:
            self.database = subprocess.Popen(
                [str(INFLUXD), "-config", str(self.folder / "influxd.conf")],
                stdout=output,
                stderr=output,
            )
        wait_until(lambda: is_open(self.inner))
        self.ask("CREATE DATABASE lot")

    def stop(self, number: int = signal.SIGTERM) -> None:
        """End the database; the proxy then answers 502."""
        end(self.database, number)
        self.database = None

    def start_proxy(self) -> None:
        with (self.folder / "nginx.log").open("ab") as output:
            self.proxy = subprocess.Popen(
                [str(NGINX), "-c", str(self.folder / "nginx.conf")], stdout=output, stderr=output
            )
        wait_until(lambda: is_open(self.port))

    def stop_proxy(self) -> None:
        """End the proxy; connections are then refused."""
        end(self.proxy, signal.SIGTERM)
        self.proxy = None

    def ask(self, query: str) -> str:
        """Answer of the database itself, as CSV."""
        body = urllib.parse.urlencode({"q": query, "db": "lot", "epoch": "ns"}).encode()
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.inner}/query", data=body, headers={"Accept": "application/csv"}
        )
        with urllib.request.urlopen(request, timeout=20) as answer:
            return str(answer.read().decode())

    def count(self, measurement: str = "reading", field: str = "present") -> int:
        rows = self.ask(f'SELECT count("{field}") FROM "{measurement}"').split()
        return int(rows[1].rpartition(",")[2]) if len(rows) > 1 else 0


def end(process: subprocess.Popen[bytes] | None, number: int) -> None:
    if process is not None:
        process.send_signal(number)
        process.wait(20)


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[RunningInflux]:
    """An archive on free ports."""
    if INFLUXD is None or NGINX is None:
        pytest.skip("influxdb or nginx-light is not installed")
    folder = tmp_path / "influx"
    folder.mkdir()
    running = RunningInflux(folder, unused_port(), unused_port())
    given = {"folder": folder, "inner": running.inner, "port": running.port, "rpc": unused_port()}
    given |= {"token": TOKEN, "user": "user root;" if os.getuid() == 0 else ""}
    (folder / "influxd.conf").write_text(INFLUXD_CONF.format(**given))
    (folder / "nginx.conf").write_text(NGINX_CONF.format(**given))
    try:
        running.start()
        running.start_proxy()
        yield running
    finally:
        running.stop_proxy()
        running.stop()
