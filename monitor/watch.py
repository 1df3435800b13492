"""What happens while time passes: units are judged, alarms raised, silence noticed.

`tick` is one round: it takes the time and does all that is due. Judging is a pure fold
(`monitor.judge`); this module only brings it its readings and keeps what it found.
"""

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from monitor import alarms, judge, text
from monitor.errors import DamageError, InputError
from monitor.judge import proofs
from monitor.lot import (
    DEFAULT_SILENCE_S,
    STRUCTURE_KINDS,
    AlarmKind,
    Placement,
    Site,
    Unit,
    silent_after_s,
)
from monitor.store import (
    Alarm,
    AlarmStep,
    AlarmWork,
    ChangedAlarm,
    Due,
    Latest,
    NewAlarm,
    OutboxItem,
    ProofStep,
    ProofWork,
    Record,
)

LOG = logging.getLogger(__name__)
DAY_S = 86_400
HOUR_S = 3_600
OLD_NEWS_S = 7 * DAY_S  # an alarm that ended this long before it was found asks for no answer
HANDING_OVER_S = 300  # after its last message: a node with a backlog sends without a pause
IN_USE_LIFE = frozenset({"occupied"})
SYSTEM = "sillkeep"
LEAK: AlarmKind = "leak suspect"
STALLED: AlarmKind = "drying stalled"  # of a repair's proof, not of an hour
RESTS = "its signs rest; it stays until an inspection is recorded"
ENDED: dict[alarms.Act, str] = {"ends": "the condition ended", "inspected": "somebody inspected it"}
BATTERY_LOW_PERCENT, BATTERY_CLEARS_PERCENT = 20.0, 30.0  # ours: time to change it before it dies


@dataclass(frozen=True, slots=True)
class Round:
    """What one tick did."""

    units: int = 0
    hours: int = 0
    raised: int = 0


def tick(record: Record, *, now_s: int) -> Round:
    """Judge every unit that is due, apply the instant rules and the silence rule.

    Parameters
    ----------
    record : Record
        Open for writing.
    now_s : int
        The time; hours are judged when they are over.
    """
    done = Round()
    sites = {site.code: site for site in record.sites()}
    units = {unit.code: unit for unit in record.units()}
    record.deal_marks(to_hour=now_s // HOUR_S)
    for site in sites.values():
        try:
            judge_site(record, site, to_hour=now_s // HOUR_S)
        except DamageError as error:
            LOG.error("%s is not worked out: %s", site.code, error)  # noqa: TRY400
    dues = record.due(to_hour=now_s // HOUR_S)
    placements = record.placements()  # after `due`: a later one leaves its mark for the next round
    for due in dues:
        unit = units[due.unit]
        try:
            found = judge_unit(record, sites[unit.site], unit, due, placements, now_s=now_s)
        except DamageError as error:  # its words run out, those of others go on
            LOG.error("%s is not judged: %s", unit.code, error)  # noqa: TRY400
            continue
        done = Round(done.units + 1, done.hours + found.hours, done.raised + found.raised)
        record.beat("watch", now_s)
    latest = record.latest()
    _notice_water(record, latest, units, now_s=now_s)
    _notice_silence(record, latest, placements, now_s=now_s)
    _notice_batteries(record, latest, placements, now_s=now_s)
    return done


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
        heard = [int(zone.at_s[0]) for zone in readings.values() if len(zone.at_s)]
        from_s = min(heard, default=to_hour * HOUR_S) // DAY_S * DAY_S
    watched = judge.Watched(
        unit=unit.code,
        zones=tuple(record.zones(unit.code)),
        readings=readings,
        site=record.site_readings(site.code, from_s=from_s, to_s=to_hour * HOUR_S),
        events=tuple(record.events(site.code, unit=unit.code)),
        settling_s=_settling(unit, placements),
        altitude_m=site.altitude_m,
    )
    found = judge.advance(watched, memory, from_day=from_s // DAY_S, to_hour=to_hour)
    in_use = unit.life in IN_USE_LIFE
    work = reconcile(
        unit,
        found.alarms,
        found.latches,
        [alarm for alarm in record.alarms(unit=unit.code) if alarm.kind != STALLED],
        since_s=from_s,
        now_s=now_s,
        in_use=in_use,
    )
    record.keep_judgement(
        due,
        from_hour=from_s // HOUR_S,
        to_hour=to_hour,
        rows=found.hours,
        checkpoints=found.checkpoints,
        version=judge.VERSION,
        alarms=work,
        now_s=now_s,
    )
    if due.from_hour // 24 < to_hour // 24:  # a day is over, or was changed by late readings
        prove(record, unit, watched, to_hour=to_hour, now_s=now_s)
    hours = sum(len(table["hour"]) for table in found.hours.values())
    return Round(1, hours, len(work.new))


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
    repaired_s = [
        e.at_s for e in watched.events if e.kind == "repair" and e.unit and e.zone in structure
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
    found = proofs.follow(watched.zones, watched.events, told)
    stalled = [alarm for alarm in record.alarms(unit=unit.code) if alarm.kind == STALLED]
    work = reconcile(unit, proofs.stall_changes(found), (), stalled, since_s=0, now_s=now_s)
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


def _step(revision: proofs.Revision) -> ProofStep:
    return ProofStep(
        at_s=revision.at_s,
        verdict=revision.verdict,
        size_ml=revision.size_ml,
        missing=revision.missing,
        figures=revision.figures,
    )


def _settling(unit: Unit, placements: Iterable[Placement]) -> dict[str, list[int]]:
    starts: dict[str, list[int]] = {}
    for placement in placements:
        if placement.unit == unit.code and placement.zone:
            starts.setdefault(placement.zone, []).append(placement.from_s)
    return starts


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
    judged, resting = _latched(judged, latches)
    stored = {_key_of(a, judged): a for a in known if a.withdrawn_s is None and not a.node}
    judged_to_s = now_s // HOUR_S * HOUR_S
    new = [
        _new_alarm(unit, begun, cleared_s, now_s=now_s, in_use=in_use, rested_s=resting.get(key))
        for key, (begun, cleared_s) in judged.items()
        if key not in stored and begun.cleared_s is None
    ]
    changed = [
        _ended(stored[key], cleared_s, now_s=now_s)
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
) -> NewAlarm:
    cause = str(change.facts.get("cause", ""))
    alarm_class = alarms.alarm_class(
        change.kind,
        cause=cause,
        in_use=in_use,
        weather_explains=text.weather_explains(change.facts),
    )
    said = text.alarm_text(
        change.kind, zone=change.zone, alarm_class=alarm_class, facts=change.facts
    )
    steps = [AlarmStep(change.raised_s, "unacknowledged", SYSTEM, "the condition began")]
    if rested_s is not None:
        steps.append(AlarmStep(rested_s, "latched unacknowledged", SYSTEM, RESTS))
    if cleared_s is not None:
        old = cleared_s < now_s - OLD_NEWS_S
        state = "normal" if old else alarms.after(steps[-1].state, _end_of(change.kind))
        why = "it ended before anybody could be told" if old else ENDED[_end_of(change.kind)]
        steps.append(AlarmStep(cleared_s, state, SYSTEM, why))
    key = f"{unit.code}/{change.zone}/{change.kind}/{change.raised_s}"
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
    )


def _ended(alarm: Alarm, cleared_s: int | None, *, now_s: int) -> ChangedAlarm:
    if cleared_s is None:
        state, why = alarms.STANDS_AGAIN[alarm.state], "late readings: the condition still stands"
    elif alarm.cleared_s is None:
        end = _end_of(alarm.kind)
        state, why = alarms.after(alarm.state, end), ENDED[end]
    else:
        state, why = alarm.state, "late readings: it ended at another time"
    step = AlarmStep(now_s if cleared_s is None else cleared_s, state, SYSTEM, why)
    return ChangedAlarm(alarm_id=alarm.alarm_id, cleared_s=cleared_s, state=state, step=step)


def _end_of(kind: AlarmKind) -> alarms.Act:
    return "inspected" if kind == LEAK else "ends"


def _turned(alarm: Alarm, rested_s: int | None, *, now_s: int) -> ChangedAlarm:
    """The signs of a finding rest, or are back."""
    act: alarms.Act = "begins" if rested_s is None else "rests"
    state = alarms.after(alarm.state, act)
    at_s, why = (now_s, "its signs are back") if rested_s is None else (rested_s, RESTS)
    step = AlarmStep(at_s, state, SYSTEM, why)
    return ChangedAlarm(alarm_id=alarm.alarm_id, cleared_s=None, state=state, step=step)


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
    found = [alarm for alarm in record.alarms() if alarm.alarm_id == alarm_id]
    if not found:
        raise InputError(f"there is no alarm number {alarm_id}")
    state = alarms.after(found[0].state, "acknowledged")
    step = AlarmStep(now_s, state, who.strip()[:80], "acknowledged")
    record.change_alarm(
        ChangedAlarm(alarm_id=alarm_id, cleared_s=found[0].cleared_s, state=state, step=step),
        now_s=now_s,
    )


# --- rules over the newest readings ---------------------------------------------------------------


def _notice_water(
    record: Record, latest: Sequence[Latest], units: Mapping[str, Unit], *, now_s: int
) -> None:
    """Liquid water is raised at once, under the same key that its hour will give it."""
    standing = {
        (a.unit, a.zone) for a in record.alarms(open_only=True) if a.kind == "water contact"
    }
    for newest in latest:
        if newest.contact and newest.unit and (newest.unit, newest.zone) not in standing:
            unit = units[newest.unit]
            change = judge.AlarmChange(newest.zone, "water contact", newest.at_s, None, {})
            in_use = unit.life in IN_USE_LIFE
            alarm = _new_alarm(unit, change, None, now_s=now_s, in_use=in_use)
            record.add_alarm(alarm.made_instant(), now_s=now_s)


def _notice_silence(
    record: Record, latest: Sequence[Latest], placements: Sequence[Placement], *, now_s: int
) -> None:
    """A node whose newest sample is too old, also one that never spoke; over the placements.

    A node that is still handing over what it kept is not silent: its newest sample is on its way.
    """
    newest: dict[tuple[str, str], Latest] = {}
    for sample in latest:
        before = newest.get((sample.site, sample.node), sample)
        newest[sample.site, sample.node] = max(before, sample, key=lambda s: (s.at_s, s.received_s))
    standing = {
        (a.site, a.node): a
        for a in record.alarms(open_only=True)
        if a.kind == "silent" and a.cleared_s is None
    }
    for (site, node), placed in _in_force(placements).items():
        heard = newest.get((site, node))
        last_s = placed.from_s if heard is None else heard.at_s
        silence_s = (heard and heard.silence_s) or DEFAULT_SILENCE_S
        limit_s = last_s + silent_after_s(silence_s)
        handing_over = heard is not None and now_s <= heard.received_s + HANDING_OVER_S
        alarm = standing.get((site, node))
        if now_s > limit_s and alarm is None and not handing_over:
            _raise_silent(record, placed, heard, raised_s=limit_s, now_s=now_s)
        elif now_s <= limit_s and alarm is not None:
            state = alarms.after(alarm.state, "ends")
            step = AlarmStep(last_s, state, SYSTEM, "heard again")
            record.change_alarm(
                ChangedAlarm(alarm_id=alarm.alarm_id, cleared_s=last_s, state=state, step=step),
                now_s=now_s,
            )


def _in_force(placements: Sequence[Placement]) -> dict[tuple[str, str], Placement]:
    """The placement of each node that still stands."""
    standing: dict[tuple[str, str], Placement] = {}
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


def _notice_batteries(
    record: Record, latest: Sequence[Latest], placements: Sequence[Placement], *, now_s: int
) -> None:
    """A placed node's battery that is low; it is over when a sample shows a fuller one."""
    standing = {
        (a.site, a.node): a
        for a in record.alarms(open_only=True)
        if a.kind == "battery low" and a.cleared_s is None
    }
    placed = _in_force(placements)
    for sample in latest:
        node, percent = (sample.site, sample.node), sample.battery_percent
        if percent is None or node not in placed:
            continue
        alarm = standing.get(node)
        if alarm is None and percent <= BATTERY_LOW_PERCENT:
            facts: dict[str, float | str] = {"battery_percent": percent}
            low = _of_node(
                placed[node], "battery low", facts, raised_s=sample.at_s, why="it is low"
            )
            record.add_alarm(low, now_s=now_s)
        elif alarm is not None and percent >= BATTERY_CLEARS_PERCENT:
            step = AlarmStep(
                sample.at_s, alarms.after(alarm.state, "ends"), SYSTEM, "it is changed"
            )
            ended = ChangedAlarm(alarm.alarm_id, sample.at_s, step.state, step)
            record.change_alarm(ended, now_s=now_s)


def _of_node(
    placed: Placement, kind: AlarmKind, facts: dict[str, float | str], *, raised_s: int, why: str
) -> NewAlarm:
    """An alarm of a node, found in its newest sample or in its silence."""
    alarm_class = alarms.alarm_class(kind)
    zone = f"{placed.unit or placed.site} {placed.zone}"
    told = {"node": f"node {placed.node}", **facts}
    said = text.alarm_text(kind, zone=zone, alarm_class=alarm_class, facts=told)
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
        outbox=(OutboxItem(f"{placed.site}/{placed.node}/{kind}/{raised_s}", "people", said),),
    )
