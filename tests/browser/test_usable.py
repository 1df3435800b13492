"""Every page for everybody: the rules of WCAG 2.2 AA, a narrow window, keys alone, dark and light.

The rules are axe-core's (the tags named below); what a program cannot see is looked at by hand here.
"""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from dashboards.access import PAGES
from tests.browser.test_board import Board, fits, opened, window
from tests.filled import filled_record
from tests.test_access import PAGES as ADDRESSES

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
# in the order of the board; the last one is of a repair that this record does not have
PATHS = [path for path in ADDRESSES if not path.startswith("/proof/")]


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
    expect(page.locator("#main .graph .main-svg").first).to_be_visible() if page.locator(
        "#main .graph"
    ).count() else None


def violations(page: Page) -> list[str]:
    options: dict[str, Any] = {
        "runOnly": {"type": "tag", "values": RULES},
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
        }"""
    )
    broken = {one.split(":")[0] for one in violations(page)}
    assert {"color-contrast", "select-name", "aria-roles"} <= broken
    page.context.close()


def test_the_door_breaks_no_rule_either(browser: Browser, board: Board) -> None:
    page = browser.new_page()
    for path in ("/login", "/link/nothing"):
        page.goto(board.address + path)
        assert violations(page) == []
    page.context.close()


def test_a_window_of_320_pixels_scrolls_one_way_and_targets_are_large_enough(
    browser: Browser,
    board: Board,
) -> None:
    """Reflow at 320 CSS pixels (WCAG 2.2, 1.4.10) and targets of 24 (2.5.8)."""
    page = window(browser, board, 320, 640)
    for path in PATHS:
        shown(page, board, path)
        assert fits(page), path
    page.context.close()


FOCUSED = """() => {
  const here = document.activeElement, style = getComputedStyle(here), box = here.getBoundingClientRect();
  return [here.tagName, here.outerHTML.slice(0, 90), parseFloat(style.outlineWidth) || 0, box.top, box.height];
}"""
CONTROLS = """() => [...document.querySelectorAll(
  'a[href], button, input:not([type=hidden]), select, summary, [tabindex="0"]')]
  .filter(each => each.checkVisibility() && !each.closest('details:not([open]) > :not(summary)')).length"""


@pytest.mark.parametrize("path", ["/", "/alarms", "/unit/van-wet", "/settings", "/nodes"])
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
