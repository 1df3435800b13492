"""Where water may have come in, what no probe of a unit could see, where the next one helps most.

Water runs on top of the ceiling panel or along a beam to the roof edge and drops down inside the
wall: it shows low and came in high and up-slope. From the place that is wet, the usual entries are
put in an order: those nearby, then those that drain there by the unit's lean and by the side that
wind-driven rain meets. The order is common practice, no source: nobody has published counts of
where RVs leak (`BASIS` says so wherever the list is shown).

How many leaks were found, by what they add at the probe, was counted in simulated years
(`couplings.json`, made by tests/fit/coupling.py); no real units have been counted.

Places are read from the codes of zones, `side-position-height[-part]`; a code that follows other
rules is judged by its kind alone. What may be dangerous about looking is said with the text that
shows the list: see `monitor.text`.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import isnan
from typing import Literal, NamedTuple

import msgspec

from monitor.lot import Cause, Side, ZoneKind
from monitor.physics.arguments import one_of, within

Corner = Literal["", "off-front", "off-rear", "door-front", "door-rear"]

CORNERS: tuple[Corner, ...] = ("", "off-front", "off-rear", "door-front", "door-rear")
SIDES: tuple[Side, ...] = ("", "off", "door", "front", "rear")
BUNKED = frozenset({"class C", "truck camper"})  # bodies with a bed over the cab
BUNK_WORDS = frozenset({"bunk", "overcab", "cab"})
BASIS = "Order from common practice, no source: nobody has published counts of where RVs leak."

_OPPOSITE = {"off": "door", "door": "off", "front": "rear", "rear": "front"}


class Entry(NamedTuple):
    """One place where water comes in, and why it is worth a look from the zone that showed it."""

    name: str
    where: str
    reason: str


class BlindSpot(NamedTuple):
    """A usual path of water that no probe covers; one at `place`, called `zone`, would."""

    path: str
    zone: str
    kind: ZoneKind
    place: str
    reason: str


class Coupling(msgspec.Struct, frozen=True):
    """Simulated leaks that added so much to the humidity at the probe, and those found of them."""

    least_points: float
    most_points: float | None  # None: no limit
    leaks: int
    found: int

    @property
    def found_percent(self) -> float:
        """Share that was found; nan where there was no such leak."""
        return 100.0 * self.found / self.leaks if self.leaks else float("nan")


class Count(msgspec.Struct, frozen=True):
    """The data file: what was counted, on which worlds, with which weights."""

    made_by: str
    first_seed: int
    batches: int
    weights: str  # version of the table that gave the scores
    false_a_year: float  # episodes a healthy zone-year on the same worlds
    classes: tuple[Coupling, ...]


@cache
def couplings() -> Count:
    """The count of this release."""
    data = files("monitor.evidence").joinpath("couplings.json").read_bytes()
    return msgspec.json.decode(data, type=Count)


def coupling(points: float) -> Coupling:
    """How many of the leaks were found that add at most so much at the probe.

    Parameters
    ----------
    points : float
        The most that a leak adds to the humidity at the probe, in a daily mean. [% RH, 0 or more]

    Returns
    -------
    Coupling
        Its class; a border belongs to the class above it.

    Raises
    ------
    ValueError
        If `points` is negative or nan.
    """
    value = float(within("points", points, 0.0))
    if isnan(value):
        raise ValueError("points must be known, got nan")
    return [row for row in couplings().classes if row.least_points <= value][-1]


# --- places -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Place:
    """Where a zone is, as far as its code tells."""

    code: str
    kind: ZoneKind
    words: frozenset[str]
    side: Side = ""  # off or door; front or rear for a zone on an end wall
    along: Side = ""  # front or rear
    level: Literal["", "low", "high"] = ""

    @classmethod
    def of(cls, code: str, kind: ZoneKind) -> "Place":
        """Read a code such as `off-rear-low`."""
        words = frozenset(code.replace("_", "-").split("-"))
        along = _only(words, ("front", "rear"))
        side = _only(words, ("off", "door")) or along
        high = bool(words & {"high", "cap", "top"})
        level: Literal["", "low", "high"] = "low" if "low" in words else "high" if high else ""
        return cls(code, kind, words, side, along, level)

    def at(self, corner: Corner) -> bool:
        """Whether it lies at this corner."""
        return bool(corner) and f"{self.side}-{self.along}" == corner


def _only(words: Collection[str], names: Sequence[Side]) -> Side:
    found: list[Side] = [name for name in names if name in words]
    return found[0] if len(found) == 1 else ""


def _opposite(corner: Corner) -> str:
    side, along = corner.split("-")
    return f"{_OPPOSITE[side]}-{_OPPOSITE[along]}"


def _spoken(side: Side) -> str:
    return {"": "that side", "off": "off side", "door": "door side"}.get(side, f"{side} wall")


# --- entries ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Way:
    """An entry of water as it shows in one kind of place."""

    name: str
    where: str
    reason: str
    near: bool = False  # it does not run along roof or beam first

    @property
    def driven(self) -> bool:
        """Whether rain that wind drives onto its side feeds it."""
        return self.name in {_EDGE, _WINDOW, _TRIM, _DOOR, _SLIDE}

    @property
    def from_afar(self) -> bool:
        """Whether its water runs along roof or beam, so that the lean decides where it ends."""
        return self.name in {_EDGE, _ROOF, _RUN_OFF} and not self.near


_EDGE = "roof edge, cap seams and corner mouldings"
_ROOF = "roof openings: vents, air conditioner, stacks, skylight"
_WINDOW = "windows"
_SLIDE = "slide-out: roof, flange trim, wiper corners"
_TRIM = "marker lights, awning rail, ladder and rack screws"
_DOOR = "entry and baggage doors, their sills"
_BUNK = "over-cab bunk, front corners"
_PIPES = "fresh and waste water, water heater, toilet flange, pipes split by frost"
_RUN_OFF = "condensate of the air conditioner, ice dam, clogged gutter"
_SPRAY = "wheel-arch spray, torn underbelly"
WORD_OF = {
    _EDGE: "edge",
    _ROOF: "roof",
    _WINDOW: "window",
    _SLIDE: "slide",
    _TRIM: "trim",
    _DOOR: "door",
    _BUNK: "bunk",
    _PIPES: "pipes",
    _RUN_OFF: "run-off",
    _SPRAY: "spray",
}  # of an entry's name, for who draws it

_TO_EDGE = (
    "water runs on top of the ceiling panel to the roof edge and drops down inside the wall: it "
    "shows low, look high and up-slope"
)

_LOW_WALL = (
    _Way(_EDGE, "straight above, then along the roof edge up-slope", _TO_EDGE),
    _Way(
        _WINDOW,
        "lower corners and weep holes of the window above",
        "a window that leaks or cannot drain wets the wall below its lower corners",
    ),
    _Way(_ROOF, "roof openings up-slope, from the ceiling inside", _TO_EDGE),
    _Way(
        _TRIM,
        "lamps, rail and screws above",
        "water follows a screw or a lamp's wire into the wall and runs down behind the skin",
    ),
    _Way(
        _DOOR,
        "baggage door and inlets beside it",
        "an open sill edge wets the foot of the wall beside it",
    ),
    _Way(
        _SPRAY,
        "wheel arch and the wall's lower edge",
        "spray reaches the low wall from below on wet roads",
    ),
    _Way(
        _PIPES,
        "pipes, tank and heater along that wall",
        "water on the floor is drawn up into the foot of the wall",
    ),
    _Way(
        _RUN_OFF,
        "gutter and spout above",
        "a gutter that is full runs over into the seam",
    ),
)
_HIGH_WALL = (
    _Way(
        _EDGE,
        "seam and moulding right above",
        "the seam where roof and wall meet is the first to open; high on the wall the hole is near",
        near=True,
    ),
    _Way(
        _TRIM,
        "lamps, rail and screws at that height",
        "each hole at the top rail lets water in behind the skin",
    ),
    _Way(
        _ROOF,
        "nearest roof openings up-slope, from the ceiling inside",
        "water runs on top of the ceiling panel before it drops into the wall",
    ),
    _Way(
        _RUN_OFF,
        "gutter and spout above",
        "a gutter that is full, or ice behind the edge, stands against the seam",
    ),
    _Way(
        _WINDOW,
        "upper frame of the window beside it",
        "only if the probe hangs below a window's upper edge",
    ),
)
_ROOF_WAYS = (
    _Way(
        _ROOF,
        "the opening beside the probe, then the next ones up-slope, from the ceiling inside",
        "sealant gives way at openings, not in the open membrane",
        near=True,
    ),
    _Way(
        _EDGE,
        "the roof edge up-slope",
        "water that enters at the edge crosses the ceiling panel towards the low side",
    ),
    _Way(
        _RUN_OFF,
        "drain of the air conditioner",
        "a blocked drain overflows into the opening below it",
        near=True,
    ),
    _Way(
        _TRIM,
        "feet of racks, antenna and solar panels",
        "each screw through the membrane is a hole under sealant",
    ),
)
_FLOOR_WAYS = (
    _Way(
        _PIPES,
        "joints, toilet flange, heater and the lowest pipe",
        "water from pipes gathers at the floor's low point",
    ),
    _Way(_DOOR, "sill of the nearest door", "an open sill wets the floor just inside"),
    _Way(_EDGE, "the wall beside it, from the top down", _TO_EDGE),
    _Way(_SLIDE, "the slide's lower seals", "water that a slide carries in drips off its edge"),
    _Way(_SPRAY, "underside and wheel arch", "a tear below lets spray onto the floor's edge"),
)
_SLIDE_FLOOR_WAYS = (
    _Way(
        _SLIDE,
        "flange trim and wiper at that corner, then the slide's roof",
        "water enters at the trim straight into the floor's cut edge, or is drawn back under the box",
    ),
    _Way(
        _WINDOW,
        "window in the slide's outer wall",
        "below a window the water ends in the floor's edge",
    ),
    _Way(
        _EDGE,
        "roof edge above the opening of the slide",
        "run-off from the roof falls onto the slide",
    ),
    _Way(_SPRAY, "film under the box", "a torn film holds water against the wood"),
    _Way(
        _PIPES,
        "pipes in the slide, where it has any",
        "hoses that move with the slide chafe",
    ),
)
_SLIDE_ROOF_WAYS = (
    _Way(
        _SLIDE,
        "membrane, wiper and end seams of the slide's own roof",
        "leaves and standing water are dragged under the wiper",
    ),
    _Way(_RUN_OFF, "gutter and spout above", "the main roof drains onto the slide"),
    _Way(
        _EDGE,
        "roof edge above",
        "water behind the edge moulding comes out over the slide",
    ),
)
_BAY_WAYS = (
    _Way(_DOOR, "seal, hinge and sill of its door", "a bay is wet first along its door"),
    _Way(
        _PIPES,
        "pump, tank, drains and city-water inlet",
        "most of a unit's joints are in its bays",
    ),
    _Way(_SPRAY, "floor of the bay and wheel arch", "spray comes up through holes for hoses"),
    _Way(_EDGE, "the wall above, from the top down", _TO_EDGE),
)
_UNDERBELLY_WAYS = (
    _Way(
        _PIPES,
        "tanks, valves and pipes above the sheet",
        "the sheet holds what drips like a tray",
    ),
    _Way(_SPRAY, "tears and edges of the sheet", "spray gets in and does not get out"),
    _Way(_SLIDE, "underside of the slides", "water held by a slide's film drips into the sheet"),
    _Way(_DOOR, "sills above", "water through a sill ends below the floor"),
)
_BUNK_WAYS = (
    _Way(
        _BUNK,
        "front corners and front window, under the mattress",
        "seams at the nose meet wind on the road, and the mattress hides the water",
    ),
    _Way(_TRIM, "marker lights above", "lamps at the brow leak into the bunk"),
    _Way(_EDGE, "roof edge and cap seam above", _TO_EDGE),
    _Way(_WINDOW, "side windows", "below a window the water ends at the bed board"),
)
_BED_WAYS = (
    _Way(_WINDOW, "window above the bed", "below a window the water ends at the bed board"),
    _Way(_EDGE, "the wall beside it, from the top down", _TO_EDGE),
    _Way(_PIPES, "tank or pipes below the bed", "tanks are often below beds"),
)

_WAYS: dict[ZoneKind, tuple[_Way, ...]] = {
    "roof": _ROOF_WAYS,
    "floor": _FLOOR_WAYS,
    "slide-floor": _SLIDE_FLOOR_WAYS,
    "slide-roof": _SLIDE_ROOF_WAYS,
    "bay": _BAY_WAYS,
    "underbelly": _UNDERBELLY_WAYS,
    "cabin": (),  # a room's air does not tell a leak
    "outside": (),
}

# places that a way goes up or down in the order
_FACES_WEATHER, _LOW_CORNER, _HIGH_CORNER, _KNOWN_CAUSE = 1.5, 2.5, -2.5, 100.0


def where_to_look(
    code: str,
    *,
    kind: ZoneKind,
    body_type: str = "",
    lean: Corner = "",
    weather_side: Side = "",
    cause: Cause = "",
) -> tuple[Entry, ...]:
    """Entries to look at from the zone that showed water, the likeliest first.

    Parameters
    ----------
    code : str
        Of the zone, `side-position-height[-part]`.
    kind : ZoneKind
        Of the zone.
    body_type : str
        Of the unit; `class C` and `truck camper` have a bed over the cab.
    lean : Corner
        The lowest corner as the unit stands; "" is unknown or level.
    weather_side : Side
        The side that driven rain mostly meets; "" is unknown.
    cause : Cause
        What the evidence says: after `plumbing` pipes come first, after `rain ingress` last.

    Returns
    -------
    tuple of Entry
        Empty for air in a room and outside: that does not tell where a leak is. After
        `condensation` empty as well: there is no entry to look for.

    Raises
    ------
    ValueError
        If `lean` or `weather_side` is none of the words.
    """
    one_of("lean", lean, CORNERS)
    one_of("weather_side", weather_side, SIDES)
    if cause == "condensation":
        return ()
    place = Place.of(code, kind)
    ways = _ways(place, body_type)

    def order(at: int) -> float:
        return at - _forward(ways[at], place, lean=lean, weather_side=weather_side, cause=cause)

    ranked = sorted(range(len(ways)), key=lambda at: (order(at), at))
    return tuple(_entry(ways[at], place, lean, weather_side) for at in ranked)


def _ways(place: Place, body_type: str) -> tuple[_Way, ...]:
    if place.words & BUNK_WORDS or (place.kind == "bed" and body_type == "truck camper"):
        return _BUNK_WAYS
    if place.kind == "bed":
        return _BED_WAYS
    if place.kind == "wall":
        return _HIGH_WALL if place.level == "high" else _LOW_WALL
    return _WAYS[place.kind]


def _forward(way: _Way, place: Place, *, lean: Corner, weather_side: Side, cause: Cause) -> float:
    """How many places further to the front of the order."""
    places = 0.0
    if way.driven and weather_side in _OPPOSITE:
        faces = weather_side in {place.side, place.along}
        away = _OPPOSITE[weather_side] == place.side
        places += _FACES_WEATHER * (faces - away)
    if way.from_afar and lean:
        places += _LOW_CORNER * place.at(lean)
        places += _HIGH_CORNER * (f"{place.side}-{place.along}" == _opposite(lean))
    if cause == "plumbing" and way.name == _PIPES:
        places += _KNOWN_CAUSE
    if cause == "rain ingress" and way.name == _PIPES:
        places -= _KNOWN_CAUSE
    return places


def _entry(way: _Way, place: Place, lean: Corner, weather_side: Side) -> Entry:
    """The way in words, with what the unit's lean and the weather side add."""
    reason = way.reason
    if way.from_afar and lean:
        here = f"{place.side}-{place.along}"
        reason += {
            lean: f"; this is the low corner, up-slope is towards {_opposite(lean)}",
            _opposite(lean): "; this is the high corner, little gets here from afar",
        }.get(here, f"; the unit leans towards {lean}, so water comes from the other way")
    if way.driven and weather_side and weather_side in {place.side, place.along}:
        reason += f"; driven rain meets the {_spoken(weather_side)}"
    return Entry(way.name, way.where, reason)


# --- what is not seen ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Path:
    """A usual path of water, and the zones that would see it."""

    path: str
    zone: str
    kind: ZoneKind
    place: str
    reason: str
    kinds: frozenset[str]  # of zones that see it
    side: Side = ""
    along: Side = ""
    words: frozenset[str] = frozenset()  # one of them is in the code, if there are any
    from_high: bool = True  # a probe high on the wall sees it too

    def seen_by(self, place: Place) -> bool:
        """Whether a probe there covers the path."""
        return (
            place.kind in self.kinds
            and self.side in {"", place.side}
            and self.along in {"", place.along}
            and (not self.words or bool(self.words & place.words))
            and (self.from_high or place.level != "high")
        )


def _corner(side: Side, along: Side) -> _Path:
    return _Path(
        f"roof edge and corner moulding down to the {side} {along} corner",
        f"{side}-{along}-low",
        "wall",
        f"low in the {along} corner of the {side} side, inside a cabinet, against the outer wall",
        "the seams of roof edge and cap leak first, and their water ends low in the corner",
        frozenset({"wall"}),
        side,
        along,
    )


_REAR = (_corner("off", "rear"), _corner("door", "rear"))
_FRONT = (_corner("off", "front"), _corner("door", "front"))
_BUNK_PATH = _Path(
    "front corners of the over-cab bunk",
    "cab-bunk-off",
    "bed",
    "under the bunk's mattress, in its front corner on the off side",
    "seams at the nose leak under the mattress, where nobody looks",
    frozenset({"bed", "wall"}),
    words=BUNK_WORDS,
)
_REST = (
    _Path(
        "roof openings",
        "roof-vent1-ring",
        "roof",
        "at the ceiling ring beside a vent, from inside",
        "sealant round openings is the next to give way; a probe at the ceiling ring sees it "
        "before it runs to a wall",
        frozenset({"roof"}),
    ),
    _Path(
        "windows",
        "off-mid-low",
        "wall",
        "below a lower corner of the largest window, against the outer wall",
        "a window wets the wall below its lower corners, which no corner probe sees",
        frozenset({"wall"}),
        words=frozenset({"mid", "window"}),
        from_high=False,
    ),
    _Path(
        "doors and their sills",
        "floor-door",
        "floor",
        "on the floor just inside the door, against its sill",
        "a sill wets the floor just inside the door",
        frozenset({"floor", "bay"}),
        words=frozenset({"door", "entry", "sill", "bay"}),
    ),
    _Path(
        "pipes, tanks and drains",
        "floor-bath",
        "floor",
        "at the lowest point of the bathroom floor",
        "water from pipes gathers at the floor's low point, with or without rain",
        frozenset({"floor", "underbelly", "bay"}),
    ),
    _Path(
        "wheel-arch spray and the underbelly",
        "belly-mid",
        "underbelly",
        "on the sheet below the floor, through an opening that is there",
        "the sheet below holds water like a tray",
        frozenset({"underbelly"}),
    ),
)


def blind_spots(
    watched: Sequence[tuple[str, ZoneKind]],
    *,
    body_type: str = "",
    lean: Corner = "",
    weather_side: Side = "",
    slides: int = 0,
) -> tuple[BlindSpot, ...]:
    """Usual paths of water that no probe of a unit covers, the one to cover next first.

    Parameters
    ----------
    watched : sequence of (code, kind)
        Zones with a probe that is heard and trusted. Room and outside air cover no path.
    body_type : str
        Of the unit.
    lean : Corner
        The lowest corner as the unit stands; its corner comes first.
    weather_side : Side
        The side that driven rain mostly meets; its front corner comes before the other.
    slides : int
        How many slide-outs the unit has; those whose zones are watched are known anyway.

    Returns
    -------
    tuple of BlindSpot
        A covered path is watched at one place: a leak elsewhere on it may still be missed
        (`coupling`).

    Raises
    ------
    ValueError
        If `lean` or `weather_side` is none of the words, or `slides` is negative.
    """
    one_of("lean", lean, CORNERS)
    one_of("weather_side", weather_side, SIDES)
    within("slides", slides, 0)
    places = [Place.of(code, kind) for code, kind in watched]
    paths = _paths(body_type, lean=lean, weather_side=weather_side, slides=slides)
    return tuple(
        BlindSpot(path.path, path.zone, path.kind, path.place, path.reason)
        for path in paths
        if not any(path.seen_by(place) for place in places)
    )


def next_probe(
    watched: Sequence[tuple[str, ZoneKind]],
    *,
    body_type: str = "",
    lean: Corner = "",
    weather_side: Side = "",
    slides: int = 0,
) -> BlindSpot | None:
    """Give the first of `blind_spots`: where the next probe would help most; None if all are covered."""
    spots = blind_spots(
        watched, body_type=body_type, lean=lean, weather_side=weather_side, slides=slides
    )
    return spots[0] if spots else None


def _paths(body_type: str, *, lean: Corner, weather_side: Side, slides: int) -> tuple[_Path, ...]:
    """Low corner, the rear corners, a front one on the weather side, slides, the rest."""
    corners = sorted(
        (*_REAR, *_FRONT),
        key=lambda path: (
            f"{path.side}-{path.along}" != lean,
            path.along != "rear",
            weather_side not in {path.side, path.along},
        ),
    )
    boxes = tuple(_slide(number) for number in range(1, slides + 1))
    bunk = (_BUNK_PATH,) if body_type in BUNKED else ()
    return (*corners[:3], *bunk, *boxes, _REST[0], corners[3], *_REST[1:])


SLIDE_PATH = "roof, trim and wiper of slide {number}"
SLIDE_PLACE = "on the floor of slide {number}, at its outer edge, in the corner towards the front"


def _slide(number: int) -> _Path:
    return _Path(
        SLIDE_PATH.format(number=number),
        f"slide{number}-floor-front",
        "slide-floor",
        SLIDE_PLACE.format(number=number),
        "the slide's seals drain into the cut edge of its floor",
        frozenset({"slide-floor"}),
        words=frozenset({f"slide{number}"}),
    )
