"""Puts a unit's zones, their labels and water's ways into its views, so that none hides another.

Marks come first and stay within `_MOST_AWAY` of their place where the code tells it. Labels stand in
rows above and below the body, each at the end of an upright line from its mark; lines cross no label.
Numbers of entries come last, where room is left. What finds no room is listed, not squeezed in.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from math import hypot
from typing import Literal

from monitor.evidence.entries import WORD_OF, Entry
from monitor.lot import ZoneKind, ZoneWord
from monitor.outline import ways
from monitor.outline.bodies import Body, Point, body
from monitor.outline.frames import WIDTH, Frame, Range, frame
from monitor.outline.places import Told, told

RADIUS = 9.0  # of a mark
DISC = 10.0  # radius of an entry's number
TEXT = 12.5  # height of every text: 12 px and more on the narrowest phone
ROW = 36.0  # from one row of labels to the next
LABEL = 32.0  # height of one
DRAWN_ENTRIES = 3  # of a zone; its page has them all

# widths of characters at `TEXT`, at least those of the widest of the board's typefaces (DejaVu Sans)
_NARROW, _USUAL, _CAPITAL, _WIDE = 5.2, 8.0, 10.0, 12.6
_NARROW_ONES, _WIDE_ONES = frozenset("fijlrt.,:;'|!-/() "), frozenset("mwMW@%…&")
_MOST_WIDTH = 138.0  # of a label's text, so that two stand side by side
_BOLD = 1.12  # how much wider the state is
_PAD = 10.0  # of a label, both sides together
_CLEAR = 4.0  # between labels
_GAP = 20.0  # between the body and the first row, for numbers and the edges' names
_APART = 22.0  # between the middles of two discs
_LINES_APART = 14.0
_MOST_AWAY = 30.0  # of a mark from its place, of an entry's number from its own
_MOST_ROWS = 12
_STEP = 3.0  # in which room is looked for
_KEPT = 64  # outlines; a page asks for the same one at each beat
_KEEP = 4.0  # how much rather a mark moves along its open line than off it
_SHARES = (0.5, 0.2, 0.8, 0.35, 0.65)  # of an open line, one mark after another

Band = Literal["above", "below"]


@dataclass(frozen=True, slots=True)
class Shown:
    """A zone as it is to be drawn, with the entries of its water, the likeliest first."""

    code: str
    kind: ZoneKind
    word: ZoneWord
    entries: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """A zone in its view; `over` are lines it may lie anywhere on, none where its place is told."""

    zone: Shown
    at: Point
    over: tuple[tuple[Point, Point], ...]
    label: str
    box: tuple[float, float, float, float]  # of the label: left, top, right, bottom
    row: int  # of the label, 0 is next to the body

    @property
    def line(self) -> tuple[Point, Point]:
        """From the mark to its label."""
        _, top, _, bottom = self.box
        return self.at, (self.at[0], bottom if bottom < self.at[1] else top)


@dataclass(frozen=True, slots=True)
class Way:
    """An entry and water's way from it to the zone; no points: its place cannot be told."""

    number: int
    rank: int  # 0: the likeliest of its zone
    zone: str
    entry: Entry
    points: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True)
class Title:
    """Name of an edge of a view; `side` is how it is aligned."""

    words: str
    at: Point
    side: Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class View:
    """One view with everything in it; v runs from `top` to `bottom`, u from 0 to `WIDTH`."""

    name: str
    frame: Frame
    marks: tuple[Mark, ...]
    ways: tuple[Way, ...]
    titles: tuple[Title, ...]
    top: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Outline:
    """A unit's views; `ways` holds all entries, drawn or not, `listed` zones and why they are not drawn."""

    body: Body
    views: tuple[View, ...]
    places: Mapping[str, Told]
    ways: tuple[Way, ...]
    listed: tuple[tuple[Shown, str], ...]


def outline(body_type: str, zones: Sequence[Shown], *, slides: int | None = None) -> Outline:
    """Draw a unit; the same one is not laid out again.

    Parameters
    ----------
    body_type : str
        As declared.
    zones : sequence of Shown
        Its zones, each code once, the most urgent first: where room is short they are drawn.
    slides : int or None
        How many slide-outs it has; None is not declared.

    Returns
    -------
    Outline
        The plan and both sides always; rear, front and slides where a zone is there. Every zone is
        in one view or in `listed`.
    """
    return _outline(body_type, tuple(zones), slides)


@lru_cache(maxsize=_KEPT)
def _outline(body_type: str, zones: tuple[Shown, ...], slides: int | None) -> Outline:
    shape = body(body_type)
    places = {zone.code: told(zone.code, zone.kind, body=shape, slides=slides) for zone in zones}
    numbered = _numbered(zones)
    views = []
    listed = [(zone, places[zone.code].why) for zone in zones if not places[zone.code].view]
    for name in _names(places.values()):
        own = [zone for zone in zones if places[zone.code].view == name]
        drawn, left = _view(name, shape, own, places, numbered)
        views.append(drawn)
        listed += [(zone, "room") for zone in left]
    drawn_ways = {way.number: way for view in views for way in view.ways}
    return Outline(
        shape,
        tuple(views),
        places,
        tuple(drawn_ways.get(w.number, w) for w in numbered),
        tuple(listed),
    )


def _names(places: Iterable[Told]) -> list[str]:
    there = {place.view for place in places if place.view}
    slides = sorted(name for name in there if name.startswith("slide"))
    ends = [name for name in ("rear", "front") if name in there]
    return ["plan", "door", "off", *ends, *slides]


def _numbered(zones: Sequence[Shown]) -> list[Way]:
    pairs = [
        (rank, zone.code, entry)
        for zone in zones
        for rank, entry in enumerate(zone.entries[:DRAWN_ENTRIES])
    ]
    return [Way(k, rank, code, entry) for k, (rank, code, entry) in enumerate(pairs, start=1)]


def _view(
    name: str, shape: Body, zones: Sequence[Shown], places: dict[str, Told], numbered: Sequence[Way]
) -> tuple[View, list[Shown]]:
    empty = frame(name, shape)
    stands = _stands(empty, zones, places)
    marks = [*_labelled(empty, stands, "above"), *_labelled(empty, stands, "below")]
    order = {zone.code: place for place, zone in enumerate(zones)}
    marks.sort(key=lambda mark: order[mark.zone.code])
    seen = {mark.zone.code for mark in marks}
    titles = _titles(empty, marks)
    found = _ways(empty, marks, places, numbered, titles)
    top = min([-_GAP, *(mark.box[1] - _CLEAR for mark in marks)])
    bottom = max([empty.bottom + _GAP, *(mark.box[3] + _CLEAR for mark in marks)])
    view = View(name, empty, tuple(marks), tuple(found), tuple(titles), top, bottom)
    return view, [zone for zone in zones if zone.code not in seen]


# --- marks ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Stand:
    """Where a zone's mark stands, and on which side of the body its label."""

    zone: Shown
    at: Point
    band: Band
    over: tuple[tuple[Point, Point], ...]
    width: float  # of the label
    order: int  # of the zone: 0 is the most urgent


def _stands(empty: Frame, zones: Sequence[Shown], places: dict[str, Told]) -> list[_Stand]:
    """Stand of each zone, those whose place is told first; without those for which no room is."""
    stands: list[_Stand] = []
    for order, zone in sorted(enumerate(zones), key=lambda one: not places[one[1].code].point):
        u, v = empty.place(places[zone.code])
        wanted = u[0] + (u[1] - u[0]) * _SHARES[len(stands) % len(_SHARES)], sum(v) / 2
        for at in _around(wanted, u, v, empty):
            band = _band(empty, at, stands)
            if _stands_free(at, band, stands):
                stands.append(_Stand(zone, at, band, _open(u, v, at), _width(zone), order))
                break
    return stands


def _around(wanted: Point, u: Range, v: Range, empty: Frame) -> Iterator[Point]:
    """Places for a mark, the nearest first: on its line anywhere, beside it no further than allowed."""
    left, right = empty.reach
    for du, dv in _offsets(WIDTH if u[0] < u[1] else _MOST_AWAY):
        p = wanted[0] + du, wanted[1] + dv
        off = max(u[0] - p[0], p[0] - u[1], 0.0), max(v[0] - p[1], p[1] - v[1], 0.0)
        if left <= p[0] <= right and hypot(*off) <= _MOST_AWAY:
            crown, foot = empty.edges(p[0])
            if crown + RADIUS <= p[1] <= foot - RADIUS:
                yield p


@cache
def _offsets(most_along: float) -> tuple[Point, ...]:
    """Ways to move something, the shortest first; along an open line rather than off it."""
    keep = _KEEP if most_along > _MOST_AWAY else 1.0
    moves = [(du, dv) for du in _steps(most_along) for dv in _steps(_MOST_AWAY)]
    return tuple(sorted(moves, key=lambda move: (hypot(move[0], keep * move[1]), move)))


def _steps(most: float) -> list[float]:
    count = int(most // _STEP)
    return [k * _STEP for k in range(-count, count + 1)]


def _stands_free(p: Point, band: Band, stands: Iterable[_Stand]) -> bool:
    """Whether a mark hides no other, and its line runs beside theirs."""
    return all(
        hypot(p[0] - other.at[0], p[1] - other.at[1]) >= _APART
        and (band != other.band or abs(p[0] - other.at[0]) >= _LINES_APART)
        for other in stands
    )


def _band(empty: Frame, at: Point, stands: Sequence[_Stand]) -> Band:
    """Where the label of a mark stands: on its side of the body, from the middle where there are fewer."""
    low = at[1] - (empty.crown(at[0]) + empty.foot(at[0])) / 2
    if abs(low) > RADIUS / 2:
        return "below" if low > 0 else "above"
    above = sum(stand.band == "above" for stand in stands)
    return "below" if 2 * above >= len(stands) else "above"


def _open(u: Range, v: Range, at: Point) -> tuple[tuple[Point, Point], ...]:
    """What the code leaves open, as lines through the mark."""
    along = ((u[0], at[1]), (u[1], at[1]))
    down = ((at[0], v[0]), (at[0], v[1]))
    return tuple(line for line, span in ((along, u), (down, v)) if span[1] > span[0])


# --- labels ---------------------------------------------------------------------------------------


def _labelled(empty: Frame, stands: Iterable[_Stand], band: Band) -> list[Mark]:
    """Labels of one band, each where it covers no line that is still to come.

    So a later label can always go one row further out. If each would cover a line, the least urgent
    zone is given up.
    """
    waiting = [stand for stand in stands if stand.band == band]
    marks: list[Mark] = []
    while waiting:
        fitting = [
            (row, abs(left - stand.at[0]), number, stand, left)
            for number, stand in enumerate(waiting)
            for left in _lefts(stand)
            if not any(_covers(stand, left, other.at[0]) for other in waiting if other != stand)
            and (row := _row(stand, left, marks)) is not None
        ]
        if not fitting:
            waiting.remove(max(waiting, key=lambda stand: stand.order))
            continue
        row, _, _, stand, left = min(fitting, key=lambda found: found[:3])
        box = _box(left, stand.width, row, band, empty)
        marks.append(Mark(stand.zone, stand.at, stand.over, shortened(stand.zone.code), box, row))
        waiting.remove(stand)
    return marks


def _lefts(stand: _Stand) -> list[float]:
    """Left edges of a label that its line meets: at its beginning, its end, its middle."""
    width, u = stand.width, stand.at[0]
    return [min(max(left, 0.0), WIDTH - width) for left in (u - 6, u + 6 - width, u - width / 2)]


def _covers(stand: _Stand, left: float, u: float) -> bool:
    return left - _CLEAR < u < left + stand.width + _CLEAR


def _row(stand: _Stand, left: float, marks: Sequence[Mark]) -> int | None:
    """The nearest row in which a label hides none and lies on no line; None if there is no such row."""
    right = left + stand.width
    for row in range(_MOST_ROWS):
        beside = [mark for mark in marks if mark.row == row]
        crossed = [mark for mark in marks if mark.row > row and _covers(stand, left, mark.at[0])]
        if not crossed and all(
            mark.box[2] + _CLEAR <= left or right + _CLEAR <= mark.box[0] for mark in beside
        ):
            return row
    return None


def _box(
    left: float, width: float, row: int, band: Band, empty: Frame
) -> tuple[float, float, float, float]:
    if band == "above":
        bottom = -_GAP - row * ROW
        return left, bottom - LABEL, left + width, bottom
    top = empty.bottom + _GAP + row * ROW
    return left, top, left + width, top + LABEL


def shortened(code: str) -> str:
    """A code as its label shows it: whole, or its beginning and an ellipsis."""
    if text_width(code) <= _MOST_WIDTH:
        return code
    short = code
    while text_width(f"{short}…") > _MOST_WIDTH:
        short = short[:-1]
    return f"{short}…"


def _width(zone: Shown) -> float:
    return max(text_width(shortened(zone.code)), text_width(zone.word) * _BOLD) + _PAD


def text_width(words: str) -> float:
    """Width that a text takes at most."""
    return sum(map(_character, words))


def _character(one: str) -> float:
    if one in _NARROW_ONES:
        return _NARROW
    if one in _WIDE_ONES or not one.isascii():
        return _WIDE
    return _CAPITAL if one.isupper() or not one.isalnum() else _USUAL


def _titles(empty: Frame, marks: Sequence[Mark]) -> list[Title]:
    """Names of the edges: the ends at the foot, the others where no line runs through them."""
    foot = empty.bottom + TEXT + 2
    named = [Title(empty.left, (0.0, foot), "start"), Title(empty.right, (WIDTH, foot), "end")]
    for words, v, band in ((empty.above, -5.0, "above"), (empty.below, foot, "below")):
        if not words:
            continue
        lines = [mark.at[0] for mark in marks if (mark.box[1] < 0) == (band == "above")]
        half = text_width(words) / 2 + 2
        spots = [WIDTH / 2 + du for du in sorted(_steps(WIDTH / 2 - half - 45), key=abs)]
        clear = (u for u in spots if all(abs(u - line) > half for line in lines))
        named.append(Title(words, (next(clear, WIDTH / 2), v), "middle"))
    return named


# --- ways -----------------------------------------------------------------------------------------


def _ways(
    empty: Frame,
    marks: Sequence[Mark],
    places: dict[str, Told],
    numbered: Sequence[Way],
    titles: Sequence[Title],
) -> list[Way]:
    """Ways to the zones whose place is told; the others' entries are not drawn."""
    found: list[Way] = []
    for mark in marks:
        if not places[mark.zone.code].point:
            continue
        for way in (one for one in numbered if one.zone == mark.zone.code):
            word = WORD_OF.get(way.entry.name, "")
            wanted = ways.spot(word, empty, mark.at)
            start = wanted and _free(wanted, empty, marks, found, titles)
            if start:
                points = ways.way(word, empty, start, mark.at, rank=way.rank)
                found.append(Way(way.number, way.rank, way.zone, way.entry, points))
    return found


def _free(
    wanted: Point,
    empty: Frame,
    marks: Sequence[Mark],
    found: Sequence[Way],
    titles: Sequence[Title],
) -> Point | None:
    """The nearest place where an entry's number hides nothing and crosses no line."""
    discs = [*(mark.at for mark in marks), *(way.points[0] for way in found)]
    near = (
        (wanted[0] + du, wanted[1] + dv)
        for du, dv in _offsets(_MOST_AWAY)
        if hypot(du, dv) <= _MOST_AWAY
    )
    return next(
        (
            p
            for p in near
            if DISC <= p[0] <= WIDTH - DISC
            and -_GAP + DISC + 1 <= p[1] <= empty.bottom + _GAP - DISC - 1
            and all(hypot(p[0] - q[0], p[1] - q[1]) >= _APART for q in discs)
            and not any(_on_line(p, mark) for mark in marks)
            and not any(_on_title(p, title) for title in titles)
        ),
        None,
    )


def _on_line(p: Point, mark: Mark) -> bool:
    (u, v0), (_, v1) = mark.line
    return abs(p[0] - u) < DISC + 2 and min(v0, v1) - DISC <= p[1] <= max(v0, v1) + DISC


def _on_title(p: Point, title: Title) -> bool:
    width = text_width(title.words)
    left = title.at[0] - {"start": 0.0, "middle": width / 2, "end": width}[title.side]
    return (
        left - DISC < p[0] < left + width + DISC
        and abs(p[1] - title.at[1] + TEXT / 3) < DISC + TEXT / 2
    )
