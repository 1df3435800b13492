"""How often the repair proof is right on simulated repairs, good and bad.

    python tests/bench/proof.py [BATCHES] [FIRST_SEED] [hard]

Each batch is 64 leaking units of `demo.fleet`, every leak repaired: two thirds well, a fifth with part
of the leak left, the rest leaking again later. Sizes are what is left of the leak, in mL an event.
`stayed dry` is counted wrong if it was said on any day while the zone leaked. No repairs have been
measured: every rate is a property of the simulation.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

import numpy as np

from demo.fleet import NEVER_S, Batch, Mix, fleets
from demo.plans import Repair as Done
from monitor.evidence.drying import Repair, Revision, Watch, Wetting, prove
from monitor.physics import wood

DAY_S, DAY_H, HOUR_S = 86_400, 24, 3600
BEFORE_DAYS, LEAST_DAYS = 60, 100
SIZES = ((0.0, 10.0), (10.0, 20.0), (20.0, 50.0), (50.0, 200.0), (200.0, inf), (20.0, inf))


@dataclass
class Case:
    protocol: str
    left_ml: float
    again: bool
    stayed: float  # day of the first `stayed dry`, inf never
    failed: float  # day of `did not stay dry`
    stands: bool  # `stayed dry` at the end, or when the leak began again
    late: bool = False  # still said so 14 days after it began again
    found: float = inf  # days from then on


def running_mean(values: np.ndarray) -> np.ndarray:
    """Of the 24 h up to each hour, where 6 of them are known."""
    known = np.isfinite(values)
    edge = np.zeros((1, *values.shape[1:]))
    total = np.concatenate([edge, np.cumsum(np.where(known, values, 0.0), axis=0)])
    count = np.concatenate([edge, np.cumsum(known, axis=0)])
    stop = np.arange(1, len(values) + 1)
    start = np.maximum(stop - DAY_H, 0)
    seen = count[stop] - count[start]
    mean = (total[stop] - total[start]) / np.maximum(seen, 1)
    return np.where(seen >= 6, mean, np.nan)


def cases(batch: Batch) -> Iterator[Case]:
    walls = batch.walls
    celsius, humid = (
        values[:, :, :walls].astype(float)
        for values in (batch.temperature_c, batch.humidity_percent)
    )
    seen = np.isfinite(celsius) & np.isfinite(humid)
    moisture = wood.equilibrium_moisture(
        temperature_c=running_mean(celsius), humidity_percent=np.clip(running_mean(humid), 0, 100)
    )
    moisture = np.where(seen, moisture, np.nan)
    frost = batch.temperature_c[:, :, -1] <= 0.5
    rain = np.where(frost & np.isfinite(batch.rain_mm), 0.0, batch.rain_mm).astype(float)
    for unit, plan in enumerate(batch.units):
        for stay in plan.stays:
            if stay.site is not None:  # its rain is not this site's
                away = (batch.at_s > stay.from_s) & (batch.at_s <= stay.to_s)
                rain[away, unit] = np.nan
        for done in plan.repairs:
            wall = batch.zones.index(done.zone)
            if not batch.wetted[unit, wall] and not batch.plumbing[unit, wall]:
                yield from _case(batch, (unit, wall), done, (moisture, seen, rain[:, unit]))


def _case(batch: Batch, place: tuple[int, int], done: Done, series: tuple) -> Iterator[Case]:
    (unit, wall), (moisture, seen, rain) = place, series
    hour = int(done.at_s - batch.at_s[0]) // HOUR_S
    first = max(0, hour - BEFORE_DAYS * DAY_H)
    again_s = done.resumes_s or NEVER_S
    stop = min(len(rain), (again_s - int(batch.at_s[0])) // HOUR_S)
    if stop - hour < LEAST_DAYS * DAY_H:
        return
    plan = batch.units[unit]
    notes = tuple(
        Wetting(note.at_s, note.kind)
        for note in batch.events
        if note.unit == plan.code and note.kind in {"hose", "wash"} and note.zone in {"", done.zone}
    )
    like = _like(batch, unit, wall)

    def revisions(until: int) -> list[Revision]:
        cut = slice(first, until)
        watch = Watch(
            from_hour=int(batch.at_s[first]) // HOUR_S,
            moisture_percent=moisture[cut, unit, wall],
            like_percent=moisture[cut, unit][:, like].T,
            coverage=seen[cut, unit, wall].astype(float),
            rain_mm=rain[cut],
            wettings=notes,
        )
        opened, moved = "opened and dried" in done.protocols, "sensor moved" in done.protocols
        return prove(watch=watch, repair=Repair(done.at_s, opened=opened, moved=moved))

    told = revisions(stop)
    case = Case(
        protocol=", ".join(done.protocols),
        left_ml=done.remaining * float(batch.leak_ml[unit, wall]),
        again=done.resumes_s is not None and stop < len(rain) - 60 * DAY_H,
        stayed=_day(told, "stayed dry", done.at_s),
        failed=_day(told, "did not stay dry", done.at_s),
        stands=told[-1].verdict == "stayed dry",
    )
    if case.again and case.stands:
        whole = revisions(len(rain))
        last = [one for one in whole if one.at_s <= again_s + 14 * DAY_S][-1]
        case.late = last.verdict == "stayed dry"
        case.found = _day(whole, "did not stay dry", again_s)
    yield case


def _day(told: list[Revision], verdict: str, from_s: int) -> float:
    return min(((one.at_s - from_s) / DAY_S for one in told if one.verdict == verdict), default=inf)


def _like(batch: Batch, unit: int, wall: int) -> list[int]:
    kinds = batch.kinds[unit]
    sound = [w for w in range(batch.walls) if w != wall and batch.repaired_s[unit, w] == NEVER_S]
    like = [w for w in sound if kinds[w] == kinds[wall]]
    return like if len(like) >= 2 else sound


def upper(wrong: int, count: int) -> float:
    """Share that is exceeded with 5 % chance or less: Clopper and Pearson, one-sided."""
    if wrong >= count:
        return 1.0
    shares = np.linspace(0.0, 1.0, 20_001)[1:-1]
    chance = np.zeros_like(shares)
    term = (1.0 - shares) ** count
    for k in range(wrong + 1):
        chance += term
        term = term * (count - k) / (k + 1) * shares / (1.0 - shares)
    return float(shares[np.argmax(chance <= 0.05)])


def report(found: list[Case]) -> None:
    for protocol in sorted({case.protocol for case in found}):
        mine = [case for case in found if case.protocol == protocol]
        good = [case for case in mine if case.left_ml == 0.0]
        days = np.array([case.stayed for case in good])
        doubted = np.mean([case.failed < inf for case in good])
        print(
            f"{protocol}\n  good n {len(good)}: proven {np.mean(days < inf):.0%}, within 60 d "
            f"{np.mean(days <= 60):.0%}, median {np.median(days[days < inf]):.0f} d, stands "
            f"{np.mean([c.stands for c in good]):.0%}; wrongly `did not stay dry` {doubted:.1%}"
        )
        for low, high in SIZES:
            bad = [case for case in mine if case.left_ml > 0.0 and low <= case.left_ml < high]
            if not bad:
                continue
            wrong, caught = sum(c.stayed < inf for c in bad), [c.failed for c in bad]
            print(
                f"  {low:3g} to {high:3g} mL n {len(bad):3d}: false `stayed dry` {wrong} "
                f"(95 % bound {upper(wrong, len(bad)):.1%}); found {np.mean(np.isfinite(caught)):.0%},"
                f" median {np.median(caught):.0f} d"
            )
        again = [case for case in mine if case.again and case.stands]
        if again:
            print(
                f"  leaks again after `stayed dry` n {len(again)}: says so 14 d on "
                f"{np.mean([c.late for c in again]):.0%}, found "
                f"{np.mean([c.found < inf for c in again]):.0%}"
            )
    opened = [c for c in found if "opened" in c.protocol and c.left_ml >= 20.0]
    wrong = sum(case.stayed < inf for case in opened)
    print(f"opened, 20 mL or more: {wrong} false of {len(opened)}, {upper(wrong, len(opened)):.1%}")


def main(batches: int = 24, seed: int = 5001, words: tuple[str, ...] = ()) -> None:
    mix = Mix(
        leaking=1.0,
        repaired=1.0,
        plumbing=0.0,
        lead_days=60.0,
        tail_days=300.0,
        hard="hard" in words,
    )
    found = []
    for batch in fleets(seeds=range(seed, seed + batches), days=540, mix=mix):
        found += cases(batch)
    report(found)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]), words=tuple(sys.argv[3:]))
