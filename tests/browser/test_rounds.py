"""A round with a phone: no connection, lost answers, closed pages, a server that is down; nothing is lost or doubled."""

import io
import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Route, expect
from werkzeug.serving import make_server

from dashboards.app import make_app
from monitor.lot import Event, Finding
from monitor.store import users
from monitor.store.record import open_record
from tests.browser.test_board import Board, fits, window
from tests.browser.test_usable import violations
from tests.filled import NOW_S, filled_record
from tests.signed import session

pytestmark = [pytest.mark.browser, pytest.mark.timeout(240)]


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    filled_record(tmp_path, days=3).close()
    serving = Board(tmp_path)
    yield serving
    serving.stop()


@pytest.fixture
def page(browser: Browser, board: Board) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    secret = session(board.home, now_s=NOW_S)
    context.add_cookies([{"name": "sillkeep", "value": secret, "url": board.address}])
    yield context.new_page()
    context.close()


def photo() -> dict[str, object]:
    out = io.BytesIO()
    Image.linear_gradient("L").resize((2400, 1800)).convert("RGB").save(out, "JPEG", quality=90)
    return {"name": "seam.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


def kept_on_device(page: Page, board: Board, path: str = "/round/van-wet") -> None:
    page.goto(board.address + path)
    expect(page.locator("body")).to_have_attribute("data-kept", "1", timeout=30_000)
    expect(page.locator("h1")).to_contain_text(
        path.rsplit("/", maxsplit=1)[-1] if "van" in path else "Round"
    )


def choose(page: Page, of: str, label: str) -> None:
    page.locator(f"#{of}").get_by_text(label, exact=True).click()


def laminated(page: Page) -> None:
    choose(page, "walls", "laminated: smooth, skin bonded to foam")
    expect(page.locator("#check-smell")).to_be_visible()


def findings(board: Board) -> list[Finding]:
    with open_record(board.home, read_only=True) as record:
        return record.findings("van-wet")


def waiting(page: Page, count: int) -> None:
    expect(page.locator(".queue")).to_have_attribute("data-waiting", str(count), timeout=30_000)


def test_a_walk_without_a_connection_is_in_the_record_once(browser, board, page) -> None:
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    kept_on_device(page, board)
    assert fits(page)
    page.context.set_offline(True)
    page.reload()
    laminated(page)
    expect(page.get_by_text("The board is not reached")).to_be_visible()
    zone = page.evaluate("document.querySelector('h1').firstChild.textContent")
    choose(page, "check-press", "soft")
    choose(page, "result", "leak found")
    page.locator("#note").fill("sill gives way")
    page.locator("#photo").set_input_files([photo()])
    expect(page.locator(".photos img")).to_have_count(1)
    page.reload()  # half-filled: nothing is gone
    expect(page.locator("#note")).to_have_value("sill gives way")
    expect(page.locator(".photos img")).to_have_count(1)
    expect(page.locator("#check-press input[value=soft]")).to_be_checked()
    context = page.context
    page.close()
    page = context.new_page()
    page.goto(f"{board.address}/round/van-wet")  # opened without a connection
    expect(page.locator("#note")).to_have_value("sill gives way")
    page.get_by_role("button", name="Save finding").click()
    waiting(page, 1)
    expect(page.get_by_text("Zone 2 of 4")).to_be_visible()
    choose(page, "check-smell", "musty")
    page.get_by_role("button", name="Save finding").click()
    waiting(page, 2)
    assert findings(board) == []
    page.close()
    page = context.new_page()
    page.goto(f"{board.address}/round")
    waiting(page, 2)
    context.set_offline(False)
    waiting(page, 0)
    expect(page.locator(".queue")).to_contain_text("Last sent")
    first, second = sorted(findings(board), key=lambda found: found.checks)
    assert (first.zone, first.checks, first.result) == (zone, (("press", "soft"),), "leak found")
    assert first.construction == "laminated"
    assert second.checks == (("smell", "musty"),)
    assert first.round == second.round
    with open_record(board.home, read_only=True) as record:
        data = record.photo("van-wet", first.photos[0])
        shown = Image.open(io.BytesIO(data))
        assert max(shown.size) == 1600
        events = [e for e in record.events("yard", unit="van-wet") if e.kind == "inspection"]
        assert events == []  # a leak that was found ends no suspicion
    assert faults == []


def test_an_answer_that_is_lost_after_it_was_taken_doubles_nothing(board, page) -> None:
    kept_on_device(page, board)
    laminated(page)
    lost = []

    def lose(route: Route) -> None:
        if len(lost) < 2:
            lost.append(route.fetch().status)  # the board has it; the phone never hears
            route.abort()
        else:
            route.continue_()

    page.context.route("**/round-send", lose)
    choose(page, "check-water", "damp to touch")
    choose(page, "result", "condensation")
    page.get_by_role("button", name="Save finding").click()
    expect(page.locator(".queue")).to_contain_text("not reached")
    waiting(page, 1)
    assert len(findings(board)) == 1
    waiting(page, 0)
    assert lost == [200, 200]
    (found,) = findings(board)
    assert found.result == "condensation"
    with open_record(board.home, read_only=True) as record:
        noted = [e for e in record.events("yard", unit="van-wet") if e.kind == "inspection"]
    assert noted == [Event(found.at_s, "inspection", "condensation", "van-wet", found.zone)]


def test_a_server_that_is_down_and_comes_back(board, page) -> None:
    kept_on_device(page, board)
    laminated(page)
    port = board.server.server_port
    board.server.shutdown()
    board.server.server_close()
    board.thread.join(10)
    choose(page, "check-tap", "hollow")
    page.get_by_role("button", name="Save finding").click()
    waiting(page, 1)
    page.reload()
    waiting(page, 1)
    app = make_app(board.record, now=lambda: NOW_S, change=lambda: open_record(board.home))
    board.server = make_server("127.0.0.1", port, app.server, threaded=True)
    board.thread = threading.Thread(target=board.server.serve_forever)
    board.thread.start()
    waiting(page, 0)
    assert [f.checks for f in findings(board)] == [(("tap", "hollow"),)]


def test_a_session_that_is_over_loses_no_entry(board, page) -> None:
    kept_on_device(page, board)
    laminated(page)
    with open_record(board.home) as record:
        users.end_all(record.engine, "Owner", by=users.Doer("test", NOW_S))
    choose(page, "check-smell", "musty")
    page.get_by_role("button", name="Save finding").click()
    expect(page.get_by_role("alert")).to_contain_text("your entries stay")
    waiting(page, 1)
    with page.expect_download() as saving:  # the last resort
        page.get_by_role("button", name="Save entries as a file").click()
    saved = json.loads(Path(saving.value.path()).read_text())
    assert [one["entry"]["checks"] for one in saved["entries"]] == [{"smell": "musty"}]
    page.get_by_role("link", name="Sign in").click()
    expect(page).to_have_title("Sign in – Sillkeep")
    again = window(page.context.browser, board, 390, 844)
    cookies = again.context.cookies()
    again.context.close()
    page.context.add_cookies(cookies)
    page.goto(f"{board.address}/round")
    waiting(page, 0)
    assert len(findings(board)) == 1


def test_signing_out_warns_and_keeps_what_waits(board, page) -> None:
    kept_on_device(page, board)
    laminated(page)
    page.context.route("**/round-send", lambda route: route.abort())
    choose(page, "check-smell", "musty")
    page.get_by_role("button", name="Save finding").click()
    waiting(page, 1)
    page.goto(f"{board.address}/unit/van-wet")
    asked: list[str] = []

    def answer(dialog) -> None:
        asked.append(dialog.message)
        if len(asked) == 1:
            dialog.dismiss()
        else:
            dialog.accept()

    page.on("dialog", answer)
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_title("Round – Sillkeep")  # not signed out: to what waits
    page.goto(f"{board.address}/unit/van-wet")
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_title("Sign in – Sillkeep")
    assert "(1)" in asked[1]
    count = """async () => {
        const open = indexedDB.open('sillkeep-round');
        await new Promise((done) => { open.onsuccess = done; });
        const work = open.result.transaction(['queue', 'kept']);
        const counts = ['queue', 'kept'].map((name) => work.objectStore(name).count());
        await new Promise((done) => { work.oncomplete = done; });
        return [...counts.map((one) => one.result), (await caches.keys()).length];
    }"""
    assert page.evaluate(count) == [1, 0, 0]  # the entry stays; what was read of units does not


def test_signing_out_with_nothing_waiting_clears_the_device(board, page) -> None:
    kept_on_device(page, board)
    page.goto(f"{board.address}/unit/van-wet")
    page.get_by_role("button", name="Sign out").click()
    expect(page).to_have_title("Sign in – Sillkeep")
    assert page.evaluate("indexedDB.databases()") == []
    assert page.evaluate("caches.keys()") == []


def test_a_refused_entry_stays_with_its_reason_and_the_others_go(board, page) -> None:
    kept_on_device(page, board)
    laminated(page)
    page.evaluate(
        """async () => {
            const open = indexedDB.open('sillkeep-round', 1);
            await new Promise((done) => { open.onsuccess = done; });
            const work = open.result.transaction('queue', 'readwrite');
            work.objectStore('queue').put({ photos: [], entry: {
                identity: crypto.randomUUID(), round: crypto.randomUUID(), unit: 'van-wet', zone: 'gone',
                at_s: 1764000000, checks: {}, note: 'x' } });
            await new Promise((done) => { work.oncomplete = done; });
        }"""
    )
    choose(page, "check-smell", "musty")
    page.get_by_role("button", name="Save finding").click()
    waiting(page, 1)
    expect(page.locator(".queue")).to_contain_text('van-wet gone: there is no zone "gone"')
    assert len(findings(board)) == 1


def test_a_reading_without_its_device_is_not_saved_and_its_band_is_said(board, page) -> None:
    kept_on_device(page, board)
    laminated(page)
    page.locator("#meter-percent").fill("22,5")
    expect(page.locator(".band")).to_contain_text("trade scale of hand meters, common practice")
    page.get_by_role("button", name="Save finding").click()
    expect(page.locator(".said")).to_contain_text("no evidence")
    waiting(page, 0)
    page.locator("#meter-device").fill("the blue one")
    choose(page, "meter", "pin")
    page.get_by_role("button", name="Save finding").click()
    waiting(page, 0)
    expect(page.locator(".queue")).to_contain_text("Last sent")
    (found,) = findings(board)
    assert found.meter is not None
    assert (found.meter.percent, found.meter.mode) == (22.5, "pin")


def test_words_older_than_twelve_hours_are_unknown_and_the_roof_is_closed(board, page) -> None:
    kept_on_device(page, board)
    laminated(page)
    page.evaluate(
        """async () => {
            const open = indexedDB.open('sillkeep-round', 1);
            await new Promise((done) => { open.onsuccess = done; });
            const work = open.result.transaction('kept', 'readwrite');
            const kept = work.objectStore('kept');
            const read = kept.get('data');
            await new Promise((done) => { read.onsuccess = done; });
            const aged = read.result;
            aged.at_ms -= 13 * 3600 * 1000;
            for (const unit of aged.data.units) {
              unit.roof = { open: true, said: 'OPEN' };
              Object.assign(unit.zones[0], { is_roof: true, roof_step: 'ROOF STEP', word: 'dry', said: 'dry' });
            }
            kept.put(aged, 'data');
            await new Promise((done) => { work.oncomplete = done; });
        }"""
    )
    page.context.set_offline(True)
    page.reload()
    expect(page.get_by_text("older than 12 hours")).to_be_visible()
    shown = page.locator("main").inner_text()
    assert "Keep off the roof: a roof zone is unknown" in shown
    assert "ROOF STEP" not in shown
    assert "OPEN" not in shown
    assert "4 of 4 zones are unknown" in shown


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_of_a_round_is_for_everybody_and_for_gloves(board, page, scheme) -> None:
    page.emulate_media(color_scheme=scheme)
    kept_on_device(page, board, "/round")
    assert violations(page) == []
    assert fits(page)
    page.goto(f"{board.address}/round/van-wet")
    expect(page.locator("#walls")).to_be_visible()
    laminated(page)
    choose(page, "check-growth", "over 9 m² (100 sq ft)")
    expect(page.locator("#check-growth")).to_contain_text("ask a licensed professional")
    assert violations(page) == []
    assert fits(page)
    small = page.evaluate(
        """() => [...document.querySelectorAll("main button, main a, main .choices label, main label.button,"
            + " main input[type=text], main textarea")]
            .filter((e) => e.getBoundingClientRect().height < 44).map((e) => e.outerHTML.slice(0, 120))"""
    )
    assert small == []
