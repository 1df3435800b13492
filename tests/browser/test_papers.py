"""Documents as HTML in a browser: no column is cut off in a window of a desk."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from monitor.reports import handed
from monitor.reports.document import html
from monitor.reports.handed import Wanted
from monitor.reports.told import Asked
from tests.test_repairs import END_S, benched, followed, history  # noqa: F401  a fixture

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


def test_no_table_is_cut_off_at_900_pixels(browser: Browser, tmp_path: Path) -> None:
    with followed(tmp_path, history()) as record:
        page = browser.new_page(viewport={"width": 900, "height": 900})
        for kind in ("sale", "season", "warranty"):
            asked = Wanted(kind, "u1", Asked(END_S))  # type: ignore[arg-type]
            page.set_content(html(handed.make(record, asked), paper="a4").decode())
            tables = page.locator(".wide").all()
            assert len(tables) > 1
            for table in tables:
                beyond = table.evaluate("each => each.scrollWidth - each.clientWidth")
                assert beyond <= 0, (kind, table.inner_text()[:80])
