"""Where probes go, drawn from the program: its outlines, and its own order of the next probe."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from dashboards import words
from monitor.evidence.entries import next_probe
from monitor.lot import Side, ZoneKind
from monitor.outline import Outline, Shown, View, ground, outline
from monitor.outline.frames import WIDTH
from monitor.outline.sheet import LABEL, RADIUS, TEXT, Mark

LEAN, WEATHER = "off-rear", "off"  # of every unit drawn here: where it leans, where rain meets it
Zone = tuple[str, ZoneKind]

# beside what the program names next: what the same number of probes is used for in the trade
_MORE: tuple[Zone, ...] = (
    ("bed-under-off", "bed"),
    ("floor-bath", "floor"),
    ("front-cap-high-off", "wall"),
    ("front-cap-high-door", "wall"),
)
_PLACES = {
    "air-main": "in the living space at the height of a bed, away from vents, heaters and sun",
    "outside": "in a shaded place with air round it, under the nose or beside the unit; one does for a row",
    "off-rear-low": "low in the rear corner of the off side, inside a cabinet, against the outer wall",
    "bed-under-off": "under the mattress, on the off side",
    "floor-bath": "at the lowest point of the bathroom floor",
    "front-cap-high-off": "high in the front corner of the off side, inside a cabinet, below the cap seam",
    "front-cap-high-door": "the same on the door side",
    "door-rear-low": "low in the rear corner of the door side, inside a cabinet, against the outer wall",
    "off-front-low": "low in the front corner of the off side, inside a cabinet, against the outer wall",
    "door-front-low": "low in the front corner of the door side, inside a cabinet, against the outer wall",
    "off-mid-low": "where the water was found, at its lowest wet place",
    "off-mid-mid": "above it, at half the height",
    "off-mid-high": "high above it, below the roof edge",
    "door-mid-low": "the dry twin: the same height and the same kind of wall on the side that is not wet",
}


@dataclass(frozen=True, slots=True)
class Kit:
    """A number of probes with a purpose; `grows`: the rest as the program names the next ones."""

    purpose: str
    zones: tuple[Zone, ...]
    grows: int = 0


_FIRST: tuple[Zone, ...] = (("air-main", "cabin"), ("outside", "outside"), (LEAN + "-low", "wall"))
KITS = {
    "store-3": Kit(
        "One unit, stored. Tells damp weather from a wet corner; it sees one corner of four.",
        _FIRST,
    ),
    "store-6": Kit(
        "One unit, stored, with the paths that leak most.",
        _FIRST,
        grows=6,
    ),
    "full-12": Kit(
        "A unit that is lived in, or one that leaked before.",
        _FIRST,
        grows=12,
    ),
    "intake-4": Kit(
        "A trade-in: four low corners for 72 hours or more and one hose test, then on to the next unit.",
        (
            ("off-rear-low", "wall"),
            ("door-rear-low", "wall"),
            ("off-front-low", "wall"),
            ("door-front-low", "wall"),
        ),
    ),
    "repair": Kit(
        "At the repaired place, above it, and at a dry twin; the air outside beside them. Here the repair "
        "is in the middle of the off side.",
        (
            ("off-mid-low", "wall"),
            ("off-mid-mid", "wall"),
            ("off-mid-high", "wall"),
            ("door-mid-low", "wall"),
            ("outside", "outside"),
        ),
    ),
}


def zones_of(kit: Kit, *, body_type: str, slides: int, weather: Side = WEATHER) -> list[Zone]:
    """Zones of a kit in a body, in the order in which probes are placed."""
    return [(code, kind) for code, kind, _ in _placed(kit, body_type, slides, weather)]


def _placed(
    kit: Kit, body_type: str, slides: int, weather: Side
) -> list[tuple[str, ZoneKind, str]]:
    """Zones with the place in words."""
    found = [(code, kind, _PLACES[code]) for code, kind in kit.zones]
    while len(found) < kit.grows:
        spot = next_probe(
            [(code, kind) for code, kind, _ in found],
            body_type=body_type,
            lean=LEAN,
            weather_side=weather,
            slides=slides,
        )
        if spot is None:
            break
        found.append((spot.zone, spot.kind, spot.place))
    known = {code for code, _, _ in found}
    more = [(code, kind, _PLACES[code]) for code, kind in _MORE if code not in known]
    return found + more[: max(kit.grows - len(found), 0)]


def kit(name: str, body_type: str, slides: int) -> str:
    """A kit in a body as HTML: its views with numbered probes, and the list of them."""
    placed = _placed(KITS[name], body_type, slides, WEATHER)
    number = {code: place for place, (code, _, _) in enumerate(placed, start=1)}
    drawn = outline(
        body_type, [Shown(code, kind, "unknown") for code, kind, _ in placed], slides=slides
    )
    sheets = "".join(_sheet(view, number) for view in drawn.views if view.marks)
    rows = "".join(
        f'<li value="{number[code]}"><b>{escape(code)}</b> <span class="kind">{escape(kind)}</span> '
        f"{escape(place)}{_undrawn(drawn, code)}</li>"
        for code, kind, place in placed
    )
    return (
        f'<div class="kit"><div class="sheets">{sheets}</div><ol class="probes">{rows}</ol></div>'
    )


def _undrawn(drawn: Outline, code: str) -> str:
    return " (not drawn)" if code in {zone.code for zone, _ in drawn.listed} else ""


def _sheet(view: View, number: dict[str, int]) -> str:
    name = words.view(view.name)
    said = ", ".join(f"{number[mark.zone.code]} {mark.zone.code}" for mark in view.marks)
    box = f"0 {view.top:.1f} {WIDTH:.0f} {view.bottom - view.top:.1f}"
    marks = "".join(_mark(mark, number[mark.zone.code]) for mark in view.marks)
    return (
        f'<figure><svg class="outline-view" viewBox="{box}" role="img" '
        f'aria-label="{escape(f"{name}: {said}")}">{ground(view)}{marks}</svg>'
        f"<figcaption>{escape(name)}</figcaption></figure>"
    )


def _mark(mark: Mark, number: int) -> str:
    """A probe: its number where it sits, its code at the end of a line."""
    (u, v), (left, top, right, _) = mark.at, mark.box
    _, end = mark.line
    return (
        f'<path class="leader" d="M{u:.1f} {v:.1f}L{end[0]:.1f} {end[1]:.1f}"/>'
        f'<circle class="probe" cx="{u:.1f}" cy="{v:.1f}" r="{RADIUS:.1f}"/>'
        f'<text class="number" x="{u:.1f}" y="{v + TEXT * 0.35:.1f}" font-size="{TEXT}" '
        f'text-anchor="middle">{number}</text>'
        f'<rect class="label" x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{LABEL}"/>'
        f'<text x="{left + 5:.1f}" y="{top + 13:.1f}" font-size="{TEXT}">{escape(mark.label)}</text>'
        f'<text class="kind" x="{left + 5:.1f}" y="{top + 27:.1f}" font-size="{TEXT}">{escape(mark.zone.kind)}</text>'
    )


def bodies() -> Sequence[tuple[str, str, int]]:
    """Bodies of the program that have an outline: name as read, type as declared, slide-outs drawn."""
    return (
        ("Travel trailer", "travel trailer", 1),
        ("Fifth wheel", "fifth wheel", 2),
        ("Class A motorhome", "class A", 1),
        ("Class C motorhome", "class C", 0),
        ("Van (class B)", "van", 0),
        ("Truck camper", "truck camper", 0),
    )
