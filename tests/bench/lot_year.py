"""A year of a simulated lot through judge and watch rules: how many alarms a person would get.

    PYTHONPATH=. nice -n 10 python tests/bench/lot_year.py [--units 500] [--seed 1] [--keep FILE]

One marine site of 500 units with nine probes each (fronts, washes, stays, flaky probes and links),
some 20 leaks planted; gateways serve 50 units, a row has 20. On top of the world's own outages a
gateway fails for three days and another for six hours, a row loses its power for half a day, the
broker is gone for five hours, and 40 units are sold with their nodes. The whole year is judged by
the fold that the watch uses; silence is noticed by when samples arrive, hour by hour, and alarms are
grouped as the watch groups them. Nobody inspects anything: each score episode of a leak suspect
counts as an alarm of its own, which is more than the record would hold.
"""

import argparse
import pickle
import statistics
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from demo.fleet import NEVER_S, Batch, Mix, fleet
from monitor import alarms, causes, judge, text
from monitor.config import Messages
from monitor.errors import DeliveryError
from monitor.lot import Event, Site, Unit, Zone, ZoneReadings, silent_after_s
from monitor.messages import Courier
from monitor.store import AlarmStep, ChangedAlarm, NewAlarm, OutboxItem, Record, open_record
from monitor.store import people as kept
from monitor.store.people import Message, Person
from monitor.store.users import Doer

DAY_S, HOUR_S = 86_400, 3_600
SITE, DAYS = "lot", 365
GATEWAY_UNITS, ROW_UNITS = 50, 20
SOLD_SHARE = 0.08
WET_PERCENT = 20.0  # of the wood itself: what an alarm `wet` claims
SAME_DAY = ("act now", "today")
ROUND_S = 60  # of the watch, and of the courier just after an alarm
IDLE_S = 600  # of the courier while a message waits for the morning, to be through with a year


@dataclass(frozen=True, slots=True)
class Raised:
    """One alarm of the year; `true` is None where the world does not know."""

    unit: int
    zone: str
    kind: str
    class_: str
    raised_s: int
    cleared_s: int | None
    cause: str = ""
    true: bool | None = None


@dataclass(frozen=True, slots=True)
class Trouble:
    """What happens to the lot's links, beside the world's own outages."""

    name: str
    units: tuple[int, ...]
    from_s: int
    to_s: int
    lost: bool  # True: no samples were taken; False: they come when it ends


def troubles(batch: Batch) -> list[Trouble]:
    units, start_s = len(batch.units), int(batch.at_s[0])

    def after(day: float) -> int:
        return start_s + round(day * DAY_S)

    def gateway(number: int) -> tuple[int, ...]:
        return tuple(range(number * GATEWAY_UNITS, min((number + 1) * GATEWAY_UNITS, units)))

    last = (units - 1) // GATEWAY_UNITS
    row = (units - 1) // ROW_UNITS // 2
    found = [
        Trouble("gateway, 3 days", gateway(0), after(100.0), after(103.0), lost=False),
        Trouble("gateway, 6 h", gateway(last), after(160.3), after(160.55), lost=False),
        Trouble("broker, 5 h", tuple(range(units)), after(50.4), after(50.6), lost=False),
        Trouble(
            "row without power, 12 h",
            tuple(range(row * ROW_UNITS, (row + 1) * ROW_UNITS)),
            after(200.2),
            after(200.7),
            lost=True,
        ),
    ]
    rng = np.random.default_rng(11)
    sold = rng.choice(units, size=round(SOLD_SHARE * units), replace=False)
    for unit in sold.tolist():
        day = float(rng.uniform(30.0, 350.0))
        found.append(Trouble("sold", (unit,), after(day), after(DAYS + 1.0), lost=True))
    return found


# --- judged alarms --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class OneUnit:
    """What a worker needs of one unit."""

    index: int
    watched: judge.Watched
    in_use: bool
    wet: np.ndarray  # (hours, walls) the wood itself is wet, within a sensor's error
    leaky: np.ndarray  # (walls,) a leak there, or one runs down to it
    codes: tuple[str, ...]
    start_hour: int


def one_units(batch: Batch, lost: list[Trouble]) -> Iterator[OneUnit]:
    hours = len(batch.at_s)
    every = np.full(hours, HOUR_S)
    nothing = np.full(hours, np.nan)

    def series(celsius: np.ndarray, humid: np.ndarray, rain: np.ndarray) -> ZoneReadings:
        kept = np.isfinite(celsius) | np.isfinite(rain)
        empty = nothing[kept]
        return ZoneReadings(
            batch.at_s[kept],
            np.round(celsius[kept].astype(float), 2),
            np.round(humid[kept].astype(float), 1),
            empty,
            empty,
            rain[kept].astype(float),
            every[kept],
            every[kept],
        )

    site = {
        "outside": series(batch.temperature_c[:, 0, -1], batch.humidity_percent[:, 0, -1], nothing),
        "rain": series(nothing, nothing, batch.rain_mm[:, 0]),
    }
    for index, plan in enumerate(batch.units):
        celsius = batch.temperature_c[:, index].astype(float)
        for trouble in lost:
            if trouble.lost and index in trouble.units:
                celsius[(batch.at_s >= trouble.from_s) & (batch.at_s < trouble.to_s)] = np.nan
        codes = batch.zones[:-1]
        readings = {
            code: series(celsius[:, place], batch.humidity_percent[:, index, place], nothing)
            for place, code in enumerate(codes)
        }
        readings = {code: one for code, one in readings.items() if len(one.at_s)}
        events = tuple(
            Event(note.at_s, note.kind, note.value, note.unit, note.zone)
            for note in batch.events
            if note.unit in ("", plan.code)
        )
        zones = tuple(
            Zone(plan.code, code, kind=str(batch.kinds[index, place]))
            for place, code in enumerate(codes)
        )
        means = batch.true_wood_percent[:, index].astype(float)
        yield OneUnit(
            index=index,
            watched=judge.Watched(
                unit=plan.code,
                zones=zones,
                readings=readings,
                site=site,
                events=events,
                settling_s={code: [int(batch.at_s[0])] for code in readings},
            ),
            in_use=any(event.kind in {"occupied", "water on"} for event in events),
            wet=means >= WET_PERCENT - 1.0,
            leaky=~batch.healthy[index],
            codes=codes,
            start_hour=int(batch.at_s[0]) // HOUR_S,
        )


def judged(one: OneUnit) -> list[Raised]:
    watched = one.watched
    first = min(int(series.at_s[0]) for series in watched.readings.values())
    last = max(int(series.at_s[-1]) for series in watched.readings.values())
    found = judge.advance(
        watched, None, from_day=first // DAY_S, to_hour=last // HOUR_S + 1, checkpoints=False
    )
    spans: dict[tuple[str, str, int, str], Raised] = {}
    for change in found.alarms:
        key = (change.zone, change.kind, change.raised_s, str(change.facts.get("name", "")))
        if change.cleared_s is not None:
            if key in spans:
                spans[key] = replace(spans[key], cleared_s=change.cleared_s)
            continue
        cause = str(change.facts.get("cause", ""))
        class_ = alarms.alarm_class(
            change.kind,
            cause=cause,
            in_use=one.in_use,
            weather_explains=text.weather_explains(change.facts),
        )
        spans[key] = Raised(
            unit=one.index,
            zone=change.zone,
            kind=change.kind,
            class_=class_,
            raised_s=change.raised_s,
            cleared_s=None,
            cause=cause,
            true=_is_true(one, change.zone, change.kind, change.raised_s),
        )
    return list(spans.values())


def _is_true(one: OneUnit, zone: str, kind: str, raised_s: int) -> bool | None:
    """Whether an alarm that asks for an answer on the same day tells the truth.

    A leak suspect: water gets in there or runs down to it. `wet`: the wood itself came to the limit
    within the error of a +-2 % sensor, which is 1 %MC there.
    """
    walls = one.codes[:-1]
    if kind == "leak suspect" and zone in walls:
        return bool(one.leaky[walls.index(zone)])
    if kind == "wet" and zone in walls:
        hour = raised_s // HOUR_S - one.start_hour
        near = one.wet[max(0, hour - 48) : hour + 24, walls.index(zone)]
        return bool(near.any()) or bool(one.leaky[walls.index(zone)])
    return None


def judge_lot(batch: Batch, lost: list[Trouble]) -> list[Raised]:
    found: list[Raised] = []
    begun = time.monotonic()
    with ProcessPoolExecutor(2) as pool:
        for number, raised in enumerate(pool.map(judged, one_units(batch, lost), chunksize=4)):
            found += raised
            if number % 50 == 49:
                print(f"  {number + 1} judged, {time.monotonic() - begun:.0f} s", file=sys.stderr)
    return found


# --- silence, and what people are told ------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Lot:
    """A judged year: alarms of the fold, and what is needed to see when nodes were silent."""

    raised: list[Raised]
    at_s: np.ndarray  # (hours,)
    delivered_s: np.ndarray  # (hours, units)
    heard: np.ndarray  # (hours, units) whether a sample was taken
    onset_s: np.ndarray  # (units, walls)
    spot_percent: np.ndarray  # (hours, units, walls) wood where a leak arrives
    healthy: np.ndarray
    troubles: list[Trouble]

    @property
    def units(self) -> int:
        return self.heard.shape[1]


def lot_of(batch: Batch) -> Lot:
    lost = troubles(batch)
    return Lot(
        raised=judge_lot(batch, lost),
        at_s=batch.at_s,
        delivered_s=batch.delivered_s,
        heard=np.isfinite(batch.temperature_c[:, :, -2]),
        onset_s=batch.onset_s,
        spot_percent=batch.true_spot_percent.astype(np.float16),
        healthy=batch.healthy,
        troubles=lost,
    )


def newest_heard(lot: Lot) -> np.ndarray:
    """Time of the newest sample that had arrived by each hour, (hours, units)."""
    hours, units = lot.heard.shape
    heard, arrives_s = lot.heard.copy(), lot.delivered_s.copy()
    for trouble in lot.troubles:
        rows = (lot.at_s >= trouble.from_s) & (lot.at_s < trouble.to_s)
        for unit in trouble.units:
            if trouble.lost:
                heard[rows, unit] = False
            else:
                arrives_s[rows, unit] = np.maximum(arrives_s[rows, unit], trouble.to_s)
    newest = np.zeros((hours, units), dtype=np.int64)
    first_s = int(lot.at_s[0])
    for unit in range(units):
        samples = np.flatnonzero(heard[:, unit])
        arrival = -(-(arrives_s[samples, unit] - first_s) // HOUR_S)
        inside = arrival < hours
        np.maximum.at(newest[:, unit], arrival[inside], lot.at_s[samples[inside]])
    newest[0] = np.maximum(newest[0], first_s)
    return np.maximum.accumulate(newest, axis=0)


@dataclass(frozen=True, slots=True)
class Said:
    """A message, or a line of a list; of an alarm of the fold `number` says which."""

    row: int  # hour of the year
    class_: str
    kind: str
    unit: int = -1
    raised_s: int = 0  # 0: of a common cause, which begins when it is found


GROUPED_KINDS = frozenset({"damp", "mould growth", "freezing"})  # all others stand alone at once


class People:
    """Goes through the year hour by hour as the watch does, and keeps what is told."""

    def __init__(self, lot: Lot) -> None:
        self.lot = lot
        self.said: list[Said] = []
        self.causes: list[tuple[int, causes.Cause]] = []
        self.silences = 0
        self._standing: dict[int, causes.Standing] = {}
        self._of_node: dict[int, int] = {}
        self._kept: dict[tuple[str, str, str, int], causes.Kept] = {}
        self._told: set[int] = set()
        self._released: dict[int, int] = {}
        self._grouped: set[int] = set()
        self._levels: set[object] = set()
        self._first: dict[tuple[str, str, str, int], int] = {}

    @property
    def grouped(self) -> int:
        """Alarms that were never told by themselves."""
        return len(self._grouped - self._told)

    def live(self) -> None:
        newest = newest_heard(self.lot)
        begins, ends = defaultdict(list), defaultdict(list)
        for number, raised in enumerate(self.lot.raised):
            begins[raised.raised_s // HOUR_S].append(number)
            if raised.cleared_s is not None:
                ends[raised.cleared_s // HOUR_S].append(number)
        gone_s = {t.units[0]: t.from_s for t in self.lot.troubles if t.name == "sold"}
        for row, at_s in enumerate(self.lot.at_s.tolist()):
            self._fold(row, begins[at_s // HOUR_S], ends[at_s // HOUR_S])
            self._listen(newest[row], at_s)
            nodes = [
                _node(unit, last_s, sold=gone_s.get(unit, NEVER_S) <= at_s)
                for unit, last_s in enumerate(newest[row].tolist())
            ]
            self._group(row, at_s, nodes)

    def _fold(self, row: int, begins: list[int], ends: list[int]) -> None:
        for number in ends:
            self._standing.pop(number, None)
        for number in begins:
            one = self.lot.raised[number]
            if one.kind in GROUPED_KINDS:
                self._standing[number] = _standing(number, one)
            else:
                self.said.append(Said(row, one.class_, one.kind, one.unit, one.raised_s))

    def _listen(self, newest: np.ndarray, at_s: int) -> None:
        limit_s = silent_after_s(HOUR_S)
        silent = set(np.flatnonzero(at_s > newest + limit_s).tolist())
        for unit in sorted(silent - self._of_node.keys()):
            number = len(self.lot.raised) + self.silences
            self._of_node[unit] = number
            raised_s = int(newest[unit]) + limit_s
            self._standing[number] = causes.Standing(
                number, SITE, f"u{unit}", "", f"n{unit}", "silent", "this week", raised_s
            )
            self.silences += 1
        for unit in sorted(self._of_node.keys() - silent):
            self._standing.pop(self._of_node.pop(unit))

    def _group(self, row: int, at_s: int, nodes: list[causes.NodeNow]) -> None:
        found = causes.group(self._standing.values(), nodes, kept=self._kept.values())
        before = {number for kept in self._kept.values() for number in kept.members}
        now = {}
        for cause in found.causes:
            known = self._kept.get(cause.key)
            members = frozenset(cause.members) | (known.members if known else frozenset())
            now[cause.key] = causes.Kept(*cause.key, members)
            self._grouped |= members
            if known is None:
                self.causes.append((row, cause))
                self._first[cause.key] = len(members)
            level = cause.key, (len(members) // self._first[cause.key]).bit_length()
            if level not in self._levels:
                self._levels.add(level)
                self.said.append(Said(row, alarms.alarm_class(cause.kind), cause.kind))
        self._kept = now
        for number in found.alone:
            if number in before:
                self._released.setdefault(number, at_s)
            alarm, left_s = self._standing[number], self._released.get(number)
            due_s = causes.told_from_s(alarm, silence_s=HOUR_S, released_s=left_s)
            if number not in self._told and at_s >= due_s:
                self._told.add(number)
                unit = int(alarm.unit[1:])
                self.said.append(Said(row, alarm.class_, alarm.kind, unit, alarm.raised_s))


def _standing(number: int, one: Raised) -> causes.Standing:
    return causes.Standing(
        number, SITE, f"u{one.unit}", one.zone, "", one.kind, one.class_, one.raised_s
    )


def _node(unit: int, last_s: int, *, sold: bool) -> causes.NodeNow:
    return causes.NodeNow(
        SITE,
        f"n{unit}",
        last_s,
        HOUR_S,
        unit=f"u{unit}",
        life="sold" if sold else "stock",
        row=f"R{unit // ROW_UNITS}",
        gateway=f"g{unit // GATEWAY_UNITS}",
    )


# --- report ---------------------------------------------------------------------------------------


def report(lot: Lot) -> None:
    people = People(lot)
    people.live()
    years = lot.units * DAYS / 365.0
    raw = Counter((one.kind, one.class_) for one in lot.raised)
    raw["silent", "this week"] += people.silences
    print(f"{lot.units} units, {DAYS} days, {int((lot.onset_s < NEVER_S).sum())} leaks planted")
    print(f"{'raised':<36}{'a day':>9}{'a unit-year':>13}")
    for (kind, class_), count in [*raw.most_common(), (("all", "any"), sum(raw.values()))]:
        print(f"{kind + ', ' + class_:<36}{count / DAYS:>9.2f}{count / years:>13.2f}")
    print(f"{'told, after grouping':<36}{'a day':>9}")
    for (kind, class_), count in Counter((s.kind, s.class_) for s in people.said).most_common():
        print(f"{kind + ', ' + class_:<36}{count / DAYS:>9.2f}")
    for name, classes in (
        ("same day, messages", SAME_DAY),
        ("this week, lines of lists", ("this week",)),
        ("season, lines of lists", ("season",)),
    ):
        mine = [said for said in people.said if said.class_ in classes]
        days = Counter(said.row // 24 for said in mine)
        weeks = len({(said.row // 168, said.unit) for said in mine}) / (DAYS / 7.0)
        print(
            f"{name:<36}{len(mine) / DAYS:>9.2f}   busiest day {max(days.values(), default=0)}, "
            f"{sum(count > 5 for count in days.values())} days above 5, {weeks:.1f} units a week"
        )
    print(f"never told by themselves: {people.grouped} under a common cause")
    for kind in sorted(causes.KINDS):
        sizes = [len(cause.members) for _, cause in people.causes if cause.kind == kind]
        if sizes:
            print(f"  {kind}: {len(sizes)}, {statistics.median(sizes):g} members at first (median)")
    asking = [said for said in people.said if said.class_ != "season"]
    print(
        f"asked for somebody, without the season's: {len(asking) / DAYS:.2f} a day for one person, "
        f"{len(asking) / DAYS / 3:.2f} for each of three"
    )
    _false_ones(lot, years)
    _times(lot, people)
    _messages(lot, people)


def _false_ones(lot: Lot, years: float) -> None:
    same_day = [one for one in lot.raised if one.class_ in SAME_DAY]
    false = [one for one in same_day if one.true is False]
    latched = {(one.unit, one.zone, one.kind) for one in false}
    print(
        f"false same-day alarms: {len(false) / years:.2f} a unit-year by episodes, "
        f"{len(latched) / years:.2f} as the record latches them; "
        + ", ".join(f"{k} {n / years:.2f}" for k, n in Counter(o.kind for o in false).items())
    )
    by_cause = Counter((one.kind, one.cause or "none") for one in false)
    print("  " + ", ".join(f"{kind} ({cause}) {n}" for (kind, cause), n in by_cause.most_common()))
    print(
        "  by zone: "
        + ", ".join(f"{z} {n}" for z, n in Counter(o.zone for o in false).most_common())
    )


def _times(lot: Lot, people: People) -> None:
    walls = ["off-front-low", "off-rear-high", "off-rear-low", "door-mid-high", "door-rear-low",
             "roof-vent1-ring", "slide1-floor-front", "floor-bath"]  # fmt: skip
    from_onset, from_wet, missed = [], [], 0
    for unit, wall in zip(*np.nonzero(lot.onset_s < NEVER_S), strict=True):
        onset_s = int(lot.onset_s[unit, wall])
        mine = [
            one.raised_s
            for one in lot.raised
            if (one.unit, one.zone) == (unit, walls[wall]) and one.raised_s > onset_s
            if one.kind in {"leak suspect", "wet"}
        ]
        wet = np.flatnonzero(
            (lot.at_s > onset_s) & (lot.spot_percent[:, unit, wall] >= WET_PERCENT)
        )
        missed += not mine
        if mine:
            from_onset.append((min(mine) - onset_s) / DAY_S)
            if wet.size:
                from_wet.append((min(mine) - int(lot.at_s[wet[0]])) / DAY_S)
    if from_onset:
        print(
            f"leaks: {len(from_onset)} of {len(from_onset) + missed} raised, median "
            f"{statistics.median(from_onset):.0f} days after the seam opened, "
            f"{statistics.median(from_wet):.0f} after its wood first reached 20 %"
        )
    for trouble in lot.troubles:
        if trouble.name == "sold":
            continue
        after = [
            int(lot.at_s[row]) - trouble.from_s
            for row, cause in people.causes
            if cause.kind.endswith("silent") and cause.kind != "unit silent"
            if trouble.from_s <= int(lot.at_s[row]) <= trouble.to_s + 4 * HOUR_S
        ]
        said = f"{min(after) / HOUR_S:.1f} h" if after else "none"
        print(f"{trouble.name}: told after {said} ({len(after)} alarms)")


def _messages(lot: Lot, people: People) -> None:
    """What waits for no list goes through a record and the courier, one try in twenty failing."""
    same_day = sorted((s for s in people.said if s.class_ in SAME_DAY), key=lambda s: s.row)
    with tempfile.TemporaryDirectory() as folder, open_record(Path(folder)) as record:
        post = Post(record, Path(folder))
        for number, said in enumerate(same_day):
            post.live_until(_found_s(lot, said))
            post.raise_(number, said)
        post.live_until(post.now_s + 10 * DAY_S)
    lost = sum(number not in post.first_s for number in range(len(same_day)))
    print(
        f"messages: {len(same_day)} alarms, {post.tries} tries, {post.failures} failed; {lost} alarms "
        f"lost, {sum(n > 1 for n in post.sent.values())} messages doubled"
    )
    for class_ in SAME_DAY:
        waits_s = [
            post.first_s[number] - (said.raised_s or int(lot.at_s[said.row]))
            for number, said in enumerate(same_day)
            if said.class_ == class_ and number in post.first_s
        ]
        if waits_s:
            print(
                f"  {class_}: {len(waits_s)}, from the end of its on-delay to its message "
                f"{statistics.median(waits_s) / HOUR_S:.2f} h (median), "
                f"{max(waits_s) / HOUR_S:.1f} h at most"
            )


def _found_s(lot: Lot, said: Said) -> int:
    """When the watch can have found it: the samples of its hour have come, and a round is over."""
    at_s = int(lot.at_s[said.row])
    if said.unit < 0 or not said.raised_s:
        return at_s + ROUND_S
    return max(at_s, said.raised_s, int(lot.delivered_s[max(0, said.row - 1), said.unit])) + ROUND_S


class Post:
    """A record, one lot lead who answers ten minutes after a message, and a courier."""

    def __init__(self, record: Record, home: Path) -> None:
        self.record, self.now_s, self._raised_s = record, 0, 0
        self.tries = self.failures = 0
        self.first_s: dict[int, int] = {}  # of which alarm, when its first message went out
        self.sent: Counter[str] = Counter()
        self._number: dict[int, int] = {}  # in the record -> ours
        self._answer_s: dict[int, int] = {}
        self._rng = np.random.default_rng(3)
        self._units: set[int] = set()
        record.add_site(Site(SITE))
        who = Person("Lee", "lot lead", "America/Los_Angeles")
        by = Doer("bench", 0)
        kept.add(record.engine, home, who, [("json://127.0.0.1:9/x", "json")], by=by)
        self._courier = Courier(record, home, Messages(), lambda: self.now_s, self._send)

    def raise_(self, number: int, said: Said) -> None:
        self._raised_s = self.now_s
        unit = "" if said.unit < 0 else f"u{said.unit}"
        if unit and said.unit not in self._units:
            self._units.add(said.unit)
            self.record.add_unit(Unit(unit, SITE))
            self.record.add_zone(SITE, Zone(unit, "z"))
        step = AlarmStep(self.now_s, "unacknowledged", "bench", "began")
        self.record.add_alarm(
            NewAlarm(
                site=SITE, unit=unit, zone="z" if unit else "", node="", kind=said.kind,  # type: ignore[arg-type]
                class_=said.class_, raised_s=self.now_s, cleared_s=None, state="unacknowledged",  # type: ignore[arg-type]
                cause="", text=f"alarm number {number}", instant=True, steps=(step,),
                outbox=(OutboxItem(f"bench/{number}", "people", f"alarm number {number}"),),
                place=str(number),
            ),
            now_s=self.now_s,
        )  # fmt: skip
        (made,) = [a for a in self.record.alarms(open_only=True) if a.text.endswith(f" {number}")]
        self._number[made.alarm_id] = number

    def live_until(self, to_s: int) -> None:
        """Round after round while something is open, else at once."""
        while self._number and self.now_s < to_s:
            self._courier.turn()
            for alarm_id, at_s in list(self._answer_s.items()):
                if self.now_s >= at_s:
                    del self._answer_s[alarm_id], self._number[alarm_id]
                    step = AlarmStep(self.now_s, "normal", "Lee", "seen to")
                    over = ChangedAlarm(alarm_id, self.now_s, "normal", step)
                    self.record.change_alarm(over, now_s=self.now_s)
            fresh = self.now_s - self._raised_s < 10 * ROUND_S
            self.now_s = min(self.now_s + (ROUND_S if fresh else IDLE_S), to_s)
        self.now_s = max(self.now_s, to_s)

    def _send(self, _: str | None, message: Message, __: bytes | None) -> None:
        self.tries += 1
        if self._rng.random() < 0.05:
            self.failures += 1
            raise DeliveryError("the server was busy")
        self.sent[message.key] += 1
        for alarm_id, _revision in message.alarms if message.kind == "alarm" else ():
            if alarm_id in self._number:
                self.first_s.setdefault(self._number[alarm_id], self.now_s)
                self._answer_s.setdefault(alarm_id, self.now_s + 600)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--climate", default="marine")
    parser.add_argument("--leaks", type=int, default=20, help="about how many")
    parser.add_argument("--keep", type=Path, help="where the judged year is kept, or read from")
    asked = parser.parse_args()
    if asked.keep and asked.keep.exists():
        lot = pickle.loads(asked.keep.read_bytes())
    else:
        mix = Mix(
            climates=(asked.climate,),
            leaking=min(1.0, 0.75 * asked.leaks / asked.units),  # a third have two
            units_a_site=asked.units,
        )
        lot = lot_of(fleet(seed=asked.seed, units=asked.units, days=DAYS, mix=mix))
        if asked.keep:
            asked.keep.write_bytes(pickle.dumps(lot))
    report(lot)


if __name__ == "__main__":
    main()
