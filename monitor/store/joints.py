"""Sealed joints in the record, what was seen of them and done to them, and how often; all append-only."""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, select, true

from monitor.errors import InputError
from monitor.lot import (
    JOINT_KINDS,
    SEAL_ACTS,
    SEAL_FINDINGS,
    SEAL_GROUPS,
    SEALANTS,
    SEALS_HURT,
    Event,
    Joint,
    SealBook,
    SealEntry,
    SealRule,
)
from monitor.store import schema as t

MOST_JOINTS = 120  # of a unit: a large motorhome has some forty
LONGEST_CODE, LONGEST_TEXT = 40, 400
MOST_DAYS = 3660
SAME_S = 60  # a form that is sent twice within a minute is one entry
SIDES = ("", "off", "door", "front", "rear")


# --- asked ----------------------------------------------------------------------------------------


def history(connection: Connection, where: ColumnElement[bool]) -> dict[int, list[Joint]]:
    """Each entry of each joint, by unit, oldest first."""
    c = t.joint.c
    query = select(t.joint).where(where).order_by(c.joint_id)
    found: dict[int, list[Joint]] = defaultdict(list)
    first: dict[tuple[int, str], int] = {}
    for row in connection.execute(query):
        made = Joint(
            row.code,
            row.kind,
            row.place,
            row.side,
            row.zone,
            on_roof=bool(row.on_roof),
            height_m=row.height_m,
            retired=bool(row.retired),
            at_s=row.at_s,
            first_s=first.setdefault((row.unit_id, row.code), row.at_s),
            who=row.who,
            why=row.why,
        )
        found[row.unit_id].append(made)
    return found


def standing(entered: Iterable[Joint]) -> tuple[Joint, ...]:
    """The newest entry of each joint, in the order in which they were first entered."""
    return tuple({joint.code: joint for joint in entered}.values())


def entries(connection: Connection, where: ColumnElement[bool]) -> dict[int, list[SealEntry]]:
    """Looks and reseals by unit, oldest first."""
    c = t.seal_entry.c
    found: dict[int, list[SealEntry]] = defaultdict(list)
    for row in connection.execute(
        select(t.seal_entry).where(where).order_by(c.at_s, c.seal_entry_id)
    ):
        found[row.unit_id].append(
            SealEntry(
                row.joint,
                row.act,
                row.at_s,
                row.recorded_s,
                row.who,
                finding=row.finding,
                sealant=row.sealant,
                product=row.product,
                note=row.note,
                photos=tuple(json.loads(row.photos)),
                confirmed=tuple(json.loads(row.confirmed)),
                number=row.seal_entry_id,
            )
        )
    return found


def rules(connection: Connection, where: ColumnElement[bool]) -> dict[int, list[SealRule]]:
    """Changed intervals by unit, oldest first."""
    c = t.seal_rule.c
    query = select(c.unit_id, c.grp, c.joint, c.days, c.at_s, c.who, c.why).where(where)
    found: dict[int, list[SealRule]] = defaultdict(list)
    for unit_id, *row in connection.execute(query.order_by(c.seal_rule_id)):
        found[unit_id].append(SealRule(*row))
    return found


def books(connection: Connection, *, unit: str = "") -> dict[str, SealBook]:
    """What the due dates of each unit's seals follow from, by its code; of one, or of all."""
    u = t.unit.c
    query = select(u.unit_id, u.code, u.site_id, t.site.c.code.label("site"), t.site.c.timezone)
    query = query.join(t.site).where(u.code == unit if unit else true()).order_by(u.code)
    units = connection.execute(query).all()
    one = units[0].unit_id if unit and units else None

    def of(column: ColumnElement[Any]) -> ColumnElement[bool]:
        return column == one if one is not None else true()

    known = history(connection, of(t.joint.c.unit_id))
    noted = entries(connection, of(t.seal_entry.c.unit_id))
    ruled = rules(connection, of(t.seal_rule.c.unit_id))
    hurt = _hurt(connection)
    suspects, raised = _suspects(connection)
    made = {}
    for row in units:
        entered, seen, told = known[row.unit_id], noted[row.unit_id], ruled[row.unit_id]
        own = [e for e, of_unit in hurt[row.site_id] if of_unit in {None, row.unit_id}]
        leaks = suspects[row.unit_id]
        made[row.code] = SealBook(
            row.code,
            row.site,
            row.timezone,
            joints=standing(entered),
            entries=tuple(seen),
            rules=tuple(told),
            events=tuple(own),
            suspects=tuple(leaks),
            changes=len(entered)
            + len(seen)
            + len(told)
            + len(own)
            + 2 * raised[row.unit_id]
            - len(leaks),
        )
    return made


def _hurt(connection: Connection) -> dict[int, list[tuple[Event, int | None]]]:
    """Events that ask for a look, by site, with the unit that they are of."""
    c = t.event.c
    query: Select[Any] = (
        select(c.site_id, c.unit_id, c.at_s, c.kind, c.value, func.coalesce(t.unit.c.code, ""))
        .outerjoin(t.unit, t.unit.c.unit_id == c.unit_id)
        .where(c.kind.in_(SEALS_HURT))
        .order_by(c.at_s, c.event_id)
    )
    found: dict[int, list[tuple[Event, int | None]]] = defaultdict(list)
    for site_id, unit_id, *event in connection.execute(query):
        found[site_id].append((Event(*event), unit_id))
    return found


def _suspects(
    connection: Connection,
) -> tuple[dict[int, list[tuple[str, int]]], dict[int, int]]:
    """Zones with a leak suspect that stands and since when, by unit; and how many ever were."""
    a = t.alarm.c
    query = (
        select(a.unit_id, t.zone.c.code, a.raised_s, a.state, a.withdrawn_s)
        .join(t.zone, t.zone.c.zone_id == a.zone_id)
        .where(a.kind == "leak suspect", a.unit_id.is_not(None))
        .order_by(a.alarm_id)
    )
    stand: dict[int, list[tuple[str, int]]] = defaultdict(list)
    raised: dict[int, int] = defaultdict(int)
    for unit_id, zone, raised_s, state, withdrawn_s in connection.execute(query):
        raised[unit_id] += 1
        if state != "normal" and withdrawn_s is None:
            stand[unit_id].append((zone, raised_s))
    return stand, raised


# --- written --------------------------------------------------------------------------------------


def enter(
    connection: Connection, unit_id: int, joints: Sequence[Joint], *, change: bool = False
) -> None:
    """Enter new joints, or change known ones (retire them, take them back).

    Raises
    ------
    InputError
        If one is not as it has to be, is there already, or is to be changed and is not there.
    """
    held = history(connection, t.joint.c.unit_id == unit_id)[unit_id]
    known = {joint.code for joint in held}
    zones = {
        row.code
        for row in connection.execute(select(t.zone.c.code).where(t.zone.c.unit_id == unit_id))
    }
    for joint in joints:
        _check_joint(joint, zones)
        if change and joint.code not in known:
            raise InputError(f'there is no joint "{joint.code}" here')
        if not change and joint.code in known:
            raise InputError(f'there is a joint "{joint.code}" already; change that one')
        known.add(joint.code)
        if len(known) > MOST_JOINTS:
            raise InputError(f"a unit has at most {MOST_JOINTS} joints here")
        connection.execute(
            t.joint.insert().values(
                unit_id=unit_id,
                code=joint.code,
                kind=joint.kind,
                place=joint.place,
                side=joint.side,
                zone=joint.zone,
                on_roof=int(joint.on_roof),
                height_m=joint.height_m,
                retired=int(joint.retired),
                at_s=joint.at_s,
                who=joint.who,
                why=joint.why,
            )
        )


def _check_joint(joint: Joint, zones: set[str]) -> None:
    if not 1 <= len(joint.code) <= LONGEST_CODE or not joint.code.replace("-", "").isalnum():
        raise InputError(f"a joint's code is letters, digits and hyphens, {LONGEST_CODE} at most")
    if joint.kind not in JOINT_KINDS:
        raise InputError(
            f'"{joint.kind}" is no kind of joint; use one of: {", ".join(JOINT_KINDS)}'
        )
    if joint.side not in SIDES:
        raise InputError("a side is off, door, front or rear")
    if joint.zone and joint.zone not in zones:
        raise InputError(f'there is no zone "{joint.zone[:64]}" in this unit')
    if joint.height_m is not None and not 0.0 <= joint.height_m <= 5.0:
        raise InputError("a height is 0 to 5 m")
    _check_texts(joint.who, joint.place, joint.why)


def note(connection: Connection, unit_id: int, noted: Sequence[SealEntry]) -> list[SealEntry]:
    """Note looks at joints or reseals of them; those that were new.

    One that was noted within the last minute in the same words is not noted again.

    Raises
    ------
    InputError
        If one is not as it has to be; then none is noted.
    """
    standing_ = {
        j.code: j for j in standing(history(connection, t.joint.c.unit_id == unit_id)[unit_id])
    }
    held = entries(connection, t.seal_entry.c.unit_id == unit_id)[unit_id]
    photos = set(connection.execute(
        select(t.photo.c.digest).where(t.photo.c.unit_id == unit_id)
    ).scalars())  # fmt: skip
    new = []
    for entry in noted:
        _check_entry(entry, standing_, photos)
        if any(_again(entry, other) for other in held):
            continue
        connection.execute(
            t.seal_entry.insert().values(
                unit_id=unit_id,
                joint=entry.joint,
                act=entry.act,
                at_s=entry.at_s,
                recorded_s=entry.recorded_s,
                who=entry.who,
                finding=entry.finding,
                sealant=entry.sealant,
                product=entry.product,
                note=entry.note,
                photos=json.dumps(list(entry.photos)),
                confirmed=json.dumps(list(entry.confirmed)),
            )
        )
        new.append(entry)
    return new


def _check_entry(entry: SealEntry, joints: dict[str, Joint], photos: set[str]) -> None:
    joint = joints.get(entry.joint)
    if joint is None:
        raise InputError(f'there is no joint "{entry.joint[:64]}" here')
    if joint.retired:
        raise InputError(f"{joint.code} is retired; take it back first")
    if entry.at_s > entry.recorded_s:
        raise InputError("that is still to come: note it when it is done")
    if entry.act not in SEAL_ACTS:
        raise InputError("an entry is looked at, or resealed")
    if entry.act == "looked at" and (not entry.finding or entry.finding not in SEAL_FINDINGS):
        raise InputError(f"say what was found: {', '.join(filter(None, SEAL_FINDINGS))}")
    if entry.act == "resealed" and (not entry.sealant or entry.sealant not in SEALANTS):
        raise InputError(f"say which kind of sealant: {', '.join(filter(None, SEALANTS))}")
    if not set(entry.photos) <= photos:
        raise InputError("a photo of it is not in the record")
    _check_texts(entry.who, entry.product, entry.note)


def _again(entry: SealEntry, other: SealEntry) -> bool:
    """Whether an entry is another one that was sent twice."""

    def words(one: SealEntry) -> tuple[str, ...]:
        return (one.joint, one.act, one.who, one.finding, one.sealant, one.product, one.note)

    near = abs(entry.recorded_s - other.recorded_s) < SAME_S and (
        abs(entry.at_s - other.at_s) < SAME_S
    )
    return near and words(entry) == words(other)


def rule(connection: Connection, unit_id: int, new: SealRule) -> None:
    """Change every how many days a group or one joint is looked at.

    Raises
    ------
    InputError
        If the rule is not as it has to be.
    """
    if new.group not in SEAL_GROUPS:
        raise InputError(f"an interval is of one of: {', '.join(SEAL_GROUPS)}")
    codes = {j.code for j in history(connection, t.joint.c.unit_id == unit_id)[unit_id]}
    if new.joint and new.joint not in codes:
        raise InputError(f'there is no joint "{new.joint[:64]}" here')
    least = 0 if new.group == "roof" else 1
    if new.days is not None and not least <= new.days <= MOST_DAYS:
        raise InputError(f"an interval is {least} to {MOST_DAYS} days")
    if not new.why:
        raise InputError("say why; an interval without its reason helps nobody later")
    _check_texts(new.who, new.why)
    connection.execute(
        t.seal_rule.insert().values(
            unit_id=unit_id,
            grp=new.group,
            joint=new.joint,
            days=new.days,
            at_s=new.at_s,
            who=new.who,
            why=new.why,
        )
    )


def _check_texts(who: str, *texts: str) -> None:
    if not who:
        raise InputError("say who: a name or initials")
    if any(len(text) > LONGEST_TEXT for text in (who, *texts)):
        raise InputError(f"a text has at most {LONGEST_TEXT} letters")
