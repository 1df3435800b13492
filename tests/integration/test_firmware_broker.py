"""The board's firmware against a real broker with TLS and access list, and the real intake."""

import base64
import contextlib
import datetime as dt
import os
import shutil
import signal
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from paho.mqtt.enums import CallbackAPIVersion

from tests.boards import (
    SimulatedBoard,
    being_set_up,
    in_micropython,
    needs_micropython,
    sent,
)
from tests.conftest import MOSQUITTO, RunningBroker, unused_port

pytestmark = [pytest.mark.broker, needs_micropython]

PASSWORD = "password-of-the-node"  # of the tests
PASSWD = shutil.which("mosquitto_passwd", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
ACL = """pattern write sillkeep/+/%u/senml
pattern write sillkeep/+/%u/state
pattern read sillkeep/+/%u/receipt
"""
EVERY_S = 900


@dataclass
class Authority:
    """Signs certificates of brokers."""

    name: str

    def __post_init__(self) -> None:
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.certificate = signed(self.name, self.key, self.name, self.key, is_authority=True)

    @property
    def der(self) -> bytes:
        return self.certificate.public_bytes(serialization.Encoding.DER)

    def write(self, folder: Path, host: str) -> None:
        """Certificate and key of a broker of that name."""
        key = ec.generate_private_key(ec.SECP256R1())
        certificate = signed(host, key, self.name, self.key, is_authority=False)
        (folder / "server.crt").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        (folder / "server.key").write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )


def signed(
    name: str,
    key: ec.EllipticCurvePrivateKey,
    issuer: str,
    issuer_key: ec.EllipticCurvePrivateKey,
    *,
    is_authority: bool,
) -> x509.Certificate:
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
        .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=30))
        .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
    )
    if not is_authority:
        made = made.add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
    return made.sign(issuer_key, hashes.SHA256())


AUTHORITY = Authority("Authority of the tests")


@dataclass
class Line:
    """A broker with a port for boards (TLS, passwords, access list) and one for the monitor."""

    broker: RunningBroker
    tls_port: int


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    if MOSQUITTO is None or PASSWD is None:
        pytest.skip("mosquitto is not installed")
    folder = tmp_path / "broker"
    folder.mkdir()
    AUTHORITY.write(folder, "localhost")
    (folder / "acl").write_text(ACL)
    subprocess.run([PASSWD, "-c", "-b", folder / "passwd", "n1", PASSWORD], check=True)
    port, tls_port = unused_port(), unused_port()
    (folder / "mosquitto.conf").write_text(
        f"per_listener_settings true\nlistener {port} 127.0.0.1\nallow_anonymous true\n"
        f"listener {tls_port} 127.0.0.1\ncertfile {folder}/server.crt\n"
        f"keyfile {folder}/server.key\nallow_anonymous false\npassword_file {folder}/passwd\n"
        f"acl_file {folder}/acl\nuse_username_as_clientid true\n"
        + ("user root\n" if os.getuid() == 0 else "")
    )
    command = [MOSQUITTO, "-c", str(folder / "mosquitto.conf")]
    broker = RunningBroker(port, command, folder)
    broker.start()
    yield Line(broker, tls_port)
    broker.stop()


def board_of(tmp_path: Path, port: int, **other: object) -> SimulatedBoard:
    settings: dict[str, object] = {
        "wifi_name": "yard",
        "wifi_password": "not used here",
        "host": "localhost",
        "port": port,
        "prefix": "sillkeep",
        "site": "yard",
        "node": "n1",
        "password": PASSWORD,
        "ca": base64.b64encode(AUTHORITY.der).decode(),
        "every_s": EVERY_S,
        "send_each": 4,
        "awake_s": 30,
        "full_mv": 0,
        "empty_mv": 0,
    }
    return SimulatedBoard(tmp_path / "board", settings | other)


@pytest.fixture
def taker(line: Line, intake: Any, until: Callable[..., None]) -> Any:
    one = intake(line.broker.port)
    one.start()
    until(one.is_connected)
    return one


ROWS = (
    "select boot, seq, at_s, uptime_s, temperature_c100, humidity_p100, battery_p, signal_dbm,"
    " silence_s, disputed from reading order by boot, seq"
)


def test_what_the_fake_sensor_measured_is_in_the_record(tmp_path, line, taker):
    board = board_of(tmp_path, line.tls_port, full_mv=4200, empty_mv=3200)
    (first,) = board.wake(1000, battery_mv=3700)
    assert first["said"] == []
    assert (first["blinks"], first["slept"]) == ([1], EVERY_S)
    ((boot, seq, at_s, uptime_s, *measured),) = taker.ask(ROWS)
    assert (seq, uptime_s) == (0, None)  # it came with a time: the monitor's own
    assert at_s == pytest.approx(time.time(), abs=60)
    assert measured == [1142, 7860, 50, None, 5 * EVERY_S + 72, None]  # 2 % of 3600 s for its clock
    assert boot >= 65536
    assert board.live() == []
    assert list((board.flash / "ring").glob("*.seg")) == []


def test_a_board_that_was_set_up_by_its_form_sends(tmp_path, line, taker):
    board = board_of(tmp_path, line.tls_port)
    (board.flash / "settings.json").unlink()
    pem = AUTHORITY.certificate.public_bytes(serialization.Encoding.PEM).decode()
    form = {"wifi_name": "yard", "host": "localhost", "port": str(line.tls_port), "site": "yard"}
    form |= {"node": "n1", "password": PASSWORD, "ca": pem.replace("\n", "\r\n"), "send_each": "4"}
    with being_set_up(board.flash) as (address, _):
        assert sent(address, form)[0] == 200
    assert board.wake(0)[0]["said"] == []
    assert taker.stored() == 1


def test_samples_between_two_uploads_get_their_times_from_both(tmp_path, line, taker):
    """The board's clock runs 1 % fast, as one in deep sleep may: only the monitor's counts."""
    board = board_of(tmp_path, line.tls_port)
    assert board.wake(0)[0]["said"] == []
    began = taker.ask(ROWS)[0][2]
    # the next upload happens 4 wakes later by the board; for the monitor, only moments have passed
    for said in board.wake(*(EVERY_S * each for each in range(1, 5))):
        assert said["said"] == []
    rows = taker.ask(ROWS)
    assert [row[1] for row in rows] == [0, 1, 2, 3, 4]
    times = [row[2] for row in rows]
    assert times == sorted(times)  # on the line between both ends
    assert times[0] == began
    assert [row[3] for row in rows] == [None, 900, 1800, 2700, None]
    assert [row[7] for row in rows] == [None, -71, None, None, None]  # told once, by the next one
    assert taker.ask("select count(*) from reject") == [(0,)]


def test_a_broker_that_was_away_for_a_day_gets_all_of_it(tmp_path, line, taker, until):
    board = board_of(tmp_path, line.tls_port)
    line.broker.stop()
    day = board.wake(*range(0, 86400, EVERY_S), seconds=200)
    tries = [each for each in day if each["said"]]
    assert all("ECONNREFUSED" in each["said"][0] for each in tries)
    assert 96 / 5 <= len(tries) <= 60  # rarer and rarer, but at most `send_each` wakes apart
    assert taker.stored() == 0
    until(lambda: not taker.is_connected())
    line.broker.start()
    until(taker.is_connected)
    again = board.wake(*range(86400, 86400 + 5 * EVERY_S, EVERY_S))
    assert [each["said"] for each in again if each["said"]] == []
    rows = taker.ask(ROWS)
    seqs = [row[1] for row in rows]
    assert seqs == list(range(len(rows)))
    assert len(rows) >= 97
    assert {row[0] for row in rows} == {rows[0][0]}
    assert len(board.live()) == 101 - len(rows)


def test_a_power_cut_in_between_begins_a_new_boot_and_loses_nothing(tmp_path, line, taker):
    board = board_of(tmp_path, line.tls_port)
    board.wake(0, 900, 1800)
    board.power_cut()
    assert board.wake(0, 900)[0]["said"] == []
    rows = taker.ask(ROWS)
    assert [row[1] for row in rows] == [0, 1, 2, 0]
    assert rows[3][0] == rows[0][0] + 1
    assert [row[1] for row in board.live()] == [1]  # not due yet


def test_a_lost_receipt_brings_the_samples_again_and_they_are_in_the_record_once(
    tmp_path, line, taker, until
):
    board = board_of(tmp_path, line.tls_port)
    board.wake(0)
    board.receipt_ms = 4000
    (line.broker.folder / "acl").write_text(ACL.replace("pattern read", "# pattern read"))
    assert line.broker.process is not None
    line.broker.process.send_signal(signal.SIGHUP)  # receipts are no longer passed on
    said = board.wake(*(EVERY_S * each for each in range(1, 5)), seconds=120)
    assert "no receipt" in said[-1]["said"][0]
    until(lambda: taker.stored() == 2)  # the newest went first, and is in the record all the same
    assert [row[1] for row in board.live()] == [1, 2, 3, 4]
    (line.broker.folder / "acl").write_text(ACL)
    line.broker.process.send_signal(signal.SIGHUP)
    board.wake(*(EVERY_S * each for each in range(5, 10)), seconds=120)
    rows = taker.ask(ROWS)
    assert [row[1] for row in rows] == list(range(len(rows)))
    assert len(rows) >= 6
    assert [row[9] for row in rows] == [None] * len(rows)  # none is disputed


def test_a_broker_of_another_authority_gets_nothing(tmp_path, line, taker):
    other = Authority("Another authority")
    board = board_of(tmp_path, line.tls_port, ca=base64.b64encode(other.der).decode())
    (said,) = board.wake(0)
    assert "not correctly signed by the trusted CA" in said["said"][0]
    assert said["blinks"] == [5]
    assert len(board.live()) == 1
    assert taker.stored() == 0


def test_a_broker_of_another_name_gets_nothing(tmp_path, line, taker):
    board = board_of(tmp_path, line.tls_port, host="127.0.0.1")
    (said,) = board.wake(0)
    assert "Common Name" in said["said"][0]
    assert taker.stored() == 0


def test_what_the_access_list_refuses_is_said_and_kept(tmp_path, line, taker):
    board = board_of(tmp_path, line.tls_port, node="n2")
    assert "refuses the connection: reason 0x87" in board.wake(0)[0]["said"][0]
    assert len(board.live()) == 1


def test_a_ring_of_two_months_is_sent_in_a_few_wakes_with_a_boards_memory(tmp_path, line, taker):
    board = board_of(tmp_path, line.tls_port, send_each=1)
    fill = f"""
import files, ring
files.make_folder({str(board.flash / "ring")!r})
one = ring.Ring({str(board.flash / "ring")!r})
for seq in range(6000):
    one.append(70000, seq, 900 * seq, (1142, 7860, 2000, 5000), 83, 0)
found = len(one._numbers())
"""
    assert in_micropython(fill) == 47
    wakes = 0
    while board.live() or not wakes:
        (said,) = board.wake(EVERY_S * wakes, seconds=120)
        wakes += 1
        assert wakes < 5, said
    assert taker.stored() == 12000 + wakes
    assert taker.ask("select count(*) from reading where disputed is not null") == [(0,)]


def test_a_full_ring_drops_the_oldest_and_both_ends_say_so(tmp_path, line, taker, until):
    board = board_of(tmp_path, line.tls_port)
    board.ring = (4, 3)
    board.wake(*(EVERY_S * each for each in range(20)), wifi=False)
    assert [row[1] for row in board.live()] == list(range(8, 20))
    states: list[bytes] = []
    heard = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    heard.on_connect = lambda client, *_: client.subscribe("sillkeep/yard/n1/state", qos=1)
    heard.on_message = lambda _client, _userdata, message: states.append(message.payload)
    heard.connect("127.0.0.1", line.broker.port)
    heard.loop_start()
    board.wake(*(EVERY_S * each for each in range(20, 25)))
    rows = taker.ask(ROWS)
    first = rows[0][1]
    assert first in {8, 12, 16}  # a file of four went with the 20th sample, unless that was sent
    assert [row[1] for row in rows] == list(range(first, first + len(rows)))
    assert taker.ask("select missing from receipt") == [(f"[[0, {first - 1}]]",)]
    until(lambda: f'"dropped": {first}'.encode() in states[-1])
    assert b'"offline"' in states[-1]
    heard.loop_stop()


@contextlib.contextmanager
def silent_server(folder: Path, *, speaks_tls: bool) -> Iterator[int]:
    """A port that takes connections, and TLS if told, and then says nothing."""
    AUTHORITY.write(folder, "localhost")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "server.crt", folder / "server.key")
    held: list[socket.socket] = []
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()

        def take() -> None:
            with contextlib.suppress(OSError):
                while True:
                    one = listener.accept()[0]
                    held.append(context.wrap_socket(one, server_side=True) if speaks_tls else one)

        thread = threading.Thread(target=take, daemon=True)
        thread.start()
        yield int(listener.getsockname()[1])
        listener.shutdown(socket.SHUT_RDWR)
    thread.join(10)
    for one in held:
        one.close()


@pytest.mark.parametrize("speaks_tls", [False, True])
def test_a_broker_that_says_nothing_cannot_keep_the_board_awake(tmp_path, speaks_tls):
    with silent_server(tmp_path, speaks_tls=speaks_tls) as port:
        board = board_of(tmp_path, port, awake_s=3)
        began_s = time.monotonic()
        (said,) = board.wake(0)
        assert time.monotonic() - began_s < 10
    assert "not all was sent" in said["said"][0]
    assert len(board.live()) == 1
