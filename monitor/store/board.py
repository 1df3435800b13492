"""What the pages read: read-only questions to the record, answered as frozen data.

Nothing is judged here. A word, a figure or a text is shown as it was stored; the one thing added
is that a stored word runs out: once its hour is older than the silence its node declared, nobody
knows, and the zone is `unknown` until it is judged again.
"""

import json
import logging
import re
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    ColumnElement,
    Connection,
    Engine,
    Row,
    Select,
    and_,
    case,
    func,
    literal_column,
    or_,
    select,
)

from monitor.config import Archive
from monitor.errors import ArchiveError, ConfigError
from monitor.lot import (
    AIR_KINDS,
    DEFAULT_SILENCE_S,
    STRUCTURE_KINDS,
    AlarmKind,
    Source,
    Unit,
    ZoneWord,
    silent_after_s,
)
from monitor.store import alarming, bench, health, holding, judging, sealing
from monitor.store import schema as t
from monitor.store.dialects import Integer
from monitor.store.influx import Server, archived_hours

LOG = logging.getLogger(__name__)
HOUR_S = 3600
PATIENCE_S = 5.0  # of a page with the archive
STRIP_DAYS = 14  # two weeks hold several rains, and fit a phone
STRIP_STEP_H = 12  # wood moisture is a running 24 h mean: a point by day and by night tells it
PAST_ALARMS = 100  # ended alarms on one page

WORD_RANK: dict[str, int] = {"wet": 0, "damp": 1, "unknown": 2, "dry": 3}
CLASS_RANK: dict[str, int] = {"act now": 0, "today": 1, "this week": 2, "season": 3}

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
AnyRow = Row[*tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class SiteRow:
    """A site and the codes of its own zones (outside air, rain gauge)."""

    code: str
    name: str
    timezone: str
    altitude_m: float
    zones: tuple[str, ...]
    borrowed: tuple[tuple[str, str, float], ...] = ()  # weather of others: source, from whom, km


@dataclass(frozen=True, slots=True)
class ZoneNow:
    """A zone as last judged, and when it was last heard; None: not measured, not known."""

    site: str
    unit: str  # "" for a zone of the site
    code: str
    kind: str
    word: ZoneWord
    last_word: str  # of the newest hour that was not unknown; "" if there is none
    trend: str
    cause: str
    hour: int | None  # the judged hour the figures are of
    coverage_percent: float | None
    temperature_c: float | None
    humidity_percent: float | None
    dew_point_c: float | None
    wood_moisture_percent: float | None
    ambient_moisture_percent: float | None
    moisture_basis: str
    surface_humidity_percent: float | None
    mould_index: float | None
    mould_index_low: float | None
    mould_index_high: float | None
    leak_score: float | None  # of the last whole day
    witnessed: int
    rain_known: bool  # some rain source was there in that hour
    heard_s: int | None  # newest reading of the probes placed there now
    silence_s: int
    placed_s: int | None  # since when the newest of them is there
    temperature_factor: float | None = None  # declared
    mould_class: str = "S"


OF_ZONE = ("damp", "wet", "water contact", "mould growth", "rot", "condensation", "leak suspect")


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """An alarm as it is stored, with the codes of its place."""

    alarm_id: int
    site: str
    unit: str
    zone: str
    node: str
    kind: str
    alarm_class: str
    state: str
    cause: str
    text: str
    raised_s: int
    cleared_s: int | None
    withdrawn_s: int | None
    steps: tuple["StepRow", ...] = ()
    parts: tuple[str, ...] = ()  # of the text; none of one raised before they were kept
    facts: str = ""  # what the text was made from; "" likewise
    left: bool = False  # it stands in a zone that no probe watches any more

    @property
    def source(self) -> Source:
        """Where alarms of its kind come from."""
        return Source(self.site, cast("AlarmKind", self.kind), self.unit, self.zone, self.node)

    @property
    def open(self) -> bool:
        """Whether somebody still has to do or acknowledge something."""
        return self.state != "normal" and self.withdrawn_s is None


@dataclass(frozen=True, slots=True)
class StepRow:
    """One change of an alarm's life."""

    at_s: int
    state: str
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Strip:
    """Two weeks of one zone in steps of `STRIP_STEP_H`; nan where nothing is known."""

    zone: str
    from_hour: int
    moisture_percent: Floats
    rain_mm: Floats


@dataclass(frozen=True, slots=True)
class Baseline:
    """Since when a zone is judged against itself."""

    since_s: int
    reopened: str  # the repair that began it anew; "": its first reading did


@dataclass(frozen=True, slots=True)
class UnitNow:
    """A unit, its word, its zones (worst first) and its open alarms (most urgent first)."""

    site: str
    code: str
    name: str
    slot: str
    life: str
    word: ZoneWord
    reason: str  # why the word is not the worst judged zone's; "" if it is
    zones: tuple[ZoneNow, ...]
    alarms: tuple[AlarmRow, ...]
    declared: Unit
    strip: Strip | None = None

    @property
    def unknown(self) -> int:
        """Number of zones that are unknown."""
        return sum(zone.word == "unknown" for zone in self.zones)

    def first_alarm(self, grouped: frozenset[int] = frozenset()) -> AlarmRow | None:
        """The most urgent open alarm that is under no common cause."""
        return next((alarm for alarm in self.alarms if alarm.alarm_id not in grouped), None)

    @property
    def heard_s(self) -> int | None:
        """Time of the newest reading of any zone; None if there never was one."""
        return max((z.heard_s for z in self.zones if z.heard_s is not None), default=None)


@dataclass(frozen=True, slots=True)
class CauseNow:
    """A common cause that stands, and the alarms under it: (number, site, unit) of each."""

    alarm: AlarmRow
    members: tuple[tuple[int, str, str], ...]

    @property
    def units(self) -> frozenset[str]:
        """Codes of the units that it touches."""
        return frozenset(unit for _, _, unit in self.members if unit)


@dataclass(frozen=True, slots=True)
class Lot:
    """Everything the Lot page shows; units and causes most urgent first."""

    sites: tuple[SiteRow, ...]
    units: tuple[UnitNow, ...]
    pulses: tuple[health.Pulse, ...]
    causes: tuple[CauseNow, ...] = ()

    @property
    def grouped(self) -> frozenset[int]:
        """Numbers of the alarms that are told by their common cause and not by themselves."""
        return frozenset(number for cause in self.causes for number, _, _ in cause.members)


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """A probe, where it watches ("" and no unit: nowhere), and its newest sample."""

    code: str
    unit: str
    zone: str
    placed_s: int | None  # since when it is there
    heard_s: int | None
    silence_s: int
    battery_percent: float | None
    before_percent: float | None  # the battery `BATTERY_DAYS` before the newest sample
    signal_dbm: int | None


@dataclass(frozen=True, slots=True)
class NodeRow:
    """A node, its probes, what is missing of what it sent, and its open alarms."""

    site: str
    code: str
    gateway: str
    probes: tuple[ProbeNow, ...]
    missing: int | None  # samples that its receipt lacks; None: it has no receipt
    alarms: tuple[AlarmRow, ...]  # `NODE_ALARMS` of the node or of the zones that it watches
    out_of_service: bool  # a person took its silence out of service
    cause: AlarmRow | None = None  # common cause that its silence is under

    @property
    def watching(self) -> tuple[ProbeNow, ...]:
        """Probes that are placed in a zone."""
        return tuple(probe for probe in self.probes if probe.zone)

    @property
    def heard_s(self) -> int | None:
        """Time of its newest sample; None if there never was one."""
        return max((p.heard_s for p in self.probes if p.heard_s is not None), default=None)

    def has(self, kind: str) -> bool:
        """Whether an alarm of a kind is open."""
        return any(alarm.kind == kind for alarm in self.alarms)


NODE_ALARMS = ("silent", "battery low", "sensor suspect", "flood")
BATTERY_DAYS = 14  # back, for the trend: less is noise of cold nights


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One zone over time: every array has one element an hour from `from_hour`, nan where missing."""

    from_hour: int
    temperature_c: Floats
    humidity_percent: Floats
    dew_point_c: Floats
    wood_moisture_percent: Floats
    ambient_moisture_percent: Floats
    mould_index: Floats
    mould_index_low: Floats
    mould_index_high: Floats
    rain_mm: Floats
    coverage_percent: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Single readings of one zone, oldest first; a nan stands between two that are far apart."""

    at_s: Ints
    temperature_c: Floats
    humidity_percent: Floats


# --- rules of showing -----------------------------------------------------------------------------


def current_word(stored: str, hour: int | None, *, silence_s: int, now_s: int) -> ZoneWord:
    """Word to show for a stored one: all but `wet` run out."""
    if hour is None or stored not in WORD_RANK:
        return "unknown"
    # a word runs out as a node falls silent; an hour more, because the watch judges whole hours
    expired = now_s - (hour + 1) * HOUR_S > silent_after_s(silence_s) + HOUR_S
    return "unknown" if expired and stored != "wet" else cast("ZoneWord", stored)


def unit_word(zones: Iterable[ZoneNow]) -> tuple[ZoneWord, str]:
    """Word of a unit from its zones', and why where it is not the worst judged zone's.

    Never dry while a wall, roof or floor that was wet is unknown, nor on a room's air alone.
    """
    judged = [zone for zone in zones if zone.kind != "outside"]
    words = {zone.word for zone in judged}
    if not words or words == {"unknown"}:
        return "unknown", "no zone is known" if words else "no zone is watched"
    if "wet" in words:
        return "wet", ""
    if "damp" in words:
        return "damp", ""
    structure = [zone for zone in judged if zone.kind in STRUCTURE_KINDS]
    lost = [zone.code for zone in structure if zone.word == "unknown" and zone.last_word == "wet"]
    if lost:
        return "unknown", f"{lost[0]} was wet when last heard"
    if all(zone.word == "unknown" for zone in structure):
        return "unknown", "cabin only: walls not watched"
    return "dry", ""


def slot_order(slot: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts slot 9 before slot 10."""
    parts = re.findall(r"(\d+)|(\D+)", slot)
    return tuple((0, int(number), "") if number else (1, 0, text) for number, text in parts)


def _urgency(unit: UnitNow, grouped: frozenset[int]) -> tuple[Any, ...]:
    first = unit.first_alarm(grouped)
    top = CLASS_RANK.get(first.alarm_class, 4) if first else 5
    return (top, WORD_RANK[unit.word], slot_order(unit.slot), unit.code)


def _severity(zone: ZoneNow) -> tuple[Any, ...]:
    moisture = zone.wood_moisture_percent
    last = WORD_RANK.get(zone.last_word, len(WORD_RANK))
    return (WORD_RANK[zone.word], last, 0.0 if moisture is None else -moisture, zone.code)


# --- questions ------------------------------------------------------------------------------------


def lot(engine: Engine, *, now_s: int) -> Lot:
    """All sites and units as they are now; their last two weeks are asked for apart."""
    with engine.connect() as db:
        zones: dict[str, list[ZoneNow]] = {}
        for zone in _zones_now(db, now_s=now_s):
            zones.setdefault(zone.unit, []).append(zone)
        alarms = _by_unit(_alarms(db, and_(_is_open(), _is_told())))
        here = _units().where(t.unit.c.life != "left")  # retired: its own page still has it
        units = [_unit_now(row, zones, alarms) for row in db.execute(here)]
        found = Lot(
            sites=_sites(db),
            units=tuple(units),
            pulses=health.read_pulses(db, now_s=now_s),
            causes=_causes(db),
        )
    ranked = sorted(found.units, key=partial(_urgency, grouped=found.grouped))
    return replace(found, units=tuple(ranked))


def strips(engine: Engine, lot: Lot, *, now_s: int) -> dict[str, Strip]:
    """Two weeks of each unit's worst zone, by unit."""
    with engine.connect() as db:
        return _strips(db, lot.units, now_s=now_s)


def unit(engine: Engine, code: str, *, now_s: int) -> tuple[UnitNow, SiteRow] | None:
    """One unit with its zones, open alarms and site; None if there is none of that code."""
    with engine.connect() as db:
        row = db.execute(_units().where(t.unit.c.code == code)).first()
        if row is None:
            return None
        zones = {code: _zones_now(db, now_s=now_s, unit=code)}
        here = t.unit.c.code == code
        alarms = _by_unit(_alarms(db, and_(_is_open(), _is_told(), here)))
        found = _unit_now(row, zones, alarms)
        strip = _strips(db, [found], now_s=now_s).get(code)
        return replace(found, strip=strip), _sites(db, found.site)[0]


def nodes(engine: Engine, *, now_s: int) -> tuple[NodeRow, ...]:
    """All nodes with their probes, by code: as many questions for one as for thousands."""
    with engine.connect() as db:
        probes = _probes_now(db, now_s=now_s)
        missing = _missing(db)
        told = _alarms(db, and_(_is_open(), t.alarm.c.kind.in_(NODE_ALARMS)))
        causes = {number: c.alarm for c in _causes(db) for number, _, _ in c.members}
        by_node: dict[tuple[str, str], list[AlarmRow]] = {}
        by_zone: dict[tuple[str, str, str], list[AlarmRow]] = {}
        for alarm in told:
            if alarm.node:
                by_node.setdefault((alarm.site, alarm.node), []).append(alarm)
            else:
                by_zone.setdefault((alarm.site, alarm.unit, alarm.zone), []).append(alarm)
        out = {
            (hold.source.site, hold.source.node)
            for hold in holding.holds(db)
            if hold.word == "out of service" and hold.source.kind == "silent"
        }
        query = select(
            t.node.c.node_id, t.site.c.code.label("site"), t.node.c.code, t.node.c.gateway
        ).join_from(t.node, t.site)
        found = []
        for row in db.execute(query.order_by(t.site.c.code, t.node.c.code)).all():
            own = tuple(probes.get(row.node_id, ()))
            key = (row.site, row.code)
            zones = [by_zone.get((row.site, p.unit, p.zone), []) for p in own if p.zone]
            alarms = [*by_node.get(key, ()), *(alarm for of_zone in zones for alarm in of_zone)]
            shared = (causes[a.alarm_id] for a in alarms if a.alarm_id in causes)
            row_ = (*key, row.gateway, own, missing.get(row.node_id), tuple(alarms), key in out)
            found.append(NodeRow(*row_, cause=next(shared, None)))
    return tuple(found)


def declared(engine: Engine, code: str) -> Unit | None:
    """What was entered of a unit; None if there is none of that code."""
    with engine.connect() as db:
        row = db.execute(_units().where(t.unit.c.code == code)).first()
        return None if row is None else Unit(**row._mapping)


def zone(engine: Engine, owner: str, code: str, *, site: bool, now_s: int) -> ZoneNow | None:
    """One zone of a unit, or of a site (`site`); None if there is none."""
    with engine.connect() as db:
        found = _zones_now(db, now_s=now_s, unit="" if site else owner, site=owner if site else "")
    return next((row for row in found if row.code == code), None)


def sides(engine: Engine, row: ZoneNow, *, now_s: int) -> tuple[ZoneNow | None, ZoneNow | None]:
    """Zones that tell the air on both sides of a zone's wall: its unit's cabin, its site's outside."""
    with engine.connect() as db:
        within = _zones_now(db, now_s=now_s, unit=row.unit) if row.unit else []
        around = _zones_now(db, now_s=now_s, unit="", site=row.site)
    inside = row if row.kind in AIR_KINDS else None
    for zone in within:
        inside = inside or (zone if zone.kind == "cabin" else None)
    return inside, next((zone for zone in around if zone.kind == "outside"), None)


def sites(engine: Engine) -> tuple[SiteRow, ...]:
    """All sites, by code."""
    with engine.connect() as db:
        return _sites(db)


def site(engine: Engine, code: str) -> SiteRow | None:
    """One site; None if there is none of that code."""
    with engine.connect() as db:
        return next(iter(_sites(db, code)), None)


def alarms(engine: Engine) -> tuple[tuple[AlarmRow, ...], tuple[AlarmRow, ...]]:
    """Open alarms, most urgent first, and the newest ended ones, with their steps."""
    with engine.connect() as db:
        ended = _alarms(db, ~_is_open(), newest=PAST_ALARMS)
        return _with_steps(db, _alarms(db, _is_open())), _with_steps(db, ended)


def zone_alarms(engine: Engine, row: ZoneNow) -> tuple[AlarmRow, ...]:
    """Open alarms of one zone, most urgent first."""
    owner = t.unit.c.code == row.unit if row.unit else t.unit.c.code.is_(None)
    with engine.connect() as db:
        return _alarms(db, and_(_is_open(), owner, t.zone.c.code == row.code))


def first_hour(engine: Engine, row: ZoneNow) -> int | None:
    """First judged hour of a zone; None if there is none."""
    with engine.connect() as db:
        zone_id = _zone_id(db, row)
        found: int | None = db.scalar(select(func.min(t.hour.c.hour)).filter_by(zone_id=zone_id))
        return found


def baseline(engine: Engine, row: ZoneNow) -> Baseline | None:
    """Since when a zone's evidence is compared with its own past; None if nothing was measured yet."""
    zone_of = t.zone.c.zone_id
    with engine.connect() as db:
        zone_id = _zone_id(db, row)
        first: int | None = db.scalar(
            select(func.min(t.hour.c.hour)).where(
                t.hour.c.zone_id == zone_id, t.hour.c.readings > 0
            )
        )
        reopened = db.execute(
            select(t.event.c.at_s, t.event.c.value)
            .join(t.unit, t.unit.c.unit_id == t.event.c.unit_id)
            .outerjoin(t.zone, zone_of == t.event.c.zone_id)
            .where(
                t.unit.c.code == row.unit,
                t.event.c.kind == "repair",
                or_(t.event.c.zone_id.is_(None), zone_of == zone_id),
                or_(t.event.c.value.contains("opened"), t.event.c.value.contains("moved")),
            )
            .order_by(t.event.c.at_s.desc())
        ).first()
    if first is None:
        return None
    if reopened is not None and reopened.at_s > first * HOUR_S:
        return Baseline(reopened.at_s, reopened.value)
    return Baseline(first * HOUR_S, "")


def series(
    engine: Engine, row: ZoneNow, *, from_hour: int, to_hour: int, archive: Archive | None = None
) -> Series:
    """Hours of one zone in [from_hour, to_hour), missing ones as nan.

    Those before the first one that the record keeps are asked of the archive, where there is one.
    """
    names = Series.__slots__[1:]
    columns = [t.hour.c[name] for name in names]
    query = select(t.hour.c.hour, *columns).where(
        t.hour.c.hour >= from_hour, t.hour.c.hour < to_hour
    )
    with engine.connect() as db:
        rows = db.execute(query.where(t.hour.c.zone_id == _zone_id(db, row))).all()
    table = np.full((len(names), max(to_hour - from_hour, 0)), np.nan)
    if rows:
        found = np.array([tuple(r) for r in rows], dtype=np.float64)
        table[:, found[:, 0].astype(np.int64) - from_hour] = found[:, 1:].T
    if archive is not None and archive.url:
        kept = first_hour(engine, row)
        for hour in _archived(archive, row, from_hour, min(to_hour, kept or to_hour)):
            values = [np.nan if hour[name] is None else hour[name] for name in names]
            table[:, hour["hour"] - from_hour] = values
    return Series(from_hour, **dict(zip(names, table, strict=True)))


def _archived(archive: Archive, row: ZoneNow, from_hour: int, to_hour: int) -> list[dict[str, Any]]:
    """Hours from the archive; none, said in the log, if it does not answer soon."""
    if from_hour >= to_hour:
        return []
    place = {"site": row.site, "unit": row.unit, "zone": row.code}
    try:
        with closing(Server(archive, answer_s=PATIENCE_S)) as server:
            return list(archived_hours(server, **place, from_hour=from_hour, to_hour=to_hour))
    except (ArchiveError, ConfigError) as error:
        LOG.warning("hours of %s %s not shown: %s", row.unit or row.site, row.code, error)
        return []


_SAMPLED = ("at_s", "temperature_c100", "humidity_p100", "silence_s")


def samples(engine: Engine, row: ZoneNow, *, from_s: int, to_s: int) -> Samples:
    """Single readings of one zone in [from_s, to_s), as they are judged: corrected, none disputed."""
    with engine.connect() as db:
        watched = list(_watches(db, _zone_id(db, row), to_s=to_s))
        points = bench.by_probe(db, {probe_id for probe_id, _, _ in watched})
        parts = [
            bench.measured(
                db, probe_id, max(start_s, from_s), min(end_s, to_s), own=points.get(probe_id, ())
            )
            for probe_id, start_s, end_s in watched
        ]
    columns = [sealing.MEASURED.index(name) for name in _SAMPLED]
    found = [np.take(part, columns, axis=1) for part in parts]
    table: Floats = np.concatenate([np.zeros((0, len(columns))), *found])
    table = np.take(table, np.argsort(table[:, 0], kind="stable"), axis=0)
    table[:, 3] = np.nan_to_num(table[:, 3], nan=float(DEFAULT_SILENCE_S))
    late = np.flatnonzero(np.diff(table[:, 0]) > 2 * table[:-1, 3]) + 1
    gaps = np.full((len(late), 4), np.nan)
    gaps[:, 0] = table[late - 1, 0] + 1
    table = np.insert(table, late, gaps, axis=0)
    return Samples(table[:, 0].astype(np.int64), table[:, 1] / 100, table[:, 2] / 100)


def carbon_dioxide(engine: Engine, row: ZoneNow, *, from_s: int, to_s: int) -> tuple[Ints, Floats]:
    """Times and carbon dioxide [ppm] of one zone in [from_s, to_s), where its probes have it."""
    names = ("at_s", "co2_ppm")
    with engine.connect() as db:
        parts = [
            sealing.measured(db, probe_id, max(start_s, from_s), min(end_s, to_s), names=names)
            for probe_id, start_s, end_s in _watches(db, _zone_id(db, row), to_s=to_s)
        ]
    table: Floats = np.concatenate([np.zeros((0, len(names))), *parts])
    table = table[~np.isnan(table[:, 1])]
    table = np.take(table, np.argsort(table[:, 0], kind="stable"), axis=0)
    return table[:, 0].astype(np.int64), table[:, 1]


# --- parts of the answers -------------------------------------------------------------------------


def _sites(db: Connection, code: str = "") -> tuple[SiteRow, ...]:
    query = select(
        t.site.c.site_id, t.site.c.code, t.site.c.name, t.site.c.timezone, t.site.c.altitude_m
    )
    own: dict[int, list[str]] = {}
    borrowed: dict[int, list[tuple[str, str, float]]] = {}
    z = t.zone.c
    for site_id, zone_code, source, origin, km in db.execute(
        select(z.site_id, z.code, z.source, z.origin, z.distance_km)
        .where(z.unit_id.is_(None))
        .order_by(z.source, z.code)
    ):
        own.setdefault(site_id, []).append(zone_code)
        if source:
            borrowed.setdefault(site_id, []).append((source, origin, km or 0.0))
    rows = db.execute(query.where(t.site.c.code == code) if code else query.order_by("code"))
    return tuple(
        SiteRow(
            r.code,
            r.name,
            r.timezone,
            r.altitude_m or 0.0,
            tuple(sorted(own.get(r.site_id, ()))),
            tuple(borrowed.get(r.site_id, ())),
        )
        for r in rows
    )


def _units() -> Select[Any]:
    c = t.unit.c
    return select(
        t.site.c.code.label("site"),
        *(c.code, c.name, c.slot, c.life, c.body_type, c.lean, c.weather_side, c.slides, c.roof),
    ).join_from(t.unit, t.site)


def _unit_now(
    row: AnyRow, zones: dict[str, list[ZoneNow]], alarms: dict[str, list[AlarmRow]]
) -> UnitNow:
    own = sorted(zones.get(row.code, ()), key=_severity)
    word, reason = unit_word(own)
    return UnitNow(
        row.site,
        row.code,
        row.name,
        row.slot,
        row.life,
        word,
        reason,
        tuple(own),
        tuple(alarms.get(row.code, ())),
        Unit(**row._mapping),
    )


_NOW = (
    "coverage_percent",
    "temperature_c",
    "humidity_percent",
    "dew_point_c",
    "wood_moisture_percent",
    "ambient_moisture_percent",
    "surface_humidity_percent",
    "mould_index",
    "mould_index_low",
    "mould_index_high",
    "leak_score",
)


_NOW_FROM = 6  # their place in the rows of `_zones_now`


def _zones_now(
    db: Connection, *, now_s: int, unit: str | None = None, site: str = ""
) -> list[ZoneNow]:
    """Zones with their newest judged hour: of one unit, of one site itself (unit ""), or all."""
    past = t.hour.alias("past")
    here = past.c.zone_id == t.zone.c.zone_id
    newest = select(func.max(past.c.hour)).where(here).correlate(t.zone).scalar_subquery()
    known = (
        select(past.c.state)
        .where(here, past.c.state != "unknown")
        .order_by(past.c.hour.desc())
        .limit(1)
        .correlate(t.zone)
        .scalar_subquery()
    )
    query = select(
        t.site.c.code.label("site"),
        func.coalesce(t.unit.c.code, "").label("unit"),
        t.zone.c.zone_id,
        t.zone.c.code,
        t.zone.c.kind,
        t.hour.c.hour,
        *(t.hour.c[name] for name in _NOW),
        t.hour.c.state,
        t.hour.c.trend,
        t.hour.c.cause,
        t.hour.c.moisture_basis,
        t.hour.c.witnessed,
        t.hour.c.rain_mm,
        t.zone.c.temperature_factor,
        t.zone.c.mould_class,
        case((t.hour.c.state == "unknown", known), else_=t.hour.c.state).label("last_word"),
    ).select_from(
        t.zone.join(t.site)
        .outerjoin(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
        .outerjoin(t.hour, and_(t.hour.c.zone_id == t.zone.c.zone_id, t.hour.c.hour == newest))
    )
    if unit:
        query = query.where(t.unit.c.code == unit)
    elif unit == "":
        query = query.where(t.unit.c.code.is_(None), t.site.c.code == site)
    placed = _placed(db, now_s=now_s)
    return [_zone_now(row, placed.get(row.zone_id, ()), now_s) for row in db.execute(query).all()]


def _zone_now(row: AnyRow, placed: Sequence[tuple[int, int | None, int]], now_s: int) -> ZoneNow:
    silence_s = max((silence for _, _, silence in placed), default=DEFAULT_SILENCE_S)
    return ZoneNow(
        site=row.site,
        unit=row.unit,
        code=row.code,
        kind=row.kind,
        word=current_word(row.state or "", row.hour, silence_s=silence_s, now_s=now_s),
        last_word=row.last_word or "",
        trend=row.trend or "",
        cause=row.cause or "",
        hour=row.hour,
        moisture_basis=row.moisture_basis or "",
        witnessed=row.witnessed or 0,
        rain_known=row.rain_mm is not None,
        heard_s=max((heard for _, heard, _ in placed if heard is not None), default=None),
        silence_s=silence_s,
        placed_s=max((since for since, _, _ in placed), default=None),
        temperature_factor=row.temperature_factor,
        mould_class=row.mould_class,
        **dict(zip(_NOW, row[_NOW_FROM : _NOW_FROM + len(_NOW)], strict=True)),
    )


def _placed(db: Connection, *, now_s: int) -> dict[int, list[tuple[int, int | None, int]]]:
    """By zone: (since, newest reading, declared silence) of every probe that is there now."""
    there = judging.in_force(now_s=now_s)
    query = select(
        there.c.zone_id,
        there.c.from_s,
        t.latest.c.at_s,
        func.coalesce(t.latest.c.silence_s, DEFAULT_SILENCE_S),
    ).select_from(there.outerjoin(t.latest, t.latest.c.probe_id == there.c.probe_id))
    placed: dict[int, list[tuple[int, int | None, int]]] = {}
    for zone_id, since_s, heard_s, silence_s in db.execute(query).all():
        # a probe heard before it was placed here has said nothing about this zone yet
        heard = heard_s if heard_s is not None and heard_s >= since_s else None
        placed.setdefault(zone_id, []).append((since_s, heard, silence_s))
    return placed


def _probes_now(db: Connection, *, now_s: int) -> dict[int, list[ProbeNow]]:
    """Probes by node, in one question; the battery some days before is looked up by an index."""
    there = judging.in_force(now_s=now_s)
    r = t.reading.c
    before_s = t.latest.c.at_s - BATTERY_DAYS * 86_400
    before = (
        select(r.battery_p)
        .where(r.probe_id == t.probe.c.probe_id, r.battery_p.is_not(None))
        .where(r.at_s <= before_s, r.at_s > before_s - 2 * 86_400)
        .order_by(r.at_s.desc())
        .limit(1)
        .correlate(t.probe, t.latest)
        .scalar_subquery()
    )
    query = (
        select(
            t.probe.c.node_id,
            t.probe.c.code,
            func.coalesce(t.unit.c.code, ""),
            func.coalesce(t.zone.c.code, ""),
            there.c.from_s,
            t.latest.c.at_s,
            func.coalesce(t.latest.c.silence_s, DEFAULT_SILENCE_S),
            t.latest.c.battery_p,
            before,
            t.latest.c.signal_dbm,
        )
        .select_from(
            t.probe.outerjoin(t.latest, t.latest.c.probe_id == t.probe.c.probe_id)
            .outerjoin(there, there.c.probe_id == t.probe.c.probe_id)
            .outerjoin(t.zone, t.zone.c.zone_id == there.c.zone_id)
            .outerjoin(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
        )
        .order_by(t.probe.c.code)
    )
    probes: dict[int, list[ProbeNow]] = {}
    for node_id, *rest in db.execute(query).all():
        probes.setdefault(node_id, []).append(ProbeNow(*rest))
    return probes


def _missing(db: Connection) -> dict[int, int]:
    """By node: how many samples of its newest boot are missing between those that came."""
    found = {}
    query = select(t.receipt.c.node_id, t.receipt.c.missing).order_by(t.receipt.c.boot)
    for node_id, spans in db.execute(query).all():
        found[node_id] = sum(last - first + 1 for first, last in json.loads(spans))
    return found


def _watches(db: Connection, zone_id: int | None, *, to_s: int) -> list[tuple[int, int, int]]:
    """(probe, from, to) of every span in which a probe watched a zone, up to a time."""
    here = select(t.placement.c.probe_id).where(t.placement.c.zone_id == zone_id)
    return [
        (probe, start_s, min(end_s, to_s))
        for probe, watched in judging.spans(db, t.placement.c.probe_id.in_(here)).items()
        for start_s, end_s, placed in watched
        if placed == zone_id
    ]


def _zone_id(db: Connection, row: ZoneNow) -> int | None:
    source = t.zone.join(t.site).outerjoin(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
    owner = t.unit.c.code == row.unit if row.unit else t.zone.c.unit_id.is_(None)
    found: int | None = db.scalar(
        select(t.zone.c.zone_id)
        .select_from(source)
        .where(owner, t.site.c.code == row.site, t.zone.c.code == row.code)
    )
    return found


def _strips(db: Connection, units: Sequence[UnitNow], *, now_s: int) -> dict[str, Strip]:
    """Two weeks of each unit's worst zone that has a wood moisture, in one question."""
    to_hour = now_s // HOUR_S // STRIP_STEP_H * STRIP_STEP_H + STRIP_STEP_H
    from_hour = to_hour - STRIP_DAYS * 24
    steps = STRIP_DAYS * 24 // STRIP_STEP_H
    chosen = {
        (unit.code, worst.code): Strip(
            worst.code, from_hour, np.full(steps, np.nan), np.full(steps, np.nan)
        )
        for unit in units
        if (worst := _drawn(unit)) is not None
    }
    # written out: two parameters of one value are two expressions to PostgreSQL
    step = (t.hour.c.hour // literal_column(str(STRIP_STEP_H), Integer)).label("step")
    query = (
        select(
            t.unit.c.code,
            t.zone.c.code,
            step,
            func.avg(t.hour.c.wood_moisture_percent),
            func.sum(t.hour.c.rain_mm),
        )
        .join_from(t.zone, t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
        .join(t.hour, t.hour.c.zone_id == t.zone.c.zone_id)
        .where(t.hour.c.hour >= from_hour, t.hour.c.hour < to_hour)
        .where(t.zone.c.zone_id.in_(_ids(db, chosen)))
        .group_by(t.unit.c.code, t.zone.c.zone_id, t.zone.c.code, step)
    )
    for unit_code, zone_code, found, moisture, rain in db.execute(query).all():
        number = found - from_hour // STRIP_STEP_H
        strip = chosen[unit_code, zone_code]
        strip.moisture_percent[number] = np.nan if moisture is None else moisture
        strip.rain_mm[number] = np.nan if rain is None else rain
    return {unit_code: strip for (unit_code, _), strip in chosen.items()}


def _drawn(unit: UnitNow) -> ZoneNow | None:
    """Worst zone with a wood moisture; else the worst that was ever judged."""
    with_wood = (z for z in unit.zones if z.wood_moisture_percent is not None)
    structure = (z for z in unit.zones if z.kind in STRUCTURE_KINDS and z.hour is not None)
    judged = (z for z in unit.zones if z.hour is not None)
    return next(with_wood, None) or next(structure, None) or next(judged, None)


def _ids(db: Connection, chosen: Iterable[tuple[str, str]]) -> list[int]:
    wanted = set(chosen)
    query = select(t.zone.c.zone_id, t.unit.c.code, t.zone.c.code).join_from(
        t.zone, t.unit, t.unit.c.unit_id == t.zone.c.unit_id
    )
    return [row[0] for row in db.execute(query).all() if (row[1], row[2]) in wanted]


def _is_open() -> ColumnElement[bool]:
    return and_(t.alarm.c.state != "normal", t.alarm.c.withdrawn_s.is_(None))


def _is_left() -> ColumnElement[bool]:
    """Whether it is of what readings or an inspection end, and no probe is there any more."""
    a, force = t.alarm.c, judging.in_force()
    watched = select(force.c.zone_id).where(force.c.zone_id.is_not(None))
    stands = and_(a.cleared_s.is_(None), a.withdrawn_s.is_(None), a.kind.in_(OF_ZONE))
    once = select(t.placement.c.zone_id).where(t.placement.c.zone_id.is_not(None))
    return and_(stands, a.zone_id.in_(once), a.zone_id.not_in(watched)).label("left")


def _is_told() -> ColumnElement[bool]:
    """Not held back; what is stands in the list of the Alarms page."""
    return t.alarm.c.alarm_id.not_in(holding.held_alarms())


def _alarms(
    db: Connection, condition: ColumnElement[bool], *, newest: int | None = None
) -> tuple[AlarmRow, ...]:
    """Alarms that meet a condition, most urgent first; or the `newest` of them, newest first."""
    query = (
        alarming.placed(select(t.alarm, *alarming.place_codes(), _is_left()), t.alarm)
        .where(condition)
        .order_by(t.alarm.c.raised_s.desc(), t.alarm.c.alarm_id)
    )
    rows = [
        AlarmRow(
            alarm_id=r["alarm_id"],
            site=r["site"],
            unit=r["unit"],
            zone=r["zone"],
            node=r["node"],
            kind=r["kind"],
            alarm_class=r["class"],
            state=r["state"],
            cause=r["cause"],
            text=r["text"],
            raised_s=r["raised_s"],
            cleared_s=r["cleared_s"],
            withdrawn_s=r["withdrawn_s"],
            parts=tuple(filter(None, r["parts"].split("\n"))),
            facts=r["facts"],
            left=bool(r["left"]),
        )
        for r in db.execute(query.limit(newest) if newest else query).mappings()
    ]
    if newest is None:
        rows.sort(key=lambda a: (a.cleared_s is not None, CLASS_RANK.get(a.alarm_class, 4)))
    return tuple(rows)


# silence first: of what is not heard, nothing else on a page is known
CAUSE_ORDER = (
    "site silent",
    "gateway silent",
    "row silent",
    "unit silent",
    "frost",
    "frost ahead",
    "damp week",
)


def _causes(db: Connection) -> tuple[CauseNow, ...]:
    """Common causes whose condition stands, with what is under them now."""
    a, m = t.alarm.c, t.cause_member.c
    query = alarming.placed(
        select(m.cause_id, m.alarm_id, t.site.c.code, func.coalesce(t.unit.c.code, "")), t.alarm
    )
    members: dict[int, list[tuple[int, str, str]]] = {}
    here = query.join(t.cause_member, m.alarm_id == a.alarm_id).where(m.left_s.is_(None))
    for cause_id, number, site, unit in db.execute(here.order_by(m.alarm_id)):
        members.setdefault(cause_id, []).append((number, site, unit))
    stands = and_(a.cleared_s.is_(None), a.withdrawn_s.is_(None), a.alarm_id.in_(list(members)))
    found = [CauseNow(row, tuple(members[row.alarm_id])) for row in _alarms(db, stands)]
    found.sort(key=lambda cause: (CAUSE_ORDER.index(cause.alarm.kind), -len(cause.members)))
    return tuple(found)


def _by_unit(rows: Iterable[AlarmRow]) -> dict[str, list[AlarmRow]]:
    grouped: dict[str, list[AlarmRow]] = {}
    for row in rows:
        grouped.setdefault(row.unit, []).append(row)
    return grouped


def _with_steps(db: Connection, rows: tuple[AlarmRow, ...]) -> tuple[AlarmRow, ...]:
    steps: dict[int, list[StepRow]] = {}
    query = select(t.alarm_step).where(t.alarm_step.c.alarm_id.in_([r.alarm_id for r in rows]))
    for step in db.execute(query.order_by(t.alarm_step.c.alarm_id, t.alarm_step.c.number)):
        steps.setdefault(step.alarm_id, []).append(
            StepRow(step.at_s, step.state, step.who, step.why)
        )
    return tuple(replace(row, steps=tuple(steps.get(row.alarm_id, ()))) for row in rows)
