"""Files that people hand in and take away: zones and events in, hours and alarms out.

Readings (`monitor.history`) and a lot to import (`monitor.lotfile`) are offered here too, so that
a caller has one place to look.
"""

import re
from collections.abc import Collection, Iterable, Mapping
from math import isfinite
from pathlib import Path
from typing import Final, cast, get_args

from numpy.typing import ArrayLike

from monitor.errors import InputError
from monitor.history import ReadingsFile, Rejected, ZoneKey, read_readings
from monitor.lot import (
    EVENT_KINDS,
    ZONE_KINDS,
    Event,
    EventKind,
    MouldClass,
    Zone,
    ZoneKind,
    rain_mm,
)
from monitor.lotfile import LotFile, SiteEvent, SiteZone, read_lot
from monitor.tables import load, read_head, write_table
from monitor.times import parse_time

__all__ = [
    "ALARMS_COLUMNS",
    "HOURS_COLUMNS",
    "PROOF_COLUMNS",
    "LotFile",
    "ReadingsFile",
    "Rejected",
    "SiteEvent",
    "SiteZone",
    "complete_zones",
    "guess_kind",
    "parse_time",
    "read_events",
    "read_lot",
    "read_readings",
    "read_zones",
    "stray_events",
    "write_alarms",
    "write_hours",
    "write_proof",
    "write_table",
]

ZONES_COLUMNS: Final = (
    "unit",
    "zone",
    "kind",
    "material",
    "mould_class",
    "dry_twin",
    "faces",
    "watched_from",
    "temperature_factor",
)
EVENTS_COLUMNS: Final = ("time", "unit", "zone", "kind", "value")
REPAIR_VALUES: Final = ("closed", "opened and dried", "sensor moved")
MOULD_CLASSES: Final[tuple[MouldClass, ...]] = get_args(MouldClass)

# name -> decimals (None: text or a whole number), in the order of the file
_HOURS: Final[dict[str, int | None]] = {
    "time": None,
    "unit": None,
    "zone": None,
    "kind": None,
    "readings": None,
    "coverage_percent": 1,
    "temperature_c": 2,
    "humidity_percent": 2,
    "dew_point_c": 2,
    "humidity_ratio_g_kg": 3,
    "surface_humidity_percent": 2,
    "dew_point_margin_k": 2,
    "wood_moisture_percent": 2,
    "moisture_basis": None,
    "mould_class": None,
    "mould_index": 4,
    "mould_index_low": 4,
    "mould_index_high": 4,
    "mould_index_sensitive": 4,
    "days_to_index_1": 1,
    "days_to_index_3": 1,
    "thirty_day_humidity_percent": 2,
    "rot_hours": 1,
    "leak_score": 3,
    "state": None,
    "trend": None,
    "cause": None,
    "witnessed": None,
}
HOURS_COLUMNS: Final = tuple(_HOURS)
ALARMS_COLUMNS: Final = ("raised", "unit", "zone", "kind", "class", "cleared", "cause", "text")
PROOF_COLUMNS: Final = ("unit", "zone", "time", "verdict", "size_ml", "missing")


# ---- zones --------------------------------------------------------------------------------


def read_zones(
    path: Path, *, timezone: str | None = None
) -> tuple[dict[ZoneKey, Zone], tuple[str, ...]]:
    """Read a file of zones (`ZONES_COLUMNS`; unit, zone and kind are required).

    Parameters
    ----------
    timezone : str or None
        Of a `watched_from` without an offset.

    Returns
    -------
    tuple[dict[ZoneKey, Zone], tuple[str, ...]]
        Zones by (unit, zone), and notes.

    Raises
    ------
    InputError
        If the file cannot be read or a value is none of those allowed; names the line.
    """
    zones: dict[ZoneKey, Zone] = {}
    rows, notes = _rows(path, ZONES_COLUMNS, required=("unit", "zone", "kind"))
    for line, row in rows:
        where = f"{path}: line {line}"
        zone = _zone(where, row, timezone)
        if (zone.unit, zone.code) in zones:
            raise InputError(f"{where}: {zone.unit}/{zone.code} stands here a second time")
        zones[zone.unit, zone.code] = zone
    notes += [
        f"{zone.unit}/{zone.code}: its dry twin {zone.dry_twin} is no zone of this file"
        for zone in zones.values()
        if zone.dry_twin and (zone.unit, zone.dry_twin) not in zones
    ]
    return zones, tuple(notes)


def _zone(where: str, row: Mapping[str, str], timezone: str | None) -> Zone:
    if not row["zone"]:
        raise InputError(f"{where}: zone is missing")
    kind = _one_of(where, "kind", row["kind"], ZONE_KINDS)
    mould_class = _one_of(where, "mould_class", row.get("mould_class") or "S", MOULD_CLASSES)
    factor = row.get("temperature_factor", "")
    share = _number(where, "temperature_factor", factor) if factor else None
    if share is not None and not 0.0 <= share <= 1.0:
        raise InputError(f"{where}: temperature_factor {factor} is outside 0 to 1")
    watched_from = row.get("watched_from", "")
    return Zone(
        unit=row["unit"],
        code=row["zone"],
        kind=cast("ZoneKind", kind),
        material=row.get("material", ""),
        mould_class=cast("MouldClass", mould_class),
        dry_twin=row.get("dry_twin", ""),
        faces=row.get("faces", ""),
        temperature_factor=share,
        watched_from_s=_time(where, watched_from, timezone) if watched_from else None,
    )


_GUESSES: Final[tuple[tuple[re.Pattern[str], ZoneKind], ...]] = (
    (re.compile(r"out(side|door|doors)?([-_\d].*)?"), "outside"),
    (re.compile(r"slide[-_]?\d*[-_]floor.*"), "slide-floor"),
    (re.compile(r"slide[-_]?\d*[-_]roof.*"), "slide-roof"),
    (re.compile(r"(air[-_].*|air|cabin.*)"), "cabin"),
    (re.compile(r"bed.*"), "bed"),
    (re.compile(r"roof.*"), "roof"),
    (re.compile(r"floor.*"), "floor"),
    (re.compile(r"(under)?belly.*"), "underbelly"),
    (re.compile(r"bay.*"), "bay"),
)


def guess_kind(code: str) -> ZoneKind:
    """Guess a zone's kind from its code; `wall` where the code does not clearly say."""
    for pattern, kind in _GUESSES:
        if pattern.fullmatch(code.lower()):
            return kind
    return "wall"


def complete_zones(
    seen: Iterable[ZoneKey], declared: Mapping[ZoneKey, Zone] | None
) -> tuple[dict[ZoneKey, Zone], tuple[str, ...]]:
    """Join the zones that have readings with those of a zones file; guess what is not declared.

    Parameters
    ----------
    seen : Iterable[ZoneKey]
        (unit, zone) of the readings.
    declared : Mapping[ZoneKey, Zone] or None
        What `read_zones` gave; None: no such file.

    Returns
    -------
    tuple[dict[ZoneKey, Zone], tuple[str, ...]]
        All zones sorted by (unit, zone), declared zones without readings included; and notes
        that name every guess.
    """
    known = dict(declared or {})
    seen = set(seen)
    guessed = sorted(seen - known.keys())
    known |= {key: Zone(unit=key[0], code=key[1], kind=guess_kind(key[1])) for key in guessed}
    notes = []
    if guessed:
        said = ", ".join(f"{'/'.join(key).lstrip('/')} {known[key].kind}" for key in guessed)
        what = "not in the zones file, kind" if declared is not None else "kind"
        notes.append(f"{what} guessed from the zone's code: {said}")
    silent = sorted(known.keys() - seen)
    if silent:
        notes.append(f"zones without readings: {', '.join('/'.join(key) for key in silent)}")
    return dict(sorted(known.items())), tuple(notes)


# ---- events -------------------------------------------------------------------------------


def read_events(
    path: Path, *, timezone: str | None = None
) -> tuple[tuple[Event, ...], tuple[str, ...]]:
    """Read a file of events (`EVENTS_COLUMNS`; time and kind are required).

    Returns
    -------
    tuple[tuple[Event, ...], tuple[str, ...]]
        Events sorted by time, equal ones once, a blank unit meaning the whole site; and notes.

    Raises
    ------
    InputError
        If the file cannot be read, a kind is unknown, or rain is no number; names the line.
    """
    rows, notes = _rows(path, EVENTS_COLUMNS, required=("time", "kind"))
    events = [_event(f"{path}: line {line}", row, timezone) for line, row in rows]
    once = sorted(
        set(events), key=lambda event: (event.at_s, event.unit, event.zone, event.kind, event.value)
    )
    if len(once) < len(events):
        notes.append(f"repeated events, counted once: {len(events) - len(once)}")
    return tuple(once), tuple(notes)


def stray_events(events: Iterable[Event], zones: Collection[ZoneKey]) -> tuple[str, ...]:
    """Name the units and zones that events speak of and nothing watches; they change nothing."""
    units = {unit for unit, _ in zones}
    stray = [
        f"{event.unit}/{event.zone}".rstrip("/")
        for event in events
        if (event.unit and event.unit not in units)
        or (event.zone and (event.unit, event.zone) not in zones)
    ]
    if not stray:
        return ()
    return (f"events of no unit or zone here: {', '.join(dict.fromkeys(stray))}",)


def _event(where: str, row: Mapping[str, str], timezone: str | None) -> Event:
    kind = _one_of(where, "kind", row["kind"], EVENT_KINDS)
    value = row.get("value", "")
    if kind == "rain":
        try:
            rain_mm(value)
        except InputError as error:
            raise InputError(f"{where}: {error}") from None
    if kind == "repair" and value:
        for part in value.split(","):
            _one_of(where, "the value of repair", part.strip(), REPAIR_VALUES)
    return Event(
        at_s=_time(where, row["time"], timezone),
        kind=cast("EventKind", kind),
        value=value,
        unit=row.get("unit", ""),
        zone=row.get("zone", ""),
    )


# ---- small tables of text -----------------------------------------------------------------


def _rows(
    path: Path, columns: Collection[str], *, required: Collection[str]
) -> tuple[list[tuple[int, dict[str, str]]], list[str]]:
    """Rows of a small file as text, each with its line; and a note on columns not known."""
    head = read_head(path)
    absent = [name for name in required if name not in head.names]
    if absent:
        raise InputError(
            f"{path}: has no column {' and no column '.join(absent)}; "
            f"it has {', '.join(head.names)}, and must have {', '.join(required)}"
        )
    strangers = [name for name in head.names if name and name not in columns]
    frame = load(path, head, {name: name for name in columns if name in head.names})
    texts = frame.astype(object).where(frame.notna(), "")
    rows = [
        (int(str(label)) + head.first_line, {str(k): str(v).strip() for k, v in row.items()})
        for label, row in texts.to_dict(orient="index").items()
        if any(row.values())
    ]
    return rows, [f"{path.name}: columns not known: {', '.join(strangers)}"] if strangers else []


def _one_of(where: str, name: str, value: str, allowed: Collection[str]) -> str:
    if value not in allowed:
        raise InputError(f"{where}: {name} {value!r} is none of {', '.join(allowed)}")
    return value


def _number(where: str, name: str, text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not isfinite(number):
        raise InputError(f"{where}: {name} {text!r} is no number")
    return number


def _time(where: str, text: str, timezone: str | None) -> int:
    try:
        return parse_time(text, timezone=timezone)
    except InputError as error:
        raise InputError(f"{where}: {error}") from error


# ---- what was judged ----------------------------------------------------------------------


def write_hours(
    path: Path,
    blocks: Iterable[Mapping[str, ArrayLike]],
    *,
    more: Mapping[str, int | None] | None = None,
) -> None:
    """Write judged hours, block by block; with the names of `HOURS_COLUMNS`, `time` in seconds.

    `more` are further columns, with their decimals.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    columns = _HOURS | dict(more or {})
    digits = {name: decimals for name, decimals in columns.items() if decimals is not None}
    ordered = ({name: block[name] for name in columns} for block in blocks)
    write_table(path, ordered, times=("time",), digits=digits)


def write_alarms(path: Path, columns: Mapping[str, ArrayLike]) -> None:
    """Write alarms; `columns` has the names of `ALARMS_COLUMNS`, times in seconds, None: standing.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    ordered = {name: columns[name] for name in ALARMS_COLUMNS}
    write_table(path, [ordered], times=("raised", "cleared"))


def write_proof(path: Path, columns: Mapping[str, ArrayLike]) -> None:
    """Write revisions of proofs; `columns` has the names of `PROOF_COLUMNS`, `time` in seconds.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    ordered = {name: columns[name] for name in PROOF_COLUMNS}
    write_table(path, [ordered], times=("time",), digits={"size_ml": 0})
