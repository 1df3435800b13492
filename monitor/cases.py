"""Opening a repair, and what is entered of it later: photos, hose tests, another drying goal.

The `repair` and `hose` events are what the proof is followed by; beside them each entry is kept as a
note of the repair's case, with who and when, and none is ever changed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from math import isfinite, isnan

from monitor.catalogue import say
from monitor.errors import InputError
from monitor.evidence.drying import ASSUMED_MM, LEAST_GOAL, MOST_GOAL
from monitor.judge import proofs
from monitor.lot import STRUCTURE_KINDS, CaseKind, CaseNote, Event, Photo, Unit, Zone
from monitor.store import OpenedRepair, Record
from monitor.text import cases as words

HOUR_S = 3600
LONGEST_SPRAY_S = 4 * HOUR_S
# a joint that is sprayed this long asks what a hose test of unknown length is taken for; a shorter one
# less, so that a minute of water shows nothing. Common practice, no source.
WHOLE_SPRAY_S = 900
MOST_TEXT = 400
MOVED = "sensor moved"


@dataclass(frozen=True, slots=True)
class Opening:
    """A repair as somebody opens it; `goal_percent` None: that of the like zones."""

    unit: str
    zones: tuple[str, ...]
    done: str  # a key of `words.DONE`
    moved: bool
    at_s: int
    who: str
    twin: str = ""
    goal_percent: float | None = None
    why: str = ""
    photos: tuple[bytes, ...] = ()  # cleaned


@dataclass(frozen=True, slots=True)
class Spray:
    """One joint that was sprayed; `reached`: water came in."""

    joint: str
    from_s: int
    to_s: int
    reached: bool


def open_repair(record: Record, opening: Opening, *, now_s: int) -> None:
    """Write a repair of one or more zones of a unit, with its case.

    Raises
    ------
    InputError
        If something of it is not so, or a goal has no reason; nothing is written then.
    """
    unit = _unit(record, opening.unit)
    zones = {zone.code: zone for zone in record.zones(unit.code)}
    _check(opening, zones, now_s)
    value = f"{opening.done}, {MOVED}" if opening.moved else opening.done
    repaired_s = opening.at_s
    known = {(row.zone, row.repaired_s) for row in record.repairs(unit=unit.code)}
    if any((zone, repaired_s) in known for zone in opening.zones):
        raise InputError("that repair is open already: see its page")
    twins = {
        code: replace(zones[code], dry_twin=opening.twin)
        for code in opening.zones
        if opening.twin and zones[code].dry_twin != opening.twin
    }
    events, notes = [], []
    kept = [
        (Photo(sha256(data).hexdigest(), repaired_s, now_s, opening.who), data)
        for data in opening.photos
    ]
    for code in opening.zones:
        goal, why = opening.goal_percent, opening.why
        if goal is None:
            told = [twins.get(zone.code, zone) for zone in zones.values()]
            goal, why = _default_goal(record, unit, told, code, repaired_s), say(words.DEFAULT_WHY)
        events.append(Event(repaired_s, "repair", value, unit.code, code))
        note = CaseNote(code, repaired_s, "opened", value, repaired_s, now_s, opening.who)
        notes.append(note)
        if isfinite(goal):
            notes.append(replace(note, kind="goal", value=repr(goal), at_s=now_s, why=why))
        notes += [replace(note, kind="photo", value=photo.digest) for photo, _ in kept]
    opened = OpenedRepair(tuple(twins.values()), tuple(events), tuple(kept), tuple(notes))
    record.open_repair(unit.site, unit.code, opened)


def add_photos(record: Record, unit: str, of: CaseNote, photos: Sequence[bytes]) -> None:
    """Keep cleaned photos of where the water came in; `of` says of which repair, by whom and when."""
    for data in photos:
        digest = sha256(data).hexdigest()
        record.keep_photo(unit, Photo(digest, of.at_s, of.recorded_s, of.who), data)
        record.note_case(unit, replace(of, kind="photo", value=digest, why=""))


def decide_goal(record: Record, unit: str, of: CaseNote, percent: float, why: str) -> None:
    """Set another drying goal from now on.

    Raises
    ------
    InputError
        If it is out of reason, or has none.
    """
    _check_goal(percent, why)
    record.note_case(unit, replace(of, kind="goal", value=repr(percent), why=why[:MOST_TEXT]))


def add_spray(record: Record, unit: str, of: CaseNote, spray: Spray) -> None:
    """Note that a joint was sprayed: a hose test of the zone, with what was seen.

    Raises
    ------
    InputError
        If its times are not after the repair and in order, or the joint is not named.
    """
    if not spray.joint:
        raise InputError("say which joint was sprayed")
    if not of.repaired_s <= spray.from_s < spray.to_s <= of.recorded_s:
        raise InputError("a joint is sprayed after the repair and before now, and then stopped")
    if spray.to_s - spray.from_s > LONGEST_SPRAY_S:
        raise InputError("nobody sprays one joint for more than four hours")
    minutes = round((spray.to_s - spray.from_s) / 60)
    value = f"{spray.joint[:MOST_TEXT]}; {minutes} min; water came in: {'yes' if spray.reached else 'no'}"
    note = replace(of, kind="challenge", value=value, at_s=spray.from_s)
    record.note_case(unit, note)
    site = _unit(record, unit).site
    mm = ASSUMED_MM["hose"] * min((spray.to_s - spray.from_s) / WHOLE_SPRAY_S, 1.0)
    event = Event(spray.from_s, "hose", f"{mm:.1f}", unit, of.zone)
    record.add_event(site, event, recorded_s=of.recorded_s, who=of.who)


def entry(
    zone: str, repaired_s: int, *, kind: CaseKind = "photo", at_s: int, now_s: int, who: str
) -> CaseNote:
    """An entry of a repair that is still to be filled in."""
    return CaseNote(zone, repaired_s, kind, "", at_s, now_s, who)


def _check(opening: Opening, zones: dict[str, Zone], now_s: int) -> None:
    if not opening.zones:
        raise InputError("choose the zones that were repaired")
    for code in opening.zones:
        if code not in zones or zones[code].kind not in STRUCTURE_KINDS:
            raise InputError(f"{code[:64]} is no wall, roof, floor, slide, bay or underbelly of it")
    if opening.done not in dict(words.DONE):
        raise InputError("choose what was done")
    if opening.twin and (opening.twin not in zones or opening.twin in opening.zones):
        raise InputError("the dry twin is another zone of the unit, which was not repaired")
    if opening.at_s > now_s:
        raise InputError("that repair is still to come")
    if not opening.who.strip():
        raise InputError("say who")
    if opening.goal_percent is not None:
        _check_goal(opening.goal_percent, opening.why)


def _check_goal(percent: float, why: str) -> None:
    if isnan(percent) or not LEAST_GOAL <= percent <= MOST_GOAL:
        raise InputError(
            f"a drying goal is {LEAST_GOAL:g} to {MOST_GOAL:g} points above the dry standard"
        )
    if not why.strip():
        raise InputError("say why the drying goal is another one")


def _default_goal(record: Record, unit: Unit, zones: Sequence[Zone], zone: str, at_s: int) -> float:
    hour = at_s // HOUR_S
    hours = record.unit_hours(unit.code, from_hour=hour - proofs.GOAL_DAYS * 24, to_hour=hour)
    events = record.events(unit.site, unit=unit.code)
    return proofs.goal_before(zones, events, hours, zone, at_s)


def _unit(record: Record, code: str) -> Unit:
    found = next((unit for unit in record.units() if unit.code == code), None)
    if found is None:
        raise InputError(f'there is no unit "{code[:64]}"')
    return found
