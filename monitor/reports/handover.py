"""One signed file with the record of a unit, for its new owner: written here, taken in there.

::

    record ── make ──> handover.zip
        one CSV file for each of `store.handing.PARTS`; photos/<SHA-256>.jpg
        manifest.json    which unit, up to when, whether its nodes go along, counts, digests, root
        signature.json   Ed25519 over the bytes of the manifest

    handover.zip ── take ──> the new owner's record, marked as the seller's up to that time

A file comes from a stranger: its names, sizes, counts and every value are looked at before the record is
opened. The signature shows whose record it is and that nothing was changed since, not that it was true.
"""

import csv
import io
import json
import math
import re
import zipfile
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from monitor import judge, living, text
from monitor.errors import InputError
from monitor.judge import proofs
from monitor.lot import Site
from monitor.photos import MOST_KEPT, is_kept
from monitor.reports import tree
from monitor.store import Record
from monitor.store.handing import MOST_LONG, MOST_S, MOST_TEXT, PARTS, Brought, Kind, Taken
from monitor.store.photos import MOST_OF_UNIT
from monitor.times import time_zone
from monitor.written import cell, uncovered
from sensors.wire import CODE

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FORMAT = "sillkeep handover 2"
PLAIN_FORMAT = "sillkeep handover 1"  # cells stand as they are, formulas too
HOUR_S = 3600
MOST_FILE = 900_000_000  # bytes: as many photos as a unit may have, and ten years of hours
MOST_BYTES = 400_000_000  # of its tables, unpacked
MOST_LINES = 2_000_000  # twenty years of ten zones
MOST_REAL = 1e12
PHOTO = re.compile(r"photos/([0-9a-f]{64})\.jpg")
OWN = ("manifest.json", "signature.json")
MOST_OWN = 1_000_000
PLAIN = frozenset({zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED})
BROKEN = (
    ValueError, TypeError, KeyError, IndexError, OverflowError, RecursionError, RuntimeError,
    csv.Error, zipfile.BadZipFile, zlib.error, EOFError, OSError, MemoryError, NotImplementedError,
    AttributeError,
)  # fmt: skip


class _Held(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    bytes: int
    rows: int
    sha256: str


class Line(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A line of the ledger as it goes along: what, when, from and to whom by role or key."""

    what: str
    at_s: int
    giver: str
    taker: str


class Manifest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a file says of itself."""

    format: str
    unit: str
    until_s: int
    made_s: int
    program: str
    rules: str
    timezone: str
    altitude_m: float
    nodes_go_along: bool
    lived_in: bool  # whether something is left out because somebody lived there
    ledger: list[Line]
    files: dict[str, _Held]
    leaves: int
    root: str


class _Signature(msgspec.Struct, frozen=True):
    public_key: str
    signature: str


# --- make -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to go along with which unit."""

    unit: str
    nodes: bool = False
    photos: bool = True


def make(
    record: Record, wanted: Wanted, *, key: "Ed25519PrivateKey", made_s: int, program: str
) -> bytes:
    """File of a unit as its record stands now.

    Parameters
    ----------
    record : Record
    wanted : Wanted
    key : Ed25519PrivateKey
        Who signs.
    made_s : int
        The time.
    program : str
        Name and version of what makes it.

    Raises
    ------
    InputError
        If there is no such unit.
    """
    unit = next((one for one in record.units() if one.code == wanted.unit), None)
    if unit is None:
        raise InputError(f'there is no unit "{wanted.unit}"')
    site = next(one for one in record.sites() if one.code == unit.site)
    spells = living.spells(record.events(site.code, unit=unit.code), life=unit.life)
    until_s, rows, ledger = record.hand_over(unit.code, spells, photos=wanted.photos, now_s=made_s)
    texts = {name: _csv(tuple(part.columns), rows[name]) for name, part in PARTS.items()}
    held = {name: text.encode() for name, text in texts.items()}
    for row in rows["photos.csv"]:
        data = record.photo(unit.code, row[0])
        if data is not None:
            held[f"photos/{row[0]}.jpg"] = data
    lines = _lines(held)
    manifest = Manifest(
        format=FORMAT,
        unit=unit.code,
        until_s=until_s,
        made_s=made_s,
        program=program,
        rules=f"{judge.VERSION}/{proofs.VERSION}",
        timezone=site.timezone,
        altitude_m=site.altitude_m,
        nodes_go_along=wanted.nodes,
        lived_in=bool(spells),
        ledger=[Line(*line) for line in ledger],
        files={
            name: _Held(len(data), _rows(name, data), sha256(data).hexdigest())
            for name, data in held.items()
        },
        leaves=len(lines),
        root=tree.root(lines),
    )
    said = _written(msgspec.to_builtins(manifest))
    signature = {"algorithm": "Ed25519 (RFC 8032)", "public_key": tree.public_key(key)}
    signature["signature"] = tree.sign(key, said)
    return _zipped(held | {"manifest.json": said, "signature.json": _written(signature)})


def _rows(name: str, data: bytes) -> int:
    return 1 if PHOTO.fullmatch(name) else data.count(b"\n") - 1


def _lines(held: Mapping[str, bytes]) -> list[bytes]:
    """Every line of every table with its file's name before it; of a photo its digest."""
    lines = []
    for name in sorted(held):
        if PHOTO.fullmatch(name):
            lines.append(f"{name}\t{sha256(held[name]).hexdigest()}".encode())
        else:
            start = f"{name}\t".encode()
            lines += [start + line for line in held[name].split(b"\n")[:-1]]
    return lines


def _csv(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    lines = [",".join(names), *(",".join(cell(str(_cell(v))) for v in row) for row in rows)]
    return "\n".join(lines) + "\n"


def _cell(value: object) -> object:
    """A value on one line; a line break is written as in JSON, with what that needs."""
    if isinstance(value, str):
        return value.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return "" if value is None else repr(value) if isinstance(value, float) else value


_ESCAPED = re.compile(r"\\(.)")


def _written(value: object) -> bytes:
    return (json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def _zipped(held: Mapping[str, bytes]) -> bytes:
    """One file, the same bytes for the same contents."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in held.items():
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            packed.writestr(entry, data)
    return out.getvalue()


# --- look -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Opened:
    """A file that holds: what it says of itself, who signed it, its rows and photos."""

    manifest: Manifest
    said: str  # the manifest as it is written
    key: str
    parts: dict[str, list[dict[str, Any]]]
    photos: dict[str, bytes]


def read(path: Path) -> bytes:
    """Bytes of a file, if it is not larger than any handover."""
    try:
        if path.stat().st_size > MOST_FILE:
            raise InputError(f"{path} is larger than any handover")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}") from error


def look(data: bytes, *, key: str = "") -> Opened:
    """Look at all of a file; nothing but its bytes is read.

    Parameters
    ----------
    data : bytes
    key : str
        Public key that it must be signed by; "": any.

    Raises
    ------
    InputError
        If it is no handover, was changed, or is signed by another; it says which.
    """
    try:
        return _looked(data, key.strip().lower())
    except BROKEN as error:
        raise InputError(f"it is no handover, or damaged ({_short(error)})") from error


def _looked(data: bytes, key: str) -> Opened:
    held = _unzipped(data)
    said = held.pop("manifest.json")
    signature = msgspec.json.decode(held.pop("signature.json"), type=_Signature)
    if not tree.is_signed(said, signature=signature.signature, by=signature.public_key):
        raise InputError("its manifest was changed, or signed by another")
    if key and key != signature.public_key:
        raise InputError(f"it is signed by {signature.public_key[:64]}, not by the key given")
    manifest = read_manifest(said)  # nothing that nobody signed is read
    _check_files(held, manifest)
    parts = {
        name: _table(name, held[name], part.columns, plain=manifest.format == PLAIN_FORMAT)
        for name, part in PARTS.items()
        if name in held
    }
    photos = {found[1]: held[name] for name in held if (found := PHOTO.fullmatch(name))}
    for digest, photo in photos.items():
        if not is_kept(photo):
            raise InputError(f"photo {digest[:12]} is none that this program keeps")
    return Opened(manifest, said.decode(), signature.public_key, parts, photos)


def read_manifest(said: bytes) -> Manifest:
    """A manifest, if what it says can be."""
    manifest = msgspec.json.decode(said, type=Manifest)
    if manifest.format not in {FORMAT, PLAIN_FORMAT}:
        raise InputError(
            f"it is of the form {manifest.format[:40]!r}, which this version cannot read"
        )
    if not CODE.fullmatch(manifest.unit):
        raise InputError("its unit has no code")
    if not 0 <= manifest.until_s <= manifest.made_s + HOUR_S < MOST_S or manifest.until_s % HOUR_S:
        raise InputError("its times cannot be")
    if not -500.0 <= manifest.altitude_m <= 6000.0 or len(manifest.ledger) > 1000:
        raise InputError("its manifest cannot be")
    time_zone(manifest.timezone)
    return manifest


def _check_files(held: Mapping[str, bytes], manifest: Manifest) -> None:
    if set(held) != set(manifest.files):
        raise InputError("its files are not those of its manifest")
    if sum(_rows(name, data) for name, data in held.items()) > MOST_LINES:
        raise InputError("it has more lines than any handover")
    for name, data in held.items():
        told = manifest.files[name]
        here = _Held(len(data), _rows(name, data), sha256(data).hexdigest())
        if here != told:
            raise InputError(f"{name} was changed")
    lines = _lines(held)
    if len(lines) != manifest.leaves or tree.root(lines) != manifest.root:
        raise InputError("its lines do not have its root")


def _unzipped(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        entries = packed.infolist()
        names = [entry.filename for entry in entries]
        strange = [n for n in names if n not in PARTS and n not in OWN and not PHOTO.fullmatch(n)]
        if strange:
            raise InputError(f"it holds {strange[0][:80]!r}, which no handover of this version has")
        if len(set(names)) < len(names) or not set(OWN) <= set(names):
            raise InputError("it does not hold the files of a handover, each once")
        _check_sizes(entries)
        if any(entry.compress_type not in PLAIN or entry.flag_bits & 1 for entry in entries):
            raise InputError("it is packed in a way that no handover is")
        return {name: packed.read(name) for name in names}


def _check_sizes(entries: Sequence[zipfile.ZipInfo]) -> None:
    photos = [entry.file_size for entry in entries if PHOTO.fullmatch(entry.filename)]
    others = [e.file_size for e in entries if not PHOTO.fullmatch(e.filename)]
    own = [entry.file_size for entry in entries if entry.filename in OWN]
    if (
        len(photos) > MOST_OF_UNIT
        or max(photos, default=0) > MOST_KEPT
        or sum(others) > MOST_BYTES
        or max(own) > MOST_OWN
    ):
        raise InputError("it is larger than any handover")


# --- tables ---------------------------------------------------------------------------------------


def _table(
    name: str, data: bytes, columns: Mapping[str, Kind], *, plain: bool
) -> list[dict[str, Any]]:
    lines = csv.reader(io.StringIO(data.decode(), newline=""))
    if next(lines, None) != list(columns):
        raise InputError(f"{name} has other columns than this version")
    kinds = list(columns.items())
    found = []
    for number, written in enumerate(lines, 2):
        cells = written if plain else [uncovered(one) for one in written]
        if len(cells) != len(kinds):
            raise InputError(f"{name}, line {number}: has {len(cells)} cells")
        try:
            found.append({
                column: _value(cell, kind) for cell, (column, kind) in zip(cells, kinds, strict=True)
            })  # fmt: skip
        except ValueError as error:
            raise InputError(f"{name}, line {number}: {_short(error)}") from error
    return found


def _value(cell: str, kind: Kind) -> Any:  # noqa: ANN401  what the column holds
    if isinstance(kind, tuple):
        if cell not in kind:
            raise ValueError(f"{cell[:40]!r} is not allowed")
        return cell
    if cell == "" and kind.endswith("?"):
        return None
    return _READ[kind.rstrip("?")](cell)


def _whole(cell: str) -> int:
    if not re.fullmatch(r"-?[0-9]{1,13}", cell):
        raise ValueError(f"{cell[:40]!r} is no whole number")
    return int(cell)


def _real(cell: str) -> float:
    value = float(cell) if len(cell) <= 40 else math.nan
    if not abs(value) < MOST_REAL:
        raise ValueError(f"{cell[:40]!r} is no number")
    return value


def _text(cell: str) -> str:
    if len(cell) > 2 * MOST_TEXT:  # a line break is two letters in a cell
        raise ValueError("a text is too long")
    return _long(cell)


def _long(cell: str) -> str:
    if len(cell) > MOST_LONG or "\x00" in cell:
        raise ValueError("a text is too long")
    return _ESCAPED.sub(lambda found: {"n": "\n", "r": "\r"}.get(found[1], found[1]), cell)


def _code(cell: str) -> str:
    if not CODE.fullmatch(cell):
        raise ValueError(f"{cell[:40]!r} is no code")
    return cell


def _days(cell: str) -> float:
    return math.inf if cell == "inf" else _real(cell)  # never


_READ = {"days": _days, "whole": _whole, "real": _real, "text": _text, "long": _long, "code": _code}


def _short(error: BaseException) -> str:
    said = "".join(sign if sign.isprintable() else "?" for sign in str(error))
    return said[:200] or type(error).__name__


# --- take -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Where:
    """Where a unit goes here: site ("": the only one, or one that is made) and code ("": its own)."""

    site: str = ""
    code: str = ""


def take(record: Record, opened: Opened, where: Where, *, who: str, now_s: int) -> Taken:
    """Take a unit in with its record, or a newer file of one, up to where this home's own hours begin.

    Raises
    ------
    InputError
        If another unit has its code here, or what it holds does not fit together.
    """
    manifest = opened.manifest
    if manifest.made_s > now_s + HOUR_S:
        raise InputError("it was made in the future: look at the clocks of both machines")
    brought = Brought(
        key=opened.key,
        code=manifest.unit,
        site=_site(record, manifest, where.site),
        name=where.code or manifest.unit,
        until_s=manifest.until_s,
        made_s=manifest.made_s,
        root=manifest.root,
        manifest=opened.said,
        parts=opened.parts | {"alarms.csv": _sayable(opened.parts.get("alarms.csv", []))},
        photos=opened.photos,
    )
    try:
        return record.take_over(brought, who=who, now_s=now_s)
    except (TypeError, ValueError, OverflowError) as error:
        raise InputError(f"what it holds does not fit together ({_short(error)})") from error


def _sayable(alarms: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Alarms, without facts that no text can be made from: their text stays as it was told."""
    return [
        row
        if not row["facts"] or text.is_sayable(row["kind"], row["class"], row["facts"])
        else row | {"facts": ""}
        for row in alarms
    ]


def _site(record: Record, manifest: Manifest, code: str) -> str:
    """The site that it goes to; the first one of a home is made as the seller's was."""
    known = [site.code for site in record.sites()]
    if code in known or (not code and len(known) == 1):
        return code or known[0]
    if known and not code:
        raise InputError(f"say where it stands with: --site, one of {', '.join(known)}")
    if code and not CODE.fullmatch(code):
        raise InputError(f'"{code}" is no code; use a to z, 0 to 9, - and _')
    made = Site(code or "home", "", manifest.timezone, manifest.altitude_m)
    record.add_site(made)
    return made.code
