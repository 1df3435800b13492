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


def encode(settings, samples, boot, uptime_s):
    """Pack of samples of this node, as bytes.

    Parameters
    ----------
    settings : dict
        site, node, silence_s (the longest time between two uploads).
    samples : list
        As `ring.Ring.live` gives them.
    boot, uptime_s : int
        Of now: what turns the uptime of a fresh sample into its age.
    """
    records = []
    has_signal = False
    used = set()
    for sample in samples:
        time = _time(sample, boot, uptime_s)
        while time in used:  # records of one time are one sample
            time += 1 if time > 0 else -1
        used.add(time)
        records += _records(sample, time, settings["silence_s"])
        has_signal = has_signal or sample[5] != ring.NO_SIGNAL
    head = '{"bn":"%s",' % _base_name(settings["site"], settings["node"])
    if has_signal:
        head += '"bver":26,'  # dBm is a secondary unit (RFC 9100)
    return ("[" + head + ",".join(records)[1:] + "]").encode()


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
