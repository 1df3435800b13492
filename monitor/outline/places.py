"""Where a zone is drawn, as far as its code tells; what it does not tell stays open.

A code follows side-position-height. Its first word of a side says which wall; `mid` is the position
where no other word says it, else the height.
"""

import re
from dataclasses import dataclass
from typing import Literal

from monitor.evidence.entries import BUNK_WORDS, Place
from monitor.lot import ZoneKind
from monitor.outline.bodies import Body

View = str  # plan, door, off, front, rear, slide1, slide2, ...; "": not drawn
Level = Literal["", "low", "mid", "high"]

FLAT_KINDS = frozenset({"roof", "floor", "underbelly", "cabin", "bed"})  # seen from above
_MIDDLE = frozenset({"mid", "middle", "centre", "center"})


@dataclass(frozen=True, slots=True)
class Told:
    """A zone's place; "" is what its code does not say.

    `along` is front, mid or rear; `across` off, mid or door, in a slide outer, mid or inner.
    """

    view: View
    along: str = ""
    across: str = ""
    level: Level = ""
    on_bunk: bool = False
    why: str = ""  # it is not drawn: a key of `monitor.text.NOT_DRAWN`

    @property
    def point(self) -> bool:
        """Whether the code tells both directions of its view."""
        if self.view in {"door", "off"}:
            return bool(self.along and self.level)
        if self.view in {"front", "rear"}:
            return bool(self.across and self.level)
        return bool(self.along and self.across)


def told(code: str, kind: ZoneKind, *, body: Body, slides: int | None) -> Told:
    """Read where a zone is drawn.

    Parameters
    ----------
    code : str
        Of the zone.
    kind : ZoneKind
    body : Body
        Only some have a bed over the cab.
    slides : int or None
        How many slide-outs the unit has; None is not declared.
    """
    place = Place.of(code, kind)
    if kind == "outside":
        return Told("", why="outside")
    if kind.startswith("slide"):
        return _in_slide(place, slides)
    if place.words & BUNK_WORDS and kind in {"bed", "wall"}:
        return _on_bunk(place, body)
    if kind in FLAT_KINDS:
        along, across, _ = _read(place)
        return Told("plan", along, across)
    if not (side := _first_side(place)):
        return Told("", why="side")
    along, across, level = _read(place, end=side in {"front", "rear"})
    if kind == "bay":  # bays lie below the floor
        level = "low"
    found = Told(side, along, across, level)
    position = across if side in {"front", "rear"} else along
    return found if position or level else Told("", along, across, why="position")


def _in_slide(place: Place, slides: int | None) -> Told:
    numbers = [found[1] for word in place.words if (found := re.fullmatch(r"slide([1-9])", word))]
    if not numbers and slides == 1:
        numbers = ["1"]
    if len(numbers) != 1:
        return Told("", why="slide")
    along = place.along or ("mid" if place.words & _MIDDLE else "")
    across = next((word for word in ("outer", "inner") if word in place.words), "")
    if not across and place.kind == "slide-floor" and place.along:
        across = (
            "outer"  # where codes such as slide1-floor-front have their probe: its outer corners
        )
    return Told(f"slide{numbers[0]}", along, across)


def _on_bunk(place: Place, body: Body) -> Told:
    if not body.bunk:
        return Told("", why="bunk")
    if place.side not in {"off", "door"}:
        return Told("", why="side")
    along = place.along or ("mid" if place.words & _MIDDLE else "")
    return Told(place.side, along, place.side, "low", on_bunk=True)


def _first_side(place: Place) -> str:
    parts = place.code.replace("_", "-").split("-")
    return next((part for part in parts if part in {"off", "door", "front", "rear"}), "")


def _read(place: Place, *, end: bool = False) -> tuple[str, str, Level]:
    """Along, across and level; `end`: on an end wall, where positions are across."""
    middles = sum(part in _MIDDLE for part in place.code.replace("_", "-").split("-"))
    along, level = str(place.along), place.level
    across = str(place.side) if place.side in {"off", "door"} else ""
    if end and not across and middles:
        across, middles = "mid", middles - 1
    if not end and not along and middles:
        along, middles = "mid", middles - 1
    if middles and not level and place.kind not in FLAT_KINDS:
        return along, across, "mid"
    if middles and not across and place.kind in FLAT_KINDS:
        across = "mid"
    return along, across, level
