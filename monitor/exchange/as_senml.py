"""Samples as SenML (RFC 8428), with secondary units (RFC 8798, so `bver` 26: RFC 9100).

::

    .senml.json     one pack; a line a sample, each with its own base name and base time
    .senml.jsonl    one pack a line, a sample each

    [{"bn":"urn:dev:mac:02005e10a4c3:","bt":1764057600,"bver":26,"n":"site","vs":"yard"},
     {"n":"received","u":"s","v":1764057603}, {"n":"boot","v":17}, {"n":"seq","v":10230},
     {"n":"temperature","u":"Cel","v":11.42,"ut":900}, {"n":"humidity","u":"%RH","v":78.6}, ...

Names and units are those of the nodes' packs (`sensors.wire`), and beside them: `site`, where the
name does not say it; `received`, seconds since 1970; `time-basis`, where the time is not told;
`disputed`. A probe other than the first is before its own names. Times are absolute; a sample
whose time is pending has none ("bt" 0, the RFC's "not known").
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

import msgspec

from monitor.errors import InputError
from monitor.exchange.as_csv import lines_of
from monitor.exchange.rows import Line, sample_of
from monitor.store import Sample
from sensors.wire import base_name

VERSION: Final = 26
FIRST_S: Final = 2**28  # smaller times are relative to now (RFC 8428, 4.5.3)
LARGEST_WHOLE: Final = 50_000_000  # bytes of a pack that is not in our lines
_FIRST: Final = "p1"
# column, name, unit; of the node first, then a probe's own
_OF_SAMPLE: Final = (("boot", "boot", ""), ("seq", "seq", ""), ("uptime_s", "uptime", "s"))
_OWN: Final = (
    ("temperature_c", "temperature", "Cel"),
    ("humidity_percent", "humidity", "%RH"),
    ("wood_percent", "wood", "/100"),
    ("rain_mm", "rain", "mm"),
    ("pressure_pa", "pressure", "Pa"),
    ("co2_ppm", "co2", "ppm"),
    ("battery_percent", "battery", "%EL"),
    ("signal_dbm", "signal", "dBm"),
)
_NUMBERS: Final = {name: (column, unit) for column, name, unit in (*_OF_SAMPLE, *_OWN)}
_BARE: Final = frozenset(
    {"boot", "seq", "uptime", "received", "time-basis", "disputed", "site"}
)  # never a probe's
_ENCODER: Final = msgspec.json.Encoder()
_DECODER: Final = msgspec.json.Decoder(list[dict[str, Any]])

Records = list[dict[str, Any]]


# --- out ------------------------------------------------------------------------------------------


def write_pack(file: BinaryIO, samples: Iterable[Sample]) -> int:
    """Write samples as one pack; how many they were."""
    count = 0
    for sample in samples:
        file.write(b",\n" if count else b"[")
        file.write(_ENCODER.encode(records_of(sample))[1:-1])
        count += 1
    file.write(b"]\n")
    return count


def write_packs(file: BinaryIO, samples: Iterable[Sample]) -> int:
    """Write samples as packs of one each; how many they were."""
    count = 0
    for sample in samples:
        file.write(_ENCODER.encode(records_of(sample)) + b"\n")
        count += 1
    return count


def records_of(sample: Sample) -> Records:
    """SenML records of one sample.

    Raises
    ------
    InputError
        If its time is one that SenML cannot say.
    """
    r = sample.reading
    if r.at_s is not None and r.at_s < FIRST_S:
        raise InputError(
            f"{r.node}/{r.probe} has a reading from before July 1978, which SenML takes for a "
            "relative time; export CSV or Parquet"
        )
    name = base_name(r.site, r.node)
    head: dict[str, Any] = {"bn": name, "bt": r.at_s or 0, "bver": VERSION}
    found: Records = [head | {"n": "received", "u": "s", "v": sample.received_s}]
    if not name.startswith(f"{r.site}:"):
        found.append({"n": "site", "vs": r.site})
    if sample.basis != "told":
        found.append({"n": "time-basis", "vs": sample.basis})
    if sample.disputed:
        found.append({"n": "disputed", "vb": True})
    for column, local, unit in _OF_SAMPLE:
        value = getattr(r, column)
        if value is not None:
            found.append({"n": local, "u": unit, "v": value} if unit else {"n": local, "v": value})
    return found + _own(sample)


def _own(sample: Sample) -> Records:
    r = sample.reading
    prefix = "" if r.probe in {"", _FIRST} else f"{r.probe}/"
    found: Records = [
        {"n": f"{prefix}{local}", "u": unit, "v": value}
        for column, local, unit in _OWN
        if (value := getattr(r, column)) is not None
    ]
    if r.contact is not None:
        found.append({"n": f"{prefix}contact", "vb": r.contact})
    if r.silence_s is not None and found:
        found[0]["ut"] = r.silence_s
    return found


# --- in -------------------------------------------------------------------------------------------


def read(path: Path, *, now_s: int) -> Iterator[Line]:
    """Samples of a file, line by line; a small pack in other lines is read as a whole."""
    whole = _whole(path)
    if whole is not None:
        for number, records in enumerate(_split(whole), start=1):
            yield _line(number, records, _ENCODER.encode(records), now_s)
        return
    with path.open("rb") as file:
        for number, written in lines_of(file, first=1):
            body = _body(written)
            if not body:
                continue
            try:
                found = list(_split(_DECODER.decode(b"[" + body + b"]")))
            except (ValueError, RecursionError) as error:
                yield Line(number, None, f"is no JSON of SenML records ({error})", written)
                continue
            for records in found:
                yield _line(number, records, written, now_s)


def first_records(path: Path) -> Records | None:
    """Records of the first line, or of the whole pack; None if it is no SenML."""
    whole = _whole(path)
    if whole is not None:
        return whole[:20]
    with path.open("rb") as file:
        for _, written in lines_of(file, first=1):
            try:
                return _DECODER.decode(b"[" + _body(written) + b"]")[:20]
            except (ValueError, RecursionError):
                continue
    return None


def _whole(path: Path) -> Records | None:
    """All records of a pack that does not stand in lines of ours; None: read it by its lines."""
    with path.open("rb") as file:
        _, first = next(lines_of(file, first=1), (1, b""))
        try:
            if _DECODER.decode(b"[" + _body(first) + b"]") and len(first) < LARGEST_WHOLE:
                return None
        except (ValueError, RecursionError):
            pass
    if path.stat().st_size > LARGEST_WHOLE:
        return None
    try:
        return _DECODER.decode(path.read_bytes())
    except (ValueError, RecursionError):
        return None


def _body(written: bytes) -> bytes:
    """Records of a line without what joins them to the lines around."""
    return written.strip().removeprefix(b"[").removesuffix(b"]").removesuffix(b",").strip()


def _split(records: Records) -> Iterator[Records]:
    """Records of each sample: one begins wherever a base name does."""
    part: Records = []
    for record in records:
        if "bn" in record and part:
            yield part
            part = []
        part.append(record)
    if part:
        yield part


def _line(number: int, records: Records, written: bytes, now_s: int) -> Line:
    try:
        return Line(number, sample_of(_values(records), now_s=now_s))
    except (ValueError, TypeError) as error:
        return Line(number, None, str(error), written)


def _values(records: Records) -> dict[str, Any]:
    """Columns of one sample's records."""
    head = records[0]
    place, _, node = str(head.get("bn", "")).rstrip(":").rpartition(":")
    if not node or head.get("bver") != VERSION:
        raise ValueError("it has no base name, or a version other than 26: it is no export")
    if any(label.endswith("_") for record in records for label in record):
        raise ValueError("it has a label that must be understood, and is not")
    at_s = head.get("bt", 0)
    values: dict[str, Any] = {"site": place, "node": node, "time": at_s or None, "probe": _FIRST}
    for record in records:
        _put(values, record)
    if values.get("time_basis") == "clock":
        values["probe"] = ""
    return values


def _put(values: dict[str, Any], record: dict[str, Any]) -> None:
    full = str(record.get("n", ""))
    probe, _, name = full.rpartition("/")
    if "t" in record or (probe and name in _BARE):
        raise ValueError(f"record {full[:80]!r} is none of an export")
    column, value = _meaning(name, record)
    if column in values and column != "site":
        raise ValueError(f"{full[:80]} is there twice")
    values[column] = value
    if probe:
        values["probe"] = probe
    if "ut" in record:
        values["silence_s"] = record["ut"]


def _meaning(name: str, record: dict[str, Any]) -> tuple[str, Any]:
    """Column of a record, and its value."""
    kind, column, unit = {
        "received": ("v", "received", "s"),
        "site": ("vs", "site", ""),
        "time-basis": ("vs", "time_basis", ""),
        "disputed": ("vb", "disputed", ""),
        "contact": ("vb", "contact", ""),
    }.get(name, ("v", *_NUMBERS.get(name, ("", ""))))
    if not column:
        raise ValueError(f"{name[:80]!r} is no name of an export")
    if record.get("u", "") != unit:
        raise ValueError(f"{name} is in {str(record.get('u', ''))[:80]!r}, and not in {unit!r}")
    value = record.get(kind)
    wanted: tuple[type, ...] = {"v": (int, float), "vs": (str,), "vb": (bool,)}[kind]
    if not isinstance(value, wanted) or (kind == "v" and isinstance(value, bool)):
        raise ValueError(f"{name} has no value of its kind ({kind})")
    return column, value
