"""The board's firmware on MicroPython's unix port: sensor, ring, wire, boots, set-up; no broker."""

import json
import re
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from sensors.node import _covers
from sensors.wire import Reading, Receipt, decode, encode_receipt
from tests.boards import (
    FIRMWARE,
    ROOT,
    SIMULATED,
    SimulatedBoard,
    being_set_up,
    in_micropython,
    micropython,
    needs_micropython,
    sent,
)

pytestmark = needs_micropython

NOTHING = -32768
NOW_S = 1_900_000_000
SETTINGS: dict[str, object] = {
    "wifi_name": "yard",
    "wifi_password": "eight or more",
    "host": "localhost",
    "port": 1,
    "prefix": "sillkeep",
    "site": "yard",
    "node": "n1",
    "password": "password-of-the-node",
    "ca": "MAA=",
    "every_s": 900,
    "send_each": 24,
    "awake_s": 20,
    "full_mv": 0,
    "empty_mv": 0,
}


def test_every_file_is_micropython_and_nothing_of_the_monitor_imports_one() -> None:
    paths = sorted(FIRMWARE.glob("*.py"))
    on_board = [path for path in paths if path.name != "battery.py"]
    assert len(on_board) >= 10
    code = "\n".join(f"compile(open({str(path)!r}).read(), 'x', 'exec')" for path in on_board)
    assert in_micropython(f"{code}\nfound = 1") == 1
    for folder in ("monitor", "dashboards", "demo"):
        for path in (ROOT / folder).rglob("*.py"):
            text = path.read_text(encoding="utf-8")
            assert not re.search(r"sensors[./]firmware|from sensors import firmware", text), path


# --- the sensor -----------------------------------------------------------------------------------


def test_the_checksum_is_that_of_the_data_sheet() -> None:
    """SHT4x data sheet, checksum calculation: 0xBEEF gives 0x92."""
    assert in_micropython("import sht4x; found = sht4x.crc8(b'\\xbe\\xef')") == 0x92


def test_ticks_become_hundredths_as_in_the_data_sheet() -> None:
    """SHT4x data sheet, conversion of signal output: -45 + 175 S/65535 and -6 + 125 S/65535."""
    ticks = [*range(0, 65536, 251), 65535]
    found = in_micropython(
        f"import sht4x; found = [(sht4x.temperature_c100(t), sht4x.humidity_p100(t)) for t in {ticks}]"
    )
    for tick, (temperature, humidity) in zip(ticks, found, strict=True):
        assert temperature == pytest.approx(100 * (-45 + 175 * tick / 65535), abs=0.5001)
        exact = 100 * (-6 + 125 * tick / 65535)
        assert humidity == (0 if -200 <= round(exact) < 0 else pytest.approx(exact, abs=0.5001))
    assert found[-1] == [13000, 11900]


@pytest.mark.parametrize(("wrong", "expected"), [(1, "[1142, 7860]"), (2, "wrong checksum")])
def test_a_wrong_checksum_is_measured_again_and_then_said(wrong: int, expected: str) -> None:
    code = f"""
import fake_board, sht4x
i2c = fake_board.FakeI2c({{0x44: (11.42, 78.6)}})
given = i2c.readfrom
left = [{wrong}]
def readfrom(address, count):
    data = given(address, count)
    if left[0]:
        left[0] -= 1
        data = data[:5] + bytes([data[5] ^ 1])
    return data
i2c.readfrom = readfrom
try:
    found = str(list(sht4x.measure(i2c, 0x44)))
except sht4x.SensorError as error:
    found = str(error)
"""
    assert expected in in_micropython(code)


# --- the wire -------------------------------------------------------------------------------------


def packed(samples: list[Any], *, boot: int, uptime_s: int, **settings: object) -> bytes:
    of = {"site": "yard", "node": "n1", "silence_s": 22500} | settings
    code = f"""
import wire
pack = wire.Pack(bytearray(4096), {of}, {boot}, {uptime_s})
assert all(pack.add(sample) for sample in {samples})
found = bytes(pack.payload()).decode()
"""
    return str(in_micropython(code)).encode()


def test_the_monitor_reads_the_boards_pack() -> None:
    samples = [
        (65537, 9, 86000, (1142, 7860, -5, 10012), 83, -71),
        (65537, 8, 85100, (-1205, 0, NOTHING, NOTHING), 255, 0),
        (65536, 3, 85100, (2000, 5000, NOTHING, NOTHING), 255, 0),
        (65536, 2, 0, (NOTHING, NOTHING, 2000, 5000), 255, 0),
    ]
    pack = packed(samples, boot=65537, uptime_s=86003)
    readings, rejects = decode("sillkeep/yard/n1/senml", pack, received_s=NOW_S)
    assert rejects == []
    here = {"site": "yard", "node": "n1", "silence_s": 22500}
    of_9 = here | {"boot": 65537, "seq": 9, "at_s": NOW_S - 3, "uptime_s": 86000}
    of_9 |= {"battery_percent": 83, "signal_dbm": -71}
    assert readings == [
        Reading(probe="p1", temperature_c=11.42, humidity_percent=78.6, **of_9),
        Reading(probe="p2", temperature_c=-0.05, humidity_percent=100.12, **of_9),
        Reading(
            temperature_c=-12.05, humidity_percent=0, boot=65537, seq=8, uptime_s=85100, **here
        ),
        Reading(temperature_c=20, humidity_percent=50, boot=65536, seq=3, uptime_s=85100, **here),
        Reading(
            probe="p2",
            temperature_c=20,
            humidity_percent=50,
            boot=65536,
            seq=2,
            uptime_s=0,
            **here,
        ),
    ]


def test_a_pack_takes_what_fits_and_is_whole() -> None:
    code = """
import wire
of = {"site": "yard", "node": "n1", "silence_s": 22500}
found = []
for size in range(1500, 1900, 7):
    pack = wire.Pack(bytearray(size), of, 70000, 10**6)
    seq = 0
    while pack.add((70000, seq, 900, (-1205, 10012, 2000, 5000), 83, -71)):
        seq += 1
    found.append((size, seq, pack.keys, bytes(pack.payload()).decode()))
"""
    for size, count, keys, payload in in_micropython(code, heap="2M"):
        assert 3 <= count <= 4
        assert keys == [[70000, seq] for seq in range(count)]
        assert len(payload) <= size
        readings, rejects = decode("sillkeep/yard/n1/senml", payload.encode(), received_s=NOW_S)
        assert rejects == []
        assert [(each.seq, each.uptime_s) for each in readings] == [
            (seq, 900) for seq in range(count) for _ in "pp"
        ]


def test_a_node_that_is_an_address_names_itself_as_such() -> None:
    samples = [(1, 0, 5, (2000, 5000, NOTHING, NOTHING), 255, 0)]
    pack = packed(samples, boot=1, uptime_s=5, node="02005e10a4c3")
    assert b'"bn":"urn:dev:mac:02005e10a4c3:"' in pack
    topic = "sillkeep/yard/02005e10a4c3/senml"
    readings, rejects = decode(topic, pack, received_s=NOW_S)
    assert (len(readings), rejects) == (1, [])


@pytest.mark.parametrize(
    "receipt",
    [
        Receipt(boot=17, seq=10, utc=NOW_S),
        Receipt(boot=17, seq=10, utc=NOW_S, missing=[(0, 3), (7, 7)]),
        Receipt(boot=17, seq=10, utc=NOW_S, missing=[(0, 4)], first=5),
        Receipt(boot=18, seq=10, utc=NOW_S),
    ],
)
def test_a_receipt_covers_for_the_board_what_it_covers_for_a_node(receipt: Receipt) -> None:
    code = f"""
import wire
receipt = wire.decode_receipt({encode_receipt(receipt)!r})
found = [wire.covers(receipt, 17, seq) for seq in range(13)]
"""
    assert in_micropython(code) == [_covers(receipt, (17, seq)) for seq in range(13)]


def test_what_is_no_receipt_is_ignored() -> None:
    rubbish = [b"", b"{", b"[]", b"3", b'{"boot":1}', b'{"boot":1,"seq":"x"}', b"\xff"]
    rubbish.append(b'{"boot":1,"seq":2,"missing":[[1]]}')
    code = f"import wire; found = [wire.decode_receipt(each) for each in {rubbish}]"
    assert in_micropython(code) == [None] * len(rubbish)


# --- the ring -------------------------------------------------------------------------------------

FILLED = """
import ring
one = ring.Ring({folder!r}, records_a_file=8, most_files=4)
def fill(first, last):
    for seq in range(first, last):
        one.append(70000, seq, 900 * seq, (1142, 7860, ring.NOTHING, ring.NOTHING), 83, -71)
def live():
    return [sample[1] for sample in one.live()]
"""


def with_ring(folder: Path, code: str) -> Any:
    return in_micropython(FILLED.format(folder=str(folder)) + code, heap="2M")


def test_a_sample_comes_back_as_it_was(tmp_path: Path) -> None:
    found = with_ring(tmp_path / "ring", "fill(3, 4); found = list(one.live())")
    assert found == [[70000, 3, 2700, [1142, 7860, NOTHING, NOTHING], 83, -71]]


def test_a_ring_cut_at_any_byte_loses_at_most_the_sample_being_written(tmp_path: Path) -> None:
    folder = tmp_path / "ring"
    code = """
fill(0, 5)
path = one._path(1)
whole = open(path, "rb").read()
found = []
for size in range(len(whole) + 1):
    with open(path, "wb") as file:
        file.write(whole[:size])
    before = live()
    fill(90, 92)
    found.append((before, live(), one.torn))
    for number in one._numbers()[1:]:
        one._remove(number)
"""
    found = with_ring(folder, code)
    assert len(found) == 5 * 32 + 1
    for size, (before, after, torn) in enumerate(found):
        whole = list(range(size // 32))
        assert before == whole
        assert after == [*whole, 90, 91]
        assert torn == (1 if size % 32 else 0)


def test_a_flipped_bit_costs_its_record_only(tmp_path: Path) -> None:
    folder = tmp_path / "ring"
    with_ring(folder, "fill(0, 5); found = 0")
    path = folder / "00000001.seg"
    whole = path.read_bytes()
    for at in range(len(whole)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
        if at % 7 == 0:
            expected = [seq for seq in range(5) if seq != at // 32]
            assert with_ring(folder, "found = live()") == expected


def test_what_receipts_cover_goes_and_stays_gone(tmp_path: Path) -> None:
    folder = tmp_path / "ring"
    code = "fill(0, 20); one.forget([(70000, 0, 4), (70000, 6, 17)]); found = live()"
    assert with_ring(folder, code) == [5, 18, 19]
    assert with_ring(folder, "fill(20, 22); found = live()") == [5, 18, 19, 20, 21]
    assert with_ring(folder, "one.forget([(70000, 5, 21)]); found = live()") == []
    assert list(folder.glob("*.seg")) == []
    assert with_ring(folder, "fill(22, 23); found = [live(), one.dropped]") == [[22], 0]


def test_a_full_ring_drops_its_oldest_file_and_counts_what_it_held(tmp_path: Path) -> None:
    code = "fill(0, 8); one.forget([(70000, 2, 3)]); fill(8, 40); found = [live(), one.dropped]"
    live, dropped = with_ring(tmp_path / "ring", code)
    assert live == list(range(live[0], 40))
    assert 24 <= len(live) <= 32
    assert dropped == live[0] - 2  # two were stored
    assert len(list((tmp_path / "ring").glob("*.seg"))) <= 4


@pytest.mark.parametrize("every", [7, pytest.param(1, marks=pytest.mark.long)])
def test_power_may_fail_at_any_operation_of_the_flash(every: int) -> None:
    """Littlefs as on the board; the check is in the program: nothing lost, nothing twice."""
    program = SIMULATED / "power.py"
    out = micropython(program, FIRMWARE, SIMULATED, str(every), heap="4M", seconds=120)
    found = json.loads(out.splitlines()[-1])  # before it: files that a cut left open are collected
    assert found["operations"] > 400
    assert found["cuts"] == found["boots"] == len(range(1, found["operations"], every))


def test_no_block_of_the_flash_wears_out_in_a_lifetime() -> None:
    """A block lasts 100,000 erasures (data sheets of serial flash; from memory)."""
    out = micropython(SIMULATED / "wear.py", FIRMWARE, SIMULATED, heap="8M", seconds=120)
    found = json.loads(out)
    assert found["all"] > 2000
    assert 100_000 / found["most"] * found["days"] > 100 * 365


# --- wakes and boots ------------------------------------------------------------------------------


def boots(board: SimulatedBoard) -> list[tuple[int, int, int]]:
    return [(row[0], row[1], row[2]) for row in board.live()]


def test_a_boot_lasts_through_sleep_and_ends_with_the_power(tmp_path: Path) -> None:
    board = SimulatedBoard(tmp_path, SETTINGS)
    board.wake(5000, 5900, 6800)
    first = boots(board)
    assert [row[1:] for row in first] == [(0, 0), (1, 900), (2, 1800)]
    board.power_cut()
    board.wake(70)
    board.wake(970, woke=False)  # a reset: what it counted in between is not known
    memory = tmp_path / "memory"
    memory.write_bytes(memory.read_bytes()[:-1] + b"\0")
    board.wake(1870)
    boot = first[0][0]
    assert boots(board)[3:] == [(boot + 1, 0, 0), (boot + 2, 0, 0), (boot + 3, 0, 0)]


def test_a_board_whose_flash_was_erased_does_not_take_old_numbers(tmp_path: Path) -> None:
    found = set()
    for number in range(3):
        board = SimulatedBoard(tmp_path / str(number), SETTINGS)
        board.wake(0)
        found.add(boots(board)[0][0])
    assert len(found) == 3
    assert all(65536 < boot < 2**53 for boot in found)


def test_a_board_without_wifi_sleeps_on_time_and_tries_rarely(tmp_path: Path) -> None:
    board = SimulatedBoard(tmp_path, SETTINGS)
    day = board.wake(*range(0, 86400, 900), wifi=False)
    assert {each["slept"] for each in day} <= {899, 900}
    assert {each["guarded"] for each in day} == {20}
    tries = [at for at, each in enumerate(day) if each["said"]]
    assert tries[0] == 0
    assert 4 <= len(tries) <= 40
    assert day[0]["blinks"] == [5]
    assert not any(each["blinks"] for each in day[1:])
    assert len(board.live()) == 96


def test_after_the_watchdog_the_first_wake_sends_nothing(tmp_path: Path) -> None:
    board = SimulatedBoard(tmp_path, SETTINGS)
    first, second = board.wake(0, watchdog=True) + board.wake(900)
    assert first["said"] == []
    assert "not all was sent" in second["said"][0]


def test_a_probe_that_does_not_answer_leaves_no_made_up_value(tmp_path: Path) -> None:
    board = SimulatedBoard(tmp_path, SETTINGS, air={})
    board.wake(0)
    assert board.live() == []
    board.air = {0x45: (20.0, 50.0)}
    board.wake(900)
    assert [row[3] for row in board.live()] == [[NOTHING, NOTHING, 2000, 5000]]


def test_a_fault_nobody_thought_of_ends_in_sleep(tmp_path: Path) -> None:
    board = SimulatedBoard(tmp_path, SETTINGS)
    (board.flash / "ring").write_text("a file where the folder should be")
    (said,) = board.wake(0)
    assert 1 <= said["slept"] <= 900
    assert said["said"]


# --- the first set-up -----------------------------------------------------------------------------

PEM = "-----BEGIN CERTIFICATE-----\nMAoGCCqGSM49BAMC\n-----END CERTIFICATE-----\n"
FORM = {
    "wifi_name": "yard & barn",
    "wifi_password": "eight or more+%",
    "host": "broker.example",
    "port": "8883",
    "site": "yard",
    "node": "n1",
    "password": "pässword",
    "every_s": "900",
    "send_each": "24",
    "ca": PEM,
}


def test_the_form_is_filled_once_and_then_the_board_closes_it(tmp_path: Path) -> None:
    with being_set_up(tmp_path) as (address, process):
        with urllib.request.urlopen(address, timeout=10) as answer:
            page = answer.read().decode()
        assert re.findall('<input type="password" name="([a-z_]+)" value="([^"]*)"', page) == [
            ("wifi_password", ""),
            ("password", ""),
        ]
        assert 'name="port" value="8883"' in page
        status, page = sent(address, FORM | {"node": "N 1<"})
        assert status == 400
        assert "The node is a code" in page
        assert 'name="wifi_name" value="yard &amp; barn"' in page
        assert 'value="N 1&lt;"' in page
        assert "eight or more" not in page
        assert f'name="ca">{PEM}</textarea>' in page
        assert not (tmp_path / "settings.json").exists()
        assert sent(address, FORM)[0] == 200
        assert process.stdout is not None
        assert process.stdout.readline() == "True\n"
        process.wait(10)
    kept = json.loads((tmp_path / "settings.json").read_text())
    assert kept["wifi_name"] == "yard & barn"
    assert kept["wifi_password"] == "eight or more+%"
    assert kept["password"] == "pässword"
    assert (kept["port"], kept["every_s"], kept["send_each"]) == (8883, 900, 24)
    assert kept["ca"] == "MAoGCCqGSM49BAMC"


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("host", "", "broker is missing"),
        ("ca", "", "certificate is missing"),
        ("ca", "MAoG", "The certificate is the text from"),
        ("ca", PEM.replace("MAoG", "%%%%"), "damaged"),
        ("port", "0", "port is a whole number of 1 to 65535"),
        ("every_s", "5", "every_s is a whole number of 60 to 86400"),
        ("send_each", "1e3", "send_each is a whole number"),
        ("wifi_password", "short", "8 to 63"),
        ("site", "", "The site is a code"),
    ],
)
def test_a_wrong_field_is_refused_with_what_to_write(field: str, value: str, said: str) -> None:
    code = f"""
import settings
try:
    found = str(settings.check({FORM | {field: value}}))
except settings.SettingsError as error:
    found = str(error)
"""
    assert said in in_micropython(code)


def test_the_text_of_a_claim_fills_in_all_but_the_wi_fi(tmp_path: Path) -> None:
    claim = {"site": "yard", "node": "n7", "host": "broker.example", "port": 8884, "prefix": "lot",
             "username": "n7", "password": "given-once", "ca": PEM}  # fmt: skip
    wifi = {"wifi_name": "yard", "wifi_password": "", "port": "8883", "prefix": "sillkeep"}
    with being_set_up(tmp_path) as (address, process):
        for broken in ("{", "[]", '{"site": "yard"}', "null", json.dumps(claim)[:-3]):
            status, page = sent(address, wifi | {"claim": broken})
            assert status == 400
            assert "The claim is the whole text" in page
        status, page = sent(address, {"claim": json.dumps(claim)})
        assert status == 400
        assert "Wi-Fi name is missing" in page
        assert "given-once" not in page  # shown to nobody again
        assert sent(address, wifi | {"claim": f"\r\n{json.dumps(claim)}\r\n"})[0] == 200
        process.wait(10)
    kept = json.loads((tmp_path / "settings.json").read_text())
    names = ("site", "node", "host", "port", "prefix", "password")
    assert [kept[name] for name in names] == [claim[name] for name in names]
    assert kept["ca"] == "MAoGCCqGSM49BAMC"


def test_the_page_closes_after_its_time_whoever_holds_the_line(tmp_path: Path) -> None:
    with being_set_up(tmp_path, open_ms=1500) as (address, process):
        began_s = time.monotonic()
        large = FORM | {"ca": "x" * 20000}
        with pytest.raises((urllib.error.URLError, OSError)):
            sent(address, large)
        assert process.stdout is not None
        assert process.stdout.readline() == "False\n"
        assert time.monotonic() - began_s < 8
    assert list(tmp_path.iterdir()) == []


def test_nobody_comes_to_set_a_board_up(tmp_path: Path) -> None:
    """A new one sleeps a day, so that its battery lasts; one in use goes on measuring."""
    board = SimulatedBoard(tmp_path, SETTINGS)
    board.setup_s = 1
    (asked,) = board.wake(0, button=True, woke=False)
    assert [text.split()[0] for text in asked["said"][:2]] == ["access", "Set-up"]
    assert "access point closed" in asked["said"]
    assert asked["slept"] in {898, 899, 900}
    assert len(board.live()) == 1
    (board.flash / "settings.json").write_text("{")
    (new,) = board.wake(0)
    assert new["slept"] == 86400
    assert new["guarded"] is None


def test_a_new_board_opens_its_own_wifi_with_its_own_password(tmp_path: Path) -> None:
    words = set()
    for number in range(2):
        folder = str(tmp_path / str(number))
        code = f"""
import files, setup
files.make_folder({folder!r})
found = [setup.access({folder!r}), setup.access({folder!r})]
"""
        first, again = in_micropython(code)
        assert first == again  # the same until the flash is erased
        assert re.fullmatch("sillkeep-[2-9a-z]{4}", first[0])
        assert re.fullmatch("[2-9a-hj-km-np-z]{12}", first[1])
        words.add(first[1])
    assert len(words) == 2
