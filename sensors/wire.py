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
from math import ceil, isfinite
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
    site: str = ""  # of the samples below
    node: str = ""
    seqs: tuple[tuple[int, int], ...] = ()  # (boot, seq) of samples that are here, not readings


class Receipt(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Monitor to node: every sample of `boot` up to and including `seq` is stored, save `missing`.

    A boot with very many gaps takes several receipts. Those after the first one list all before
    `first` as one gap: such a sample may be stored all the same, it is told in another receipt.
    """

    boot: int
    seq: int
    utc: int
    missing: list[tuple[int, int]] = []
    first: int = 0


CODE: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")  # site, node and probe: fullmatch
OLDEST_S: Final = 1_262_304_000  # 2010-01-01: a clock before it was never set (boards start at
# 1970, 1980 or 2000; from memory), and histories of earlier years are files, not messages
SILENCE_S: Final = 900  # longest expected silence of a node that declares none
MOST_STATE_BYTES: Final = 8192
MOST_FAULTS, MOST_FAULT = 16, 160  # of a node, and letters of each
AHEAD_S: Final = 300  # a clock further ahead of ours is wrong; drift of a day stays far below
MAX_SILENCE_S: Final = 31 * 86400  # a node that may be silent for longer is not watching
_RELATIVE_BELOW_S: Final = 2**28  # RFC 8428, 4.5.3: smaller times are relative to now
_WHOLE: Final = 2**53 - 1  # integers that every JSON reader keeps exactly (RFC 7493)
_SECONDARY_UNITS: Final = 0b10000  # feature 4 of RFC 9100: `bver` 10 + 16 = 26
_VERSION: Final = 10  # RFC 8428
_RESERVED: Final = 0b01111  # low four bits, the base version
_OWN_VERSION: Final = 11  # taken for 26: what a node counts up to that read RFC 8428 alone
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428, 4.5.1
_ADDRESS: Final = re.compile(r"[0-9a-f]{12}|[0-9a-f]{16}")  # EUI-48, EUI-64
_LONGEST: Final = 255  # characters of a name; ours are far shorter
_FIRST: Final = "p1"  # the probe of a name without prefix
_SHOWN: Final = 5  # sentences of one message; the rest is counted
_SHOWN_LENGTH: Final = 80


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
    """What a name in a unit means; `field` of Reading = value * factor + offset."""

    field: str
    low: float  # limits of the field, in its unit
    high: float
    factor: float = 1.0
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
    # "%" is a ratio of 0 to 1 to RFC 8428 (12.1, note 1); per cent is "/100" of RFC 8798. Nodes may
    # send either: no wood holds less than 1 % of water
    "wood": {
        "%": _Quantity("wood_percent", 0, 200),
        "/100": _Quantity("wood_percent", 0, 200, secondary=True),
    },
    "contact": {"": _Quantity("contact", 0, 1, flag=True)},
    "rain": {"mm": _Quantity("rain_mm", 0, 2000, secondary=True)},
    "pressure": {
        "Pa": _Quantity("pressure_pa", 30_000, 110_000),
        "hPa": _Quantity("pressure_pa", 30_000, 110_000, factor=100.0, secondary=True),
    },
    "co2": {"ppm": _Quantity("co2_ppm", 0, 100_000, secondary=True)},
    "battery": {"%EL": _Quantity("battery_percent", 0, 100)},
    "signal": {"dBm": _Quantity("signal_dbm", -200, 50, secondary=True)},
    "boot": {"": _Quantity("boot", 0, _WHOLE, whole=True)},
    "seq": {"": _Quantity("seq", 0, _WHOLE, whole=True)},
    "uptime": {"s": _Quantity("uptime_s", 0, 2**40, whole=True)},
}
_OF_NODE: Final = frozenset({"boot", "seq", "uptime", "battery", "signal"})
_OF_SAMPLE: Final = frozenset({"boot", "seq", "uptime"})  # never a probe's own
_UNITLESS: Final = frozenset({"boot", "seq", "contact"})
_FAULT: Final = "fault"  # key beside a probe's fields: why they cannot be used
_LEFT: Final = "left"  # key beside a probe's fields: values that were left out of them, and why
_STAMPS: Final = frozenset({"boot", "seq", "uptime_s"})
_NOT_MEASURED: Final = _STAMPS | {"silence_s"}
_WRITTEN: Final = tuple(  # name, unit and quantity as `encode` writes them
    (name, *next(iter(units.items()))) for name, units in _QUANTITIES.items()
)


LIMITS: Final = {  # of every number of a Reading that a working node can send, both included
    each.field: (each.low, each.high) for _, _, each in _WRITTEN
}
_OWN_FIELDS: Final = tuple(each.field for name, _, each in _WRITTEN if name not in _OF_NODE)

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


def decode_state(payload: bytes) -> dict[str, str] | None:
    """Faults that a node tells in its state, by probe: few and short, whatever comes.

    None where it tells nothing: it is offline, or the message is none.
    """
    if len(payload) > MOST_STATE_BYTES:
        return None
    try:
        told = msgspec.json.decode(payload)
    except (msgspec.MsgspecError, RecursionError):
        return None
    if not isinstance(told, dict) or told.get("state") != "online":
        return None
    given = told.get("faults", {})
    if not isinstance(given, dict):
        return None
    faults: dict[str, str] = {}
    for code, why in sorted(given.items()):
        if CODE.fullmatch(code) and isinstance(why, str) and len(faults) < MOST_FAULTS:
            plain = "".join(each if each.isprintable() else " " for each in why[:MOST_FAULT])
            faults[code] = " ".join(plain.split())
    return faults


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
        Readings in the order of the pack, and no or one Reject, whose reason names every sample
        and every single value that is missing from them. A value that cannot be is left out alone:
        a fuel gauge that says 101 % must not take liquid water with it. Never raises, whatever the
        bytes.

    References
    ----------
    .. [1] RFC 8428 (SenML), 4: labels, names, units, versions, times.
    .. [2] RFC 9100, 2 and 4: `bver` is a set of bits; secondary units are 2**4.
    .. [3] RFC 8798: secondary units mm, ppm, dBm, hPa.
    """
    try:
        site, node = _sender(topic)
        samples, strangers = _resolve(_records(payload), node)
    except (_PackError, ValueError) as error:
        return [], [Reject(topic=topic, payload=payload, reason=str(error), received_s=received_s)]
    readings: list[Reading] = []
    faults: list[str] = []
    left: list[str] = []
    seqs: list[tuple[int, int]] = []
    for time_s, probes in samples.items():
        of_node = probes.pop("", None)
        at_s = _when(time_s, received_s=received_s, waited_s=waited_s)
        if of_node:
            left += [f"t={time_s:.15g}: {why}" for why in of_node.pop(_LEFT, ())]
        for probe, own in (probes or {_FIRST: {}}).items():
            fields = {**of_node, **own} if of_node else own
            without = fields.pop(_LEFT, ())
            fault = _fault(fields, at_s)
            if without:
                fault = fault and without[0]
                left += [f"{probe} at t={time_s:.15g}: {why}" for why in without if not fault]
            if fault:
                faults.append(f"{probe} at t={time_s:.15g}: {fault}")
                boot, seq = fields.get("boot"), fields.get("seq")
                if isinstance(boot, int) and isinstance(seq, int):
                    seqs.append((boot, seq))
            else:
                readings.append(Reading(site=site, node=node, probe=probe, at_s=at_s, **fields))
    if not faults and not left and not strangers:
        return readings, []
    reason = _reason(faults, left, strangers, samples=len(faults) + len(readings))
    reject = Reject(
        topic=topic,
        payload=payload,
        reason=reason,
        received_s=received_s,
        site=site,
        node=node,
        seqs=tuple(seqs),
    )
    return readings, [reject]


def encode(readings: Sequence[Reading]) -> bytes:
    """Pack of one node's readings; `decode` gives them back in this order.

    Readings next to each other with the same time, uptime, boot and seq go out as one sample,
    so an unprefixed record of one belongs to all of them. A reading without a time is written
    with its uptime as time, which a receiver takes for an unset clock.

    Parameters
    ----------
    readings : Sequence[Reading]
        At least one, all of one site and node; those without `at_s` need boot, seq, uptime.

    Raises
    ------
    ValueError
        If they are none, of two nodes, hold a time that no receiver could resolve, a probe that
        is no code, a value that is no number, or nothing measured.
    """
    if not readings:
        raise ValueError("a pack needs at least one reading")
    site, node = readings[0].site, readings[0].node
    base_s = 0 if any(reading.at_s is None for reading in readings) else readings[0].at_s or 0
    records: list[dict[str, object]] = []
    used: set[float] = set()
    secondary = False
    for sample in _grouped(readings):
        if sample[0].site != site or sample[0].node != node:
            raise ValueError(f"a pack holds one node, not {node} and {sample[0].node}")
        time_s = _free_time(_wire_time(sample[0]) - base_s, used)
        for record, is_secondary in _sample_records(sample):
            secondary = secondary or is_secondary
            records.append(record | {"t": time_s} if time_s else record)
    head: dict[str, object] = {"bn": base_name(site, node)}
    if base_s:
        head["bt"] = base_s
    if secondary:
        head["bver"] = _VERSION | _SECONDARY_UNITS
    records[0] = head | records[0]
    return _ENCODER.encode(records)


def encode_receipt(receipt: Receipt) -> bytes:
    """JSON of a receipt; `missing` only where something is."""
    return _ENCODER.encode(receipt)


def decode_receipt(payload: bytes) -> Receipt:
    """Receipt from its JSON.

    Raises
    ------
    ValueError
        If it is none, or its numbers are negative or its gaps turned round.
    """
    try:
        receipt = _RECEIPT.decode(payload)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"not a receipt: {error}") from error
    if not all(
        0 <= each <= _WHOLE for each in (receipt.boot, receipt.seq, receipt.utc, receipt.first)
    ):
        raise ValueError(
            f"not a receipt: boot, seq, utc and first are whole numbers of 0 to {_WHOLE}"
        )
    if any(not 0 <= first <= last <= _WHOLE for first, last in receipt.missing):
        raise ValueError("not a receipt: a gap is [first, last]")
    return receipt


@lru_cache(maxsize=4096)
def _sender(topic: str) -> tuple[str, str]:
    site, node, last = split_topic(topic)
    if last != "senml":
        raise _PackError(f"topic ends in {_shown(last)}: publish packs on .../senml")
    return site, node


# ---- one pack -> samples -------------------------------------------------------------------------


class _Base(NamedTuple):
    """Base fields in force; they hold until a later record replaces them (RFC 8428, 4.1)."""

    name: str = ""
    is_own: bool = False  # the last part of the base name is the node of the topic
    time_s: float = 0.0
    unit: str = ""
    value: float = 0.0


def _records(payload: bytes) -> list[_Record]:
    try:
        records = _PACK.decode(payload)
        if b'_"' in payload or b"\\" in payload:  # an escape may hide the underscore
            _check_labels(_LABELS.decode(payload))
    except (ValueError, RecursionError) as error:
        raise _PackError(
            f"not a SenML pack ({error}): send a JSON array of records (RFC 8428)"
        ) from error
    return records


def _check_labels(records: list[dict[str, msgspec.Raw]]) -> None:
    for record in records:
        for label in record:
            if label.endswith("_"):
                raise _PackError(
                    f"label {_shown(label)} must be understood and is not: send the pack without it"
                )


def _secondary_allowed(records: list[_Record]) -> bool:
    """Whether the pack's version includes secondary units (RFC 9100, 2 and 4)."""
    versions = {record.bver for record in records if record.bver is not UNSET}
    if not versions:
        return False
    version = versions.pop()
    if versions or version < 0 or version & ~(_SECONDARY_UNITS | _RESERVED):
        raise _PackError(
            f"bver {_shown(versions | {version})} is not understood: send one of 10, or 26 with "
            "secondary units, the same all through the pack"
        )
    return version == _OWN_VERSION or bool(version & _SECONDARY_UNITS)


def _resolve(records: list[_Record], node: str) -> tuple[_Samples, list[str]]:
    """Samples by time and probe, in the order of the pack, and the names that are not ours."""
    secondary = _secondary_allowed(records)
    samples: _Samples = {}
    strangers: list[str] = []
    base = _Base()
    base_name, is_own, base_s, base_unit, base_value = base
    here: dict[str, _Fields] = {}  # of the time of the record before
    here_s: float | None = None
    for record in records:
        if (
            record.bn is not UNSET
            or record.bt is not UNSET
            or record.bu is not UNSET
            or record.bv is not UNSET
        ):
            base = _based(record, base, node)
            base_name, is_own, base_s, base_unit, base_value = base
        if not (record.vb is record.vs is record.vd is UNSET is not record.v or _has_value(record)):
            continue
        name = record.n if is_own else _local_name(base_name, record.n, node)
        unit = base_unit if record.u is UNSET else record.u
        probe, quantity, fault = _meaning(name, unit, secondary)
        if quantity is None and not fault:
            strangers.append(name)
            continue
        time_s = base_s + record.t
        if time_s != here_s:
            here_s, here = time_s, samples.setdefault(time_s, {})
        fields = here.get(probe)
        if fields is None:
            fields = here[probe] = {}
        if quantity is None:
            _leave_out(fields, name.rpartition("/")[2], fault)
        else:
            _put(fields, quantity, record, base_value)
    if not samples and not strangers:
        raise _PackError("the pack holds no sample: send at least one record with a value")
    return samples, strangers


def _based(record: _Record, before: _Base, node: str) -> _Base:
    name, is_own, time_s, unit, value = before
    if record.bn is not UNSET:
        name = record.bn
        is_own = _last_part(name) == node
    if record.bt is not UNSET:
        time_s = record.bt
    if record.bu is not UNSET:
        unit = record.bu
    if record.bv is not UNSET:
        value = record.bv
    return _Base(name, is_own, time_s, unit, value)


def _has_value(record: _Record) -> bool:
    """Whether a record holds a value; False for one of base fields alone."""
    if record.vs is UNSET and record.vd is UNSET:
        if (record.v is UNSET) != (record.vb is UNSET):
            return True
    elif (record.vs is UNSET) != (record.vd is UNSET) and record.v is record.vb is UNSET:
        return True
    if record.n or not record.v is record.vb is record.vs is record.vd is record.s is UNSET:
        raise _PackError(
            f"record {_shown(record.n)} holds none or several values: send exactly one of v, vb, "
            "vs, vd"
        )
    return False


@lru_cache(maxsize=4096)
def _last_part(name: str) -> str:
    """The last part between colons that is not empty: the node's own name."""
    if name and (len(name) > _LONGEST or not _NAME.fullmatch(name)):
        raise _PackError(
            f"{_shown(name)} is no name: use at most {_LONGEST} of A-Z a-z 0-9 - : . / _"
        )
    return name.rstrip(":").rpartition(":")[2]


def _local_name(base_name: str, name: str, node: str) -> str:
    """Name within the node, of a record that spells out its full name (RFC 8428, 4.5.1)."""
    head, colon, local = f"{base_name}{name}".rpartition(":")
    if not colon or _last_part(head) != node:
        raise _PackError(
            f"name {_shown(base_name + name)} is not of node {node}, which the topic names: "
            f'set "bn" to a name that ends in ":{node}:"'
        )
    return local


@lru_cache(maxsize=4096)
def _meaning(name: str, unit: str, secondary: bool) -> tuple[str, _Quantity | None, str]:  # noqa: FBT001  positional for the cache
    """Probe, quantity and fault of a local name in a unit; neither of the two: not ours."""
    if len(name) + len(unit) > _LONGEST:  # raised, so that the cache holds short ones only
        raise _PackError(f"name {_shown(name)} is longer than {_LONGEST} characters: shorten it")
    probe, _, local = name.rpartition("/")
    units = _QUANTITIES.get(local)
    if units is None or (probe and (local in _OF_SAMPLE or not CODE.fullmatch(probe))):
        return "", None, ""
    if not probe:
        probe = "" if local in _OF_NODE else _FIRST
    quantity = units.get("" if local in _UNITLESS else unit)
    if quantity is None:
        wanted = next(iter(units))
        given = f"is in {_shown(unit)}" if unit else "has no unit"
        return probe, None, f'{local} {given}: convert it to {wanted} and send "u":"{wanted}"'
    if quantity.secondary and not secondary:
        return (
            probe,
            None,
            f'{local} is in {unit}, a secondary unit: send "bver":26 in the first record',
        )
    return probe, quantity, ""


def _put(fields: _Fields, quantity: _Quantity, record: _Record, base_value: float) -> None:
    """Set one value of a sample, or the reason why it is left out, or the sample cannot be used."""
    field, low, high, factor, offset, _, is_whole, is_flag = quantity
    value: float | bool | UnsetType = record.vb if is_flag else record.v
    if value is UNSET:
        wanted = '"vb" (true or false)' if is_flag else '"v" (a number)'
        _leave_out(fields, field, f"{field} has the wrong kind of value: send it in {wanted}")
    elif field in fields:
        fields[_FAULT] = f"{field} is there twice at one time: give each sample its own t"
    elif is_flag:
        fields[field] = value
    else:
        value += base_value
        if factor != 1.0 or offset:
            value = round(value * factor + offset, 6)  # 284.57 K is 11.42 Cel
        if not low <= value <= high:
            why = (
                f"{field} of {value:.9g} is outside {low:g} to {high:g}: check the probe and the "
                "unit it sends"
            )
            _leave_out(fields, field, why)
        elif is_whole:
            _put_whole(fields, field, value)
        else:
            fields[field] = value
    if record.ut is not UNSET:
        _put_silence(fields, record.ut)


def _leave_out(fields: _Fields, field: str, why: str) -> None:
    """Go without one value; without its identity or uptime the sample itself cannot be used."""
    if field in _STAMPS or field in _OF_SAMPLE:
        fields[_FAULT] = why
    else:
        fields.setdefault(_LEFT, []).append(why)


def _put_whole(fields: _Fields, field: str, value: float) -> None:
    whole = int(value)
    if value == whole:
        fields[field] = whole
    elif field == "uptime_s":
        fields[field] = round(value)
    else:
        fields[_FAULT] = f"{field} is no whole number: count it up by one"


def _put_silence(fields: _Fields, update_s: float) -> None:
    if not 0 < update_s <= MAX_SILENCE_S:
        fields[_FAULT] = (
            f"ut of {update_s:.9g} s is outside 1 to {MAX_SILENCE_S}: send the longest time "
            "between two packs"
        )
        return
    fields["silence_s"] = max(ceil(update_s), fields.get("silence_s", 0))


# ---- samples -> readings -------------------------------------------------------------------------


def _when(time_s: float, *, received_s: int, waited_s: int) -> int | None:
    """Whole seconds since 1970 of a resolved SenML time; None where the clock was never set."""
    if not abs(time_s) <= _WHOLE or 0 < time_s < _RELATIVE_BELOW_S:
        return None  # after now: a clock that counts from its own start
    at_s = round(time_s if time_s > 0 else received_s - waited_s + time_s)
    return at_s if OLDEST_S <= at_s <= received_s + AHEAD_S else None


def _fault(fields: _Fields, at_s: int | None) -> str:
    """Why these fields are no Reading; empty: they are one."""
    if _FAULT in fields:
        return str(fields[_FAULT])
    has_boot, has_seq = "boot" in fields, "seq" in fields
    if has_boot != has_seq:
        return "boot without seq, or seq without boot: send both or neither"
    if at_s is None and not (has_boot and "uptime_s" in fields):
        return (
            "the clock of the node is not set, or wrong: set it, or send boot, seq and uptime "
            "with every sample"
        )
    if _NOT_MEASURED.issuperset(fields):
        return "no measured value: send at least one, such as temperature"
    return ""


def _reason(faults: list[str], left: list[str], strangers: list[str], *, samples: int) -> str:
    """The sentence of a Reject: each fault with its sample, and the values and names left out."""
    parts = []
    if faults:
        more = f"; and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
        parts.append(
            f"{len(faults)} of {samples} samples rejected: " + "; ".join(faults[:_SHOWN]) + more
        )
    if left:
        more = f"; and {len(left) - _SHOWN} more" if len(left) > _SHOWN else ""
        parts.append(f"{len(left)} values left out: " + "; ".join(left[:_SHOWN]) + more)
    if strangers:
        names = sorted(set(strangers))
        more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        parts.append(
            f"{len(strangers)} records left out: "
            + ", ".join(_shown(name) for name in names[:_SHOWN])
            + f"{more}: rename them to one of {', '.join(_QUANTITIES)} "
            '(another probe: "p2/temperature")'
        )
    return ". ".join(parts)


def _shown(foreign: object) -> str:
    """Text of others, printable, on one line and short."""
    text = ascii(foreign)
    return text if len(text) <= _SHOWN_LENGTH else f"{text[:_SHOWN_LENGTH]}..."


# ---- readings -> pack ----------------------------------------------------------------------------


def base_name(site: str, node: str) -> str:
    """`bn` of a node: a device URN where its code is an address (RFC 9039, 4.1)."""
    return f"urn:dev:mac:{node}:" if _ADDRESS.fullmatch(node) else f"{site}:{node}:"


def _grouped(readings: Sequence[Reading]) -> list[list[Reading]]:
    """Readings of one sample together: neighbours, same stamps, each probe once."""
    groups: list[list[Reading]] = []
    stamp: tuple[int | None, ...] = ()
    probes: set[str] = set()
    for reading in readings:
        own = (reading.at_s, reading.uptime_s, reading.boot, reading.seq)
        if own != stamp or reading.probe in probes or reading.site != groups[-1][0].site:
            groups.append([])
            stamp, probes = own, set()
        groups[-1].append(reading)
        probes.add(reading.probe)
    return groups


def _wire_time(reading: Reading) -> int:
    """Time of a sample on the wire: its own, or its uptime where the clock is not set."""
    if reading.at_s is not None:
        if reading.at_s < OLDEST_S:
            raise ValueError(f"time {reading.at_s} s is before 2010: a receiver takes it for unset")
        return reading.at_s
    if reading.uptime_s is None or reading.boot is None or reading.seq is None:
        raise ValueError("a reading without time needs boot, seq and uptime")
    return min(max(reading.uptime_s, 1), _RELATIVE_BELOW_S - 1)  # 0 would mean now


def _free_time(time_s: int, used: set[float]) -> float:
    """A time that no other sample of the pack has; a fraction below 0.5 rounds away again."""
    free_s: float = time_s
    while free_s in used:
        free_s += 1 / 1024  # exact in binary, so that all records of the sample agree
    if free_s - time_s >= 0.5:
        raise ValueError("more than 500 samples of one second in a pack")
    used.add(free_s)
    return free_s


def _sample_records(sample: list[Reading]) -> list[tuple[dict[str, object], bool]]:
    """Records of one sample without their time, and whether the unit is a secondary one."""
    records: list[tuple[dict[str, object], bool]] = []
    shared = _shared_names(sample)
    for place, reading in enumerate(sample):
        silence_s = reading.silence_s
        for name, unit, quantity in _WRITTEN:
            value = getattr(reading, quantity.field)
            is_shared = name in shared
            if value is None or (is_shared and place):
                continue
            if not isfinite(value):
                raise ValueError(f"{quantity.field} of {value} is no measured value: leave it out")
            bare = is_shared or (reading.probe == _FIRST and name not in _OF_NODE)
            record: dict[str, object] = {"n": name if bare else f"{reading.probe}/{name}"}
            if unit:
                record["u"] = unit
            record["vb" if quantity.flag else "v"] = value
            if silence_s is not None and not is_shared:
                record["ut"], silence_s = silence_s, None
            records.append((record, quantity.secondary))
    return records


def _shared_names(sample: list[Reading]) -> frozenset[str]:
    """Names that one record without a probe's prefix says for all readings of the sample."""
    if not all(map(_measures, sample)):  # such a record would make up a probe, or lose one
        return _OF_SAMPLE
    first = sample[0]
    return _OF_SAMPLE.union(
        name
        for name, _, quantity in _WRITTEN
        if name in _OF_NODE
        and all(
            getattr(each, quantity.field) == getattr(first, quantity.field) for each in sample[1:]
        )
    )


def _measures(reading: Reading) -> bool:
    """Whether a reading holds a value of its own; ValueError if it holds none at all."""
    if not CODE.fullmatch(reading.probe):
        raise ValueError(f"probe {_shown(reading.probe)} is no code of a-z 0-9 - _")
    if any(getattr(reading, field) is not None for field in _OWN_FIELDS):
        return True
    if reading.battery_percent is None and reading.signal_dbm is None:
        raise ValueError(f"the reading of {reading.probe} holds no measured value")
    return False
