"""What is planned for a world: sites, units, zones, leaks, repairs, people, and how probes err.

A plan is the truth. Coefficients without a source beside them are our choice, made so that walls
react as those of section tests do: hours at the surface, weeks in depth.
"""

from dataclasses import dataclass
from typing import Literal

from demo.weather import MARINE, Climate

Side = Literal["door", "off", "front", "rear", "roof", "under"]
LeakKind = Literal["rain", "plumbing"]
Protocol = Literal["closed", "opened and dried", "sensor moved"]
DryerKind = Literal["compressor", "desiccant"]
FaultKind = Literal["stuck", "shifted", "swapped"]
Span = tuple[int, int]  # from and to [s]


@dataclass(frozen=True, slots=True)
class Build:
    """How a zone is made; conductances of 1 m2."""

    kind: str  # of the zone, in the words of the record
    material: str
    surface_kg: float  # wood that follows within hours
    deep_kg: float  # wood that follows within days
    to_cabin_kg_s_pa: float
    to_outside_kg_s_pa: float
    cabin_share: float  # 0: at the temperature of the skin, 1: of the cabin
    lag_s: float
    cavity_m3: float
    absorptance: float


# A lining of s_d 2 m passes 1e-10 kg/(m2 s Pa) (delta of air 2e-10, ISO 13788); gaps add to it.
BUILDS: dict[str, Build] = {
    "laminated wall": Build(
        "wall", "luan ply", 0.8, 2.0, 2.2e-10, 0.6e-10, 0.45, 3600.0, 0.010, 0.45
    ),
    "hung wall": Build("wall", "luan ply", 0.6, 1.4, 3.0e-10, 6.0e-10, 0.35, 1800.0, 0.035, 0.50),
    "roof": Build("roof", "luan ply", 0.9, 2.6, 3.0e-10, 0.8e-10, 0.40, 2700.0, 0.030, 0.60),
    "slide-floor": Build(
        "slide-floor", "plywood", 1.5, 7.0, 2.0e-10, 4.0e-10, 0.40, 5400.0, 0.020, 0.0
    ),
    "floor": Build("floor", "plywood", 1.5, 6.0, 2.0e-10, 2.0e-10, 0.55, 7200.0, 0.020, 0.0),
}


@dataclass(frozen=True, slots=True)
class ZonePlan:
    """One watched zone of a unit; `build` is a key of `BUILDS`.

    Part of the zone's wood, the spot, lies in a bay of its own where the water of a leak arrives;
    its air meets the probe's through gaps only.
    """

    code: str
    build: str
    side: Side
    start_moisture: float | None = None  # kg/kg in its wood; None: as the weather left it
    openness: float = 1.0  # times the build's vapour conductances
    cabin_share_more: float = 0.0  # added to the build's share of the cabin's temperature
    spot_share: float = 0.3  # of its wood, where the water of a leak arrives; 0..1, not the ends
    link: float = 1.0  # times LINK_KG_S_PA: how freely the spot's air meets the probe's
    nearness: float = 0.0  # 0: the probe hangs in the zone's air, 1: in the spot's
    wood: float = 1.0  # times the build's wood
    lag: float = 1.0  # times the build's lag
    hysteresis: float = 0.05  # the drying branch holds this share more, the wetting branch less
    deep_days: float = 4.0  # surface and deep wood come together within days at 20 °C
    drains_to: str = ""  # zone of the unit that water runs on to; "": it leaves
    drain_share: float = 0.6  # of what runs off, the part that gets there


@dataclass(frozen=True, slots=True)
class Leak:
    """Water that gets in, and the truth about it.

    `ml_per_event` is what reaches the wood when `EVENT_MM` of rain has met the face; for a pipe,
    per day with people in the unit or its water on. Over `growth_days` it grows from nothing to
    that.
    """

    unit: str
    zone: str
    kind: LeakKind
    onset_s: int
    ml_per_event: float
    growth_days: float = 0.0


@dataclass(frozen=True, slots=True)
class Repair:
    """What was done to a zone, and how it turned out.

    Without any protocol but `sensor moved` nothing was sealed. `opened and dried` takes the water
    out of the zone's wood; `closed` leaves it wet; either makes the seam tight but for
    `remaining`, which is 1 again from `resumes_s` on.
    """

    unit: str
    zone: str
    at_s: int
    protocols: tuple[Protocol, ...]
    remaining: float = 0.0
    resumes_s: int | None = None

    @property
    def seals(self) -> bool:
        """Whether the seam was worked on."""
        return bool({"closed", "opened and dried"} & set(self.protocols))


@dataclass(frozen=True, slots=True)
class Stay:
    """People living in a unit; with `site`, away on a trip, in the weather of that other site."""

    from_s: int
    to_s: int
    people: int = 2
    air_changes_h: float = 1.2
    site: int | None = None


@dataclass(frozen=True, slots=True)
class Soaking:
    """A hose test or a wash: water on one side, or on all, for an hour."""

    at_s: int
    side: Side | None
    mm: float


@dataclass(frozen=True, slots=True)
class Dryer:
    """A dehumidifier, or a tub of desiccant, in the cabin of a unit, from when to when it has power.

    `grams_h` is what it takes out at 20 °C and 10 points above what it is set to; a compressor takes
    less in the cold and nothing below 5 °C (iced up), a desiccant as much at any temperature. With a
    tank it stops when that is full.
    """

    from_s: int
    to_s: int
    kind: DryerKind = "compressor"
    grams_h: float = 60.0
    set_percent: float = 50.0
    tank_g: float | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """A probe that lies: `stuck` at a value, `shifted` by points, `swapped` with another's place."""

    zone: str
    kind: FaultKind
    from_s: int
    to_s: int
    points: float = 0.0
    other: str = ""


@dataclass(frozen=True, slots=True)
class UnitPlan:
    """One RV, where it stands and what will happen to it."""

    code: str
    zones: tuple[ZonePlan, ...]
    site: int = 0
    heading_deg: float = 0.0  # where the nose points
    volume_m3: float = 36.0
    air_changes_h: float = 0.25  # closed
    exposure: float = 1.0  # 0: indoors, 1: under the open sky
    hall_c: float | None = None  # the building it stands in is heated to this
    water_on: bool = False  # pipes under pressure with nobody there
    leaks: tuple[Leak, ...] = ()
    repairs: tuple[Repair, ...] = ()
    stays: tuple[Stay, ...] = ()
    soakings: tuple[Soaking, ...] = ()
    dryers: tuple[Dryer, ...] = ()  # one at a time
    faults: tuple[Fault, ...] = ()
    outages: tuple[Span, ...] = ()  # of its node
    silent_from_s: int | None = None  # its node is dead from then on


@dataclass(frozen=True, slots=True)
class Fidelity:
    """How good probes and links are; standard deviations unless said."""

    bias_k: float = 0.1
    noise_k: float = 0.03
    bias_percent: float = 0.9  # cut at twice this: probes are sold as ±2 %
    noise_percent: float = 0.25
    drift_percent_year: float = 0.3  # all probes
    drift_spread_percent_year: float = 0.0  # between probes
    settling_percent: float = 0.0  # just after placement; gone in two days
    clinging_percent: float = 0.0  # reads too much after dew, for a day or so
    outages_day: float = 1.0 / 40.0  # chance that a node loses some hours
    late_day: float = 1.0 / 15.0  # chance that a node delivers some hours late


@dataclass(frozen=True, slots=True)
class Gauge:
    """A rain gauge, or a feed, which is a gauge somewhere near."""

    catch: float = 1.0  # of the rain, wind takes the rest
    spread: float = 0.0  # of a day's sum: standard deviation of its logarithm
    missing: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class SitePlan:
    """A place with its weather; all probes on it are of one quality."""

    climate: Climate = MARINE
    gauge: Gauge | None = Gauge()
    fidelity: Fidelity = Fidelity()
