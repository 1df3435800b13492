"""The hardware: an ESP32-class board. The tests have another one of the same methods.

Pins are those of a common 30-pin board; change them here. Nothing in this file has run on a real
board yet.
"""

import time

import machine
import network

SDA, SCL, LED, BUTTON = 21, 22, 2, 0
BATTERY = None  # number of an ADC pin behind a divider by two
SENSOR_POWER = None  # number of a pin that feeds the sensors, where they are not fed all the time
ASK_MS = 3000  # how long the light asks for the button after power-up
GRACE_MS = 20000  # of the watchdog, over the longest wake


class Board:
    """An ESP32."""

    setup_port = 80

    def __init__(self):
        self._i2c = None
        self._station = None
        self._watchdog = None

    def clock_s(self):
        """Seconds on a clock that runs in deep sleep; nothing sets it."""
        return int(time.time())

    def woke_from_sleep(self):
        return machine.reset_cause() == machine.DEEPSLEEP_RESET

    def was_watchdog(self):
        return machine.reset_cause() == machine.WDT_RESET

    def memory(self):
        return machine.RTC().memory()

    def keep(self, data):
        machine.RTC().memory(data)

    def i2c(self):
        if self._i2c is None:
            if SENSOR_POWER is not None:
                machine.Pin(SENSOR_POWER, machine.Pin.OUT, value=1)
                time.sleep_ms(2)  # a sensor is ready after 1 ms (data sheet)
            self._i2c = machine.I2C(
                0, sda=machine.Pin(SDA), scl=machine.Pin(SCL), freq=100000, timeout=50000
            )
        return self._i2c

    def battery_mv(self):
        """Voltage of the cell; None where it is not wired."""
        if BATTERY is None:
            return None
        pin = machine.ADC(machine.Pin(BATTERY), atten=machine.ADC.ATTN_11DB)
        return sum(pin.read_uv() for _ in range(8)) * 2 // 8000

    def join(self, name, password, left_ms):
        """Join a Wi-Fi; its signal in dBm.

        Raises
        ------
        OSError
            If that does not work in the time left.
        """
        self._station = network.WLAN(network.STA_IF)
        self._station.active(True)
        self._station.connect(name, password)
        until_ms = left_ms() // 2  # the upload needs time as well
        while not self._station.isconnected():
            if left_ms() < until_ms:
                raise OSError("not joined; status %s" % self._station.status())
            time.sleep_ms(50)
        return max(min(int(self._station.status("rssi")), -1), -127)

    def leave(self):
        if self._station is not None:
            self._station.active(False)

    def open_access_point(self, name, password):
        """Be a Wi-Fi of WPA2 for one phone; its address."""
        point = network.WLAN(network.AP_IF)
        point.active(True)
        point.config(essid=name, password=password, authmode=network.AUTH_WPA2_PSK, max_clients=1)
        return point.ifconfig()[0]

    def close_access_point(self):
        network.WLAN(network.AP_IF).active(False)

    def is_asked_for_setup(self):
        """Whether the button is pressed while the light is on.

        After power-up: pressed before, it asks such a chip for its own loader.
        """
        button = machine.Pin(BUTTON, machine.Pin.IN, machine.Pin.PULL_UP)
        self.light(True)
        for _ in range(ASK_MS // 20):
            if button.value() == 0:
                return True
            time.sleep_ms(20)
        self.light(False)
        return False

    def light(self, on):
        machine.Pin(LED, machine.Pin.OUT).value(1 if on else 0)

    def blink(self, times):
        for _ in range(times):
            self.light(True)
            time.sleep_ms(800 if times == 1 else 120)
            self.light(False)
            time.sleep_ms(120)

    def say(self, text):
        """To whoever has a cable on the board."""
        print(text)

    def guard(self, seconds):
        """Reset the board if it is still awake well after these seconds."""
        self._watchdog = machine.WDT(timeout=seconds * 1000 + GRACE_MS)

    def restart(self):
        machine.reset()

    def sleep(self, seconds):
        if SENSOR_POWER is not None:
            machine.Pin(SENSOR_POWER, machine.Pin.OUT, value=0)
        machine.deepsleep(seconds * 1000)
