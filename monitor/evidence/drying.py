"""Repair proof: whether a zone stayed dry through the wettings after its repair.

Dry weather proves nothing. A zone is followed against the median of its unit's unaffected zones of
like material, the *dry standard*; what it holds above that is its *excess*. Each wetting after the
repair asks a question, and its answer is weighed against what a leak would have answered::

    response   mean excess of the two days after a wetting, less that of the day before and less
               half of what the trend of three days would have brought
    noise      the same figure on dry days
    expected   b x drive of the wetting, b the least response of a leak that is to be excluded:
               0.5 %MC in an opened wall, 0.25 in a closed one, half of what the leak gave before
               the repair where that is more
    power      chance that a leak's response would have stood out of the noise, summed up
    evidence   sum of the log likelihood ratios of "repaired" against "still leaking"

The drying goal is an excess of 1 %MC and half the quartile range of the like zones, held for 5 days.
The verdict is `did not stay dry` once responses add up to a leak or the excess climbs; `stayed dry`,
so far, when none of the conditions of `CONDITIONS` is missing; `drying` while the excess is above
the goal and falls; else `not yet shown`, with what is missing by name.

Limits [1]_. A leak in a wall that is soaked already answers little: the drying goal guards against
it. A probe that never showed the leak cannot show its end: it must have been moved to the spot, or
have answered the rain before the repair. Rain that met another side of the unit is counted like
rain on this one; a pipe leaks without rain, and is not judged here at all.

References
----------
.. [1] No repairs have been measured: numbers without another reason beside them were chosen on
   simulated worlds (`tests/bench/proof.py`), in which their rates of error hold.
.. [2] ANSI/IICRC S500-2021, 10.6.6 and 12.5.7, as quoted by the trade: drying is measured against
   unaffected material and ends when its goal is met, not after a number of days.
.. [3] P. K. Sen, Journal of the American Statistical Association 63 (1968) 1379-1389: the median of
   the slopes between pairs of points; citation from memory.
.. [4] The rule of three: after n answers without a leak, at most 1 - 0.05^(1/n) of such questions
   would be answered by one, with 95 % confidence; common practice, no source.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from math import erf, inf, isnan, log, nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.evidence.folds import drive

Floats = NDArray[np.float64]
Verdict = Literal["stayed dry", "drying", "not yet shown", "did not stay dry"]
WettingKind = Literal["rain", "hose", "wash", "thaw"]
HoseWord = Literal["pass", "fail", "not enough data"]

DRY_TWIN, SPOT, GOAL = "dry twin", "sensor at the spot", "drying goal"
DAYS_30, POWER, EVIDENCE = "30 days", "enough wetting", "enough evidence"
HOSE, NATURAL, RAIN_RECORD = "hose test", "natural wettings", "rain record"
NO_RESPONSE, COVERAGE = "no response", "coverage"
BENCH, PHOTO = "bench check", "source photo"
CONDITIONS = (
    *(DRY_TWIN, SPOT, GOAL, DAYS_30, POWER, EVIDENCE),
    *(HOSE, NATURAL, RAIN_RECORD, NO_RESPONSE, COVERAGE, BENCH, PHOTO),
)
DATA, HOURS_48 = "data", "48 hours"  # of a hose test
BESIDE = (BENCH, PHOTO)  # what no series of readings can show

_HOUR_S, _DAY_H = 3600, 24
_ANSWER_H, _TREND_H = 48, 72  # a wetting is answered within; the trend before it is taken over
_SETTLING_H = 48  # after the repair nothing is asked: probe and air come to rest
_LONGEST_GAP_H = 6
_RAIN_MM, _RAIN_H = 2.0, 6
_DRY_MM = 0.3  # a day with more is no dry day
ASSUMED_MM = {"rain": 5.0, "hose": 9.0, "wash": 5.0, "thaw": 5.0}  # where nobody said how much
_TAKES_OVER_H = 12  # a hose test, after rain began
_LARGEST_FALL, _LARGEST_RISE = -1.5, 0.5  # that a trend may explain [%MC]

_CLOSED_RESPONSE, _OPENED_RESPONSE = 0.25, 0.5  # least response [%MC a drive of 1]
_SIZE_ML = 20.0  # of the leak with that response
_LARGEST_SIZE_ML = 200.0
_BEFORE_DAYS, _BEFORE_EVENTS, _SEEN = 60, 3, 3.0  # answers before the repair, standard errors
_START_NOISE, _LEAST_NOISE, _NOISE_SHARE, _NOISE_MORE = 0.3, 0.12, 0.05, 1.1
_NOISE_LIMIT = 1.645  # standard deviations that one dry answer in twenty exceeds
_RESPONSE = 2.0  # noises from which a response stands out
# One dry answer in forty does, so that in the long run every good repair would be doubted: once it
# was shown, a response must be larger, and ten wettings without one outweigh it.
_LATER_RESPONSE, _LATER_EVENTS = 3.0, 10
_HOSE_RESPONSE, _HOSE_HOURS = 3.0, 3
_LEAST_RATIO, _LARGEST_RATIO = -1.5, 3.0  # a single answer cannot decide
_LEAK_SUM = 6.0

_SMOOTH = 0.35  # share of a new day in the smoothed excess
_RISE, _RISE_NOISE, _RISE_DAYS = 2.2, 0.35, 4
_GOAL, _GOAL_DAYS, _GOAL_BEFORE_H, _GOAL_AFTER_H = 1.0, 5, 21 * 24, 7 * 24
_LARGEST_HALF_SPREAD = 0.5  # zones that differ more are no standard for one another
_FALL, _FALL_DAYS = 0.15, 10
_LEAST_DAYS, _LEAST_POWER, _LEAST_EVIDENCE, _LEAST_COVERAGE = 30, 3.0, 4.0, 95.0
_NATURAL_WITH_HOSE, _NATURAL_ALONE, _HOSES_APART_H = 3, 6, 7 * 24
_PAIR_DAYS = 3  # neighbouring days say nothing of a slope
_STALLED_DAYS = 2  # midnights running that begin or end a stall: one is noise
# A bench check reads a probe over a salt whose humidity is known. Half a year: what such probes drift
# in it is well under the 3 %RH beyond which two checks are of different probes, and 3 %RH is some
# 0.5 %MC of wood in the middle range, half of the drying goal. Both numbers are our own choice.
_BENCH_DAYS, _BENCH_APART = 180, 3.0
LEAST_GOAL, MOST_GOAL = 0.5, 3.0  # that a person may decide on [%MC above the dry standard]
VERSION = "3"  # of these rules


@dataclass(frozen=True, slots=True)
class Wetting:
    """Water that somebody noted on the zone; `mm` nan where nobody said how much."""

    at_s: int
    kind: WettingKind
    mm: float = nan


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """One zone's hours, (H,), from some weeks before the repair on where there are any.

    Parameters
    ----------
    from_hour : int
        Hour number of the first.
    moisture_percent : ndarray
        Moisture of the zone, each hour standing for the 24 h up to its end; nan where not
        measured. [%]
    like_percent : ndarray
        The same of K unaffected zones of like material and height, (K, H): the dry twin, or
        several zones. [%]
    coverage : ndarray
        Share of each hour that the zone was measured. [0 to 1]
    rain_mm : ndarray
        Liquid rain on the unit; 0 for snow, nan where not known (or the unit was elsewhere). [mm]
    wettings : sequence of Wetting
        Hose tests, washes, thaws, and rain that a person noted and `rain_mm` does not hold.
    """

    from_hour: int
    moisture_percent: Floats
    like_percent: Floats
    coverage: Floats
    rain_mm: Floats
    wettings: Sequence[Wetting] = ()


@dataclass(frozen=True, slots=True)
class Repair:
    """What was done: `opened` and dried or closed wet; `moved`: the probe was put on the spot."""

    at_s: int
    opened: bool
    moved: bool


@dataclass(frozen=True, slots=True)
class Benched:
    """One probe while it watched the zone or its twin; `checks` are (when, correction [%RH])."""

    from_s: int
    to_s: int | None
    checks: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Shown:
    """What is in the record of a repair beside readings; each counts from its time on.

    Parameters
    ----------
    photo_s : tuple of int
        When photos of where the water came in were entered.
    benched : tuple of Benched
        The probes of the zone and of its declared dry twin.
    goals : tuple of (int, float)
        Drying goals that somebody decided on, by time. [%MC above the dry standard]
    reached_s : tuple of int
        When somebody entered that water came in while a joint was sprayed: a response, whatever
        the probe says.
    """

    photo_s: tuple[int, ...] = ()
    benched: tuple[Benched, ...] = ()
    goals: tuple[tuple[int, float], ...] = ()
    reached_s: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Revision:
    """The proof as it stands from `at_s` on; earlier revisions stay as they are.

    `size_ml` is the least leak that the wettings so far would have shown (an event of 3 mm on the
    face, from simulated worlds), nan while they would have shown none. `missing` is empty of what
    the readings could show where they have shown it. Of `figures`, nan is unknown::

        excess_percent, goal_percent      above the dry standard, smoothed; what is to be reached
        noise_percent, least_response     of an answer; b
        power, evidence                   summed up over the wettings counted
        leaking_share                     at most this share of wettings leaks, by the rule of three
        natural, hose, wash, uncounted    wettings since the repair
        responses                         of those counted, that stood out of the noise
        last_survived_s                   the last wetting without response
        coverage_percent, days            since the repair
        rate_percent_day                  how fast the excess falls (slope of pairs [3])
        days_to_goal_low, _high           at that rate, slowing down as the excess falls; inf never
        stalled                           1: above the goal and hardly falling
    """

    at_s: int
    verdict: Verdict
    size_ml: float
    missing: tuple[str, ...]
    figures: Mapping[str, float]


def prove(*, watch: Watch, repair: Repair, shown: Shown | None = None) -> list[Revision]:
    """Follow the proof of one repair, midnight by midnight.

    Parameters
    ----------
    watch : Watch
        Up to now, or up to the zone's next repair.
    repair : Repair
        What is to be proven.
    shown : Shown, optional
        What else is in the record; without bench checks and photo nothing is `stayed dry`. None:
        files alone, in which nobody could have shown them. The verdict is then that of the
        readings, and `missing` names both.

    Returns
    -------
    list of Revision
        One each time verdict or missing conditions change, from the first midnight after the
        repair on. Each uses what was known by then: more data add revisions and change none.

    Raises
    ------
    ValueError
        If the series differ in length, or are empty.

    Notes
    -----
    `did not stay dry` stands until there is another repair. A hose test is wanted; six natural
    wettings do without, and `missing` then names it beside `stayed dry`.
    """
    return follow(watch=watch, repair=repair, shown=shown).revisions


def standing(*, watch: Watch, repair: Repair, shown: Shown | None = None) -> Revision | None:
    """The proof with the figures of the last midnight; parameters as in `prove`.

    None before the first midnight after the repair.
    """
    return follow(watch=watch, repair=repair, shown=shown).standing


@dataclass(frozen=True, slots=True)
class Stall:
    """Drying stalled: above the goal, and fallen by less than 0.15 %MC in ten days.

    Two midnights running begin it and two end it, the goal at once; silence does neither. Ten days,
    because a wall that dries at all within a season falls by more than that, and a shorter time by
    no more than the noise. `ended_s` None: it stands. `figures` are those of its first midnight.
    """

    began_s: int
    ended_s: int | None
    figures: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Asked:
    """One wetting since the repair, and what the zone answered; nan where it was not measured."""

    at_s: int
    kind: WettingKind
    mm: float
    answer_percent: float
    noise_percent: float
    word: Literal["survived", "response", "not counted", "not over yet"]


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A proof from the first midnight to the last: what changed, how it stands, where it stalled."""

    revisions: list[Revision]
    standing: Revision | None
    stalls: list[Stall]
    wettings: list[Asked]


def follow(*, watch: Watch, repair: Repair, shown: Shown | None = None) -> Followed:
    """All of it in one pass; parameters as in `prove`."""
    followed = Followed([], None, [], [])
    last: _Standing | None = None
    proof: _Proof | None = None
    at_s = 0
    for proof, at_s, now in _midnights(watch, repair, shown):
        if now != last:
            last = now
            followed.revisions.append(proof.revision(at_s, now))
        proof.weigh_stall(at_s, followed.stalls)
    if proof is None or last is None:
        return followed
    return replace(
        followed, standing=proof.revision(at_s, last), wettings=list(proof.wettings_asked())
    )


def goal_of(like_percent: Floats) -> float:
    """Drying goal [%MC] by the hours of the like zones, (K, H), before a repair; nan without any."""
    spread = _quartiles(like_percent)[1]
    spread = spread[np.isfinite(spread)]
    if not len(spread):
        return nan
    return round(_GOAL + min(0.5 * float(np.median(spread)), _LARGEST_HALF_SPREAD), 2)


def standard(watch: Watch) -> Floats:
    """The dry standard, (H,): median of the unaffected zones."""
    return _quartiles(watch.like_percent)[0]


_Standing = tuple[Verdict, tuple[str, ...]]


def _midnights(
    watch: Watch, repair: Repair, shown: Shown | None
) -> Iterator[tuple["_Proof", int, _Standing]]:
    """The proof at each midnight: one that goes on, the time, verdict and missing conditions."""
    course = _Course.of(watch, repair)
    shown_or_none = shown or Shown()
    proof = _Proof(course, decided=shown_or_none.goals, reached=shown_or_none.reached_s)
    for hour in course.midnights():
        at_s = (watch.from_hour + hour) * _HOUR_S
        proof.pass_day(hour)
        beside = BESIDE if shown is None else proof.lacks(shown, at_s)
        yield proof, at_s, proof.verdict(beside, needed=shown is not None)


@dataclass(frozen=True, slots=True)
class HoseAnswer:
    """What a zone made of one hose test.

    `hours` is when the response was sure, from the test on, nan without; `response_percent` the
    largest rise within 48 h; `missing` says why there is not enough data.
    """

    word: HoseWord
    hours: float
    response_percent: float
    noise_percent: float
    missing: tuple[str, ...]


def hose_answer(*, watch: Watch, hose_s: int, repair: Repair | None = None) -> HoseAnswer:
    """Whether water that was sprayed on a joint arrived in the zone within 48 h.

    Parameters
    ----------
    watch : Watch
        From some days before the test on. Moisture that stands for 24 h answers half a day late.
    hose_s : int
        When the test was made.
    repair : Repair, optional
        What was done before it; by default nothing since the watch began.

    Returns
    -------
    HoseAnswer
        `fail` as soon as the excess stood above 3 times the noise of dry days for 3 h running;
        `pass` after 48 h without, if a dry wall was watched without a gap; else `not enough data`.

    Notes
    -----
    A pass says little alone: on simulated worlds ([1] of this module) one hose test found 4 in 10
    of the repairs that had failed, with the probe on the spot, and doubted 1 good one in 25. A wall
    above its drying goal cannot pass, for soaked wood answers nothing.
    """
    repair = repair or Repair(watch.from_hour * _HOUR_S, opened=False, moved=False)
    course = _Course.of(watch, repair)
    hour = hose_s // _HOUR_S - watch.from_hour
    if not 1 <= hour < len(course.excess):
        return HoseAnswer("not enough data", nan, nan, nan, (DATA,))
    noise = _Proof(course, hour=hour).noise()
    rise = course.rise(hour)
    over = rise > _HOSE_RESPONSE * noise
    running = over[:-2] & over[1:-1] & over[2:]
    largest = round(float(np.nanmax(rise)), 2) if np.isfinite(rise).any() else nan
    if running.any():
        hours = float(np.argmax(running)) + _HOSE_HOURS
        return HoseAnswer("fail", hours, largest, noise, ())
    lacking = {
        DATA: not course.measured(hour) or not np.isfinite(rise).any(),
        HOURS_48: len(rise) < _ANSWER_H,
        GOAL: not float(course.excess[hour - 1]) <= course.goal(hour),
    }
    missing = tuple(name for name, lacks in lacking.items() if lacks)
    return HoseAnswer("not enough data" if missing else "pass", nan, largest, noise, missing)


# --- what is known, hour by hour --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Event:
    hour: int  # since the start of the watch
    kind: WettingKind
    mm: float

    @property
    def drive(self) -> float:
        """How much a leak is asked, 1 at 5 mm."""
        return float(drive(self.mm))


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """The watch in the figures of the proof; hours count from its start."""

    watch: Watch
    repair: Repair
    repaired: int
    excess: Floats  # (H,) above the like zones, held over short gaps
    spread: Floats  # (H,) quartile range of the like zones
    known: NDArray[np.bool_]
    events: list[_Event]
    quiet: list[tuple[int, float]]  # hour it was known, answer of a dry day

    @classmethod
    def of(cls, watch: Watch, repair: Repair) -> "_Course":
        hours = len(watch.moisture_percent)
        others = (watch.like_percent.shape[1], len(watch.coverage), len(watch.rain_mm))
        if not hours or others != (hours, hours, hours):
            raise ValueError("moisture, like zones, coverage and rain must be of the same hours")
        middle, spread = _quartiles(watch.like_percent)
        excess = watch.moisture_percent - middle
        course = cls(
            watch=watch,
            repair=repair,
            repaired=repair.at_s // _HOUR_S - watch.from_hour,
            excess=np.rint(_held(excess) * 1e4) / 1e4,
            spread=spread,
            known=np.isfinite(excess),
            events=_events(watch),
            quiet=[],
        )
        course.quiet.extend(course.quiet_answers())
        return course

    @property
    def since(self) -> int:
        """First hour of the watch after the repair."""
        return max(self.repaired, 0)

    def midnights(self) -> Iterator[int]:
        """Each midnight after the repair, as an hour of the watch."""
        first = self.since + 1
        first += -(self.watch.from_hour + first) % _DAY_H
        return iter(range(first, len(self.excess) + 1, _DAY_H))

    def answer(self, hour: int) -> float:
        """Response to a wetting that begins at an hour; nan where it was not measured."""
        if hour < 1 or hour + _ANSWER_H >= len(self.excess):
            return nan
        before, day, two = (float(self.excess[hour + h]) for h in (-1, _DAY_H, _ANSWER_H))
        # from the middle of the day before to the middle of the two days after
        return 0.5 * (day + two) - before - float(self.expected(hour, 1.5))

    def rise(self, hour: int) -> Floats:
        """Excess above that of the day before and its trend, in the hours known of the 48."""
        now = self.excess[hour : hour + _ANSWER_H]
        days = (np.arange(len(now)) + 1.0) / _DAY_H
        risen: Floats = now - self.excess[hour - 1] - self.expected(hour, days)
        return risen

    def expected(self, hour: int, days: Floats | float) -> Floats:
        """Change in so many days by half the trend of the three before an hour."""
        since = 0 if hour < self.repaired else self.repaired + _DAY_H
        past = hour - 1 - _TREND_H
        trend = self.excess[hour - 1] - self.excess[past] if past >= max(since, 0) else 0.0
        trend = 0.0 if np.isnan(trend) else trend * _DAY_H / _TREND_H
        change: Floats = np.clip(0.5 * trend * np.asarray(days), _LARGEST_FALL, _LARGEST_RISE)
        return change

    def measured(self, hour: int) -> bool:
        """Whether the 48 h from an hour on have no gap over 6 h."""
        gap = 0
        for known in self.known[hour : hour + _ANSWER_H].tolist():
            gap = 0 if known else gap + 1
            if gap > _LONGEST_GAP_H:
                return False
        return True

    def quiet_answers(self) -> Iterator[tuple[int, float]]:
        """What dry days answer: the noise. Of a probe that was moved, only since."""
        hours = len(self.excess)
        rain = np.nan_to_num(self.watch.rain_mm)
        wet = np.convolve(rain, np.ones(_DAY_H))[:hours] > _DRY_MM
        wet |= np.convolve(rain, np.ones(_TREND_H))[:hours] >= _RAIN_MM
        for wetting in self.watch.wettings:
            hour = wetting.at_s // _HOUR_S - self.watch.from_hour
            wet[max(hour, 0) : max(hour + _TREND_H, 0)] = True
        unknown = np.isnan(self.watch.rain_mm)
        for hour in range(-self.watch.from_hour % _DAY_H, hours - _ANSWER_H, _DAY_H):
            around = slice(max(hour - _DAY_H, 0), hour + _ANSWER_H)
            if wet[around].any() or unknown[around].any():
                continue
            if hour < self.repaired + _SETTLING_H + _DAY_H and (
                self.repair.moved or hour >= self.repaired - _ANSWER_H
            ):
                continue
            answer = self.answer(hour)
            if not isnan(answer):
                yield hour + _ANSWER_H + 1, answer

    def before(self) -> tuple[float, float]:
        """Response of the leak before the repair, and in how many drives it was asked (squared)."""
        earliest = self.repaired - _BEFORE_DAYS * _DAY_H
        answers = [
            (event.drive, self.answer(event.hour))
            for event in self.events
            if earliest <= event.hour < self.repaired - _ANSWER_H and self.measured(event.hour)
        ]
        answers = [(drive, answer) for drive, answer in answers if not isnan(answer)]
        if len(answers) < _BEFORE_EVENTS:
            return 0.0, 0.0
        weight = sum(drive * drive for drive, _ in answers)
        return sum(drive * answer for drive, answer in answers) / weight, weight

    def goal(self, hour: int) -> float:
        """The drying goal above the standard; it is fixed a week after the repair."""
        stop = min(hour, self.since + _GOAL_AFTER_H)
        spread = self.spread[max(self.since - _GOAL_BEFORE_H, 0) : stop]
        spread = spread[np.isfinite(spread)]
        if not len(spread):
            return nan
        return round(_GOAL + min(0.5 * float(np.median(spread)), _LARGEST_HALF_SPREAD), 2)


def _events(watch: Watch) -> list[_Event]:
    """Wettings in the order of time, none within the 48 h of another but a hose test.

    Rain begins in the first wet hour of 6 h with 2 mm; what falls in a day counts. A hose test is a
    question of its own: it takes the place of rain that had just begun, and stands beside rain that
    was answered for half a day, for a test noted later must not take an answer back.
    """
    hours = len(watch.rain_mm)
    rain = np.nan_to_num(watch.rain_mm)
    total = np.concatenate([[0.0], np.cumsum(rain)])
    ahead = np.minimum(np.arange(hours) + _RAIN_H, hours)
    begins = np.flatnonzero((rain > 0.0) & (total[ahead] - total[:-1] >= _RAIN_MM))
    asked = [(hour, _Event(hour, "rain", 0.0)) for hour in begins.tolist()]
    for wetting in watch.wettings:
        hour = wetting.at_s // _HOUR_S - watch.from_hour
        mm = ASSUMED_MM[wetting.kind] if isnan(wetting.mm) else wetting.mm
        asked.append((hour, _Event(hour, wetting.kind, mm)))
    found: list[_Event] = []
    for hour, event in sorted(asked, key=lambda pair: (pair[0], pair[1].kind == "rain")):
        if not 0 <= hour < hours:
            continue
        if found and hour < found[-1].hour + _ANSWER_H:
            if event.kind != "hose" or found[-1].kind == "hose":
                continue
            if hour < found[-1].hour + _TAKES_OVER_H:
                found.pop()
        found.append(event)
    return [
        _Event(e.hour, e.kind, e.mm + float(total[min(e.hour + _DAY_H, hours)] - total[e.hour]))
        for e in found
    ]


def _quartiles(values: Floats) -> tuple[Floats, Floats]:
    """Median and quartile range over the first axis of what is known; nan where nothing is."""
    ranked = np.sort(values, axis=0)  # nan last
    last = np.isfinite(ranked).sum(axis=0) - 1
    column = np.arange(values.shape[1])

    def rank(share: float) -> Floats:
        if not len(values):
            return np.full(values.shape[1], np.nan)
        place = share * np.maximum(last, 0)
        low = place.astype(np.int64)
        high = np.minimum(low + 1, np.maximum(last, 0))
        part = place - low
        between: Floats = ranked[low, column] * (1.0 - part) + ranked[high, column] * part
        return between

    return rank(0.5), rank(0.75) - rank(0.25)


def _held(values: Floats) -> Floats:
    """Values held over gaps of up to 6 h."""
    at = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isfinite(values), at, -1))
    held = np.where(last >= 0, values[np.maximum(last, 0)], np.nan)
    return np.where(at - last <= _LONGEST_GAP_H, held, np.nan)


# --- the proof, day by day ----------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class _Proof:
    """What the days since the repair have shown so far."""

    course: _Course
    hour: int = 0
    excess: float = nan  # smoothed
    lowest: float = inf
    past: list[float] = field(default_factory=list)  # smoothed excess of each midnight
    daily: list[float] = field(default_factory=list)  # as it was measured
    at_goal: int = 0  # days running
    risen: int = 0
    variance: float = _START_NOISE**2
    quiet: int = 0  # how many answers of dry days were taken
    asked: int = 0  # how many wettings were looked at
    counted: list[tuple[_Event, float, float]] = field(default_factory=list)  # answer, noise
    uncounted: int = 0
    power: float = 0.0
    evidence: float = 0.0
    leak_sum: float = 0.0
    responses: int = 0
    failed: bool = False
    shown: bool = False  # was `stayed dry` once
    least: float = nan
    seen: bool = False
    goal: float = nan
    reached: tuple[int, ...] = ()
    decided: tuple[tuple[int, float], ...] = ()  # drying goals, from their time on
    turned: int = 0  # midnights running that spoke against the stall, or the course, so far

    def pass_day(self, hour: int) -> None:
        """Take in what became known up to a midnight."""
        self.hour = hour
        if not self.past:
            self._look_back()
        self._weigh_wettings()
        self._weigh_level()
        self.failed = self.failed or self.leak_sum >= _LEAK_SUM or self.risen >= _RISE_DAYS

    def _look_back(self) -> None:
        """What the leak answered before it was repaired."""
        repair = self.course.repair
        response, weight = self.course.before()
        self.seen = repair.moved or response * sqrt(weight) >= _SEEN * self.noise()
        self.least = _OPENED_RESPONSE if repair.opened else _CLOSED_RESPONSE
        if not repair.moved:
            self.least = round(max(self.least, 0.5 * response), 3)

    def noise(self) -> float:
        """Standard deviation of what dry days answered so far."""
        self._weigh_noise()
        return round(max(_NOISE_MORE * sqrt(self.variance), _LEAST_NOISE), 3)

    def _weigh_noise(self) -> None:
        quiet = self.course.quiet
        while self.quiet < len(quiet) and quiet[self.quiet][0] <= self.hour:
            limit = 3.0 * sqrt(self.variance)
            answer = min(max(quiet[self.quiet][1], -limit), limit)
            self.variance += _NOISE_SHARE * (answer * answer - self.variance)
            self.quiet += 1

    def _weigh_wettings(self) -> None:
        events, repaired = self.course.events, self.course.repaired
        while self.asked < len(events) and events[self.asked].hour + _ANSWER_H < self.hour:
            event = events[self.asked]
            self.asked += 1
            if event.hour >= repaired:
                self._weigh(event)

    def _weigh(self, event: _Event) -> None:
        course = self.course
        answer = round(course.answer(event.hour), 3)
        settled = event.hour >= course.repaired + _SETTLING_H
        if not settled or isnan(answer) or not course.measured(event.hour):
            self.uncounted += 1
            return
        noise, expected = self.noise(), self.least * event.drive
        ratio = (answer * expected - 0.5 * expected * expected) / (noise * noise)
        ratio = min(max(ratio, _LEAST_RATIO), _LARGEST_RATIO)
        self.leak_sum = max(0.0, self.leak_sum + ratio)
        self.evidence -= ratio
        self.power += _normal(expected / noise - _NOISE_LIMIT)
        self.responses += answer > _RESPONSE * noise
        self.counted.append((event, answer, noise))

    def _weigh_level(self) -> None:
        course = self.course
        self.goal = self._goal()
        today = float(course.excess[self.hour - 1])
        if self.hour >= course.repaired + _SETTLING_H and not isnan(today):
            before = self.excess
            self.excess = today if isnan(before) else before + _SMOOTH * (today - before)
            self.excess = round(self.excess, 4)
            self.lowest = min(self.lowest, self.excess)
            # wood that was dried below its neighbours climbs back to them without a leak
            limit = max(self.lowest, 0.0) + _RISE * max(1.0, self.noise() / _RISE_NOISE)
            self.at_goal = self.at_goal + 1 if round(self.excess, 2) <= self.goal else 0
            self.risen = self.risen + 1 if self.excess > limit else 0
        self.past.append(self.excess)
        self.daily.append(today if self.hour >= course.repaired + _SETTLING_H else nan)

    def _goal(self) -> float:
        """The goal decided on last; without a decision, that of the like zones."""
        decided = [goal for when_s, goal in self.decided if when_s <= self._now_s()]
        return decided[-1] if decided else self.course.goal(self.hour)

    def _now_s(self) -> int:
        return (self.course.watch.from_hour + self.hour) * _HOUR_S

    # what follows from it

    def lacks(self, shown: Shown, at_s: int) -> tuple[str, ...]:
        """Which of `BESIDE` are not shown at a midnight."""
        repaired_s = self.course.repair.at_s
        probes = [
            probe
            for probe in shown.benched
            if probe.from_s < at_s and (probe.to_s is None or probe.to_s > repaired_s)
        ]
        held = {
            BENCH: bool(probes) and all(self._is_benched(probe, at_s) for probe in probes),
            PHOTO: any(when_s <= at_s for when_s in shown.photo_s),
        }
        return tuple(name for name in BESIDE if not held[name])

    def _is_benched(self, probe: Benched, at_s: int) -> bool:
        """Whether a probe was checked before it was needed and after, and read the same.

        After: since the last wetting that counts. Once all was shown, a check of the last half
        year will do, or every rain would undo the proof.
        """
        start_s = max(self.course.repair.at_s, probe.from_s)
        wetted = [(self.course.watch.from_hour + e.hour) * _HOUR_S for e, _, _ in self.counted]
        asked = [when_s for when_s in wetted if probe.to_s is None or when_s < probe.to_s]
        reach_s = _BENCH_DAYS * _DAY_H * _HOUR_S
        after_s = at_s - reach_s if self.shown else max(asked, default=start_s)
        checks = sorted(probe.checks)
        before = [c for when_s, c in checks if start_s - reach_s <= when_s <= start_s]
        after = [c for when_s, c in checks if max(after_s, start_s) < when_s <= at_s]
        return bool(before and after) and abs(after[-1] - before[-1]) <= _BENCH_APART

    def verdict(self, beside: tuple[str, ...], *, needed: bool) -> "_Standing":
        """Verdict and missing conditions; `beside` are those that readings cannot show."""
        if self.failed:
            return "did not stay dry", beside
        held, missing = self._enough_wettings()
        missing |= {name for name, met in self._met().items() if not met}
        held = held and not (missing - {HOSE}) and not (needed and beside)
        named = tuple(n for n in CONDITIONS if n in missing or n in beside)
        if held:
            self.shown = True
            return "stayed dry", named
        if self.excess > self.goal and self._fallen(_FALL_DAYS) > _FALL:
            return "drying", named
        return "not yet shown", named

    def _met(self) -> dict[str, bool]:
        course = self.course
        since = slice(course.since, self.hour)
        return {
            DRY_TWIN: bool(np.isfinite(course.spread[since]).any()),
            SPOT: self.seen,
            GOAL: self.at_goal >= _GOAL_DAYS,
            DAYS_30: self.hour - course.repaired >= _LEAST_DAYS * _DAY_H,
            POWER: round(self.power, 2) >= _LEAST_POWER,
            EVIDENCE: round(self.evidence, 2) >= _LEAST_EVIDENCE,
            RAIN_RECORD: bool(np.isfinite(course.watch.rain_mm[since]).any()),
            NO_RESPONSE: not self._responded(),
            COVERAGE: self._coverage() >= _LEAST_COVERAGE,
        }

    def _enough_wettings(self) -> tuple[bool, set[str]]:
        """Whether wettings were enough; what is wanting, be they or not."""
        hoses = self._hours("hose")
        natural = len(self._hours("rain", "thaw"))
        missing = set() if hoses else {HOSE}
        apart = bool(hoses) and hoses[-1] - hoses[0] >= _HOSES_APART_H
        if natural < _NATURAL_WITH_HOSE and not apart:
            missing.add(NATURAL)
        held = (bool(hoses) and NATURAL not in missing) or natural >= _NATURAL_ALONE
        return held, missing

    def _hours(self, *kinds: WettingKind) -> list[int]:
        return [event.hour for event, _, _ in self.counted if event.kind in kinds]

    def _responded(self) -> bool:
        """Whether a response stands against the proof."""
        if any(when_s <= self._now_s() for when_s in self.reached):
            return True
        if not self.shown:
            return self.responses > 0
        late = self.counted[-_LATER_EVENTS:]
        return any(answer > _LATER_RESPONSE * noise for _, answer, noise in late)

    def _coverage(self) -> float:
        covered = self.course.watch.coverage[self.course.since : self.hour]
        return round(100.0 * float(np.nan_to_num(covered).sum()) / max(len(covered), 1), 1)

    def weigh_stall(self, at_s: int, stalls: list[Stall]) -> None:
        """Begin or end a stall at a midnight; the last of `stalls` may stand."""
        stalled = self._stalled()
        if isnan(stalled):
            return
        stands = bool(stalls) and stalls[-1].ended_s is None
        self.turned = self.turned + 1 if bool(stalled) != stands else 0
        if self.turned < _STALLED_DAYS and (self.excess > self.goal or not stands):
            return
        self.turned = 0
        if stands:
            stalls[-1] = replace(stalls[-1], ended_s=at_s)
        else:
            stalls.append(Stall(at_s, None, self.figures()))

    def _stalled(self) -> float:
        """1 above the goal and hardly falling, 0 not; nan where the day before is not known."""
        fallen = self._fallen(_FALL_DAYS)
        if isnan(fallen) or isnan(self.goal) or isnan(self.daily[-1]):
            return nan
        return float(self.excess > self.goal and fallen < _FALL)

    def wettings_asked(self) -> Iterator[Asked]:
        """Each wetting since the repair with its answer."""
        counted = {event.hour: (answer, noise) for event, answer, noise in self.counted}
        course = self.course
        for event in course.events:
            if event.hour < course.repaired:
                continue
            answer, noise = counted.get(event.hour, (nan, nan))
            word: Literal["survived", "response", "not counted", "not over yet"] = "survived"
            if event.hour + _ANSWER_H >= self.hour:
                word = "not over yet"
            elif event.hour not in counted:
                word = "not counted"
            elif answer > _RESPONSE * noise:
                word = "response"
            at_s = (course.watch.from_hour + event.hour) * _HOUR_S
            yield Asked(at_s, event.kind, round(event.mm, 1), answer, noise, word)

    def _fallen(self, days: int) -> float:
        """By how much the excess fell in so many days; nan before there were as many."""
        if len(self.past) <= days:
            return nan
        return round(self.past[-1 - days] - self.excess, 2)

    def revision(self, at_s: int, now: _Standing) -> Revision:
        """What is told of a midnight."""
        return Revision(at_s, now[0], self.size_ml(), now[1], self.figures())

    def size_ml(self) -> float:
        """The least leak that the wettings counted would have shown with power 3."""
        unit = _OPENED_RESPONSE if self.course.repair.opened else _CLOSED_RESPONSE
        low, high = self.least, unit * _LARGEST_SIZE_ML / _SIZE_ML
        if self._power_of(high) < _LEAST_POWER:
            return nan
        if self._power_of(low) < _LEAST_POWER:
            for _ in range(20):
                middle = 0.5 * (low + high)
                low, high = (
                    (middle, high) if self._power_of(middle) < _LEAST_POWER else (low, middle)
                )
            low = high
        return float(round(_SIZE_ML * low / unit))

    def _power_of(self, response: float) -> float:
        return round(
            sum(_normal(response * e.drive / noise - _NOISE_LIMIT) for e, _, noise in self.counted),
            2,
        )

    def figures(self) -> dict[str, float]:
        """What the verdict was taken from."""
        course = self.course
        quiet_s = [
            (course.watch.from_hour + event.hour) * _HOUR_S
            for event, answer, noise in self.counted
            if answer <= _RESPONSE * noise
        ]
        rate, low, high = self._forecast()
        return {
            "excess_percent": round(self.excess, 2),
            "goal_percent": self.goal,
            "noise_percent": self.noise(),
            "least_response": self.least,
            "power": round(self.power, 2),
            "evidence": round(self.evidence, 2),
            "leaking_share": round(1.0 - 0.05 ** (1.0 / self.power), 3) if self.power else 1.0,
            "natural": float(len(self._hours("rain", "thaw"))),
            "hose": float(len(self._hours("hose"))),
            "wash": float(len(self._hours("wash"))),
            "uncounted": float(self.uncounted),
            "responses": float(self.responses),
            "last_survived_s": float(quiet_s[-1]) if quiet_s else nan,
            "coverage_percent": self._coverage(),
            "days": float((self.hour - course.repaired) // _DAY_H),
            "rate_percent_day": rate,
            "days_to_goal_low": low,
            "days_to_goal_high": high,
            "stalled": self._stalled(),
        }

    def _forecast(self) -> tuple[float, float, float]:
        """Rate of drying [%MC a day], least and most days to the goal at it.

        Drying slows down as the excess falls, so that its logarithm falls evenly; days are the
        middle half of what pairs of the last ten days say.
        """
        days = [
            (day, excess)
            for day, excess in enumerate(self.daily[-1 - _FALL_DAYS :])
            if not isnan(excess)
        ]
        pairs = [
            (late - early, first, second)
            for (early, first), (late, second) in combinations(days, 2)
            if late - early >= _PAIR_DAYS
        ]
        if not pairs:
            return nan, nan, nan
        rate = round(float(np.median([(first - then) / gap for gap, first, then in pairs])), 3)
        if self.excess <= self.goal:
            return rate, 0.0, 0.0
        speeds = [log(first / then) / gap for gap, first, then in pairs if min(first, then) > 0.0]
        if not speeds or isnan(self.goal):
            return rate, nan, nan
        slow, fast = (float(np.quantile(speeds, share)) for share in (0.25, 0.75))
        way = log(self.excess / self.goal)
        low, high = (round(way / s, 1) if s > 0.0 else inf for s in (fast, slow))
        return rate, low, high


def _normal(value: float) -> float:
    return 0.5 * (1.0 + erf(value / sqrt(2.0)))
