"""The outline of a unit: zones at their places, water's ways to them, and nothing that hides another."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations, pairwise, product
from math import hypot
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import words
from dashboards.pages import outline as page
from dashboards.paint import to_html
from dashboards.words import wish
from monitor import text
from monitor.evidence.entries import WORD_OF, where_to_look
from monitor.lot import Site, Unit, ZoneKind
from monitor.outline import Outline, Shown, View, body, outline, svg, told
from monitor.outline.draw import SHAPES
from monitor.outline.frames import WIDTH
from monitor.outline.sheet import DISC, RADIUS, TEXT, text_width
from monitor.store import board
from monitor.store.record import Record, open_record
from tests.filled import NOW_S, filled_record
from tests.hostile import HOSTILE
from tests.test_pages import seen

ASSETS = Path(__file__).parents[1] / "dashboards" / "assets"
TYPES = ("travel trailer", "fifth wheel", "class A", "class C", "van", "truck camper", "house boat")
FULL: tuple[tuple[str, ZoneKind], ...] = (  # a unit with twelve probes, and its usual codes
    ("off-rear-low", "wall"),
    ("door-rear-low", "wall"),
    ("off-front-low", "wall"),
    ("door-front-low", "wall"),
    ("front-cap-off", "wall"),
    ("front-cap-door", "wall"),
    ("off-mid-low", "wall"),
    ("roof-vent1-ring", "roof"),
    ("floor-bath", "floor"),
    ("belly-mid", "underbelly"),
    ("slide1-floor-front", "slide-floor"),
    ("air-main", "cabin"),
)
WORDS = ("wet", "damp", "dry", "unknown")


def shown(code: str, kind: ZoneKind = "wall", word: str = "wet", body_type: str = "") -> Shown:
    entries = where_to_look(code, kind=kind, body_type=body_type) if word == "wet" else ()
    return Shown(code, kind, word, entries)


def spot(drawn: Outline, code: str) -> tuple[str, float, float]:
    """View of a zone, and where its mark is in it."""
    return next(
        (view.name, *mark.at)
        for view in drawn.views
        for mark in view.marks
        if mark.zone.code == code
    )


def links(view: View) -> ET.Element:
    return ET.fromstring(svg(view, label="view", link=lambda code: words.zone_path("s", "u", code)))


# --- places -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("declared", "name"),
    [
        ("travel trailer", "travel trailer"),
        ("Travel-Trailer", "travel trailer"),
        ("FIFTH WHEEL", "fifth wheel"),
        ("class A", "class A motorhome"),
        ("Motorhome, Class C", "class C motorhome"),
        ("class B", "van"),
        ("panel van", "van"),
        ("truck camper", "truck camper"),
    ],
)
def test_a_body_is_known_by_its_type_whatever_its_case(declared, name):
    assert (body(declared).name, body(declared).known) == (name, True)


@pytest.mark.parametrize("declared", ["", "house boat", "caravanserai", "motorhome", "folding"])
def test_a_type_without_an_outline_is_a_plain_box(declared):
    box = body(declared)
    assert not box.known
    assert not box.wheels
    assert not box.windows
    assert len(box.shell) == 4


@pytest.mark.parametrize(
    ("code", "kind", "place"),
    [
        ("off-rear-low", "wall", ("off", "rear", "off", "low")),
        ("door-mid-high", "wall", ("door", "mid", "door", "high")),
        ("off-rear-mid", "wall", ("off", "rear", "off", "mid")),
        ("off-mid-mid", "wall", ("off", "mid", "off", "mid")),
        ("off_front_low", "wall", ("off", "front", "off", "low")),
        ("front-cap-off", "wall", ("front", "front", "off", "high")),
        ("rear-mid-low", "wall", ("rear", "rear", "mid", "low")),
        ("rear-door-low", "wall", ("rear", "rear", "door", "low")),
        ("off-rear", "wall", ("off", "rear", "off", "")),
        ("off-low", "wall", ("off", "", "off", "low")),
        ("off-mid-bay", "bay", ("off", "mid", "off", "low")),
        ("roof-rear-off", "roof", ("plan", "rear", "off", "")),
        ("roof-vent1-ring", "roof", ("plan", "", "", "")),
        ("air-main", "cabin", ("plan", "", "", "")),
        ("slide1-floor-front", "slide-floor", ("slide1", "front", "outer", "")),
        ("slide2-floor-rear-inner", "slide-floor", ("slide2", "rear", "inner", "")),
        ("slide1-roof-mid", "slide-roof", ("slide1", "mid", "", "")),
    ],
)
def test_a_code_is_read_as_far_as_it_tells(code, kind, place):
    found = told(code, kind, body=body("travel trailer"), slides=2)
    assert (found.view, found.along, found.across, found.level) == place


@pytest.mark.parametrize(
    ("code", "kind", "slides", "why"),
    [
        ("somewhere", "wall", 1, "side"),
        ("kitchen-low", "wall", 1, "side"),
        ("off", "wall", 1, "position"),
        ("off-window", "wall", 1, "position"),
        ("battery-bay", "bay", 1, "side"),
        ("slide-floor-front", "slide-floor", 2, "slide"),
        ("slide-floor-front", "slide-floor", None, "slide"),
        ("slide1-slide2-floor", "slide-floor", 2, "slide"),
        ("cab-bunk-off", "bed", 0, "bunk"),
        ("outside", "outside", 0, "outside"),
    ],
)
def test_a_place_that_is_not_told_is_listed_with_its_reason_and_never_drawn(
    code, kind, slides, why
):
    drawn = outline("travel trailer", [Shown(code, kind, "dry")], slides=slides)
    assert [(zone.code, reason) for zone, reason in drawn.listed] == [(code, why)]
    assert not any(view.marks for view in drawn.views)
    assert text.NOT_DRAWN[why]


def test_the_only_slide_needs_no_number():
    assert told("slide-floor-front", "slide-floor", body=body("van"), slides=1).view == "slide1"


@pytest.mark.parametrize("body_type", TYPES)
def test_codes_are_drawn_where_they_say_on_every_body(body_type):
    codes = [
        f"{s}-{a}-{h}" for s, a, h in product(("off", "door"), ("rear", "front"), ("low", "high"))
    ]
    drawn = outline(body_type, [Shown(code, "wall", "dry") for code in codes])
    at = {code: spot(drawn, code) for code in codes}
    for side, height in product(("off", "door"), ("low", "high")):
        rear, front = at[f"{side}-rear-{height}"], at[f"{side}-front-{height}"]
        assert rear[0] == front[0] == side
        # seen from the door side the front is at the right, from the off side at the left
        assert (rear[1] < front[1]) == (side == "door")
    for side, along in product(("off", "door"), ("rear", "front")):
        assert at[f"{side}-{along}-high"][2] < at[f"{side}-{along}-low"][2]
    for view in drawn.views:
        for mark in view.marks:  # inside its shell, with its whole disc
            u, v = mark.at
            assert view.frame.crown(u) + RADIUS <= v <= view.frame.foot(u) - RADIUS


@pytest.mark.parametrize("body_type", TYPES)
def test_the_plan_has_the_off_side_above_and_the_front_at_the_right(body_type):
    codes = ("roof-front-off", "roof-rear-door")
    drawn = outline(body_type, [Shown(code, "roof", "dry") for code in codes])
    front, rear = (spot(drawn, code) for code in codes)
    assert front[0] == rear[0] == "plan"
    assert front[1] > rear[1]
    assert front[2] < rear[2]


@pytest.mark.parametrize("end", ["rear", "front"])
def test_an_end_wall_is_seen_from_outside(end):
    codes = (f"{end}-off-low", f"{end}-mid-low", f"{end}-door-low")
    drawn = outline("class A", [Shown(code, "wall", "dry") for code in codes])
    across = [spot(drawn, code)[1] for code in codes]
    assert across == sorted(across, reverse=end == "front")
    assert [view.name for view in drawn.views] == ["plan", "door", "off", end]


def test_plan_and_sides_are_always_there_and_other_views_only_with_zones():
    assert [v.name for v in outline("van", []).views] == ["plan", "door", "off"]
    full = outline("travel trailer", [shown(c, k) for c, k in FULL], slides=1)
    assert [v.name for v in full.views] == ["plan", "door", "off", "front", "slide1"]
    assert full.listed == ()


def test_a_bed_over_the_cab_lies_over_the_cab():
    drawn = outline("class C", [shown("cab-bunk-off", "bed"), shown("off-front-low")])
    bunk, low = spot(drawn, "cab-bunk-off"), spot(drawn, "off-front-low")
    assert bunk[0] == low[0] == "off"
    assert bunk[1] < low[1]
    assert bunk[2] < low[2]


def test_what_a_code_leaves_open_is_a_line_through_the_mark():
    drawn = outline("travel trailer", [shown("off-rear"), shown("off-low"), shown("off-front-low")])
    open_ = {m.zone.code: m.over for view in drawn.views for m in view.marks}
    ((top, foot),) = open_["off-rear"]
    assert top[0] == foot[0]
    ((left, right),) = open_["off-low"]
    assert left[1] == right[1]
    assert open_["off-front-low"] == ()
    assert {way.zone for way in drawn.ways if way.points} == {"off-front-low"}


# --- nothing hides another --------------------------------------------------------------------------

KINDS = ("wall", "roof", "floor", "slide-floor", "bay", "cabin", "bed", "underbelly")
PARTS = ("off", "door", "front", "rear", "mid", "low", "high", "slide1", "bath", "x" * 30, "wm")
CODES = st.lists(
    st.tuples(
        st.lists(st.sampled_from(PARTS), min_size=1, max_size=4).map("-".join),
        st.sampled_from(KINDS),
    ),
    max_size=12,
    unique_by=lambda zone: zone[0],
)


def overlap(one: tuple[float, ...], two: tuple[float, ...]) -> bool:
    return one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]


def assert_legible(view: View) -> None:
    discs = [(mark.at, RADIUS) for mark in view.marks]
    discs += [(way.points[0], DISC) for way in view.ways]
    for (p, r), (q, s) in combinations(discs, 2):
        assert hypot(p[0] - q[0], p[1] - q[1]) >= r + s
    for one, two in combinations(view.marks, 2):
        assert not overlap(one.box, two.box)
    for mark in view.marks:
        left, top, right, bottom = mark.box
        assert left >= 0
        assert right <= WIDTH
        assert view.top <= top < bottom <= view.bottom
        assert text_width(mark.label) <= right - left
        for point, r in discs:  # labels stand clear of every disc
            assert not overlap(mark.box, (point[0] - r, point[1] - r, point[0] + r, point[1] + r))
        for other in view.marks:  # and no line runs through another's label
            (u, v0), (_, v1) = other.line
            thin = (u, min(v0, v1), u, max(v0, v1))
            assert other is mark or not overlap(mark.box, thin)


@given(body_type=st.sampled_from(TYPES), codes=CODES, wet=st.integers(0, 12))
def test_nothing_hides_another_and_every_zone_is_drawn_once_or_listed(body_type, codes, wet):
    zones = [
        shown(code, kind, "wet" if k < wet else "dry", body_type)
        for k, (code, kind) in enumerate(codes)
    ]
    drawn = outline(body_type, zones, slides=1)
    for view in drawn.views:
        assert_legible(view)
    there = [mark.zone.code for view in drawn.views for mark in view.marks]
    assert sorted([*there, *(zone.code for zone, _ in drawn.listed)]) == sorted(c for c, _ in codes)
    for view in drawn.views:
        at = {mark.zone.code: mark.at for mark in view.marks}
        for way in view.ways:
            assert way.points[-1] == at[way.zone]
    numbers = [way.number for way in drawn.ways]
    assert numbers == list(range(1, len(numbers) + 1))


@pytest.mark.parametrize("body_type", TYPES)
def test_twelve_usual_zones_all_find_room(body_type):
    drawn = outline(
        body_type, [shown(c, k, WORDS[i % 4]) for i, (c, k) in enumerate(FULL)], slides=1
    )
    assert drawn.listed == ()
    for view in drawn.views:
        assert_legible(view)


def test_more_zones_than_a_view_has_room_for_are_listed_the_least_urgent_first():
    zones = [Shown(f"off-rear-low-{k:02}", "wall", "dry") for k in range(40)]
    drawn = outline("travel trailer", zones)
    assert {why for _, why in drawn.listed} == {"room"}
    kept = [mark.zone.code for view in drawn.views for mark in view.marks]
    assert zones[0].code in kept
    assert_legible(next(view for view in drawn.views if view.name == "off"))


# --- ways of water ----------------------------------------------------------------------------------


def test_every_entry_that_is_listed_anywhere_has_a_word_to_be_drawn_by():
    kinds = ("wall", "roof", "floor", "slide-floor", "slide-roof", "bay", "underbelly", "bed")
    places = [(f"{h}-x", kind) for h in ("low", "high") for kind in kinds] + [
        ("cab-bunk-off", "bed")
    ]
    names = {e.name for code, kind in places for e in where_to_look(code, kind=kind)}
    assert names <= set(WORD_OF)


@pytest.mark.parametrize("body_type", TYPES[:-1])
def test_water_comes_from_above_and_ends_at_the_zone(body_type):
    """Alarm low, look high: common practice, no source."""
    drawn = outline(body_type, [shown("off-rear-low")])
    view = next(view for view in drawn.views if view.name == "off")
    assert [(way.number, way.rank) for way in view.ways] == [(1, 0), (2, 1), (3, 2)]
    edge = view.ways[0]
    assert WORD_OF[edge.entry.name] == "edge"
    assert abs(edge.points[0][1] - view.frame.crown(edge.points[0][0])) <= DISC
    for way in view.ways:
        assert way.points[-1] == spot(drawn, "off-rear-low")[1:]
        for upper, lower in pairwise(way.points):  # never uphill
            assert lower[1] >= upper[1]


def test_an_entry_whose_place_the_body_does_not_tell_is_numbered_but_not_drawn():
    drawn = outline("house boat", [shown("off-rear-low")])
    window = next(way for way in drawn.ways if WORD_OF[way.entry.name] == "window")
    assert window.points == ()
    assert window.number == 2


# --- as SVG -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("hostile", HOSTILE)
def test_what_people_write_is_text_in_the_drawing(hostile):
    code = f"off-rear-low-{hostile}"
    drawn = outline(hostile, [Shown(code, "wall", "wet", where_to_look(code, kind="wall"))])
    known = {"svg", "g", "path", "circle", "rect", "text", "a"}
    attributes = {"class", "viewBox", "role", "aria-label", "aria-hidden", "href", "d", "cx", "cy", "r",
                  "x", "y", "width", "height", "font-size", "text-anchor", "transform",
                  "stroke-dasharray"}  # fmt: skip
    names = []
    for view in drawn.views:
        for part in links(view).iter():
            assert part.tag in known
            assert set(part.attrib) <= attributes
            if part.tag == "a":
                assert part.attrib["href"].startswith("/unit/u/zone/")
                names.append(part.attrib["aria-label"])
    assert all(
        name == f"{code}, wet, wall".replace("\t", " ") for name in names
    )  # as XML reads tabs
    assert len(names) + len(drawn.listed) == 1


def test_each_mark_is_a_link_whose_name_begins_as_its_label_does():
    drawn = outline("van", [shown("off-rear-low"), shown("roof-vent1-ring", "roof", "damp")])
    found = {
        link.attrib["aria-label"]: ["".join(t.itertext()) for t in link.iter("text")]
        for view in drawn.views
        for link in links(view).iter("a")
    }
    # WCAG 2.2, 2.5.3 label in name
    assert found == {
        "off-rear-low, wet, wall": ["off-rear-low", "wet"],
        "roof-vent1-ring, damp, roof": ["roof-vent1-ring", "damp"],
    }


def test_text_is_twelve_pixels_on_a_phone_of_320_and_a_mark_large_enough_for_a_finger():
    drawn = outline("travel trailer", [shown(c, k) for c, k in FULL], slides=1)
    margins = 2 * 16  # of the page, board.css
    assert 320 - margins >= WIDTH
    for view in drawn.views:
        sizes = [float(t.attrib["font-size"]) for t in links(view).iter("text")]
        assert min(sizes, default=TEXT) >= 12
        for mark in view.marks:  # WCAG 2.2, 2.5.8 target size: 24 by 24
            left, top, right, bottom = mark.box
            assert min(right - left, bottom - top) >= 24


def test_colour_is_never_alone():
    assert len(set(SHAPES.values())) == len(SHAPES) == 4
    codes = ("off-rear-low", "off-front-low", "door-rear-low", "door-front-low")
    zones = [shown(code, word=word) for code, word in zip(codes, WORDS, strict=True)]
    drawn = "".join(svg(view, label="view", link=str) for view in outline("class C", zones).views)
    for word in WORDS:
        assert f">{word}</text>" in drawn
        assert SHAPES[word] in drawn
    assert not re.search(r"#[0-9a-f]{3,8}\b|rgb|(?:fill|stroke|style|color)=", drawn)
    css = (ASSETS / "board.css").read_text(encoding="utf-8")
    rules = css[css.index("/* the outline of a unit") :].partition("\n/* ")[0]
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b|rgb|hsl", rules)  # dark pages keep their own
    dashes = re.findall(r"\.way\.rank[12] \{[^}]*stroke-dasharray: ([^;]+);", rules)
    assert len(set(dashes)) == 2  # the first is a full line


def test_a_mark_has_the_shape_that_its_word_has_on_the_board():
    for word, drawn in SHAPES.items():
        sign = (ASSETS / f"mark-{word}.svg").read_text(encoding="utf-8")
        numbers = r' (?:d|cx|cy|r)="[^"]+"'
        assert re.findall(numbers, drawn) == re.findall(numbers, sign), word


# --- on the Unit page -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Record]:
    folder = tmp_path_factory.mktemp("outlined")
    filled_record(folder, days=4).close()
    with open_record(folder, read_only=True) as opened:
        yield opened


def outlined(record: Record, declared: Unit | None = None) -> str:
    unit, _ = board.unit(record.engine, "van-wet", now_s=NOW_S)
    if declared:
        unit = replace(unit, declared=declared)
    return to_html(page.blocks(unit, wish("/unit/van-wet", "f=1", now_s=NOW_S)))


def test_the_table_holds_what_the_drawing_holds(record):
    html = outlined(record)
    drawn = re.findall(r'aria-label="([^"]+), (\w+), ([\w-]+)"', html)
    rows = re.findall(r'<tr><th scope="row">(.*?)</th>(.*?)</tr>', html)
    table = {code: re.findall(r"<td>(.*?)</td>", cells) for code, cells in rows}
    assert {code: cells[3] for code, cells in table.items()} == {c: word for c, word, _ in drawn}
    assert table["off-rear-low"][:3] == ["off side", "rear", "low"]
    assert table["air-main"][:3] == ["not said", "not said", "cabin"]
    assert table["slide1-floor-front"][:3] == ["slide 1", "front, outer", "slide-floor"]
    numbers = re.findall(r'class="entry">.*?>(\d+)</text>', html)
    assert numbers == re.findall(r"(\d+) [a-z]", table["off-rear-low"][4]) == ["1", "2", "3"]
    assert numbers == re.findall(r'class="number">(\d+)<', html)


def test_marks_lead_to_the_zone_and_keep_the_temperature_scale(record):
    assert (
        'href="/unit/van-wet/zone/off-rear-low?f=1" aria-label="off-rear-low, wet, wall"'
        in outlined(record)
    )


def test_the_drawing_stands_above_the_list_of_zones(record):
    html = seen(record, "/unit/van-wet")
    assert html.index('id="outline"') < html.index("<h2>Zones</h2>")


def test_entries_are_drawn_only_where_water_came_from_outside(record):
    html = seen(record, "/unit/van-dry")
    assert 'class="zone is-dry"' in html
    assert 'class="way"' not in html
    assert text.ENTRIES_OF not in html


def test_an_unknown_body_says_that_it_is_a_box_and_undeclared_slides_are_said(record):
    html = outlined(record, Unit("van-wet", "yard", body_type="<b>boat</b>", slides=3))
    assert "No outline is known for “&lt;b&gt;boat&lt;/b&gt;”: drawn as a plain box." in html
    assert "3 slides." in html
    assert "No zone in slide 2 and 3: not drawn." in html
    assert "Its kind is not declared: drawn as a plain box." in outlined(
        record, Unit("van-wet", "yard", body_type="")
    )


def test_a_unit_without_zones_has_no_drawing(tmp_path):
    with open_record(tmp_path) as empty:
        empty.add_site(Site("home"))
        empty.add_unit(Unit("rv1", "home"))
        assert 'id="outline"' not in seen(empty, "/unit/rv1")
