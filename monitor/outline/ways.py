"""Where the usual entries of water are in a view, seen from a zone, and water's way down from there.

The places follow what `monitor.evidence.entries` says of each entry in words ("straight above",
"below its lower corners"); the openings are those that the frame draws.
"""

from collections.abc import Callable, Sequence

from monitor.outline.bodies import Point
from monitor.outline.frames import WIDTH, Frame

Spot = Callable[[Frame, Point], Point | None]

_BESIDE = 34.0  # of an entry that is beside a zone, towards the middle
_FROM_ROOF = frozenset({"edge", "roof", "run-off", "trim"})  # its water runs along the roof first
_APART = 7.0  # of ways that go down side by side


def spot(word: str, frame: Frame, at: Point) -> Point | None:
    """Where an entry is in a view, for a zone at `at`; None: the view does not show its place."""
    if frame.view == "plan":
        return _from_above(word, frame, at)
    if frame.view.startswith("slide"):
        return _of_slide(word, frame, at)
    found = _ELEVATION.get(word)
    return found(frame, at) if found else None


def way(word: str, frame: Frame, start: Point, at: Point, *, rank: int) -> tuple[Point, ...]:
    """Water's way from an entry to the zone, its last point; `rank` 0 is the likeliest."""
    if frame.view == "plan" or frame.view.startswith("slide") or word not in _FROM_ROOF:
        return (start, at)
    down = at[0] + _APART * (0, 1, -1)[rank % 3]
    if abs(start[0] - down) <= _APART + 1:
        return (start, at)
    return (start, (down, max(frame.crown(down) + 5, start[1])), at)


def _inwards(frame: Frame, at: Point, by: float) -> float:
    """`by` towards the middle of a view."""
    low, high = frame.reach
    return at[0] + (by if at[0] <= (low + high) / 2 else -by)


def _nearest(points: Sequence[Point], at: Point) -> Point | None:
    return min(points, key=lambda p: (abs(p[0] - at[0]) + abs(p[1] - at[1]), p), default=None)


def _above(frame: Frame, at: Point) -> Point:
    return at[0], frame.crown(at[0])


def _roof_opening(frame: Frame, at: Point) -> Point | None:
    if not frame.body.known:
        return None
    return _nearest(frame.vents, at) or (_inwards(frame, at, _BESIDE), 0.0)


def _window(frame: Frame, at: Point) -> Point | None:
    """Lower corner of the window above, its upper one if the zone is higher; in a wall that reaches down to it."""
    corners = []
    for pane in frame.pieces("pane"):
        (left, top), (right, bottom) = pane[0], pane[2]
        left, right = min(left, right), max(left, right)
        top, bottom = min(top, bottom), max(top, bottom)
        v = bottom if at[1] >= bottom else top
        corners += [(u, v) for u in (left, right) if frame.foot(u) >= at[1]]
    return _nearest(corners, at)


def _trim(frame: Frame, at: Point) -> Point:
    u = _inwards(frame, at, -_BESIDE / 2)
    low, high = frame.reach
    u = min(max(u, low), high)
    return u, frame.crown(u) + 7


def _run_off(frame: Frame, at: Point) -> Point:
    u = _inwards(frame, at, -_BESIDE)
    low, high = frame.reach
    u = min(max(u, low - 9), high + 9)
    return u, frame.crown(u)


def _door(frame: Frame, at: Point) -> Point | None:
    sills = [
        (sum(p[0] for p in box) / 4, max(p[1] for p in box)) for box in frame.pieces("opening")
    ]
    return _nearest(sills, at)


def _spray(frame: Frame, at: Point) -> Point:
    arches = [(middle[0], frame.foot(middle[0])) for middle, _ in frame.pieces("wheel")]
    return _nearest(arches, at) or (at[0], frame.foot(at[0]))


def _pipes(frame: Frame, at: Point) -> Point:
    u = _inwards(frame, at, _BESIDE)
    return u, frame.foot(u) - 5


def _bunk(frame: Frame, at: Point) -> Point | None:
    if not frame.body.bunk or frame.view not in {"off", "door"}:
        return None
    u = max(p[0] for p in frame.shell) if frame.view == "door" else min(p[0] for p in frame.shell)
    return u, at[1] - 6


_ELEVATION: dict[str, Spot] = {
    "edge": _above,
    "roof": _roof_opening,
    "window": _window,
    "trim": _trim,
    "door": _door,
    "bunk": _bunk,
    "pipes": _pipes,
    "run-off": _run_off,
    "spray": _spray,
}


def _from_above(word: str, frame: Frame, at: Point) -> Point | None:
    """In the plan: the nearer edge of the roof, the nearest opening of it, the door."""
    if word == "edge":
        upper = at[1] < (frame.crown(at[0]) + frame.foot(at[0])) / 2
        return at[0], frame.crown(at[0]) if upper else frame.foot(at[0])
    if word == "roof":
        return _nearest(frame.vents, at)
    if word == "door":
        return _door(frame, at)
    return None


def _of_slide(word: str, frame: Frame, at: Point) -> Point | None:
    """In a slide from above, its outer wall at the top."""
    low, high = frame.reach
    corner = low - 13 if at[0] < WIDTH / 2 else high + 13
    inner = frame.foot(at[0])
    return {
        "slide": (corner, inner),
        "window": _nearest(
            [(pane[k][0], 0.0) for pane in frame.pieces("pane") for k in (0, 1)], at
        ),
        "edge": (at[0], inner),
        "run-off": ((low + high) / 2, inner),
    }.get(word)
