"""Every page for everybody: the rules of WCAG 2.2 AA, a narrow window, keys alone, dark and light.

The rules are axe-core's (the tags named below); what a program cannot see is looked at by hand here.
"""

import re
from collections.abc import Iterator
from itertools import combinations
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from dashboards.access import PAGES
from tests.browser.test_board import SIZES, Board, fits, opened, window
from tests.filled import filled_record
from tests.test_access import PAGES as ADDRESSES
from tests.test_repairs import END_S, REPAIR, followed, history

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
# in the order of the board; those below a repair are looked at with a record that has one
PATHS = [path for path in ADDRESSES if path.count("/") < 4 or not path.startswith("/proof/")]


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    home = tmp_path_factory.mktemp("board")
    filled_record(home, days=15).close()
    serving = Board(home)
    yield serving
    serving.stop()


def shown(page: Page, board: Board, path: str) -> None:
    page.goto(board.address + path)
    expect(page.locator("#main h1")).to_be_visible()
    if page.locator("#main .graph").count():
        expect(page.locator("#main .graph .main-svg").first).to_be_visible(timeout=30_000)


def violations(page: Page) -> list[str]:
    options: dict[str, Any] = {
        "runOnly": {"type": "tag", "values": RULES},
        "rules": {"target-size": {"enabled": True}},  # off unless asked for
        "resultTypes": ["violations"],
    }
    found = Axe().run(page, options=options).response["violations"]
    return [
        f"{one['id']}: {node['html'][:160]} | {node['failureSummary'].splitlines()[1].strip()[:200]}"
        for one in found
        for node in one["nodes"][:3]
    ]


def test_every_page_of_the_table_is_looked_at() -> None:
    assert len(ADDRESSES) >= len(PAGES)
    assert len(PATHS) == len(ADDRESSES) - 1


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        ("phone", "light"),
        ("desk", "dark"),
        pytest.param("phone", "dark", marks=pytest.mark.long),
        pytest.param("desk", "light", marks=pytest.mark.long),
    ],
)
def test_no_page_breaks_a_rule_of_wcag(
    browser: Browser, board: Board, size: str, scheme: str
) -> None:
    page, faults = opened(browser, board, size)
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    broken = {}
    for path in PATHS:
        shown(page, board, path)
        page.evaluate(
            "document.querySelectorAll('#main details').forEach(each => { each.open = true })"
        )
        if found := violations(page):
            broken[path] = found
    assert broken == {}
    assert faults == []
    page.context.close()


def test_a_page_that_breaks_rules_is_caught(browser: Browser, board: Board) -> None:
    page, _ = opened(browser, board, "desk")
    shown(page, board, "/settings")
    page.evaluate(
        """() => {
          document.querySelector('#main p').style.color = '#aaaaa8';
          document.querySelector('#main form label').remove();
          document.querySelector('#main table th').setAttribute('role', 'nothing');
          const small = '<button style="all: unset; width: 9px; height: 9px; display: inline-block">x</button>';
          document.querySelector('#main h1').insertAdjacentHTML('afterend', `<div>${small}${small}</div>`);
        }"""
    )
    broken = {one.split(":")[0] for one in violations(page)}
    assert {"color-contrast", "select-name", "aria-roles", "target-size"} <= broken
    page.context.close()


def test_the_door_breaks_no_rule_either(browser: Browser, board: Board) -> None:
    page = browser.new_page()
    for path in ("/login", "/link/nothing"):
        page.goto(board.address + path)
        assert violations(page) == []
    page.context.close()


@pytest.fixture(scope="module")
def repaired(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    home = tmp_path_factory.mktemp("repaired")
    followed(home, history()).close()
    serving = Board(home)
    serving.now_s = END_S
    yield serving
    serving.stop()


def test_the_page_of_a_repair_breaks_no_rule_either(browser: Browser, repaired: Board) -> None:
    for size, scheme in (("phone", "dark"), ("desk", "light")):
        page, faults = opened(browser, repaired, size, now_s=END_S)
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        shown(page, repaired, f"/proof/u1/w1/{REPAIR.at_s}")
        expect(page.locator("#main .mark").first).to_be_visible()
        assert violations(page) == [], (size, scheme)
        assert fits(page)
        assert faults == []
        page.context.close()


def test_a_window_of_320_pixels_scrolls_one_way(browser: Browser, board: Board) -> None:
    """Reflow at 320 CSS pixels (WCAG 2.2, 1.4.10)."""
    page = window(browser, board, 320, 640)
    for path in PATHS:
        shown(page, board, path)
        assert fits(page), path
    page.context.close()


BARE_ROWS = """() => [...document.querySelectorAll('table')].flatMap((table) => [
  ...(table.querySelector('thead th[scope=col]') ? [] : [table]),
  ...[...table.querySelectorAll('tbody tr')].filter((row) => !row.querySelector('th[scope=row]')),
]).map((each) => each.outerHTML.slice(0, 80))"""


def test_every_column_and_row_of_a_table_has_its_header(browser: Browser, board: Board) -> None:
    page = window(browser, board, *SIZES["desk"])
    tables = 0
    for path in PATHS:
        shown(page, board, path)
        tables += page.locator("table").count()
        assert page.evaluate(BARE_ROWS) == [], path
    assert tables >= 6
    page.context.close()


OUTLINES = """async () => {
  const found = {};
  for (const mark of document.querySelectorAll('.counts .mark')) {
    const sign = mark.querySelector('img');
    await sign.decode();
    const canvas = new OffscreenCanvas(24, 24), brush = canvas.getContext('2d');
    brush.drawImage(sign, 0, 0, 24, 24);
    const opaque = brush.getImageData(0, 0, 24, 24).data.filter((_, k) => k % 4 === 3);
    found[mark.innerText.trim()] = Array.from(opaque, (alpha) => alpha > 127 ? '#' : ' ').join('');
  }
  return found;
}"""


def test_without_colour_each_state_has_its_word_and_its_own_shape(
    browser: Browser, board: Board
) -> None:
    """What a grey picture keeps of a state (WCAG 2.2, 1.4.1): its word, and an outline of its own."""
    page = window(browser, board, *SIZES["phone"])
    shown(page, board, "/")
    shapes = page.evaluate(OUTLINES)
    assert sorted(shapes) == ["damp", "dry", "unknown", "wet"]
    for one, other in combinations(shapes.values(), 2):
        drawn = [pair for pair in zip(one, other, strict=True) if "#" in pair]
        assert sum(a != b for a, b in drawn) >= len(drawn) / 4
    for path in ("/unit/van-wet", "/unit/van-wet/zone/off-rear-low", "/unit/van-lost"):
        shown(page, board, path)
        for mark in page.locator("#main .mark").all():
            assert mark.inner_text().strip() in shapes
    page.context.close()


FOCUSED = """() => {
  const here = document.activeElement, style = getComputedStyle(here), box = here.getBoundingClientRect();
  return [here.tagName, here.outerHTML.slice(0, 90), parseFloat(style.outlineWidth) || 0, box.top, box.height];
}"""
CONTROLS = """() => [...document.querySelectorAll(
  'a[href], button, input:not([type=hidden]), select, summary, [tabindex="0"]')]
  .filter(each => each.checkVisibility() && !each.closest('details:not([open]) > :not(summary)')).length"""


FIRST = {"/", "/alarms", "/unit/van-wet", "/unit/van-wet/zone/off-rear-low", "/settings", "/nodes"}


@pytest.mark.parametrize(
    "path",
    [path if path in FIRST else pytest.param(path, marks=pytest.mark.long) for path in PATHS],
)
def test_keys_alone_reach_every_control_and_the_focus_shows(
    browser: Browser,
    board: Board,
    path: str,
) -> None:
    page, _ = opened(browser, board, "desk")
    shown(page, board, path)
    controls = page.evaluate(CONTROLS)
    reached = set()
    for _turn in range(controls + 30):
        page.keyboard.press("Tab")
        tag, text, outline, _, _ = page.evaluate(FOCUSED)
        if tag == "BODY":
            break
        reached.add(
            page.evaluate(
                "() => [...document.querySelectorAll('*')].indexOf(document.activeElement)"
            )
        )
        assert outline >= 2, text
    assert len(reached) >= controls, (len(reached), controls)
    page.context.close()


def wait(page: Page, condition: str) -> None:
    """Until a condition holds; the driver's own way needs `eval`, which the board forbids."""
    for _ in range(200):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(50)
    raise AssertionError(condition)


def test_dragging_over_a_chart_goes_to_those_days_and_back_leads_out_again(
    browser: Browser, board: Board
) -> None:
    """Links of days do the same without a drag (WCAG 2.2, 2.5.7)."""
    page, faults = opened(browser, board, "desk")
    shown(page, board, "/unit/van-wet/zone/off-rear-low")
    wait(page, "document.querySelector('.js-plotly-plot').layout.dragmode === 'zoom'")
    area = page.locator(".nsewdrag").first
    area.scroll_into_view_if_needed()
    box = area.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] * 0.30, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.38, box["y"] + 60, steps=5)
    page.mouse.up()
    expect(page).to_have_url(re.compile(r"\?days=2&to=2025-11-16$"))
    first = "document.querySelector('.js-plotly-plot').layout.xaxis.range"
    wait(page, f"({first}[1] - {first}[0]) === 2 * 86400000")
    page.go_back()
    wait(page, f"({first}[1] - {first}[0]) === 14 * 86400000")
    expect(page.get_by_role("link", name="← earlier")).to_be_visible()
    assert faults == []
    page.context.close()
