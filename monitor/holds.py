"""Alarms that are held back: by a person, by logic, for maintenance (the words of `monitor.alarms`).

A hold is of a source (a kind of alarm in a zone or of a node), whether it stands now or not. It is
in the record with who, when and why; `review` ends what has run out, so a hold outlives no restart
of the watch by more than a round.
"""

from collections.abc import Iterable, Sequence

from monitor import alarms
from monitor.alarms import Around, Found
from monitor.errors import InputError
from monitor.lot import ALARM_KINDS, Event, HoldWord, Source
from monitor.store import Alarm, Hold, NewHold, Record

SYSTEM = "sillkeep"
OF_PLACE = frozenset({"gateway silent", "row silent", "unit silent"})  # of many sources at once
NAME_LENGTH, WHY_LENGTH = 80, 400


# --- by a person ----------------------------------------------------------------------------------


def shelve(
    record: Record, source: Source, *, who: str, why: str, until_s: int, now_s: int
) -> NewHold:
    """Hold a source back for a time; it returns by itself.

    Raises
    ------
    InputError
        If nobody or no reason is named, the time is over or too long, or the source is held back
        by a person already.
    """
    _check_source(source)
    class_ = next(
        (a.class_ for a in record.alarms(open_only=True) if a.source == source),
        alarms.alarm_class(source.kind),
    )
    most_s = alarms.SHELVED_AT_MOST_S[class_]
    if not now_s < until_s <= now_s + most_s:
        raise InputError(
            f"an alarm of the class {class_} is shelved for at most {most_s / 3600:g} hours, and for a "
            "time that is to come"
        )
    return _hold(record, "shelved", source, who=who, why=why, until_s=until_s, now_s=now_s)


def take_out(record: Record, source: Source, *, who: str, why: str, now_s: int) -> NewHold:
    """Take a source out of service until somebody puts it back; errors as `shelve`."""
    _check_source(source)
    return _hold(record, "taken out", source, who=who, why=why, until_s=None, now_s=now_s)


def release(record: Record, source: Source, *, who: str, why: str, now_s: int) -> Hold:
    """Let a shelved source go before its time."""
    return _end(record, source, "released", who=who, why=why or "released", now_s=now_s)


def put_back(record: Record, source: Source, *, who: str, why: str, now_s: int) -> Hold:
    """Put a source back in service."""
    return _end(record, source, "put back", who=who, why=why or "put back", now_s=now_s)


def inspect(record: Record, alarm_id: int, *, who: str, finding: str, now_s: int) -> Alarm:
    """Record what somebody found where an alarm came from; it clears a latch when it is judged."""
    found = alarm_of(record, alarm_id)
    name, what = _named(who), finding.strip()[:WHY_LENGTH]
    if not what:
        raise InputError("say what was found, also if it was nothing")
    if not found.unit or not found.zone:
        raise InputError(f"alarm {alarm_id} is of no zone of a unit: nothing to inspect there")
    event = Event(now_s, "inspection", what, found.unit, found.zone)
    record.add_event(found.site, event, recorded_s=now_s, who=name)
    return found


def alarm_of(record: Record, alarm_id: int) -> Alarm:
    """An alarm by its number.

    Raises
    ------
    InputError
        If there is none.
    """
    for alarm in record.alarms():
        if alarm.alarm_id == alarm_id:
            return alarm
    raise InputError(f"there is no alarm number {alarm_id}")


def source_of(
    record: Record, *, kind: str, unit: str = "", zone: str = "", node: str = "", site: str = ""
) -> Source:
    """A source by its place, also one of which no alarm stands.

    Raises
    ------
    InputError
        If there is no such kind, unit, zone or node, or the place is no place of that kind.
    """
    if kind not in ALARM_KINDS:
        raise InputError(f'"{kind}" is no kind of alarm; use one of: {", ".join(ALARM_KINDS)}')
    if unit:
        sites = [known.site for known in record.units() if known.code == unit]
        if not sites:
            raise InputError(f'there is no unit "{unit}"')
        site = sites[0]
    of_node = kind in alarms.OF_NODE
    if not site or of_node != bool(node) or (not of_node and bool(unit) != bool(zone)):
        raise InputError(
            f"{kind} comes from a node: give --node, and --unit or --site"
            if of_node
            else f"{kind} comes from a zone: give --unit and --zone"
        )
    if of_node:
        unit = next(
            (p.unit for p in record.placements() if (p.site, p.node, p.to_s) == (site, node, None)),
            unit,
        )
    source = Source(site, kind, unit, "" if of_node else zone, node)
    record.check_source(source)
    return source


def _check_source(source: Source) -> None:
    if source.kind in OF_PLACE:
        raise InputError(
            f"{source.kind} has several sources: acknowledge it, or hold back each of its nodes"
        )


def _named(who: str) -> str:
    if not who.strip():
        raise InputError("say who you are: a name or initials")
    return " ".join(who.split())[:NAME_LENGTH]


def _hold(
    record: Record,
    act: alarms.HoldAct,
    source: Source,
    *,
    who: str,
    why: str,
    until_s: int | None,
    now_s: int,
) -> NewHold:
    name, reason = _named(who), " ".join(why.split())[:WHY_LENGTH]
    if not reason:
        raise InputError("say why; a hold without its reason helps nobody later")
    before = _of(record.holds(), source)
    word = alarms.held_after(before.word if before else "", act)
    new = NewHold(source, _word(word), now_s, until_s, name, reason)
    record.hold(new, instead_of=before, now_s=now_s)
    return new


def _word(held: alarms.Held) -> HoldWord:
    if not held:
        raise InputError("nothing is held back by this")
    return held


def _end(
    record: Record, source: Source, act: alarms.HoldAct, *, who: str, why: str, now_s: int
) -> Hold:
    name, before = _named(who), _of(record.holds(), source)
    alarms.held_after(before.word if before else "", act)
    if before is None:
        raise InputError("nothing is held back here")
    reason = " ".join(why.split())[:WHY_LENGTH]
    record.end_hold(before, who=name, why=reason, now_s=now_s)
    return before


def _of(holds: Iterable[Hold], source: Source) -> Hold | None:
    return next((hold for hold in holds if hold.source == source), None)


# --- by logic -------------------------------------------------------------------------------------


def by_logic(standing: Sequence[Found], around: Around, *, now_s: int) -> tuple[NewHold, ...]:
    """What logic holds back of the standing alarms of a unit."""
    found = []
    for one in standing:
        reason = alarms.by_design(one, around, now_s=now_s) or alarms.explained(one, standing)
        if reason is not None:
            found.append(_suppressed(one.source, reason, now_s=now_s))
    return tuple(found)


def _suppressed(source: Source, reason: alarms.Reason, *, now_s: int) -> NewHold:
    word: HoldWord = "suppressed by design"
    return NewHold(source, word, now_s, reason.until_s, SYSTEM, reason.why)


def let_water_through(record: Record, unit: str, around: Around, *, now_s: int) -> None:
    """End what logic holds back of liquid water when the unit's supply is live."""
    if not alarms.is_supply_live(around, at_s=now_s):
        return
    for hold in record.holds():
        of_water = (hold.source.unit, hold.source.kind) == (unit, "water contact")
        if of_water and hold.word == "suppressed by design":
            record.end_hold(hold, who=SYSTEM, why="the unit's water is on", now_s=now_s)


def review(record: Record, *, now_s: int) -> frozenset[Source]:
    """End holds that have run out, hold back what another alarm explains; what is held back then."""
    standing = [
        Found(a.source, a.class_, a.raised_s)
        for a in record.alarms(open_only=True)
        if a.cleared_s is None and a.withdrawn_s is None
    ]
    beside: dict[tuple[str, str, str], list[Found]] = {}
    for one in standing:
        beside.setdefault(_place(one.source), []).append(one)
    explained = {
        one.source: reason
        for one in standing
        if (reason := alarms.explained(one, beside[_place(one.source)])) is not None
    }
    held = set()
    for hold in record.holds():
        if hold.until_s is not None and now_s >= hold.until_s:
            why = "its time is over"
        elif hold.word == "suppressed by design" and hold.until_s is None:
            why = "" if hold.source in explained else "what explained it is over"
        else:
            why = ""
        if why:
            record.end_hold(hold, who=SYSTEM, why=why, now_s=now_s)
        else:
            held.add(hold.source)
    for source, reason in explained.items():
        if source not in held:
            record.hold(_suppressed(source, reason, now_s=now_s), now_s=now_s)
            held.add(source)
    return frozenset(held)


def _place(source: Source) -> tuple[str, str, str]:
    return source.site, source.unit, source.zone
