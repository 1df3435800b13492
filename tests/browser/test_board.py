"""The board in a real browser, on a phone and on a desk."""

import re
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect
from werkzeug.serving import make_server

from dashboards.app import make_app
from monitor import text
from monitor.store import schema as t
from monitor.store.record import open_record
from tests.filled import NOW_S, filled_record
from tests.signed import session

SIZES = {"phone": (390, 844), "desk": (1440, 900)}

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]


class Board:
    """A board over a record of its own, served on a free port."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.record = open_record(home, read_only=True)
        self.now_s = NOW_S
        app = make_app(self.record, now=lambda: self.now_s, change=lambda: open_record(home))
        self.server = make_server("127.0.0.1", 0, app.server, threaded=True)
        self.address = f"http://127.0.0.1:{self.server.server_port}"
        self.thread = threading.Thread(target=self.server.serve_forever)
        self.thread.start()

    def stop(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join(10)
        self.record.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    filled_record(tmp_path, days=15).close()
    serving = Board(tmp_path)
    yield serving
    serving.stop()


def window(browser: Browser, board: Board, width: int, height: int, *, now_s: int = NOW_S) -> Page:
    """Open a window of somebody who is signed in."""
    page = browser.new_page(viewport={"width": width, "height": height})
    secret = session(board.home, now_s=now_s)
    page.context.add_cookies([{"name": "sillkeep", "value": secret, "url": board.address}])
    return page


def opened(
    browser: Browser, board: Board, size: str, *, now_s: int = NOW_S
) -> tuple[Page, list[str]]:
    """Open such a window, and write down what it complains of and what it asks elsewhere."""
    page = window(browser, board, *SIZES[size], now_s=now_s)
    faults: list[str] = []
    page.on("console", lambda m: faults.append(m.text) if m.type in {"error", "warning"} else None)
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on(
        "request",
        lambda r: (
            faults.append(r.url)
            if urlsplit(r.url).hostname not in {"127.0.0.1", None} and not r.url.startswith("data:")
            else None
        ),
    )
    return page, faults


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


@pytest.mark.parametrize("size", SIZES)
def test_a_person_walks_from_the_lot_to_a_zone_and_acknowledges(browser, board, size):
    page, faults = opened(browser, board, size)
    page.goto(board.address)
    expect(page.get_by_role("heading", level=1)).to_have_text("Lot")
    expect(page.locator(".units > li")).to_have_count(3)
    expect(page.locator(".units .strip").first).to_have_js_property("complete", True)
    assert fits(page)

    page.locator(".units a").first.click()
    expect(page).to_have_title("van-wet – Sillkeep")
    expect(page.locator(".word .mark")).to_have_text("wet")
    assert fits(page)

    page.locator(".zones").get_by_role("link", name="off-rear-low").click()
    expect(page).to_have_title("off-rear-low – Sillkeep")
    expect(page.locator(".js-plotly-plot .bglayer")).to_have_count(5, timeout=60_000)
    assert fits(page)
    page.get_by_text("Humidity: daily values").click()
    expect(page.get_by_role("columnheader", name="humidity, mean")).to_be_visible()

    page.get_by_role("link", name="Fahrenheit").click()
    expect(page.locator(".facts").first).to_contain_text("°F")
    page.get_by_role("link", name="Alarms", exact=True).click()
    expect(page.get_by_text("3 open alarms, 2 not acknowledged.")).to_be_visible()
    assert fits(page)

    page.get_by_label("Your name or initials").first.fill("J. Doe")
    page.get_by_role("button", name="Acknowledge").first.click()
    expect(page.get_by_role("status").filter(has_text="acknowledged by J. Doe")).to_be_visible()
    expect(page.get_by_text("3 open alarms, 1 not acknowledged.")).to_be_visible()
    assert page.url.endswith("f=1")
    page.go_back()
    assert faults == []
    page.close()


def test_a_page_whose_board_no_longer_answers_says_that_it_is_old(browser, board):
    page, _ = opened(browser, board, "phone")
    page.clock.install()
    page.goto(board.address)
    expect(page.locator(".units > li")).to_have_count(3)
    for _ in range(3):
        board.now_s += 31
        with page.expect_response(re.compile("_dash-update")):
            page.clock.run_for(31_000)
    expect(page.locator("#stale")).to_be_hidden()
    board.stop()
    page.clock.run_for(120_000)
    expect(page.locator("#stale")).to_be_visible()
    expect(page.locator("#stale")).to_contain_text("has not answered since")
    page.close()


def test_a_refresh_keeps_what_a_person_types_and_opened(browser, board):
    page, _ = opened(browser, board, "desk")
    page.clock.install()
    page.goto(f"{board.address}/alarms")
    field = page.get_by_label("Your name or initials").first
    field.fill("half a na")
    page.get_by_text("More on working on a wet unit").click()
    board.now_s += 3600
    with page.expect_response(re.compile("_dash-update")):
        page.clock.run_for(31_000)
    expect(page.get_by_text("Drawn Tue 25 Nov 2025 12:00")).to_be_visible()
    expect(field).to_have_value("half a na")
    expect(page.get_by_text("N-95 mask")).to_be_visible()
    page.close()


def test_everything_can_be_reached_with_the_keyboard_and_is_large_enough(browser, board):
    page, _ = opened(browser, board, "phone")
    for path in ("/", "/unit/van-lost", "/alarms", "/chain"):
        page.goto(board.address + path)
        page.locator("h1").wait_for()
        small = page.evaluate(
            """() => [...document.querySelectorAll("header a, nav a, button, input, summary, .back a,"
                + " .who a, .first a")].filter(e => e.offsetParent && e.type !== "hidden")
                .map(e => [e.textContent, e.getBoundingClientRect()])
                .filter(([, r]) => r.height < 24 || r.width < 24).map(([t]) => t)"""
        )
        assert small == [], path
    page.goto(board.address)
    page.locator("h1").wait_for()
    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the page")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page).to_have_title("Alarms – Sillkeep")
    page.close()


def test_a_mark_of_the_drawing_is_reached_and_opened_with_the_keyboard(browser, board):
    page = window(browser, board, 320, 640)
    page.goto(board.address + "/unit/van-wet")
    mark = page.get_by_role("link", name="off-rear-low, wet, wall")
    mark.wait_for()
    drawn = page.evaluate(
        """() => [...document.querySelectorAll(".outline-view text")].map(t => ({
            height: t.getAttribute("font-size") * t.ownerSVGElement.getScreenCTM().a,
            text: t.getBoundingClientRect(),
            label: t.closest("a")?.querySelector("rect").getBoundingClientRect()}))"""
    )
    assert len(drawn) > 8
    assert all(one["height"] >= 12 for one in drawn)
    labels = [one for one in drawn if one.get("label")]
    assert all(one["text"]["right"] <= one["label"]["right"] for one in labels)
    page.locator(".back a").focus()
    for _ in range(20):  # past the alarm's own links
        page.keyboard.press("Tab")
        if mark.evaluate("one => one === document.activeElement"):
            break
    outline = "one => getComputedStyle(one.querySelector('rect')).strokeWidth"
    assert float(mark.evaluate(outline).removesuffix("px")) >= 3
    page.keyboard.press("Enter")
    expect(page).to_have_title("off-rear-low – Sillkeep")
    page.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_ten_units_of_the_morning_list_print_on_one_page(browser, board, paper):
    facts = {"u_percent": 24.1, "excess_percent": 9.3, "ambient_percent": 14.8, "rain_mm": 21.0}
    with open_record(board.home) as record, record.engine.begin() as db:
        db.execute(t.alarm.delete())
        for number in range(10):
            code = f"unit-{number}"
            unit = {"site_id": 1, "code": code, "slot": f"B-{number + 1}"}
            row = {
                "unit_id": db.execute(t.unit.insert(), unit).inserted_primary_key[0],
                "site_id": 1,
            }
            kind = ("leak suspect", "wet", "rot", "water contact")[number % 4]
            told = {"zone": "slide1-floor-front", "alarm_class": "today", "facts": facts}
            row |= {"kind": kind, "class": "today", "raised_s": NOW_S - 60, "state": "unacknowledged",
                    "text": text.alarm_text(kind, **told), "key": code,
                    "parts": "\n".join(text.alarm_parts(kind, **told))}  # fmt: skip
            db.execute(t.alarm.insert(), row)
    page, faults = opened(browser, board, "desk")
    page.goto(board.address + "/morning")
    expect(page.locator(".walk > li")).to_have_count(10)
    printed = page.pdf(format=paper)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1  # ISO 32000-1, 7.7.3.3: one a page
    assert faults == []
    page.close()


def test_a_filter_stands_in_the_address_and_back_takes_it_away(browser, board):
    page, faults = opened(browser, board, "phone")
    page.goto(board.address)
    page.get_by_role("navigation", name="By row").get_by_role("link", name="A", exact=False).click()
    expect(page.locator(".units > li")).to_have_count(2)
    assert page.url.endswith("/?row=A")
    expect(page.get_by_text("Shown below: 2 of 3 units (row A).")).to_be_visible()
    page.go_back()
    expect(page.locator(".units > li")).to_have_count(3)
    assert faults == []
    page.close()


@pytest.mark.parametrize(
    "path",
    ["/", "/morning", "/nodes", "/unit/van-lost", "/unit/van-wet/zone/off-rear-low", "/alarms"],
)
def test_the_narrowest_phone_needs_no_sideways_scrolling(browser, board, path):
    page = window(browser, board, 320, 640)
    page.goto(board.address + path)
    page.locator("h1").wait_for()
    assert fits(page)
    page.close()
