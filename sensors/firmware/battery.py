"""How long a cell feeds a board: charge by duty cycle, less what cold and storage take.

Runs on a computer, not on the board::

    python sensors/firmware/battery.py --every 15m --send 6h --cell li-ion-18650 --at -10

Every current, time and share below is typical, from data sheets, from memory: none was measured on
a board. The estimate is worth a factor of two until somebody has measured one (see README.md).
"""

import argparse
import sys

# Board: ESP32 module without a USB bridge or a power light. A development board with both sleeps at
# 1 to 10 mA and empties any cell below in weeks: measure yours, and give --sleep-ua.
SLEEP_UA = 20.0  # deep sleep with RTC timer and memory 10, regulator 5 to 10 (from memory)
SENSOR_UA = 0.1  # an SHT4x idle, 0.08 (data sheet, from memory)
AWAKE_MA = 40.0  # processor at 160 MHz, radio off (data sheet 27 to 44, from memory)
RADIO_MA = (
    120.0  # mean with Wi-Fi: 95 to 100 receiving, 180 to 240 sending (data sheet, from memory)
)
MEASURE_S = 1.2  # boot of the chip and MicroPython, one measurement, one write (from memory)
JOIN_S = 3.0  # Wi-Fi association and address (common practice, no source: 1 to 6)
UPLOAD_S = (
    3.0  # TLS handshake on such a chip 1 to 2, packs and receipts (common practice, no source)
)

SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86400}

# Capacity [mAh], share lost a year lying [per cent at 20 degC], and share of the capacity left at a
# temperature (data sheets of such cells at a small load; from memory). Below the first temperature
# the cell is outside its range.
CELLS = {
    "li-ion-18650": (2600.0, 20.0, ((-20, 0.60), (-10, 0.75), (0, 0.88), (20, 1.0), (60, 1.0))),
    "lifepo4-18650": (1500.0, 20.0, ((-20, 0.50), (-10, 0.70), (0, 0.85), (20, 1.0), (60, 1.0))),
    "3-lithium-aa": (3000.0, 2.0, ((-40, 0.50), (-20, 0.80), (0, 0.95), (20, 1.0), (60, 1.0))),
    "3-alkaline-aa": (2500.0, 3.0, ((-20, 0.20), (-10, 0.40), (0, 0.65), (20, 1.0), (50, 1.0))),
}
USABLE = 0.85  # the regulator stops before the cell is empty (common practice, no source)


def mean_ua(*, every_s, send_s, fails=0.0, sleep_ua=SLEEP_UA, join_s=JOIN_S):
    """Mean current of a board and one sensor. [uA]

    Parameters
    ----------
    every_s, send_s : float
        Time between two samples, and between two uploads. [s]
    fails : float
        Share of the uploads that fail and keep the radio on for half a minute. 0 to 1
    sleep_ua : float
        Current of the whole board in deep sleep. [uA]
    join_s : float
        Time to join the Wi-Fi. [s]

    Raises
    ------
    ValueError
        If the times cannot be.
    """
    if not 0 < every_s <= send_s or not 0 <= fails <= 1:
        raise ValueError("send at most once a sample, and let a share of 0 to 1 fail")
    measuring = AWAKE_MA * 1000 * MEASURE_S / every_s
    on_air_s = (1 - fails) * (join_s + UPLOAD_S) + fails * 30
    return sleep_ua + SENSOR_UA + measuring + RADIO_MA * 1000 * on_air_s / send_s


def capacity_left(cell, temperature_c):
    """Share of a cell's capacity that it gives at a temperature, on straight lines; 0 below its range."""
    points = CELLS[cell][2]
    if temperature_c < points[0][0]:
        return 0.0
    for (low_c, low), (high_c, high) in zip(points, points[1:]):
        if temperature_c <= high_c:
            return low + (high - low) * (temperature_c - low_c) / (high_c - low_c)
    return points[-1][1]


def days(*, cell, temperature_c, current_ua):
    """How long a full cell lasts at one temperature. [days]

    What it loses lying is a current of its own.
    """
    capacity_mah, lost_percent, _ = CELLS[cell]
    usable_uah = capacity_mah * 1000 * USABLE * capacity_left(cell, temperature_c)
    lying_ua = capacity_mah * 1000 * lost_percent / 100 / (365 * 24)
    return usable_uah / (current_ua + lying_ua) / 24


def seconds(text):
    """Seconds of "15m", "6h", "90s", "1d".

    Raises
    ------
    ValueError
        If it is none of these.
    """
    number, unit = text[:-1], text[-1:]
    if unit not in SECONDS or not number.isdigit() or int(number) == 0:
        raise ValueError("write a time as 90s, 15m, 6h or 1d")
    return int(number) * SECONDS[unit]


def main(arguments=None):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--every", type=seconds, default=900, help="time between samples, as 15m")
    parser.add_argument("--send", type=seconds, default=21600, help="time between uploads, as 6h")
    parser.add_argument("--cell", choices=sorted(CELLS), default="li-ion-18650")
    parser.add_argument("--at", type=float, default=-10.0, help="coldest weeks, degC")
    parser.add_argument("--sleep-ua", type=float, default=SLEEP_UA, help="of your board, measured")
    parser.add_argument("--fails", type=float, default=0.1, help="share of uploads that fail")
    given = parser.parse_args(arguments)
    try:
        current = mean_ua(
            every_s=given.every, send_s=given.send, fails=given.fails, sleep_ua=given.sleep_ua
        )
    except ValueError as error:
        parser.error(str(error))
    print("%.0f uA on the mean" % current)
    for at in (20.0, given.at):
        left = days(cell=given.cell, temperature_c=at, current_ua=current)
        print("%s at %.0f degC: %.0f days" % (given.cell, at, left))
    print("Typical values from memory: worth a factor of two until measured on your board.")
    if given.at < CELLS[given.cell][2][0][0]:
        print("At %.0f degC this cell is outside its range." % given.at)
    if "li" in given.cell.split("-")[0] and given.at < 0:
        print("Do not charge such a cell below 0 degC; follow its maker's data sheet.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
