"""A view as SVG: classes and the reader's own colours, no colour, script or address of its own.

A zone's mark is a link around its shape, its line and its label. Everything else is hidden from
readers by ear: the page says it in words.
"""

from collections.abc import Callable, Iterable, Mapping
from html import escape

from monitor.catalogue import say
from monitor.lot import ZoneWord
from monitor.outline.bodies import Point
from monitor.outline.frames import WIDTH, Shape
from monitor.outline.sheet import DISC, LABEL, RADIUS, TEXT, Mark, Title, View, Way

# the shapes of the four words, in a square of 24: as beside each word on the board
SHAPES: Mapping[ZoneWord, str] = {
    "wet": '<path class="full" d="M11 0h2v6h-2z"/><path class="full" d="M12 4c3.4 4.6 5.4 7 5.4 9.6a5.4 5.4 0 0 1-10.8 0'
    'C6.6 11 8.6 8.6 12 4zM1 20h22v3H1z"/>',
    "damp": '<path d="M1 20h22"/><circle cx="4.500" cy="15" r="2.200"/>'
    '<circle class="full" cx="12" cy="13.500" r="3.400"/><circle cx="19.500" cy="15" r="2.200"/>',
    "dry": '<path d="M2 19h20M4 19v-4M20 19v-4"/>',
    "unknown": '<path d="M2 19h20" stroke-dasharray="3.2 3"/>'
    '<path d="M12 4c2.6 3.4 4 5.2 4 7a4 4 0 0 1-8 0c0-1.800 1.400-3.600 4-7z" stroke-dasharray="2.600 2.200"/>',
}
_SHAPE_SCALE = 0.56  # of that square in a mark


def svg(view: View, *, label: str, link: Callable[[str], str]) -> str:
    """Draw a view.

    Parameters
    ----------
    view : View
    label : str
        What it shows, for who does not see it.
    link : callable
        Address of a zone's page, from its code.

    Returns
    -------
    str
        One `svg` element; every text and address in it is escaped.
    """
    box = f"0 {_n(view.top)} {_n(WIDTH)} {_n(view.bottom - view.top)}"
    parts = [
        f'<svg class="outline-view" viewBox="{box}" role="group" aria-label="{escape(label)}">',
        '<g aria-hidden="true">',
        ground(view),
        *(_way(way) for way in view.ways),
        *(_number(way) for way in view.ways),
        "</g>",
        *(_mark(mark, link(mark.zone.code)) for mark in view.marks),
        "</svg>",
    ]
    return "".join(parts)


def ground(view: View) -> str:
    """What lies under the marks of a view: body, names of its edges, lines that marks may be on."""
    shapes = (_shape(shape) for shape in view.frame.shapes)
    titles = (_title(title) for title in view.titles)
    lines = (_over(line) for mark in view.marks for line in mark.over)
    return "".join((*shapes, *titles, *lines))


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _d(points: Iterable[Point], *, closed: bool = False) -> str:
    return "M" + "L".join(f"{_n(u)} {_n(v)}" for u, v in points) + ("z" if closed else "")


def _shape(shape: Shape) -> str:
    if shape.piece == "wheel":
        middle, rim = shape.points
        size = abs(rim[0] - middle[0])
        return f'<circle class="wheel" cx="{_n(middle[0])}" cy="{_n(middle[1])}" r="{_n(size)}"/>'
    closed = len(shape.points) > 2
    return f'<path class="{shape.piece}" d="{_d(shape.points, closed=closed)}"/>'


def _title(title: Title) -> str:
    u, v = title.at
    return (
        f'<text class="edge" x="{_n(u)}" y="{_n(v)}" font-size="{TEXT}" text-anchor="{title.side}">'
        f"{escape(say(title.words))}</text>"
    )


def _over(line: tuple[Point, Point]) -> str:
    """A dashed line with ends: anywhere along it."""
    (u0, v0), (u1, v1) = line
    across = (0.0, 4.0) if v0 == v1 else (4.0, 0.0)
    ends = [((u - across[0], v - across[1]), (u + across[0], v + across[1])) for u, v in line]
    drawn = "".join(_d(end) for end in ends)
    return (
        f'<path class="over" d="{_d(((u0, v0), (u1, v1)))}"/><path class="over end" d="{drawn}"/>'
    )


def _way(way: Way) -> str:
    return f'<path class="way rank{way.rank}" d="{_d(way.points)}"/>'


def _number(way: Way) -> str:
    u, v = way.points[0]
    return (
        f'<g class="entry"><circle cx="{_n(u)}" cy="{_n(v)}" r="{_n(DISC)}"/>'
        f'<text x="{_n(u)}" y="{_n(v + TEXT * 0.35)}" font-size="{TEXT}" text-anchor="middle">'
        f"{way.number}</text></g>"
    )


def _mark(mark: Mark, address: str) -> str:
    zone = mark.zone
    left, top, right, _ = mark.box
    u, v = mark.at
    corner = f"{_n(u - 12 * _SHAPE_SCALE)} {_n(v - 12 * _SHAPE_SCALE)}"
    name = escape(f"{zone.code}, {say(zone.word)}, {say(zone.kind)}")
    return "".join(
        (
            f'<a class="zone is-{zone.word}" href="{escape(address)}" aria-label="{name}">',
            f'<path class="leader" d="{_d(mark.line)}"/>',
            f'<circle class="back" cx="{_n(u)}" cy="{_n(v)}" r="{_n(RADIUS)}"/>',
            f'<g class="shape" transform="translate({corner}) scale({_SHAPE_SCALE})">{SHAPES[zone.word]}</g>',
            f'<rect class="back" x="{_n(left)}" y="{_n(top)}" width="{_n(right - left)}" height="{_n(LABEL)}"/>',
            f'<text x="{_n(left + 5)}" y="{_n(top + 13)}" font-size="{TEXT}">{escape(mark.label)}</text>',
            f'<text class="state" x="{_n(left + 5)}" y="{_n(top + 27)}" font-size="{TEXT}">',
            f"{escape(say(zone.word))}</text></a>",
        )
    )
