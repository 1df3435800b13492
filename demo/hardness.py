"""How hard the world is: what the plainest rule finds, and what nobody could find.

    python -m demo.hardness --batches 6

The plain rule raises when a zone's humidity was above a limit for 24 hours; the limit is the one
that raises 0.15 false alarms a year in a healthy zone. The ideal observer has the same world
without the leaks beside it and sees a leak when the air at the probe is more humid than there, in
the 24 hour mean, on two days running, by more than his limit. A world on which the plain rule
does well, or the ideal observer badly, is no measure of a detector.
"""

import argparse
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo.fleet import LEAK_SIZES_ML, NEVER_S, Batch, Mix, fleets
from demo.weather import DAY_S, YEAR_DAYS

Floats = NDArray[np.float64]

FALSE_A_YEAR = 0.15
CLEAR_DAYS = 14  # an episode ends after so many days below the limit
SETTLING_DAYS = 3
IDEAL_POINTS = 0.5  # ten times the noise of a 24 hour mean of hourly samples
_LIMITS = np.arange(500, 1001) / 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Hardness:
    """Shares of leaks found, and what they were counted on."""

    zone_years: float  # healthy
    limit_percent: float  # of the plain rule
    sizes_ml: Floats  # of each leak
    plain: NDArray[np.bool_]  # found by the plain rule
    ideal: NDArray[np.bool_]
    spot_wet_days: Floats  # onset to 20 % at the spot; nan: never
    most_added: Floats  # most that a leak added to the humidity at its probe, in a 24 hour mean

    def shares(self, found: NDArray[np.bool_]) -> list[float]:
        """Share found: of all, then by size."""
        return [float(found.mean())] + [
            float(found[self.sizes_ml == size].mean()) if (self.sizes_ml == size).any() else np.nan
            for size in LEAK_SIZES_ML
        ]


def hardness(batches: Iterable[Batch]) -> Hardness:
    """Count on paired batches."""
    healthy: list[Floats] = []
    leaking: list[Floats] = []
    sizes: list[float] = []
    ideal: list[bool] = []
    wet_days: list[float] = []
    added: list[float] = []
    for batch in batches:
        level = _held_for_a_day(batch.humidity_percent[:, :, : batch.walls].astype(float))
        healthy += [level[:, u, w] for u, w in np.argwhere(batch.healthy)]
        if batch.dry_humidity_percent is None:
            raise ValueError("the ideal observer needs paired batches")
        more = batch.true_humidity_percent - batch.dry_humidity_percent
        for u, w in np.argwhere(batch.onset_s < NEVER_S):
            began = int((batch.onset_s[u, w] - batch.at_s[0]) // DAY_S)
            ends = int(min((batch.repaired_s[u, w] - batch.at_s[0]) // DAY_S, level.shape[0]))
            leaking.append(level[began:ends, u, w])
            sizes.append(float(batch.leak_ml[u, w]))
            days = _daily(more[:, u, w].astype(float)).mean(axis=1)[began:ends]
            seen = days > IDEAL_POINTS
            ideal.append(bool((seen[1:] & seen[:-1]).any()))
            spot = _daily(batch.true_spot_percent[:, u, w].astype(float)).mean(axis=1)[began:ends]
            wet_days.append(float(np.argmax(spot >= 20.0)) if (spot >= 20.0).any() else np.nan)
            added.append(float(days.max(initial=0.0)))
    zone_years = sum(len(days) for days in healthy) / YEAR_DAYS
    limit = _limit(healthy, zone_years)
    return Hardness(
        zone_years=zone_years,
        limit_percent=limit,
        sizes_ml=np.array(sizes),
        plain=np.array([bool((days >= limit).any()) for days in leaking]),
        ideal=np.array(ideal),
        spot_wet_days=np.array(wet_days),
        most_added=np.array(added),
    )


def _daily(hours: Floats) -> Floats:
    days = len(hours) // 24
    return hours[: days * 24].reshape(days, 24)


def _held_for_a_day(percent: Floats) -> Floats:
    """By day, the highest humidity that was held for 24 hours; gaps do not count against it."""
    held = percent
    for hours in (1, 2, 4, 8, 8):  # 2, 4, 8, 16, 24 hours
        held = np.fmin(held[hours:], held[:-hours])
    held = np.concatenate([np.full((len(percent) - len(held), *held.shape[1:]), np.nan), held])
    held[: SETTLING_DAYS * 24] = np.nan
    by_day = held[: len(held) // 24 * 24].reshape(-1, 24, *held.shape[1:])
    highest: Floats = np.nan_to_num(by_day, nan=0.0).max(axis=1)
    return highest


def _limit(healthy: Sequence[Floats], zone_years: float) -> float:
    """The lowest limit with no more than `FALSE_A_YEAR` episodes a zone and year."""
    for limit in _LIMITS:
        if sum(_episodes(days >= limit) for days in healthy) <= FALSE_A_YEAR * zone_years:
            return float(limit)
    return 100.0


def _episodes(above: NDArray[np.bool_]) -> int:
    at = np.flatnonzero(above)
    return int(at.size > 0) + int((np.diff(at) > CLEAR_DAYS).sum())


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m demo.hardness", description=__doc__)
    parser.add_argument("--batches", default=6, type=int, help="of 64 units and 15 months each")
    parser.add_argument("--seed", default=1, type=int)
    parser.add_argument("--hard", action="store_true", help="another physics, worse probes")
    given = parser.parse_args(arguments)
    seeds = range(given.seed, given.seed + given.batches)
    found = hardness(fleets(seeds=seeds, mix=Mix(hard=given.hard), paired=True))
    print(f"{len(found.sizes_ml)} leaks, {found.zone_years:.0f} healthy zone-years")
    print(f"plain rule: {found.limit_percent:.1f} % for 24 h")
    print("found                 all " + "".join(f"{size:>5.0f} mL" for size in LEAK_SIZES_ML))
    rows = {"plain rule": found.plain, "ideal observer": found.ideal}
    for points in (1.0, 3.0, 6.0, 10.0, 20.0):
        rows[f"adds {points:.0f} points"] = found.most_added >= points
    rows["spot reaches 20 %"] = np.isfinite(found.spot_wet_days)
    for name, what in rows.items():
        print(f"{name:20s}" + "".join(f"{100.0 * share:6.0f} %" for share in found.shares(what)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
