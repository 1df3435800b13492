"""What comes late, and what a whole lot costs: readings taken and judged in the record.

    python tests/bench/late.py [--units 500] [--runs 5]

Units of six zones, a probe each, a sample every ten minutes; the air outside and a rain gauge. Every
figure is measured on one machine in one run, each part in a process of its own so that its memory
is its own. `sqlite3` inserting the same rows stands beside the backlog: what a record of rows costs
without any of ours.
"""

import argparse
import multiprocessing
import random
import resource
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from monitor import judge, watch
from monitor.lot import Placement, Site, Unit, Zone
from monitor.store import Record, open_record, taking
from sensors.wire import Reading

DAY_S, STEP_S = 86_400, 600
START_S = 1_764_028_800 // DAY_S * DAY_S
ZONES = ("off-rear-low", "off-mid-low", "door-rear-low", "roof-front", "floor-rear", "air-main")
PACK = 12  # samples that a node sends at once after an outage
GROUP = 2_000


def furnish(record: Record, units: int) -> None:
    record.add_site(Site("yard"))
    record.add_zone("yard", Zone("", "outside", "outside"))
    record.place(
        Placement("air", "p1", "yard", "", "outside", START_S), recorded_s=START_S, who="bench"
    )
    for number in range(units):
        unit = f"u{number:03d}"
        record.add_unit(Unit(unit, "yard", slot=f"a{number:03d}"))
        for probe, code in enumerate(ZONES, 1):
            record.add_zone("yard", Zone(unit, code, "cabin" if code == "air-main" else "wall"))
            place = Placement(f"n{number:03d}", f"p{probe}", "yard", unit, code, START_S)
            record.place(place, recorded_s=START_S, who="bench")


def samples(node: str, probes: int, first_s: int, last_s: int) -> list[Reading]:
    """One node's samples of a span, its probes in each."""
    rng = np.random.default_rng(sum(node.encode()))
    level = rng.normal(66, 6, probes)
    found = []
    for at_s in range(first_s, last_s, STEP_S):
        day = np.sin(2 * np.pi * (at_s % DAY_S) / DAY_S)
        noise = rng.normal(0, 0.3, (2, probes))
        found += [
            Reading(
                site="yard",
                node=node,
                probe=f"p{probe + 1}",
                boot=1,
                seq=(at_s - START_S) // STEP_S,
                at_s=at_s,
                uptime_s=at_s - START_S,
                temperature_c=round(float(9 + 4 * day + noise[0, probe]), 2),
                humidity_percent=round(float(level[probe] - 5 * day + noise[1, probe]), 2),
            )
            for probe in range(probes)
        ]
    return found


def of_lot(units: int, first_s: int, last_s: int) -> list[Reading]:
    found = samples("air", 1, first_s, last_s)
    for number in range(units):
        found += samples(f"n{number:03d}", len(ZONES), first_s, last_s)
    return found


def take(record: Record, readings: list[Reading], *, received_s: int) -> None:
    for start in range(0, len(readings), GROUP):
        record.take(readings[start : start + GROUP], [], received_s=received_s)


def shuffled(readings: list[Reading]) -> list[Reading]:
    packs = [readings[at : at + PACK] for at in range(0, len(readings), PACK)]
    random.Random(7).shuffle(packs)
    return [reading for pack in packs for reading in pack]


def backlog(home: Path, units: int) -> dict[str, float]:
    """A day of a whole lot comes at once, its packs in any order."""
    day = shuffled(of_lot(units, START_S + 2 * DAY_S, START_S + 3 * DAY_S))
    now_s = START_S + 3 * DAY_S
    before_mb = resident_mb()
    start = time.perf_counter()
    with open_record(home) as record:
        take(record, day, received_s=now_s)
        taken = time.perf_counter()
        done = watch.tick(record, now_s=now_s)
        ended = time.perf_counter()
    assert (done.units, done.hours) == (units, units * len(ZONES) * 24)
    return {
        "readings": len(day),
        "taken_s": taken - start,
        "judged_s": ended - taken,
        "memory_mb": resident_mb() - before_mb,
    }


def rows_alone(units: int) -> dict[str, float]:
    """The same rows into a bare table of `sqlite3`, in groups of the same size, synced."""
    day = shuffled(of_lot(units, START_S + 2 * DAY_S, START_S + 3 * DAY_S))
    rows = [tuple(taking._row(reading, n % 3001, 0).values()) for n, reading in enumerate(day)]
    with tempfile.TemporaryDirectory() as folder:
        database = sqlite3.connect(Path(folder) / "rows.sqlite")
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        names = [f"c{n}" for n in range(len(rows[0]))]
        database.execute(
            f"CREATE TABLE r ({', '.join(names)}, PRIMARY KEY (c0, c1, c2, c3)) WITHOUT ROWID"
        )
        start = time.perf_counter()
        for at in range(0, len(rows), GROUP):
            marks = ", ".join("?" * len(names))
            database.executemany(f"INSERT OR IGNORE INTO r VALUES ({marks})", rows[at : at + GROUP])
            database.commit()
        return {"taken_s": time.perf_counter() - start}


def two_weeks(home: Path, runs: int) -> dict[str, float]:
    """A node that was cut off for two weeks brings them at once."""
    now_s = START_S + 60 * DAY_S
    cut_s = now_s - 14 * DAY_S
    spent, hours = [], 0
    for run in range(runs):
        with open_record(home / f"late{run}") as record:
            furnish(record, 1)
            take(record, samples("air", 1, START_S, now_s), received_s=now_s)
            take(record, samples("n000", 6, START_S, cut_s), received_s=now_s)
            watch.tick(record, now_s=now_s)
            take(record, samples("n000", 6, cut_s, now_s), received_s=now_s + 9)
            start = time.perf_counter()
            done = watch.tick(record, now_s=now_s + 10)
            spent.append(time.perf_counter() - start)
            hours = done.hours // len(ZONES)
    return {"hours_a_zone": hours, "round_ms": statistics.median(spent) * 1000}


def steady(home: Path, units: int) -> dict[str, float]:
    """Processor time of an hour in which a whole lot reports live, node by node.

    Each node's sample is a transaction of its own, as at most ten a second come apart; a round of
    the watch every ten seconds. MQTT and decoding are left to `tests/bench/intake.py`.
    """
    first_s = START_S + 3 * DAY_S
    live = sorted(of_lot(units, first_s, first_s + 3600), key=lambda r: (r.at_s or 0, r.node))
    by_node: dict[tuple[int, str], list[Reading]] = {}
    for reading in live:
        by_node.setdefault((reading.at_s or 0, reading.node), []).append(reading)
    with open_record(home) as record:
        watch.tick(record, now_s=first_s)
        rounds = []
        start = time.process_time()
        for group in by_node.values():
            record.take(group, [], received_s=first_s)
        taken_s = time.process_time() - start
        for second in range(10, 3600, 10):
            begun = time.process_time()
            watch.tick(record, now_s=first_s + second)
            rounds.append(time.process_time() - begun)
        begun = time.process_time()
        watch.tick(record, now_s=first_s + 3600)
        hourly_s = time.process_time() - begun
        fastest = min(_timed(record.latest) for _ in range(20))
    return {
        "taking_percent": taken_s / 36,
        "rounds_percent": sum(rounds) / 36,
        "hourly_percent": hourly_s / 36,
        "hourly_round_s": hourly_s,
        "latest_ms": fastest * 1000,
    }


def _timed(call: Callable[[], object]) -> float:
    start = time.process_time()
    call()
    return time.process_time() - start


def resident_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def prepare(home: Path, units: int) -> dict[str, float]:
    """Two days of a lot, judged."""
    now_s = START_S + 2 * DAY_S
    with open_record(home) as record:
        furnish(record, units)
        take(record, of_lot(units, START_S, now_s), received_s=now_s)
        watch.tick(record, now_s=now_s)
    return {}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--runs", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        context = multiprocessing.get_context("spawn")
        for part, arguments in (
            (prepare, (home, given.units)),
            (backlog, (home, given.units)),
            (rows_alone, (given.units,)),
            (steady, (home, given.units)),
            (two_weeks, (home, given.runs)),
        ):
            with context.Pool(1) as pool:
                found = pool.apply(part, arguments)
            said = ", ".join(f"{name} {value:.4g}" for name, value in found.items())
            print(f"{part.__name__}: {said}", flush=True)
    print(f"version of the rules: {judge.VERSION}")


if __name__ == "__main__":
    main()
