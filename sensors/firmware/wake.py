"""One wake: measure, store, send where it is due, and how long to sleep then.

::

    power-up or reset ──▶ new boot ──┐
    out of sleep ──▶ same boot ──────┴▶ measure ─▶ ring ─▶ due? ─▶ Wi-Fi, upload ─▶ forget ─▶ sleep
"""

import os
import time

import memory
import ring
import sht4x
import uplink

ADDRESSES = (0x44, 0x45)  # of the first probe and, where there is one, the second


def run(board, settings, folder):
    """Do what this wake has to do; seconds to sleep after it.

    It lasts `awake_s` at most: every wait asks how much is left. What cannot be asked (a name
    server that hangs) ends by the watchdog, and the ring is none the worse for it.
    """
    began = time.ticks_ms()

    def left_ms():
        return settings["awake_s"] * 1000 - time.ticks_diff(time.ticks_ms(), began)

    kept = memory.wake(board, folder)
    if kept.wakes == 0 and board.was_watchdog():
        kept.send_at = 1  # what hung would hang again at once
    store = ring.Ring(folder + "/ring")
    fresh = measure(board, settings, kept, store)
    if kept.wakes >= kept.send_at:
        upload(board, settings, kept, store, fresh, left_ms)
    kept.wakes += 1
    board.keep(kept.packed())
    spent_s = time.ticks_diff(time.ticks_ms(), began) // 1000
    return max(settings["every_s"] - spent_s, 1)


def measure(board, settings, kept, store):
    """The sample of now, on flash; none where no probe answers."""
    values = []
    for place, address in enumerate(ADDRESSES):
        try:
            values += sht4x.measure(board.i2c(), address)
        except sht4x.SensorError:
            values += [ring.NOTHING, ring.NOTHING]
            if place == 0:
                kept.faults += 1
    if all(value == ring.NOTHING for value in values):
        return []
    seq = kept.seq
    kept.seq += 1  # before the ring: a seq may be left out, but never used twice
    sample = (
        kept.boot,
        seq,
        board.clock_s() - kept.base_s,
        tuple(values),
        _battery(board, settings),
        kept.signal,
    )
    kept.signal = ring.NO_SIGNAL
    board.keep(kept.packed())
    try:
        store.append(*sample)
    except OSError as error:  # flash full or worn out: what is sent now need not be on it
        board.say("not stored: %r" % error)
    return [sample]


def upload(board, settings, kept, store, fresh, left_ms):
    """Send, forget what is stored, and set when to send next."""
    try:
        kept.signal = board.join(settings["wifi_name"], settings["wifi_password"], left_ms)
        stored, problem = uplink.send(
            settings,
            fresh,
            store.live(),
            lambda: (kept.boot, board.clock_s() - kept.base_s),
            left_ms,
            {"dropped": store.dropped, "faults": kept.faults},
        )
    except (
        Exception
    ) as error:  # whatever it was: the samples are in the ring, and the board must sleep
        stored, problem = [], "%s: %s" % (type(error).__name__, error)
    finally:
        board.leave()
    if stored:
        store.forget(stored)
    each = settings["send_each"]
    if problem:
        kept.failures = min(kept.failures + 1, 12)
        # at random, so that a yard of boards does not come back in one minute
        pause = int.from_bytes(os.urandom(2), "big") % min(2**kept.failures, each) + 1
        kept.send_at = kept.wakes + pause
        board.say("not all was sent: " + problem)
    else:
        kept.failures = 0
        kept.send_at = kept.wakes + each
    if kept.wakes == 0:
        board.blink(5 if problem else 1)


def _battery(board, settings):
    """Per cent of charge on a straight line of voltage: rough, as a cell's is none."""
    millivolts = board.battery_mv()
    full, empty = settings["full_mv"], settings["empty_mv"]
    if millivolts is None or full <= empty:
        return ring.NO_BATTERY
    return min(max((millivolts - empty) * 100 // (full - empty), 0), 100)
