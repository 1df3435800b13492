"""How long a year of one zone takes to be drawn, beside an empty Dash page served the same way.

    python -m tests.bench.zone_year [--runs 10]

One unit of six zones with a sample every ten minutes for a year (52,560 readings a probe), judged as the
watch does. Asked for over HTTP as the browser asks: the year, three days of single readings, and the
year's readings as a file.
"""

import argparse
import statistics
import tempfile
import time
import urllib.request
from pathlib import Path

from msgspec import structs

from monitor import watch
from monitor.lot import Zone
from monitor.store import open_record
from sensors.wire import Reading
from tests.bench import board
from tests.bench.late import DAY_S, START_S, furnish, samples, take
from tests.conftest import unused_port
from tests.signed import session

ZONE = "/unit/u000/zone/off-rear-low"
TWIN = "door-rear-low"
DAYS = 365


def build(home: Path, now_s: int) -> None:
    """A year of one unit, judged up to now."""
    shift_s = now_s - START_S - DAYS * DAY_S
    with open_record(home) as record:
        furnish(record, 1)
        record.add_zone("yard", Zone("u000", "off-rear-low", "wall", dry_twin=TWIN))
        for node, probes in (("air", 1), ("n000", 6)):
            year = samples(node, probes, START_S, START_S + DAYS * DAY_S)
            moved = [_moved(reading, shift_s) for reading in year]
            take(record, moved, received_s=now_s)
        watch.tick(record, now_s=now_s)


def _moved(reading: Reading, shift_s: int) -> Reading:
    return structs.replace(reading, at_s=(reading.at_s or 0) + shift_s)


def measure(home: Path, *, runs: int, now_s: int) -> None:
    secret = session(home, now_s=now_s)
    port = unused_port()
    with (
        board.serving("-m", "dashboards", "--home", str(home), "--port", str(port), port=port),
        board.empty_page() as (_, empty),
    ):
        ours = board.Visitor(port, secret)
        for name, search in (("a year", "?days=365"), ("three days", "?days=3")):
            pairs = [(ours.page(ZONE, search), empty.page("/")) for _ in range(runs)]
            first = pairs[0][0]
            took = statistics.median(pair[0][0] for pair in pairs)
            beside = statistics.median(pair[1][0] for pair in pairs)
            print(
                f"{name}: first {first[0] * 1000:.0f} ms, median {took * 1000:.0f} ms, {took / beside:.0f} times "
                f"an empty page, {first[1] / 1000:.0f} kB",
                flush=True,
            )
        to_hour = now_s // 3600
        request = urllib.request.Request(
            f"{ours.root}/export{ZONE}/readings.csv?from={to_hour - DAYS * 24}&to={to_hour}",
            headers={"Cookie": ours.cookie},
        )
        start = time.perf_counter()
        with urllib.request.urlopen(request, timeout=120) as answer:
            body = answer.read()
        took_s, rows = time.perf_counter() - start, len(body.splitlines()) - 1
        print(
            f"file of the year: {took_s * 1000:.0f} ms, {len(body) / 1e6:.1f} MB, {rows} readings"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=10)
    runs = parser.parse_args().runs
    now_s = int(time.time())
    with tempfile.TemporaryDirectory() as folder:
        build(Path(folder), now_s)
        measure(Path(folder), runs=runs, now_s=now_s)


if __name__ == "__main__":
    main()
