"""Counts how many simulated leaks the shipped weights find, by what a leak adds at the probe.

    python -m tests.fit.coupling [BATCHES] [FIRST_SEED]     # writes monitor/evidence/couplings.json

Each leaking unit of `demo.fleet` is run twice, with its leaks and without. What a leak adds is the
largest difference of the humidity at its probe, in a daily mean, from its beginning on. It is found
if a score episode begins from then on. The worlds are none that the weights were fitted on, set by
or tried on. No real leaks have been measured: every share is a property of the simulation.
"""

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np

from demo.fleet import Batch, Mix, fleets
from monitor.evidence import weights
from monitor.evidence.entries import Count, Coupling
from tests.fit.leak import Lessons, episodes, lessons, scores_of

DATA = Path(__file__).parents[2] / "monitor" / "evidence" / "couplings.json"
CLASSES = (0.0, 3.0, 6.0, 10.0, 20.0)  # points at which a class begins
FIRST_SEED, BATCHES = 5001, 6
DAY_H = 24


def added_points(batch: Batch, days: int) -> np.ndarray:
    """Daily mean of the humidity at each probe above the same without leaks, (D, R)."""
    hours, walls = days * DAY_H, batch.walls
    wet, dry = batch.true_humidity_percent, batch.dry_humidity_percent
    assert dry is not None
    more = wet[:hours, :, :walls].astype(float) - dry[:hours, :, :walls]
    return more.reshape(days, DAY_H, -1).mean(axis=1)


def leaks(batch: Batch, lesson: Lessons) -> Iterator[tuple[float, bool]]:
    """Points that each leak added at its probe, and whether it was found."""
    table = weights.shipped().table
    begun: dict[int, list[int]] = {}
    for row, day in episodes(scores_of(table, lesson), table.threshold):
        begun.setdefault(row, []).append(day)
    added = added_points(batch, lesson.days)
    for row in np.flatnonzero(lesson.ml > 0).tolist():
        onset = int(lesson.onset[row])
        found = any(day >= onset for day in begun.get(row, ()))
        yield max(0.0, float(added[onset:, row].max())), found


def main(words: list[str]) -> None:
    count = int(words[0]) if words else BATCHES
    first = int(words[1]) if len(words) > 1 else FIRST_SEED
    start = time.perf_counter()
    table = weights.shipped().table
    counted: list[tuple[float, bool]] = []
    false, years = 0, 0.0
    seeds = range(first, first + count)
    for batch in fleets(seeds=seeds, mix=Mix(leaking=0.9), paired=True, processes=1):
        lesson = lessons(batch)
        counted += leaks(batch, lesson)
        score = scores_of(table, lesson)
        false += sum(bool(lesson.healthy[row]) for row, _ in episodes(score, table.threshold))
        years += float(lesson.healthy.sum()) * lesson.days / 365.25
        print(f"{len(counted)} leaks, {time.perf_counter() - start:.0f} s", flush=True)
    points, found = np.array(counted).T
    at = np.searchsorted(CLASSES, points, side="right") - 1
    rows = tuple(
        Coupling(
            least_points=least,
            most_points=CLASSES[k + 1] if k + 1 < len(CLASSES) else None,
            leaks=int((at == k).sum()),
            found=int(found[at == k].sum()),
        )
        for k, least in enumerate(CLASSES)
    )
    result = Count(
        made_by=f"python -m tests.fit.coupling {count} {first}",
        first_seed=first,
        batches=count,
        weights=table.version,
        false_a_year=round(false / years, 3),
        classes=rows,
    )
    DATA.write_bytes(msgspec.json.format(msgspec.json.encode(result), indent=1) + b"\n")
    for row in rows:
        print(row, f"{100 * row.found / max(row.leaks, 1):.0f} %")
    print(f"{result.false_a_year} false a healthy zone-year over {years:.0f} years")


if __name__ == "__main__":
    main(sys.argv[1:])
