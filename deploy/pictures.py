"""Take the pictures of the README anew, from the demo.

    ./demo/run                                   # prints an address that signs in
    .venv/bin/python deploy/pictures.py ADDRESS  # writes deploy/board-*.png

It needs Chromium and the packages of the tests.
"""

import os
import sys
from pathlib import Path

from playwright.sync_api import Page, expect, sync_playwright

HERE = Path(__file__).parent
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
WIDTH = 1200
# name of the picture, address, how much of the page
PICTURES = (("lot", "/", 1100), ("unit", "/unit/u04", 1160))


def take(page: Page, name: str, address: str, height: int) -> Path:
    """One page, once it has drawn itself."""
    page.goto(address)
    expect(page.locator("#main h1")).to_be_visible(timeout=30_000)
    page.wait_for_load_state("networkidle")
    path = HERE / f"board-{name}.png"
    page.screenshot(
        path=path, clip={"x": 0, "y": 0, "width": WIDTH, "height": height}, full_page=True
    )
    return path


def main(link: str) -> None:
    """Sign in by the link, then take each picture."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDTH, "height": 900})
        page.goto(link)
        page.get_by_role("button").click()
        page.wait_for_load_state("networkidle")
        root = link.partition("/link/")[0]
        for name, path, height in PICTURES:
            print(take(page, name, root + path, height))  # noqa: T201  a script
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1])
