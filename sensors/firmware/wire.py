"""SenML packs and receipts as the monitor speaks them (RFC 8428), and their topics.

The board has no clock. A sample of this wake says how long ago it was (a time below zero counts
back from the receiver's own), all others their uptime (which a receiver takes for a clock that was
never set): the monitor times those on the line between the uploads before and after.
"""

import json

import ring

FRESH_S = 120  # how long a sample counts as of now: the clock in sleep may be off by a per cent
OLDEST_T = 2**28 - 1  # RFC 8428, 4.5.3: times below 2**28 are relative


def topic(settings, last):
    return "%s/%s/%s/%s" % (settings["prefix"], settings["site"], settings["node"], last)


class Pack:
    """Samples of this node as one message, written into a buffer that is used again.

    Memory is small and in pieces: nothing here is larger than the text of one sample.

    Parameters
    ----------
    buffer : bytearray
        Room for one sample at least: 700 bytes.
    settings : dict
        site, node, silence_s (the longest time between two uploads).
    boot, uptime_s : int
        Of now: what turns the uptime of a fresh sample into its age.
    """

    def __init__(self, buffer, settings, boot, uptime_s):
        self.keys = []  # (boot, seq) of the samples in it
        self._buffer = buffer
        self._clock = boot, uptime_s
        self._silence_s = settings["silence_s"]
        self._times = []
        base = _base_name(settings["site"], settings["node"])
        self._end = 0
        self._put('[{"bn":"%s","bver":26,' % base)  # dBm is a secondary unit (RFC 9100)

    def add(self, sample):
        """Put a sample in, as `ring.Ring.live` gives it; False: the pack is full."""
        time = _time(sample, *self._clock)
        while time in self._times:  # records of one time are one sample
            time += 1 if time > 0 else -1
        text = ",".join(_records(sample, time, self._silence_s))
        text = "," + text if self.keys else text[1:]  # the first record began with the head
        if self._end + len(text) + 1 > len(self._buffer):
            return False
        self._put(text)
        self._times.append(time)
        self.keys.append((sample[0], sample[1]))
        return True

    def payload(self):
        """The message; it is of this pack until the next one is begun."""
        self._buffer[self._end] = 0x5D  # ]
        return memoryview(self._buffer)[: self._end + 1]

    def _put(self, text):
        data = text.encode()
        self._buffer[self._end : self._end + len(data)] = data
        self._end += len(data)


def decode_receipt(payload):
    """(boot, seq, missing runs); None if it is no receipt."""
    try:
        given = json.loads(payload)
        missing = [(int(first), int(last)) for first, last in given.get("missing", ())]
        return int(given["boot"]), int(given["seq"]), missing
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def covers(receipt, boot, seq):
    """Whether a receipt says that a sample is stored."""
    if boot != receipt[0] or seq > receipt[1]:
        return False
    return not any(first <= seq <= last for first, last in receipt[2])


def _time(sample, boot, uptime_s):
    age_s = uptime_s - sample[2]
    if sample[0] == boot and 0 <= age_s <= FRESH_S:
        return -age_s
    return min(max(sample[2], 1), OLDEST_T)


def _base_name(site, node):
    """`bn`: a device URN where the code is an address (RFC 9039, 4.1)."""
    if len(node) in (12, 16) and all(each in "0123456789abcdef" for each in node):
        return "urn:dev:mac:%s:" % node
    return "%s:%s:" % (site, node)


def _records(sample, time, silence_s):
    boot, seq, uptime_s, values, battery, signal = sample
    when = ',"t":%d' % time if time else ""
    found = []
    for probe, prefix in enumerate(("", "p2/")):
        silence = ',"ut":%d' % silence_s
        for name, unit, value in (
            ("temperature", "Cel", values[2 * probe]),
            ("humidity", "%RH", values[2 * probe + 1]),
        ):
            if value != ring.NOTHING:
                found.append(
                    '{"n":"%s%s","u":"%s","v":%s%s%s}'
                    % (prefix, name, unit, _hundredths(value), when, silence)
                )
                silence = ""
    for name, unit, value, nothing in (
        ("boot", "", boot, None),
        ("seq", "", seq, None),
        ("uptime", "s", uptime_s, None),
        ("battery", "%EL", battery, ring.NO_BATTERY),
        ("signal", "dBm", signal, ring.NO_SIGNAL),
    ):
        if value != nothing:
            of_unit = ',"u":"%s"' % unit if unit else ""
            found.append('{"n":"%s"%s,"v":%d%s}' % (name, of_unit, value, when))
    return found


def _hundredths(value):
    sign = "-" if value < 0 else ""
    return "%s%d.%02d" % (sign, abs(value) // 100, abs(value) % 100)
