"""How fast the board of a large lot is, beside an empty Dash page served the same way.

    nice -n 10 python -m tests.bench.board [--units 500] [--days 365] [--home FOLDER] [--runs 20]

Builds an invented record: six zones, six nodes and six probes a unit, every hour judged (a year of
500 units is 26 million hours, about 5 GB and some minutes; `--home` keeps it and finds it again), a
reading every six hours for the last three weeks, one unit in ten with an open alarm, one gateway
silent. Then serves it as `sillkeep pages` does and measures over HTTP: the first Lot of a process,
changes of filter, Nodes, 50 viewers at once; and in Chromium the Lot from an empty cache. Each beside
an empty Dash page in the same run; medians unless said.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlencode

from sqlalchemy import Connection, text

from dashboards.__main__ import THREADS
from dashboards.app import Lots
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import schema as t
from monitor.store.record import open_record
from monitor.text import alarm_text
from tests.bench.empty import OUTPUTS
from tests.bench.intake import memory_mb
from tests.bench.lots import enter
from tests.bench.rows import Row, told
from tests.conftest import unused_port
from tests.signed import session

ZONES = (("air-main", "cabin"), ("off-rear-low", "wall"), ("door-rear-low", "wall"),
         ("off-front-low", "wall"), ("slide1-floor-front", "slide-floor"), ("roof-vent1", "roof"))  # fmt: skip
LIVES = ("stock", "stock", "stock", "intake", "watch")
ROOT = Path(__file__).parents[2]
HOUR_S = 3600
ROW_UNITS, GATEWAY_UNITS = 20, 50
VIEWERS = 50
PAUSES = 8
CALLBACK = {
    "output": f"..{'...'.join(f'{name}.{key}' for name, key in OUTPUTS)}..",
    "outputs": [{"id": name, "property": key} for name, key in OUTPUTS],
    "changedPropIds": ["address.search"],
}


# --- the record -----------------------------------------------------------------------------------


def build(home: Path, *, units: int, hours: int, now_s: int, readings: int = 84) -> None:
    """Make the record of a lot: invented, deterministic; so many hours a zone and readings a probe."""
    from_s = now_s - hours * HOUR_S
    with open_record(home) as record:
        record.add_site(Site("lot", "Invented lot", "UTC", 20.0))
        record.add_zone("lot", Zone("", "outside", "outside"))
        outside = Placement("node-out", "p1", "lot", "", "outside", from_s)
        record.place(outside, recorded_s=from_s, who="bench")
        names = [
            Unit(
                f"rv{number:03}",
                "lot",
                "Invented",
                f"{row_of(number)}-{number % ROW_UNITS + 1}",
                life=LIVES[number % len(LIVES)],
            )
            for number in range(units)
        ]
        enter(
            record,
            names,
            ZONES,
            probe=lambda n, k: (f"n{n:03}{k}", "p1"),
            from_s=from_s,
            gateway=lambda n: f"gateway-{n // GATEWAY_UNITS + 1}",
        )
        with record.engine.begin() as db:
            _fill(db, hours=hours, now_s=now_s, readings=readings)


def row_of(number: int) -> str:
    """Row of a unit on the lot: A to Z, then A1 and so on."""
    row = number // ROW_UNITS
    return f"{chr(65 + row % 26)}{row // 26 or ''}"


def _fill(db: Connection, *, hours: int, now_s: int, readings: int) -> None:
    given = {"now_h": now_s // HOUR_S, "hours": hours, "now_s": now_s}
    count = "WITH RECURSIVE n(k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM n WHERE k + 1 < {}) "
    # one unit in ten has a wet wall, the rest of them swing about 13 %
    wood = (
        "CASE WHEN kind = 'wall' AND z.unit_id % 10 = 1 THEN 14.0 + 9.0 * k / :hours "
        "ELSE 13.0 + (zone_id * 7 % 11) / 5.0 + (k / 24 % 9) / 4.0 END"
    )
    db.execute(
        text(
            count.format(":hours")
            + "INSERT INTO hour (zone_id, hour, readings, coverage_percent, temperature_c, humidity_percent, "
            "dew_point_c, wood_moisture_percent, moisture_basis, ambient_moisture_percent, mould_index, "
            "mould_index_low, mould_index_high, rain_mm, state, trend, witnessed) "
            "SELECT zone_id, :now_h - :hours + k, 4, 100.0, 8.0 + k % 24 / 4.0, 72.0 + zone_id % 9, 4.0, "
            f"{wood}, 'air', 14.0, 0.1, 0.1, 0.1, CASE WHEN k % 120 < 9 THEN 1.4 ELSE 0.0 END, "
            "CASE WHEN zone_id > 1 AND zone_id <= 301 AND k > :hours - 45 THEN 'unknown' "
            f"WHEN {wood} >= 20 THEN 'wet' WHEN {wood} >= 16 THEN 'damp' ELSE 'dry' END, 'steady', 5 "
            "FROM zone z JOIN n ORDER BY zone_id, k"
        ),
        given,
    )
    # the first gateway is silent for two days
    heard = ":now_s - CASE WHEN probe_id <= 300 THEN 172800 ELSE 240 END"
    db.execute(
        text(
            "INSERT INTO latest (probe_id, at_s, received_s, temperature_c100, humidity_p100, battery_p, "
            f"signal_dbm) SELECT probe_id, {heard}, {heard}, 940, 8110, 20 + probe_id * 13 % 80, "
            "-60 - probe_id % 40 FROM probe WHERE true "
            "ON CONFLICT (probe_id) DO UPDATE SET at_s = excluded.at_s, battery_p = excluded.battery_p, "
            "signal_dbm = excluded.signal_dbm"
        ),
        given,
    )
    db.execute(
        text(
            count.format(readings)
            + "INSERT INTO reading (probe_id, boot, seq, at_s, received_s, temperature_c100, humidity_p100, "
            f"battery_p) SELECT probe_id, 1, k, {heard} - k * 21600, {heard} - k * 21600, 940, 8110, "
            "22 + probe_id * 13 % 80 FROM probe JOIN n"
        ),
        given,
    )
    said = alarm_text("wet", zone="off-rear-low", alarm_class="today", facts={"u_percent": 23.0})
    db.execute(
        text(
            "INSERT INTO alarm (site_id, unit_id, zone_id, kind, class, raised_s, state, text, key) "
            "SELECT site_id, unit_id, zone_id, 'wet', 'today', :now_s - 90000, 'unacknowledged', :said, "
            "'bench-' || zone_id FROM zone WHERE code = 'off-rear-low' AND unit_id % 10 = 1"
        ),
        {**given, "said": said},
    )
    silent = (
        "door-rear-low: nothing heard (its node). Likely cause: battery, radio, gateway or mains."
    )
    db.execute(
        text(
            "INSERT INTO alarm (site_id, unit_id, zone_id, node_id, kind, class, raised_s, state, text, key) "
            "SELECT n.site_id, z.unit_id, z.zone_id, n.node_id, 'silent', 'this week', :now_s - 90000, "
            "'unacknowledged', :said, 'silent-' || n.node_id FROM node n "
            "JOIN probe p ON p.node_id = n.node_id JOIN placement l ON l.probe_id = p.probe_id "
            "JOIN zone z ON z.zone_id = l.zone_id WHERE p.probe_id <= 300"
        ),
        {**given, "said": silent},
    )
    cause = {"site_id": 1, "kind": "gateway silent", "class": "today", "raised_s": now_s - 86_400,
             "state": "unacknowledged", "text": alarm_text("gateway silent", zone="lot", alarm_class="today",
                                facts={"place": "gateway-1", "members": 300.0}),
             "key": "bench-cause"}  # fmt: skip
    number = db.execute(t.alarm.insert(), cause).inserted_primary_key[0]
    db.execute(t.cause.insert(), {"cause_id": number, "place": "gateway-1", "began_s": now_s})
    db.execute(
        text(
            "INSERT INTO cause_member (cause_id, alarm_id, joined_s) "
            "SELECT :number, alarm_id, :now_s FROM alarm WHERE kind = 'silent'"
        ),
        {**given, "number": number},
    )


# --- serving --------------------------------------------------------------------------------------


@contextmanager
def serving(*command: str, port: int) -> Iterator[int]:
    """A server in a process of its own, two seconds after it first answers; its number."""
    with subprocess.Popen(
        [sys.executable, *command], cwd=ROOT, stderr=subprocess.DEVNULL
    ) as running:
        try:
            for _ in range(600):
                try:
                    urllib.request.urlopen(
                        f"http://127.0.0.1:{port}/assets/none", timeout=5
                    ).close()
                except urllib.error.HTTPError:
                    break
                except OSError:
                    time.sleep(0.1)
            else:
                raise RuntimeError(f"nothing answered on port {port}: {' '.join(command)}")
            time.sleep(2)
            yield running.pid
        finally:
            running.terminate()
            running.wait(20)


@contextmanager
def empty_page() -> Iterator[tuple[int, "Visitor"]]:
    """The yardstick in a process of its own: its number, and who asks it."""
    port = unused_port()
    with serving("-m", "tests.bench.empty", str(port), str(THREADS), port=port) as pid:
        yield pid, Visitor(port, "")


class Visitor:
    """Asks for pages as the browser's renderer does."""

    def __init__(self, port: int, secret: str) -> None:
        self.port = port
        self.root = f"http://127.0.0.1:{port}"
        self.cookie = f"sillkeep={secret}"

    def page(self, path: str, search: str = "") -> tuple[float, int]:
        """Seconds and bytes of a page."""
        inputs = [("address", "pathname", path), ("address", "search", search)]
        if self.cookie != "sillkeep=":
            inputs.append(("beat", "n_intervals", 0))  # type: ignore[arg-type]
        asked = CALLBACK | {
            "inputs": [{"id": i, "property": p, "value": v} for i, p, v in inputs],
            "state": [{"id": "fresh", "property": "data-charts", "value": None}]
            if len(inputs) == 3
            else [],
        }
        request = urllib.request.Request(
            f"{self.root}/_dash-update-component",
            json.dumps(asked).encode(),
            {"Content-Type": "application/json", "Cookie": self.cookie, "Origin": self.root},
        )
        start = time.perf_counter()
        with urllib.request.urlopen(request, timeout=120) as answer:
            body = answer.read()
        return time.perf_counter() - start, len(body)


# --- measuring ------------------------------------------------------------------------------------


def crowd(ask: Callable[[], tuple[float, int]]) -> tuple[float, float, int]:
    """Median and longest wait of 50 viewers at once, and how many got no page."""

    def one(_: int) -> float | None:
        try:
            return ask()[0]
        except OSError:
            return None

    with ThreadPoolExecutor(VIEWERS) as pool:
        waits = list(pool.map(one, range(VIEWERS)))
    got = [wait for wait in waits if wait is not None]
    return statistics.median(got), max(got), waits.count(None)


def in_browser(port: int, secret: str, shows: str, runs: int) -> float:
    """Seconds from an empty cache until a page shows something."""
    from playwright.sync_api import sync_playwright

    chromium = os.environ.get("CHROMIUM", "/usr/bin/chromium")
    found = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for _ in range(runs):
            context = browser.new_context(viewport={"width": 1440, "height": 900})
            url = f"http://127.0.0.1:{port}/"
            context.add_cookies([{"name": "sillkeep", "value": secret or "none", "url": url}])
            page = context.new_page()
            start = time.perf_counter()
            page.goto(url)
            page.locator(shows).first.wait_for()
            page.evaluate(
                "() => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))"
            )
            found.append(time.perf_counter() - start)
            context.close()
        browser.close()
    return statistics.median(found)


def measure(home: Path, *, runs: int, units: int, now_s: int, browser: bool) -> list[Row]:
    """A row a page; each beside the empty page, asked in turns."""
    secret = session(home, now_s=now_s)
    there = unused_port()
    with (
        serving(
            "-m", "dashboards", "--home", str(home.absolute()), "--port", str(there), port=there
        ) as pid,
        empty_page() as (bare_pid, empty),
    ):
        board = Visitor(there, secret)
        first, size = board.page("/")
        beside_first, _ = empty.page("/")
        letters = [row_of(k * ROW_UNITS) for k in range(max(1, units // ROW_UNITS))]
        filters = [
            "?"
            + urlencode(
                {"row": letters[k % len(letters)]}
                if k % 2
                else {"state": ("wet", "damp", "dry")[k // 2 % 3]}
            )
            for k in range(runs * 2)
        ]

        def asked(path: str, search: str = "", *, rest_s: float = 0.0) -> tuple[float, float]:
            time.sleep(rest_s)  # what was read is no longer shown
            return board.page(path, search)[0], empty.page("/")[0]

        changes = [asked("/", wanted) for wanted in filters]
        anew = [asked("/", wanted, rest_s=Lots.LOT_S + 1) for wanted in filters[:PAUSES]]
        again = [asked("/") for _ in range(runs)]
        nodes = [asked("/nodes") for _ in range(runs)]
        crowded, longest, failed = crowd(lambda: board.page("/"))
        crowded_empty, longest_empty, _ = crowd(lambda: empty.page("/"))
        took = [
            ("Lot, first of the process", first, beside_first, f"{size / 1000:,.0f} kB"),
            ("Lot, again", *_medians(again), ""),
            ("change of filter, p95", *map(_p95, zip(*changes, strict=True)), ""),
            (f"the same, {Lots.LOT_S + 1} s after the last", *_medians(anew), ""),
            ("Nodes", *_medians(nodes), f"{board.page('/nodes')[1] / 1000:,.0f} kB"),
            (f"{VIEWERS} viewers at once, median", crowded, crowded_empty, f"{failed} without a page"),
            (f"{VIEWERS} viewers at once, the last", longest, longest_empty, ""),
        ]  # fmt: skip
        if browser:
            lot = in_browser(there, secret, ".units > li", 5)
            took.append(
                ("Lot in Chromium, empty cache", lot, in_browser(empty.port, "", "h1", 5), "")
            )
        found = [
            Row(f"pages, {units} units: {name}", s * 1000, "ms", "empty Dash page", by * 1000, note,
                main=name in {"Lot, again", "Lot in Chromium, empty cache"})
            for name, s, by, note in took
        ]  # fmt: skip
        most = Row(f"pages, {units} units: memory at most", memory_mb(pid), "MB",
                   "empty Dash page", memory_mb(bare_pid))  # fmt: skip
        return [*found, most]


def _p95(times_s: Sequence[float]) -> float:
    return statistics.quantiles(times_s, n=20)[-1]


def _medians(pairs: list[tuple[float, float]]) -> tuple[float, float]:
    ours, beside = map(statistics.median, zip(*pairs, strict=True))
    return ours, beside


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches; twenty days of hours give the same as a year."""
    units, days, runs = (20, 2, 1) if quick else (500, 20, 20)
    now_s = int(time.time())
    with tempfile.TemporaryDirectory() as home:
        build(Path(home), units=units, hours=days * 24, now_s=now_s)
        return measure(Path(home), runs=runs, units=units, now_s=now_s, browser=not quick)


def main() -> None:
    """Build, serve, measure."""
    parser = argparse.ArgumentParser(description="Measure the board of a large lot.")
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--home", type=Path, help="folder that keeps the record")
    parser.add_argument("--no-browser", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as spare:
        home = options.home or Path(spare)
        home.mkdir(parents=True, exist_ok=True)
        now_s = int(time.time())
        start = time.perf_counter()
        if not (home / "record.sqlite").exists():
            build(home, units=options.units, hours=options.days * 24, now_s=now_s)
            size = sum(file.stat().st_size for file in home.iterdir() if file.is_file())
            print(f"built in {time.perf_counter() - start:.0f} s, {size / 1e9:.2f} GB")
        print(told(measure(home, runs=options.runs, units=options.units, now_s=now_s,
                           browser=not options.no_browser)))  # fmt: skip


if __name__ == "__main__":
    main()
