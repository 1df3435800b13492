"""What happens while time passes: units are judged, alarms raised, silence noticed.

`tick` is one round: it takes the time and does all that is due. Judging is a pure fold
(`monitor.judge`); this module only brings it its readings and keeps what it found.
"""

import logging
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypedDict, TypeVar

import numpy as np
from numpy.typing import NDArray

from monitor import alarms, causes, correction, holds, judge, living, text
from monitor.errors import DamageError, InputError, MeanwhileError, StoreError
from monitor.evidence import trust
from monitor.explain import ASSUMED_M3
from monitor.judge import dryer, frost, limits, proofs, snow
from monitor.judge.day import PIPE_KINDS
from monitor.judge.rules import DELAYS as JUDGED_DELAYS
from monitor.judge.rules import Delay
from monitor.lot import (
    AIR_KINDS,
    DEFAULT_SILENCE_S,
    PRIVATE,
    STRUCTURE_KINDS,
    AlarmClass,
    AlarmKind,
    BenchPoint,
    CaseNote,
    Event,
    ForecastHour,
    Placement,
    Site,
    Source,
    Unit,
    ZoneReadings,
    silent_after_s,
)
from monitor.parts import kind_of
from monitor.store import (
    Alarm,
    AlarmStep,
    AlarmWork,
    ChangedAlarm,
    Due,
    Latest,
    NewAlarm,
    OutboxItem,
    ProofRevision,
    ProofStep,
    ProofWork,
    Record,
)
from monitor.store.causes import CauseRow, CauseWork, NewCause
from monitor.store.health import Listening
from monitor.store.leasing import ALONE, Alone, Leases
from monitor.store.people import NOT_WATCHED

LOG = logging.getLogger(__name__)
DAY_S = 86_400
HOUR_S = 3_600
OLD_NEWS_S = 7 * DAY_S  # an alarm that ended this long before it was found asks for no answer
HANDING_OVER_S = 300  # after its last message: a node with a backlog sends without a pause
SYSTEM = holds.SYSTEM
LOT = "lot"  # the work that one watch at a time does for all
LEAK: AlarmKind = "leak suspect"
OF_PROOF: frozenset[AlarmKind] = frozenset({"drying stalled", "did not stay dry"})  # of no hour
AHEAD: AlarmKind = "freezing ahead"  # of hours that are still to come
DRYER: AlarmKind = "dehumidifier stopped"
PROBE: AlarmKind = "probe silent"
NOT_OF_HOURS = OF_PROOF | {AHEAD, DRYER, PROBE}  # kinds that are not raised by judged hours
NO_FROST = "winterised, heated, begun, or no longer forecast"
DRIES = "emptied, taken away, lived in, or at work again"
DRYER_H = dryer.TRAIN_H + dryer.TEST_H + 24
QUIET_S = DAY_S // 2  # between two of one unit
AHEAD_H = 48  # of a forecast that is looked at
RESTS = "its signs rest; it stays until an inspection is recorded"
ENDED: dict[alarms.Act, str] = {"ends": "the condition ended", "inspected": "somebody inspected it"}
FLOOD_OVER_S = HOUR_S  # an empty allowance opens again after some minutes, for a while
BATTERY_LOW_PERCENT, BATTERY_CLEARS_PERCENT = 20.0, 30.0  # ours: time to change it before it dies

# of every kind but common causes, which begin and end with their members
DELAYS: dict[AlarmKind, Delay] = JUDGED_DELAYS | {
    "sensor suspect": Delay(f"{trust.DOUBT_DAYS} days", "the day it is trusted", "none"),
    "silent": Delay("3 x the silence it declares + 15 min", "heard again", "none"),
    "probe silent": Delay(
        "3 x the silence it declares + 15 min, by its node's clock", "heard again", "none"
    ),
    "freezing ahead": Delay(
        "none: by the forecast, within 48 h",
        "winterised, heated, or warmer by the forecast",
        f"0 / {frost.CLEARS_C:g} °C expected",
    ),
    "dehumidifier stopped": Delay(
        f"{dryer.TEST_H} h, looked at twice",
        "noted as emptied, or at work again",
        f"{dryer.STOPPED_PERCENT:g} / {dryer.STARTED_PERCENT:g} points from what is expected",
    ),
    "battery low": Delay("none", "none", f"{BATTERY_LOW_PERCENT:g} / {BATTERY_CLEARS_PERCENT:g} %"),
    "flood": Delay("none", "a quiet while at the intake", "none"),
}


_Node = tuple[str, str]  # codes of its site and of itself


_Looked = TypeVar("_Looked")


class _Told(TypedDict):
    """What an alarm's text is made from, beside its kind."""

    zone: str
    alarm_class: AlarmClass
    facts: Mapping[str, float | str]


@dataclass(frozen=True, slots=True)
class Round:
    """What one tick did."""

    units: int = 0
    hours: int = 0
    raised: int = 0


def tick(
    record: Record,
    *,
    now_s: int,
    alive: Callable[[], None] = lambda: None,
    leases: Alone | Leases = ALONE,
) -> Round:
    """Judge every unit that is due, apply the instant rules and the silence rule.

    Parameters
    ----------
    record : Record
        Open for writing.
    now_s : int
        The time; hours are judged when they are over.
    alive : callable
        Called after each unit: a long round makes progress too.
    leases : Alone or Leases
        Which work is ours. Of several watches each judges units that no other is at, and one does
        what is of the whole lot.
    """
    with leases.under(LOT, keep=True) as is_ours:
        if is_ours:
            in_turn(partial(_deal, record, now_s=now_s))
    done = _judge_dues(record, now_s=now_s, alive=alive, leases=leases)
    with leases.under(LOT, keep=True) as is_ours:
        if is_ours:
            in_turn(partial(_look_at_lot, record, now_s=now_s, leases=leases))
    return done


def in_turn(work: Callable[[], None]) -> None:
    """Do what is of the whole lot; if another has taken it over meanwhile, it goes on with it."""
    try:
        work()
    except MeanwhileError as error:
        LOG.info("the lot: left to another: %s", error)


def _deal(record: Record, *, now_s: int) -> None:
    """Before units are judged: marks of new readings, hours and thaws of the sites."""
    _notice_absence(record, record.listening(), now_s=now_s)
    record.deal_marks(to_hour=now_s // HOUR_S)
    sites = {site.code: site for site in record.sites()}
    for site in sites.values():
        _guarded(partial(judge_site, record, site, to_hour=now_s // HOUR_S), site.code)
    of = {unit.code: unit.site for unit in record.units()}
    for code in sorted({of[due.unit] for due in record.due(to_hour=now_s // HOUR_S)}):
        _guarded(partial(_note_thaw, record, sites[code], now_s=now_s), code)


def _judge_dues(
    record: Record, *, now_s: int, alive: Callable[[], None], leases: Alone | Leases
) -> Round:
    """Judge all units that are due and that no other watch is at."""
    dues = record.due(to_hour=now_s // HOUR_S)
    # after `due`: what is entered or placed later leaves its mark for the next round
    sites = {site.code: site for site in record.sites()}
    units = {unit.code: unit for unit in record.units()}
    placements = record.placements()
    wet = {sample.unit for sample in record.latest() if sample.contact}
    dues = sorted(dues, key=lambda due: due.unit not in wet)  # a long round begins where water is
    done = Round()
    for due in dues:
        unit = units[due.unit]
        with leases.under(_work_of(unit.code)) as is_ours:
            # what was read before it was ours another may have judged
            now = record.due(to_hour=now_s // HOUR_S, unit=unit.code) if leases.is_shared else [due]
            if not is_ours or not now:
                continue
            found = _judge_due(record, sites[unit.site], unit, now[0], placements, now_s=now_s)
        alive()
        done = Round(done.units + found.units, done.hours + found.hours, done.raised + found.raised)
    return done


def _work_of(unit: str) -> str:
    """The work that one watch at a time does for a unit."""
    return f"unit {unit}"


def _judge_due(
    record: Record, site: Site, unit: Unit, due: Due, placements: Sequence[Placement], *, now_s: int
) -> Round:
    """Judge a unit, and what follows for it alone."""
    found = _guarded(
        partial(judge_unit, record, site, unit, due, placements, now_s=now_s), unit.code
    )
    if found is None:  # its words run out, those of others go on
        return Round()
    if not has_left(unit, placements):
        _guarded(partial(_look_ahead, record, unit, now_s=now_s), unit.code)
        _guarded(partial(_look_at_dryer, record, site, unit, now_s=now_s), unit.code)
    return found


def _look_at_lot(record: Record, *, now_s: int, leases: Alone | Leases) -> None:
    """What is of the whole lot, or of nodes: water, silence, batteries, floods, holds, causes."""
    listening = record.listening()
    units, placements = {unit.code: unit for unit in record.units()}, record.placements()
    for code in record.uncounted():
        _guarded(partial(_chain_again, record, units[code], now_s=now_s), code)
    water = partial(_notice_water, record, placements, units, now_s=now_s, leases=leases)
    _guarded(water, "liquid water")
    latest = record.latest()
    known = record.alarms(open_only=True)  # each rule below looks at its own kind
    placed, newest = _in_force(placements), _newest(latest)
    silence = partial(_notice_silence, record, newest, placed, known, listening=listening)
    _guarded(partial(silence, now_s=now_s), "silence")
    probes = partial(_notice_probes, record, latest, newest, placements, units, known)
    _guarded(partial(probes, now_s=now_s), "silent probes")
    _guarded(partial(_notice_batteries, record, latest, placed, known, now_s=now_s), "batteries")
    _guarded(partial(_notice_floods, record, placed, known, now_s=now_s), "floods")
    _guarded(partial(record.close_days, now_s=now_s), "days of proofs")
    held = holds.review(record, now_s=now_s)
    group_alarms(record, newest, placed, units, now_s=now_s, held=held)


def _guarded(look: Callable[[], _Looked], of: str) -> _Looked | None:
    """Take a look; what fails in one unit is no reason to stop at others: None, and the log has it."""
    try:
        return look()
    except MeanwhileError as error:
        LOG.info("%s: looked at again in the next round: %s", of, error)
    except DamageError as error:
        LOG.error("%s: not looked at: %s", of, error)  # noqa: TRY400  its words are enough
    except StoreError:
        raise
    except Exception:
        LOG.exception("%s: not looked at", of)
    return None


def judge_unit(
    record: Record,
    site: Site,
    unit: Unit,
    due: Due,
    placements: Sequence[Placement],
    *,
    now_s: int,
) -> Round:
    """Judge one unit from the checkpoint before its first dirty hour, and keep what was found."""
    to_hour = now_s // HOUR_S
    saved = record.checkpoint(unit.code, day=due.from_hour // 24, version=judge.VERSION)
    memory = None if saved is None else saved[1]
    from_s = 0 if saved is None else saved[0] * DAY_S
    readings = record.unit_readings(unit.code, from_s=from_s, to_s=to_hour * HOUR_S)
    if saved is None:
        begun_s = began_s(readings)
        from_s = (to_hour * HOUR_S if begun_s is None else begun_s) // DAY_S * DAY_S
    own_s = own_from_s(record, unit.code)
    since_s = max(_changed_since(unit, due, from_s), min(own_s, from_s))
    watched = watched_of(record, site, unit, placements, readings, from_s=from_s, to_hour=to_hour)
    found = judge.advance(watched, memory, from_day=from_s // DAY_S, to_hour=to_hour)
    around = around_of(unit, watched.events, placements)
    known = [alarm for alarm in record.alarms(unit=unit.code) if alarm.raised_s >= own_s]
    work = reconcile(
        unit,
        [change for change in found.alarms if change.raised_s >= own_s],
        [latch for latch in found.latches if latch.raised_s >= own_s],
        [alarm for alarm in known if alarm.kind not in NOT_OF_HOURS],
        since_s=since_s,
        now_s=now_s,
        in_use=alarms.is_supply_live(around, at_s=now_s),
    )
    work = _held_back(work, known, around, now_s=now_s)
    if has_left(unit, placements):  # its alarms ended with it
        work = AlarmWork()
    holds.let_water_through(record, unit.code, around, now_s=now_s)
    _doubt_site(record, site, found.around, now_s=now_s)
    record.keep_judgement(
        due,
        from_hour=since_s // HOUR_S,
        to_hour=to_hour,
        rows=found.hours,
        checkpoints=found.checkpoints,
        is_kept=partial(judge.has_checkpoint, to_hour=to_hour),
        version=judge.VERSION,
        alarms=work,
        now_s=now_s,
    )
    if due.from_hour // 24 < to_hour // 24:  # a day is over, or was changed by late readings
        prove(record, unit, watched, to_hour=to_hour, now_s=now_s)
    hours = sum(len(table["hour"]) for table in found.hours.values())
    return Round(1, hours, len(work.new))


def began_s(readings: Mapping[str, ZoneReadings]) -> int | None:
    """When the first reading of any zone is of; None: there is none."""
    return min((int(zone.at_s[0]) for zone in readings.values() if len(zone.at_s)), default=None)


def watched_of(
    record: Record,
    site: Site,
    unit: Unit,
    placements: Sequence[Placement],
    readings: Mapping[str, ZoneReadings],
    *,
    from_s: int,
    to_hour: int,
) -> judge.Watched:
    """All that the record knows of a unit from `from_s` to an hour, as it is judged by."""
    return judge.Watched(
        unit=unit.code,
        zones=tuple(record.zones(unit.code)),
        readings=readings,
        site=record.site_readings(site.code, from_s=from_s, to_s=to_hour * HOUR_S),
        events=tuple(record.events(site.code, unit=unit.code)),
        settling_s=settling_of(unit, placements, record.bench_points()),
        left_s=_left(unit, placements),
        altitude_m=site.altitude_m,
        limits=limits.steps(record.limit_entries(), site=site.code, body_type=unit.body_type),
        sources={zone.code: zone.source for zone in record.site_zones(site.code)},
    )


def _changed_since(unit: Unit, due: Due, from_s: int) -> int:
    """From when on hours and alarms are replaced by what is judged from `from_s` on.

    From the mark, where it lies before the first reading that is left: a placement that was corrected
    took the others to another unit. Not where a unit is gone, whose readings may have been dropped, nor
    where all is judged anew by other rules.
    """
    marked_s = due.from_hour * HOUR_S
    return marked_s if 0 < marked_s < from_s and unit.life not in causes.GONE else from_s


def has_left(unit: Unit, placements: Iterable[Placement]) -> bool:
    """Whether a unit was sold or retired, and nobody watches it any more."""
    return unit.life in causes.GONE and not any(
        placement.unit == unit.code and placement.zone and placement.to_s is None
        for placement in placements
    )


def own_from_s(record: Record, unit: str) -> int:
    """From when on a unit's record is this home's own; what came from an earlier owner stays as it is."""
    came = record.received(unit)
    return 0 if came is None else came.until_s


def _note_thaw(record: Record, site: Site, *, now_s: int) -> None:
    """Note that snow melted at a site, where a service or a file gives what falls; once for each thaw."""
    to_hour = now_s // HOUR_S
    first = to_hour - snow.LOOKS_BACK_H
    for zone in record.site_zones(site.code):
        if not zone.source:
            continue
        rows = record.site_hours(site.code, zone.code, from_hour=first, to_hour=to_hour)
        line = np.full((2, snow.LOOKS_BACK_H), np.nan)
        for row in rows:
            for place, name in enumerate(("temperature_c", "rain_mm")):
                line[place, row["hour"] - first] = np.nan if row[name] is None else row[name]
        noted = [e.at_s for e in record.events(site.code, unit="") if e.kind == "thaw"]
        for hour, melted_mm in snow.thaws(*line):
            at_s = (first + hour) * HOUR_S
            if all(abs(at_s - known) > DAY_S for known in noted):
                event = Event(at_s, "thaw", f"about {melted_mm:g} mm of melt, worked out")
                record.add_event(site.code, event, recorded_s=now_s, who=SYSTEM)
                noted.append(at_s)


def _look_ahead(record: Record, unit: Unit, *, now_s: int) -> None:
    """Tell of a frost that is forecast for a unit with water in its lines, and take it back."""
    hour = now_s // HOUR_S
    forecast = frost.fresh(*record.forecast(unit.site, from_hour=hour), now_s=now_s)
    known = {a.kind: a for a in record.alarms(unit=unit.code, open_only=True) if not a.cleared_s}
    standing = known.get(AHEAD)
    if not forecast and standing is None:
        return
    water = frost.has_water(record.events(unit.site, unit=unit.code))
    found = _expected(record, unit, hour, forecast, water=water)
    if standing is not None:
        # nobody forecasts any more: it is over with the time that it was told for
        passed = not forecast and now_s - standing.raised_s > AHEAD_H * HOUR_S
        if found.is_over or (passed and found.now_c >= frost.CLEARS_C):
            record.change_alarm(_over(standing, NO_FROST, at_s=now_s), now_s=now_s)
    elif found.is_due and found.expected is not None and not _was_told(record, unit, now_s=now_s):
        expected = found.expected
        facts: dict[str, float | str] = {
            "temperature_c": found.now_c,
            "lowest_c": expected.lowest_c,
            "at": text.moment(round(now_s + HOUR_S * expected.hours)),
            "between": text.between(now_s, expected.earliest_h, expected.latest_h),
        }
        change = judge.AlarmChange(found.zone, AHEAD, now_s, None, facts)
        alarm = _new_alarm(unit, change, None, now_s=now_s, in_use=False)
        record.add_alarm(alarm.made_instant(), now_s=now_s)


def _was_told(record: Record, unit: Unit, *, now_s: int) -> bool:
    """Whether it freezes already, or a frost ahead ended only just: a heater goes on and off."""
    return any(
        (alarm.kind == "freezing" and alarm.cleared_s is None)
        or (alarm.kind == AHEAD and now_s - (alarm.cleared_s or 0) < QUIET_S)
        for alarm in record.alarms(unit=unit.code)
    )


def _expected(
    record: Record, unit: Unit, hour: int, forecast: Sequence[ForecastHour], *, water: bool
) -> frost.Freezing:
    """What the forecast means for the unit's coldest place with pipes."""
    first = hour - frost.WEEK_H
    hours = record.unit_hours(unit.code, from_hour=first, to_hour=hour)

    def course(code: str) -> NDArray[np.float64]:
        table = hours[code]
        line = np.full(frost.WEEK_H, np.nan)
        line[table["hour"] - first] = table["temperature_c"]
        return line

    around = [course(f"/{zone.code}") for zone in record.site_zones(unit.site)
              if zone.kind == "outside" and f"/{zone.code}" in hours]  # fmt: skip
    outside = max(
        around, key=lambda line: int((~np.isnan(line)).sum()), default=np.full(frost.WEEK_H, np.nan)
    )
    pipes = [
        (zone.code, course(zone.code))
        for zone in record.zones(unit.code)
        if zone.kind in PIPE_KINDS and zone.code in hours
    ]
    ahead = np.full(AHEAD_H, np.nan)
    for one in forecast:
        if hour <= one.hour < hour + AHEAD_H and one.temperature_c is not None:
            ahead[one.hour - hour] = one.temperature_c
    return frost.freezing(
        pipes, outside_c=outside, ahead_c=ahead, water=water, by_forecast=bool(forecast)
    )


def _look_at_dryer(record: Record, site: Site, unit: Unit, *, now_s: int) -> None:
    """Tell of a dehumidifier that has stopped in a unit that nobody lives in."""
    events = record.events(site.code, unit=unit.code)
    device = dryer.noted(events)
    open_ = record.alarms(unit=unit.code, open_only=True)
    standing = next((a for a in open_ if a.kind == DRYER and not a.cleared_s), None)
    if device is None and standing is None:
        return
    found = None
    if device is not None and not living.stay(events, life=unit.life).occupied:
        found = look_at_dryer(record, site, unit, device, now_s=now_s)
    if standing is not None:
        noted = device is None or device.since_s > standing.raised_s
        if noted or found is None or found.restarted:
            record.change_alarm(_over(standing, DRIES, at_s=now_s), now_s=now_s)
    elif device is not None and found is not None and found.state == "stopped":
        cabin = next(zone.code for zone in record.zones(unit.code) if zone.kind == "cabin")
        facts: dict[str, float | str] = {
            "above_percent": found.above_percent,
            "device": device.kind,
        }
        change = judge.AlarmChange(cabin, DRYER, now_s, None, facts)
        alarm = _new_alarm(unit, change, None, now_s=now_s, in_use=False)
        record.add_alarm(alarm.made_instant(), now_s=now_s)


def look_at_dryer(
    record: Record, site: Site, unit: Unit, device: dryer.Device, *, now_s: int
) -> dryer.Drying | None:
    """How a unit's dehumidifier does; None where no cabin or no outside air is entered."""
    to_hour = now_s // HOUR_S
    first = to_hour - DRYER_H
    cabin = next((zone for zone in record.zones(unit.code) if zone.kind == "cabin"), None)
    outside = next((z for z in record.site_zones(site.code) if z.kind == "outside"), None)
    if cabin is None or outside is None:
        return None

    def air(rows: Sequence[Mapping[str, Any]]) -> NDArray[np.float64]:
        table = np.full((2, DRYER_H), np.nan)
        for row in rows:
            place = row["hour"] - first
            for line, name in enumerate(("temperature_c", "humidity_percent")):
                table[line, place] = np.nan if row[name] is None else row[name]
        return table

    return dryer.drying(
        device,
        cabin=air(record.hours(unit.code, cabin.code, from_hour=first, to_hour=to_hour)),
        outside=air(record.site_hours(site.code, outside.code, from_hour=first, to_hour=to_hour)),
        now_s=to_hour * HOUR_S,
        altitude_m=site.altitude_m,
        volume_m3=ASSUMED_M3,
    )


def judge_site(record: Record, site: Site, *, to_hour: int) -> None:
    """Hours of a site's own zones (outside air, rain): measured and worked out, never judged.

    They go on hour by hour once something was heard, empty where a node is silent.
    """
    dirty, spans = record.site_dirty_hour(site.code), record.site_spans(site.code)
    dues = [last + 1 for _, last in spans.values()] + ([] if dirty is None else [dirty])
    from_hour = min(dues, default=to_hour)
    if from_hour >= to_hour:
        return
    from_day = from_hour // 24
    heard = {code for code, (first, _) in spans.items() if first < from_day * 24}
    zones = tuple(
        replace(zone, watched_from_s=(from_day - 1) * DAY_S) if zone.code in heard else zone
        for zone in record.site_zones(site.code)
    )
    readings = record.site_readings(site.code, from_s=(from_day - 1) * DAY_S, to_s=to_hour * HOUR_S)
    watched = judge.Watched(unit="", zones=zones, readings=readings, altitude_m=site.altitude_m)
    found = judge.advance(watched, None, from_day=from_day - 1, to_hour=to_hour, checkpoints=False)
    record.keep_site_hours(site.code, from_hour=from_day * 24, to_hour=to_hour, rows=found.hours)


def prove(record: Record, unit: Unit, watched: judge.Watched, *, to_hour: int, now_s: int) -> None:
    """Work out the proofs of a unit's repairs up to the last midnight from its hours in the record.

    What is just coming in from a node's backlog is waited for, at most until the next midnight that
    finds it at rest.
    """
    structure = {zone.code for zone in watched.zones if zone.kind in STRUCTURE_KINDS}
    own_s = own_from_s(record, unit.code)
    repaired_s = [
        e.at_s
        for e in watched.events
        if e.kind == "repair" and e.unit and e.zone in structure and e.at_s >= own_s
    ]
    coming = any(
        sample.unit == unit.code
        and sample.at_s + silent_after_s(sample.silence_s or DEFAULT_SILENCE_S) < sample.received_s
        and now_s <= sample.received_s + HANDING_OVER_S
        for sample in (record.latest() if repaired_s else ())
    )
    if not repaired_s or coming:
        return
    hours = record.unit_hours(
        unit.code,
        from_hour=min(repaired_s) // HOUR_S - proofs.BEFORE_DAYS * 24,
        to_hour=to_hour // 24 * 24,
    )
    told = proofs.trusted(hours, record.doubts(unit.code))
    followed = proofs.follow(watched.zones, watched.events, told, shown(record, unit))
    found = [proof for proof in followed if proof.repaired_s >= own_s]
    changes = [*proofs.stall_changes(found), *proofs.failures(found)]
    known = [
        alarm
        for alarm in record.alarms(unit=unit.code)
        if alarm.kind in OF_PROOF and alarm.raised_s >= own_s
    ]
    work = reconcile(unit, changes, (), known, since_s=0, now_s=now_s)
    record.keep_proofs(
        unit.code,
        [
            ProofWork(
                zone=proof.zone,
                repaired_s=proof.repaired_s,
                steps=tuple(_step(revision) for revision in proof.followed.revisions),
                now=_step(proof.followed.standing),
            )
            for proof in found
            if proof.followed.standing is not None
        ],
        version=f"{judge.VERSION}/{proofs.VERSION}",
        alarms=work,
        now_s=now_s,
    )
    _note_leaves(record, unit, hours, now_s=now_s)


def _note_leaves(
    record: Record, unit: Unit, hours: Mapping[str, proofs.Table], *, now_s: int
) -> None:
    """Add to the chain what is new of all that a unit's proofs were taken from."""
    held = {zone.code for zone in record.zones(unit.code) if zone.kind not in AIR_KINDS}
    record.note_leaves(
        unit.code,
        hours=proofs.digests(
            {code: table for code, table in hours.items() if code in held or code[:1] == "/"}
        ),
        lines=_leaves(record, unit, held),
        now_s=now_s,
    )


def proven_from_hour(record: Record, unit: str) -> int | None:
    """First hour that the proofs of a unit's own repairs are taken from; None: it has none."""
    own_s = own_from_s(record, unit)
    repaired_s = [
        row.repaired_s
        for row in record.repairs(unit=unit)
        if row.kind in STRUCTURE_KINDS and row.repaired_s >= own_s
    ]
    return min(repaired_s) // HOUR_S - proofs.BEFORE_DAYS * 24 if repaired_s else None


def _chain_again(record: Record, unit: Unit, *, now_s: int) -> None:
    """Chain with figures and counts what an earlier version noted, of units too that nobody judges any more."""
    from_hour = proven_from_hour(record, unit.code)
    hours = (
        {}
        if from_hour is None
        else record.unit_hours(unit.code, from_hour=from_hour, to_hour=now_s // DAY_S * 24)
    )
    _note_leaves(record, unit, hours, now_s=now_s)


DAMP_AIR_PERCENT = 80.0  # where a wall begins to be damp: there checks are compared


def bench_checks(record: Record, unit: Unit) -> list[proofs.Checked]:
    """Bench checks of the probes of a unit's site, each by what it adds to air that makes a wall damp."""
    return [
        proofs.Checked(one.node, one.probe, one.at_s, one.correction(DAMP_AIR_PERCENT))
        for one in record.bench_checks(unit.site)
    ]


def shown(record: Record, unit: Unit) -> dict[proofs.Key, proofs.Shown]:
    """What the record shows of a unit's repairs beside readings."""
    return proofs.shown(
        record.zones(unit.code),
        record.events(unit.site, unit=unit.code),
        notes=record.case_notes(unit.code),
        placements=record.placements(),
        checks=bench_checks(record, unit),
    )


def _leaves(record: Record, unit: Unit, held: Collection[str]) -> list[str]:
    """Revisions, events and entries of the repairs of a unit, each in one line."""
    lines = [
        event_leaf(event)
        for event in record.events(unit.site, unit=unit.code)
        if event.kind not in PRIVATE and event.zone in {"", *held}
    ]
    lines += [case_leaf(note) for note in record.case_notes(unit.code)]
    for row in record.repairs(unit=unit.code):
        lines += [
            revision_leaf(row.zone, row.repaired_s, one)
            for one in record.proof_revisions(unit.code, row.zone, row.repaired_s)
        ]
    return lines


def event_leaf(event: Event) -> str:
    """An event as a leaf of the chain."""
    return _leaf("event", event.at_s, event.unit, event.zone, event.kind, event.value)


def case_leaf(note: CaseNote) -> str:
    """An entry of a repair's case as a leaf of the chain."""
    said = (note.zone, note.repaired_s, note.kind, note.value, note.at_s, note.recorded_s)
    return _leaf("case", *said, note.who, note.why)


def revision_leaf(zone: str, repaired_s: int, told: ProofRevision) -> str:
    """A revision of a proof as a leaf of the chain, with its size and figures."""
    size_ml = figure_text(told.step.size_ml)
    return "\t".join(
        [short_revision_leaf(zone, repaired_s, told), size_ml, figures_text(told.step.figures)]
    )


def figures_text(figures: Mapping[str, float]) -> str:
    """Figures of a proof in one line: "coverage_percent 97.5; rain_mm 12.0"."""
    return "; ".join(f"{name} {figure_text(value)}" for name, value in sorted(figures.items()))


def figure_text(value: float) -> str:
    """The shortest digits that read back to a figure; `nan` for none."""
    return repr(float(value))


def short_revision_leaf(zone: str, repaired_s: int, told: ProofRevision) -> str:
    """The same as versions before noted it: without size and figures."""
    step = told.step
    said = (told.number, step.at_s, step.verdict, "; ".join(step.missing), told.reason)
    return _leaf("revision", zone, repaired_s, *said, told.version, told.recorded_s)


def _leaf(*said: object) -> str:
    return "\t".join(" ".join(str(one).split()) for one in said)


def _step(revision: proofs.Revision) -> ProofStep:
    return ProofStep(
        at_s=revision.at_s,
        verdict=revision.verdict,
        size_ml=revision.size_ml,
        missing=revision.missing,
        figures=revision.figures,
    )


def settling_of(
    unit: Unit, placements: Iterable[Placement], points: Sequence[BenchPoint]
) -> dict[str, list[int]]:
    """When probes came into a zone: placed, or back from a box over salt."""
    starts: dict[str, list[int]] = {}
    for placement in placements:
        if placement.unit == unit.code and placement.zone:
            back = [
                back_s
                for point in points
                if (point.site, point.node, point.probe)
                == (placement.site, placement.node, placement.probe)
                and (back_s := correction.box_end_s(point)) is not None
                and placement.from_s <= back_s < (placement.to_s or back_s + 1)
            ]
            starts.setdefault(placement.zone, []).extend([placement.from_s, *back])
    return starts


def _left(unit: Unit, placements: Iterable[Placement]) -> dict[str, list[tuple[int, int | None]]]:
    """When zones of a unit that had a probe had none, None: to this day."""
    spans: dict[str, list[tuple[int, int | None]]] = {}
    placed: dict[str, list[tuple[int, int | None]]] = {}
    for each in placements:
        if each.unit == unit.code and each.zone:
            placed.setdefault(each.zone, []).append((each.from_s, each.to_s))
    for zone, times in placed.items():
        watched_to: int | None = 0
        for from_s, to_s in sorted(times, key=lambda span: span[0]):
            if watched_to is None:  # to this day
                break
            if 0 < watched_to < from_s:
                spans.setdefault(zone, []).append((watched_to, from_s))
            watched_to = None if to_s is None else max(watched_to, to_s)
        if watched_to is not None:
            spans.setdefault(zone, []).append((watched_to, None))
    return spans


def around_of(
    unit: Unit, events: Sequence[Event], placements: Iterable[Placement]
) -> alarms.Around:
    """What is going on around a unit that bears on its alarms."""
    placed = [(p.zone, p.from_s) for p in placements if p.unit == unit.code and p.zone]
    return alarms.Around(unit.life, events, placed)


def _held_back(
    work: AlarmWork, known: Sequence[Alarm], around: alarms.Around, *, now_s: int
) -> AlarmWork:
    """The same work, with what logic holds back of the alarms that stand after it."""
    over = {
        c.alarm_id for c in work.changed if c.cleared_s is not None or c.withdrawn_s is not None
    }
    stand = [
        alarms.Found(a.source, a.class_, a.raised_s)
        for a in known
        if a.cleared_s is None and a.withdrawn_s is None and a.alarm_id not in over
    ]
    stand += [
        alarms.Found(Source(a.site, a.kind, a.unit, a.zone, a.node), a.class_, a.raised_s)
        for a in work.new
        if a.cleared_s is None
    ]
    return replace(work, holds=holds.by_logic(stand, around, now_s=now_s))


def _doubt_site(
    record: Record, site: Site, changes: Sequence[judge.AlarmChange], *, now_s: int
) -> None:
    """Doubts in a site's own probes: every unit that compares with one may begin or end it."""
    for change in changes:
        zone = change.zone.removeprefix("/")
        of_zone = (site.code, "", zone, change.kind)
        known = [a for a in record.alarms() if (a.site, a.unit, a.zone, a.kind) == of_zone]
        standing = [a for a in known if a.cleared_s is None and a.withdrawn_s is None]
        ended_s = max((a.cleared_s for a in known if a.cleared_s is not None), default=0)
        if change.cleared_s is None and not standing and change.raised_s > ended_s:
            yard = Unit("", site.code)
            named = judge.AlarmChange(zone, change.kind, change.raised_s, None, change.facts)
            record.add_alarm(_new_alarm(yard, named, None, now_s=now_s, in_use=False), now_s=now_s)
        for alarm in standing:
            if change.cleared_s is not None and change.cleared_s > alarm.raised_s:
                record.change_alarm(_ended(alarm, change.cleared_s, now_s=now_s), now_s=now_s)


# --- alarms over a history that may change --------------------------------------------------------


def reconcile(
    unit: Unit,
    changes: Sequence[judge.AlarmChange],
    latches: Sequence[judge.Latch],
    known: Sequence[Alarm],
    *,
    since_s: int,
    now_s: int,
    in_use: bool = False,
) -> AlarmWork:
    """What has to change in the record so that its alarms are those that were judged.

    Late readings may add alarms, end standing ones, or show that one should not have been raised:
    that one is withdrawn with a note, never erased. The episodes of a leak suspect are one alarm
    until somebody inspects it.
    """
    judged: dict[_Key, tuple[judge.AlarmChange, int | None]] = {}
    for change in changes:
        key = (change.zone, change.kind, change.raised_s)
        begun = judged.get(key, (change, None))[0] if change.cleared_s else change
        judged[key] = (begun, change.cleared_s)
    inspected = {
        (change.zone, change.kind, change.raised_s)
        for change in changes
        if change.cleared_s is not None and judge.BY_HAND in change.facts
    }
    judged, resting = _latched(judged, latches)
    stored = {_key_of(a, judged): a for a in known if a.withdrawn_s is None and not a.node}
    judged_to_s = now_s // HOUR_S * HOUR_S
    new = [
        _new_alarm(
            unit,
            begun,
            cleared_s,
            now_s=now_s,
            in_use=in_use,
            rested_s=resting.get(key),
            by_hand=key in inspected,
        )
        for key, (begun, cleared_s) in judged.items()
        if key not in stored and begun.cleared_s is None
    ]
    changed = [
        _ended(stored[key], cleared_s, now_s=now_s, by_hand=key in inspected)
        for key, (_, cleared_s) in judged.items()
        if key in stored and stored[key].cleared_s != cleared_s
    ]
    changed += [
        _turned(stored[key], rested_s, now_s=now_s)
        for key, rested_s in resting.items()
        if key in stored and stored[key].cleared_s is None and judged[key][1] is None
        if (stored[key].state in alarms.LATCHED) != (rested_s is not None)
    ]
    changed += [
        _withdrawn(alarm, now_s=now_s)
        for key, alarm in stored.items()
        if key not in judged and alarm.raised_s > since_s
        if not alarm.instant or alarm.raised_s < judged_to_s
    ]
    return AlarmWork(new=tuple(new), changed=tuple(changed))


def _key_of(alarm: Alarm, judged: "_Judged") -> "_Key":
    """Key under which an alarm is judged; one raised at once by a later reading of the hour too."""
    key = (alarm.zone, alarm.kind, alarm.raised_s)
    if not alarm.instant or key in judged:
        return key
    hour = alarm.raised_s // HOUR_S
    return next((k for k in judged if k[:2] == key[:2] and k[2] // HOUR_S == hour), key)


_Key = tuple[str, str, int]
_Judged = dict[_Key, tuple[judge.AlarmChange, int | None]]


def _latched(
    judged: _Judged, latches: Sequence[judge.Latch]
) -> tuple[_Judged, dict[_Key, int | None]]:
    """Findings in place of the episodes of leak suspects, and since when the signs of each rest."""
    whole = {key: value for key, value in judged.items() if key[1] != LEAK}
    resting: dict[_Key, int | None] = {}
    for latch in latches:
        key = (latch.zone, LEAK, latch.raised_s)
        # one that began before what was judged now stands in the record already
        earlier = judge.AlarmChange(latch.zone, LEAK, latch.raised_s, latch.raised_s, {})
        whole[key] = (judged.get(key, (earlier, None))[0], latch.inspected_s)
        resting[key] = latch.rested_s
    return whole, resting


def _new_alarm(
    unit: Unit,
    change: judge.AlarmChange,
    cleared_s: int | None,
    *,
    now_s: int,
    in_use: bool,
    rested_s: int | None = None,
    by_hand: bool = False,
) -> NewAlarm:
    cause = str(change.facts.get("cause", ""))
    alarm_class = alarms.alarm_class(
        change.kind,
        cause=cause,
        in_use=in_use,
        weather_explains=text.weather_explains(change.facts),
    )
    told_of: _Told = {"zone": change.zone, "alarm_class": alarm_class, "facts": change.facts}
    said = text.alarm_text(change.kind, **told_of)
    steps = [AlarmStep(change.raised_s, "unacknowledged", SYSTEM, "the condition began")]
    if rested_s is not None:
        steps.append(AlarmStep(rested_s, "latched unacknowledged", SYSTEM, RESTS))
    if cleared_s is not None:
        old = cleared_s < now_s - OLD_NEWS_S
        end: alarms.Act = "inspected" if by_hand else _end_of(change.kind)
        state = "normal" if old else alarms.after(steps[-1].state, end)
        why = "it ended before anybody could be told" if old else ENDED[end]
        steps.append(AlarmStep(cleared_s, state, SYSTEM, why))
    key = f"{unit.code or unit.site}/{change.zone}/{change.kind}/{change.raised_s}"
    told = () if steps[-1].state == "normal" else (OutboxItem(key, "people", said),)
    return NewAlarm(
        site=unit.site,
        unit=unit.code,
        zone=change.zone,
        node="",
        kind=change.kind,
        class_=alarm_class,
        raised_s=change.raised_s,
        cleared_s=cleared_s,
        state=steps[-1].state,
        cause=cause,
        text=said,
        instant=False,
        steps=tuple(steps),
        outbox=told,
        parts=text.alarm_parts(change.kind, **told_of),
        facts=text.kept_facts(change.zone, change.facts),
    )


def _ended(
    alarm: Alarm, cleared_s: int | None, *, now_s: int, by_hand: bool = False
) -> ChangedAlarm:
    if cleared_s is None:
        state, why = alarms.STANDS_AGAIN[alarm.state], "late readings: the condition still stands"
    elif alarm.cleared_s is None:
        end: alarms.Act = "inspected" if by_hand else _end_of(alarm.kind)
        state, why = alarms.after(alarm.state, end), ENDED[end]
    else:
        state, why = alarm.state, "late readings: it ended at another time"
    step = AlarmStep(now_s if cleared_s is None else cleared_s, state, SYSTEM, why)
    return ChangedAlarm(alarm.alarm_id, cleared_s, state, step, before=alarm.state)


def _over(alarm: Alarm, why: str, *, at_s: int) -> ChangedAlarm:
    """The end of an alarm of no judged zone."""
    step = AlarmStep(at_s, alarms.after(alarm.state, "ends"), SYSTEM, why)
    return ChangedAlarm(alarm.alarm_id, at_s, step.state, step, before=alarm.state)


def _end_of(kind: AlarmKind) -> alarms.Act:
    return "inspected" if kind == LEAK else "ends"


def _turned(alarm: Alarm, rested_s: int | None, *, now_s: int) -> ChangedAlarm:
    """The signs of a finding rest, or are back."""
    act: alarms.Act = "begins" if rested_s is None else "rests"
    state = alarms.after(alarm.state, act)
    at_s, why = (now_s, "its signs are back") if rested_s is None else (rested_s, RESTS)
    step = AlarmStep(at_s, state, SYSTEM, why)
    return ChangedAlarm(alarm.alarm_id, None, state, step, before=alarm.state)


def _withdrawn(alarm: Alarm, *, now_s: int) -> ChangedAlarm:
    step = AlarmStep(now_s, "normal", SYSTEM, "late readings: it would not have been raised")
    return ChangedAlarm(
        alarm_id=alarm.alarm_id,
        cleared_s=alarm.cleared_s,
        state="normal",
        withdrawn_s=now_s,
        step=step,
    )


def acknowledge(record: Record, alarm_id: int, *, who: str, now_s: int) -> None:
    """A person takes an alarm on.

    Raises
    ------
    InputError
        If nobody is named, the alarm is unknown, or it was acknowledged already.
    """
    if not who.strip():
        raise InputError("say who acknowledges: a name or initials")
    for _ in range(
        3
    ):  # the watch may end it at this moment; then it is another state that is answered
        found = holds.alarm_of(record, alarm_id)
        state = alarms.after(found.state, "acknowledged")
        step = AlarmStep(now_s, state, who.strip()[:80], "acknowledged")
        changed = ChangedAlarm(alarm_id, found.cleared_s, state, step, before=found.state)
        try:
            record.change_alarm(changed, now_s=now_s)
        except MeanwhileError:
            continue
        return
    raise InputError("the alarm is changing just now: look at it again, and repeat")


# --- rules over the newest readings ---------------------------------------------------------------


def _notice_water(
    record: Record,
    placements: Sequence[Placement],
    units: Mapping[str, Unit],
    *,
    now_s: int,
    leases: Alone | Leases,
) -> None:
    """Liquid water is raised at once, under the same key that its hour will give it.

    A unit that another watch is just judging is looked at in the next round.
    """
    found = [sample for sample in record.latest() if sample.contact and sample.unit in units]
    for newest in found:
        with leases.under(_work_of(newest.unit)) as is_ours:
            if not is_ours:
                continue
            known = record.alarms(unit=newest.unit, open_only=True)
            if any(a.kind == "water contact" and a.zone == newest.zone for a in known):
                continue
            unit = units[newest.unit]
            change = judge.AlarmChange(newest.zone, "water contact", newest.at_s, None, {})
            events = record.events(unit.site, unit=unit.code)
            around = around_of(unit, events, placements)
            in_use = alarms.is_supply_live(around, at_s=now_s)
            alarm = _new_alarm(unit, change, None, now_s=now_s, in_use=in_use)
            source = Source(unit.site, "water contact", unit.code, newest.zone)
            raised = [alarms.Found(source, alarm.class_, newest.at_s)]
            hold = next(iter(holds.by_logic(raised, around, now_s=now_s)), None)
            record.add_alarm(alarm.made_instant(), now_s=now_s, hold=hold)


def _notice_absence(record: Record, listening: Listening, *, now_s: int) -> None:
    """Tell once that the monitor itself was away: nobody listened to the nodes, or nobody judged."""
    beats = [pulse.at_s for pulse in record.pulses() if kind_of(pulse.part) == "watch"]
    judged_s = max(beats, default=now_s)
    for from_s, to_s in listening.absences(judged_s=judged_s, now_s=now_s):
        if now_s - to_s <= DAY_S:  # the outbox takes each key once
            said = text.not_watched_text(from_s=from_s, to_s=to_s)
            record.tell(OutboxItem(f"{NOT_WATCHED}{from_s}", "people", said), now_s=now_s)


def _newest(latest: Iterable[Latest]) -> dict[_Node, Latest]:
    """The newest sample of each node."""
    newest: dict[_Node, Latest] = {}
    for sample in latest:
        before = newest.get((sample.site, sample.node), sample)
        newest[sample.site, sample.node] = max(before, sample, key=lambda s: (s.at_s, s.received_s))
    return newest


def _standing_of(kind: AlarmKind, known: Iterable[Alarm]) -> dict[_Node, Alarm]:
    """Alarms of a kind whose condition stands, by node."""
    return {(a.site, a.node): a for a in known if a.kind == kind and a.cleared_s is None}


def _notice_silence(
    record: Record,
    newest: Mapping[_Node, Latest],
    placed: Mapping[_Node, Placement],
    known: Sequence[Alarm],
    *,
    listening: Listening,
    now_s: int,
) -> None:
    """A node whose newest sample is too old, also one that never spoke; over the placements.

    A node that is still handing over what it kept is not silent: its newest sample is on its way.
    While nobody listens none is; afterwards each has its time anew.
    """
    deaf, gap = listening.is_deaf(now_s), listening.gap
    standing = _standing_of("silent", known)
    for (site, node), place in placed.items():
        heard = newest.get((site, node))
        if heard is not None and heard.at_s < place.from_s:
            heard = None  # what it said in a drawer, or elsewhere, says nothing of this place
        last_s = place.from_s if heard is None else heard.at_s
        silence_s = (heard and heard.silence_s) or DEFAULT_SILENCE_S
        limit_s = last_s + silent_after_s(silence_s)
        handing_over = heard is not None and now_s <= heard.received_s + HANDING_OVER_S
        alarm = standing.get((site, node))
        due_s = limit_s
        if gap is not None and limit_s > gap[0]:
            due_s = max(limit_s, gap[1] + silent_after_s(silence_s))
        if now_s > due_s and alarm is None and not handing_over and not deaf:
            _raise_silent(record, place, heard, raised_s=due_s, now_s=now_s)
        elif now_s <= limit_s and alarm is not None and heard is not None:
            record.change_alarm(
                _heard_again(record, alarm, last_s=last_s, silence_s=silence_s, now_s=now_s),
                now_s=now_s,
            )


def _notice_probes(
    record: Record,
    latest: Iterable[Latest],
    newest: Mapping[_Node, Latest],
    placements: Iterable[Placement],
    units: Mapping[str, Unit],
    known: Sequence[Alarm],
    *,
    now_s: int,
) -> None:
    """A probe that its node goes on without: by the time of the node's newest sample.

    By that time and not by the clock: what a node kept comes in the order in which it was measured.
    """
    by_probe = {(one.site, one.node, one.probe): one for one in latest}
    silent: dict[tuple[str, str, str], tuple[Placement, int, int]] = {}
    there: dict[tuple[str, str, str], Latest] = {}
    for place in placements:
        node = newest.get((place.site, place.node))
        if place.to_s is not None or not place.zone or node is None or node.at_s < place.from_s:
            continue
        heard = by_probe.get((place.site, place.node, place.probe))
        if heard is not None:
            there.setdefault((place.site, place.unit, place.zone), heard)
        last_s = place.from_s if heard is None else max(heard.at_s, place.from_s)
        due_s = last_s + silent_after_s((heard or node).silence_s or DEFAULT_SILENCE_S)
        if node.at_s > due_s:
            since_s = 0 if heard is None or heard.at_s < place.from_s else heard.at_s
            silent.setdefault((place.site, place.unit, place.zone), (place, due_s, since_s))
    standing = {(a.site, a.unit, a.zone): a for a in known if a.kind == PROBE and not a.cleared_s}
    begun = silent.keys() - standing.keys()
    told = record.node_faults() if begun else {}
    for where in begun:
        place, due_s, since_s = silent[where]
        told_s, faults = told.get((place.site, place.node), (0, {}))
        facts: dict[str, float | str] = {
            "node": f"node {place.node}",
            "probe": place.probe,
            "since": text.moment(since_s) if since_s else "",
            # one told before its last sample is over: it was heard again since
            "fault": faults.get(place.probe, "") if told_s >= max(since_s, place.from_s) else "",
        }
        change = judge.AlarmChange(place.zone, PROBE, due_s, None, facts)
        unit = units.get(place.unit) or Unit("", place.site)
        alarm = _new_alarm(unit, change, None, now_s=now_s, in_use=False)
        record.add_alarm(alarm.made_instant(), now_s=now_s)
    for where in standing.keys() - silent.keys():
        over = _probe_heard(record, standing[where], there.get(where), now_s=now_s)
        record.change_alarm(over, now_s=now_s)


def _probe_heard(record: Record, alarm: Alarm, heard: Latest | None, *, now_s: int) -> ChangedAlarm:
    """The end of a probe's silence; it was none if the samples of all that time came late."""
    if heard is None:
        return _over(alarm, "nothing is placed there any more", at_s=now_s)
    limit_s = silent_after_s(heard.silence_s or DEFAULT_SILENCE_S)
    gap_s = record.longest_gap_s(
        heard.site, heard.node, heard.probe, from_s=alarm.raised_s - limit_s, to_s=heard.at_s
    )
    if gap_s <= limit_s:
        return _measured_all_the_time(alarm, heard.at_s, now_s=now_s)
    return _over(alarm, "heard again", at_s=heard.at_s)


def _heard_again(
    record: Record, alarm: Alarm, *, last_s: int, silence_s: int, now_s: int
) -> ChangedAlarm:
    """The end of a silence; it was none if the node brings the samples of all that time."""
    since_s = alarm.raised_s - silent_after_s(silence_s)
    gap_s = record.longest_gap_s(alarm.site, alarm.node, from_s=since_s, to_s=last_s)
    if gap_s <= silent_after_s(silence_s):
        return _measured_all_the_time(alarm, last_s, now_s=now_s)
    return _over(alarm, "heard again", at_s=last_s)


def _measured_all_the_time(alarm: Alarm, last_s: int, *, now_s: int) -> ChangedAlarm:
    why = "late readings: it measured all the time, and nothing of it is missing"
    step = AlarmStep(now_s, "normal", SYSTEM, why)
    return ChangedAlarm(alarm.alarm_id, last_s, "normal", step, withdrawn_s=now_s)


def _in_force(placements: Iterable[Placement]) -> dict[_Node, Placement]:
    """The placement of each node that still stands."""
    standing: dict[_Node, Placement] = {}
    for placement in placements:
        if placement.to_s is None and placement.zone:
            standing.setdefault((placement.site, placement.node), placement)
    return standing


def _raise_silent(
    record: Record, placed: Placement, heard: Latest | None, *, raised_s: int, now_s: int
) -> None:
    since = "" if heard is None else text.moment(heard.at_s)
    facts: dict[str, float | str] = {"since": since}
    alarm = _of_node(placed, "silent", facts, raised_s=raised_s, why="nothing heard")
    record.add_alarm(alarm, now_s=now_s)


def _weakest(latest: Iterable[Latest]) -> dict[_Node, Latest]:
    """The sample of each node that has its lowest battery: a node of two may have one on each probe."""
    weakest: dict[_Node, Latest] = {}
    for sample in latest:
        if sample.battery_percent is not None:
            before = weakest.get((sample.site, sample.node), sample)
            weakest[sample.site, sample.node] = min(
                before, sample, key=lambda s: (s.battery_percent or 0, -s.at_s)
            )
    return weakest


def _notice_batteries(
    record: Record,
    latest: Sequence[Latest],
    placed: Mapping[_Node, Placement],
    known: Sequence[Alarm],
    *,
    now_s: int,
) -> None:
    """A placed node's battery that is low; it is over when a sample shows a fuller one."""
    standing = _standing_of("battery low", known)
    for node, sample in _weakest(latest).items():
        if node not in placed or sample.at_s < placed[node].from_s:
            continue  # an old cell that nobody has heard of since it was placed
        percent = float(sample.battery_percent or 0)
        alarm = standing.get(node)
        if alarm is None and percent <= BATTERY_LOW_PERCENT:
            facts: dict[str, float | str] = {"battery_percent": percent}
            low = _of_node(
                placed[node], "battery low", facts, raised_s=sample.at_s, why="it is low"
            )
            record.add_alarm(low, now_s=now_s)
        elif alarm is not None and percent >= BATTERY_CLEARS_PERCENT:
            record.change_alarm(_over(alarm, "it is changed", at_s=sample.at_s), now_s=now_s)


def _notice_floods(
    record: Record, placed: Mapping[_Node, Placement], known: Sequence[Alarm], *, now_s: int
) -> None:
    """A node that sends more than its allowance; it is over an hour after the last dropped message.

    An intake that was started since then has not counted long enough to say so.
    """
    since_s, floods = record.floods()
    standing = _standing_of("flood", known)
    for flood in floods:
        if flood.at_s <= now_s - FLOOD_OVER_S:
            continue
        here = (flood.site, flood.node)
        if standing.pop(here, None) is None:
            nowhere = Placement(flood.node, "", flood.site, "", "", flood.at_s)
            facts: dict[str, float | str] = {"dropped": float(flood.dropped)}
            if not flood.node:
                facts["node"] = "somebody under unknown names"
            why = "its messages are dropped"
            sent = _of_node(placed.get(here, nowhere), "flood", facts, raised_s=flood.at_s, why=why)
            record.add_alarm(sent, now_s=now_s)
    for alarm in standing.values():
        if since_s <= now_s - FLOOD_OVER_S:
            record.change_alarm(_over(alarm, "it sends as others", at_s=now_s), now_s=now_s)


def _of_node(
    placed: Placement, kind: AlarmKind, facts: dict[str, float | str], *, raised_s: int, why: str
) -> NewAlarm:
    """An alarm of a node, found in its newest sample or in its silence."""
    alarm_class = alarms.alarm_class(kind)
    zone = f"{placed.unit or placed.site} {placed.zone}".rstrip()
    told = {"node": f"node {placed.node}", **facts}
    told_of: _Told = {"zone": zone, "alarm_class": alarm_class, "facts": told}
    said = text.alarm_text(kind, **told_of)
    step = AlarmStep(raised_s, "unacknowledged", SYSTEM, why)
    return NewAlarm(
        site=placed.site,
        unit=placed.unit,
        zone="",
        node=placed.node,
        kind=kind,
        class_=alarm_class,
        raised_s=raised_s,
        cleared_s=None,
        state="unacknowledged",
        cause="",
        text=said,
        instant=True,
        steps=(step,),
        # of a silence people are told when it turns out to be one of its own (`group_alarms`)
        outbox=()
        if kind == "silent"
        else (OutboxItem(f"{placed.site}/{placed.node}/{kind}/{raised_s}", "people", said),),
        parts=text.alarm_parts(kind, **told_of),
        facts=text.kept_facts(zone, told),
    )


# --- common causes --------------------------------------------------------------------------------


def group_alarms(
    record: Record,
    newest: Mapping[_Node, Latest],
    placed: Mapping[_Node, Placement],
    units: Mapping[str, Unit],
    *,
    now_s: int,
    held: frozenset[Source] = frozenset(),
) -> None:
    """Put standing alarms under the causes that they share, and tell of causes and lone silences.

    What is under a cause is not told by itself. When the cause ends, what still stands is.
    """
    known = [a for a in record.alarms(open_only=True) if a.cleared_s is None]
    open_alarms = {a.alarm_id: a for a in known if a.withdrawn_s is None and not _is_cause(a)}
    before = record.standing_causes()
    nodes = _nodes_now(record, newest, placed, units)
    found = causes.group(
        [_standing(alarm) for alarm in open_alarms.values()],
        nodes,
        kept=[
            causes.Kept(row.kind, row.site, row.place, row.began_s, frozenset(row.members))  # type: ignore[arg-type]
            for row in before
        ],
    )
    rows: dict[tuple[str, str, str, int], CauseRow] = {
        (row.kind, row.site, row.place, row.began_s): row for row in before
    }
    new, kept, told = [], [], []
    for cause in found.causes:
        row = rows.pop(cause.key, None)
        if row is None:
            new.append(NewCause(_cause_alarm(cause, now_s), cause.began_s, cause.members))
            continue
        told.append((row.cause_id, _cause_message(cause, first=row.first)))
        if row.now != cause.members:
            kept.append((row.cause_id, cause.members))
    kept += [(row.cause_id, ()) for row in rows.values()]
    released = record.released() | {
        number: now_s for row in before for number in row.now if number in found.alone
    }
    lone = [open_alarms[n] for n in found.alone if open_alarms[n].source not in held]
    told += _lone(lone, nodes, released, now_s=now_s)
    work = CauseWork(
        new=tuple(new),
        members=tuple(kept),
        ended=tuple(_cause_over(row, now_s=now_s) for row in rows.values()),
        held=frozenset(number for cause in found.causes for number in cause.members),
        told=tuple(told),
    )
    if work != CauseWork():
        record.keep_causes(work, now_s=now_s)


def _is_cause(alarm: Alarm) -> bool:
    return alarm.kind in causes.KINDS


def _standing(alarm: Alarm) -> causes.Standing:
    return causes.Standing(
        alarm.alarm_id,
        alarm.site,
        alarm.unit,
        alarm.zone,
        alarm.node,
        alarm.kind,
        alarm.class_,
        alarm.raised_s,
    )


def _nodes_now(
    record: Record,
    newest: Mapping[_Node, Latest],
    placed: Mapping[_Node, Placement],
    units: Mapping[str, Unit],
) -> list[causes.NodeNow]:
    gateways = record.gateways()
    nodes = []
    for (site, node), place in placed.items():
        heard, unit = newest.get((site, node)), units.get(place.unit)
        nodes.append(
            causes.NodeNow(
                site=site,
                node=node,
                last_s=place.from_s if heard is None else heard.at_s,
                silence_s=(heard and heard.silence_s) or DEFAULT_SILENCE_S,
                unit=place.unit,
                life=unit.life if unit else "",
                row=causes.row_of(unit.slot) if unit else "",
                gateway=gateways.get((site, node), ""),
            )
        )
    return nodes


def _cause_text(cause: causes.Cause) -> str:
    return text.alarm_text(cause.kind, **_cause_told(cause))


def _cause_told(cause: causes.Cause) -> _Told:
    facts: dict[str, float | str] = {
        "members": float(len(cause.members)),
        "place": cause.place,
        "since": text.moment(cause.began_s),
    }
    class_ = alarms.alarm_class(cause.kind)
    return {"zone": cause.site, "alarm_class": class_, "facts": facts}


def _cause_message(cause: causes.Cause, *, first: int) -> OutboxItem:
    """Told once, and again each time it has come to twice as many as it began with or was told of."""
    doubled = (cause.ever // first).bit_length()
    where = f"{cause.site}/{cause.place}" if cause.place else cause.site
    key = f"{where}/{cause.kind}/{cause.began_s}/{doubled}"
    return OutboxItem(key, "people", _cause_text(cause))


def _cause_alarm(cause: causes.Cause, now_s: int) -> NewAlarm:
    step = AlarmStep(now_s, "unacknowledged", SYSTEM, "several alarms share it")
    return NewAlarm(
        site=cause.site,
        unit="",
        zone="",
        node="",
        kind=cause.kind,
        class_=alarms.alarm_class(cause.kind),
        raised_s=now_s,
        cleared_s=None,
        state="unacknowledged",
        cause="",
        text=_cause_text(cause),
        instant=True,
        steps=(step,),
        outbox=(_cause_message(cause, first=cause.ever),),
        place=cause.place,
        parts=text.alarm_parts(cause.kind, **_cause_told(cause)),
        facts=text.kept_facts(cause.site, _cause_told(cause)["facts"]),
    )


def _cause_over(row: CauseRow, *, now_s: int) -> ChangedAlarm:
    state = alarms.after(row.state, "ends")
    step = AlarmStep(now_s, state, SYSTEM, "what they shared is over; what still stands is told")
    return ChangedAlarm(alarm_id=row.cause_id, cleared_s=now_s, state=state, step=step)


def _lone(
    alone: Sequence[Alarm],
    nodes: Sequence[causes.NodeNow],
    released: Mapping[int, int],
    *,
    now_s: int,
) -> list[tuple[int, OutboxItem]]:
    """Messages of silences that are nobody else's, and of alarms whose cause has ended.

    The outbox takes each key once, so what was told before is not told again.
    """
    silence_s = {(node.site, node.node): node.silence_s for node in nodes}
    told = []
    for alarm in alone:
        left_s = released.get(alarm.alarm_id)
        if alarm.kind != "silent" and left_s is None:
            continue
        due_s = causes.told_from_s(
            _standing(alarm),
            silence_s=silence_s.get((alarm.site, alarm.node), DEFAULT_SILENCE_S),
            released_s=left_s,
        )
        if now_s >= due_s:
            place = f"{alarm.site}/{alarm.node}" if alarm.node else f"{alarm.unit}/{alarm.zone}"
            key = f"{place}/{alarm.kind}/{alarm.raised_s}/alone {left_s or ''}".rstrip()
            told.append((alarm.alarm_id, OutboxItem(key, "people", alarm.text)))
    return told
