"""The domain's data: sites, units, zones, nodes and what happened to them. Frozen; the one rule is when a node is silent.

Times are whole seconds since 1970-01-01T00:00Z (`_s`); an hour number (`hour`) is such a time
divided by 3600, a day number by 86400. Codes are what people write (`off-rear-low`); the record
keeps its own integer keys beside them.
"""

from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

from sensors.wire import SILENCE_S

ZoneKind = Literal[
    "wall",
    "roof",
    "floor",
    "slide-floor",
    "slide-roof",
    "bay",
    "underbelly",
    "cabin",
    "bed",
    "outside",
]
MouldClass = Literal["VS", "S", "MR", "R"]
ZoneWord = Literal["dry", "damp", "wet", "unknown"]
Trend = Literal["steady", "wetting", "drying", ""]
EventKind = Literal[
    "rain",
    "snow",
    "thaw",
    "hose",
    "wash",
    "repair",
    "inspection",
    "winterised",
    "water on",
    "occupied",
    "vacated",
    "moved",
    "reseal",
    "dehumidifier",
]
AlarmKind = Literal[
    "leak suspect",
    "damp",
    "wet",
    "mould growth",
    "rot",
    "condensation",
    "freezing",
    "freezing ahead",
    "dehumidifier stopped",
    "water contact",
    "silent",
    "sensor suspect",
    "battery low",
    "flood",
    "drying stalled",
    "did not stay dry",
    "damp week",  # from here on: the common cause of other alarms (monitor.causes)
    "frost",
    "frost ahead",
    "site silent",
    "gateway silent",
    "row silent",
    "unit silent",
]
AlarmClass = Literal["act now", "today", "this week", "season"]
AlarmState = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned unacknowledged",
    "latched unacknowledged",
    "latched acknowledged",
]  # ISA-18.2; what an alarm says by itself
ListKind = Literal["lay-up", "opening"]  # of what is done to a unit before and after it is stored
ROLES = ("owner", "lot lead", "technician", "sales", "auditor")  # of users, and of who is told
HoldWord = Literal["shelved", "suppressed by design", "out of service"]  # ISA-18.2; and its source
Lean = Literal["", "level", "off-front", "off-rear", "door-front", "door-rear"]  # "": unknown
Side = Literal["", "off", "door", "front", "rear"]
Roof = Literal["", "rated", "not rated"]  # to be walked on, by its maker; "": not declared
WeatherSource = Literal["", "feed", "record"]  # probes here; a service; a file. The best first
Cause = Literal["rain ingress", "plumbing", "condensation", "built-in moisture", "cannot tell", ""]

ZONE_KINDS: tuple[ZoneKind, ...] = get_args(ZoneKind)
EVENT_KINDS: tuple[EventKind, ...] = get_args(EventKind)
PRIVATE: frozenset[EventKind] = frozenset({"occupied", "vacated"})  # they say who lives there
ALARM_KINDS: tuple[AlarmKind, ...] = get_args(AlarmKind)
STRUCTURE_KINDS: frozenset[ZoneKind] = frozenset(
    {"wall", "roof", "floor", "slide-floor", "slide-roof", "bay", "underbelly"}
)  # judged by wood moisture
AIR_KINDS: frozenset[ZoneKind] = frozenset({"cabin", "bed"})  # judged at the coldest surface

DEFAULT_SILENCE_S = SILENCE_S  # longest expected silence of a node that declares none


@dataclass(frozen=True, slots=True)
class Site:
    """A lot, yard or driveway."""

    code: str
    name: str = ""
    timezone: str = "UTC"
    altitude_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Unit:
    """One RV on a site; `slot` is its numbered place, `life` its stage (stored, stock, ...).

    `lean` is its lowest corner as it stands, `weather_side` the side that driven rain mostly meets;
    `roof` whether its maker rates it to be walked on; "" and None are not declared. They bear on where
    and how to look, on nothing that is judged.
    """

    code: str
    site: str
    name: str = ""
    slot: str = ""
    body_type: str = "travel trailer"
    life: str = "stored"
    lean: Lean = ""
    weather_side: Side = ""
    slides: int | None = None
    roof: Roof = ""


@dataclass(frozen=True, slots=True)
class Zone:
    """A named place in or on a unit, or on a site (then `unit` is empty).

    `source` says where the figures of a site's own zone are from, `origin` and `distance_km` from
    whom and how far away.
    """

    unit: str
    code: str
    kind: ZoneKind = "wall"
    material: str = ""
    mould_class: MouldClass = "S"
    dry_twin: str = ""
    faces: str = ""
    temperature_factor: float | None = None
    watched_from_s: int | None = None
    source: WeatherSource = ""
    origin: str = ""
    distance_km: float | None = None


@dataclass(frozen=True, slots=True)
class Placement:
    """Which probe watched which zone, from when to when (None: until now)."""

    node: str
    probe: str
    site: str
    unit: str
    zone: str
    from_s: int
    to_s: int | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something a gauge, a record or a person noted; unit empty: the whole site."""

    at_s: int
    kind: EventKind
    value: str = ""
    unit: str = ""
    zone: str = ""


@dataclass(frozen=True, slots=True)
class ForecastHour:
    """Weather that is expected in an hour; None: not said."""

    hour: int
    temperature_c: float | None = None
    humidity_percent: float | None = None
    rain_mm: float | None = None


@dataclass(frozen=True, slots=True)
class LimitEntry:
    """A limit of judgement that somebody changed; `undoes` ends an earlier entry instead."""

    number: int
    site: str  # "": every site
    body_type: str  # "": every kind of unit
    name: str
    old: float
    new: float
    from_hour: int  # it holds from this hour number on, and never before
    recorded_s: int = 0
    who: str = ""
    why: str = ""
    undoes: int | None = None


@dataclass(frozen=True, slots=True)
class LimitStep:
    """A limit takes another value from an hour on, as it bears on one unit."""

    from_hour: int
    name: str
    value: float


@dataclass(frozen=True, slots=True)
class SeasonStep:
    """What somebody noted of an item of a list: "done", "open again" or "left out"."""

    item: str
    word: str
    at_s: int
    who: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class SeasonList:
    """A lay-up or opening list as it was begun, with what was noted of its items since, oldest first."""

    number: int
    kind: ListKind
    begun_s: int
    who: str
    items: tuple[str, ...]
    carried: tuple[str, ...]  # of them, those left over from earlier lists
    steps: tuple[SeasonStep, ...] = ()
    ended_s: int | None = None

    def last(self, item: str) -> SeasonStep | None:
        """The newest note of an item."""
        return next((step for step in reversed(self.steps) if step.item == item), None)

    @property
    def left(self) -> tuple[str, ...]:
        """Items that are neither done nor left out."""
        closed = {
            step.item
            for item in self.items
            if (step := self.last(item)) is not None and step.word != "open again"
        }
        return tuple(item for item in self.items if item not in closed)


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo of a unit, without its bytes; findings, seals and repairs name it by its digest."""

    digest: str  # SHA-256 of the bytes, in hexadecimal digits
    at_s: int  # when it was taken, as told
    recorded_s: int
    who: str
    caption: str = ""


CaseKind = Literal["opened", "goal", "photo", "challenge"]


@dataclass(frozen=True, slots=True)
class CaseNote:
    """Something entered of one repair beside readings; never changed, a later one is added.

    `value`: of `opened` what was done, of `goal` points above the dry standard, of `photo` its
    digest, of `challenge` the joint, how long it was sprayed, and whether water reached it.
    """

    zone: str
    repaired_s: int
    kind: CaseKind
    value: str
    at_s: int
    recorded_s: int
    who: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Source:
    """Where alarms of one kind come from: a zone or a node; "" where it does not apply."""

    site: str
    kind: AlarmKind
    unit: str = ""
    zone: str = ""
    node: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ZoneReadings:
    """All readings of one zone over a span, sorted by (at_s, then the values); disputed ones left out.

    Every array has shape (readings,); floats are nan where not measured.
    """

    at_s: NDArray[np.int64]
    temperature_c: NDArray[np.float64]
    humidity_percent: NDArray[np.float64]  # [%]
    wood_percent: NDArray[np.float64]  # pin probe [%]
    contact: NDArray[np.float64]  # 1 liquid water, 0 none
    rain_mm: NDArray[np.float64]  # since the sample before
    silence_s: NDArray[np.int64]  # longest silence the node declared
    cover_s: NDArray[np.int64]  # the longest time this reading may stand for


Seconds = TypeVar("Seconds", int, NDArray[np.int64])


def silent_after_s(silence_s: Seconds) -> Seconds:
    """How long after its newest reading a node is silent, in seconds, by the silence it declared."""
    return 3 * silence_s + 900
