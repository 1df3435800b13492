"""Fits `monitor/evidence/weights.json` on simulated worlds and tries it on worlds it never saw.

    python tests/fit/leak.py [BATCHES]          # fits, tries, writes the table into the package
    python tests/fit/leak.py --try [BATCHES]    # tries the table of the package again, and notes it there
    python tests/fit/leak.py --expected         # prints what the filters of `leak` start from

Seeds 1.. and 101.. (other physics, worse probes) teach the weights, 1001.. set the threshold, 2001..
and 3001.. (other physics again) are what is reported: worlds the weights never saw. No real leaks have been measured: every rate is a property of
the simulation.
"""

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np
from scipy.optimize import minimize

from demo.fleet import NEVER_S, Batch, Mix, fleets
from monitor.evidence import leak, weights
from monitor.evidence.weights import BENDS, OWN_DAYS, PAIRS, Table, Weights, own_threshold
from monitor.judge import leaks as judged
from monitor.judge.leaks import REST_DAYS, RUN_DAYS, THRESHOLD_DAYS, WARM_DAYS
from monitor.lot import Event
from monitor.physics import air, mould, wood

TABLE = Path(__file__).parents[2] / "monitor" / "evidence" / "weights.json"
DAY_S, DAY_H = 86_400, 24
LEAKY = Mix(leaking=0.9)
HARD = replace(LEAKY, hard=True)
RIDGE = 3e-3
# False episodes a healthy zone-year on the worlds that set the threshold: fewer than are allowed,
# since worlds are never quite the world
FALSE_A_YEAR = 0.075


@dataclass
class Lessons:
    """Features of every zone and day, with the truth: R zones, D days."""

    features: np.ndarray  # (D, F, R) float32
    onset: np.ndarray  # (R,) day, or far beyond D
    ml: np.ndarray  # (R,)
    plumbing: np.ndarray
    healthy: np.ndarray
    unit: np.ndarray
    spot_index: np.ndarray  # (R,) day the mould index reached 1 at the wet spot, inf never

    @property
    def days(self) -> int:
        return len(self.features)


Expected = dict[str, tuple[np.ndarray, np.ndarray]]  # terms and moisture of a day, by side
Look = Callable[[leak.Memory, leak.DayMeans, leak.Around], None]


def lessons(batch: Batch, *, look: Look | None = None) -> Lessons:
    """The detector's fold over a batch, as the judge runs it; `look` is called after each day."""
    hours, units, _ = batch.humidity_percent.shape
    days, walls = hours // DAY_H, batch.walls
    rows = units * walls

    def by_row(values: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(
            values[: days * DAY_H].astype(float).reshape(days * DAY_H, -1).T
        )

    def by_zone(of_units: list[np.ndarray]) -> np.ndarray:
        return np.repeat(np.array(of_units), walls, axis=0)

    means = leak.day_means(
        temperature_c=by_row(batch.temperature_c), humidity_percent=by_row(batch.humidity_percent)
    )
    zones = len(batch.zones)
    own = (np.arange(units)[:, None] * zones + np.arange(walls)).ravel()
    cabin = np.repeat(np.arange(units) * zones + walls, walls)
    outside = cabin + 1
    rain = batch.rain_mm[: days * DAY_H].astype(float).reshape(days, DAY_H, units)
    told = np.isfinite(rain).any(axis=1)
    rain = np.where(told, np.nansum(rain, axis=1), np.nan)
    from_hour = int(batch.at_s[0]) // 3600
    noted = [_noted(batch, unit) for unit in range(units)]
    own_days = leak.DayMeans(*(getattr(means, n)[own] for n in leak.DayMeans.__slots__))
    for values in (own_days.temperature_c, own_days.moisture, own_days.vapour, own_days.saturation):
        values[by_zone([judged.away(events, from_hour, days) for events in noted])] = np.nan
    in_use = by_zone([judged.in_use(events, from_hour, days) for events in noted])
    codes = batch.zones[:walls]
    wetted = np.concatenate([judged.wetted(events, codes, from_hour, days) for events in noted])
    found = np.array([judged.like_zones(kinds) for kinds in batch.kinds[:, :walls].tolist()])
    first = walls * np.arange(units)[:, None, None]
    like = np.where(found >= 0, found + first, -1).reshape(rows, -1)
    celsius, humid = by_row(batch.temperature_c), by_row(batch.humidity_percent)
    cabin_pa = air.vapour_pressure(temperature_c=celsius[cabin], humidity_percent=humid[cabin])
    dew = leak.dew_share(temperature_c=celsius[own], cabin_vapour_pa=cabin_pa)
    memory = leak.Memory.empty(rows)
    features = np.empty((days, len(leak.FEATURES), rows), dtype=np.float32)
    for day in range(days):
        today = leak.DayMeans(*(getattr(own_days, n)[:, day] for n in leak.DayMeans.__slots__))
        around = leak.Around(
            cabin_vapour=means.vapour[cabin, day],
            outside_vapour=means.vapour[outside, day],
            outside_c=means.temperature_c[outside, day],
            rain_mm=np.repeat(rain[day], walls),
            wetted=wetted[:, day],
            dew=dew[:, day],
            in_use=in_use[:, day],
            like=like,
        )
        features[day] = leak.advance_day(memory, today, around)
        if look is not None:
            look(memory, today, around)
    onset = np.where(batch.onset_s == NEVER_S, 10**6, (batch.onset_s - batch.at_s[0]) // DAY_S)
    return Lessons(
        features=features,
        onset=onset.ravel(),
        ml=batch.leak_ml.ravel(),
        plumbing=batch.plumbing.ravel(),
        healthy=batch.healthy.ravel(),
        unit=np.repeat(np.arange(len(batch.units)), walls),
        spot_index=_spot_index(batch, days),
    )


def _noted(batch: Batch, unit: int) -> list[Event]:
    """What people noted of a unit and of its site, as the judge has it."""
    plan = batch.units[unit]
    return [
        Event(note.at_s, note.kind, note.value, note.unit, note.zone)
        for note in batch.events
        if note.site == plan.site and note.unit in {"", plan.code}
    ]


def _spot_index(batch: Batch, days: int) -> np.ndarray:
    """Day the mould index (class S) reaches 1 in the wood where the leak arrives."""
    rows = len(batch.units) * batch.walls
    leaky = np.flatnonzero(batch.leak_ml.ravel() > 0.0)
    first = np.full(rows, np.inf)
    hours = days * DAY_H
    celsius = batch.temperature_c[:hours, :, : batch.walls].reshape(hours, rows)[:, leaky]
    spot = batch.true_spot_percent[:hours].reshape(hours, rows)[:, leaky].astype(float)
    celsius = np.nan_to_num(celsius.astype(float), nan=10.0)
    humidity = wood.equilibrium_humidity(
        temperature_c=celsius[::6], moisture_percent=np.minimum(spot[::6], 40.0)
    )
    index = mould.index_series(
        temperature_c=celsius,
        humidity_percent=np.repeat(humidity, 6, axis=0)[:hours],
        mould_class="S",
    )
    reached = index >= 1.0
    first[leaky] = np.where(reached.any(axis=0), reached.argmax(axis=0) / DAY_H, np.inf)
    return first


def expected(batches: Sequence[Batch]) -> str:
    """Mean, variance between zones and scatter of the coefficients of healthy zones."""
    found: dict[str, list[np.ndarray]] = {"like": [], "weather": []}
    for batch in batches:
        told: list[Expected] = []
        lesson = lessons(batch, look=lambda *seen: told.append(leak.expected_terms(*seen)))  # noqa: B023
        healthy = np.flatnonzero(lesson.healthy)
        for side, of_zones in found.items():
            terms, level = (np.array([day[side][k] for day in told[WARM_DAYS:]]) for k in (0, 1))
            of_zones += [_coefficients(terms[:, :, row], level[:, row]) for row in healthy]
    lines = []
    for side, of_zones in found.items():
        each = np.array(of_zones)
        each = np.clip(each, *np.percentile(each, [1, 99], axis=0))
        middle, spread = each.mean(axis=0).round(1), each.var(axis=0).round(1)
        lines.append(f"{side}: mean {middle[:-1]}, variance {spread[:-1]}, scatter {middle[-1]}")
    return "\n".join(lines)


def _coefficients(terms: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Of one zone, by ridge regression; then the scatter that is left."""
    known = np.isfinite(level)
    x, y = terms[known], level[known]
    ridge = np.diag([0.005, *[0.5] * (x.shape[1] - 1)])
    found = np.linalg.solve(x.T @ x + ridge, x.T @ y)
    return np.append(found, (y - x @ found).std() if len(y) else 0.0)


# --- episodes -------------------------------------------------------------------------------------


def episodes(score: np.ndarray, threshold: float) -> list[tuple[int, int]]:
    """(row, day) of each beginning: two measured days running above, after 14 days below."""
    days, rows = score.shape
    active = np.zeros(rows, dtype=bool)
    above = np.zeros(rows, dtype=int)
    below = np.zeros(rows, dtype=int)
    found = []
    for day in range(days):
        known = np.isfinite(score[day])
        high = known & (score[day] >= threshold)
        low = known & ~high
        above = np.where(high, above + 1, np.where(low, 0, above))
        below = np.where(low, below + 1, np.where(high, 0, below))
        begins = ~active & (above >= RUN_DAYS)
        found += [(int(row), day) for row in np.flatnonzero(begins)]
        active = (active | begins) & ~(below >= REST_DAYS)
    return found


def false_a_year(all_lessons: Sequence[Lessons], scores: Sequence[np.ndarray], at: float) -> float:
    count, years = 0, 0.0
    for lesson, score in zip(all_lessons, scores, strict=True):
        count += sum(lesson.healthy[row] for row, _ in episodes(score, at))
        years += lesson.healthy.sum() * lesson.days / 365.25
    return count / years


def threshold_for(
    all_lessons: Sequence[Lessons], scores: Sequence[np.ndarray], rate: float
) -> float:
    low, high = 0.0, 1.0
    for _ in range(14):
        middle = 0.5 * (low + high)
        if false_a_year(all_lessons, scores, middle) > rate:
            low = middle
        else:
            high = middle
    return high


# --- fit ------------------------------------------------------------------------------------------


def fit(taught: Sequence[Lessons]) -> Table:
    rng = np.random.default_rng(7)
    samples, labels, shares = [], [], []
    for lesson in taught:
        for day in range(WARM_DAYS, lesson.days, 3):
            features = lesson.features[day]
            known = np.isfinite(features).all(axis=0)
            since = day - lesson.onset
            bad = known & (lesson.ml > 0) & (since >= 2) & (since < 120)
            good = known & lesson.healthy & (rng.random(len(known)) < 0.15)
            for rows, label in ((bad, 1.0), (good, 0.0)):
                samples.append(features[:, rows].T)
                labels.append(np.full(rows.sum(), label))
                shares.append(
                    np.where(since[rows] < 45, 2.0, 1.0) if label else np.ones(rows.sum())
                )
    x, y, w = (
        np.concatenate(samples).T.astype(float),
        np.concatenate(labels),
        np.concatenate(shares),
    )
    w[y == 1] *= 0.35 * (y == 0).sum() / w[y == 1].sum()
    levels = _levels(x[:, y == 0], x[:, y == 1])
    scaled = weights.scaled(x, levels)
    basis = _basis(scaled)
    print(f"fitting {basis.shape[1]:,} zone-days, {len(basis)} terms, {int(y.sum()):,} leaking")
    solution = _logistic(basis, y, w / w.sum())
    lines = len(BENDS) * len(x)
    return Table(
        version="2",
        made_by="tests/fit/leak.py",
        tried_on="",
        threshold=0.5,
        features=leak.FEATURES,
        knots=tuple(tuple(float(f"{v:.5g}") for v in row) for row in levels),
        neutral=tuple(round(float(np.median(row)), 4) for row in scaled[:, y == 0]),
        constant=round(float(solution[0]), 5),
        lines=tuple(
            tuple(round(float(v), 5) for v in row)
            for row in solution[1 : 1 + lines].reshape(len(x), len(BENDS))
        ),
        products=tuple(round(float(v), 5) for v in solution[1 + lines :]),
    )


def _levels(healthy: np.ndarray, leaking: np.ndarray) -> tuple[tuple[float, ...], ...]:
    """Knots of each feature: levels of healthy zones, then of leaking ones above them."""
    levels = []
    for low, high in zip(healthy, leaking, strict=True):
        marks = list(np.percentile(low, [1, 20, 50, 80, 95, 99]))
        marks += list(
            np.percentile(
                np.concatenate([low[:: max(1, len(low) // len(high))], high]), [90, 96, 99.3]
            )
        )
        marks = np.maximum.accumulate(np.sort(marks))
        step = 1e-6 + 1e-4 * (marks[-1] - marks[0])
        levels.append(tuple(float(v) + k * step for k, v in enumerate(marks)))
    return tuple(levels)


def _basis(scaled: np.ndarray) -> np.ndarray:
    rows = [np.ones(scaled.shape[1])]
    rows += [np.maximum(feature - bend, 0.0) for feature in scaled for bend in BENDS]
    rows += [scaled[a] * scaled[b] for a, b in PAIRS]
    return np.array(rows)


def _logistic(basis: np.ndarray, y: np.ndarray, w: np.ndarray) -> np.ndarray:
    def loss(beta: np.ndarray) -> tuple[float, np.ndarray]:
        z = beta @ basis
        p = 1.0 / (1.0 + np.exp(-z))
        value = float(w @ (np.logaddexp(0.0, z) - y * z)) + RIDGE / 200 * float(beta[1:] @ beta[1:])
        slope = basis @ (w * (p - y))
        slope[1:] += 2.0 * RIDGE / 200 * beta[1:]
        return value, slope

    start = np.zeros(len(basis))
    return minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 400}).x


# --- report ---------------------------------------------------------------------------------------


def scores_of(table: Table, lesson: Lessons) -> np.ndarray:
    bound = Weights.of(table)
    score = bound.score(np.moveaxis(lesson.features.astype(float), 1, 0))
    score[:WARM_DAYS] = np.nan
    return score


def beside_own(lesson: Lessons, score: np.ndarray, at: float) -> np.ndarray:
    """Scores less what each unit's own threshold is above the table's, as the judge has it."""
    lowered = score.copy()
    for unit in np.unique(lesson.unit):
        rows = lesson.unit == unit
        for day in range(0, lesson.days, THRESHOLD_DAYS):
            past = score[max(0, day - OWN_DAYS) : day, rows]
            own = own_threshold(past, threshold=at)
            lowered[day : day + THRESHOLD_DAYS, rows] -= own - at
    return lowered


def report(name: str, tried: Sequence[Lessons], scores: Sequence[np.ndarray], at: float) -> str:
    sizes: dict[float, list[float]] = {}
    before, leaks, rain, pipes = 0, 0, [0, 0], [0, 0]
    for lesson, score in zip(tried, scores, strict=True):
        begun: dict[int, list[int]] = {}
        for row, day in episodes(score, at):
            begun.setdefault(row, []).append(day)
        for row in np.flatnonzero(lesson.ml > 0):
            after = [d for d in begun.get(int(row), []) if d >= lesson.onset[row]]
            delay = after[0] - lesson.onset[row] if after else np.inf
            sizes.setdefault(float(lesson.ml[row]), []).append(delay)
            leaks += 1
            before += delay + lesson.onset[row] < lesson.spot_index[row]
            kind = pipes if lesson.plumbing[row] else rain
            kind[0] += np.isfinite(delay)
            kind[1] += 1
    lines = [f"{name}: {false_a_year(tried, scores, at):.3f} false a healthy zone-year"]
    every = [d for delays in sizes.values() for d in delays]
    for label, delays in [("all", every), *((f"{ml:g} mL", d) for ml, d in sorted(sizes.items()))]:
        delay = np.array(delays)
        found, soon = np.isfinite(delay).mean(), (delay <= 60).mean()
        error = 1.96 * np.sqrt(found * (1 - found) / len(delay))
        median = np.median(delay[np.isfinite(delay)]) if np.isfinite(delay).any() else np.nan
        lines.append(
            f"  {label:7s} n {len(delay):4d}  found {100 * found:5.1f} ± {100 * error:4.1f} %"
            f"  within 60 d {100 * soon:5.1f} %  median {median:5.0f} d"
        )
    lines.append(
        f"  before index 1 at the wet spot {100 * before / max(leaks, 1):.1f} % of {leaks}"
    )
    lines.append(f"  rain {rain[0]} of {rain[1]}, plumbing {pipes[0]} of {pipes[1]}")
    return "\n".join(lines)


def gather(first: int, count: int, mix: Mix) -> list[Lessons]:
    return [lessons(batch) for batch in fleets(seeds=range(first, first + count), mix=mix)]


def main(words: list[str]) -> None:
    if "--expected" in words:
        taught = [*fleets(seeds=range(1, 4), mix=LEAKY), *fleets(seeds=range(101, 104), mix=HARD)]
        print(expected(taught))
        return
    only_try = "--try" in words
    count = int(next((w for w in words if w.isdigit()), "6"))
    start = time.perf_counter()
    if only_try:
        table = msgspec.json.decode(TABLE.read_bytes(), type=Table)
    else:
        table = fit(gather(1, 2 * count, LEAKY) + gather(101, count, HARD))
        steady = gather(1001, count, Mix())
        at = threshold_for(steady, [scores_of(table, x) for x in steady], FALSE_A_YEAR)
        table = msgspec.structs.replace(table, threshold=round(at, 4))
    said = []
    for name, seed, mix in (
        ("unseen", 2001, Mix(leaking=0.7)),
        ("unseen, other physics and worse probes", 3001, Mix(leaking=0.7, hard=True)),
    ):
        tried = gather(seed, count, mix)
        at, scores = table.threshold, [scores_of(table, x) for x in tried]
        said.append(report(name, tried, scores, at))
        own = [beside_own(x, score, at) for x, score in zip(tried, scores, strict=True)]
        said.append(report(f"{name}, each unit by its own threshold", tried, own, at))
        print("\n".join(said[-2:]), flush=True)
    table = msgspec.structs.replace(table, tried_on="\n".join(said))
    TABLE.write_bytes(msgspec.json.format(msgspec.json.encode(table), indent=1) + b"\n")
    print(f"{time.perf_counter() - start:.0f} s, threshold {table.threshold}")


if __name__ == "__main__":
    main(sys.argv[1:])
