"""One size of lot for `tests.bench.growth`: taken in and judged in a process of its own.

    python -m tests.bench.sized furnish HOME UNITS
    python -m tests.bench.sized measure HOME UNITS     # prints JSON

It imports what the watch does and little more, so that its memory is the watch's.
"""

import json
import statistics
import sys
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from monitor import watch
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record
from sensors.wire import Reading
from tests.bench.lots import enter
from tests.bench.rows import seconds

ZONES = (("air-main", "cabin"), ("off-rear-low", "wall"), ("door-rear-low", "wall"),
         ("off-front-low", "wall"), ("slide1-floor-front", "slide-floor"), ("roof-vent1", "roof"))  # fmt: skip
JUDGED_TO, DAY_TO = (
    30_000,
    3_000,
)  # probes up to which hours are judged, and a whole day is taken in
GROUP = 500  # readings a transaction, as the intake has them in a backlog
EVERY_S, HOUR_S, DAY_S = 600, 3600, 86_400
START_S = 1_764_028_800 // DAY_S * DAY_S
LOOKS = 5


def furnish(home: Path, units: int) -> None:
    """Units of six probes with one node each, and air outside."""
    with open_record(home) as record:
        record.add_site(Site("yard"))
        record.add_zone("yard", Zone("", "outside", "outside"))
        outside = Placement("air", "p1", "yard", "", "outside", START_S)
        record.place(outside, recorded_s=START_S, who="bench")
        names = [Unit(f"u{n:05d}", "yard", slot=f"a{n:05d}") for n in range(units)]
        enter(record, names, ZONES, probe=lambda n, k: (f"n{n:05d}", f"p{k + 1}"), from_s=START_S)


def samples(units: int, turn: int) -> Iterator[Reading]:
    """A sample of every probe."""
    at_s = START_S + turn * EVERY_S
    yield Reading(site="yard", node="air", boot=1, seq=turn, at_s=at_s, temperature_c=6.0,
                  humidity_percent=80.0)  # fmt: skip
    for n in range(units):
        for k in range(len(ZONES)):
            yield Reading(site="yard", node=f"n{n:05d}", probe=f"p{k + 1}", boot=1, seq=turn,
                          at_s=at_s, temperature_c=8.0 + (n + k + turn) % 300 / 100,
                          humidity_percent=60.0 + (7 * n + k + turn) % 2000 / 100)  # fmt: skip


def take(record: Record, units: int, turns: range) -> float:
    """Seconds to take the samples of some turns in."""
    spent_s = 0.0
    for turn in turns:
        readings = samples(units, turn)
        while group := list(islice(readings, GROUP)):
            received_s = START_S + turn * EVERY_S
            spent_s += seconds(
                lambda group=group, at_s=received_s: record.take(group, [], received_s=at_s)
            )
    return spent_s


def size_mb(record: Record) -> float:
    """The record's file with its journal folded back."""
    with record.engine.connect() as db:
        db.exec_driver_sql("ROLLBACK")
        db.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        db.exec_driver_sql("BEGIN")
    return (record.home / "record.sqlite").stat().st_size / 1e6


def measure(home: Path, units: int) -> dict[str, float]:
    """What the size costs; a part is left out where it takes too long."""
    probes = units * len(ZONES)
    with open_record(home) as record:
        empty_mb = size_mb(record)
        hours = 24 if probes <= DAY_TO else 1
        turns = 6 * hours if probes <= JUDGED_TO else 1
        found = {"day_s": take(record, units, range(turns)) / turns * 144}
        if probes <= JUDGED_TO:
            watch.tick(record, now_s=START_S + hours * HOUR_S)
            found["day_mb"] = (size_mb(record) - empty_mb) * 24 / hours
            take(record, units, range(turns, turns + 6))
            now_s = START_S + (hours + 1) * HOUR_S
            found["round_s"] = seconds(lambda: watch.tick(record, now_s=now_s))
            status = Path("/proc/self/status").read_text()
            found["watch_mb"] = int(status.split("VmHWM:")[1].split()[0]) / 1024
        found["latest_s"] = statistics.median(seconds(record.latest) for _ in range(LOOKS))
    return found


if __name__ == "__main__":
    step, where, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    if step == "furnish":
        furnish(where, count)
    else:
        print(json.dumps(measure(where, count)))
