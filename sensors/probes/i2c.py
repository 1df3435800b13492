"""Probes on an I2C bus of a small computer: SHT4x and BME280 (air), ADS1115 (pin probe in wood).

The chips are spoken to as their data sheets say; the bus itself is `smbus2`, of the extra
`sillkeep[node]`, or anything else with `transfer`. No register is trusted without a check where
the chip offers one: every word of an SHT4x has a checksum, and a BME280 that was reset by a dip of
its supply is found by its control register and set up again.

References
----------
.. [1] Sensirion, "Datasheet SHT4x": commands, checksum (0xBEEF gives 0x92), conversion.
.. [2] Bosch Sensortec, "BME280 Data sheet", 4.2.3, 5.4 and appendix 8.1: registers, compensation.
.. [3] Texas Instruments, "ADS111x", 8.6: registers.
"""

import math
import struct
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any, Final, Protocol

from sensors.wire import LIMITS

Values = dict[str, float | bool]  # fields of a Reading
Wait = Callable[[float], object]  # waits so many seconds


class ProbeError(OSError):
    """A probe that gives no value now; the text says why."""


class Bus(Protocol):
    """One I2C bus."""

    def transfer(self, address: int, written: bytes, count: int = 0) -> bytes:
        """Write bytes to a device, then read `count` ones; OSError if it does not answer."""


class LinuxBus:
    """The bus `/dev/i2c-<number>`.

    Raises
    ------
    ProbeError
        If the extra is not installed.
    OSError
        If there is no such bus, or it may not be opened.
    """

    def __init__(self, number: int) -> None:
        try:
            import smbus2
        except ImportError as error:
            raise ProbeError('I2C needs the extra: pip install "sillkeep[node]"') from error
        self._message: Any = smbus2.i2c_msg
        self._bus: Any = smbus2.SMBus(number)

    def transfer(self, address: int, written: bytes, count: int = 0) -> bytes:
        """Write, then read after a repeated start."""
        messages = [self._message.write(address, written)] if written else []
        answer = self._message.read(address, count) if count else None
        if answer is not None:
            messages.append(answer)
        self._bus.i2c_rdwr(*messages)
        return b"" if answer is None else bytes(answer)


def checksum(word: bytes) -> int:
    """CRC-8 of a word as Sensirion's chips send it: polynomial 0x31, start 0xFF [1]_."""
    crc = 0xFF
    for byte in word:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


class Sht4x:
    """Temperature and humidity of an SHT40, SHT41 or SHT45, at high precision, without its heater."""

    _MEASURE: Final = b"\xfd"
    _DURATION_S: Final = 0.010  # 8.3 ms at most

    def __init__(self, bus: Bus, wait: Wait, *, address: int = 0x44) -> None:
        self._bus = bus
        self._wait = wait
        self._address = address

    def read(self) -> Values:
        """Measure now; OSError if it cannot be."""
        self._bus.transfer(self._address, self._MEASURE)
        self._wait(self._DURATION_S)
        answer = self._bus.transfer(self._address, b"", 6)
        for word in (answer[:3], answer[3:]):
            if len(word) < 3 or checksum(word[:2]) != word[2]:
                raise ProbeError("its checksum does not fit: a long or loose cable?")
        temperature, humidity = struct.unpack(">HxH", answer[:5])
        return _believable(
            {
                "temperature_c": round(-45 + 175 * temperature / 65535, 2),
                # the chip may say a little more than can be; the data sheet crops to 0 and 100
                "humidity_percent": round(min(max(-6 + 125 * humidity / 65535, 0.0), 100.0), 2),
            }
        )


class Bme280:
    """Temperature, humidity and pressure of a BME280, one forced measurement at a time."""

    _ID: Final = 0x60
    _HUMIDITY_ONCE: Final = b"\xf2\x01"  # oversampling x1
    _ALL_ONCE: Final = b"\xf4\x25"  # x1, x1, forced: the chip sleeps again afterwards
    _DURATION_S: Final = 0.010  # 9.3 ms at most for three measurements of oversampling x1
    _SKIPPED: Final = 0x80000  # of 20 bits: nothing was measured

    def __init__(self, bus: Bus, wait: Wait, *, address: int = 0x76) -> None:
        self._bus = bus
        self._wait = wait
        self._address = address
        self._trim: tuple[int, ...] = ()

    def read(self) -> Values:
        """Measure now; OSError if it cannot be."""
        if not self._trim:
            self._trim = self._factory_values()
        self._bus.transfer(self._address, self._HUMIDITY_ONCE)
        self._bus.transfer(self._address, self._ALL_ONCE)
        self._wait(self._DURATION_S)
        if self._bus.transfer(self._address, b"\xf3", 1)[0] & 0x08:
            raise ProbeError("it does not finish measuring")
        raw = self._bus.transfer(self._address, b"\xf7", 8)
        pressure, temperature = (int.from_bytes(raw[at : at + 3], "big") >> 4 for at in (0, 3))
        humidity = int.from_bytes(raw[6:], "big")
        if temperature == self._SKIPPED:
            self._trim = ()
            raise ProbeError("it measured nothing: was it reset?")
        fine, celsius = _bme_temperature(self._trim, temperature)
        return _believable(
            {
                "temperature_c": round(celsius, 2),
                "humidity_percent": round(_bme_humidity(self._trim, humidity, fine), 2),
                "pressure_pa": round(_bme_pressure(self._trim, pressure, fine)),
            }
        )

    def _factory_values(self) -> tuple[int, ...]:
        chip = self._bus.transfer(self._address, b"\xd0", 1)[0]
        if chip != self._ID:
            raise ProbeError(f"chip 0x{chip:02x} answers, no BME280 (0x60): it has no humidity")
        first = self._bus.transfer(self._address, b"\x88", 26)
        second = self._bus.transfer(self._address, b"\xe1", 7)
        h2, h3, e4, e5, e6, h6 = struct.unpack("<hBbBbb", second)
        h4, h5 = e4 << 4 | e5 & 0x0F, e6 << 4 | e5 >> 4
        return (*struct.unpack("<HhhHhhhhhhhhxB", first), h2, h3, h4, h5, h6)


def _bme_temperature(trim: Sequence[int], raw: int) -> tuple[float, float]:
    """Fine temperature for the other two, and degrees Celsius ([2]_, 8.1)."""
    t1, t2, t3 = trim[:3]
    one = (raw / 16384 - t1 / 1024) * t2
    two = (raw / 131072 - t1 / 8192) ** 2 * t3
    return one + two, (one + two) / 5120


def _bme_pressure(trim: Sequence[int], raw: int, fine: float) -> float:
    """Pascal ([2]_, 8.1)."""
    p1, p2, p3, p4, p5, p6, p7, p8, p9 = trim[3:12]
    one = fine / 2 - 64000
    two = one * one * p6 / 32768 + one * p5 * 2
    two = two / 4 + p4 * 65536
    one = (p3 * one * one / 524288 + p2 * one) / 524288
    one = (1 + one / 32768) * p1
    if one == 0:
        raise ProbeError("its factory values are empty")
    pascal = (1048576 - raw - two / 4096) * 6250 / one
    return pascal + (p9 * pascal * pascal / 2147483648 + pascal * p8 / 32768 + p7) / 16


def _bme_humidity(trim: Sequence[int], raw: int, fine: float) -> float:
    """Per cent ([2]_, 8.1); cropped to 0 and 100 as there."""
    h1, h2, h3, h4, h5, h6 = trim[12:]
    part = fine - 76800
    part = (raw - (h4 * 64 + h5 / 16384 * part)) * (
        h2 / 65536 * (1 + h6 / 67108864 * part * (1 + h3 / 67108864 * part))
    )
    part *= 1 - h1 * part / 524288
    return min(max(part, 0.0), 100.0)


class PinProbe:
    """Moisture of wood by its resistance: two pins and a known resistor on an ADS1115.

    Volts are measured across the wood, which stands between the input and ground; `reference_ohm` is
    from the supply to the input. Resistance depends on the wood and its temperature, so its
    curve is given: points (ohm, per cent) of the wood in use, between which log10(ohm) is straight.
    Not tried on hardware.
    """

    _DURATION_S: Final = 0.150  # 8 samples a second: mains hum averages out
    _FULL_V: Final = 4.096

    def __init__(
        self,
        bus: Bus,
        wait: Wait,
        *,
        curve: Sequence[tuple[float, float]],
        reference_ohm: float,
        supply_v: float = 3.3,
        address: int = 0x48,
    ) -> None:
        if len(curve) < 2 or any(ohm <= 0 for ohm, _ in curve):
            raise ValueError("a curve of wood has two points or more of (ohm, per cent)")
        self._curve = sorted((math.log10(ohm), percent) for ohm, percent in curve)
        self._bus = bus
        self._wait = wait
        self._reference_ohm = reference_ohm
        self._supply_v = supply_v
        self._address = address

    def read(self) -> Values:
        """Measure now; OSError if it cannot be."""
        # single shot, input 0 against ground, 4.096 V, 8 samples a second, no comparator
        self._bus.transfer(self._address, b"\x01\xc3\x03")
        self._wait(self._DURATION_S)
        if not self._bus.transfer(self._address, b"\x01", 2)[0] & 0x80:
            raise ProbeError("it does not finish measuring")
        volts = struct.unpack(">h", self._bus.transfer(self._address, b"\x00", 2))[0] / 32768
        volts *= self._FULL_V
        if volts <= 0:
            raise ProbeError("the pins are shorted, or liquid water lies across them")
        if volts >= self._supply_v * 0.999:
            raise ProbeError(
                "no current flows: a pin is off, or the wood is drier than it can tell"
            )
        ohm = self._reference_ohm * volts / (self._supply_v - volts)
        return _believable({"wood_percent": round(self._moisture(math.log10(ohm)), 1)})

    def _moisture(self, decades: float) -> float:
        if not self._curve[0][0] <= decades <= self._curve[-1][0]:
            raise ProbeError(f"{10**decades:.3g} ohm is outside the curve of its wood")
        for (before, wetter), (after, drier) in pairwise(self._curve):
            if decades <= after:
                share = (decades - before) / (after - before)
                return wetter + share * (drier - wetter)
        raise ProbeError("its curve has no such point")


def _believable(values: Values) -> Values:
    """The values, if a working probe can give them."""
    for name, value in values.items():
        low, high = LIMITS[name]
        if not low <= value <= high:
            raise ProbeError(f"{name} is {value:g}, which cannot be")
    return values
