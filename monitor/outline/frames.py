"""A body's views without its zones: u to the right, v down, the top of the shell at v = 0.

Seen from the door side the front is at the right, from the off side at the left: the door is taken to
be on the right of who looks forward. The plan has the off side above.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from monitor.outline.bodies import LENGTH, Body, Point
from monitor.outline.places import Told

WIDTH = 288.0  # of a sheet: a phone of 320 px less its margins, so that 12 px stay 12 px
SIDE = (WIDTH - LENGTH) / 2
_INSET = 13.0  # of a mark's middle from the shell
_PLAN = 92.0  # of the plan, across
_END = (80.0, 208.0)  # of an elevation of the rear or the front
_SLIDE = (44.0, 244.0, 66.0)  # of a slide: left, right, its depth
_LYING = 10.0  # of a mark's middle from the board of the bunk

Piece = Literal["shell", "cab", "pane", "opening", "wheel", "ground", "vent"]
Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Shape:
    """One line or area; a wheel is its middle and a point of its rim."""

    piece: Piece
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Frame:
    """An empty view: its shell, what is drawn with it, and what its edges are called."""

    view: str
    shell: tuple[Point, ...]
    shapes: tuple[Shape, ...]
    left: str
    right: str
    bottom: float  # lowest v drawn
    body: Body
    above: str = ""
    below: str = ""
    vents: tuple[Point, ...] = ()

    def crown(self, u: float) -> float:
        """Upper edge of the shell at `u`."""
        return self.edges(u)[0]

    def foot(self, u: float) -> float:
        """Lower edge of the shell at `u`."""
        return self.edges(u)[1]

    def edges(self, u: float) -> Range:
        """Upper and lower edge of the shell at `u`."""
        cuts = self._cuts(u)
        return min(cuts), max(cuts)

    @property
    def reach(self) -> Range:
        """From where to where marks may stand."""
        across = [u for u, _ in self.shell]
        return min(across) + _INSET, max(across) - _INSET

    def pieces(self, piece: Piece) -> list[tuple[Point, ...]]:
        """Shapes of one kind."""
        return [shape.points for shape in self.shapes if shape.piece == piece]

    def place(self, told: Told) -> tuple[Range, Range]:
        """From where to where a zone may lie, across and down; both ends the same: told."""
        if self.view in {"plan", "front", "rear"} or self.view.startswith("slide"):
            return self._flat(told)
        return self._wall(told)

    def _wall(self, told: Told) -> tuple[Range, Range]:
        low, high = self.reach_of(told)
        spots = {"rear": low, "mid": (low + high) / 2, "front": high}
        if self.view == "off":
            spots = {"rear": high, "mid": (low + high) / 2, "front": low}
        at = spots.get(told.along)
        u = (low, high) if at is None else (at, at)
        if told.on_bunk:
            lies = self.body.shell_top - self.body.bunk[2] - _LYING
            return u, (lies, lies)
        middle = sum(u) / 2
        v = self._level(told.level, self.crown(middle), self.foot(middle))
        return (self._inside(u, v) if at is None else u), v

    def _inside(self, u: Range, v: Range) -> Range:
        """The part of an open line that runs inside the shell."""
        points = [u[0] + (u[1] - u[0]) * k / 40 for k in range(41)]
        within = [p for p in points if self.crown(p) <= v[0] and v[1] <= self.foot(p)]
        return min(within), max(within)

    def reach_of(self, told: Told) -> Range:
        """From where to where the wall reaches at a zone's height."""
        from_x, to_x = self.body.high if told.level == "high" else self.body.low
        if told.on_bunk:
            from_x, to_x, _ = self.body.bunk
        if self.view == "off":
            return SIDE + LENGTH - to_x + _INSET, SIDE + LENGTH - from_x - _INSET
        return SIDE + from_x + _INSET, SIDE + to_x - _INSET

    def _flat(self, told: Told) -> tuple[Range, Range]:
        left, right = self.reach
        top = self.crown((left + right) / 2) + _INSET
        bottom = self.foot((left + right) / 2) - _INSET
        if self.view in {"front", "rear"}:
            order = ("off", "mid", "door") if self.view == "rear" else ("door", "mid", "off")
            u = _pick(told.across, order, (left, right))
            return u, self._level(told.level, top - _INSET, bottom + _INSET)
        names = ("off", "mid", "door") if self.view == "plan" else ("outer", "mid", "inner")
        u = _pick(told.along, ("rear", "mid", "front"), (left, right))
        v = _pick(told.across, names, (top, bottom))
        if not told.across and not told.along:
            v = ((top + bottom) / 2,) * 2  # one dashed line is enough to say "anywhere here"
        return u, v

    @staticmethod
    def _level(level: str, crown: float, foot: float) -> Range:
        return _pick(level, ("high", "mid", "low"), (crown + _INSET, foot - _INSET))

    def _cuts(self, u: float) -> list[float]:
        """Heights at which the shell's line crosses `u`."""
        left, right = min(p[0] for p in self.shell), max(p[0] for p in self.shell)
        u = min(max(u, left), right)
        found = []
        for (u0, v0), (u1, v1) in zip(self.shell, (*self.shell[1:], self.shell[0]), strict=True):
            if u0 == u1 == u:
                found += [v0, v1]
            elif min(u0, u1) <= u <= max(u0, u1) and u0 != u1:
                found.append(v0 + (v1 - v0) * (u - u0) / (u1 - u0))
        return found


def _pick(word: str, names: tuple[str, str, str], span: Range) -> Range:
    """Where a word of three stands in a span; all of it for a word that is not said."""
    if word not in names:
        return span
    at = span[0] + (span[1] - span[0]) * names.index(word) / 2
    return at, at


@lru_cache(maxsize=64)
def frame(view: str, body: Body) -> Frame:
    """Empty view of a body: plan, door, off, front, rear, or slide1 and so on."""
    if view.startswith("slide"):
        return _slide(view, body)
    made: dict[str, Callable[[str, Body], Frame]] = {"plan": _plan, "front": _end, "rear": _end}
    return made.get(view, _side)(view, body)


def _side(view: str, body: Body) -> Frame:
    top = body.shell_top

    def turned(points: tuple[Point, ...]) -> tuple[Point, ...]:
        if view == "off":
            return tuple((SIDE + LENGTH - x, top - z) for x, z in points)
        return tuple((SIDE + x, top - z) for x, z in points)

    shapes = [Shape("cab", turned(line)) for line in body.cab]
    shapes.append(Shape("shell", turned(body.shell)))
    shapes += [
        Shape("pane", turned(_box(*window)))
        for window in body.windows
        if _clear(view, body, window)
    ]
    shapes += [Shape("opening", turned(box)) for box in _doors(view, body)]
    shapes += [Shape("wheel", turned(((x, 13), (x + 11, 13)))) for x in body.wheels]
    shapes.append(Shape("ground", turned(((0, 2), (LENGTH, 2)))))
    vents = tuple((u, 0.0) for u, _ in turned(tuple((x, top) for x in _vent_places(body))))
    shapes += [Shape("vent", _box(u - 8, -4, u + 8, 0)) for u, _ in vents]
    ends = ("rear", "front") if view == "door" else ("front", "rear")
    return Frame(
        view, turned(body.shell), tuple(shapes), *ends, bottom=top - 2, body=body, vents=vents
    )


def _clear(view: str, body: Body, window: tuple[float, float, float, float]) -> bool:
    """Whether a window is beside the door, not behind it."""
    return view == "off" or not (window[0] < body.door[1] and body.door[0] < window[2])


def _doors(view: str, body: Body) -> list[tuple[Point, ...]]:
    """The entry door, and a baggage door behind it."""
    if not body.known:
        return []
    x0, x1 = body.door
    floor = min(z for _, z in body.shell)
    bag = body.low[0] + 26
    baggage = [] if x0 < bag + 30 and bag < x1 else [_box(bag, floor + 4, bag + 26, floor + 17)]
    return [*baggage, *([_box(x0, floor + 2, x1, floor + 64)] if view == "door" else [])]


def _vent_places(body: Body) -> tuple[float, ...]:
    """Roof openings along the body; a box of which nothing is known has none."""
    if not body.known:
        return ()
    from_x, to_x = body.high
    return tuple(from_x + (to_x - from_x) * share for share in (0.3, 0.7))


def _plan(view: str, body: Body) -> Frame:
    left = SIDE + min(x for x, _ in body.shell)
    right = SIDE + max(x for x, _ in body.shell)
    nose = min(14.0, right - left) if body.known else 0.0
    shell = (
        (left, 0.0),
        (right - nose, 0.0),
        (right, nose * 1.4),
        (right, _PLAN - nose * 1.4),
        (right - nose, _PLAN),
        (left, _PLAN),
    )
    far = SIDE + max((x for line in body.cab for x, _ in line), default=0.0)
    shapes = []
    if far > right + 1:  # a hitch is narrow, a cab is not
        half = 4.0 if body.towed else 34.0
        shapes.append(Shape("cab", _box(right, _PLAN / 2 - half, far, _PLAN / 2 + half)))
    shapes.append(Shape("shell", shell))
    if body.known:
        x0, x1 = body.door
        shapes.append(Shape("opening", _box(SIDE + x0, _PLAN - 3, SIDE + x1, _PLAN + 3)))
    vents = tuple((SIDE + x, _PLAN / 2) for x in _vent_places(body))
    shapes += [Shape("vent", _box(u - 8, v - 8, u + 8, v + 8)) for u, v in vents]
    return Frame(
        view, shell, tuple(shapes), "rear", "front", bottom=_PLAN, body=body,
        above="off side", below="door side", vents=vents,
    )  # fmt: skip


def _end(view: str, body: Body) -> Frame:
    top = body.shell_top
    floor = min(z for _, z in body.shell)
    left, right = _END
    shell = (
        (left, 6.0),
        (left + 6, 0.0),
        (right - 6, 0.0),
        (right, 6.0),
        (right, top - floor),
        (left, top - floor),
    )
    shapes = [Shape("shell", shell)]
    if body.known:
        middle = (left + right) / 2
        shapes.append(Shape("pane", _box(middle - 26, 22, middle + 26, 44)))
        feet = (left + 16, right - 16)
        shapes += [Shape("opening", _box(u - 5, top - floor, u + 5, top - 2)) for u in feet]
    shapes.append(Shape("ground", ((left - 24, top - 2), (right + 24, top - 2))))
    ends = ("off side", "door side") if view == "rear" else ("door side", "off side")
    return Frame(view, shell, tuple(shapes), *ends, bottom=top - 2, body=body)


def _slide(view: str, body: Body) -> Frame:
    left, right, depth = _SLIDE
    shell = _box(left, 0.0, right, depth)
    wall = Shape("cab", ((0.0, depth), (WIDTH, depth)))
    pane = Shape("pane", _box((left + right) / 2 - 34, -2, (left + right) / 2 + 34, 2))
    return Frame(
        view, shell, (wall, Shape("shell", shell), pane), "rear", "front", bottom=depth,
        body=body, above="outer wall", below="the unit's wall",
    )  # fmt: skip


def _box(u0: float, v0: float, u1: float, v1: float) -> tuple[Point, ...]:
    return ((u0, v0), (u1, v0), (u1, v1), (u0, v1))
