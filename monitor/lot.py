"""The domain's data: sites, units, zones, nodes and what happened to them. Frozen; the one rule is when a node is silent.

Times are whole seconds since 1970-01-01T00:00Z (`_s`); an hour number (`hour`) is such a time
divided by 3600, a day number by 86400. Codes are what people write (`off-rear-low`); the record
keeps its own integer keys beside them.
"""

from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
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
    "hail",  # from here on: what makes seals due at once
    "branch",
    "wind",
]
CauseKind = Literal[
    "damp week",
    "frost",
    "frost ahead",
    "site silent",
    "gateway silent",
    "row silent",
    "unit silent",
]  # the common cause of other alarms (monitor.causes)
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
    "probe silent",
    "sensor suspect",
    "battery low",
    "flood",
    "drying stalled",
    "did not stay dry",
    CauseKind,
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
PROOF_VERDICTS = ("stayed dry", "drying", "not yet shown", "did not stay dry")
PROOF_FIGURES = (  # of `evidence.drying`, which says what each is
    *("excess_percent", "goal_percent", "noise_percent", "least_response", "power", "evidence"),
    *("leaking_share", "natural", "hose", "wash", "uncounted", "responses", "last_survived_s"),
    *("coverage_percent", "days", "rate_percent_day", "days_to_goal_low", "days_to_goal_high"),
    "stalled",
)
PROOF_CONDITIONS = (  # likewise; what a proof can be missing
    *("dry twin", "sensor at the spot", "drying goal", "30 days", "enough wetting"),
    *("enough evidence", "hose test", "natural wettings", "rain record", "no response", "coverage"),
    *("bench check", "source photo"),
)
ROLES = ("owner", "lot lead", "technician", "sales", "auditor")  # of users, and of who is told
HoldWord = Literal["shelved", "suppressed by design", "out of service"]  # ISA-18.2; and its source
Lean = Literal["", "level", "off-front", "off-rear", "door-front", "door-rear"]  # "": unknown
Side = Literal["", "off", "door", "front", "rear"]
Roof = Literal["", "rated", "not rated"]  # to be walked on, by its maker; "": not declared
Construction = Literal["", "laminated", "hung", "not known"]  # of walls; "": not asked
FoundResult = Literal["", "leak found", "condensation", "no leak", "nothing found"]
MeterMode = Literal["pin", "pinless"]
JointKind = Literal[
    "roof edge",
    "cap seam",
    "corner moulding",
    "roof opening",
    "slide roof",
    "slide flange",
    "slide wiper",
    "window",
    "marker lamp",
    "awning rail",
    "ladder or rack",
    "entry door",
    "baggage door",
    "wall penetration",
    "other joint",
]
Sealant = Literal[
    "",  # not told
    "self-levelling lap",
    "non-sag",
    "hybrid or polyurethane",
    "butyl tape",
    "covering tape",
    "gasket",
    "silicone",
    "other kind",
]
SealFinding = Literal[
    "",  # of a reseal
    "sound",
    "chalky",
    "cracked",
    "lifted edge",
    "void at a screw",
    "shrunken insert",
    "could not look",
]
SealAct = Literal["looked at", "resealed"]
SealGroup = Literal["walk", "roof"]  # the walk round a unit, and what is on its roof
WeatherSource = Literal["", "feed", "record"]  # probes here; a service; a file. The best first
Cause = Literal["rain ingress", "plumbing", "condensation", "built-in moisture", "cannot tell", ""]

ZONE_KINDS: tuple[ZoneKind, ...] = get_args(ZoneKind)
EVENT_KINDS: tuple[EventKind, ...] = get_args(EventKind)
PRIVATE: frozenset[EventKind] = frozenset({"occupied", "vacated"})  # they say who lives there
ALARM_KINDS: tuple[AlarmKind, ...] = get_args(AlarmKind)
JOINT_KINDS: tuple[JointKind, ...] = get_args(JointKind)
SEALANTS: tuple[Sealant, ...] = get_args(Sealant)
SEAL_FINDINGS: tuple[SealFinding, ...] = get_args(SealFinding)
SEAL_ACTS: tuple[SealAct, ...] = get_args(SealAct)
SEAL_GROUPS: tuple[SealGroup, ...] = get_args(SealGroup)
NO_DEFECT: frozenset[SealFinding] = frozenset({"", "sound", "could not look"})
SEALS_HURT: tuple[EventKind, ...] = ("hail", "branch", "wind")  # each asks for a look at once
STRUCTURE_KINDS: frozenset[ZoneKind] = frozenset(
    {"wall", "roof", "floor", "slide-floor", "slide-roof", "bay", "underbelly"}
)  # judged by wood moisture
AIR_KINDS: frozenset[ZoneKind] = frozenset({"cabin", "bed"})  # judged at the coldest surface

FEED = "weather"  # the node of a site under which a weather service's figures are readings
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


def rain_mm(value: str) -> float:
    """How much rain an event of that kind tells of.

    Raises
    ------
    InputError
        If it is no amount of 0 to 2000 mm.
    """
    try:
        fallen = float(value)
    except ValueError:
        raise InputError(f"say how many millimetres of rain: '{value}' is no number") from None
    if not 0.0 <= fallen < 2000.0:
        raise InputError(f"{value} mm of rain is outside 0 to 2000")
    return fallen


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
class Meter:
    """One reading of a hand-held moisture meter, with what it needs to be read again by somebody else."""

    device: str
    mode: MeterMode
    percent: float  # as the device showed it, on its scale
    scale: str = ""  # or species
    temperature_c: float | None = None  # of the material
    depth_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """What somebody found at a zone by eye and hand, as one entry; entries are never changed.

    `identity` is a random UUID made where the finding is written, so that sending it twice keeps one.
    An entry with `withdraws` says that another one no longer holds, with the reason in `note`.
    """

    identity: str
    unit: str
    zone: str
    round: str  # identity of the walk
    at_s: int  # by the device it was written on; not later than `recorded_s`
    recorded_s: int
    who: str
    construction: Construction = ""  # of the wall, as told with this finding
    checks: tuple[tuple[str, str], ...] = ()  # check and answer: `monitor.rounds.CHECKS`
    result: FoundResult = ""
    note: str = ""
    meter: Meter | None = None
    photos: tuple[str, ...] = ()  # digests
    withdraws: str = ""
    score: float | None = None  # leak score of the zone that stood then; None: there was none
    score_hour: int | None = None
    digest: str = ""  # SHA-256 of all that somebody told (`monitor.store.findings.digest`)


@dataclass(frozen=True, slots=True)
class Joint:
    """A sealed joint of a unit as it was last entered; retired ones stay on record.

    `zone` is the zone that would see it leak, "" where none is near; `height_m` how high one has to
    reach, None where nobody said.
    """

    code: str
    kind: JointKind = "other joint"
    place: str = ""
    side: Side = ""
    zone: str = ""
    on_roof: bool = False
    height_m: float | None = None
    retired: bool = False
    at_s: int = 0  # of this entry
    first_s: int = 0  # when the joint was first entered
    who: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class SealEntry:
    """A look at a joint, or a reseal of it; append-only.

    `photos` are digests of the unit's photos, `confirmed` what was confirmed to a warning
    (`monitor.seals.warnings`).
    """

    joint: str
    act: SealAct
    at_s: int
    recorded_s: int
    who: str
    finding: SealFinding = ""
    sealant: Sealant = ""
    product: str = ""
    note: str = ""
    photos: tuple[str, ...] = ()
    confirmed: tuple[str, ...] = ()
    number: int = 0


@dataclass(frozen=True, slots=True)
class SealRule:
    """Every how many days a joint, or a group of a unit, is looked at; None: as by default.

    Of a joint `group` says nothing and `joint` is its code; of a group `joint` is "". 0 days for
    the roof: spring and autumn. The newest of each holds.
    """

    group: SealGroup
    joint: str
    days: int | None
    at_s: int
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class SealBook:
    """All that the due dates of one unit's seals follow from."""

    unit: str
    site: str
    timezone: str
    joints: tuple[Joint, ...] = ()  # as they are now, retired ones too
    entries: tuple[SealEntry, ...] = ()  # oldest first
    rules: tuple[SealRule, ...] = ()  # oldest first
    events: tuple[Event, ...] = ()  # of `SEALS_HURT`, of the unit and its site
    suspects: tuple[tuple[str, int], ...] = ()  # zones with a leak suspect, and since when
    changes: int = 0  # grows with everything that was ever written of them


@dataclass(frozen=True, slots=True)
class BenchPoint:
    """What a probe read at rest in a closed box over a salt, and what the air in it was."""

    number: int
    site: str
    node: str
    probe: str
    salt: str
    batch: str  # of the salt, as written on it
    from_s: (
        int  # in the box since; its readings from then until it is back are of the box, of no zone
    )
    at_s: int  # last reading that counted: what follows from the point holds after it
    measured_percent: float  # as the probe gave it, never corrected
    temperature_c: float
    reference_percent: float  # over that salt at that temperature
    uncertainty_percent: float  # of the two together
    recorded_s: int
    who: str
    undone_s: int | None = None  # taken back, and by whom and why
    undone_who: str = ""
    undone_why: str = ""
    back_s: int | None = None  # in its place again; unknown while nobody said so


@dataclass(frozen=True, slots=True)
class BenchCheck:
    """What one or two points of a probe say of its humidity from a time on.

    The air's humidity is `offset_percent + slope * reading`; one point leaves the slope 1.
    """

    site: str
    node: str
    probe: str
    at_s: int  # it holds for readings after this
    who: str
    batch: str
    points: tuple[BenchPoint, ...]  # the older first
    offset_percent: float
    slope: float
    uncertainty_percent: float  # of a reading corrected by it

    def correction(self, humidity_percent: float) -> float:
        """What is added to a reading, in per cent of humidity."""
        return self.offset_percent + (self.slope - 1.0) * humidity_percent


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
