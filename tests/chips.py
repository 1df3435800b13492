"""Chips on an I2C bus as their data sheets describe them, to try probes without hardware."""

import struct
from collections.abc import Callable

from sensors.probes.i2c import checksum


class FakeBus:
    """A bus whose devices are functions of (bytes written, count to read); time passes by waiting."""

    def __init__(self) -> None:
        self.devices: dict[int, Callable[[bytes, int], bytes]] = {}
        self.now_s = 0.0

    def transfer(self, address: int, written: bytes, count: int = 0) -> bytes:
        if address not in self.devices:
            raise OSError(121, "Remote I/O error")  # what Linux says where nothing answers
        answer = self.devices[address](written, count)
        assert len(answer) == count
        return answer

    def wait(self, seconds: float) -> None:
        self.now_s += seconds


class Sht4xChip:
    """Takes 0xFD, measures for 8.3 ms, does not answer meanwhile, then gives two checked words."""

    def __init__(self, bus: FakeBus, temperature: int, humidity: int) -> None:
        self.bus = bus
        self.words = (temperature, humidity)
        self.ready_s: float | None = None
        self.spoil = b""  # instead of the last byte

    def __call__(self, written: bytes, count: int) -> bytes:
        if written:
            assert written == b"\xfd"
            self.ready_s = self.bus.now_s + 0.0083
            return b""
        if self.ready_s is None or self.bus.now_s < self.ready_s:
            raise OSError(121, "Remote I/O error")
        self.ready_s = None
        words = [struct.pack(">H", word) for word in self.words]
        answer = b"".join(word + bytes([checksum(word)]) for word in words)
        return answer[: count - len(self.spoil)] + self.spoil


class Bme280Chip:
    """Registers of a BME280: a forced measurement fills the data registers 9.3 ms later."""

    def __init__(self, bus: FakeBus, trim: bytes, humidity_trim: bytes, data: bytes) -> None:
        self.bus = bus
        self.registers = bytearray(256)
        self.registers[0xD0] = 0x60
        self.registers[0x88:0xA2] = trim
        self.registers[0xE1:0xE8] = humidity_trim
        self.registers[0xF7:0xFF] = bytes.fromhex("8000008000008000")  # as after a reset
        self.data = data
        self.ready_s: float | None = None

    def __call__(self, written: bytes, count: int) -> bytes:
        self._finish()
        at, values = written[0], written[1:]
        for value in values:
            assert at in {0xF2, 0xF4, 0xF5}
            self.registers[at] = value
            if at == 0xF4 and value & 3 == 1:
                self.ready_s = self.bus.now_s + 0.0093
                self.registers[0xF3] |= 0x08
        return bytes(self.registers[at : at + count])

    def _finish(self) -> None:
        if self.ready_s is not None and self.bus.now_s >= self.ready_s:
            self.ready_s = None
            self.registers[0xF3] &= ~0x08
            self.registers[0xF4] &= ~0x03  # asleep again
            assert self.registers[0xF2] & 7, "humidity is skipped"
            self.registers[0xF7:0xFF] = self.data


class Ads1115Chip:
    """Configuration and conversion register of an ADS1115, one conversion of 125 ms at a time."""

    def __init__(self, bus: FakeBus, volts: float) -> None:
        self.bus = bus
        self.volts = volts
        self.ready_s = float("inf")

    def __call__(self, written: bytes, count: int) -> bytes:
        if len(written) == 3:
            assert written == b"\x01\xc3\x03"
            self.ready_s = self.bus.now_s + 0.125 * 1.1  # its clock is within 10 %
            return b""
        if written == b"\x01":
            return bytes([0xC3 if self.bus.now_s >= self.ready_s else 0x43, 0x03])
        assert (written, count) == (b"\x00", 2)
        return struct.pack(">h", min(round(self.volts / 4.096 * 32768), 32767))
