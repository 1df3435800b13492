"""SHT4x: temperature and humidity over I2C, in hundredths; the heater is never used.

Whole numbers only: a board's floats have 24 bits, and print as 11.4200001.
"""

import time

MEASURE = b"\xfd"  # both, highest repeatability, heater off (data sheet, command overview)
MEASURE_MS = 10  # it takes 8.3 at most (data sheet, timings)


class SensorError(Exception):
    """The sensor does not answer, or not with what it measured."""


def crc8(data):
    """Checksum of two bytes as the sensor sends it: polynomial 0x31, start 0xff."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ 0x31 if crc & 0x80 else crc << 1
        crc &= 0xFF
    return crc


def temperature_c100(ticks):
    """-45 + 175 * ticks / 65535, in hundredths of a degree Celsius."""
    return (17500 * ticks * 2 + 65535) // (2 * 65535) - 4500


def humidity_p100(ticks):
    """-6 + 125 * ticks / 65535, in hundredths of a per cent.

    Down to -2 % is a dry sensor's tolerance and said as 0; what is above 100 stays as measured: it
    tells of water on the sensor.
    """
    measured = (12500 * ticks * 2 + 65535) // (2 * 65535) - 600
    return 0 if -200 <= measured < 0 else measured


def measure(i2c, address):
    """Temperature and humidity of one sensor, in hundredths.

    Raises
    ------
    SensorError
        If it does not answer or a checksum is wrong, twice.
    """
    try:
        return _measure_once(i2c, address)
    except (OSError, SensorError):
        time.sleep_ms(MEASURE_MS)
    try:
        return _measure_once(i2c, address)
    except OSError as error:
        raise SensorError("sensor %#x does not answer: %s" % (address, error))


def _measure_once(i2c, address):
    i2c.writeto(address, MEASURE)
    time.sleep_ms(MEASURE_MS)
    data = i2c.readfrom(address, 6)
    for start in (0, 3):
        if crc8(data[start : start + 2]) != data[start + 2]:
            raise SensorError("wrong checksum")
    temperature = data[0] << 8 | data[1]
    humidity = data[3] << 8 | data[4]
    return temperature_c100(temperature), humidity_p100(humidity)
