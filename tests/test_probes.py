"""Probes without hardware: chips by their data sheets, Bluetooth devices, and the loop that reads them."""

import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from sensors.formats.bthome import UUID, encrypted
from sensors.gateway import Gateway, SettingsError, read_settings
from sensors.node import Node
from sensors.outbox import Outbox
from sensors.probes.ble import Collector, Device, Heard, Scanner, forget_counter
from sensors.probes.hwmon import Hwmon
from sensors.probes.i2c import Bme280, PinProbe, ProbeError, Sht4x, checksum
from sensors.wire import Reading
from tests.chips import Ads1115Chip, Bme280Chip, FakeBus, Sht4xChip

NOW_S = 1764060000
DOOR, BED = "02:00:5e:10:a4:c3", "02:00:5e:10:a4:c4"
KEY = bytes(range(16))

# --- chips ----------------------------------------------------------------------------------------


def test_checksum_of_the_data_sheet() -> None:
    assert checksum(b"\xbe\xef") == 0x92  # Sensirion, Datasheet SHT4x, 4.4
    assert checksum(b"\x00\x00") == 0x81  # from memory: what their chips send for zero


@pytest.fixture
def bus() -> FakeBus:
    return FakeBus()


def test_sht4x(bus: FakeBus) -> None:
    # -45 + 175 * 0x6666 / 65535 = 25.0; -6 + 125 * 0x8000 / 65535 = 56.5 (the data sheet's formulas)
    bus.devices[0x44] = Sht4xChip(bus, 0x6666, 0x8000)
    probe = Sht4x(bus, bus.wait)
    assert probe.read() == {"temperature_c": 25.0, "humidity_percent": 56.5}
    bus.devices[0x44] = Sht4xChip(bus, 0x0000, 0xFFFF)
    assert probe.read() == {"temperature_c": -45.0, "humidity_percent": 100.0}


def test_a_word_that_the_cable_spoiled_is_no_value(bus: FakeBus) -> None:
    chip = bus.devices[0x44] = Sht4xChip(bus, 0x6666, 0x8000)
    chip.spoil = b"\x00"
    with pytest.raises(ProbeError, match="checksum"):
        Sht4x(bus, bus.wait).read()


def test_a_chip_that_is_not_there_or_not_ready_is_an_error(bus: FakeBus) -> None:
    with pytest.raises(OSError, match="Remote"):
        Sht4x(bus, bus.wait).read()
    bus.devices[0x44] = Sht4xChip(bus, 0x6666, 0x8000)
    with pytest.raises(OSError, match="Remote"):
        Sht4x(bus, lambda _: None).read()  # nobody waited


# the worked example of Bosch Sensortec's BMP280 data sheet, 3.12: same formulas and registers
T, P = (27504, 26435, -1000), (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
TRIM = struct.pack("<HhhHhhhhhhhhxB", *T, *P, 75)
# humidity values of one chip are its own: h2 362, h3 0, h4 313, h5 50, h6 30 (h4, h5 of 12 bits)
HUMIDITY_TRIM = struct.pack("<hBbBbb", 362, 0, 313 >> 4, (50 & 15) << 4 | 313 & 15, 50 >> 4, 30)
DATA = (
    (415148 << 4).to_bytes(3, "big") + (519888 << 4).to_bytes(3, "big") + (27000).to_bytes(2, "big")
)


def whole_number_humidity(raw: int, t_fine: int) -> float:
    """The data sheet's other way, in whole numbers of 32 bits (BME280, 4.2.3)."""
    h1, h2, h3, h4, h5, h6 = 75, 362, 0, 313, 50, 30
    v = t_fine - 76800
    left = ((raw << 14) - (h4 << 20) - h5 * v + 16384) >> 15
    right = (((v * h6 >> 10) * ((v * h3 >> 11) + 32768) >> 10) + 2097152) * h2 + 8192 >> 14
    v = left * right
    v -= ((v >> 15) * (v >> 15) >> 7) * h1 >> 4
    return min(max(v, 0), 419430400) / 4096 / 1024


def test_bme280_gives_the_example_of_its_makers(bus: FakeBus) -> None:
    bus.devices[0x76] = Bme280Chip(bus, TRIM, HUMIDITY_TRIM, DATA)
    values = Bme280(bus, bus.wait).read()
    assert values["temperature_c"] == 25.08
    assert values["pressure_pa"] == pytest.approx(100653, abs=1)
    assert values["humidity_percent"] == pytest.approx(
        whole_number_humidity(27000, 128422), abs=0.02
    )
    assert 20 < values["humidity_percent"] < 80


def test_bme280_that_was_reset_or_is_another_chip_is_an_error(bus: FakeBus) -> None:
    chip = bus.devices[0x76] = Bme280Chip(bus, TRIM, HUMIDITY_TRIM, DATA)
    probe = Bme280(bus, bus.wait)
    chip.data = bytes.fromhex("8000008000008000")
    with pytest.raises(ProbeError, match="reset"):
        probe.read()
    chip.data = DATA
    assert probe.read()["temperature_c"] == 25.08
    with pytest.raises(ProbeError, match="finish"):
        Bme280(bus, lambda _: None).read()
    chip.registers[0xD0] = 0x58
    with pytest.raises(ProbeError, match="no BME280"):
        Bme280(bus, bus.wait).read()


def pins(bus: FakeBus, volts: float) -> PinProbe:
    bus.devices[0x48] = Ads1115Chip(bus, volts)
    curve = [(1e9, 10.0), (1e7, 16.0), (1e5, 26.0)]  # invented, but of the right steepness
    return PinProbe(bus, bus.wait, curve=curve, reference_ohm=1e6, supply_v=3.3)


def test_wood_is_read_from_its_curve(bus: FakeBus) -> None:
    assert pins(bus, 3.3 * 10 / 11).read() == {"wood_percent": 16.0}  # 1e7 ohm
    assert pins(bus, 3.3 * 1 / 2).read() == {"wood_percent": 21.0}  # 1e6: half of two decades


@pytest.mark.parametrize(
    ("volts", "says"), [(0.0, "shorted"), (3.3, "no current"), (0.02, "outside the curve")]
)
def test_pins_that_tell_nothing_are_an_error(bus: FakeBus, volts: float, says: str) -> None:
    with pytest.raises(ProbeError, match=says):
        pins(bus, volts).read()


# --- Bluetooth ------------------------------------------------------------------------------------


def plain(hex_objects: str, sender: str = DOOR, signal_dbm: int = -70) -> Heard:
    return Heard(sender, bytes.fromhex("40" + hex_objects), signal_dbm)


def test_the_newest_value_of_each_kind_counts_and_water_stays_said() -> None:
    collector = Collector([Device("door", DOOR), Device("bed", BED)])
    assert not collector.hear(plain("00 01 02CA09 03BF13"))
    assert collector.hear(plain("00 02 2001"))  # new water: no sample should wait
    assert not collector.hear(plain("00 03 0A138A14 2001"))
    assert not collector.hear(plain("00 04 02D009 2000", signal_dbm=-80))
    assert not collector.hear(plain("02CA09", sender="02:00:5e:00:00:00"))  # not ours
    assert not collector.hear(plain("02CA09", sender="5A0C-hidden"))
    assert collector.values() == {
        "door": {
            "temperature_c": 25.12,
            "humidity_percent": 50.55,
            "contact": True,
            "signal_dbm": -80,
        }
    }
    assert collector.values() == {}
    collector.hear(plain("00 05 2000"))
    assert collector.values()["door"]["contact"] is False


def test_moisture_is_of_wood_only_where_the_settings_say_so() -> None:
    for is_wood, expected in ((True, 14.5), (False, None)):
        collector = Collector([Device("door", DOOR, moisture_is_wood=is_wood)])
        collector.hear(plain("02CA09 14AA05"))
        assert collector.values()["door"].get("wood_percent") == expected


def test_a_replay_is_refused_after_a_restart_until_the_counter_is_let_go() -> None:
    kept: dict[str, int] = {}

    def restarted() -> Collector:
        return Collector(
            [Device("door", DOOR, KEY)], state=lambda name: kept.get(name, 0), keep=kept.update
        )

    def sent(counter: int) -> Heard:
        return Heard(DOOR, encrypted(DOOR, b"\x02\xca\x09", key=KEY, counter=counter), -70)

    first = restarted()
    first.hear(sent(0))
    first.hear(sent(900))
    assert "door" in first.values()
    kept.update(first.state())
    assert first.state() == {}  # nothing new to keep
    again = restarted()
    again.hear(sent(899))
    assert again.values() == {}
    assert "a replay" in again.faults()["door"]
    again.hear(plain("02CA09"))
    assert "in plain" in again.faults()["door"]
    kept.update(forget_counter(DOOR))
    changed = restarted()
    changed.hear(sent(3))
    assert "door" in changed.values()
    assert changed.faults() == {}


def test_without_the_key_an_encrypted_device_is_told_and_plain_is_refused_for_good() -> None:
    kept: dict[str, int] = {}
    collector = Collector([Device("door", DOOR)], keep=kept.update)
    collector.hear(Heard(DOOR, encrypted(DOOR, b"\x01\x50", key=KEY, counter=1), -70))
    assert "no key" in collector.faults()["door"]
    later = Collector([Device("door", DOOR)], state=lambda name: kept.get(name, 0))
    later.hear(plain("02CA09"))
    assert later.values() == {}


def test_the_scanner_takes_what_bleak_gives(
    monkeypatch: pytest.MonkeyPatch, until: Callable[..., None]
) -> None:
    class Broken:
        def __init__(self, **_: object) -> None:
            raise OSError("no adapter")

    fake = SimpleNamespace(BleakScanner=Broken, exc=SimpleNamespace(BleakError=RuntimeError))
    monkeypatch.setitem(sys.modules, "bleak", fake)
    scanner = Scanner()
    until(lambda: scanner.fault == "no Bluetooth: no adapter")
    device = SimpleNamespace(address=DOOR)
    told = SimpleNamespace(service_data={UUID: b"\x40\x02\xca\x09"}, rssi=-66)
    scanner.take(device, told)
    scanner.take(device, SimpleNamespace(service_data={"else": b""}, rssi=-66))
    assert scanner.drain() == [Heard(DOOR, b"\x40\x02\xca\x09", -66)]
    assert scanner.drain() == []


# --- the loop -------------------------------------------------------------------------------------


class Ears:
    def __init__(self) -> None:
        self.fault = ""
        self.waiting: list[Heard] = []

    def drain(self) -> list[Heard]:
        found, self.waiting = self.waiting, []
        return found


class Loop:
    """A gateway with a real outbox, whose time passes by hand."""

    def __init__(self, home: Path, bus: FakeBus, **options: Any) -> None:
        self.outbox = Outbox(home / "van.outbox")
        self.node = Node("home", "van", outbox=self.outbox)
        self.ears = Ears()
        self.gateway = Gateway(
            self.node,
            probes=options.get("probes", {"p1": lambda: Sht4x(bus, bus.wait)}),
            collector=Collector(
                [Device("door", DOOR, KEY), Device("bed", BED)],
                state=self.outbox.state,
                keep=lambda state: self.outbox.add([], state=state),
            ),
            ears=self.ears,
            every_s=300,
            silence_s=900,
        )

    def at(self, monotonic_s: float) -> None:
        self.gateway.step(monotonic_s, now_s=NOW_S + round(monotonic_s), started_s=0.0)

    def samples(self) -> list[list[Reading]]:
        return [sample for _, sample in self.outbox.after((-1, -1), 1000)]


@pytest.fixture
def loop(tmp_path: Path, bus: FakeBus) -> Any:
    bus.devices[0x44] = Sht4xChip(bus, 0x6666, 0x8000)
    made = Loop(tmp_path, bus)
    yield made
    made.node.close()


def test_samples_come_on_a_fixed_beat_and_hold_every_probe(loop: Loop) -> None:
    loop.ears.waiting = [plain("02CA09 0161", sender=BED)]
    for second in (0.0, 150.0, 299.9, 300.2, 599.9, 600.0, 1250.0, 1499.0, 1500.0):
        loop.at(second)
    first, *others = loop.samples()
    assert [(r.probe, r.temperature_c, r.battery_percent, r.silence_s) for r in first] == [
        ("bed", 25.06, 97, 900),
        ("p1", 25.0, None, 900),
    ]
    assert [sample[0].uptime_s for sample in others] == [300, 600, 1250, 1500]
    assert [[r.probe for r in sample] for sample in others] == [["p1"]] * 4  # bed fell silent


def test_new_water_does_not_wait(loop: Loop) -> None:
    loop.at(0.0)
    loop.ears.waiting = [plain("2001", sender=BED)]
    loop.at(60.0)
    loop.ears.waiting = [plain("2000", sender=BED), plain("2001", sender=BED)]
    loop.at(61.0)  # a contact that flickers is said again with the next sample
    samples = loop.samples()
    assert [r.contact for r in samples[1] if r.probe == "bed"] == [True]
    assert len(samples) == 2


def test_a_probe_that_fails_is_told_and_the_others_go_on(
    loop: Loop, bus: FakeBus, caplog: pytest.LogCaptureFixture
) -> None:
    chip = bus.devices.pop(0x44)
    loop.ears.waiting = [plain("02CA09", sender=BED)]
    loop.at(0.0)
    loop.ears.fault = "no Bluetooth: adapter gone"
    loop.at(300.0)
    assert set(loop.gateway.faults) == {"p1", "bluetooth"}
    assert [[r.probe for r in sample] for sample in loop.samples()] == [["bed"]]
    bus.devices[0x44] = chip
    loop.ears.fault = ""
    loop.at(600.0)
    assert loop.gateway.faults == {}
    assert loop.samples()[-1][0].probe == "p1"
    said = [record.message for record in caplog.records]
    assert sum("probe p1: " in line and "Remote" in line for line in said) == 1
    assert "probe p1: working again" in said


def test_a_probe_whose_package_is_missing_is_told(tmp_path: Path, bus: FakeBus) -> None:
    def missing() -> Any:
        raise ProbeError('I2C needs the extra: pip install "sillkeep[node]"')

    loop = Loop(tmp_path, bus, probes={"p1": missing})
    loop.at(0.0)
    assert "sillkeep[node]" in loop.gateway.faults["p1"]
    assert loop.samples() == []
    loop.node.close()


def test_counters_are_kept_with_the_sample(loop: Loop) -> None:
    loop.ears.waiting = [Heard(DOOR, encrypted(DOOR, b"\x01\x50", key=KEY, counter=41), -70)]
    loop.at(0.0)
    assert loop.outbox.state(f"bthome counter {DOOR}") == 42


GOOD = """
site = "home"
node = "van"
[[probe]]
code = "p1"
kind = "sht4x"
[[ble]]
code = "door"
address = "02:00:5e:10:a4:c3"
key_file = "door.key"
"""


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('site = "home"', 'site = "Home"', "site"),
        ('kind = "sht4x"', 'kind = "sht9"', "kind"),
        ('kind = "sht4x"', 'kind = "contact"', "line"),
        ('kind = "sht4x"', 'kind = "wood"', "curve"),
        ('kind = "sht4x"', 'kind = "hwmon"', "folder"),
        ('code = "door"', 'code = "p1"', "two probes"),
        ('site = "home"', 'site = "home"\nevrey_s = 5', "evrey_s"),
        ("[[probe]]", "[[", "cannot be read"),
    ],
)
def test_settings_that_cannot_work_are_told(tmp_path: Path, old: str, new: str, says: str) -> None:
    file = tmp_path / "node.toml"
    file.write_text(GOOD)
    assert read_settings(file).probe[0].kind == "sht4x"
    file.write_text(GOOD.replace(old, new, 1))
    with pytest.raises(SettingsError, match=says):
        read_settings(file)


@pytest.mark.broker
def test_the_command_publishes_and_tells_what_fails(
    mosquitto: Any, intake: Any, tmp_path: Path, until: Callable[..., None]
) -> None:
    """The real process, intake and broker; the bus is not there, as on any other machine."""
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    file = tmp_path / "node.toml"
    file.write_text(
        'site = "home"\nnode = "van"\nevery_s = 10\n[[probe]]\ncode = "p1"\nkind = "sht4x"\n'
        f"bus = 99\n[broker]\nport = {mosquitto.port}\n"
    )
    told: list[bytes] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_message = lambda _c, _u, message: told.append(message.payload)
    client.on_connect = lambda *_: client.subscribe("sillkeep/home/van/state", qos=1)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "node", "run", str(file)],
        stderr=subprocess.PIPE,
    )
    try:
        until(lambda: any(b'"faults":{"p1":' in each for each in told))
    finally:
        process.terminate()
        _, log = process.communicate(timeout=20)
        until(lambda: told[-1:] == [b'{"state":"offline"}'])
        client.disconnect()
        client.loop_stop()
    assert process.returncode == 0
    assert b"probe p1: " in log


# --- what the kernel drives -----------------------------------------------------------------------

# The Linux kernel, "Naming and data format standards for sysfs files": thousandths of °C and of %RH


def chip(folder: Path, **files: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder


def test_the_kernel_s_figures_are_thousandths(tmp_path: Path) -> None:
    place = chip(tmp_path / "hwmon3", temp1_input="-1250\n", humidity1_input="63480\n")
    probe = Hwmon(str(tmp_path / "hwmon*"))
    assert probe.read() == {"temperature_c": -1.25, "humidity_percent": 63.48}
    (place / "humidity1_input").unlink()  # a chip that measures temperature alone
    assert probe.read() == {"temperature_c": -1.25}


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ({"temp1_input": ""}, "temp1_input cannot be read"),
        ({"temp1_input": "warm"}, "temp1_input cannot be read"),
        ({"temp1_input": "2000000"}, "says 2000, which cannot be"),
        ({"temp1_input": "20000", "humidity1_input": "140000"}, "says 140, which cannot be"),
        ({"humidity1_input": "60000"}, "temp1_input cannot be read"),
    ],
)
def test_what_the_kernel_cannot_read_gives_no_value(
    tmp_path: Path, files: dict[str, str], says: str
) -> None:
    chip(tmp_path / "hwmon0", **files)
    with pytest.raises(ProbeError, match=says):
        Hwmon(str(tmp_path / "hwmon0")).read()


def test_a_folder_that_is_gone_or_is_two_gives_no_value(tmp_path: Path) -> None:
    with pytest.raises(ProbeError, match="0 folders"):
        Hwmon(str(tmp_path / "hwmon*")).read()
    for name in ("hwmon0", "hwmon1"):
        chip(tmp_path / name, temp1_input="20000")
    with pytest.raises(ProbeError, match="2 folders"):
        Hwmon(str(tmp_path / "hwmon*")).read()
