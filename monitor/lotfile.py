"""`sillkeep import lot.toml`: sites, units, zones, nodes and events as a person writes them down.

::

    [[site]]   code, name, timezone, altitude_m
    [[unit]]   code, site, name, slot, body_type, life
    [[zone]]   unit ("": the site's own), site, code, kind, material, mould_class, dry_twin, faces,
               temperature_factor, watched_from
    [[node]]   code, site, unit, from, probes = { p1 = "off-rear-low", p2 = "/outside" }
    [[event]]  time, site, unit ("": the whole site), zone, kind, value

A probe watches a zone of the node's unit, or `unit/zone`, or `/zone` of the site itself. `site` may
be left out where the unit tells it, or where there is one site only. Times are RFC 3339 with an
offset, as text or as TOML writes them. Everything that is named must be in the same file.
"""

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Final, Literal

import msgspec
from msgspec import Meta, Struct

from monitor.errors import InputError
from monitor.lot import (
    CODE,
    EVENT_KINDS,
    Event,
    EventKind,
    MouldClass,
    Placement,
    Site,
    Unit,
    Zone,
    ZoneKind,
)
from monitor.times import parse_time, time_zone


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


class _Event(Struct, frozen=True, forbid_unknown_fields=True):
    time: object
    kind: EventKind
    site: _CodeOrNone = ""
    unit: _CodeOrNone = ""
    zone: _CodeOrNone = ""
    value: str = ""


class _Lot(Struct, frozen=True, forbid_unknown_fields=True):
    site: list[_Site]
    unit: list[_Unit] = []
    zone: list[_Zone] = []
    node: list[_Node] = []
    event: list[_Event] = []


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
    try:
        text = path.read_text(encoding="utf-8-sig")
        lot = msgspec.toml.decode(text.encode(), type=_Lot)
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text; save it in UTF-8") from error
    except msgspec.ValidationError as error:
        raise InputError(_explain(path, text, str(error))) from error
    except msgspec.DecodeError as error:
        raise InputError(f"{path}: is not TOML: {error}") from error
    return _Joined(path, text, lot).whole()


@dataclass(slots=True)
class _Joined:
    """Entries on their way to a `LotFile`: each may name only what stands in the file."""

    path: Path
    text: str
    lot: _Lot
    site_of_unit: dict[str, str] = field(default_factory=dict)
    zones: dict[tuple[str, str, str], Zone] = field(default_factory=dict)  # site, unit, code

    def whole(self) -> LotFile:
        sites = tuple(self._site(index, entry) for index, entry in enumerate(self.lot.site))
        units = tuple(self._unit(index, entry) for index, entry in enumerate(self.lot.unit))
        for index, entry in enumerate(self.lot.zone):
            self._zone(index, entry)
        for (site, unit, _), (index, entry) in zip(
            self.zones, enumerate(self.lot.zone), strict=True
        ):
            if entry.dry_twin and (site, unit, entry.dry_twin) not in self.zones:
                self._refuse("zone", index, "dry_twin", f"there is no zone {entry.dry_twin!r} of {unit!r}")
        return LotFile(
            sites=sites,
            units=units,
            zones=tuple(SiteZone(site, zone) for (site, _, _), zone in self.zones.items()),
            placements=tuple(self._placements()),
            events=tuple(
                self._event(index, entry) for index, entry in enumerate(self.lot.event)
            ),
        )

    def _site(self, index: int, entry: _Site) -> Site:
        if entry.code in [other.code for other in self.lot.site[:index]]:
            self._refuse("site", index, "code", f"site {entry.code!r} stands here a second time")
        try:
            time_zone(entry.timezone)
        except InputError as error:
            self._refuse("site", index, "timezone", str(error))
        return Site(entry.code, entry.name, entry.timezone, entry.altitude_m)

    def _unit(self, index: int, entry: _Unit) -> Unit:
        if entry.code in self.site_of_unit:
            self._refuse("unit", index, "code", f"unit {entry.code!r} stands here a second time")
        site = self.site_of_unit[entry.code] = self._site_code("unit", index, entry.site, "")
        return Unit(entry.code, site, entry.name, entry.slot, entry.body_type, entry.life)

    def _zone(self, index: int, entry: _Zone) -> None:
        key = (
            self._site_code("zone", index, entry.site, entry.unit),
            entry.unit,
            entry.code,
        )
        if key in self.zones:
            self._refuse(
                "zone", index, "code", f"zone {entry.unit}/{entry.code} stands here a second time"
            )
        self.zones[key] = Zone(
            unit=entry.unit,
            code=entry.code,
            kind=entry.kind,
            material=entry.material,
            mould_class=entry.mould_class,
            dry_twin=entry.dry_twin,
            faces=entry.faces,
            temperature_factor=entry.temperature_factor,
            watched_from_s=None
            if entry.watched_from in {None, ""}
            else self._time("zone", index, "watched_from", entry.watched_from),
        )

    def _placements(self) -> Iterator[Placement]:
        seen = set()
        for index, node in enumerate(self.lot.node):
            site = self._site_code("node", index, node.site, node.unit)
            if (site, node.code) in seen:
                self._refuse("node", index, "code", f"node {node.code!r} stands here a second time")
            seen.add((site, node.code))
            from_s = self._time("node", index, "from", node.begins)
            for probe, place in node.probes.items():
                unit, slash, zone = place.partition("/")
                if not slash:
                    unit, zone = node.unit, place
                if (site, unit, zone) not in self.zones:
                    self._refuse(
                        "node", index, "probes", f"{probe} watches {place!r}, which is no zone here"
                    )
                yield Placement(node.code, probe, site, unit, zone, from_s)

    def _event(self, index: int, entry: _Event) -> SiteEvent:
        site = self._site_code("event", index, entry.site, entry.unit)
        if entry.zone and (site, entry.unit, entry.zone) not in self.zones:
            self._refuse("event", index, "zone", f"there is no zone {entry.unit}/{entry.zone} here")
        at_s = self._time("event", index, "time", entry.time)
        return SiteEvent(site, Event(at_s, entry.kind, entry.value, entry.unit, entry.zone))

    def _site_code(self, table: str, index: int, site: str, unit: str) -> str:
        """The site of an entry: its unit's, the one it names, or the only one."""
        codes = [entry.code for entry in self.lot.site]
        if unit and unit not in self.site_of_unit:
            self._refuse(table, index, "unit", f"there is no unit {unit!r} in this file")
        found = site or self.site_of_unit.get(unit) or codes[0]
        if found not in codes or (unit and found != self.site_of_unit[unit]):
            self._refuse(table, index, "site", f"{found!r} is not the site of it: {', '.join(codes)}")
        if not site and not unit and len(codes) > 1:
            self._refuse(table, index, "code", f"name its site: one of {', '.join(codes)}")
        return found

    def _time(self, table: str, index: int, key: str, value: object) -> int:
        if isinstance(value, dt.datetime) and value.tzinfo is not None:
            return int(value.timestamp() // 1)
        try:
            return parse_time(str(value), timezone=None)
        except InputError:
            self._refuse(
                table,
                index,
                key,
                f"{str(value)!r} is no time with an offset; write 2030-01-01T00:00:00Z",
            )

    def _refuse(self, table: str, index: int, key: str, why: str) -> NoReturn:
        line = _line_of(self.text, table, index, key)
        raise InputError(f"{self.path}, line {line}: {key} in [[{table}]]: {why}")
