"""Take the pictures of the README anew: `python -m deploy.pictures` writes deploy/board-*.png.

The demo's yard at a fixed time, so that on one machine they come out the same byte for byte. It needs
Chromium and the packages of the tests, and takes a minute.
"""

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain, islice
from pathlib import Path

from playwright.sync_api import Page, expect, sync_playwright

from demo import papers
from demo.yard import Yard
from monitor import demonstration, watch
from monitor.store import open_record
from tests.browser.conftest import CHROMIUM, FLAGS
from tests.browser.test_board import Board
from tests.signed import session

HERE = Path(__file__).parent
NOW_S = 1_795_505_640  # 2026-11-24T07:34Z, a Tuesday morning
GROUP = 2_000  # readings taken in one transaction
WIDTH = 1200
# name of the picture, address, how much of the page
PICTURES = (("lot", "/", 1100), ("unit", "/unit/u04", 1160))


def fill(home: Path) -> None:
    """The demo's yard as its nodes would have told it by now."""
    yard = Yard(seed=1, now_s=NOW_S)
    lot = home / "lot.toml"
    lot.write_text(yard.lot_toml(), encoding="utf-8")
    command = [sys.executable, "-m", "monitor.cli", "import", str(lot)]
    here = os.environ | {"SILLKEEP_HOME": str(home)}
    subprocess.run(command, env=here, check=True, stdout=subprocess.DEVNULL)  # noqa: S603
    demonstration.enter_papers(home, papers.write(yard, home))
    with open_record(home) as record:
        readings = chain.from_iterable(yard.past())
        while group := list(islice(readings, GROUP)):
            record.take(group, [], received_s=NOW_S)
        watch.tick(record, now_s=NOW_S)
        for part in ("intake", "watch", "broker", "messages", "pages"):
            record.beat(part, NOW_S)


@contextmanager
def board() -> Iterator[Board]:
    """A board over that yard, on a free port."""
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder))
        serving = Board(Path(folder))
        serving.now_s = NOW_S
        try:
            yield serving
        finally:
            serving.stop()


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


def main() -> None:
    """Take each picture."""
    with board() as serving, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": WIDTH, "height": 900}, color_scheme="light")
        secret = session(serving.home, now_s=NOW_S, name="Kim")
        page.context.add_cookies([{"name": "sillkeep", "value": secret, "url": serving.address}])
        for name, path, height in PICTURES:
            print(take(page, name, serving.address + path, height))  # noqa: T201  a script
        browser.close()


if __name__ == "__main__":
    main()
