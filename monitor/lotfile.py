"""`sillkeep import lot.toml`: sites, units, zones, nodes and events as a person writes them down.

::

    [[site]]   code, name, timezone, altitude_m
    [[unit]]   code, site, name, slot, body_type, life, lean ("level" or the lowest corner, such as
               off-rear), weather_side (off, door, front, rear), slides (how many),
               roof (rated or "not rated" to be walked on, by its maker)
    [[zone]]   unit ("": the site's own), site, code, kind, material, mould_class, dry_twin, faces,
               temperature_factor, watched_from
    [[node]]   code, site, unit, from, probes = { p1 = "off-rear-low", p2 = "/outside" }, gateway
               (what it is heard through: nodes of one that fall silent at once are told once)
    [[event]]  time, site, unit ("": the whole site), zone, kind, value

A probe watches a zone of the node's unit, or `unit/zone`, or `/zone` of the site itself. `site` may
be left out where the unit tells it, or where there is one site only. Times are RFC 3339 with an
offset, as text or as TOML writes them. Everything that is named must be in the same file.
"""

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal, NoReturn, get_args

import msgspec
from msgspec import Meta, Struct

from monitor.errors import InputError
from monitor.lot import (
    EVENT_KINDS,
    ZONE_KINDS,
    Event,
    EventKind,
    Lean,
    MouldClass,
    Placement,
    Roof,
    Side,
    Site,
    Unit,
    Zone,
    ZoneKind,
)
from monitor.times import parse_time, time_zone
from sensors.wire import CODE


@dataclass(frozen=True, slots=True)
class SiteZone:
    """A zone and the site it is on."""

    site: str
    zone: Zone


@dataclass(frozen=True, slots=True)
class SiteEvent:
    """An event and the site it happened on."""

    site: str
    event: Event


@dataclass(frozen=True, slots=True)
class LotFile:
    """What a lot file holds; whatever one entry names, another entry defines."""

    sites: tuple[Site, ...]
    units: tuple[Unit, ...]
    zones: tuple[SiteZone, ...]
    placements: tuple[Placement, ...]
    events: tuple[SiteEvent, ...]
    gateways: dict[tuple[str, str], str]  # by (site, node); those that declare one


Life = Literal["intake", "stock", "in shop", "watch", "stored", "occupied", "sold", "left"]
_Code = Annotated[str, Meta(pattern=f"^{CODE.pattern}$")]
_CodeOrNone = Annotated[str, Meta(pattern=f"^({CODE.pattern})?$")]


class _Site(Struct, frozen=True, forbid_unknown_fields=True):
    code: _Code
    name: str = ""
    timezone: str = "UTC"
    altitude_m: Annotated[float, Meta(ge=-500.0, le=6000.0)] = 0.0  # roads go no higher


class _Unit(Struct, frozen=True, forbid_unknown_fields=True):
    code: _Code
    site: _CodeOrNone = ""
    name: str = ""
    slot: str = ""
    body_type: str = "travel trailer"
    life: Life = "stored"
    lean: Lean = ""
    weather_side: Side = ""
    slides: Annotated[int, Meta(ge=0, le=9)] | None = None
    roof: Roof = ""


class _Zone(Struct, frozen=True, forbid_unknown_fields=True):
    code: _Code
    unit: _CodeOrNone = ""
    site: _CodeOrNone = ""
    kind: ZoneKind = "wall"
    material: str = ""
    mould_class: MouldClass = "S"
    dry_twin: _CodeOrNone = ""
    faces: str = ""
    temperature_factor: Annotated[float, Meta(ge=0.0, le=1.0)] | None = None
    watched_from: object = None


class _Node(Struct, frozen=True, forbid_unknown_fields=True, rename={"begins": "from"}):
    code: _Code
    begins: object
    probes: dict[_Code, str]
    site: _CodeOrNone = ""
    unit: _CodeOrNone = ""
    gateway: _CodeOrNone = ""


class _Event(Struct, frozen=True, forbid_unknown_fields=True):
    time: object
    kind: EventKind
    site: _CodeOrNone = ""
    unit: _CodeOrNone = ""
    zone: _CodeOrNone = ""
    value: str = ""


class _Lot(Struct, frozen=True, forbid_unknown_fields=True):
    site: Annotated[list[_Site], Meta(min_length=1)]
    unit: list[_Unit] = []
    zone: list[_Zone] = []
    node: list[_Node] = []
    event: list[_Event] = []


_ALLOWED: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    ("unit", "life"): get_args(Life),
    ("unit", "lean"): get_args(Lean)[1:],
    ("unit", "weather_side"): get_args(Side)[1:],
    ("unit", "roof"): get_args(Roof)[1:],
    ("zone", "kind"): ZONE_KINDS,
    ("zone", "mould_class"): get_args(MouldClass),
    ("event", "kind"): EVENT_KINDS,
}
_ENTRIES: Final[dict[str, type[Struct]]] = {
    "site": _Site,
    "unit": _Unit,
    "zone": _Zone,
    "node": _Node,
    "event": _Event,
}


def read_lot(path: Path) -> LotFile:
    """Read a lot file; its form stands at the top of this module.

    Raises
    ------
    InputError
        If the file cannot be read, a key is unknown, a value is not allowed, or a name is used
        that no entry defines; names the line and says what to do.
    """
    text = _text(path)
    try:
        lot = msgspec.toml.decode(text, type=_Lot)
    except msgspec.ValidationError as error:
        raise InputError(_explain(path, text, str(error))) from error
    except msgspec.DecodeError as error:
        raise InputError(f"{path}: is not TOML: {error}") from error
    source = _Source(path, text)
    site_of_unit = _sites_of_units(source, lot)
    zones = _zones(source, lot, site_of_unit)
    return LotFile(
        sites=tuple(_site(source, lot, index) for index in range(len(lot.site))),
        units=tuple(
            Unit(**(msgspec.structs.asdict(unit) | {"site": site_of_unit[unit.code]}))
            for unit in lot.unit
        ),
        zones=tuple(SiteZone(site, zone) for (site, _, _), zone in zones.items()),
        placements=tuple(_placements(source, lot, site_of_unit, zones)),
        events=tuple(_events(source, lot, site_of_unit, zones)),
        gateways={
            (_place(source, lot, site_of_unit, "node", index)[0], node.code): node.gateway
            for index, node in enumerate(lot.node)
            if node.gateway
        },
    )


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text; save it in UTF-8") from error


_ZoneKey = tuple[str, str, str]  # site, unit, zone


@dataclass(frozen=True, slots=True)
class _Source:
    """The text of the file, to name the line of what is wrong."""

    path: Path
    text: str

    def refuse(self, table: str, index: int, key: str, why: str) -> NoReturn:
        line = _line_of(self.text, table, index, key)
        raise InputError(f"{self.path}, line {line}: [[{table}]] {key}: {why}")

    def seconds(self, table: str, index: int, key: str, value: object) -> int:
        """Seconds since 1970 of a time, as text or as TOML writes it."""
        try:
            return parse_time(str(value))
        except InputError:
            self.refuse(
                table,
                index,
                key,
                f"{str(value)!r} is no time with an offset; write 2030-01-01T00:00:00Z",
            )


def _site(source: _Source, lot: _Lot, index: int) -> Site:
    entry = lot.site[index]
    if entry.code in {other.code for other in lot.site[:index]}:
        source.refuse("site", index, "code", f"{entry.code!r} stands here a second time")
    try:
        time_zone(entry.timezone)
    except InputError as error:
        source.refuse("site", index, "timezone", str(error))
    return Site(entry.code, entry.name, entry.timezone, entry.altitude_m)


def _sites_of_units(source: _Source, lot: _Lot) -> dict[str, str]:
    site_of_unit: dict[str, str] = {}
    for index, unit in enumerate(lot.unit):
        if unit.code in site_of_unit:
            source.refuse("unit", index, "code", f"{unit.code!r} stands here a second time")
        site_of_unit[unit.code] = _site_code(source, lot, "unit", index, site=unit.site)
    return site_of_unit


def _site_code(source: _Source, lot: _Lot, table: str, index: int, *, site: str) -> str:
    """Find the site an entry names, or the only one."""
    codes = [entry.code for entry in lot.site]
    if site and site not in codes:
        source.refuse(table, index, "site", f"{site!r} is none of {', '.join(codes)}")
    if not site and len(codes) > 1:
        source.refuse(table, index, "site", f"is missing; give one of {', '.join(codes)}")
    return site or codes[0]


def _place(
    source: _Source, lot: _Lot, site_of_unit: Mapping[str, str], table: str, index: int
) -> tuple[str, str]:
    """Site and unit of an entry; the unit tells the site."""
    entry: _Zone | _Node | _Event = getattr(lot, table)[index]
    if not entry.unit:
        return _site_code(source, lot, table, index, site=entry.site), ""
    if entry.unit not in site_of_unit:
        source.refuse(table, index, "unit", f"there is no unit {entry.unit!r} in this file")
    site = site_of_unit[entry.unit]
    if entry.site not in {"", site}:
        source.refuse(table, index, "site", f"is {entry.site!r}, and the unit is on {site!r}")
    return site, entry.unit


def _zones(source: _Source, lot: _Lot, site_of_unit: Mapping[str, str]) -> dict[_ZoneKey, Zone]:
    zones: dict[_ZoneKey, Zone] = {}
    for index, entry in enumerate(lot.zone):
        site, unit = _place(source, lot, site_of_unit, "zone", index)
        if (site, unit, entry.code) in zones:
            source.refuse("zone", index, "code", f"{unit}/{entry.code} stands here a second time")
        twin = (entry.unit, entry.dry_twin)
        if entry.dry_twin and twin not in {(zone.unit, zone.code) for zone in lot.zone}:
            source.refuse("zone", index, "dry_twin", f"there is no zone {'/'.join(twin)} here")
        watched_from_s = (
            source.seconds("zone", index, "watched_from", entry.watched_from)
            if entry.watched_from
            else None
        )
        zones[site, unit, entry.code] = Zone(
            unit=unit,
            code=entry.code,
            kind=entry.kind,
            material=entry.material,
            mould_class=entry.mould_class,
            dry_twin=entry.dry_twin,
            faces=entry.faces,
            temperature_factor=entry.temperature_factor,
            watched_from_s=watched_from_s,
        )
    return zones


def _placements(
    source: _Source, lot: _Lot, site_of_unit: Mapping[str, str], zones: Collection[_ZoneKey]
) -> Iterator[Placement]:
    seen: set[tuple[str, str]] = set()
    for index, node in enumerate(lot.node):
        site, own = _place(source, lot, site_of_unit, "node", index)
        if (site, node.code) in seen:
            source.refuse("node", index, "code", f"{node.code!r} stands here a second time")
        seen.add((site, node.code))
        from_s = source.seconds("node", index, "from", node.begins)
        for probe, place in node.probes.items():
            unit, slash, zone = place.rpartition("/")
            unit = unit if slash else own
            if (site, unit, zone) not in zones:
                source.refuse("node", index, "probes", f"{probe} watches {place!r}: no zone here")
            yield Placement(node.code, probe, site, unit, zone, from_s)


def _events(
    source: _Source, lot: _Lot, site_of_unit: Mapping[str, str], zones: Collection[_ZoneKey]
) -> Iterator[SiteEvent]:
    for index, entry in enumerate(lot.event):
        site, unit = _place(source, lot, site_of_unit, "event", index)
        if entry.zone and (site, unit, entry.zone) not in zones:
            source.refuse("event", index, "zone", f"there is no zone {unit}/{entry.zone} here")
        at_s = source.seconds("event", index, "time", entry.time)
        yield SiteEvent(site, Event(at_s, entry.kind, entry.value, unit, entry.zone))


# ---- what is wrong, in words --------------------------------------------------------------

_WHERE: Final = re.compile(
    r"(.*?)(?: - at `(?:key` in `)?\$(?:\.(\w+))?(?:\[(\d+)\])?(?:\.(\w+))?.*`)?"
)
_WRONG: Final = re.compile(r"Expected `(.+)`, got `(.+)`")
_WORDS: Final = {
    "str": "text in quotes",
    "object": "a table",
    "array": "entries in double brackets, such as [[unit]]",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
}


def _explain(path: Path, text: str, message: str) -> str:
    """Say in words, with the line, what msgspec found wrong."""
    match = _WHERE.fullmatch(message)
    what, table, index, key = match.groups() if match else (message, None, None, None)
    unknown = re.fullmatch(r"Object contains unknown field `(.*)`", what)
    lacking = re.fullmatch(r"Object missing required field `(.*)`", what)
    if unknown and table is None:
        line = _line_of(text, unknown[1], 0, "")
        return f"{path}, line {line}: unknown table {unknown[1]!r}; there are {', '.join(_ENTRIES)}"
    if lacking and table is None:
        return f"{path}: has no [[{lacking[1]}]]; a lot file starts with one"
    named = str(table)
    line = _line_of(text, named, int(index or 0), unknown[1] if unknown else key or "")
    where = f"{path}, line {line}: [[{named}]]"
    if unknown:
        allowed = [entry.encode_name for entry in msgspec.structs.fields(_ENTRIES[named])]
        return f"{where} unknown key {unknown[1]!r}; it takes {', '.join(allowed)}"
    if lacking:
        return f"{where} lacks the key {lacking[1]!r}"
    return f"{where} {key or ''}: {_reworded(what, named, key)}"


def _reworded(what: str, table: str, key: str | None) -> str:
    if "matching regex" in what:
        return "may have only a-z, 0-9, - and _, starts with a letter or digit, at most 64 long"
    if what.startswith("Invalid enum value"):
        kinds = _ALLOWED[table, str(key)]
        return f"{what.removeprefix('Invalid enum value ')} is none of {', '.join(kinds)}"
    wrong = _WRONG.fullmatch(what)
    if wrong:
        return f"must be {_WORDS.get(wrong[1], wrong[1])}, not {_WORDS.get(wrong[2], wrong[2])}"
    return what[0].lower() + what[1:].replace("`float`", "a number")


def _line_of(text: str, table: str, index: int, key: str) -> int:
    """Line of a key in the index-th entry of a table; of the entry itself where it has no such."""
    entry, found = -1, 1
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*\[\[?\s*([\w-]+)\s*\]", line)
        if header:
            if entry == index and header[1] == table:
                break
            entry += header[1] == table
            inside = header[1] == table and entry == index
            found = number if inside else found
        elif entry == index and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return number
    return found
