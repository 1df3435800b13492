"""What a board remembers in its sleep (RTC memory), and the number of its boot on flash.

A *boot* here lasts as long as the clock that runs in sleep: from power-up, or from any reset, to
the next. Its number is never used twice, also not after the flash was erased: it begins at random.
"""

import binascii
import os
import struct

import files

FORMAT = "<4sQIQIIBbI"
MAGIC = b"skp1"


class Memory:
    """State of this boot.

    Attributes
    ----------
    boot, seq, base_s : int
        Number of the boot, seq of the next sample, the clock when the boot began.
    wakes, send_at : int
        Wakes so far, and the wake at which to send next.
    failures, signal : int
        Uploads that failed in a row; dBm of the last association, not yet told.
    faults : int
        Measurements of the first probe that failed, since the boot began.
    """

    def __init__(self, boot, base_s):
        self.boot = boot
        self.base_s = base_s
        self.seq = self.wakes = self.send_at = 0
        self.failures = self.signal = self.faults = 0

    def packed(self):
        data = struct.pack(
            FORMAT,
            MAGIC,
            self.boot,
            self.seq,
            self.base_s,
            self.wakes,
            self.send_at,
            self.failures,
            self.signal,
            self.faults,
        )
        return data + struct.pack("<I", binascii.crc32(data))


def wake(board, folder):
    """The memory of the boot that goes on, or of a new one."""
    found = _unpacked(board.memory()) if board.woke_from_sleep() else None
    if found is None:
        found = Memory(_next_boot(folder), board.clock_s())
        board.keep(found.packed())
    return found


def _unpacked(data):
    size = struct.calcsize(FORMAT)
    if data is None or len(data) != size + 4 or data[:4] != MAGIC:
        return None
    if struct.unpack("<I", data[size:])[0] != binascii.crc32(data[:size]):
        return None
    fields = struct.unpack(FORMAT, data[:size])
    found = Memory(fields[1], fields[3])
    found.seq = fields[2]
    found.wakes, found.send_at, found.failures, found.signal, found.faults = fields[4:]
    return found


def _next_boot(folder):
    text = files.read(folder + "/boot") or b""
    if text.endswith(b"\n") and text[:-1].isdigit():
        boot = int(text) + 1
    else:  # 32 random bits, and room for 65,535 boots
        boot = int.from_bytes(os.urandom(4), "big") * 65536 + 1
    files.replace(folder + "/boot", b"%d\n" % boot)
    return boot
