"""The demonstration's invented yard: who stands where, what is planted, and what its nodes say.

`Yard.lot_toml` writes the tables that set a record up; all texts, times RFC 3339 in UTC::

    [[site]]   code, name, timezone, altitude_m
    [[unit]]   code, site, name, slot, body_type, life, lean, slides, roof
    [[zone]]   unit ("" and site: the site's own), code, kind, material, mould_class, faces,
               dry_twin (a zone of the same unit), watched_from
    [[node]]   code, site, unit, from, and probes = { p1 = "zone code", ... }
    [[event]]  time, unit ("": the whole site), zone, kind, value

A node is placed on all its zones at `from`. Nothing here is a real yard, and no make is meant.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from demo.plans import Leak, Repair, Side, Soaking, Stay, UnitPlan, ZonePlan
from demo.probes import Samples
from demo.weather import DAY_S, Array
from demo.world import World
from sensors.wire import Reading

SITE = "yard"
MAST = "mast"  # the site's own node: shaded outside air on p1, rain gauge on p2
PAST_SAMPLE_S = 1200
SILENCE_S = 1800  # what a node declares: a sample every 20 minutes, and some patience
HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class Watched:
    """One zone as people describe it."""

    unit: str
    code: str
    kind: str
    material: str
    mould_class: str
    faces: str
    dry_twin: str = ""


@dataclass(frozen=True, slots=True)
class Parked:
    """One unit as people describe it."""

    code: str
    name: str
    slot: str
    body_type: str
    life: str
    lean: str = ""  # its lowest corner; "": nobody looked
    slides: int = 0
    roof: str = ""  # "rated" or "not rated" to be walked on; "": not declared


@dataclass(frozen=True, slots=True)
class Noted:
    """What somebody wrote down."""

    at_s: int
    unit: str
    kind: str
    value: str = ""
    zone: str = ""


@dataclass(frozen=True, slots=True)
class Planted:
    """The truth about one unit or zone that is not healthy; a healthy one has no entry."""

    unit: str
    zone: str  # "": the unit's node
    # "rain ingress", "plumbing", "condensation", "built-in moisture", "repaired", "silent node"
    what: str
    size: str = ""  # "large" or "growing"


@dataclass(frozen=True, slots=True)
class _Kind:
    """A unit of the yard, before times are known."""

    name: str
    body_type: str
    life: str
    build: str  # of its walls
    heading_deg: float
    floor: str = "slide1-floor-front"
    air_changes_h: float = 0.25
    volume_m3: float = 36.0
    lean: str = ""
    roof: str = ""


_CODES: dict[str, tuple[str, Side]] = {
    "off-rear-low": ("wall", "off"),
    "door-mid-high": ("wall", "door"),
    "off-front-low": ("wall", "off"),
    "roof-vent1-ring": ("roof", "roof"),
    "slide1-floor-front": ("slide-floor", "under"),
    "floor-bath": ("floor", "under"),
}
_TWINS = {"off-rear-low": "off-front-low", "off-front-low": "off-rear-low"}
_FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")

_KINDS = (
    _Kind(
        name="Silver trailer by the gate",
        body_type="travel trailer",
        life="stored",
        build="laminated wall",
        heading_deg=20.0,
        lean="off-rear",
        roof="rated",
    ),
    _Kind(
        "Long trailer, two-tone",
        "travel trailer",
        "stock",
        "laminated wall",
        15.0,
        roof="not rated",
    ),
    _Kind(
        "Tall one, row A end",
        "fifth wheel",
        "stored",
        "laminated wall",
        200.0,
        volume_m3=52.0,
        roof="rated",
    ),
    _Kind("Blue-stripe trailer", "travel trailer", "stored", "laminated wall", 10.0),
    _Kind("Old aluminium-side trailer", "travel trailer", "stock", "hung wall", 95.0, "floor-bath"),
    _Kind(
        "White motorhome", "class C", "watch", "laminated wall", 190.0, "floor-bath", roof="rated"
    ),
    _Kind("Host's trailer", "travel trailer", "occupied", "laminated wall", 185.0, volume_m3=34.0),
    _Kind("Workman's trailer", "travel trailer", "occupied", "hung wall", 280.0, volume_m3=30.0),
    _Kind(
        "Big motorhome under the poplar",
        "class A",
        "stored",
        "laminated wall",
        25.0,
        roof="not rated",
    ),
    _Kind("Sold one, waiting for its people", "travel trailer", "sold", "laminated wall", 100.0),
    _Kind("Trade-in with the new floor", "travel trailer", "in shop", "laminated wall", 5.0),
    _Kind("Panel van", "class B", "stored", "hung wall", 270.0, "floor-bath", 0.35, 14.0),
)


def slug(index: int) -> str:
    """Code of the unit at place `index` (0 is `u01`)."""
    return f"u{index + 1:02d}"


class Yard:
    """The yard as it is told, what is true of it, and the readings of its nodes.

    `past` first, once; then `live` as time passes. With `boot` None, boot and seq are left to the
    outboxes of the nodes.
    """

    def __init__(
        self, *, seed: int, now_s: int, days: int = 60, units: int = 12, boot: int | None = 1
    ) -> None:
        if units < 1 or days < 1:
            raise ValueError(f"a yard needs a unit and a day, not {units} and {days}")
        self.end_s = now_s - now_s % PAST_SAMPLE_S
        self.start_s = self.end_s - days * DAY_S
        kinds = [_KINDS[index % len(_KINDS)] for index in range(units)]
        plans = [self._plan(index, kind) for index, kind in enumerate(kinds)]
        self.units = tuple(
            Parked(
                code=plan.code,
                name=kind.name,
                slot=f"{'ABCDEFGH'[index // 6 % 8]}-{index % 6 + 1:02d}",
                body_type=kind.body_type,
                life=kind.life,
                lean=kind.lean,
                slides=int(kind.floor.startswith("slide")),
                roof=kind.roof,
            )
            for index, (plan, kind) in enumerate(zip(plans, kinds, strict=True))
        )
        self.zones = tuple(_described(plans))
        self.events = self._events(plans)
        self.planted = self._planted(plans)
        self.world = World(
            seed=seed,
            units=plans,
            start_s=self.start_s,
            sample_s=PAST_SAMPLE_S,
            step_s=PAST_SAMPLE_S,
        )
        self.nodes = (*(f"n-{plan.code}" for plan in plans), MAST)
        zones_before = np.cumsum([0, *(len(plan.zones) for plan in plans)]).tolist()
        cabins = zones_before[-1]
        self._columns = [
            [*range(zones_before[index], zones_before[index + 1]), cabins + index]
            for index in range(units)
        ] + [[cabins + units]]
        self._seq = [0] * len(self.nodes)
        self._boot = boot
        self._booted_s = self.start_s - HOUR_S
        self._sampled_s = self.start_s
        self._rain_mm = 0.0
        self._newest: tuple[_Instant, _Instant] | None = None

    # What is planted ------------------------------------------------------------------------

    def _ago_s(self, days: float) -> int:
        return self.end_s - round(days * DAY_S)

    def _plan(self, index: int, kind: _Kind) -> UnitPlan:
        code = slug(index)
        planted = index if index < len(_KINDS) else -1  # extra units are healthy
        codes = ("off-rear-low", "door-mid-high", "off-front-low", "roof-vent1-ring", kind.floor)
        zones = tuple(self._zone(planted, zone, kind.build) for zone in codes)
        leaks: tuple[Leak, ...] = ()
        if planted == 3:
            leaks = (self._leak(code, "off-rear-low", days_ago=48, ml=260.0, growth_days=0.0),)
        if planted == 8:
            leaks = (self._leak(code, "roof-vent1-ring", days_ago=40, ml=60.0, growth_days=40.0),)
        repairs: tuple[Repair, ...] = ()
        if planted == 5:  # found early, opened, dried and sealed; the probe sits on the spot since
            leaks = (self._leak(code, "off-front-low", days_ago=75, ml=90.0, growth_days=0.0),)
            repairs = (
                Repair(
                    code, "off-front-low", self._ago_s(44), ("opened and dried", "sensor moved")
                ),
            )
        return UnitPlan(
            code=code,
            zones=zones,
            heading_deg=kind.heading_deg,
            volume_m3=kind.volume_m3,
            air_changes_h=kind.air_changes_h,
            leaks=leaks,
            repairs=repairs,
            stays=self._stays(planted),
            soakings=self._soakings(planted),
            silent_from_s=self._ago_s(4.2) if planted == 4 else None,
        )

    def _zone(self, planted: int, code: str, wall: str) -> ZonePlan:
        kind, side = _CODES[code]
        plan = ZonePlan(code=code, build=wall if kind == "wall" else kind, side=side)
        if (planted, code) == (3, "off-rear-low"):
            return replace(plan, spot_share=0.85)  # the probe sits where the water collects
        if (planted, code) == (8, "roof-vent1-ring"):
            return replace(plan, spot_share=0.5)
        if (planted, code) == (10, "slide1-floor-front"):
            return replace(plan, start_moisture=0.26)
        if planted == 6:
            return replace(plan, openness=0.2)  # its lining is tight: cabin damp stays inside
        return plan

    def _leak(
        self, unit: str, zone: str, *, days_ago: float, ml: float, growth_days: float
    ) -> Leak:
        return Leak(
            unit=unit,
            zone=zone,
            kind="rain",
            onset_s=self._ago_s(days_ago),
            ml_per_event=ml,
            growth_days=growth_days,
        )

    def _stays(self, planted: int) -> tuple[Stay, ...]:
        always_s = self.end_s + 3650 * DAY_S
        if planted == 6:  # three people and shut vents: the windows stream when it is cold
            return (Stay(self.start_s, always_s, people=3, air_changes_h=0.35),)
        if planted == 7:
            return (Stay(self.start_s, always_s, people=1, air_changes_h=1.3),)
        if planted == 0:
            weekends = ((37, 34.5), (16, 13.5))
            return tuple(
                Stay(self._ago_s(a), self._ago_s(b), air_changes_h=2.5) for a, b in weekends
            )
        return ()

    def _soakings(self, planted: int) -> tuple[Soaking, ...]:
        if planted == 3:  # somebody saw a stain and tried the hose
            return (
                Soaking(self._ago_s(21), "off", 18.0),
                Soaking(self._ago_s(6), "off", 18.0),
            )
        if planted == 5:  # after the repair, joint by joint
            return (Soaking(self._ago_s(30), "off", 18.0),)
        if planted == 9:
            return (Soaking(self._ago_s(9), None, 6.0),)
        return ()

    def _planted(self, plans: list[UnitPlan]) -> tuple[Planted, ...]:
        found = [
            Planted(
                leak.unit, leak.zone, "rain ingress", "growing" if leak.growth_days else "large"
            )
            for plan in plans
            for leak in plan.leaks
            if not plan.repairs
        ]
        found += [Planted(r.unit, r.zone, "repaired") for plan in plans for r in plan.repairs]
        units = {plan.code for plan in plans}
        others = (
            Planted(slug(6), "air-main", "condensation"),
            Planted(slug(10), "slide1-floor-front", "built-in moisture"),
            Planted(slug(4), "", "silent node"),
        )
        return (*found, *(planted for planted in others if planted.unit in units))

    def _events(self, plans: list[UnitPlan]) -> tuple[Noted, ...]:
        noted = [Noted(self._ago_s(9.5), "", "hail", "pea-sized, ten minutes")]
        for plan in plans:
            for soaking in plan.soakings:
                kind = "wash" if soaking.side is None else "hose"
                value = "all round" if soaking.side is None else f"{soaking.side} side"
                noted.append(Noted(soaking.at_s, plan.code, kind, value))
            for repair in plan.repairs:
                done = ", ".join(repair.protocols)
                noted.append(Noted(repair.at_s, plan.code, "repair", done, repair.zone))
            for stay in plan.stays:
                who = "1 person" if stay.people == 1 else f"{stay.people} people"
                noted.append(Noted(stay.from_s, plan.code, "occupied", who))
                if stay.to_s <= self.end_s:
                    noted.append(Noted(stay.to_s, plan.code, "vacated"))
            if not plan.stays:
                noted.append(Noted(self.start_s, plan.code, "winterised"))
        known = [note for note in noted if self.start_s <= note.at_s <= self.end_s]
        return tuple(sorted(known, key=lambda note: (note.at_s, note.unit)))

    # What it says ---------------------------------------------------------------------------

    def lot_toml(self) -> str:
        """The yard as text for `sillkeep import lot.toml`; keys at the top of this module."""
        from_ = _rfc3339(self.start_s)
        parts = [
            "# An invented yard for the demonstration.\n",
            _table(
                "site",
                code=SITE,
                name="Demonstration yard (invented)",
                timezone="UTC",
                altitude_m=40.0,
            ),
        ]
        parts += [
            _table(
                "unit",
                code=unit.code,
                site=SITE,
                name=unit.name,
                slot=unit.slot,
                body_type=unit.body_type,
                life=unit.life,
                lean=unit.lean,
                slides=unit.slides,
                roof=unit.roof,
            )
            for unit in self.units
        ]
        parts += [
            _table(
                "zone",
                unit=zone.unit,
                site=SITE,
                code=zone.code,
                kind=zone.kind,
                material=zone.material,
                mould_class=zone.mould_class,
                faces=zone.faces,
                dry_twin=zone.dry_twin,
                watched_from=from_,
            )
            for zone in self.zones
        ]
        for node in self.nodes:
            unit = "" if node == MAST else node.removeprefix("n-")
            codes = [zone.code for zone in self.zones if zone.unit == unit]
            probes = {f"p{place + 1}": code for place, code in enumerate(codes)}
            parts.append(
                _table("node", code=node, site=SITE, unit=unit, **{"from": from_}, probes=probes)
            )
        parts += [
            _table(
                "event",
                time=_rfc3339(note.at_s),
                unit=note.unit,
                zone=note.zone,
                kind=note.kind,
                value=note.value,
            )
            for note in self.events
        ]
        return "\n".join(parts)

    def past(self) -> Iterator[list[Reading]]:
        """Samples up to `end_s`: each a node's readings of one time; times ascend.

        A sample that never was (an outage, a dead node) is left out and takes no seq.
        """
        yield from self.until(self.end_s)

    def until(self, now_s: int) -> Iterator[list[Reading]]:
        """The same from where the yard stands, up to `now_s`, one sample each 20 minutes."""
        samples = self.world.run(now_s)
        for row in range(samples.at_s.size):
            instant = _row(samples, row)
            self._newest = (self._newest[1] if self._newest else instant, instant)
            yield from self._packed(instant)

    def live(self, now_s: int) -> list[list[Reading]]:
        """One sample of every node that is alive, taken at `now_s`; times must rise.

        The world is stepped just beyond `now_s` and read between its steps, so no reading is
        ahead of its time. Call `past` first.
        """
        if self._newest is None:
            raise ValueError("live continues a past: call past() first")
        while self._newest[1].at_s < now_s:
            following = self.world.run(self.world.now_s + PAST_SAMPLE_S)
            for row in range(following.at_s.size):
                self._newest = (self._newest[1], _row(following, row))
        return list(self._packed(_between(*self._newest, at_s=now_s)))

    def _packed(self, instant: "_Instant") -> Iterator[list[Reading]]:
        self._rain_mm += instant.rain_mm_h * (instant.at_s - self._sampled_s) / HOUR_S
        self._sampled_s = instant.at_s
        for index, node in enumerate(self.nodes):
            columns = self._columns[index]
            if np.isnan(instant.temperature_c[columns[0]]):
                continue
            yield self._sample(index, node, instant, columns)
            self._seq[index] += 1
            if node == MAST:
                self._rain_mm = 0.0  # a gauge counts on through an outage of its node

    def _sample(
        self, index: int, node: str, instant: "_Instant", columns: list[int]
    ) -> list[Reading]:
        at_s = instant.at_s
        age_days = (at_s - self.start_s) / DAY_S

        def reading(
            probe: int,
            *,
            temperature_c: float | None = None,
            humidity_percent: float | None = None,
            rain_mm: float | None = None,
        ) -> Reading:
            return Reading(
                site=SITE,
                node=node,
                probe=f"p{probe}",
                boot=self._boot,
                seq=None if self._boot is None else self._seq[index],
                at_s=at_s,
                uptime_s=at_s - self._booted_s,
                silence_s=SILENCE_S,
                battery_percent=float(round(97 - index % 9 - 0.05 * age_days)),
                signal_dbm=float(-61 - 3 * (index % 7) - at_s // HOUR_S % 5),
                temperature_c=temperature_c,
                humidity_percent=humidity_percent,
                rain_mm=rain_mm,
            )

        sample = [
            reading(
                place + 1,
                temperature_c=float(instant.temperature_c[column]),
                humidity_percent=float(instant.humidity_percent[column]),
            )
            for place, column in enumerate(columns)
        ]
        if node == MAST:
            sample.append(reading(2, rain_mm=round(self._rain_mm, 2)))
        return sample


@dataclass(frozen=True, slots=True, eq=False)
class _Instant:
    """One row of samples."""

    at_s: int
    temperature_c: Array
    humidity_percent: Array
    rain_mm_h: float  # since the row before


def _row(samples: Samples, row: int) -> _Instant:
    return _Instant(
        at_s=int(samples.at_s[row]),
        temperature_c=samples.temperature_c[row],
        humidity_percent=samples.humidity_percent[row],
        rain_mm_h=float(samples.rain_mm[row, 0]) * HOUR_S / PAST_SAMPLE_S,
    )


def _between(before: _Instant, after: _Instant, *, at_s: int) -> _Instant:
    """A straight line from one row to the next."""
    share = (at_s - before.at_s) / (after.at_s - before.at_s)
    temperature_c = before.temperature_c + share * (after.temperature_c - before.temperature_c)
    humidity = before.humidity_percent + share * (after.humidity_percent - before.humidity_percent)
    return _Instant(
        at_s=at_s,
        temperature_c=np.round(temperature_c, 2),
        humidity_percent=np.round(humidity, 1),
        rain_mm_h=after.rain_mm_h,
    )


def _described(plans: list[UnitPlan]) -> Iterator[Watched]:
    """The zones of all units and of the site, in the order of the nodes' probes."""
    for plan in plans:
        for zone in plan.zones:
            kind, side = _CODES[zone.code]
            bearing = {"off": -90.0, "door": 90.0}.get(side)
            turned_deg = 0.0 if bearing is None else (plan.heading_deg + bearing) % 360.0
            yield Watched(
                unit=plan.code,
                code=zone.code,
                kind=kind,
                material="plywood" if kind.endswith("floor") else "luan ply",
                mould_class="S",
                faces="" if bearing is None else _FACES[round(turned_deg / 45.0) % 8],
                dry_twin=_TWINS.get(zone.code, ""),
            )
        yield Watched(plan.code, "air-main", "cabin", "", "S", "")
    yield Watched("", "outside", "outside", "", "S", "")
    yield Watched("", "rain-gauge", "outside", "", "S", "")


def _rfc3339(at_s: int) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _table(table: str, /, **fields: str | float | dict[str, str]) -> str:
    """One table of an array; a JSON string without control characters is a TOML string too."""

    def value(field: str | float | dict[str, str]) -> str:
        if isinstance(field, dict):
            pairs = ", ".join(f"{key} = {value(text)}" for key, text in field.items())
            return f"{{ {pairs} }}"
        return json.dumps(field, ensure_ascii=False)

    lines = [f"{key} = {value(field)}" for key, field in fields.items() if field != ""]
    return "\n".join([f"[[{table}]]", *lines, ""])
