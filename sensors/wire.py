"""SenML packs <-> readings (RFC 8428): the wire format that nodes and the monitor share.

::

    topic    <prefix>/<site>/<node>/senml
    payload  [{"bn":"urn:dev:mac:02005e10a4c3:","bt":1764057600,
               "n":"temperature","u":"Cel","v":11.42},
              {"n":"humidity","u":"%RH","v":78.6},  {"n":"p2/temperature","u":"Cel","v":9.8},
              {"n":"boot","v":17}, {"n":"seq","v":10230}, {"n":"uptime","u":"s","v":85520}]

    records of one time = one sample:  boot, seq, uptime, battery and signal without a probe
    prefix belong to every probe of that time; each probe of it becomes one Reading.

Two kinds of fault. A fault of the pack (no JSON, no array, another node's name, an unknown
version) rejects the whole message. A fault of one sample (an impossible value, a wrong unit, an
unset clock without uptime) rejects that probe's sample; the others become readings. Names that
are not ours are left out and named. Whatever is not a reading is in the one Reject of the message.
"""

import re
from collections.abc import Sequence
from functools import lru_cache
from math import isfinite
from typing import Any, Final, NamedTuple

import msgspec
from msgspec import UNSET, UnsetType


class Reading(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """One sample of one probe. None: not measured."""

    site: str
    node: str
    probe: str = "p1"
    boot: int | None = None
    seq: int | None = None
    at_s: int | None = None  # whole seconds since 1970-01-01T00:00Z; None: time pending
    uptime_s: int | None = None
    silence_s: int | None = None  # SenML `ut`, the longest expected silence; None: 900 s
    temperature_c: float | None = None
    humidity_percent: float | None = None
    wood_percent: float | None = None
    contact: bool | None = None
    rain_mm: float | None = None  # since the last sample
    pressure_pa: float | None = None
    co2_ppm: float | None = None
    battery_percent: float | None = None
    signal_dbm: float | None = None


class Reject(msgspec.Struct, frozen=True, gc=False, kw_only=True):
    """A message, or one sample of it, that cannot be used; kept whole, with a sentence that says why."""

    topic: str
    payload: bytes
    reason: str
    received_s: int


class Receipt(msgspec.Struct, frozen=True, kw_only=True):
    """Monitor to node: every sample of `boot` up to and including `seq` is stored, save `missing`."""

    boot: int
    seq: int
    utc: int
    missing: list[tuple[int, int]] = []


CODE: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")  # site, node and probe: fullmatch
OLDEST_S: Final = 1_262_304_000  # 2010-01-01: a clock before it was never set (boards start at
# 1970, 1980 or 2000; from memory), and histories of earlier years are files, not messages
AHEAD_S: Final = 300  # a clock further ahead of ours is wrong; drift of a day stays far below
MAX_SILENCE_S: Final = 31 * 86400  # a node that may be silent for longer is not watching
_RELATIVE_BELOW_S: Final = 2**28  # RFC 8428, 4.5.3: smaller times are relative to now
_WHOLE: Final = 2**53 - 1  # integers that every JSON reader keeps exactly (RFC 7493)
_SECONDARY_UNITS: Final = 0b10000  # feature 4 of RFC 9100: `bver` 10 + 16 = 26
_RESERVED: Final = 0b01111  # low four bits: the base version, 10
_OWN_VERSION: Final = 11  # taken for 26: what a node counts up to that read RFC 8428 alone
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428, 4.5.1
_SHOWN: Final = 5  # sentences of one message; the rest is counted


class _Record(msgspec.Struct, gc=False, frozen=True):
    """One SenML record as written; the labels of RFC 8428, table 1."""

    bn: str | UnsetType = UNSET
    bt: float | UnsetType = UNSET
    bu: str | UnsetType = UNSET
    bv: float | UnsetType = UNSET
    bs: float | UnsetType = UNSET
    bver: int | UnsetType = UNSET
    n: str = ""
    u: str | UnsetType = UNSET
    v: float | UnsetType = UNSET
    vs: str | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    vd: str | UnsetType = UNSET
    s: float | UnsetType = UNSET
    t: float = 0.0
    ut: float | UnsetType = UNSET


class _Quantity(NamedTuple):
    """What a name in a unit means; `field` of Reading = value * scale + offset."""

    field: str
    low: float  # limits of the field, in its unit
    high: float
    scale: float = 1.0
    offset: float = 0.0
    secondary: bool = False  # a unit of RFC 8798
    whole: bool = False
    flag: bool = False  # travels as `vb`


# Limits are what a working probe can report in or on a vehicle; beyond them it is broken or the
# unit is wrong (common practice, no source). Humidity: capacitive probes in condensing air read a
# few per cent above 100, so 105 is kept as measured and 130 is a fault.
_QUANTITIES: Final[dict[str, dict[str, _Quantity]]] = {
    "temperature": {
        "Cel": _Quantity("temperature_c", -60, 120),
        "K": _Quantity("temperature_c", -60, 120, offset=-273.15),
    },
    "humidity": {"%RH": _Quantity("humidity_percent", 0, 105)},
    "wood": {"%": _Quantity("wood_percent", 0, 200)},
    "rain": {"mm": _Quantity("rain_mm", 0, 2000, secondary=True)},
    "pressure": {
        "Pa": _Quantity("pressure_pa", 30_000, 110_000),
        "hPa": _Quantity("pressure_pa", 30_000, 110_000, scale=100.0, secondary=True),
    },
    "co2": {"ppm": _Quantity("co2_ppm", 0, 100_000, secondary=True)},
    "battery": {"%EL": _Quantity("battery_percent", 0, 100)},
    "signal": {"dBm": _Quantity("signal_dbm", -200, 50, secondary=True)},
    "boot": {"": _Quantity("boot", 0, _WHOLE, whole=True)},
    "seq": {"": _Quantity("seq", 0, _WHOLE, whole=True)},
    "uptime": {"s": _Quantity("uptime_s", 0, 2**40, whole=True)},
    "contact": {"": _Quantity("contact", 0, 1, flag=True)},
}
_OF_NODE: Final = frozenset({"boot", "seq", "uptime", "battery", "signal"})
_OF_SAMPLE: Final = frozenset({"boot", "seq", "uptime"})  # never a probe's own
_UNITLESS: Final = frozenset({"boot", "seq", "contact"})
_FAULT: Final = "fault"  # key beside a probe's fields: why they cannot be used
_WRITTEN: Final = tuple(  # name, field, unit as `encode` writes them
    (name, next(iter(units.values())).field, next(iter(units)))
    for name, units in _QUANTITIES.items()
)


_Fields = dict[str, Any]  # the fields of one Reading as they come; checked before they are set
_Samples = dict[float, dict[str, _Fields]]  # time -> probe ("": the node itself) -> fields

_PACK: Final = msgspec.json.Decoder(list[_Record])
_LABELS: Final = msgspec.json.Decoder(list[dict[str, msgspec.Raw]])
_RECEIPT: Final = msgspec.json.Decoder(Receipt)
_ENCODER: Final = msgspec.json.Encoder()


class _PackError(Exception):
    """The whole message is unusable; the text is the sentence of its Reject."""


def topic(site: str, node: str, prefix: str = "sillkeep") -> str:
    """Topic on which a node publishes its packs."""
    return f"{prefix}/{site}/{node}/senml"


def split_topic(topic: str) -> tuple[str, str, str]:
    """Site, node and last part (`senml`, `state`, `receipt`) of a topic of any prefix.

    Raises
    ------
    ValueError
        If the topic has too few parts, or a site or node that is no code.
    """
    parts = topic.rsplit("/", 3)
    if len(parts) < 3:
        raise ValueError(f"topic {_shown(topic)} is not <prefix>/<site>/<node>/senml")
    site, node, last = parts[-3:]
    for code in (site, node):
        if not CODE.fullmatch(code):
            raise ValueError(
                f"topic {_shown(topic)} holds {_shown(code)}: site and node are codes of "
                "a-z 0-9 - _ (at most 64); rename it at the node"
            )
    return site, node, last


def decode(
    topic: str, payload: bytes, *, received_s: int, waited_s: int = 0
) -> tuple[list[Reading], list[Reject]]:
    """Readings of one message, and its Reject if anything in it is not a reading.

    Parameters
    ----------
    topic : str
        Topic it came on; names site and node.
    payload : bytes
        SenML JSON; any bytes are allowed here.
    received_s : int
        When we received it. [s since 1970]
    waited_s : int
        How long it waited in the broker; relative times count back from before that. [s]

    Returns
    -------
    tuple[list[Reading], list[Reject]]
        Readings in the order of the pack, and no or one Reject, whose reason names every
        sample that is missing from them. Never raises, whatever the bytes.

    References
    ----------
    .. [1] RFC 8428 (SenML), 4: labels, names, units, versions, times.
    .. [2] RFC 9100, 2 and 4: `bver` is a set of bits; secondary units are 2**4.
    .. [3] RFC 8798: secondary units mm, ppm, dBm, hPa.
    """
    try:
        site, node, last = split_topic(topic)
        if last != "senml":
            raise _PackError(f"topic ends in {_shown(last)}: packs are published to .../senml")
        samples, strangers = _resolve(_records(payload), node)
    except (_PackError, ValueError) as error:
        return [], [Reject(topic=topic, payload=payload, reason=str(error), received_s=received_s)]
    readings: list[Reading] = []
    faults: list[str] = []
    now_s = received_s - waited_s
    for time_s, probes in samples.items():
        of_node = probes.pop("", None) or {}
        at_s = _absolute(time_s, now_s=now_s)
        unset = not OLDEST_S <= at_s <= received_s + AHEAD_S or (-1 < time_s - at_s < 1) is None
        for probe, own in (probes or {"p1": {}}).items():
            fields = {**of_node, **own} if of_node else own
            fault = _fault(fields, unset=unset)
            if fault:
                faults.append(f"{probe} at t {time_s:.15g}: {fault}")
            else:
                fields["at_s"] = None if unset else at_s
                readings.append(Reading(site=site, node=node, probe=probe, **fields))
    if not faults and not strangers:
        return readings, []
    reason = _reason(faults, strangers, count=len(faults) + len(readings))
    return readings, [Reject(topic=topic, payload=payload, reason=reason, received_s=received_s)]
