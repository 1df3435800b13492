"""Signing in as a person does it, and hostile strings in a real browser."""

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest
from playwright.sync_api import Browser, expect

from monitor.store import users
from monitor.store.record import open_record
from tests.browser.test_board import Board, fits, window
from tests.filled import NOW_S, filled_record
from tests.hostile import HOSTILE
from tests.signed import WHOLE
from tests.test_access import LOOKED_AT, said_everywhere

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]
PASSWORD = "kept four dry walls"


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    with filled_record(tmp_path, days=2) as record:
        by = users.Doer("test", NOW_S)
        users.add(record.engine, "Ann", role="owner", reach=WHOLE, password=PASSWORD, by=by)
    serving = Board(tmp_path)
    yield serving
    serving.stop()


def test_a_person_signs_in_with_the_keyboard_on_the_narrowest_phone(
    browser: Browser, board: Board
) -> None:
    page = browser.new_page(viewport={"width": 320, "height": 640})
    page.goto(f"{board.address}/unit/van-wet")
    expect(page).to_have_title("Sign in – Sillkeep")
    assert fits(page)
    name, password = page.get_by_label("Name", exact=True), page.get_by_label("Password")
    assert name.get_attribute("autocomplete") == "username"  # WCAG 2.2, 1.3.5 and 3.3.8
    assert password.get_attribute("autocomplete") == "current-password"
    assert password.get_attribute("onpaste") is None
    heights = [field.bounding_box()["height"] for field in (name, password, page.get_by_role("button"))]  # fmt: skip
    assert min(heights) >= 44
    page.keyboard.press("Tab")
    expect(name).to_be_focused()
    page.keyboard.type("Ann")
    page.keyboard.press("Tab")
    page.keyboard.type("not the one")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_have_text(
        "Name or password is not right. Check both and try again."
    )
    expect(name).to_have_value("Ann")
    assert fits(page)
    password.fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_contain_text("van-wet")
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_title("Sign in – Sillkeep")
    page.go_back()
    expect(page).to_have_title("Sign in – Sillkeep")  # nothing is shown from the browser's memory
    page.close()


def test_a_page_whose_session_is_over_leads_to_the_door_and_back(
    browser: Browser, board: Board
) -> None:
    page = window(browser, board, 390, 844)
    page.clock.install()
    page.goto(f"{board.address}/unit/van-wet?f=1")
    page.locator("h1").wait_for()
    with open_record(board.home) as record:
        users.end_all(record.engine, "Owner", by=users.Doer("test", NOW_S))
    page.clock.run_for(31_000)
    expect(page).to_have_title("Sign in – Sillkeep")
    page.get_by_label("Name", exact=True).fill("Ann")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"/unit/van-wet\?f=1$"))
    page.close()


@pytest.mark.parametrize("size", [(390, 844), (1440, 900), (320, 640)])
def test_pages_of_users_and_links_fit_and_can_be_reached(
    browser: Browser, board: Board, size: tuple[int, int]
) -> None:
    page = window(browser, board, *size)
    faults: list[str] = []
    page.on("console", lambda m: faults.append(m.text) if m.type in {"error", "warning"} else None)
    for path in ("/users", "/links", "/account", "/log"):
        page.goto(board.address + path)
        page.locator("h1").wait_for()
        assert fits(page)
        unnamed = page.evaluate(
            """() => [...document.querySelectorAll("input:not([type=hidden]), select, button")]
                .filter(e => !(e.labels?.length || e.textContent.trim() || e.ariaLabel))
                .map(e => e.outerHTML)"""
        )
        assert unnamed == []
        small = page.evaluate(
            """() => [...document.querySelectorAll("main input:not([type=hidden]), select, button,"
                + " footer a")].filter(e => e.getBoundingClientRect().height < 24).map(e => e.outerHTML)"""
        )
        assert small == []
    page.goto(f"{board.address}/users")
    page.get_by_label("Name", exact=True).fill("Bo <b>")
    page.get_by_label("Role").select_option("sales")
    page.get_by_role("button", name="Add user").click()
    link = page.locator(".secret").inner_text()
    page.get_by_role("link", name="Back").click()
    expect(page.get_by_text("Bo <b>")).to_be_visible()
    assert faults == []
    page.close()
    guest = browser.new_page(viewport={"width": size[0], "height": size[1]})
    guest.goto(link)
    assert fits(guest)
    guest.get_by_role("button", name="Sign in as Bo <b>").click()
    expect(guest.get_by_text("Signed in: Bo <b>, sales")).to_be_visible()
    guest.close()


def test_no_hostile_string_is_executed_in_a_browser(browser: Browser, board: Board) -> None:
    for said in HOSTILE:
        secret = said_everywhere(board.home, said.replace("\t", " "))
    everything = " ".join(HOSTILE)
    said_everywhere(board.home, everything.replace("\t", " "))
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    asked: list[str] = []
    page.on("dialog", lambda dialog: asked.append(dialog.message))
    page.on("request", lambda r: asked.append(r.url) if "invalid" in r.url else None)
    page.context.add_cookies([{"name": "sillkeep", "value": secret, "url": board.address}])
    for path in LOOKED_AT:
        for note in (everything[:190], everything[190:380], "<img src=x onerror=window.hit=1>"):
            page.goto(f"{board.address}{path}?{urlencode({'note': note})}")
            page.locator("h1").wait_for()
            expect(page.locator(".standing")).to_contain_text(note[:20].strip())
            assert page.evaluate("window.hit") is None, path
            assert page.locator("main script, main iframe, main object, main embed").count() == 0
    door = browser.new_page()
    for said in HOSTILE:
        door.goto(f"{board.address}/login?{urlencode({'next': said})}")
        assert door.evaluate("window.hit") is None, said
    assert asked == []
    page.close()
    door.close()
