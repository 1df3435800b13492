"""The manual in a real browser: on a phone and on a desk, light and dark, without a network."""

import subprocess
import sys
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.browser.test_board import fits
from tests.browser.test_usable import violations
from tests.followed import ROOT

LOOKED_AT_TWICE = {"owner", "probes", "search"}  # in the dark too: all that is coloured is in them

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("manual")
    subprocess.run([sys.executable, "-m", "deploy.manual", str(folder)], check=True, cwd=ROOT)
    return folder


@pytest.mark.parametrize(
    ("width", "scheme"),
    [(320, "dark"), (390, "light"), (390, "dark"), (900, "light"), (1440, "dark")],
)
def test_every_page_can_be_read(browser: Browser, built: Path, width: int, scheme: str) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
    faults: list[str] = []
    broken: list[str] = []
    page.on("console", lambda m: faults.append(m.text) if m.type in {"error", "warning"} else None)
    page.on("request", lambda r: None if r.url.startswith("file:") else faults.append(r.url))
    for path in sorted(built.glob("*.html")):
        page.goto(path.as_uri())
        assert fits(page), path.name
        expect(page.locator("h1")).to_have_count(1)
        assert faults == [], path.name
        if width == 390 and (scheme == "light" or path.stem in LOOKED_AT_TWICE):
            broken += [f"{path.name}: {fault}" for fault in violations(page)]
            faults.clear()  # the checker asks for the style sheet, which a file may not
    assert broken == []
    page.close()


def test_a_word_is_found(browser: Browser, built: Path) -> None:
    page = browser.new_page()
    page.goto((built / "index.html").as_uri())
    page.get_by_role("link", name="Search").click()
    page.get_by_role("textbox").fill("receipt")
    page.get_by_role("button", name="search").click()
    found = page.locator("ul.search a")
    expect(found.filter(has_text="Messages of nodes").first).to_be_visible(timeout=15_000)
    page.close()
