"""Who may do what at a real mosquitto with TLS: what the list forbids, what it allows, and revoking.

Mosquitto is the judge: it is run with `deploy/mosquitto-lot.conf` and the files that Sillkeep writes.
"""

import contextlib
import itertools
import json
import os
import queue
import shutil
import signal
import socket
import ssl
import stat
import subprocess
import sys
import time
import urllib.error
import urllib.request
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from pypdf import PdfReader
from typer.testing import CliRunner

from monitor import accesslist
from monitor.cli import app
from monitor.config import load
from monitor.errors import ConfigError, InputError
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import nodekeys, users
from monitor.store.record import open_record
from monitor.store.users import Doer
from tests.conftest import MOSQUITTO, ROOT, RunningBroker, is_open, unused_port, wait_until
from tests.integration.test_firmware_broker import Authority
from tests.signed import session

PASSWD = shutil.which("mosquitto_passwd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
MONITOR = "0123456789-of-the-monitor"
ALL_SEEING = "sees-and-writes-everything"
NOW_S = 1_800_000_000
BY = Doer("test", NOW_S)
COUNT = itertools.count()
NOT_AUTHORIZED = 0x87  # MQTT 5.0, table 2-6
WAIT_S = 5.0

pytestmark = pytest.mark.broker


@dataclass
class Yard:
    """A broker as the lot has it, the record its list is of, and secrets of the nodes."""

    home: Path
    broker: RunningBroker
    ca: Path
    secrets: dict[str, str] = field(default_factory=dict)

    @property
    def list_folder(self) -> Path:
        return self.home / "broker"

    def command(self, *words: str, code: int = 0) -> str:
        done = CliRunner().invoke(app, list(words), env={"SILLKEEP_HOME": str(self.home)})
        if code:
            assert done.exception is not None
            return str(done.exception)
        assert done.exit_code == 0, (done.output, done.exception)
        return done.output

    def claimed(self, node: str, *words: str, site: str = "yard") -> str:
        """Enter a node and exchange its claim; its secret."""
        url = claim_in(self.command("node", "add", node, "--site", site, *words))
        with open_record(self.home) as record:
            taken = record.take_claim(url.rpartition("/")[2], at_s=int(time.time()), address="")
            assert taken is not None
            accesslist.keep(record, load(self.home))
        self.secrets[node] = taken.secret
        return taken.secret

    def reload(self) -> None:
        assert self.broker.process is not None
        log = self.broker.folder / "broker.log"
        before = log.read_text().count("Reloading config")
        self.broker.process.send_signal(signal.SIGHUP)
        wait_until(lambda: log.read_text().count("Reloading config") > before)

    @contextlib.contextmanager
    def client(self, user: str | None, password: str | None = None, **given) -> Iterator["Client"]:
        made = Client(self, user, password or self.secrets.get(user or ""), **given)
        try:
            yield made
        finally:
            made.end()


class Client:
    """A client that remembers what it is told."""

    def __init__(
        self, yard: Yard, user, password, *, version=5, name="", will="", port=0, tls=True
    ):
        self.heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
        self.reasons: queue.Queue[int] = queue.Queue()
        self.ended: list[str] = []
        self.connected: queue.Queue[int] = queue.Queue()
        protocol = mqtt.MQTTv5 if version == 5 else mqtt.MQTTv311
        self.mqtt = client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=protocol,
            reconnect_on_failure=False,
        )
        if user is not None:
            client.username_pw_set(user, password)
        if tls:
            client.tls_set(ca_certs=str(yard.ca))
        if will:
            client.will_set(will, will.encode(), 1)
        client.on_connect = lambda *told: self.connected.put(told[3].value)
        client.on_disconnect = lambda *told: self.ended.append(str(told[3]))
        client.on_message = lambda *told: self.heard.put((told[2].topic, told[2].payload))
        client.on_publish = lambda *told: self.reasons.put(told[3].value)
        client.on_subscribe = lambda *told: self.reasons.put(told[3][0].value)
        client.connect("localhost", port or yard.broker.port, 60)
        client.loop_start()
        self.answer = self.connected.get(timeout=WAIT_S)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> int:
        """Reason code that the broker answers with."""
        self.mqtt.publish(topic, payload, 1, retain=retain)
        return self.reasons.get(timeout=WAIT_S)

    def subscribe(self, topic: str) -> int:
        self.mqtt.subscribe(topic, 1)
        return self.reasons.get(timeout=WAIT_S)

    def until(self, payload: bytes) -> list[bytes]:
        """Payloads that came, up to this one."""
        found = []
        while not found or found[-1] != payload:
            found.append(self.heard.get(timeout=WAIT_S)[1])
        return found

    def end(self) -> None:
        with contextlib.suppress(Exception):
            self.mqtt.disconnect()
        self.mqtt.loop_stop()
        self.mqtt._reset_sockets()  # those by which it wakes its thread
        for name in ("connect", "disconnect", "message", "publish", "subscribe"):
            setattr(self.mqtt, f"on_{name}", None)


def claim_in(said: str) -> str:
    return next(line for line in said.splitlines() if "/claim/" in line)


def payload() -> bytes:
    return f"payload {next(COUNT)}".encode()


def as_deployed(folder: Path, port: int, lists: Path) -> str:
    """`deploy/mosquitto-lot.conf` with this test's files, and nothing else of it changed."""
    text = (ROOT / "deploy" / "mosquitto-lot.conf").read_text()
    for theirs, ours in (
        ("listener 8883\n", f"listener {port} 127.0.0.1\n"),
        ("/etc/mosquitto/certs/", f"{folder}/"),
        ("/etc/mosquitto/sillkeep", f"{lists}/sillkeep"),
        (
            "#   persistence_location /var/lib/mosquitto/",
            f"persistence true\npersistence_location {folder}/",
        ),
    ):
        assert theirs in text
        text = text.replace(theirs, ours)
    return text + ("user root\n" if os.getuid() == 0 else "")


def settings_of(home: Path, port: int, pages: int = 8750) -> None:
    (home / "broker.password").write_text(MONITOR + "\n")
    (home / "sillkeep.toml").write_text(
        f'[broker]\nhost = "localhost"\nport = {port}\nusername = "monitor"\n'
        'password_file = "broker.password"\nca_file = "ca.crt"\naccess_files = "broker"\n'
        f"[pages]\nport = {pages}\n"
    )


def make_yard(folder: Path, *, pages: int = 8750) -> Yard:
    if MOSQUITTO is None or PASSWD is None:
        pytest.skip("mosquitto is not installed")
    home, place, port = folder / "home", folder / "mosquitto", unused_port()
    home.mkdir()
    place.mkdir()
    authority = Authority("Authority of the tests")
    authority.write(place, "localhost")
    from cryptography.hazmat.primitives.serialization import Encoding

    (home / "ca.crt").write_bytes(authority.certificate.public_bytes(Encoding.PEM))
    settings_of(home, port, pages)
    with open_record(home) as record:
        for site in ("yard", "field"):
            record.add_site(Site(site))
        for unit in ("u1", "u2"):
            record.add_unit(Unit(site="yard", code=unit))
            record.add_zone("yard", Zone(unit=unit, code="bath-low"))
    lists = home / "broker"
    lists.mkdir()
    (lists / accesslist.OWN_PASSWD).touch()
    sees = ""
    for user in ("observer", "later"):  # written by hand, with mosquitto's own tool
        subprocess.run([PASSWD, "-b", lists / accesslist.OWN_PASSWD, user, ALL_SEEING], check=True)
        sees += f"user {user}\ntopic readwrite #\ntopic read $SYS/#\n"
    (lists / accesslist.OWN_ACL).write_text(sees)
    (place / "mosquitto.conf").write_text(as_deployed(place, port, lists))
    broker = RunningBroker(port, [MOSQUITTO, "-c", str(place / "mosquitto.conf")], place)
    yard = Yard(
        home,
        broker,
        home / "ca.crt",
        {"monitor": MONITOR, "observer": ALL_SEEING, "later": ALL_SEEING},
    )
    yard.command("broker", "files")
    broker.start()
    return yard


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    made = make_yard(tmp_path_factory.mktemp("lot"))
    for node in ("n1", "n2", "gone"):
        made.claimed(node)
    made.claimed("n3", site="field")
    made.command("node", "revoke", "gone", "--why", "lost")
    made.reload()
    yield made
    made.broker.stop()


@pytest.fixture(scope="module")
def observer(yard: Yard) -> Iterator[Client]:
    with yard.client("observer") as client:
        assert client.subscribe("#") < 0x80
        yield client


# --- what is forbidden ----------------------------------------------------------------------------

A, B = "sillkeep/yard/n1", "sillkeep/yard/n2"
NOT_TO_PUBLISH = [
    ("n1", f"{B}/senml"),
    ("n1", f"{B}/state"),
    ("n1", f"{B}/receipt"),
    ("n1", f"{A}/receipt"),
    ("n1", f"{A}/other"),
    ("n1", A),
    ("n1", f"{A}/senml/more"),
    ("n1", "sillkeep/field/n1/senml"),
    ("n1", "sillkeep/field/n1/state"),
    ("n1", "sillkeep/field/n3/senml"),
    ("n1", "sillkeep/monitor/state"),
    ("n1", "sillkeep"),
    ("n1", "other/yard/n1/senml"),
    ("n1", "/sillkeep/yard/n1/senml"),
    ("n1", "SILLKEEP/yard/n1/senml"),
    ("n1", "sillkeep/yard/N1/senml"),
    ("n1", "sillkeep/yard//senml"),
    ("n3", f"{A}/senml"),
    ("n3", "sillkeep/yard/n3/senml"),
    ("monitor", f"{A}/senml"),
    ("monitor", f"{A}/state"),
    ("monitor", "sillkeep/other"),
]
NOT_TO_READ = [
    ("n1", "#", f"{B}/senml"),
    ("n1", "#", f"{B}/receipt"),
    ("n1", "#", "other/topic"),
    ("n1", "+/+/+/+", f"{B}/receipt"),
    ("n1", "sillkeep/#", "sillkeep/monitor/state"),
    ("n1", "sillkeep/#", "sillkeep/field/n3/state"),
    ("n1", "sillkeep/+/+/receipt", f"{B}/receipt"),
    ("n1", "sillkeep/+/n1/receipt", "sillkeep/field/n1/receipt"),
    ("n1", f"{A}/#", f"{A}/senml"),
    ("n1", f"{A}/senml", f"{A}/senml"),
    ("n1", f"{A}/state", f"{A}/state"),
    ("n1", f"{B}/senml", f"{B}/senml"),
    ("n1", f"{B}/state", f"{B}/state"),
    ("n1", f"{B}/receipt", f"{B}/receipt"),
    ("n1", "sillkeep/monitor/state", "sillkeep/monitor/state"),
    ("n1", f"$share/g/{B}/receipt", f"{B}/receipt"),
    ("n3", "sillkeep/yard/#", f"{A}/receipt"),
    ("monitor", "#", "other/topic"),
    ("monitor", "sillkeep/#", f"{A}/receipt"),
]


@pytest.mark.parametrize(("user", "topic"), NOT_TO_PUBLISH)
@pytest.mark.parametrize("retain", [False, True])
def test_what_is_published_elsewhere_is_refused_and_reaches_nobody(
    yard: Yard, observer: Client, user: str, topic: str, retain: bool
) -> None:
    wrong, right = payload(), payload()
    allowed = "sillkeep/monitor/state" if user == "monitor" else f"{place_of(user)}/state"
    with yard.client(user) as client:
        assert client.publish(topic, wrong, retain=retain) == NOT_AUTHORIZED
        assert client.publish(allowed, right) == 0
    assert wrong not in observer.until(right)
    if retain:
        with yard.client("later") as later:
            assert later.subscribe(topic) < 0x80
            assert later.subscribe("after") < 0x80
            assert observer.publish("after", right) < 0x80
            assert wrong not in later.until(right)


def place_of(node: str) -> str:
    return f"sillkeep/{'field' if node == 'n3' else 'yard'}/{node}"


@pytest.mark.parametrize(("user", "topic", "bait"), NOT_TO_READ)
def test_what_is_subscribed_elsewhere_brings_nothing(
    yard: Yard, observer: Client, user: str, topic: str, bait: str
) -> None:
    """Mosquitto 2.0.11 grants any filter, and delivers what may be read alone."""
    wrong, right = payload(), payload()
    allowed = f"{A}/state" if user == "monitor" else f"{place_of(user)}/receipt"
    with yard.client(user) as client:
        client.subscribe(topic)
        assert client.subscribe(allowed) < 0x80
        assert observer.publish(bait, wrong) < 0x80
        assert observer.publish(allowed, right) < 0x80
        assert wrong not in client.until(right)
    observer.until(right)


def test_nothing_of_the_broker_itself_is_read(yard: Yard, observer: Client) -> None:
    """$SYS topics are retained: whoever may read one gets it at once."""
    with yard.client("later") as sees:
        sees.subscribe("$SYS/broker/version")
        assert sees.heard.get(timeout=WAIT_S)[0] == "$SYS/broker/version"  # the bait is there
    right = payload()
    with yard.client("n1") as client:
        client.subscribe("$SYS/#")
        client.subscribe(f"{A}/receipt")
        observer.publish(f"{A}/receipt", right)
        assert client.until(right) == [right]


def test_retained_messages_of_others_are_not_handed_out(yard: Yard, observer: Client) -> None:
    kept, right = payload(), payload()
    with yard.client("n2") as other:
        assert other.publish(f"{B}/state", kept, retain=True) == 0
    with yard.client("monitor") as monitor:  # which may
        monitor.subscribe("sillkeep/+/+/state")
        assert kept in monitor.until(kept)
    with yard.client("n1") as client:
        client.subscribe(f"{B}/state")
        client.subscribe("#")
        client.subscribe(f"{A}/receipt")
        observer.publish(f"{A}/receipt", right)
        assert kept not in client.until(right)


@pytest.mark.parametrize(
    ("user", "topic", "is_allowed"),
    [
        ("n1", f"{A}/state", True),
        ("n1", f"{B}/state", False),
        ("n1", f"{B}/senml", False),
        ("n1", f"{A}/receipt", False),
        ("n1", "sillkeep/monitor/state", False),
        ("n1", "sillkeep/field/n1/state", False),
        ("monitor", f"{A}/senml", False),
    ],
)
def test_a_will_is_published_where_its_user_may_and_nowhere_else(
    yard: Yard, observer: Client, user: str, topic: str, is_allowed: bool
) -> None:
    right = payload()
    with yard.client(user, will=topic) as client:
        if client.answer == 0:
            leave = ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")
            client.mqtt.disconnect(reasoncode=leave)
            wait_until(lambda: client.ended)
        else:
            assert not is_allowed
    observer.publish("after", right)
    heard = observer.until(right)
    if topic.encode() in heard:
        assert is_allowed
    else:
        assert not is_allowed


@pytest.mark.parametrize(
    ("user", "password"),
    [
        (None, None),
        ("", ""),
        ("n1", None),
        ("n1", ""),
        ("n1", "wrong"),
        ("n1", "of n2"),
        ("n1", "its hash"),
        ("gone", "of gone"),
        ("nobody", "wrong"),
        ("monitor", "wrong"),
        ("monitor", "of n1"),
        ("N1", "of n1"),
        ("#", "of n1"),
    ],
)
@pytest.mark.parametrize("version", [4, 5])
def test_whoever_is_not_known_is_not_let_in(yard: Yard, user, password, version: int) -> None:
    if password == "its hash":
        lines = (yard.list_folder / accesslist.PASSWD).read_text().splitlines()
        password = next(line.partition(":")[2] for line in lines if line.startswith("n1:"))
    elif password and password.startswith("of "):
        password = yard.secrets[password[3:]]
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(yard.secrets, user or "", password)  # None: none is sent
        with yard.client(user, password, version=version) as client:
            assert client.answer >= 0x80
            wait_until(lambda: client.ended)


def test_there_is_no_door_without_tls(yard: Yard) -> None:
    config = (yard.broker.folder / "mosquitto.conf").read_text()
    listeners = [line for line in config.splitlines() if line.startswith(("listener", "port"))]
    assert listeners == [f"listener {yard.broker.port} 127.0.0.1"]
    with socket.create_connection(("127.0.0.1", yard.broker.port), 5) as plain:
        plain.sendall(b"\x10\x10\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x03abc")
        answer = b""
        with contextlib.suppress(ConnectionError):
            answer = plain.recv(4)
    assert answer[:1] != b"\x20"  # a CONNACK


def test_old_tls_and_a_broker_of_another_authority_are_refused(yard: Yard) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(yard.ca)
    with socket.create_connection(("127.0.0.1", yard.broker.port), 5) as raw:  # sharp: 1.2 is taken
        context.maximum_version = ssl.TLSVersion.TLSv1_2
        with context.wrap_socket(raw, server_hostname="localhost") as taken:
            assert taken.version() == "TLSv1.2"
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.load_verify_locations(yard.ca)
    old.set_ciphers("ALL:@SECLEVEL=0")
    with warnings.catch_warnings(action="ignore"):  # that it is old
        old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
    with (
        socket.create_connection(("127.0.0.1", yard.broker.port), 5) as raw,
        pytest.raises((ssl.SSLError, ConnectionError)),
    ):
        old.wrap_socket(raw, server_hostname="localhost")
    strange = ssl.create_default_context()
    with (
        socket.create_connection(("127.0.0.1", yard.broker.port), 5) as raw,
        pytest.raises(ssl.SSLError),
    ):
        strange.wrap_socket(raw, server_hostname="localhost")


@pytest.mark.parametrize("name", ["monitor", "sillkeep-intake", "n2", "sillkeep-yard-n2"])
def test_no_node_takes_the_place_of_another_by_its_client_id(
    yard: Yard, observer: Client, name: str
) -> None:
    with (
        yard.client("monitor", name="sillkeep-intake") as monitor,
        yard.client("n2", name="sillkeep-yard-n2") as other,
    ):
        monitor.subscribe("sillkeep/+/+/senml")
        other.subscribe(f"{B}/receipt")
        with yard.client("n1", name=name) as thief:
            assert thief.answer == 0
            told, receipt = payload(), payload()
            assert thief.publish(f"{A}/senml", told) == 0
            assert told in monitor.until(told)
            observer.publish(f"{B}/receipt", receipt)
            assert receipt in other.until(receipt)
            assert thief.heard.empty()
        assert monitor.ended == other.ended == []
        wrong = Client(yard, "n2", "wrong", name="sillkeep-yard-n2")
        assert wrong.answer >= 0x80
        wrong.end()
        assert other.ended == []


def test_with_mqtt_3_a_refused_message_is_told_as_taken_and_reaches_nobody(
    yard: Yard, observer: Client
) -> None:
    wrong, right = payload(), payload()
    with yard.client("n1", version=4) as client:
        assert client.publish(f"{B}/senml", wrong) == 0  # why nodes speak MQTT 5
        assert client.publish(f"{A}/senml", right) == 0
    assert wrong not in observer.until(right)


def test_what_a_node_and_the_monitor_need_works(yard: Yard, observer: Client) -> None:
    for node in ("n1", "n2", "n3"):
        own = place_of(node)
        with yard.client("monitor") as monitor, yard.client(node) as client:
            for last in ("senml", "state"):
                assert monitor.subscribe(f"sillkeep/+/+/{last}") < 0x80
            assert client.subscribe(f"{own}/receipt") < 0x80
            for last in ("senml", "state"):
                told = payload()
                assert client.publish(f"{own}/{last}", told) == 0
                assert told in monitor.until(told)
            receipt = payload()
            assert monitor.publish(f"{own}/receipt", receipt) == 0
            assert client.until(receipt) == [receipt]
            assert monitor.publish("sillkeep/monitor/state", receipt) == 0


# --- the files ------------------------------------------------------------------------------------


def test_hashes_are_those_that_mosquitto_writes(tmp_path: Path) -> None:
    """Against lines of `mosquitto_passwd` itself."""
    if PASSWD is None:
        pytest.skip("mosquitto is not installed")
    for secret in ("a", "pass word", "Grüße-€", "x" * 64):
        subprocess.run([PASSWD, "-c", "-b", tmp_path / "p", "u", secret], check=True)
        kept = (tmp_path / "p").read_text().strip().partition(":")[2]
        assert nodekeys.matches(kept, secret)
        assert not nodekeys.matches(kept, secret + "x")
        assert len(kept) == len(nodekeys.hashed(secret))
        assert nodekeys.matches(nodekeys.hashed(secret), secret)
    for broken in ("", "$7$", "$6$101$AA==$AA==", "$7$x$AA==$AA==", "$7$101$?$AA=="):
        assert not nodekeys.matches(broken, "a")


def test_the_files_are_for_few_eyes_hold_no_secret_and_are_written_when_something_changed(
    yard: Yard,
) -> None:
    files = [yard.list_folder / name for name in (accesslist.PASSWD, accesslist.ACL)]
    for path in files:
        assert stat.S_IMODE(path.stat().st_mode) & 0o027 == 0
        assert not any(secret in path.read_text() for secret in yard.secrets.values())
    before = [path.stat().st_ino for path in files]
    assert "up to date" in yard.command("broker", "files")
    assert [path.stat().st_ino for path in files] == before
    listed = files[1].read_text()
    assert "user gone" not in listed
    assert "+/%u" not in listed
    nodes = [line for line in listed.splitlines() if "/n" in line]
    assert nodes
    assert not any(mark in line for line in nodes for mark in "+#%")


def test_a_name_that_is_there_twice_or_no_name_stops_the_list() -> None:
    kept = nodekeys.hashed("x")
    for site, node in (("yard", "monitor"), ("yard", "a b"), ("ya/rd", "n"), ("yard", "n\nuser x")):
        with pytest.raises(ConfigError):
            accesslist.compose([(site, node, kept)], ("monitor", kept), "sillkeep", [])
    with pytest.raises(ConfigError):
        accesslist.compose([], ("monitor", kept), "sillkeep", ["a\nuser n1\ntopic write b"])


def test_a_picture_of_a_claim_is_for_its_owners_eyes_also_over_another(
    yard: Yard, tmp_path: Path
) -> None:
    picture = tmp_path / "claim.svg"
    picture.touch(mode=0o644)
    yard.command("node", "add", "drawn", "--site", "yard", "--qr", str(picture))
    assert "<svg" in picture.read_text()
    assert stat.S_IMODE(picture.stat().st_mode) == 0o600


def test_a_label_says_what_and_where_and_has_the_claim_and_is_for_few_eyes(
    yard: Yard, tmp_path: Path
) -> None:
    label = tmp_path / "n.pdf"
    label.touch(mode=0o644)
    at_zone = ("--unit", "u1", "--zone", "bath-low")
    said = yard.command(
        "node", "add", "labelled", "--site", "yard", *at_zone, "--label", str(label)
    )
    [page] = PdfReader(label).pages
    assert float(page.mediabox.width) / 72 * 25.4 == pytest.approx(62, abs=0.1)
    lines = page.extract_text().splitlines()
    assert lines[:3] == ["labelled", "site yard", "unit u1, zone bath-low, probe p1"]
    assert claim_in(said) in "".join(lines)
    assert "only this machine reaches the address on the label" in said
    assert "Good once, until 20" in "".join(lines)
    assert stat.S_IMODE(label.stat().st_mode) == 0o600
    again = tmp_path / "again.svg"
    yard.command("node", "renew", "labelled", "--label", str(again))
    assert again.read_text().startswith("<svg")
    assert "is a .pdf" in yard.command(
        "node", "renew", "labelled", "--label", str(tmp_path / "n.doc"), code=2
    )


@pytest.mark.parametrize("again", [False, True])
def test_what_no_label_can_be_drawn_of_gets_no_claim_and_no_file(
    again: bool, yard: Yard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_zone = ("--unit", "u1", "--zone", "bath-low")
    shown: list[bytes] = []

    def breaks(_: str, sources: dict[str, bytes], **__: object) -> bytes:
        shown.append(sources["label.json"])
        raise InputError("the document cannot be set: a text in it has signs that break it")

    node = f"odd-{again}".lower()
    words = ["node", "add", node, "--site", "yard", *at_zone]
    if again:
        yard.command(*words)
        words = ["node", "renew", node]
    with open_record(yard.home) as record:
        before = record.node_access(now_s=int(time.time()))
    monkeypatch.setattr("monitor.reports.label.typeset", breaks)
    said = yard.command(*words, "--label", str(tmp_path / "odd.pdf"), code=2)
    assert "cannot be set" in said
    [data] = shown
    assert b"unit u1, zone bath-low, probe p1" in data  # where it is about to be, too
    assert list(tmp_path.glob("odd*")) == []
    with open_record(yard.home) as record:
        assert record.node_access(now_s=int(time.time())) == before


def test_by_hand_nothing_is_added_under_a_name_of_ours(yard: Yard) -> None:
    own = yard.list_folder / accesslist.OWN_ACL
    before = own.read_text()
    try:
        own.write_text(before + "user n1\ntopic readwrite #\n")
        assert '"n1"' in yard.command("broker", "files", code=2)
    finally:
        own.write_text(before)


def test_a_fault_in_what_was_written_by_hand_stops_no_revocation(
    yard: Yard, observer: Client
) -> None:
    passwd, acl = (yard.list_folder / name for name in (accesslist.OWN_PASSWD, accesslist.OWN_ACL))
    before = passwd.read_text(), acl.read_text()
    yard.claimed("lost")
    try:
        acl.write_text(before[1] + "user lost\ntopic readwrite #\nuser other\ntopic read its/own\n")
        assert '"lost"' in yard.command("broker", "files", code=2)
        listed = (yard.list_folder / accesslist.ACL).read_text()
        assert listed.count("user lost\n") == 1  # ours alone
        assert "user other\ntopic read its/own\n" in listed
        yard.command("node", "revoke", "lost", "--why", "stolen")
        assert "lost:" not in (yard.list_folder / accesslist.PASSWD).read_text()
        assert '"lost"' in yard.command("node", "add", "lost", "--site", "yard", code=2)
    finally:
        passwd.write_text(before[0])
        acl.write_text(before[1])
        yard.command("broker", "files")


def test_what_was_written_by_hand_widens_nothing_for_our_nodes(
    yard: Yard, observer: Client
) -> None:
    own = yard.list_folder / accesslist.OWN_ACL
    before = own.read_text()
    try:  # and its last line has no end
        own.write_text(
            before + "pattern readwrite #\n  pattern write %u\nuser last\ntopic read x/y"
        )
        assert '"pattern"' in yard.command("broker", "files", code=2)
        yard.reload()
        assert yard.broker.process is not None
        with yard.client("n1") as client:
            assert client.answer == 0
            assert client.publish("sillkeep/yard/n2/senml", b"x") == NOT_AUTHORIZED
            assert client.publish("sillkeep/yard/n1/senml", b"x") < 0x80
        assert "topic read x/y\n" in (yard.list_folder / accesslist.ACL).read_text()
    finally:
        own.write_text(before)
        yard.command("broker", "files")
        yard.reload()


# --- from the claim to the reading ----------------------------------------------------------------


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Yard]:
    """A yard of its own, with board, intake and watch as processes."""
    pages = unused_port()
    made = make_yard(tmp_path, pages=pages)
    log = (tmp_path / "log").open("ab")
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", "from monitor.cli import main; main()", part],
            cwd=ROOT,
            env=dict(os.environ) | {"SILLKEEP_HOME": str(made.home)},
            stdout=log,
            stderr=log,
        )
        for part in ("pages", "intake")
    ]
    try:
        wait_until(lambda: is_open(pages) or processes[0].poll() is not None)
        assert processes[0].poll() is None, (tmp_path / "log").read_text()
        yield made
    finally:
        for process in processes:
            process.terminate()
            process.wait(10)
        made.broker.stop()
        log.close()


def readings(home: Path) -> list[int]:
    with open_record(home, read_only=True) as record:
        return sorted(sample.at_s for sample in record.latest())


@contextlib.contextmanager
def running(to: Path, *, sample_s: int) -> Iterator[None]:
    """A node by its node.toml: `sensors.node` with its outbox, over TLS; one sample a call."""
    from sensors.gateway import _node, read_settings
    from sensors.wire import Reading

    node, _ = _node(read_settings(to), to.parent, first_boot=1)
    node.add([[Reading(site="yard", node=node.node, probe="p1", at_s=sample_s, temperature_c=9.0)]])
    try:
        yield node
    finally:
        node.close()


def deliver(to: Path, *, sample_s: int, until, seconds: float = 30.0) -> bool:
    """Whether what must come true comes true while the node runs."""
    end = time.monotonic() + seconds
    with running(to, sample_s=sample_s) as node:
        while not until() and time.monotonic() < end:
            node.step(time.monotonic(), 0.1)
        return bool(until())


def answered(url: str, *, data: bytes | None = b"{}") -> int:
    asked = urllib.request.Request(url, data=data, headers={"Content-Type": "application/json"})
    try:
        return urllib.request.urlopen(asked, timeout=10).status
    except urllib.error.HTTPError as error:
        return error.code


def test_from_the_claim_to_the_reading_and_to_the_end_of_it(own: Yard, tmp_path: Path) -> None:
    to = tmp_path / "n9" / "node.toml"
    url = claim_in(own.command("node", "add", "n9", "--site", "yard", "--unit", "u1", "--zone", "bath-low"))  # fmt: skip
    assert "claim waits until" in own.command("node", "list")
    assert answered(url, data=None) == 200  # a look uses nothing up
    own.command("node", "claim", url, "--to", str(to))
    assert answered(url) == answered(url, data=None) == 410
    secret = (to.parent / "n9.password").read_text().strip()
    assert len(secret) >= 32
    assert stat.S_IMODE((to.parent / "n9.password").stat().st_mode) == 0o600
    with to.open("a") as file:
        file.write('[[probe]]\ncode = "p1"\nkind = "sht4x"\n')
    own.reload()
    now_s = int(time.time()) - 100
    assert deliver(to, sample_s=now_s, until=lambda: readings(own.home) == [now_s])
    assert "claimed 2" in own.command("node", "list")
    for path in own.home.rglob("*"):  # neither the secret nor the claim is anywhere
        if path.is_file():
            held = path.read_bytes()
            assert secret.encode() not in held, path
            assert url.rpartition("/")[2].encode() not in held, path

    # renewed: the credential before goes on until the claim is exchanged
    again = claim_in(own.command("node", "renew", "n9"))
    own.reload()
    assert deliver(to, sample_s=now_s + 1, until=lambda: readings(own.home) == [now_s + 1])
    own.command("node", "claim", again, "--to", str(to))
    own.reload()
    own.secrets["n9"] = secret
    with own.client("n9") as former:
        assert former.answer >= 0x80
    assert (to.parent / "n9.password").read_text().strip() != secret
    assert deliver(to, sample_s=now_s + 2, until=lambda: readings(own.home) == [now_s + 2])

    # revoked, while it is connected
    own.secrets["n9"] = (to.parent / "n9.password").read_text().strip()
    with own.client("n9") as client, own.client("observer") as sees:
        sees.subscribe("#")
        own.command("node", "revoke", "n9", "--why", "stolen")
        own.reload()
        wait_until(lambda: client.ended)  # mosquitto 2.0.11 ends its connection
        client.mqtt.publish("sillkeep/yard/n9/senml", b"late", 1)
        sees.publish("after", b"end")
        assert b"late" not in sees.until(b"end")
    assert not deliver(
        to, sample_s=now_s + 3, until=lambda: readings(own.home) != [now_s + 2], seconds=5
    )
    assert "ended" in (listed := own.command("node", "list"))
    assert "stolen" in listed
    with open_record(own.home, read_only=True) as record:
        from monitor.store import users

        acts = [entry.act for entry in reversed(users.log(record.engine, limit=50))]
        assert users.is_log_whole(record.engine)
    assert acts == ["node claim made", "node claimed", "node claim refused", "node claim made",
                    "node claimed", "node revoked"]  # fmt: skip


def test_a_unit_that_is_sold_takes_its_nodes_credentials_along(yard: Yard) -> None:
    yard.claimed("s1", "--unit", "u2", "--zone", "bath-low")
    yard.claimed("s2", "--unit", "u2", "--zone", "bath-low")
    with open_record(yard.home) as record:  # one probe of s2 watches another unit
        both = Placement("s2", "p2", "yard", "u1", "bath-low", 5)
        record.place(both, recorded_s=5, who="test")
    yard.reload()
    with yard.client("s1") as client, yard.client("s2") as stays:
        assert client.answer == stays.answer == 0
        said = yard.command("unit", "sell", "u2", "--who", "test")
        assert "Credentials of s1 at this broker are ended" in said
        yard.reload()
        wait_until(lambda: client.ended)
        assert stays.publish("sillkeep/yard/s2/senml", b"x") < 0x80
        assert stays.ended == []
    with yard.client("s1") as again:
        assert again.answer >= 0x80
    assert "has a credential already" in yard.command("node", "add", "s2", "--site", "yard", code=2)
    yard.claimed("s1")  # the same name in another home, or here again
    yard.reload()
    with yard.client("s1") as again:
        assert again.answer == 0


def test_claims_are_void_after_a_day_after_another_and_after_the_end(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        record.add_site(Site("field"))
        first = record.offer_node("yard", "n1", by=BY)
        second = record.offer_node("yard", "n1", by=BY)
        late = NOW_S + nodekeys.CLAIM_S
        assert record.take_claim(first, at_s=NOW_S, address="") is None
        assert record.take_claim(second, at_s=late, address="") is None
        assert record.look_at_claim(second, now_s=late) is None
        assert record.take_claim("", at_s=NOW_S, address="") is None
        assert record.take_claim(second, at_s=late - 1, address="") is not None
        assert record.take_claim(second, at_s=late - 1, address="") is None
        third = record.offer_node("yard", "n1", renew=True, now=True, by=BY)
        assert record.node_hashes() == []  # --now: ended at once
        record.revoke_node("yard", "n1", why="lost", by=BY)
        assert record.take_claim(third, at_s=NOW_S, address="") is None
        assert json.dumps(record.node_hashes()) == "[]"
        record.offer_node("field", "n1", by=BY)  # a name that is free again
        from monitor.errors import InputError

        for site, node, renew in (("yard", "n1", False), ("yard", "n2", True), ("no", "n3", False),
                                  ("yard", "N 1", False), ("yard", "../x", False)):  # fmt: skip
            with pytest.raises(InputError):
                record.offer_node(site, node, renew=renew, by=BY)


def test_a_restored_backup_brings_no_revoked_node_and_no_used_claim_back(
    yard: Yard, tmp_path: Path
) -> None:
    home, now_s = tmp_path / "home", int(time.time())
    home.mkdir()
    (home / "ca.crt").write_bytes(yard.ca.read_bytes())
    settings_of(home, yard.broker.port)
    there = Yard(home, yard.broker, home / "ca.crt")
    with open_record(home) as record:
        record.add_site(Site("yard"))
    for node in ("stays", "stolen", "renewed"):
        there.claimed(node)
    waiting = claim_in(there.command("node", "add", "new", "--site", "yard")).rpartition("/")[2]
    unused = claim_in(there.command("node", "add", "never", "--site", "yard")).rpartition("/")[2]
    cookie = session(home, now_s=now_s)
    there.command("backup", str(copy := tmp_path / "copy.sqlite"))
    with open_record(home) as record:
        who = users.visitor(record.engine, cookie, now_s=now_s)
        assert who is not None
        users.end(record.engine, who, by=BY)
    there.command("node", "revoke", "stolen", "--why", "stolen")
    again = claim_in(there.command("node", "renew", "renewed")).rpartition("/")[2]
    with open_record(home) as record:
        assert record.take_claim(again, at_s=now_s, address="")
        assert record.take_claim(waiting, at_s=now_s, address="")
        newest = record.node_hashes()
    there.claimed("unknown")
    said = there.command("restore", str(copy))
    assert "refused at the broker: yard/unknown" in said
    assert "everybody signs in anew" in said
    with open_record(home) as record:
        assert users.visitor(record.engine, cookie, now_s=now_s) is None
        assert record.node_hashes() == newest
        assert record.take_claim(waiting, at_s=now_s, address="") is None
        assert record.take_claim(unused, at_s=now_s, address="")  # it waits in both
    listed = (there.list_folder / accesslist.PASSWD).read_text()
    assert "stolen:" not in listed
    assert "stays:" in listed

    # on another machine nobody knows what was ended since: claims are void, and it says so
    (home / "record.sqlite").unlink()
    done = CliRunner().invoke(app, ["restore", str(copy)], env={"SILLKEEP_HOME": str(home)})
    assert done.exit_code == 0
    assert "may send: yard/renewed, yard/stays, yard/stolen" in done.output
    with open_record(home) as record:
        assert record.take_claim(unused, at_s=now_s, address="") is None


def test_a_clock_that_is_set_back_makes_no_claim_last_longer(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record.add_site(Site("yard"))
        token = record.offer_node("yard", "n1", by=BY)
        a_week_s = 7 * 86_400
        assert record.take_claim(token, at_s=NOW_S - a_week_s, address="") is None
        assert record.look_at_claim(token, now_s=NOW_S - a_week_s) is None
        assert record.take_claim(token, at_s=NOW_S - 60, address="") is not None
