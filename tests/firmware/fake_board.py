"""A board for MicroPython's unix port: its sleep memory is a file, its clock and air are told."""

import struct

import sht4x


class FakeI2c:
    """An SHT4x for each entry of `air`: address -> (temperature in degC, humidity in %), or ticks."""

    def __init__(self, air):
        self.air = air
        self.asked = []

    def writeto(self, address, data):
        if address not in self.air or data != b"\xfd":
            raise OSError(19)  # no such device: nothing acknowledges the address
        self.asked.append(address)

    def readfrom(self, address, count):
        temperature, humidity = self.air[address]
        data = b""
        # the data sheet's conversion, turned round
        for ticks in ((temperature + 45) * 65535 / 175, (humidity + 6) * 65535 / 125):
            word = struct.pack(">H", round(ticks))
            data += word + bytes([sht4x.crc8(word)])
        return data[:count]


class Board:
    setup_port = 0

    def __init__(self, told, sleeping):
        self.told = told
        self.sleeping = sleeping  # path of the memory that lasts through sleep
        self.slept = None
        self.said = []
        self.blinks = []
        self.restarted = False
        self.guarded = None
        self._i2c = FakeI2c({int(address): pair for address, pair in told["air"].items()})

    def clock_s(self):
        return self.told["clock_s"]

    def woke_from_sleep(self):
        return self.told.get("woke", True) and self.memory() is not None

    def was_watchdog(self):
        return self.told.get("watchdog", False)

    def memory(self):
        try:
            with open(self.sleeping, "rb") as file:
                return file.read()
        except OSError:
            return None

    def keep(self, data):
        with open(self.sleeping, "wb") as file:
            file.write(data)

    def i2c(self):
        return self._i2c

    def battery_mv(self):
        return self.told.get("battery_mv")

    def join(self, name, password, left_ms):
        if not self.told.get("wifi", True):
            raise OSError("not joined")
        return self.told.get("signal", -71)

    def leave(self):
        pass

    def open_access_point(self, name, password):
        self.say("access point %s %s" % (name, password))
        return "127.0.0.1"

    def close_access_point(self):
        self.say("access point closed")

    def is_asked_for_setup(self):
        return self.told.get("button", False)

    def light(self, on):
        pass

    def blink(self, times):
        self.blinks.append(times)

    def say(self, text):
        self.said.append(text)

    def guard(self, seconds):
        self.guarded = seconds

    def restart(self):
        self.restarted = True

    def sleep(self, seconds):
        self.slept = seconds
