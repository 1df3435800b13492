"""When each seal of a unit is looked at next, and why; what to know before it is renewed. Pure.

A walk round the unit every 90 days, its roof in spring and autumn, all of it at once after hail, a
branch or a storm, and near a zone whose evidence says leak. All intervals are common practice, no
source, until somebody writes down what the maker's manual says (`SealRule`). A look or a reseal never
makes anything due earlier, an event never later. Days are those of the site's calendar.

Where seals are, by body, is common practice, no source.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal

from monitor.evidence.entries import Place
from monitor.lot import (
    NO_DEFECT,
    Event,
    EventKind,
    Joint,
    JointKind,
    Sealant,
    SealBook,
    SealEntry,
    SealFinding,
    SealGroup,
    SealRule,
    Side,
    Zone,
)
from monitor.outline.bodies import body
from monitor.seasons import SEALS_DAYS, latitude_deg
from monitor.times import time_zone

Reason = Literal[
    "defect", "leak suspect", "hail", "branch", "wind", "never looked", "season", "interval"
]
Warned = Literal["other kind", "kind unknown", "silicone on the roof"]
Task = Literal["look", "reseal"]

HALF_YEAR_D = (
    182  # twice a year where there is no spring and autumn, or nobody knows where it stands
)
ROOF_DAYS = ((4, 1), (10, 1))  # month, day: one of them is spring, in both hemispheres
TROPIC_DEG = 23.5
EARLY_D = 60  # a look so long before a round is that round's
DEFAULT_DAYS: dict[SealGroup, int] = {"walk": SEALS_DAYS, "roof": 0}
LADDER_M = 2.0  # what is higher is reached from a ladder
CONFIRMS: dict[Warned, str] = {
    "other kind": "old sealant taken off",
    "silicone on the roof": "no membrane here",
}  # what has to be confirmed before it is noted


@dataclass(frozen=True, slots=True)
class Due:
    """Something to do to a joint: look at it, or reseal it where a defect is open.

    Attributes
    ----------
    day : date
        From which day on, by the site's calendar.
    now : bool
        Whether that day has come.
    reason : Reason
        Why that day.
    since_s : int or None
        When what the reason names happened: the event, the alarm, the finding, else the last look.
    days : int
        Of the interval; 0 where it is spring and autumn.
    last_s : int or None
        When it was last looked at or resealed; None: never.
    finding : SealFinding
        The open defect.
    """

    joint: Joint
    task: Task
    day: date
    now: bool
    reason: Reason
    since_s: int | None
    days: int
    last_s: int | None
    finding: SealFinding = ""

    @property
    def group(self) -> SealGroup:
        """Which round it belongs to."""
        return group_of(self.joint)


def group_of(joint: Joint) -> SealGroup:
    """Roof or walk."""
    return "roof" if joint.on_roof else "walk"


def day_of(at_s: int, timezone: str) -> date:
    """Day of a time on a site's calendar."""
    return datetime.fromtimestamp(at_s, UTC).astimezone(time_zone(timezone)).date()


def due_of(book: SealBook, *, now_s: int) -> list[Due]:
    """As `due`, from the record's book of a unit."""
    return due(
        book.joints,
        book.entries,
        book.events,
        now_s=now_s,
        timezone=book.timezone,
        rules=book.rules,
        suspects=book.suspects,
    )


def due(
    joints: Iterable[Joint],
    entries: Sequence[SealEntry],
    events: Sequence[Event],
    *,
    now_s: int,
    timezone: str = "UTC",
    rules: Sequence[SealRule] = (),
    suspects: Sequence[tuple[str, int]] = (),
) -> list[Due]:
    """What is to be looked at or renewed, the most urgent first; retired joints ask for nothing.

    Parameters
    ----------
    joints : iterable of Joint
    entries : sequence of SealEntry
        Of these joints, in any order. [at_s: s]
    events : sequence of Event
        Hail, branches and wind at the unit. [at_s: s]
    now_s : int
        [s since 1970]
    timezone : str
        Of the site; its place tells whether there are seasons.
    rules : sequence of SealRule
        Changed intervals, oldest first.
    suspects : sequence of (zone, since)
        Zones with a leak suspect that stands.
    """
    today = day_of(now_s, timezone)
    found = []
    by_joint: dict[str, list[SealEntry]] = {}
    for entry in sorted(entries, key=lambda one: (one.at_s, one.number)):
        by_joint.setdefault(entry.joint, []).append(entry)
    for joint in joints:
        if joint.retired:
            continue
        own = by_joint.get(joint.code, [])
        near = [at_s for zone, at_s in suspects if is_near(joint, zone)]
        found.append(_look(joint, own, events, near, rules, today, timezone))
        defect = open_defect(own)
        if defect is not None:
            first, newest = defect
            last_s = _last(own)
            day = day_of(first.at_s, timezone)
            found.append(
                Due(joint, "reseal", day, True, "defect", first.at_s, 0, last_s, newest.finding)  # noqa: FBT003
            )
    return sorted(found, key=_urgency)


_HURT: dict[EventKind, Reason] = {"hail": "hail", "branch": "branch", "wind": "wind"}
_RANK: dict[Reason, int] = {"defect": 0, "leak suspect": 1, "hail": 2, "branch": 2, "wind": 2}


@dataclass(frozen=True, slots=True)
class Tally:
    """How the seals of a unit stand: looks, those of them that are due now, and joints with a defect."""

    looks: tuple[Due, ...]
    now: tuple[Due, ...]
    defects: int


def tally(dues: Iterable[Due]) -> Tally:
    """Count what is due of a unit."""
    told = tuple(dues)
    looks = tuple(one for one in told if one.task == "look")
    defects = {one.joint.code for one in told if one.task == "reseal"}
    return Tally(looks, tuple(one for one in looks if one.now), len(defects))


def _urgency(one: Due) -> tuple[bool, int, date, str, str]:
    return not one.now, _RANK.get(one.reason, 3), one.day, one.joint.code, one.task


def _last(own: Sequence[SealEntry]) -> int | None:
    """When a joint was last looked at or renewed; who could not look did not."""
    seen = [one.at_s for one in own if one.finding != "could not look"]
    return max(seen, default=None)


def _look(
    joint: Joint,
    own: Sequence[SealEntry],
    events: Sequence[Event],
    near: Sequence[int],
    rules: Sequence[SealRule],
    today: date,
    timezone: str,
) -> Due:
    days = days_of(joint, rules)
    last_s = _last(own)
    entered = day_of(joint.first_s, timezone)
    if last_s is None:
        return Due(
            joint, "look", entered, entered <= today, "never looked", joint.first_s, days, None
        )
    last = day_of(last_s, timezone)
    seasonal = days == 0 and has_seasons(timezone)
    day = _next_round(last) if seasonal else last + timedelta(days=days or HALF_YEAR_D)
    reason: Reason = "season" if seasonal else "interval"
    since_s = last_s
    pulls: list[tuple[int, Reason]] = [(at_s, "leak suspect") for at_s in near if at_s > last_s]
    pulls += [(e.at_s, _HURT[e.kind]) for e in events if e.at_s > last_s and e.kind in _HURT]
    if pulls:
        at_s, why = min(pulls)
        if day_of(at_s, timezone) < day:
            day, reason, since_s = day_of(at_s, timezone), why, at_s
    # what was seen before the joint was entered asks for nothing before that day
    day = max(day, entered)
    return Due(joint, "look", day, day <= today, reason, since_s, days or HALF_YEAR_D, last_s)


def _next_round(last: date) -> date:
    """The roof's next spring or autumn after a look."""
    least = last + timedelta(days=EARLY_D)
    rounds = [
        date(year, month, day) for year in (least.year, least.year + 1) for month, day in ROOF_DAYS
    ]
    return next(day for day in rounds if day >= least)


def has_seasons(timezone: str) -> bool:
    """Whether a site has a spring and an autumn, by its time zone's main place; unknown: no."""
    latitude = latitude_deg(timezone)
    return latitude is not None and abs(latitude) >= TROPIC_DEG


def days_of(joint: Joint, rules: Sequence[SealRule]) -> int:
    """Every how many days a joint is looked at; 0: in spring and autumn. Its own rule goes first."""
    group = group_of(joint)
    for of in (joint.code, ""):
        own = [rule for rule in rules if rule.joint == of and (of or rule.group == group)]
        if own and own[-1].days is not None:
            return own[-1].days
    return DEFAULT_DAYS[group]


def is_near(joint: Joint, zone: str) -> bool:
    """Whether water at a zone may have come by a joint: its own zone, or the same side and end."""
    if joint.zone == zone:
        return True
    place = Place.of(zone, "wall")
    own = Place.of(joint.zone, "wall") if joint.zone else None
    return (
        own is not None and bool(own.along) and (own.side, own.along) == (place.side, place.along)
    )


def open_defect(own: Sequence[SealEntry]) -> tuple[SealEntry, SealEntry] | None:
    """Entries that first and last showed the defect of a joint that is still open; None: none is.

    `own` are the joint's entries, oldest first. A reseal closes it, and so does a look that finds it
    sound; who could not look closes nothing.
    """
    found: tuple[SealEntry, SealEntry] | None = None
    for entry in own:
        if entry.act == "resealed" or entry.finding == "sound":
            found = None
        elif entry.finding not in NO_DEFECT:
            found = (found[0] if found else entry, entry)
    return found


def last_sealant(own: Sequence[SealEntry]) -> SealEntry | None:
    """The reseal that told which kind is on a joint; None: nobody noted it."""
    told = [one for one in own if one.act == "resealed" and one.sealant]
    return max(told, key=lambda one: (one.at_s, one.number), default=None)


def warnings(joint: Joint, own: Sequence[SealEntry], sealant: Sealant) -> tuple[Warned, ...]:
    """What to know before a kind of sealant is laid on a joint; common practice, no source."""
    before = last_sealant(own)
    found: list[Warned] = []
    if before is None:
        found.append("kind unknown")
    elif before.sealant != sealant:
        found.append("other kind")
    if sealant == "silicone" and joint.on_roof:
        found.append("silicone on the roof")
    return tuple(found)


def unconfirmed(
    joint: Joint, own: Sequence[SealEntry], sealant: Sealant, confirmed: Iterable[str]
) -> tuple[Warned, ...]:
    """Warnings that have to be confirmed first, and are not."""
    given = set(confirmed)
    return tuple(
        one
        for one in warnings(joint, own, sealant)
        if one in CONFIRMS and CONFIRMS[one] not in given
    )


# --- a first set of joints ------------------------------------------------------------------------

_Row = tuple[str, JointKind, str, Side, float]
_EDGES: tuple[_Row, ...] = (
    ("roof-edge-off", "roof edge", "roof edge along the off side", "off", 2.9),
    ("roof-edge-door", "roof edge", "roof edge along the door side", "door", 2.9),
)
_CAPS: tuple[_Row, ...] = (
    ("cap-front", "cap seam", "seam of the front cap, up to the roof", "front", 2.9),
    ("cap-rear", "cap seam", "seam of the rear cap, up to the roof", "rear", 2.9),
)
_CORNERS: tuple[_Row, ...] = (
    ("corner-off-front", "corner moulding", "moulding and its insert, off front corner", "off", 2.6),
    ("corner-door-front", "corner moulding", "moulding and its insert, door front corner", "door", 2.6),
    ("corner-off-rear", "corner moulding", "moulding and its insert, off rear corner", "off", 2.6),
    ("corner-door-rear", "corner moulding", "moulding and its insert, door rear corner", "door", 2.6),
)  # fmt: skip
_OPENINGS: tuple[_Row, ...] = (
    ("roof-vents", "roof opening", "vents and skylight", "", 3.2),
    ("roof-cooler", "roof opening", "foot and gasket of the air conditioner", "", 3.2),
    ("roof-pipes", "roof opening", "pipes, refrigerator vent, antenna and cables", "", 3.2),
)
_WALLS: tuple[_Row, ...] = (
    ("windows-off", "window", "windows of the off side, weep holes too", "off", 2.0),
    ("windows-door", "window", "windows of the door side, weep holes too", "door", 2.0),
    ("lamps-front", "marker lamp", "marker lamps at the front", "front", 2.7),
    ("lamps-rear", "marker lamp", "marker lamps at the rear", "rear", 2.7),
    ("awning-rail", "awning rail", "awning rail and its screws", "door", 2.7),
    ("ladder-rear", "ladder or rack", "feet and screws of ladder and rack", "rear", 2.7),
    ("entry-door", "entry door", "frame and sill of the entry door", "door", 2.0),
    ("bays-off", "baggage door", "baggage doors of the off side", "off", 0.8),
    ("bays-door", "baggage door", "baggage doors of the door side", "door", 0.8),
    ("inlets-off", "wall penetration", "inlets and vents in the off wall", "off", 1.2),
)
_BUNK: _Row = ("bunk-front", "window", "front window and corners of the bed over the cab", "front", 2.6)  # fmt: skip
_NO_CORNERS = frozenset({"van"})  # a pressed body has neither mouldings nor caps


def suggested(
    body_type: str, slides: int | None, zones: Sequence[Zone] = (), *, who: str, now_s: int
) -> tuple[Joint, ...]:
    """A first set of joints for a unit that has none, by body and slides, to be changed by who knows it.

    Parameters
    ----------
    body_type : str
        Of the unit; what is no known body gets the set of a trailer.
    slides : int or None
        How many slide-outs; None counts as none.
    zones : sequence of Zone
        Of the unit: each joint gets the zone that would see it.
    who, now_s :
        Who enters them, and when. [s]
    """
    shape = body(body_type)
    rows: tuple[_Row, ...] = (*_EDGES, *_CAPS, *_CORNERS, *_OPENINGS, *_WALLS)
    if shape.name in _NO_CORNERS:
        rows = tuple(row for row in rows if row[1] not in {"cap seam", "corner moulding"})
    if shape.bunk:
        rows = (*rows, _BUNK)
    for number in range(1, (slides or 0) + 1):
        rows = (
            *rows,
            (f"slide{number}-roof", "slide roof", f"roof and end seams of slide {number}", "", 2.8),
            (f"slide{number}-flange", "slide flange", f"flange trim of slide {number}", "", 2.6),
            (f"slide{number}-wiper", "slide wiper", f"wipers and bulb seals of slide {number}", "", 2.6),
        )  # fmt: skip
    return tuple(
        Joint(
            code,
            of,
            place,
            side,
            zone=_zone(code, of, side, zones),
            on_roof=of in {"roof edge", "cap seam", "roof opening", "slide roof"},
            height_m=height_m,
            at_s=now_s,
            first_s=now_s,
            who=who,
            why="suggested by body and slides",
        )
        for code, of, place, side, height_m in rows
    )


def _zone(code: str, kind: JointKind, side: Side, zones: Sequence[Zone]) -> str:
    """The zone of a unit that would see a joint leak first; "" where none is near."""
    words = set(code.split("-"))

    def worth(zone: Zone) -> int:
        place = Place.of(zone.code, zone.kind)
        if kind == "roof opening":
            return 4 * (zone.kind == "roof")
        slide = next((word for word in words if word.startswith("slide")), "")
        if slide:
            return 4 * (slide in place.words) + (zone.kind == "slide-floor")
        if zone.kind != "wall" or not side:
            return 0
        ends = words & {"front", "rear"}
        at_end = bool(ends) and place.along in ends
        at_side = place.side == side
        return (at_side and (at_end or not ends)) * 4 + (at_end and side in {"front", "rear"}) * 4

    best = max(zones, key=worth, default=None)
    return best.code if best is not None and worth(best) >= 4 else ""
