"""How many unit-months are judged again in a second, by one worker and by two.

    python -m tests.bench.recompute [--sites 4] [--units 2] [--days 59] [--runs 3]

Units of six zones, a sample every ten minutes, judged by a watch before. Runs alternate, medians; each into
an empty folder, with workers that have started (what their start takes is told apart), and with threads
in place of processes: how much the judge holds the interpreter. Processor time, which another load on the
machine changes less, is of the runs in this process. The yardstick
does in plain pandas what anybody would write first: psychrolib's dew point for each reading, one call a
row, and the means of each zone and hour; of the two dozen figures of an hour it gives three, and no words.
"""

import argparse
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pandas as pd

from monitor import recompute, watch
from monitor.exchange import partitions
from monitor.lot import Placement, Site, Unit, Zone
from monitor.recompute import month
from monitor.store import Record, open_record
from sensors.wire import Reading
from tests.bench.air import psychrolib
from tests.bench.rows import Row, seconds, told

PLAIN = psychrolib(compiled=False)
DAY_S, STEP_S = 86_400, 600
START_S = 1_893_456_000  # 2030-01-01
ZONES = ("off-rear-low", "off-mid-low", "door-rear-low", "roof-front", "floor-rear", "air-main")
GROUP = 2_000


def fill(record: Record, sites: int, units: int, days: int) -> None:
    rng = np.random.default_rng(4)
    for site in (f"s{number}" for number in range(sites)):
        record.add_site(Site(site))
        record.add_zone(site, Zone("", "outside", "outside"))
        record.place(
            Placement("air", "p1", site, "", "outside", START_S), recorded_s=0, who="bench"
        )
        nodes = {"air": 1}
        for unit in (f"{site}-{number}" for number in range(units)):
            record.add_unit(Unit(unit, site))
            nodes[f"n-{unit}"] = len(ZONES)
            for probe, code in enumerate(ZONES, 1):
                record.add_zone(site, Zone(unit, code, "cabin" if code == "air-main" else "wall"))
                place = Placement(f"n-{unit}", f"p{probe}", site, unit, code, START_S)
                record.place(place, recorded_s=0, who="bench")
        for node, probes in nodes.items():
            level = rng.normal(66, 6, probes)
            readings = []
            for seq in range(days * DAY_S // STEP_S):
                day = np.sin(2 * np.pi * (seq * STEP_S % DAY_S) / DAY_S)
                noise = rng.normal(0, 0.3, (2, probes))
                readings += [
                    Reading(
                        site=site,
                        node=node,
                        probe=f"p{probe + 1}",
                        boot=1,
                        seq=seq,
                        at_s=START_S + seq * STEP_S,
                        temperature_c=round(float(9 + 4 * day + noise[0, probe]), 2),
                        humidity_percent=round(float(level[probe] - 5 * day + noise[1, probe]), 2),
                    )
                    for probe in range(probes)
                ]
            for at in range(0, len(readings), GROUP):
                record.take(readings[at : at + GROUP], [], received_s=START_S + days * DAY_S)
    watch.tick(record, now_s=START_S + days * DAY_S)


def plain(files: Path) -> pd.DataFrame:
    """Dew point row by row, means by zone and hour."""
    readings = pd.read_parquet(files)
    readings = readings[readings["unit"] != ""]
    readings["dew_point_c"] = [
        PLAIN.GetTDewPointFromRelHum(celsius, humid / 100.0)
        for celsius, humid in zip(
            readings["temperature_c"], readings["humidity_percent"], strict=True
        )
    ]
    readings["hour"] = readings["time"].dt.floor("h")
    figures = ["temperature_c", "humidity_percent", "dew_point_c"]
    return readings.groupby(["unit", "zone", "hour"])[figures].mean()


def ready(_: int) -> int:
    time.sleep(0.2)  # so that each worker gets one
    return len(month.HOURS)


def measure(sites: int, units: int, days: int, runs: int) -> list[Row]:
    """A row for each way of working."""
    with tempfile.TemporaryDirectory() as room, ExitStack() as hands:
        home, files = Path(room) / "home", Path(room) / "files"
        with open_record(home) as record:
            fill(record, sites, units, days)
            partitions.export(record, files, sites=[], months=("", ""), tell=lambda _: None)

        def judged(executor: Executor) -> None:
            folder = Path(room) / "results"
            report = recompute.run(home, folder, recompute.Asked(), executor, tell=lambda *_: None)
            shutil.rmtree(folder)
            assert sum(site.hours.differing for site in report.sites) == 0

        one, two = (hands.enter_context(recompute.processes(count)) for count in (1, 2))
        thread, threads = (hands.enter_context(ThreadPoolExecutor(count)) for count in (1, 2))
        start_s = seconds(lambda: [list(pool.map(ready, range(4))) for pool in (one, two)])
        ways: dict[str, Callable[[], object]] = {
            "one process": lambda: judged(one),
            "two processes": lambda: judged(two),
            "one thread": lambda: judged(thread),
            "two threads": lambda: judged(threads),
            "plain pandas": lambda: plain(files / "readings"),
        }
        took: dict[str, list[float]] = {name: [] for name in ways}
        used: dict[str, list[float]] = {name: [] for name in ways}
        for _ in range(runs):
            for name, run in ways.items():
                before_s = time.process_time()
                took[name].append(seconds(run))
                used[name].append(time.process_time() - before_s)
    months = sites * units * days / 30.4
    pace = {name: months / statistics.median(times) for name, times in took.items()}
    busy_s = {name: statistics.median(times) / months for name, times in used.items()}
    notes = {
        "one process": f"three workers start in {start_s:.1f} s",
        "one thread": f"{busy_s['one thread']:.2f} s of processor a unit-month, the yardstick "
        f"{busy_s['plain pandas']:.2f}",
    }
    return [
        Row(f"recompute, {name}", pace[name], "unit-months/s", "pandas, psychrolib row by row: 3 figures",
            pace["plain pandas"], notes.get(name, ""), main=name == "two processes")
        for name in ways
        if name != "plain pandas"
    ]  # fmt: skip


def table_rows(*, quick: bool) -> list[Row]:
    """Rows of the table of benches."""
    return measure(1, 1, 2, 1) if quick else measure(4, 2, 59, 3)


if __name__ == "__main__":
    words = argparse.ArgumentParser()
    words.add_argument("--sites", type=int, default=4)
    words.add_argument("--units", type=int, default=2)
    words.add_argument("--days", type=int, default=59)
    words.add_argument("--runs", type=int, default=3)
    asked = words.parse_args()
    print(told(measure(asked.sites, asked.units, asked.days, asked.runs)))
