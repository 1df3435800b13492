"""A signed packet of one repair's proof: everything that its verdict was taken from, and nothing else.

Air of rooms is not in it, nor who lived there when: no verdict needs it, and it tells who was at home.

::

    record ── make ──> packet.zip
        readings.csv     every usable sample of the zone, its like zones and the site, from 63 days before
        hours.csv        what the proof reads: hour, temperature, wood moisture, coverage, rain; a row each hour
                         from 60 days before
        zones.csv  events.csv  placements.csv  doubts.csv
        revisions.csv    what was told of the proof so far, with its figures and what changed it; `changed` is for
                         who reads it, and not looked at
        disputed.csv     samples that came with two values: neither was used
        cases.csv  calibrations.csv   what was entered of the repair; bench checks of its probes
        gaps.csv  rejects.csv         hours without a figure; messages of its nodes that could not be used
        chain.csv  leaves.csv         the days on which all this was recorded, each chained to the one before
        photos/          of where the water came in
        manifest.json    whose, which, the verdict and its figures, counts, digests, Merkle root of all lines
        signature.json   Ed25519 over the bytes of the manifest

    packet.zip ── verify, on any machine: no record, no network
        the signature is the manifest's; each file has its digest, and all lines have the root
        hours.csv says the verdict, its size, what is missing and every figure, to the digits written
        readings.csv says the hours, to the digits written; where it has no sample they are empty
        hours, revisions, events and entries are those that the chain has, none of them left out; hours that
        came late are named; its last head is the manifest's
        the file is byte by byte the one that was made

A head of the chain that somebody kept elsewhere shows that nothing before it was changed; without one
the chain says no more than the signature. A signature shows that nothing was changed since, not that the signer told the truth before: compare the
key with the one that you were given. Lines are those of RFC 4180, typed text guarded as `monitor.written` does.

Older forms are read as they were made. Forms 1 and 2 have no readings before the first hour, which looks back
a day: the first 72 hours of each zone are compared with nothing, nor is the rain of its walls. The
chain of form 2 has no sizes and figures of revisions and does not count its lines; form 1 has none. `verify` says so.
"""

import csv
import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor import judge, watch
from monitor.catalogue import ENGLISH, read_in, say
from monitor.errors import InputError
from monitor.evidence import drying
from monitor.judge import proofs
from monitor.lot import (
    AIR_KINDS,
    PRIVATE,
    CaseNote,
    Event,
    Placement,
    Site,
    Unit,
    Zone,
)
from monitor.reports import chained, compared, tree
from monitor.reports.packed import (
    COLUMNS,
    FORMAT,
    HOUR_S,
    WARMS_UP_H,
    Lines,
    Table,
    csv_text,
    gaps_text,
    read_events,
    read_hours,
    read_notes,
    read_plain_table,
    read_table,
    read_zones,
    written_number,
)
from monitor.store import ProofRevision, ProofStep, Record, RepairRow, chaining
from monitor.times import parse_time
from monitor.written import READINGS, figure, rfc3339
from sensors.wire import topic

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FORMATS = (1, 2, FORMAT)
OLD_RULES = f"{judge.VERSION}/1"  # of format 1: no bench checks and no photos
MOST_BYTES = 50_000_000  # of a packet's files together, unpacked: twenty times a common one
MOST_LINES = 1_000_000
MOST_ZONES = 200
MOST_FILES = 100
PHOTO = re.compile(r"photos/[0-9a-f]{64}\.jpg")
PLAIN = frozenset({zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED})
# what a file that somebody made to fail may raise on the way
BROKEN = (
    InputError, ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError,
    RecursionError, RuntimeError, StopIteration, csv.Error, zipfile.BadZipFile, zlib.error, EOFError,
    OSError, MemoryError,
)  # fmt: skip
NAMES_1 = (
    "readings.csv", "hours.csv", "zones.csv", "events.csv", "placements.csv", "doubts.csv",
    "revisions.csv", "disputed.csv",
)  # fmt: skip
NAMES = (
    *NAMES_1, "cases.csv", "calibrations.csv", "gaps.csv", "rejects.csv", "chain.csv", "leaves.csv",
)  # fmt: skip
CASE_COLUMNS = ("zone", "repaired_s", "kind", "value", "at_s", "recorded_s", "who", "why")
ZONE_COLUMNS = ("unit", "code", "kind", "material", "mould_class", "dry_twin", "faces",
                "temperature_factor", "watched_from_s", "source", "origin", "distance_km")  # fmt: skip


# --- make -----------------------------------------------------------------------------------------


def make(
    record: Record,
    row: RepairRow,
    *,
    key: "Ed25519PrivateKey",
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
    leaves = record.leaves(row.unit)
    if not chaining.is_counted([leaf for _, _, leaf in leaves if leaf]):
        raise InputError(
            f"an earlier version noted what the proof of {row.unit} {row.zone} was taken from: the watch "
            "does so again within the hour"
        )
    if record.is_behind(row.unit, to_hour=end_s // HOUR_S):
        raise InputError(
            f"readings or entries of {row.unit} or its site came late and wait to be judged: ask again "
            "in a minute"
        )
    from_hour = watch.proven_from_hour(record, row.unit)
    if from_hour is None:
        raise InputError(f"{row.unit} {row.zone} is no repair of a wall, roof or floor")
    revisions = record.proof_revisions(row.unit, row.zone, row.repaired_s)
    zones = [zone for zone in record.zones(row.unit) if zone.kind not in AIR_KINDS]
    held = {zone.code for zone in zones}
    hours = record.unit_hours(row.unit, from_hour=from_hour, to_hour=end_s // HOUR_S)
    kept_hours = {code: table for code, table in hours.items() if code in held or code[:1] == "/"}
    notes = [
        note
        for note in record.case_notes(row.unit)
        if (note.zone, note.repaired_s) == (row.zone, row.repaired_s)
    ]
    read_s = ((from_hour - WARMS_UP_H) * HOUR_S, end_s)
    texts = {
        "readings.csv": _readings(record, site, unit, held, read_s),
        "hours.csv": _hours(kept_hours),
        "zones.csv": _zones([*zones, *record.site_zones(row.site)]),
        "events.csv": _events(
            event
            for event in record.events(row.site, unit=row.unit)
            if event.kind not in PRIVATE and event.zone in {"", *held}
        ),
        "placements.csv": _placements(record, row),
        "doubts.csv": csv_text(("zone", "from_s", "to_s"), record.doubts(row.unit)),
        "revisions.csv": _revisions(revisions),
        "disputed.csv": csv_text(
            ("node", "probe", "samples"), record.disputed(row.site, unit=row.unit)
        ),
        "cases.csv": csv_text(
            CASE_COLUMNS, [[getattr(note, name) for name in CASE_COLUMNS] for note in notes]
        ),
        "calibrations.csv": csv_text(
            ("node", "probe", "at_s", "offset_percent"),
            [
                (c.node, c.probe, c.at_s, written_number(c.offset_percent))
                for c in watch.bench_checks(record, unit)
            ],
        ),
        "gaps.csv": gaps_text(kept_hours),
        "rejects.csv": _rejects(record, row, (from_hour * HOUR_S, made_s)),
        "chain.csv": _chain(record, from_day=leaves[0][0] if leaves else None),
        "leaves.csv": csv_text(("day", "hash", "leaf"), leaves),
    }
    parts = {name: text.encode() for name, text in texts.items()} | _photos(record, row, notes)
    streams = {name: _deflated(data) for name, data in parts.items()}
    manifest = _manifest(row, site, parts, made_s=made_s, program=program)
    for name, stream in streams.items():
        manifest["files"][name]["packed"] = sha256(stream).hexdigest()
    manifest["from"] = rfc3339(from_hour * HOUR_S)
    days = read_table(texts["chain.csv"])
    manifest["chain"] = {"day": int(days[-1]["day"]), "head": days[-1]["head"]} if days else None
    manifest["revision"] = len(revisions)
    said = _written(manifest)
    signature = _signature(tree.public_key(key), tree.sign(key, said))
    return _zipped(parts, said, _written(signature))


def _manifest(
    row: RepairRow, site: Site, parts: Mapping[str, bytes], *, made_s: int, program: str
) -> dict[str, Any]:
    now = row.now
    assert now is not None  # noqa: S101  `make` has asked
    lines = _lines(parts)
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
        "size_ml": written_number(now.size_ml),
        "missing": list(now.missing),
        "figures": {name: written_number(value) for name, value in sorted(now.figures.items())},
        "files": {
            name: {
                "bytes": len(data),
                "lines": data.count(b"\n") if name in NAMES else 1,
                "sha256": sha256(data).hexdigest(),
            }
            for name, data in parts.items()
        },
        "leaves": len(lines),
        "root": tree.root(lines),
    }


def _lines(parts: Mapping[str, bytes]) -> list[bytes]:
    """Every line of every file, with its name before it, in the order of `NAMES`; photos' digests."""
    lines = [
        f"{name}\t{line}".encode()
        for name in NAMES
        if name in parts
        for line in parts[name].decode().splitlines()
    ]
    photos = sorted(set(parts) - set(NAMES))
    return lines + [f"{name}\t{sha256(parts[name]).hexdigest()}".encode() for name in photos]


def _photos(record: Record, row: RepairRow, notes: Sequence[CaseNote]) -> dict[str, bytes]:
    found = {}
    for note in notes:
        data = record.photo(row.unit, note.value) if note.kind == "photo" else None
        if data is not None:
            found[f"photos/{note.value}.jpg"] = data
    return found


def _rejects(record: Record, row: RepairRow, span_s: tuple[int, int]) -> str:
    """Messages of the unit's and the site's nodes that could not be used: never what was in them."""
    nodes = {p.node for p in record.placements() if p.site == row.site and p.unit in {"", row.unit}}
    topics = [topic(row.site, node) for node in sorted(nodes)]
    found = record.rejected(topics, from_s=span_s[0], to_s=span_s[1])
    rows = [(rfc3339(at_s), of, 1, reason, digest) for at_s, of, reason, digest in found]
    return csv_text(("received", "topic", "count", "reason", "sha256"), rows)


def _chain(record: Record, *, from_day: int | None) -> str:
    """Closed days from the first leaf of the unit on, each with the head before it."""
    rows, before = [], chaining.START
    for day, leaves, root, head in record.chain():
        if from_day is not None and day >= from_day:
            rows.append((day, before, leaves, root, head))
        before = head
    return csv_text(("day", "before", "leaves", "root", "head"), rows)


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
        columns = [(getattr(series, name), digits) for name, digits in READINGS]
        for place, at_s in enumerate(series.at_s.tolist()):
            values = [figure(column[place], digits) for column, digits in columns]
            marks = (series.silence_s[place], series.cover_s[place])
            rows.append((rfc3339(at_s), owner, zone, *values, *marks))
    names = (name for name, _ in READINGS)
    return csv_text(("time", "unit", "zone", *names, "silence_s", "cover_s"), rows)


def _hours(hours: Mapping[str, Table]) -> str:
    rows = [
        (zone, int(hour), *(written_number(table[name][place]) for name in COLUMNS[1:]))
        for zone, table in sorted(hours.items())
        for place, hour in enumerate(table["hour"].tolist())
    ]
    return csv_text(("zone", *COLUMNS), rows)


def _zones(zones: Iterable[Zone]) -> str:
    rows = [tuple(getattr(zone, name) for name in ZONE_COLUMNS) for zone in zones]
    return csv_text(ZONE_COLUMNS, rows)


def _events(events: Iterable[Event]) -> str:
    rows = [(rfc3339(e.at_s), e.unit, e.zone, e.kind, e.value) for e in events]
    return csv_text(("time", "unit", "zone", "kind", "value"), rows)


def _placements(record: Record, row: RepairRow) -> str:
    placed = [p for p in record.placements() if p.site == row.site and p.unit in {"", row.unit}]
    rows = [
        (p.node, p.probe, p.unit, p.zone, rfc3339(p.from_s), rfc3339(p.to_s) if p.to_s else "")
        for p in placed
    ]
    return csv_text(("node", "probe", "unit", "zone", "from", "to"), rows)


def differences(revisions: Sequence[ProofRevision]) -> list[tuple[str, ...]]:
    """What each revision says otherwise than what stood at its time: figures too where it is late."""
    found: list[tuple[str, ...]] = []
    line: list[ProofStep] = []
    for one in revisions:
        stood = next((s for s in reversed(line) if s.at_s <= one.step.at_s), None)
        figures = bool(one.reason)
        found.append(() if stood is None else tuple(_changes(stood, one.step, figures=figures)))
        line = [step for step in line if step.at_s < one.step.at_s] + [one.step]
    return found


def _changes(old: ProofStep, new: ProofStep, *, figures: bool) -> Iterator[str]:
    if old.verdict != new.verdict:
        yield say("verdict: {old} -> {new}", old=say(old.verdict), new=say(new.verdict))
    if more := [name for name in new.missing if name not in old.missing]:
        yield say("now missing: {names}", names=", ".join(map(say, more)))
    if less := [name for name in old.missing if name not in new.missing]:
        yield say("no longer missing: {names}", names=", ".join(map(say, less)))
    if figures:
        told = {name: written_number(value) for name, value in old.figures.items()}
        for name, value in new.figures.items():
            if told.get(name, "") != written_number(value):
                was, now = (
                    told.get(name) or say("unknown"),
                    written_number(value) or say("unknown"),
                )
                yield f"{name}: {was} -> {now}"


def compare(old: bytes, new: bytes) -> list[str]:
    """What another packet says otherwise of the same repair, in words; nothing if it says the same.

    Raises
    ------
    InputError
        If one of them does not hold, or they are of different repairs.
    """
    first, second = verify(old), verify(new)
    for which, found in (("first", first), ("second", second)):
        if not found.holds:
            failed = [said for _, holds, said in found.steps if not holds]
            raise InputError(f"the {which} does not hold: {'; '.join(failed)}")
    a, b = first.manifest, second.manifest
    if any(a[name] != b[name] for name in ("site", "unit", "zone", "repaired")):
        raise InputError("they are of different repairs")
    lines = [] if first.key == second.key else ["signed by another key"]
    return lines + _chained_anew(a, new) + list(_unlike_manifests(a, b))


def _chained_anew(a: Mapping[str, Any], new: bytes) -> list[str]:
    """Whether the days that the first was chained with have another head in the second, in words."""
    told = a.get("chain")
    with zipfile.ZipFile(io.BytesIO(new)) as packed:
        text = packed.read("chain.csv").decode() if "chain.csv" in packed.namelist() else ""
    heads = {int(row["day"]): row["head"] for row in read_table(text)} if text else {}
    if not told or heads.get(told["day"], told["head"]) == told["head"]:
        return []
    return [
        f"the chain was made anew: day {told['day']} had the head {told['head']}. A person's name was "
        "taken out, or something was changed; which, the log of the signer says under that head"
    ]


def _unlike_manifests(a: Mapping[str, Any], b: Mapping[str, Any]) -> Iterator[str]:
    for name in ("as_of", "revision", "verdict", "size_ml", "rules"):
        if a[name] != b[name]:
            yield f"{name}: {a[name]} -> {b[name]}"
    for word, one, other in (("now missing", b, a), ("no longer missing", a, b)):
        names = [n for n in one["missing"] if n not in other["missing"]]
        if names:
            yield f"{word}: {', '.join(names)}"
    for name in sorted({*a["figures"], *b["figures"]}):
        was, now = (m["figures"].get(name, "") or "unknown" for m in (a, b))
        if was != now:
            yield f"{name}: {was} -> {now}"
    for name in sorted({*a["files"], *b["files"]}):
        was, now = (m["files"].get(name, {}).get("lines", 0) for m in (a, b))
        if a["files"].get(name, {}).get("sha256") != b["files"].get(name, {}).get("sha256"):
            yield f"{name}: {was} -> {now} lines"


def _revisions(revisions: Sequence[ProofRevision]) -> str:
    with read_in(ENGLISH):  # a file says the same whoever asks for it
        changes = differences(revisions)
    rows = [
        (
            r.number, rfc3339(r.step.at_s), r.step.verdict, written_number(r.step.size_ml),
            "; ".join(r.step.missing), r.reason, r.version, rfc3339(r.recorded_s), "; ".join(changed),
            watch.figures_text(r.step.figures),
        )
        for r, changed in zip(revisions, changes, strict=True)
    ]  # fmt: skip
    names = (
        "number", "time", "verdict", "size_ml", "missing", "reason", "rules", "recorded", "changed",
        "figures",
    )  # fmt: skip
    return csv_text(names, rows)


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
    parts, manifest, signature = _unzipped(packet)
    key = str(signature["public_key"])
    signed = tree.is_signed(manifest, signature=str(signature["signature"]), by=key)
    problem = "" if signed else "the manifest was changed, or signed by another"
    if not found.note("signature", problem, "good"):
        return  # nothing that nobody signed is worked out
    found.manifest, found.key = json.loads(manifest), key
    form = found.manifest.get("format")
    if form not in FORMATS:
        found.note("format", "a later version of this program made it: verify it with that", "")
        return
    problem = "" if form == 1 else _repacked(packet, parts, found.manifest, key)
    if found.note(
        "files", problem or _changed(parts, found.manifest), "each has its digest and root"
    ):
        read = read_table if form == FORMAT else read_plain_table
        texts = {name: parts[name].decode() for name in parts if name in NAMES}
        _rework(
            {name: read(text) for name, text in texts.items()}, texts.get("gaps.csv", ""), found
        )


def _repacked(
    packet: bytes, parts: Mapping[str, bytes], manifest: Mapping[str, Any], key: str
) -> str:
    """Whether a byte of the file itself is not as it was made."""
    streams = _streams(packet)
    wanted = manifest["files"]
    names = [name for name in parts if name in wanted]
    signature = json.loads(parts["signature.json"])
    said = _written(_signature(key, str(signature["signature"])))
    if parts["signature.json"] != said:
        return "signature.json was changed"
    for name in names:
        if sha256(streams[name]).hexdigest() != wanted[name]["packed"]:
            return f"{name} was changed"
    own = {name: parts[name] for name in names}
    container = _zipped(own, parts["manifest.json"], said, {name: streams[name] for name in own})
    return "" if container == packet else "the file was changed"


def _signature(key: str, signed: str) -> dict[str, str]:
    return {
        "algorithm": "Ed25519 (RFC 8032)",
        "public_key": key.lower(),
        "signature": signed.lower(),
    }


def _changed(parts: Mapping[str, bytes], manifest: Mapping[str, Any]) -> str:
    wanted = manifest["files"]
    texts = {n: data for n, data in parts.items() if n not in {"manifest.json", "signature.json"}}
    if set(wanted) != set(texts):
        return "the files are not those of the manifest"
    if sum(data.count(b"\n") for n, data in texts.items() if n in NAMES) > MOST_LINES:
        return "there are more lines than in any packet"
    for name, data in texts.items():
        if sha256(data).hexdigest() != wanted[name]["sha256"]:
            return f"{name} was changed"
    lines = _lines(texts)
    if len(lines) != manifest["leaves"] or tree.root(lines) != manifest["root"]:
        return "the lines do not have the root"
    return ""


def _rework(tables: Mapping[str, Lines], gaps: str, found: Verified) -> None:
    manifest = found.manifest
    form = manifest["format"]
    ours = OLD_RULES if form == 1 else f"{judge.VERSION}/{proofs.VERSION}"
    if not found.note(
        "rules",
        ""
        if manifest["rules"] == ours
        else f"made with {manifest['rules']}, this program has {ours}: verify it with a version of "
        "the program that has those",
        ours,
    ):
        return
    zones = read_zones(tables["zones.csv"])
    if len(zones) > MOST_ZONES:
        raise InputError("it has more zones than any unit")
    own = [zone for zone in zones if zone.unit]
    events = read_events(tables["events.csv"])
    hours = read_hours(tables["hours.csv"])
    seen = None if form == 1 else _seen(own, events, tables, manifest)
    proof = _proof(own, events, hours, (tables["doubts.csv"], seen), manifest)
    beside = compared.compare(zones, events, hours, tables["readings.csv"], manifest)
    unseen = beside.unseen()
    found.note(
        "verdict",
        _differs(None if proof is None else proof.standing, manifest),
        f"{manifest['verdict']}, with every figure{unseen and f'; {unseen}'}",
    )
    found.note("hours", beside.problem, beside.counts())
    if form == 1:
        return
    problem = "" if gaps == gaps_text(hours) else "the gaps are not those of the hours"
    found.note("gaps", problem, "are those of the hours")
    steps = [] if proof is None else proof.revisions
    found.note("chain", *chained.unchained(tables, hours, steps, manifest))


def _seen(
    zones: Sequence[Zone],
    events: Sequence[Event],
    tables: Mapping[str, Lines],
    manifest: Mapping[str, Any],
) -> dict[proofs.Key, proofs.Shown]:
    """What the packet shows beside readings; a photo that is not in it is none."""
    notes = [
        note
        for note in read_notes(tables["cases.csv"])
        if note.kind != "photo" or f"photos/{note.value}.jpg" in manifest["files"]
    ]
    placements = [
        Placement(
            r["node"], r["probe"], manifest["site"], r["unit"], r["zone"], parse_time(r["from"]),
            parse_time(r["to"]) if r["to"] else None,
        )
        for r in tables["placements.csv"]
    ]  # fmt: skip
    checks = [
        proofs.Checked(r["node"], r["probe"], int(r["at_s"]), float(r["offset_percent"]))
        for r in tables["calibrations.csv"]
    ]
    return proofs.shown(zones, events, notes=notes, placements=placements, checks=checks)


def _proof(
    zones: Sequence[Zone],
    events: Sequence[Event],
    hours: Mapping[str, Table],
    beside: tuple[Lines, Mapping[proofs.Key, proofs.Shown] | None],
    manifest: Mapping[str, Any],
) -> drying.Followed | None:
    doubts, seen = beside
    spans = [
        (row["zone"], int(row["from_s"]), int(row["to_s"]) if row["to_s"] else None)
        for row in doubts
    ]
    told = proofs.trusted(hours, spans)
    repaired_s = parse_time(manifest["repaired"])
    for one in proofs.follow(zones, events, told, seen):
        if (one.zone, one.repaired_s) == (manifest["zone"], repaired_s):
            return one.followed
    return None


def _differs(standing: proofs.Revision | None, manifest: Mapping[str, Any]) -> str:
    if standing is None:
        return "the hours say nothing of this repair"
    ours = {
        "verdict": standing.verdict,
        "as_of": rfc3339(standing.at_s),
        "size_ml": written_number(standing.size_ml),
        "missing": list(standing.missing),
        "figures": {
            name: written_number(value) for name, value in sorted(standing.figures.items())
        },
    }
    wrong = [name for name, value in ours.items() if manifest[name] != value]
    return f"worked out again, {', '.join(wrong)} differ" if wrong else ""


# --- files ----------------------------------------------------------------------------------------


def _written(value: object) -> bytes:
    return (json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def _deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(wbits=-15)
    return packer.compress(data) + packer.flush()


def _zipped(
    parts: Mapping[str, bytes],
    manifest: bytes,
    signature: bytes,
    streams: Mapping[str, bytes] | None = None,
) -> bytes:
    """One ZIP file (APPNOTE 4.3), the same bytes for the same contents and streams.

    Without dates, attributes or comments, so that no byte of it says nothing.
    """
    streams = streams or {name: _deflated(data) for name, data in parts.items()}
    entries = [(name, data, streams[name], zipfile.ZIP_DEFLATED) for name, data in parts.items()]
    own = (("manifest.json", manifest), ("signature.json", signature))
    entries += [(name, data, data, zipfile.ZIP_STORED) for name, data in own]
    body, directory = bytearray(), bytearray()
    for name, data, stream, method in entries:
        sizes = (zlib.crc32(data), len(stream), len(data), len(name), 0)
        about = struct.pack("<5H3L2H", 20, 0, method, 0, 33, *sizes)  # 33: 1980-01-01
        at = len(body)
        body += b"PK\x03\x04" + about + name.encode() + stream
        directory += b"PK\x01\x02" + struct.pack("<H", 20) + about
        directory += struct.pack("<3H2L", 0, 0, 0, 0, at) + name.encode()
    end = struct.pack("<4H2LH", 0, 0, len(entries), len(entries), len(directory), len(body), 0)
    return bytes(body + directory + b"PK\x05\x06" + end)


def _streams(packet: bytes) -> dict[str, bytes]:
    """Each file of a packet as it is packed."""
    found = {}
    with zipfile.ZipFile(io.BytesIO(packet)) as packed:
        for entry in packed.infolist():
            start = entry.header_offset + 30 + len(entry.filename.encode())
            found[entry.filename] = packet[start : start + entry.compress_size]
    return found


def _unzipped(packet: bytes) -> tuple[dict[str, bytes], bytes, dict[str, str]]:
    try:
        parts = _read_all(packet)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError) as error:
        raise InputError(f"it is no packet, or damaged ({error})") from error
    signature = json.loads(parts["signature.json"])
    if not isinstance(signature, dict) or not {"public_key", "signature"} <= set(signature):
        raise InputError("it has no signature")
    if not isinstance(json.loads(parts["manifest.json"]), dict):
        raise InputError("it has no manifest")
    return parts, parts["manifest.json"], signature


def _read_all(packet: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(packet)) as packed:
        entries = packed.infolist()
        names = [entry.filename for entry in entries]
        plain = sorted(name for name in names if not PHOTO.fullmatch(name))
        known = [sorted((*own, "manifest.json", "signature.json")) for own in (NAMES, NAMES_1)]
        if plain not in known or len(set(names)) != len(names) or len(names) > MOST_FILES:
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
