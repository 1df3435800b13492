"""Samples on flash until a receipt covers them; power may go at any byte.

::

    00000007.seg   S S S S ...         128 records of 32 bytes: one erase block of the flash
    00000008.seg   S S G S             S: a sample.  G: boot, first to last: stored by the monitor

Records are only ever appended, each with its checksum, and whole files are removed, the oldest
first. A torn record is skipped and ends its file: the next one begins a new file. What a receipt
covered and the power cut let come back is sent again, and is once in the record: (boot, seq) is
its identity. Where all files are in use the oldest is dropped, and what it held is counted.

The file system (littlefs) puts each append into a block that was free, so that wear spreads.
"""

import binascii
import os
import struct

import files

RECORD = (
    "<BBQIIhhhhBb"  # kind, probes, boot, seq, uptime; two of temperature, humidity; battery, signal
)
RECORD_BYTES = 32  # with the CRC-32 behind it
RECORDS_A_FILE = 128
MOST_FILES = 48  # 6144 samples: 64 days of one in 15 minutes
SAMPLE, GONE = 0x53, 0x47
NOTHING = -32768  # of a value: not measured
NO_BATTERY = 255
NO_SIGNAL = 0


class Ring:
    """Samples in a folder of their own.

    A sample is (boot, seq, uptime_s, (t, h, t, h), battery, signal): hundredths, per cent, dBm.
    """

    def __init__(self, folder, records_a_file=None, most_files=None):
        self.folder = folder
        self.records_a_file = records_a_file or RECORDS_A_FILE
        self.most_files = most_files or MOST_FILES
        self.torn = 0  # records that `live` found unreadable
        files.make_folder(folder)

    def append(self, boot, seq, uptime_s, values, battery=NO_BATTERY, signal=NO_SIGNAL):
        """Keep a sample; it is on flash when this returns.

        Raises
        ------
        OSError
            If the flash cannot be written.
        """
        self._write([_packed(SAMPLE, boot, seq, uptime_s, values, battery, signal)])

    def live(self):
        """Each sample that no receipt covers, oldest first; reads one file at a time."""
        gone = self._gone()
        self.torn = 0
        for number in self._numbers():
            for record in self._records(number):
                if record[0] == SAMPLE and not _is_in(gone, record[2], record[3]):
                    yield record[2], record[3], record[4], record[5:9], record[9], record[10]

    def forget(self, runs):
        """Let go of stored samples.

        Parameters
        ----------
        runs : list
            (boot, first seq, last seq).
        """
        gone = self._gone()
        for boot, first, last in runs:
            gone.setdefault(boot, []).append((first, last))
        numbers = self._numbers()
        while numbers and not self._holds_live(numbers[0], gone):
            self._remove(numbers.pop(0))
        held = [run for run in runs if any(self._holds(number, run) for number in numbers)]
        self._write([_packed(GONE, boot, first, last) for boot, first, last in held])

    @property
    def dropped(self):
        """Samples ever dropped because all files were in use."""
        text = files.read(self.folder + "/dropped") or b""
        return int(text) if text.isdigit() else 0

    # files

    def _path(self, number):
        return "%s/%08d.seg" % (self.folder, number)

    def _numbers(self):
        names = [name for name in os.listdir(self.folder) if name.endswith(".seg")]
        return sorted(int(name[:-4]) for name in names)

    def _write(self, records):
        while records:
            number, room = self._newest()
            with open(self._path(number), "ab") as file:
                file.write(b"".join(records[:room]))
            records = records[room:]

    def _newest(self):
        """Number of the file to append to, and how many records it still takes."""
        numbers = self._numbers()
        if numbers:
            size = os.stat(self._path(numbers[-1]))[6]
            room = self.records_a_file - size // RECORD_BYTES
            if room > 0 and size % RECORD_BYTES == 0:  # else its last record is torn
                return numbers[-1], room
        while len(numbers) >= self.most_files:
            self._drop(numbers.pop(0))
        return (numbers[-1] + 1 if numbers else 1), self.records_a_file

    def _drop(self, number):
        gone = self._gone()
        lost = sum(
            record[0] == SAMPLE and not _is_in(gone, record[2], record[3])
            for record in self._records(number)
        )
        if lost:
            files.replace(self.folder + "/dropped", b"%d" % (self.dropped + lost))
        self._remove(number)

    def _remove(self, number):
        os.remove(self._path(number))

    def _records(self, number):
        with open(self._path(number), "rb") as file:
            while True:
                data = file.read(RECORD_BYTES)
                if not data:
                    return
                record = _unpacked(data)
                if record is None:
                    self.torn += 1
                else:
                    yield record

    def _gone(self):
        """Runs of seq by boot that receipts covered."""
        gone = {}
        for number in self._numbers():
            for record in self._records(number):
                if record[0] == GONE:
                    gone.setdefault(record[2], []).append((record[3], record[4]))
        return gone

    def _holds_live(self, number, gone):
        return any(
            record[0] == SAMPLE and not _is_in(gone, record[2], record[3])
            for record in self._records(number)
        )

    def _holds(self, number, run):
        return any(
            record[0] == SAMPLE and record[2] == run[0] and run[1] <= record[3] <= run[2]
            for record in self._records(number)
        )


def _is_in(gone, boot, seq):
    return any(first <= seq <= last for first, last in gone.get(boot, ()))


def _packed(kind, boot, seq, uptime_s, values=(NOTHING,) * 4, battery=NO_BATTERY, signal=NO_SIGNAL):
    data = struct.pack(RECORD, kind, 1, boot, seq, uptime_s, *values, battery, signal)
    return data + struct.pack("<I", binascii.crc32(data))


def _unpacked(data):
    """Fields of a record; None if it is torn, or of a later version."""
    if len(data) != RECORD_BYTES:
        return None
    if struct.unpack("<I", data[-4:])[0] != binascii.crc32(data[:-4]) or data[1] != 1:
        return None
    return struct.unpack(RECORD, data[:-4])
