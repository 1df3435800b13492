"""Hundreds of random RVs at once, with the truth: what detectors are fitted and counted on.

    from demo.fleet import Mix, fleet, fleets

    batch = fleet(seed=1)                        # 64 units, 15 months, hourly, four climates
    batch.humidity_percent                       # (hours, units, zones); nan where nothing came
    batch.zones, batch.kinds, batch.walls        # what the columns are; the first `walls` are cavities
    batch.onset_s, batch.leak_ml                 # (units, walls): NEVER_S and 0 where nothing leaks
    batch.healthy                                # (units, walls): no leak there, none runs down to it
    for batch in fleets(seeds=range(8), processes=2, mix=Mix(hard=True), paired=True): ...
    batch.write(Path("folder"))                  # a folder a site, as `sillkeep judge` reads them

A batch is a `World` of `units / Mix.units_a_site` sites. It depends on seed and arguments alone, and on
numpy's generators. Units stand stored, in halls, go on trips, are lived in; zones differ in wood,
openness, lag, hysteresis, in how much of the wood a leak wets and how freely the air there meets
the probe. `Mix(hard=True)` draws another physics and worse probes, to try a detector on what it
was not fitted on. `paired=True` adds the air at each probe had nothing leaked.
"""

import csv
import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from demo.plans import (
    BUILDS,
    Fault,
    FaultKind,
    Fidelity,
    Gauge,
    Leak,
    Protocol,
    Repair,
    Side,
    SitePlan,
    Soaking,
    Span,
    Stay,
    UnitPlan,
    ZonePlan,
)
from demo.probes import Samples
from demo.weather import CLIMATES, DAY_S
from demo.world import World

Single = NDArray[np.float32]
Rng = np.random.Generator

NEVER_S = 2**62
LEAK_SIZES_ML = (5.0, 20.0, 50.0, 200.0)
UNITS_A_SITE = 8
STEP_S, SAMPLE_S = 1800, 3600
_FIRST_S = int(datetime(2030, 1, 1, tzinfo=UTC).timestamp())
_CHUNK_DAYS = 20  # simulated before the samples are packed away

# code, build ("": the unit's wall), side, zone below, share of leaks by rain, by pipes
_ZONES: tuple[tuple[str, str, Side, str, float, float], ...] = (
    ("off-front-low", "", "off", "floor-bath", 0.10, 0.10),
    ("off-rear-high", "", "off", "off-rear-low", 0.20, 0.00),
    ("off-rear-low", "", "off", "floor-bath", 0.12, 0.20),
    ("door-mid-high", "", "door", "door-rear-low", 0.16, 0.00),
    ("door-rear-low", "", "door", "", 0.10, 0.10),
    ("roof-vent1-ring", "roof", "roof", "off-rear-high", 0.18, 0.00),
    ("slide1-floor-front", "slide-floor", "under", "", 0.12, 0.10),
    ("floor-bath", "floor", "under", "", 0.02, 0.50),
)
_WALLS = len(_ZONES)
_TWINS = {
    "off-front-low": "off-rear-low",
    "off-rear-low": "off-front-low",
    "door-rear-low": "off-rear-low",
    "off-rear-high": "door-mid-high",
    "door-mid-high": "off-rear-high",
}
_FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_BEARING = {"off": -90.0, "door": 90.0, "front": 0.0, "rear": 180.0}

Use = Literal["stored", "roofed", "hall", "heated hall", "trips", "lived in"]
_USES: tuple[tuple[Use, float], ...] = (
    ("stored", 0.50),
    ("roofed", 0.06),
    ("hall", 0.06),
    ("heated hall", 0.04),
    ("trips", 0.22),
    ("lived in", 0.12),
)
_EXPOSURE = {"roofed": 0.25, "hall": 0.0, "heated hall": 0.0}


@dataclass(frozen=True, slots=True)
class Mix:
    """What is drawn, and how often."""

    climates: tuple[str, ...] = tuple(CLIMATES)  # names, one a site in turn
    leaking: float = 0.4  # units with leaks, a third of them with two
    sizes_ml: tuple[float, ...] = LEAK_SIZES_ML
    plumbing: float = 0.2  # of leaks
    lead_days: float = 75.0  # before the first leak
    tail_days: float = 110.0  # after the last began
    growth_days: float = 120.0  # the longest
    repaired: float = 0.0  # of leaks
    faulty: float = 0.03  # probes with a fault for some weeks
    hard: bool = False  # another physics, worse probes
    units_a_site: int = UNITS_A_SITE


@dataclass(frozen=True, slots=True)
class Noted:
    """What people wrote down; `unit` "" is the whole site."""

    at_s: int
    site: int
    unit: str
    zone: str
    kind: str
    value: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Readings and truth of N hours, U units and C zones: W cavities, then cabin and outside."""

    at_s: NDArray[np.int64]  # (N,)
    temperature_c: Single  # (N, U, C)
    humidity_percent: Single  # (N, U, C)
    rain_mm: Single  # (N, U) of the site's gauge or feed, since the hour before; nan: unknown
    delivered_s: NDArray[np.int64]  # (N, U)
    true_humidity_percent: Single  # (N, U, C) of the air at the probe
    true_wood_percent: Single  # (N, U, W) surface of the wood, mean of the zone
    true_spot_percent: Single  # (N, U, W) the same where a leak would arrive
    dry_humidity_percent: Single | None  # (N, U, C) at the probe, had nothing leaked
    units: tuple[UnitPlan, ...]
    sites: tuple[SitePlan, ...]
    events: tuple[Noted, ...]
    onset_s: NDArray[np.int64]  # (U, W) NEVER_S: no leak
    leak_ml: NDArray[np.float64]  # (U, W) an event, or a day of a pipe; 0: no leak
    plumbing: NDArray[np.bool_]  # (U, W)
    repaired_s: NDArray[np.int64]  # (U, W) the leak was worked on; NEVER_S: it was not
    wetted: NDArray[np.bool_]  # (U, W) below a leak of another zone

    @property
    def zones(self) -> tuple[str, ...]:
        """Codes of the C zones."""
        return (*(zone[0] for zone in _ZONES), "air-main", "outside")

    @property
    def kinds(self) -> NDArray[np.str_]:
        """Kind of each zone of each unit, (U, C)."""
        own = [[BUILDS[z.build].kind for z in unit.zones] for unit in self.units]
        return np.array([[*kinds, "cabin", "outside"] for kinds in own])

    @property
    def walls(self) -> int:
        """How many of the zones are cavities, W."""
        return _WALLS

    @property
    def healthy(self) -> NDArray[np.bool_]:
        """Cavities where nothing leaks and no leak runs down to, (U, W)."""
        sound: NDArray[np.bool_] = (self.onset_s == NEVER_S) & ~self.wetted
        return sound

    @property
    def climate(self) -> tuple[str, ...]:
        """Name of each unit's climate at home."""
        return tuple(self.sites[unit.site].climate.name for unit in self.units)

    def write(self, folder: Path, *, parquet: bool = False) -> None:
        """Files of `sillkeep judge`, a folder a site: readings, zones.csv, events.csv."""
        for site in range(len(self.sites)):
            home = folder / f"site{site + 1:02d}"
            home.mkdir(parents=True, exist_ok=True)
            _write_readings(self, site, home, parquet=parquet)
            _write_csv(home / "zones.csv", _ZONE_COLUMNS, _zone_rows(self, site))
            _write_csv(home / "events.csv", _EVENT_COLUMNS, _event_rows(self, site))


def fleets(
    *,
    seeds: Sequence[int],
    units: int = 64,
    days: int = 456,
    mix: Mix = Mix(),
    paired: bool = False,
    processes: int = 2,
) -> Iterator[Batch]:
    """`fleet` of each seed, in order, made in other processes while the last is in use."""
    make = partial(_seeded, units=units, days=days, mix=mix, paired=paired)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        waiting = [pool.submit(make, seed) for seed in seeds[:processes]]
        for index in range(len(seeds)):
            batch = waiting.pop(0).result()
            if index + processes < len(seeds):
                waiting.append(pool.submit(make, seeds[index + processes]))
            yield batch


def _seeded(seed: int, *, units: int, days: int, mix: Mix, paired: bool) -> Batch:
    return fleet(seed=seed, units=units, days=days, mix=mix, paired=paired)


def fleet(
    *,
    seed: int,
    units: int = 64,
    days: int = 456,
    mix: Mix = Mix(),
    paired: bool = False,
    step_s: int = STEP_S,
) -> Batch:
    """Draw units and run them.

    Parameters
    ----------
    seed : int
        The same seed and arguments give the same bits.
    units, days : int
        How many, and how long, 20 days at least; leaks begin from `mix.lead_days` after the start
        to `mix.tail_days` before the end.
    mix : Mix
        What is drawn.
    paired : bool
        Whether to run the leaking units again without their leaks.
    step_s : int
        Of the simulation. [600, 1200, 1800 or 3600 s]

    Returns
    -------
    Batch

    Raises
    ------
    ValueError
        If the days are too few.
    """
    if days < 20:
        raise ValueError(f"{days} days are too few for anything to happen")
    rng = np.random.default_rng((seed, 7))
    start_s = _FIRST_S + int(rng.integers(0, 365)) * DAY_S
    sites = _sites(rng, mix, count=-(-units // mix.units_a_site), start_s=start_s, days=days)
    drawer = _Drawer(rng=rng, mix=mix, sites=len(sites), start_s=start_s, days=days)
    plans = [drawer.unit(index) for index in range(units)]
    notes = sorted(drawer.notes, key=lambda note: (note.at_s, note.unit))
    run = partial(_run, seed=seed, sites=sites, start_s=start_s, days=days, step_s=step_s)
    kept = run(plans)
    dry = _dry(kept.true_humidity_percent, plans, run) if paired else None
    truth = _truth(plans)
    return Batch(
        at_s=kept.at_s,
        temperature_c=kept.temperature_c,
        humidity_percent=kept.humidity_percent,
        rain_mm=kept.rain_mm[:, [plan.site for plan in plans]],
        delivered_s=kept.delivered_s,
        true_humidity_percent=kept.true_humidity_percent,
        true_wood_percent=kept.true_wood_percent,
        true_spot_percent=kept.true_spot_percent,
        dry_humidity_percent=dry,
        units=tuple(plans),
        sites=tuple(sites),
        events=tuple(notes),
        onset_s=truth.onset_s,
        leak_ml=truth.leak_ml,
        plumbing=truth.plumbing,
        repaired_s=truth.repaired_s,
        wetted=truth.wetted,
    )


# Running ------------------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class _Kept:
    at_s: NDArray[np.int64]
    temperature_c: Single
    humidity_percent: Single
    true_humidity_percent: Single
    true_wood_percent: Single
    true_spot_percent: Single
    rain_mm: Single  # by site
    delivered_s: NDArray[np.int64]


def _run(
    plans: Sequence[UnitPlan],
    *,
    seed: int,
    sites: Sequence[SitePlan],
    start_s: int,
    days: int,
    step_s: int,
) -> _Kept:
    world = World(
        seed=seed,
        units=plans,
        sites=sites,
        start_s=start_s,
        sample_s=max(SAMPLE_S, step_s),
        step_s=step_s,
        spin_up_days=20,
    )
    ends = [*range(_CHUNK_DAYS, days, _CHUNK_DAYS), days]
    parts = [_packed(world.run(start_s + end * DAY_S), plans) for end in ends]
    return _Kept(
        **{
            field.name: np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(_Kept)
        }
    )


def _packed(samples: Samples, plans: Sequence[UnitPlan]) -> _Kept:
    """Columns of the world as (N, U, C), in single precision."""
    units = len(plans)
    zones = _WALLS * units
    outside = [zones + units + plan.site for plan in plans]

    def cube(columns: NDArray[np.float64]) -> Single:
        single = columns.astype(np.float32)
        walls = single[:, :zones].reshape(-1, units, _WALLS)
        cabin = single[:, zones : zones + units, None]
        return np.concatenate([walls, cabin, single[:, outside, None]], axis=2)

    return _Kept(
        at_s=samples.at_s,
        temperature_c=cube(samples.temperature_c),
        humidity_percent=cube(samples.humidity_percent),
        true_humidity_percent=cube(samples.true_humidity_percent),
        true_wood_percent=cube(samples.true_wood_percent)[:, :, :_WALLS],
        true_spot_percent=cube(samples.true_spot_percent)[:, :, :_WALLS],
        rain_mm=samples.rain_mm.astype(np.float32),
        delivered_s=samples.delivered_s[:, zones : zones + units],
    )


def _dry(wet: Single, plans: Sequence[UnitPlan], run: "partial[_Kept]") -> Single:
    """Humidity at the probes in a run where nothing leaks."""
    leaking = [index for index, plan in enumerate(plans) if plan.leaks]
    dry = wet.copy()
    if leaking:
        dry[:, leaking] = run([replace(plans[i], leaks=()) for i in leaking]).true_humidity_percent
    return dry


@dataclass(frozen=True, slots=True, eq=False)
class _Truth:
    onset_s: NDArray[np.int64]
    leak_ml: NDArray[np.float64]
    plumbing: NDArray[np.bool_]
    repaired_s: NDArray[np.int64]
    wetted: NDArray[np.bool_]


def _truth(plans: Sequence[UnitPlan]) -> _Truth:
    shape = (len(plans), _WALLS)
    truth = _Truth(
        onset_s=np.full(shape, NEVER_S),
        leak_ml=np.zeros(shape),
        plumbing=np.zeros(shape, dtype=bool),
        repaired_s=np.full(shape, NEVER_S),
        wetted=np.zeros(shape, dtype=bool),
    )
    for index, plan in enumerate(plans):
        codes = [zone.code for zone in plan.zones]
        for leak in plan.leaks:
            place = index, codes.index(leak.zone)
            truth.onset_s[place] = leak.onset_s
            truth.leak_ml[place] = leak.ml_per_event
            truth.plumbing[place] = leak.kind == "plumbing"
            below = plan.zones[place[1]].drains_to
            while below:
                truth.wetted[index, codes.index(below)] = True
                below = plan.zones[codes.index(below)].drains_to
        for repair in plan.repairs:
            truth.repaired_s[index, codes.index(repair.zone)] = repair.at_s
    return truth


# Drawing ------------------------------------------------------------------------------------

_FIDELITY = Fidelity(
    drift_percent_year=0.2,
    drift_spread_percent_year=0.4,
    settling_percent=1.2,
    clinging_percent=1.0,
)
_POOR_FIDELITY = Fidelity(
    bias_k=0.25,
    noise_k=0.08,
    bias_percent=1.8,
    noise_percent=0.7,
    drift_percent_year=0.5,
    drift_spread_percent_year=1.0,
    settling_percent=2.5,
    clinging_percent=3.0,
    outages_day=1.0 / 15.0,
    late_day=1.0 / 8.0,
)


def _sites(rng: Rng, mix: Mix, *, count: int, start_s: int, days: int) -> list[SitePlan]:
    turn = int(rng.integers(len(mix.climates)))
    sites = []
    for index in range(count):
        source = rng.random()
        weeks = rng.integers(0, max(1, days - 14), size=rng.integers(0, 3)).tolist()
        missing = tuple(
            (start_s + day * DAY_S, start_s + (day + int(rng.integers(3, 15))) * DAY_S)
            for day in weeks
        )
        gauge = Gauge(catch=rng.uniform(0.75, 0.98), spread=0.05, missing=missing)
        feed = Gauge(catch=rng.uniform(0.8, 1.1), spread=0.5)
        sites.append(
            SitePlan(
                climate=CLIMATES[mix.climates[(turn + index) % len(mix.climates)]],
                gauge=gauge if source < 0.6 else feed if source < 0.85 else None,
                fidelity=_POOR_FIDELITY if mix.hard else _FIDELITY,
            )
        )
    return sites


class _Drawer:
    """Draws units one after the other, and what people note of them."""

    def __init__(self, *, rng: Rng, mix: Mix, sites: int, start_s: int, days: int) -> None:
        self._rng, self._mix, self._sites = rng, mix, sites
        self._start_s, self._days = start_s, days
        self.notes: list[Noted] = []

    def unit(self, index: int) -> UnitPlan:
        """One unit with all that will happen to it."""
        rng, code = self._rng, f"f{index + 1:03d}"
        site = index // self._mix.units_a_site
        use = _USES[_one_of(rng, [share for _, share in _USES])][0]
        stays = self._stays(use, site)
        exposure = _EXPOSURE.get(use, 1.0)
        wall = "hung wall" if rng.random() < 0.4 else "laminated wall"
        zones = tuple(self._zone(zone, wall) for zone in _ZONES)
        water_on = bool(rng.random() < 0.5)
        leaks = self._leaks(code, rains=exposure > 0.5, pipes=water_on or use == "lived in")
        repairs = tuple(
            repair
            for leak in leaks
            for repair in self._repaired(leak)
            if rng.random() < self._mix.repaired
        )
        plan = UnitPlan(
            code=code,
            zones=zones,
            site=site,
            heading_deg=float(rng.uniform(0.0, 360.0)),
            volume_m3=float(rng.uniform(14.0, 55.0)),
            air_changes_h=float(np.exp(rng.normal(np.log(0.25), 0.4))),
            exposure=exposure,
            hall_c=float(rng.uniform(6.0, 14.0)) if use == "heated hall" else None,
            water_on=water_on,
            leaks=leaks,
            repairs=repairs,
            stays=stays,
            soakings=self._soakings(code, site, zones, repairs),
            faults=self._faults(),
            outages=self._outages(),
        )
        self._note(plan)
        return plan

    def _time_s(self, day: float) -> int:
        return self._start_s + round(day * 24.0) * 3600

    def _zone(self, zone: tuple[str, str, Side, str, float, float], wall: str) -> ZonePlan:
        rng, hard = self._rng, self._mix.hard
        code, build, side, below, _, _ = zone
        return ZonePlan(
            code=code,
            build=build or wall,
            side=side,
            start_moisture=float(rng.uniform(0.16, 0.24)) if rng.random() < 0.03 else None,
            openness=_around(rng, 0.7, 0.8) if hard else _around(rng, 1.0, 0.5),
            cabin_share_more=float(rng.uniform(-0.12, 0.12)),
            spot_share=float(np.exp(rng.uniform(np.log(0.04), np.log(0.6)))),
            link=float(np.exp(rng.uniform(np.log(0.01), np.log(2.0)))),
            nearness=float(rng.choice((0.0, 0.0, rng.uniform(0.0, 0.6)))),
            wood=_around(rng, 1.5, 0.4) if hard else _around(rng, 1.0, 0.25),
            lag=_around(rng, 1.8, 0.5) if hard else _around(rng, 1.0, 0.3),
            hysteresis=float(rng.uniform(0.05, 0.14) if hard else rng.uniform(0.03, 0.08)),
            deep_days=_around(rng, 8.0, 0.4) if hard else _around(rng, 4.0, 0.3),
            drains_to=below,
            drain_share=float(rng.uniform(0.3, 0.9)),
        )

    def _leaks(self, code: str, *, rains: bool, pipes: bool) -> tuple[Leak, ...]:
        rng, mix = self._rng, self._mix
        if rng.random() >= mix.leaking or not (rains or pipes):
            return ()
        found: dict[str, Leak] = {}
        for _ in range(2 if rng.random() < 1.0 / 3.0 else 1):
            plumbing = pipes and (not rains or rng.random() < mix.plumbing * 1.35)
            zone = _ZONES[_one_of(rng, [zone[5] if plumbing else zone[4] for zone in _ZONES])][0]
            latest = max(mix.lead_days + 1.0, self._days - mix.tail_days)
            found[zone] = Leak(
                unit=code,
                zone=zone,
                kind="plumbing" if plumbing else "rain",
                onset_s=self._time_s(rng.uniform(mix.lead_days, latest)),
                ml_per_event=float(rng.choice(mix.sizes_ml)),
                growth_days=float(rng.choice((0.0, rng.uniform(0.0, mix.growth_days)))),
            )
        return tuple(found.values())

    def _repaired(self, leak: Leak) -> Iterator[Repair]:
        rng = self._rng
        ways: tuple[tuple[Protocol, ...], ...] = (
            ("closed",),
            ("opened and dried",),
            ("opened and dried", "sensor moved"),
        )
        outcome = rng.random()
        at_s = leak.onset_s + round(rng.uniform(40.0, 150.0)) * DAY_S
        resumes_s = at_s + round(rng.uniform(20.0, 120.0)) * DAY_S
        yield Repair(
            unit=leak.unit,
            zone=leak.zone,
            at_s=at_s,
            protocols=ways[_one_of(rng, [0.4, 0.2, 0.4])],
            remaining=float(rng.uniform(0.3, 1.0)) if outcome < 0.2 else 0.0,
            resumes_s=resumes_s if outcome > 0.85 else None,
        )

    def _stays(self, use: Use, site: int) -> tuple[Stay, ...]:
        rng, people = self._rng, int(self._rng.integers(1, 4))
        if use == "lived in":
            changes = _around(rng, 0.8, 0.5)  # some keep their vents shut
            end_s = self._time_s(self._days) + DAY_S
            return (Stay(self._start_s, end_s, people=people, air_changes_h=changes),)
        if use != "trips":
            return ()
        stays, day = [], rng.uniform(5.0, 60.0)
        while day < self._days - 20.0:
            lasts = rng.uniform(2.0, 14.0)
            away = self._sites > 1 and rng.random() < 0.7
            elsewhere = int((site + rng.integers(1, self._sites)) % self._sites) if away else None
            stays.append(
                Stay(
                    self._time_s(day),
                    self._time_s(day + lasts),
                    people=people,
                    air_changes_h=float(rng.uniform(0.8, 3.0)),
                    site=elsewhere,
                )
            )
            day += lasts + rng.uniform(15.0, 110.0)
        return tuple(stays)

    def _soakings(
        self, code: str, site: int, zones: Sequence[ZonePlan], repairs: Sequence[Repair]
    ) -> tuple[Soaking, ...]:
        rng = self._rng
        soakings = []
        for day in rng.uniform(5.0, self._days - 5.0, size=rng.poisson(self._days / 250.0)):
            wash = Soaking(self._time_s(float(day)), None, float(rng.uniform(3.0, 8.0)))
            soakings.append(wash)
            if rng.random() < 0.6:  # the others forgot
                self.notes.append(Noted(wash.at_s, site, code, "", "wash", "all round"))
        for repair in repairs:
            if rng.random() < 0.5:
                (side,) = (zone.side for zone in zones if zone.code == repair.zone)
                for day in (7, 14, 21):
                    at_s = repair.at_s + day * DAY_S
                    soakings.append(Soaking(at_s, side, 18.0))
                    self.notes.append(Noted(at_s, site, code, repair.zone, "hose", f"{side} side"))
        return tuple(soakings)

    def _faults(self) -> tuple[Fault, ...]:
        rng = self._rng
        faults = []
        kinds: tuple[FaultKind, ...] = ("stuck", "shifted", "swapped")
        for zone in _ZONES:
            if rng.random() < self._mix.faulty:
                day = rng.uniform(5.0, self._days - 5.0)
                kind = kinds[_one_of(rng, [0.3, 0.5, 0.2])]
                other = _ZONES[(int(rng.integers(1, _WALLS)) + _ZONES.index(zone)) % _WALLS]
                faults.append(
                    Fault(
                        zone=zone[0],
                        kind=kind,
                        from_s=self._time_s(day),
                        to_s=self._time_s(day + rng.uniform(5.0, 60.0)),
                        points=float(rng.normal(0.0, 3.0)),
                        other=other[0],
                    )
                )
        return tuple(faults)

    def _outages(self) -> tuple[Span, ...]:
        rng = self._rng
        days = rng.uniform(0.0, self._days, size=rng.poisson(0.5 * self._days / 365.0))
        return tuple(
            (self._time_s(float(day)), self._time_s(float(day + np.exp(rng.uniform(0.3, 3.0)))))
            for day in days
        )

    def _note(self, plan: UnitPlan) -> None:
        def note(at_s: int, kind: str, value: str = "", zone: str = "") -> None:
            self.notes.append(Noted(at_s, plan.site, plan.code, zone, kind, value))

        for stay in plan.stays:
            note(stay.from_s, "occupied", f"{stay.people} people")
            if stay.site is not None:
                note(stay.from_s, "moved", "away")
                note(stay.to_s, "moved", "back")
            if stay.to_s < self._time_s(self._days):
                note(stay.to_s, "vacated")
        if not plan.stays:
            note(self._start_s, "water on" if plan.water_on else "winterised")
        for repair in plan.repairs:
            note(repair.at_s, "repair", ", ".join(repair.protocols), repair.zone)


def _one_of(rng: Rng, shares: Sequence[float]) -> int:
    return int(rng.choice(len(shares), p=np.array(shares) / sum(shares)))


def _around(rng: Rng, median: float, spread: float) -> float:
    """Lognormal, cut at two standard deviations."""
    return median * float(np.exp(spread * np.clip(rng.standard_normal(), -2.0, 2.0)))


# Files --------------------------------------------------------------------------------------

_READING_COLUMNS = ("time", "unit", "zone", "temperature_c", "humidity_percent", "rain_mm")
_ZONE_COLUMNS = ("unit", "zone", "kind", "material", "dry_twin", "faces")
_EVENT_COLUMNS = ("time", "unit", "zone", "kind", "value")
_GAUGE = "rain-gauge"


def _here(batch: Batch, site: int) -> list[int]:
    return [index for index, unit in enumerate(batch.units) if unit.site == site]


def _write_readings(batch: Batch, site: int, folder: Path, *, parquet: bool) -> None:
    import pandas as pd  # heavy, and only files need it

    at = pd.to_datetime(batch.at_s, unit="s", utc=True)
    frames = []

    def add(unit: str, zone: str, **columns: Single) -> None:
        rounded = {name: np.round(values.astype(float), 2) for name, values in columns.items()}
        frame = pd.DataFrame({"time": at, "unit": unit, "zone": zone, **rounded})
        frames.append(frame.dropna(how="all", subset=list(columns)))

    here = _here(batch, site)
    for place, zone in enumerate(batch.zones[:-1]):
        for index in here:
            add(
                batch.units[index].code,
                zone,
                temperature_c=batch.temperature_c[:, index, place],
                humidity_percent=batch.humidity_percent[:, index, place],
            )
    first = here[0]
    add(
        "",
        "outside",
        temperature_c=batch.temperature_c[:, first, -1],
        humidity_percent=batch.humidity_percent[:, first, -1],
    )
    add("", _GAUGE, rain_mm=batch.rain_mm[:, first])
    table = pd.concat([frame for frame in frames if len(frame)], ignore_index=True)
    table = table.reindex(columns=list(_READING_COLUMNS))
    if parquet:
        table.to_parquet(folder / "readings.parquet", index=False)
        return
    table["time"] = table["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    table.to_csv(folder / "readings.csv", index=False)


def _zone_rows(batch: Batch, site: int) -> Iterator[tuple[str, ...]]:
    for index in _here(batch, site):
        unit = batch.units[index]
        for zone in unit.zones:
            build, bearing = BUILDS[zone.build], _BEARING.get(zone.side)
            turned_deg = 0.0 if bearing is None else (unit.heading_deg + bearing) % 360.0
            faces = "" if bearing is None else _FACES[round(turned_deg / 45.0) % 8]
            twin = _TWINS.get(zone.code, "")
            yield unit.code, zone.code, build.kind, build.material, twin, faces
        yield unit.code, "air-main", "cabin", "", "", ""
    yield "", "outside", "outside", "", "", ""
    yield "", _GAUGE, "outside", "", "", ""


def _event_rows(batch: Batch, site: int) -> Iterator[tuple[str, ...]]:
    for note in batch.events:
        if note.site == site:
            time = datetime.fromtimestamp(note.at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            yield time, note.unit, note.zone, note.kind, note.value


def _write_csv(path: Path, columns: Sequence[str], rows: Iterator[tuple[str, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(rows)
