"""One wall from the first wet day to the proof that its repair stayed dry, as people see it."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec import structs
from playwright.sync_api import Browser, Page, expect

from monitor import watch
from monitor.lot import BenchPoint
from monitor.store import Record, open_record
from sensors.wire import Reading
from tests.browser.test_board import Board, opened
from tests.judging import DAY_S, START_S
from tests.signed import session
from tests.test_photos import sent
from tests.test_repairs import DAYS, END_S, HOSE, HOUR_S, REPAIR, REPAIRED_DAY, furnish, history

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]
LEAKS_FROM, LEAKS_TO = 4 * DAY_S, REPAIRED_DAY * DAY_S
SEEN_S = START_S + 10 * DAY_S


def leaking() -> list[Reading]:
    """The history of the repair's own tests, with a wall that is soaked until it is repaired."""

    def soaked(reading: Reading) -> bool:
        passed_s = (reading.at_s or 0) - START_S
        return reading.probe == "p1" and LEAKS_FROM <= passed_s < LEAKS_TO

    return [
        structs.replace(one, humidity_percent=95.0) if soaked(one) else one for one in history()
    ]


def over_salt(record: Record, at_s: int) -> None:
    """The wall's probe an hour in a box, over two salts at 20 °C (Greenspan 1977)."""
    for salt, reference in (("MgCl2", 33.07), ("NaCl", 75.47)):
        point = BenchPoint(
            number=0, site="yard", node="n1", probe="p1", salt=salt, batch="", from_s=at_s - HOUR_S,
            at_s=at_s, measured_percent=reference - 0.4, temperature_c=20.0,
            reference_percent=reference, uncertainty_percent=0.6, recorded_s=at_s, who="Kim",
            back_s=at_s,
        )  # fmt: skip
        record.add_bench_point(point)


def lived(record: Record, readings: list[Reading], from_s: int, to_s: int) -> None:
    """What was measured in a span comes in, and the watch looks at it."""
    due = [one for one in readings if from_s <= (one.at_s or 0) < to_s]
    for start in range(0, len(due), 500):
        record.take(due[start : start + 500], [], received_s=to_s)
    watch.tick(record, now_s=to_s)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    with open_record(tmp_path) as record:
        furnish(record, events=())
    serving = Board(tmp_path)
    serving.now_s = SEEN_S
    yield serving
    serving.stop()


def later(page: Page, board: Board, now_s: int) -> None:
    """Time passes; who comes back signs in again."""
    board.now_s = now_s
    secret = session(board.home, now_s=now_s)
    page.context.add_cookies([{"name": "sillkeep", "value": secret, "url": board.address}])


def go(page: Page, board: Board, path: str) -> None:
    page.goto(board.address + path)
    expect(page.locator("#main h1")).to_be_visible()


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_leak_is_seen_taken_on_inspected_repaired_and_proven(
    browser: Browser, board: Board, size: str
) -> None:
    readings = leaking()
    with open_record(board.home) as record:
        lived(record, readings, START_S, SEEN_S)
    page, faults = opened(browser, board, size, now_s=SEEN_S)

    go(page, board, "/")  # five seconds: which unit, why
    first = page.locator(".first > li").first
    expect(first).to_contain_text("u1")
    expect(first).to_contain_text("w1")

    go(page, board, "/unit/u1")
    expect(page.locator(".word .mark")).to_have_text("wet")
    expect(page.get_by_role("heading", name="What to do next")).to_be_visible()

    go(page, board, "/alarms")
    wet = page.locator("article").filter(has_text=re.compile(r"\bwet\b")).first
    wet.get_by_label("Your name or initials").first.fill("Kim")
    wet.get_by_role("button", name="Acknowledge").click()
    expect(page.get_by_role("status").filter(has_text="acknowledged by Kim")).to_be_visible()

    wet = page.locator("article").filter(has_text=re.compile(r"\bwet\b")).first
    wet.get_by_text("Shelve, inspect or take out of service").click()
    form = (
        wet.locator("form.acts, form")
        .filter(has=page.get_by_role("button", name="Record inspection"))
        .first
    )
    form.get_by_label("Your name or initials").fill("Kim")
    form.locator("[name=why]").fill("cap seam open above the corner")
    form.get_by_role("button", name="Record inspection").click()
    expect(page.get_by_role("status").filter(has_text="Inspection noted")).to_be_visible()

    with open_record(board.home) as record:
        over_salt(record, START_S - DAY_S)
        for event in (REPAIR, HOSE):
            record.add_event("yard", event, recorded_s=event.at_s, who="Kim")
        lived(record, readings, SEEN_S, START_S + 20 * DAY_S)
    later(page, board, START_S + 20 * DAY_S + 60)
    go(page, board, "/proof")
    expect(page.locator("#main")).to_contain_text("not yet shown")
    page.get_by_role("link", name=re.compile("w1")).first.click()
    page.get_by_text("Add a photo of where the water came in").click()
    seam = {"name": "seam.jpg", "mimeType": "image/jpeg", "buffer": sent((900, 600))}
    page.locator("input[type=file]").set_input_files([seam])
    page.get_by_role("button", name="Keep the photo").click()
    expect(page.locator("#main .log img")).to_be_visible()

    with open_record(board.home) as record:
        lived(record, readings, START_S + 20 * DAY_S, START_S + 47 * DAY_S + 13 * HOUR_S)
        over_salt(record, START_S + 47 * DAY_S + 14 * HOUR_S)
        lived(record, readings, START_S + 47 * DAY_S + 13 * HOUR_S, START_S + DAYS * DAY_S)
        watch.tick(record, now_s=END_S)
    later(page, board, END_S)
    go(page, board, "/proof")
    expect(page.locator("#main")).to_contain_text("stayed dry")
    page.get_by_role("link", name=re.compile("w1")).first.click()
    expect(page.locator("#main")).to_contain_text("stayed dry so far")
    expect(page.locator("#main")).to_contain_text("wetting")
    go(page, board, "/unit/u1")
    expect(page.locator(".word .mark")).to_have_text("dry")
    go(page, board, "/alarms")
    page.get_by_text(re.compile("Ended or withdrawn")).click()
    expect(page.locator("#main")).to_contain_text("by Kim")
    go(page, board, "/unit/u1/zone/w1")
    noted = page.locator(".noted > li")
    expect(noted).to_have_count(3)
    expect(noted.nth(2)).to_contain_text("cap seam open above the corner")
    expect(noted.nth(1)).to_contain_text("repair")
    assert faults == []
    page.context.close()
