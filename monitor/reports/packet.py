"""A signed packet of one repair's proof: everything that its verdict was taken from, and nothing else.

Air of rooms is not in it, nor who lived there when: no verdict needs it, and it tells who was at home.

::

    record ── make ──> packet.zip
        readings.csv     every usable sample of the zone, its like zones and the site, from 60 days before
        hours.csv        what the proof reads: hour, temperature, wood moisture, coverage, rain; a row each hour
        zones.csv  events.csv  placements.csv  doubts.csv
        revisions.csv    what was told of the proof so far, with what changed it
        disputed.csv     samples that came with two values: neither was used
        manifest.json    whose, which, the verdict and its figures, counts, digests, Merkle root of all lines
        signature.json   Ed25519 over the bytes of the manifest

    packet.zip ── verify, on any machine: no record, no network
        the signature is the manifest's; each file has its digest, and all lines have the root
        hours.csv says the verdict, its size, what is missing and every figure, to the digits written
        readings.csv says the hours, to the digits written

A signature shows that nothing was changed since, not that the signer told the truth before: compare the
key with the one that you were given. Hours at the beginning of the readings cannot be worked out again from
them (they look back up to two days) and are left out of the last check.
"""

import csv
import io
import json
import zipfile
import zlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from numpy.typing import NDArray

from monitor import judge
from monitor.errors import InputError
from monitor.judge import proofs
from monitor.lot import AIR_KINDS, PRIVATE, Event, Site, Unit, Zone, ZoneReadings
from monitor.reports import tree
from monitor.store import ProofRevision, Record, RepairRow
from monitor.times import parse_time

FORMAT = 1
HOUR_S, DAY_H = 3600, 24
WARMS_UP_H = 72  # hours at the beginning that look back beyond the readings
MOST_BYTES = 50_000_000  # of a packet's files together, unpacked: twenty times a common one
MOST_LINES = 1_000_000
MOST_DAYS = 1_000  # from the first reading to the last
MOST_ZONES = 200
LEAST_HOURS = 24  # compared with the readings, in all: fewer are no comparison
PLAIN = frozenset({zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED})
# what a file that somebody made to fail may raise on the way
BROKEN = (
    InputError, ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError,
    RecursionError, RuntimeError, StopIteration, csv.Error, zipfile.BadZipFile, zlib.error, EOFError,
    OSError, MemoryError,
)  # fmt: skip
COLUMNS = ("hour", "temperature_c", "wood_moisture_percent", "coverage_percent", "rain_mm")
READINGS = ("temperature_c", "humidity_percent", "wood_percent", "contact", "rain_mm")
DIGITS = {"contact": 0}
NAMES = (
    "readings.csv", "hours.csv", "zones.csv", "events.csv", "placements.csv", "doubts.csv",
    "revisions.csv", "disputed.csv",
)  # fmt: skip
ZONE_COLUMNS = ("unit", "code", "kind", "material", "mould_class", "dry_twin", "faces",
                "temperature_factor", "watched_from_s", "source", "origin", "distance_km")  # fmt: skip
Table = Mapping[str, NDArray[Any]]


# --- make -----------------------------------------------------------------------------------------


def make(
    record: Record,
    row: RepairRow,
    *,
    key: Ed25519PrivateKey,
    made_s: int,
    program: str,
) -> bytes:
    """Packet of one repair as its proof stands now.

    Parameters
    ----------
    record : Record
    row : RepairRow
        The repair; its proof must have been told (`row.now`).
    key : Ed25519PrivateKey
        Who signs.
    made_s : int
        The time.
    program : str
        Name and version of what makes it.

    Raises
    ------
    InputError
        If nothing is proven of it yet.
    """
    if row.now is None:
        raise InputError(
            f"nothing is proven of {row.unit} {row.zone} yet: the first midnight after the repair is to come"
        )
    came = record.received(row.unit)
    if came is not None and row.repaired_s < came.until_s:
        raise InputError(
            f"the proof of {row.unit} {row.zone} was recorded by the seller (key {came.key}): "
            "hand on the seller's own packet"
        )
    site = next(one for one in record.sites() if one.code == row.site)
    unit = next(one for one in record.units() if one.code == row.unit)
    end_s = row.now.at_s
    repaired = [r.repaired_s for r in record.repairs(unit=row.unit)]
    from_hour = min(repaired) // HOUR_S - proofs.BEFORE_DAYS * DAY_H
    revisions = record.proof_revisions(row.unit, row.zone, row.repaired_s)
    zones = [zone for zone in record.zones(row.unit) if zone.kind not in AIR_KINDS]
    held = {zone.code for zone in zones}
    hours = record.unit_hours(row.unit, from_hour=from_hour, to_hour=end_s // HOUR_S)
    texts = {
        "readings.csv": _readings(record, site, unit, held, (from_hour * HOUR_S, end_s)),
        "hours.csv": _hours(
            {code: table for code, table in hours.items() if code in held or code[:1] == "/"}
        ),
        "zones.csv": _zones([*zones, *record.site_zones(row.site)]),
        "events.csv": _events(
            event
            for event in record.events(row.site, unit=row.unit)
            if event.kind not in PRIVATE and event.zone in {"", *held}
        ),
        "placements.csv": _placements(record, row),
        "doubts.csv": _csv(("zone", "from_s", "to_s"), record.doubts(row.unit)),
        "revisions.csv": _revisions(revisions),
        "disputed.csv": _csv(
            ("node", "probe", "samples"), record.disputed(row.site, unit=row.unit)
        ),
    }
    manifest = _manifest(row, site, texts, made_s=made_s, program=program)
    manifest["revision"] = len(revisions)
    said = _written(manifest)
    signature = {
        "algorithm": "Ed25519 (RFC 8032)",
        "public_key": tree.public_key(key),
        "signature": tree.sign(key, said),
    }
    return _zipped(texts, said, _written(signature))


def _manifest(
    row: RepairRow, site: Site, texts: Mapping[str, str], *, made_s: int, program: str
) -> dict[str, Any]:
    now = row.now
    assert now is not None  # noqa: S101  `make` has asked
    lines = _lines(texts)
    return {
        "format": FORMAT,
        "made": rfc3339(made_s),
        "program": program,
        "rules": f"{judge.VERSION}/{proofs.VERSION}",
        "site": row.site,
        "timezone": row.timezone,
        "altitude_m": site.altitude_m,
        "unit": row.unit,
        "zone": row.zone,
        "repaired": rfc3339(row.repaired_s),
        "repair": row.value,
        "as_of": rfc3339(now.at_s),
        "verdict": now.verdict,
        "size_ml": _number(now.size_ml),
        "missing": list(now.missing),
        "figures": {name: _number(value) for name, value in sorted(now.figures.items())},
        "files": {
            name: {
                "bytes": len(text.encode()),
                "lines": text.count("\n"),
                "sha256": sha256(text.encode()).hexdigest(),
            }
            for name, text in texts.items()
        },
        "leaves": len(lines),
        "root": tree.root(lines),
    }


def _lines(texts: Mapping[str, str]) -> list[bytes]:
    """Every line of every file, with the file's name before it, in the order of `NAMES`."""
    return [f"{name}\t{line}".encode() for name in NAMES for line in texts[name].splitlines()]


def _readings(
    record: Record, site: Site, unit: Unit, zones: Collection[str], span_s: tuple[int, int]
) -> str:
    from_s, to_s = span_s
    held = {
        (unit.code, zone): series
        for zone, series in record.unit_readings(unit.code, from_s=from_s, to_s=to_s).items()
        if zone in zones
    }
    held |= {
        ("", zone): series
        for zone, series in record.site_readings(site.code, from_s=from_s, to_s=to_s).items()
    }
    rows = []
    for (owner, zone), series in sorted(held.items()):
        columns = [(getattr(series, name), DIGITS.get(name, 2)) for name in READINGS]
        for place, at_s in enumerate(series.at_s.tolist()):
            values = [_figure(column[place], digits) for column, digits in columns]
            marks = (series.silence_s[place], series.cover_s[place])
            rows.append((rfc3339(at_s), owner, zone, *values, *marks))
    return _csv(("time", "unit", "zone", *READINGS, "silence_s", "cover_s"), rows)


def _hours(hours: Mapping[str, Table]) -> str:
    rows = [
        (zone, int(hour), *(_number(table[name][place]) for name in COLUMNS[1:]))
        for zone, table in sorted(hours.items())
        for place, hour in enumerate(table["hour"].tolist())
    ]
    return _csv(("zone", *COLUMNS), rows)


def _zones(zones: Iterable[Zone]) -> str:
    rows = [tuple(getattr(zone, name) for name in ZONE_COLUMNS) for zone in zones]
    return _csv(ZONE_COLUMNS, rows)


def _events(events: Iterable[Event]) -> str:
    rows = [(rfc3339(e.at_s), e.unit, e.zone, e.kind, e.value) for e in events]
    return _csv(("time", "unit", "zone", "kind", "value"), rows)


def _placements(record: Record, row: RepairRow) -> str:
    placed = [p for p in record.placements() if p.site == row.site and p.unit in {"", row.unit}]
    rows = [
        (p.node, p.probe, p.unit, p.zone, rfc3339(p.from_s), rfc3339(p.to_s) if p.to_s else "")
        for p in placed
    ]
    return _csv(("node", "probe", "unit", "zone", "from", "to"), rows)


def _revisions(revisions: Sequence[ProofRevision]) -> str:
    rows = [
        (
            r.number, rfc3339(r.step.at_s), r.step.verdict, _number(r.step.size_ml),
            "; ".join(r.step.missing), r.reason, r.version, rfc3339(r.recorded_s),
        )
        for r in revisions
    ]  # fmt: skip
    names = ("number", "time", "verdict", "size_ml", "missing", "reason", "rules", "recorded")
    return _csv(names, rows)


# --- verify ---------------------------------------------------------------------------------------


@dataclass(slots=True)
class Verified:
    """What was looked at in a packet: (what, whether it holds, in words)."""

    manifest: Mapping[str, Any] = field(default_factory=dict)
    key: str = ""
    steps: list[tuple[str, bool, str]] = field(default_factory=list)

    def note(self, what: str, problem: str, fine: str) -> bool:
        """Keep a step; whether it holds."""
        self.steps.append((what, not problem, problem or fine))
        return not problem

    @property
    def holds(self) -> bool:
        """Whether all of it does."""
        return bool(self.steps) and all(step[1] for step in self.steps)


def verify(packet: bytes) -> Verified:
    """Look at all of a packet; nothing but its bytes is read.

    A packet that is not even one fails its first step; later steps are left out once nothing can be
    said of them.
    """
    found = Verified()
    try:
        _look(packet, found)
    except BROKEN as error:
        found.note("packet", f"cannot be read or worked out again: {error}", "")
    return found


def _look(packet: bytes, found: Verified) -> None:
    texts, manifest, signature = _unzipped(packet)
    key = str(signature["public_key"])
    signed = tree.is_signed(manifest, signature=str(signature["signature"]), by=key)
    problem = "" if signed else "the manifest was changed, or signed by another"
    if not found.note("signature", problem, "good"):
        return  # nothing that nobody signed is worked out
    found.manifest, found.key = json.loads(manifest), key
    if found.note("files", _changed(texts, found.manifest), "each has its digest and root"):
        _rework(texts, found)


def _changed(texts: Mapping[str, str], manifest: Mapping[str, Any]) -> str:
    wanted = manifest["files"]
    if set(wanted) != set(texts):
        return "the files are not those of the manifest"
    if sum(text.count("\n") for text in texts.values()) > MOST_LINES:
        return "there are more lines than in any packet"
    for name, text in texts.items():
        if sha256(text.encode()).hexdigest() != wanted[name]["sha256"]:
            return f"{name} was changed"
    lines = _lines(texts)
    if len(lines) != manifest["leaves"] or tree.root(lines) != manifest["root"]:
        return "the lines do not have the root"
    return ""


def _rework(texts: Mapping[str, str], found: Verified) -> None:
    manifest = found.manifest
    ours = f"{judge.VERSION}/{proofs.VERSION}"
    if not found.note(
        "rules",
        ""
        if manifest["rules"] == ours
        else f"made with {manifest['rules']}, this program has {ours}",
        ours,
    ):
        return
    zones = _read_zones(texts["zones.csv"])
    if len(zones) > MOST_ZONES:
        raise InputError("it has more zones than any unit")
    own = [zone for zone in zones if zone.unit]
    events = _read_events(texts["events.csv"])
    hours = _read_hours(texts["hours.csv"])
    proof = _proof(own, events, hours, texts["doubts.csv"], manifest)
    found.note("verdict", _differs(proof, manifest), f"{manifest['verdict']}, with every figure")
    problem, compared = _other_hours(zones, events, hours, texts["readings.csv"], manifest)
    found.note("hours", problem, f"{compared} of them are those of the readings")


def _proof(
    zones: Sequence[Zone],
    events: Sequence[Event],
    hours: Mapping[str, Table],
    doubts: str,
    manifest: Mapping[str, Any],
) -> proofs.Revision | None:
    spans = [(zone, int(a), int(b) if b else None) for zone, a, b in _rows(doubts)]
    told = proofs.trusted(hours, spans)
    repaired_s = parse_time(manifest["repaired"])
    for one in proofs.follow(zones, events, told):
        if (one.zone, one.repaired_s) == (manifest["zone"], repaired_s):
            return one.followed.standing
    return None


def _differs(standing: proofs.Revision | None, manifest: Mapping[str, Any]) -> str:
    if standing is None:
        return "the hours say nothing of this repair"
    ours = {
        "verdict": standing.verdict,
        "as_of": rfc3339(standing.at_s),
        "size_ml": _number(standing.size_ml),
        "missing": list(standing.missing),
        "figures": {name: _number(value) for name, value in sorted(standing.figures.items())},
    }
    wrong = [name for name, value in ours.items() if manifest[name] != value]
    return f"worked out again, {', '.join(wrong)} differ" if wrong else ""


def _other_hours(
    zones: Sequence[Zone],
    events: Sequence[Event],
    hours: Mapping[str, Table],
    readings: str,
    manifest: Mapping[str, Any],
) -> tuple[str, int]:
    """Which hours the readings do not give, "" if they give all; and how many were compared."""
    series = _read_readings(readings)
    own = {zone: held for (unit, zone), held in series.items() if unit}
    site = {zone: held for (unit, zone), held in series.items() if not unit}
    heard = [held.at_s for held in series.values() if len(held.at_s)]
    if not heard:
        return "there are no readings", 0
    first = min(int(at[0]) for at in heard) // HOUR_S
    to_hour = parse_time(manifest["as_of"]) // HOUR_S
    if not 0 < to_hour - first <= MOST_DAYS * DAY_H:
        raise InputError("its readings are of another time than its proof")
    watched = judge.Watched(
        unit=manifest["unit"],
        zones=tuple(zone for zone in zones if zone.unit),
        readings=own,
        site=site,
        events=tuple(events),
        altitude_m=manifest["altitude_m"],
        sources={zone.code: zone.source for zone in zones if not zone.unit},
    )
    yard = replace(
        watched,
        unit="",
        zones=tuple(Zone("", code, "outside") for code in sorted(site)),
        readings=site,
        site={},
        events=(),
    )
    made: dict[str, Table] = {}
    for whose, mark in ((watched, ""), (yard, "/")):
        if whose.readings:
            judged = judge.advance(
                whose, None, from_day=first // DAY_H, to_hour=to_hour, checkpoints=False
            )
            made |= {f"{mark}{zone}": table for zone, table in judged.hours.items()}
    compared = 0
    for zone, table in hours.items():
        names = OF_SITE if zone.startswith("/") else OF_ZONE
        name, count = _unlike(table, made.get(zone), names, from_hour=first + WARMS_UP_H)
        if name:
            return f"the readings of {zone} do not give its {name}", compared
        compared += count
    if compared < LEAST_HOURS:
        return f"the readings are of {compared} of its hours: too few to compare", compared
    return "", compared


OF_ZONE = ("temperature_c", "wood_moisture_percent", "coverage_percent")
OF_SITE = ("temperature_c", "coverage_percent", "rain_mm")


def _unlike(
    table: Table, made: Table | None, names: Sequence[str], *, from_hour: int
) -> tuple[str, int]:
    """First column whose hours differ in the digits that are written; and how many were compared."""
    hours = [] if made is None else made["hour"].tolist()
    place = {int(hour): number for number, hour in enumerate(hours)}
    compared = 0
    for number, hour in enumerate(table["hour"].tolist()):
        if hour < from_hour:
            continue
        if made is None or int(hour) not in place:
            if not np.isnan(table["temperature_c"][number]):
                return "hours", compared  # measured, and in no reading
            continue
        for name in names:
            if _number(table[name][number]) != _number(made[name][place[int(hour)]]):
                return name, compared
        compared += 1
    return "", compared


# --- files ----------------------------------------------------------------------------------------


def _read_zones(text: str) -> list[Zone]:
    found = []
    for row in _dicts(text):
        given: dict[str, Any] = dict(row)
        for name in ("temperature_factor", "distance_km"):
            given[name] = float(row[name]) if row[name] else None
        given["watched_from_s"] = int(row["watched_from_s"]) if row["watched_from_s"] else None
        found.append(Zone(**given))
    return found


def _read_events(text: str) -> list[Event]:
    return [
        Event(parse_time(row["time"]), row["kind"], row["value"], row["unit"], row["zone"])  # type: ignore[arg-type]
        for row in _dicts(text)
    ]


def _read_hours(text: str) -> dict[str, dict[str, NDArray[Any]]]:
    by_zone: dict[str, list[dict[str, str]]] = {}
    for row in _dicts(text):
        by_zone.setdefault(row["zone"], []).append(row)
    return {
        zone: {
            name: np.array(
                [int(r[name]) if name == "hour" else _float(r[name]) for r in rows],
                dtype=np.int64 if name == "hour" else np.float64,
            )
            for name in COLUMNS
        }
        for zone, rows in by_zone.items()
    }


def _read_readings(text: str) -> dict[tuple[str, str], ZoneReadings]:
    by_zone: dict[tuple[str, str], list[dict[str, str]]] = {}
    for row in _dicts(text):
        by_zone.setdefault((row["unit"], row["zone"]), []).append(row)
    found = {}
    for place, rows in by_zone.items():
        floats = {name: np.array([_float(r[name]) for r in rows]) for name in READINGS}
        found[place] = ZoneReadings(
            at_s=np.array([parse_time(r["time"]) for r in rows], dtype=np.int64),
            silence_s=np.array([int(r["silence_s"]) for r in rows], dtype=np.int64),
            cover_s=np.array([int(r["cover_s"]) for r in rows], dtype=np.int64),
            **floats,
        )
    return found


def rfc3339(at_s: int) -> str:
    """A time as files have it: 2026-11-26T14:00:00Z."""
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _float(written: str) -> float:
    return float(written) if written else float("nan")


def _figure(value: float, digits: int) -> str:
    return "" if np.isnan(value) else f"{value:.{digits}f}"


def _number(value: float) -> str:
    """A figure as it is written: the shortest digits that read back to it; "" for none."""
    return "" if np.isnan(value) else repr(float(value))


def _csv(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    for row in rows:
        # one line a row, whatever a person typed
        writer.writerow(["" if v is None else " ".join(str(v).splitlines()) for v in row])
    return out.getvalue()


def _rows(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))[1:]


def _dicts(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def _written(value: object) -> bytes:
    return (json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def _zipped(texts: Mapping[str, str], manifest: bytes, signature: bytes) -> bytes:
    """One file, the same bytes for the same contents."""
    out = io.BytesIO()
    parts = {name: text.encode() for name, text in texts.items()}
    parts |= {"manifest.json": manifest, "signature.json": signature}
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in parts.items():
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            packed.writestr(entry, data)
    return out.getvalue()


def _unzipped(packet: bytes) -> tuple[dict[str, str], bytes, dict[str, str]]:
    try:
        parts = _read_all(packet)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError) as error:
        raise InputError(f"it is no packet, or damaged ({error})") from error
    texts = {name: parts[name].decode() for name in NAMES}
    signature = json.loads(parts["signature.json"])
    if not isinstance(signature, dict) or not {"public_key", "signature"} <= set(signature):
        raise InputError("it has no signature")
    if not isinstance(json.loads(parts["manifest.json"]), dict):
        raise InputError("it has no manifest")
    return texts, parts["manifest.json"], signature


def _read_all(packet: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(packet)) as packed:
        entries = packed.infolist()
        names = sorted(entry.filename for entry in entries)
        if names != sorted((*NAMES, "manifest.json", "signature.json")):
            raise InputError("it does not hold the files of a packet, each once")
        if sum(entry.file_size for entry in entries) > MOST_BYTES:
            raise InputError("it is larger than any packet")
        if any(entry.compress_type not in PLAIN or entry.flag_bits & 1 for entry in entries):
            raise InputError("it is packed in a way that no packet is")
        return {name: packed.read(name) for name in names}


def identity(packet: bytes) -> tuple[str, str]:
    """Root of a packet's lines and key of its signer: the same whenever it is made of the same record."""
    _, manifest, signature = _unzipped(packet)
    return str(json.loads(manifest)["root"]), str(signature["public_key"])


def save(packet: bytes, path: Path) -> None:
    """Write a packet to a file that is not there yet."""
    with path.open("xb") as file:
        file.write(packet)
