"""Trust in probes: a word of doubt a zone and day, as a fold over days.

A doubt suspends claims, it makes none: a zone whose probe is suspected is unknown, not dry and not
wet. Five words, the first that applies::

    saturated   at or above 99.5 % in every hour of two days, though each warmed by 5 K or more
    stuck       temperature without movement while the other zones moved, or humidity without
                movement while the zone's own temperature moved, two days running
    swapped?    two zones' daily courses of temperature have changed places
    drifting    humidity moves away from the other zones in a straight line, over more than a year
    settling    the day of a placement and two more

A saturated probe is told from a wet wall by the warm hours: air that is warmed by 5 K is a quarter
drier unless water follows at once (saturation vapour pressure rises by 6 to 7 % a kelvin), and the
air over wet wood falls below 99.5 % for some hours.

A drifting probe is told from a leak by shape and pace. Four-week means of the zone's humidity are
explained by the other zones', by how much warmer it is, the vapour of cabin and outside, and the
season; what is left must follow a straight line clearly better than any single step. A leak begins
on some day, and rises faster. A probe that reads less and less cannot be a leak, but is judged alike.

Rows are the zones of one unit, the site's outside ones among them. Limits are our choice where no
source is named.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from math import cos, pi, sin, sqrt
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.evidence.folds import Lossless, median_of_known
from monitor.lot import STRUCTURE_KINDS, ZoneKind
from monitor.physics import air

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_Table = list[list[float]]
Word = Literal["", "saturated", "stuck", "swapped?", "drifting", "settling"]

DAY_H = 24
LEAST_HOURS = 12  # a day with fewer counts for nothing: half a day holds a rise or a fall
SETTLING_DAYS = 3  # whole UTC days that cover 48 h, whenever in the day a probe was placed
DOUBT_DAYS = 2  # one odd day happens; two are found before a week's round

FULL_PERCENT = 99.5  # the end of the scale, less what a probe rounds
FULL_SWING_K = 5.0  # dries unfed air from 100 % to about 73 %, ten times what a probe errs
NOT_FULL_PERCENT = 98.0

FLAT_K, FLAT_PERCENT = 0.02, 0.1  # a probe's noise alone moves more in a day
MOVED_K = 3.0

SWING_K = 4.0  # of the unit's mean in a day: sun, so that zones tell themselves apart
PATTERN_SHARE = 0.1  # of the way to today's course: ten days of sun, which follow the season
PATTERN_DAYS = 20  # before it is trusted
PATTERN_NOISE = 0.04  # of the swing: zones more alike than that cannot be told apart
# logarithm of the ratio of misfits, mean of two days: four times better in each other's place
SWAPPED_ODDS, OWN_ODDS = -1.4, 0.0

BLOCK_DAYS = 28
BLOCK_LEAST_DAYS = 14
BLOCKS = 26  # two years are kept
FIRST_BLOCKS = 3  # left out: built-in moisture and a new unit's wood dry in them
DRIFT_BLOCKS = 18  # with fewer, a line and the seasons are not told apart
DRIFT_NEIGHBOURS = 3  # so that no single one makes the median
# a probe sold as ±2 % has left its band within a year or two; healthy zones' lines err by about 1 % a year
DRIFT_STARTS, DRIFT_ENDS = 2.5, 1.5
DRIFT_MOST = 6.0  # more is no probe ageing (makers say below 1 a year, from memory): look for water
DRIFT_SCATTER = 1.5  # of four-week means about the line; a leak scatters more
DRIFT_LINE = 1.3  # times less left over than by the best single step
_RIDGE = (1e-6, 2.0, 2.0, 2.0, 2.0, 2.0)  # holds back terms that hardly vary
_SEASON = 10.0  # scale of the season's terms, that of the others
YEAR_DAYS = 365.25

# what a four-week mean is made of: own and the others' humidity, how much warmer the zone is, and
# the vapour of cabin and outside as humidity at the zone's temperature
TERMS = 5
_OWN, _OTHERS, _WARMER, _CABIN, _OUTSIDE = range(TERMS)

_NOTHING: dict[str, float] = {}


@dataclass(frozen=True, slots=True)
class Noted:
    """What people and the record say of one day.

    Parameters
    ----------
    placed : sequence of bool
        By zone: a placement began. Another probe has no drift so far; the zone still has its course
        of temperature, which tells whether the probe hangs where the record says. () is none.
    suspected : sequence of bool
        By zone: it stands under suspicion of a leak; then what rises is not called drift.
    moved : bool
        The unit was moved, turned or covered: the sun now reaches other sides.
    """

    placed: Sequence[bool] = ()
    suspected: Sequence[bool] = ()
    moved: bool = False


NOTHING_NOTED = Noted()


class Suspicion(NamedTuple):
    """A word of doubt, "" for none, and the figures that say why."""

    word: Word
    facts: dict[str, float] = _NOTHING


@dataclass(slots=True, eq=False)
class Memory(Lossless):
    """What the fold carries from day to day; Z zones."""

    flat_days: Floats  # (Z,)
    full_days: Floats
    settling_days: Floats  # left
    pattern: Floats  # (Z, 24) course of temperature about the unit's mean, in swings
    pattern_days: Floats
    odds: Floats  # (Z, Z) of the last sunny day; nan where not known
    partner: Floats  # row of the zone it seems to have changed places with, nan
    partner_odds: Floats
    block: Floats  # (1,) number of the four weeks that run, nan before the first
    sums: Floats  # (Z, 5) over their days
    counts: Floats  # (Z, 5) days in them
    means: Floats  # (Z, 26, 5) of the four weeks before, the newest last
    blocks_seen: Floats  # (Z,)
    drift: Floats  # (Z, 4) % a year, scatter, gain of the line over a step, years; nan
    drifting: Floats  # (Z,) 1 or 0

    @classmethod
    def empty(cls, zones: int) -> "Memory":
        """Nothing known of so many zones."""
        return cls(
            flat_days=np.zeros(zones),
            full_days=np.zeros(zones),
            settling_days=np.zeros(zones),
            pattern=np.full((zones, DAY_H), np.nan),
            pattern_days=np.zeros(zones),
            odds=np.full((zones, zones), np.nan),
            partner=np.full(zones, np.nan),
            partner_odds=np.full(zones, np.nan),
            block=np.full(1, np.nan),
            sums=np.zeros((zones, TERMS)),
            counts=np.zeros((zones, TERMS)),
            means=np.full((zones, BLOCKS, TERMS), np.nan),
            blocks_seen=np.zeros(zones),
            drift=np.full((zones, 4), np.nan),
            drifting=np.zeros(zones),
        )

    def forget(self, row: int) -> None:
        """Begin one zone anew: its wall was opened, or its probe put elsewhere in it."""
        order = [*range(len(self.counts))]
        order[row] = -1
        fresh = self.arranged(order)
        for one in fields(self):
            getattr(self, one.name)[...] = getattr(fresh, one.name)

    def arranged(self, order: list[int]) -> "Memory":
        """The same with its rows in another order; -1 is a zone nothing is known of."""
        memory = Memory.empty(len(order))
        memory.block[:] = self.block
        for one in fields(self):
            old, new = getattr(self, one.name), getattr(memory, one.name)
            if one.name in {"block", "odds"}:
                continue
            for row, source in enumerate(order):
                if source >= 0:
                    new[row] = old[source]
        rows = {float(source): float(row) for row, source in enumerate(order) if source >= 0}
        for row, source in enumerate(order):
            memory.partner[row] = rows.get(float(memory.partner[row]), np.nan)
            for column, other in enumerate(order):
                if source >= 0 and other >= 0:
                    memory.odds[row, column] = self.odds[source, other]
        return memory


@dataclass(frozen=True, slots=True, eq=False)
class _Day:
    """One day of every zone: hours (Z, 24), the rest (Z,); nan where too little was measured."""

    celsius: Floats
    mean_c: Floats
    swing_k: Floats
    others_k: Floats  # median swing of the other zones
    humidity_percent: Floats
    least_percent: Floats
    flutter_percent: Floats  # largest less least humidity
    kinds: Sequence[ZoneKind]
    settled: Bools


def advance(
    memory: Memory,
    *,
    day: int,
    temperature_c: Floats,
    humidity_percent: Floats,
    kinds: Sequence[ZoneKind],
    noted: Noted = NOTHING_NOTED,
) -> list[Suspicion]:
    """Take one more day of a unit's zones into `memory`, in place, and doubt what is odd.

    Parameters
    ----------
    memory : Memory
        As the day before left it; its rows are the zones in the order of the other arguments.
    day : int
        Day number (UTC days since 1970), larger than that of the call before.
    temperature_c, humidity_percent : ndarray
        Hourly means of the day, shape (Z, 24); nan where nothing was measured. [°C] [%]
    kinds : sequence of ZoneKind
        Of each zone. An `outside` one is a neighbour like the others, but no candidate for a swap.
    noted : Noted
        What people and the record say of that day.

    Returns
    -------
    list of Suspicion
        One a zone.

    Notes
    -----
    Without humidity, neighbours, cabin or outside air less is doubted, never more: drift needs three
    other structural zones and 18 times four weeks, a swap 20 days with a swing of 4 K before it.
    Not found: a probe that errs by the same amount ever since it was placed, or from some day on
    (that takes a salt check); places changed in a ring of three; probes whose courses differ by
    less than 4 % of the day's swing. A leak that grows evenly for more than a year looks like drift.

    Limits were chosen in simulated years, not on real units; `tests/test_trust.py` says what was
    counted in others.
    """
    _place(memory, noted)
    today = _measured(memory, temperature_c, humidity_percent, kinds)
    _count_still_days(memory, today)
    _compare_courses(memory, today, noted)
    _follow_drift(memory, today, day)
    memory.drifting[np.flatnonzero(noted.suspected)] = (
        0.0  # and so until the next four weeks are full
    )
    memory.settling_days[:] = np.maximum(memory.settling_days - 1.0, 0.0)
    return [_suspicion(memory, today, row) for row in range(len(kinds))]


def _place(memory: Memory, noted: Noted) -> None:
    for row in np.flatnonzero(noted.placed).tolist():
        for name in ("sums", "counts", "blocks_seen", "drifting", "flat_days", "full_days"):
            getattr(memory, name)[row] = 0.0
        for name in ("means", "drift", "partner", "partner_odds"):
            getattr(memory, name)[row] = np.nan
        memory.odds[row] = memory.odds[:, row] = np.nan
        memory.settling_days[row] = SETTLING_DAYS
        lost = memory.partner == row
        memory.partner[lost] = memory.partner_odds[lost] = np.nan
    if noted.moved:
        memory.pattern[:] = memory.odds[:] = memory.partner[:] = memory.partner_odds[:] = np.nan
        memory.pattern_days[:] = 0.0


def _measured(
    memory: Memory, temperature_c: Floats, humidity_percent: Floats, kinds: Sequence[ZoneKind]
) -> _Day:
    celsius = _enough(temperature_c)
    humidity = _enough(humidity_percent)
    swing, least = _span(celsius), np.min(humidity, axis=1, where=_known(humidity), initial=np.inf)
    least = np.where(np.isfinite(least), least, np.nan)
    return _Day(
        celsius=celsius,
        mean_c=_mean_of_hours(celsius),
        swing_k=swing,
        others_k=_median_of_others(swing, np.ones(len(kinds), dtype=bool))[0],
        humidity_percent=humidity,
        least_percent=least,
        flutter_percent=_span(humidity),
        kinds=kinds,
        settled=memory.settling_days == 0.0,
    )


def _count_still_days(memory: Memory, today: _Day) -> None:
    """Count days on end at the end of the scale, and without movement; a quiet day stands still."""
    full = today.least_percent >= FULL_PERCENT
    counts = full & (today.swing_k >= FULL_SWING_K)
    ended = today.least_percent < NOT_FULL_PERCENT
    memory.full_days[:] = np.where(ended, 0.0, memory.full_days + counts)
    others_moved = today.others_k >= MOVED_K
    moved = today.swing_k >= MOVED_K
    still = (today.swing_k <= FLAT_K) & others_moved
    still |= (today.flutter_percent <= FLAT_PERCENT) & moved & ~full
    alive = (today.swing_k > FLAT_K) & ~(today.flutter_percent <= FLAT_PERCENT)
    memory.flat_days[:] = np.where(still, memory.flat_days + 1.0, memory.flat_days)
    memory.flat_days[alive] = 0.0


# --- changed places -----------------------------------------------------------------------------------


def _compare_courses(memory: Memory, today: _Day, noted: Noted) -> None:
    """Compare each zone's course of temperature with what it and the others used to have.

    With differences d of two zones today and p of their patterns, the misfit in their own places is
    the mean of (d - p)^2, in each other's (d + p)^2.
    """
    member = np.array([kind != "outside" for kind in today.kinds])
    member &= _known(today.celsius).any(axis=1) & (memory.flat_days == 0.0)
    member[np.flatnonzero(noted.placed)] = False  # half a day of the probe before
    mean_c = _mean_of_zones(np.where(member[:, None], today.celsius, np.nan))
    swing = float(_span(mean_c[None])[0])
    if not swing >= SWING_K:
        return
    course = np.where(member[:, None], (today.celsius - mean_c) / swing, np.nan)
    told = memory.pattern_days >= PATTERN_DAYS
    now = course[:, None, :] - course[None, :, :]
    past = memory.pattern[:, None, :] - memory.pattern[None, :, :]
    noise = PATTERN_NOISE * PATTERN_NOISE
    own = _mean_of_hours((now - past) ** 2) + noise
    other = _mean_of_hours((now + past) ** 2) + noise
    odds = np.where(told[:, None] & told[None, :], np.rint(1e4 * np.log(other / own)) / 1e4, np.nan)
    two_days = np.rint(500.0 * (odds + memory.odds)) / 1000.0
    memory.odds[:] = np.where(np.isnan(odds), memory.odds, odds)
    _settle_partners(memory, two_days)
    learns = member & np.isnan(memory.partner)
    step = PATTERN_SHARE * (course - memory.pattern)
    step = np.where(np.isnan(memory.pattern), course, memory.pattern + step)
    step = np.rint(1e4 * step) / 1e4
    keeps = ~learns[:, None] | np.isnan(course)
    memory.pattern[:] = np.where(keeps, memory.pattern, step)
    memory.pattern_days += learns


def _settle_partners(memory: Memory, two_days: Floats) -> None:
    """Zones that fit each other's place better are doubted until they fit their own again."""
    for row in range(len(two_days)):
        partner = memory.partner[row]
        if not np.isnan(partner):
            odds = two_days[row, int(partner)]
            if odds >= OWN_ODDS:
                memory.partner[row] = memory.partner_odds[row] = np.nan
            elif not np.isnan(odds):
                memory.partner_odds[row] = odds
    best = np.where(np.isnan(two_days), np.inf, two_days)
    partners = best.argmin(axis=1).tolist()
    for row, other in enumerate(partners):
        free = np.isnan(memory.partner[row]) and partners[other] == row
        if free and best[row, other] <= SWAPPED_ODDS:
            memory.partner[row], memory.partner_odds[row] = other, best[row, other]


# --- drift --------------------------------------------------------------------------------------------


def _follow_drift(memory: Memory, today: _Day, day: int) -> None:
    """Gather four weeks; at their end, fit a line through all that are kept."""
    block = float(day // BLOCK_DAYS)
    if np.isnan(memory.block[0]):
        memory.block[0] = block
    while memory.block[0] < block:
        _close_block(memory)
        memory.block[0] += 1.0
        if memory.block[0] == block:
            for row, kind in enumerate(today.kinds):
                if kind in STRUCTURE_KINDS:
                    _judge_drift(memory, row)
    terms = _terms(today)
    sound = today.settled & (memory.flat_days == 0.0) & (memory.full_days == 0.0)
    told = sound & np.isfinite(terms[:, [_OWN, _OTHERS, _WARMER]]).all(axis=1)
    counts = told[:, None] & np.isfinite(terms)
    memory.sums[counts] += terms[counts]
    memory.counts += counts


def _terms(today: _Day) -> Floats:
    """What a day adds, (Z, 5); nan where it was not measured."""
    kinds = np.array(today.kinds)
    structure = np.array([kind in STRUCTURE_KINDS for kind in today.kinds])
    humidity = _mean_of_hours(today.humidity_percent)
    others, count = _median_of_others(humidity, structure)
    others = np.where(count >= DRIFT_NEIGHBOURS, others, np.nan)
    others_c, _ = _median_of_others(today.mean_c, structure)
    vapour = _mean_of_hours(
        air.vapour_pressure(
            temperature_c=today.celsius, humidity_percent=np.clip(today.humidity_percent, 0, 100)
        )
    )
    full = _mean_of_hours(
        air.saturation_vapour_pressure(temperature_c=today.celsius, over="liquid")
    )
    terms = np.stack(
        [
            humidity,
            others,
            today.mean_c - others_c,
            100.0 * _first(vapour, kinds == "cabin") / full,
            100.0 * _first(vapour, kinds == "outside") / full,
        ],
        axis=1,
    )
    return np.rint(terms * 1e4) / 1e4


def _close_block(memory: Memory) -> None:
    memory.means[:, :-1] = memory.means[:, 1:]
    memory.means[:, -1] = np.nan
    whole = memory.counts >= BLOCK_LEAST_DAYS
    memory.blocks_seen += whole[:, _OWN]
    means = np.rint(100.0 * memory.sums / np.maximum(memory.counts, 1.0)) / 100.0
    kept = whole & (memory.blocks_seen > FIRST_BLOCKS)[:, None]
    memory.means[:, -1] = np.where(kept, means, np.nan)
    memory.sums[:] = 0.0
    memory.counts[:] = 0.0


def _judge_drift(memory: Memory, row: int) -> None:
    memory.drift[row] = _line(memory.means[row], int(memory.block[0]))
    slope, scatter, gain, _ = (float(figure) for figure in memory.drift[row])
    if memory.drifting[row]:
        memory.drifting[row] = float(DRIFT_ENDS <= abs(slope) <= DRIFT_MOST)
    else:
        straight = scatter <= DRIFT_SCATTER and gain >= DRIFT_LINE
        memory.drifting[row] = float(DRIFT_STARTS <= abs(slope) <= DRIFT_MOST and straight)


def _line(means: Floats, block: int) -> tuple[float, float, float, float]:
    """Slope [% a year], scatter [%], gain of the line over a step, years; nan if too few.

    In plain floats: 18 to 26 points, once in four weeks, and the same bits everywhere.
    """
    columns = means.copy()
    air_columns = columns[:, _CABIN:]
    air_columns[:, np.isnan(air_columns).all(axis=0)] = 0.0
    rows = np.flatnonzero(np.isfinite(columns).all(axis=1)).tolist()
    if len(rows) < DRIFT_BLOCKS:
        return np.nan, np.nan, np.nan, np.nan
    years = [(block - BLOCKS + row) * BLOCK_DAYS / YEAR_DAYS for row in rows]
    points = [columns[row].tolist() for row in rows]
    terms = [_centred([point[term] for point in points]) for term in range(1, TERMS)]
    terms += [_centred([_SEASON * turn(2.0 * pi * at) for at in years]) for turn in (cos, sin)]
    steps = [[float(at >= first) for at in range(len(rows))] for first in range(1, len(rows))]
    seen, line, *steps = _without(terms, [[point[_OWN] for point in points], years, *steps])
    slope = _dot(seen, line) / _dot(line, line)
    by_line, by_step = _explained(seen, line), max(_explained(seen, step) for step in steps)
    left = max(_dot(seen, seen) - by_line, 1e-6)
    gain = (_dot(seen, seen) - by_step) / left
    scatter = sqrt(left / (len(rows) - 4))  # about four terms are free, the others held back
    return round(slope, 2), round(scatter, 2), round(gain, 2), round(years[-1] - years[0], 2)


def _explained(seen: Sequence[float], by: Sequence[float]) -> float:
    """Sum of squares of `seen` that a multiple of `by` takes away."""
    size = _dot(by, by)
    return _dot(seen, by) ** 2 / size if size > 1e-9 else 0.0


def _without(terms: Sequence[Sequence[float]], series: Sequence[Sequence[float]]) -> _Table:
    """What is left of each of `series` when means and terms are taken out.

    Least squares by the normal equations and elimination without pivots, all series at once.
    """
    series = [_centred(one) for one in series]
    size = len(terms)
    table = [[_dot(one, two) for two in [*terms, *series]] for one in terms]
    for row in range(size):
        table[row][row] += _RIDGE[row]
    for row in range(size):
        for other in range(size):
            factor = table[other][row] / table[row][row]
            if other != row:
                table[other] = [
                    a - factor * b for a, b in zip(table[other], table[row], strict=True)
                ]
    left = []
    for at, one in enumerate(series):
        shares = [table[row][size + at] / table[row][row] for row in range(size)]
        fitted = (_dot(shares, values) for values in zip(*terms, strict=True))
        left.append([value - fit for value, fit in zip(one, fitted, strict=True)])
    return left


def _dot(one: Sequence[float], two: Sequence[float]) -> float:
    return sum(a * b for a, b in zip(one, two, strict=True))


def _centred(values: Sequence[float]) -> list[float]:
    mean = sum(values) / len(values)
    return [value - mean for value in values]


# --- the word ------------------------------------------------------------------------------------------


def _suspicion(memory: Memory, today: _Day, row: int) -> Suspicion:
    if memory.full_days[row] >= DOUBT_DAYS:
        facts = {"days": memory.full_days[row], "swing_k": today.swing_k[row]}
        return _said("saturated", facts | {"least_percent": today.least_percent[row]})
    if memory.flat_days[row] >= DOUBT_DAYS:
        facts = {"days": memory.flat_days[row], "swing_k": today.swing_k[row]}
        facts |= {"others_swing_k": today.others_k[row]}
        return _said("stuck", facts | {"humidity_span_percent": today.flutter_percent[row]})
    if not np.isnan(memory.partner[row]):
        times = float(np.exp(-memory.partner_odds[row]))
        return _said("swapped?", {"other_row": memory.partner[row], "times_better": times})
    if memory.drifting[row]:
        names = ("percent_a_year", "scatter_percent", "times_better_than_step", "years")
        return _said("drifting", dict(zip(names, memory.drift[row], strict=True)))
    if not today.settled[row]:
        return _said("settling", {"days_left": memory.settling_days[row]})
    return Suspicion("")


def _said(word: Word, facts: dict[str, float]) -> Suspicion:
    return Suspicion(word, {name: round(float(figure), 2) for name, figure in facts.items()})


# --- arithmetic ---------------------------------------------------------------------------------------


def _known(hours: Floats) -> Bools:
    known: Bools = np.isfinite(hours)
    return known


def _enough(hours: Floats) -> Floats:
    """The hours as float64 of one layout, all nan where fewer than half of them are known."""
    hours = np.array(hours, dtype=np.float64, order="C")
    hours[_known(hours).sum(axis=1) < LEAST_HOURS] = np.nan
    return hours


def _span(hours: Floats) -> Floats:
    """Largest less least of each row; nan where nothing is known."""
    known = _known(hours)
    most = np.max(hours, axis=1, where=known, initial=-np.inf)
    least = np.min(hours, axis=1, where=known, initial=np.inf)
    some = known.any(axis=1)
    return np.where(some, np.where(some, most, 0.0) - np.where(some, least, 0.0), np.nan)


def _mean_of_hours(hours: Floats) -> Floats:
    """Mean over the last axis; sums over whole numbers of 1e-6, so that no order matters."""
    known = _known(hours)
    total = np.where(known, np.rint(hours * 1e6), 0.0).sum(axis=-1)
    count = known.sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1) / 1e6, np.nan)


def _mean_of_zones(hours: Floats) -> Floats:
    return _mean_of_hours(np.ascontiguousarray(hours.T))


def _median_of_others(values: Floats, members: Bools) -> tuple[Floats, Floats]:
    """Median over the other members that are known, nan where none is; and how many there are."""
    size = len(values)
    others = np.where(members[None, :] & ~np.eye(size, dtype=bool), values[None, :], np.nan)
    return median_of_known(others.T), np.isfinite(others).sum(axis=1) * 1.0


def _first(values: Floats, members: Bools) -> float:
    """The first member's value that is known; nan where there is none."""
    known = values[members & np.isfinite(values)]
    return float(known[0]) if known.size else float("nan")
