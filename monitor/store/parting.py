"""A unit leaves: sold or retired, and taken back; the ledger of it.

What it was keeps its place in the record. What ends is who watches it, who is told of it and who sees
it: placements, alarms, holds, links, messages that wait, and the reach of those who had it by its code.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, func, insert, or_, select, update

from monitor.errors import InputError
from monitor.store import alarming, holding, judging, nodekeys
from monitor.store import schema as t
from monitor.store.rows import AlarmStep, ChangedAlarm
from monitor.store.users import Doer

HOUR_S = 3600
GONE = ("sold", "left")  # stages of a unit's life
MOST_SAID = 200
_LISTS = ("morning", "week", "season")


@dataclass(frozen=True, slots=True)
class Leave:
    """That a unit leaves: `what` is sold or retired; `keeper` a user of this board who bought it."""

    what: str
    at_s: int
    who: str
    why: str = ""
    giver: str = ""
    taker: str = ""
    keeper: str = ""


@dataclass(frozen=True, slots=True)
class Left:
    """What ended with a unit's leave."""

    nodes: tuple[str, ...]
    alarms: int
    holds: int
    links: int
    messages: int
    alone: tuple[str, ...]  # people who were told of this unit and of nothing else
    revoked: tuple[str, ...] = ()  # nodes that may send no more: they watched this unit alone


@dataclass(frozen=True, slots=True)
class Transfer:
    """A line of the ledger; `unit` is empty for one about a person."""

    number: int
    unit: str
    at_s: int
    what: str
    giver: str
    taker: str
    who: str
    why: str


def note(connection: Connection, unit_id: int | None, leave: Leave, *, now_s: int) -> None:
    """Write a line into the ledger."""
    for said in (leave.giver, leave.taker, leave.why, leave.who):
        if len(said) > MOST_SAID:
            raise InputError(f"say it in at most {MOST_SAID} letters")
    connection.execute(
        insert(t.transfer).values(
            unit_id=unit_id,
            at_s=leave.at_s,
            recorded_s=now_s,
            what=leave.what,
            giver=leave.giver,
            taker=leave.taker,
            who=leave.who,
            why=leave.why,
        )
    )


def ledger(connection: Connection, *, unit: str = "") -> list[Transfer]:
    """Lines of the ledger, of a unit or all, the oldest first."""
    c = t.transfer.c
    query = (
        select(
            c.transfer_id,
            func.coalesce(t.unit.c.code, ""),
            *(c.at_s, c.what, c.giver, c.taker, c.who, c.why),
        )
        .outerjoin_from(t.transfer, t.unit, t.unit.c.unit_id == c.unit_id)
        .order_by(c.transfer_id)
    )
    if unit:
        query = query.where(t.unit.c.code == unit)
    return [Transfer(*row) for row in connection.execute(query)]


def unwatched() -> ColumnElement[bool]:
    """Units that left by the ledger, that no probe watches and that are judged beyond that day."""
    placed = judging.in_force()
    watched = (
        select(t.zone.c.unit_id)
        .join(placed, placed.c.zone_id == t.zone.c.zone_id)
        .where(t.zone.c.unit_id == t.unit.c.unit_id)
        .correlate(t.unit)
        .exists()
    )
    last = (
        select(func.max(t.transfer.c.at_s))
        .where(t.transfer.c.unit_id == t.unit.c.unit_id)
        .correlate(t.unit)
        .scalar_subquery()
    )
    judged = func.coalesce(t.unit.c.judged_to, 0) * HOUR_S > last
    return t.unit.c.life.in_(GONE) & ~watched & judged


def leave(connection: Connection, unit: str, leaving: Leave, *, now_s: int) -> Left:
    """End all that goes on in a unit, and note that it left.

    Raises
    ------
    InputError
        If there is no such unit, or it left already.
    """
    row = connection.execute(select(t.unit).where(t.unit.c.code == unit)).mappings().one_or_none()
    if row is None:
        raise InputError(f'there is no unit "{unit}"')
    life = "sold" if leaving.what == "sold" else "left"
    before = [line for line in ledger(connection, unit=unit) if line.what != "received"]
    if row["life"] in GONE and before and before[-1].what != "back":
        raise InputError(f"{unit} left already ({row['life']}); see: sillkeep unit ledger")
    number, why = row["unit_id"], f"the unit was {leaving.what}"
    note(connection, number, leaving, now_s=now_s)
    connection.execute(update(t.unit).where(t.unit.c.unit_id == number).values(life=life))
    keeper = _keeper(connection, number, leaving.keeper)
    own = nodekeys.only_in(connection, number)
    left = Left(
        nodes=_end_placements(connection, number, leaving, now_s=now_s),
        alarms=_end_alarms(connection, number, leaving, why),
        holds=_end_holds(connection, unit, leaving, why),
        links=end_links(connection, t.link.c.unit_id == number, now_s=now_s),
        messages=_end_messages(connection, number, unit, now_s=now_s),
        alone=(),
    )
    if leaving.what == "sold":
        _end_reach(connection, number, keeper)
        alone = _end_telling(connection, unit, leaving.keeper)
        revoked = nodekeys.end(connection, own, why=why, by=Doer(leaving.who, now_s))
        left = replace(left, alone=alone, revoked=revoked)
    return left


def back(connection: Connection, unit: str, life: str, leaving: Leave, *, now_s: int) -> None:
    """Take back that a unit left: a new line of the ledger; it is judged again from that time on.

    Raises
    ------
    InputError
        If there is no such unit, or it did not leave.
    """
    here = t.unit.c.code == unit
    row = connection.execute(select(t.unit).where(here)).mappings().one_or_none()
    if row is None or row["life"] not in GONE:
        raise InputError(f"{unit} did not leave")
    gone = [line.at_s for line in ledger(connection, unit=unit) if line.what != "received"]
    note(connection, row["unit_id"], leaving, now_s=now_s)
    connection.execute(update(t.unit).where(here).values(life=life))
    judging.mark_units(connection, hour=max(gone, default=now_s) // HOUR_S, unit=unit)


def end_links(connection: Connection, of: ColumnElement[bool], *, now_s: int) -> int:
    """End links, and the sessions that they began; how many."""
    k = t.link.c
    numbers = list(connection.execute(select(k.link_id).where(of, k.revoked_s.is_(None))).scalars())
    connection.execute(update(t.link).where(k.link_id.in_(numbers)).values(revoked_s=now_s))
    every = select(k.link_id).where(of)
    connection.execute(delete(t.session).where(t.session.c.link_id.in_(every)))
    return len(numbers)


# --- what ends ------------------------------------------------------------------------------------


def _keeper(connection: Connection, unit_id: int, name: str) -> int:
    """Account of who bought it, with this unit in its reach; 0 where nobody here did."""
    if not name:
        return 0
    a, r = t.account.c, t.account_reach.c
    row = connection.execute(select(a.account_id, a.role).where(a.name == name)).one_or_none()
    if row is None or row.role != "owner":
        raise InputError(f'there is no user "{name}" of role owner')
    mine = (r.account_id == row.account_id, r.unit_id == unit_id)
    if connection.execute(select(r.account_reach_id).where(*mine)).first() is None:
        given = {"account_id": row.account_id, "unit_id": unit_id}
        connection.execute(insert(t.account_reach).values(given))
    return int(row.account_id)


def _zones(unit_id: int) -> Any:  # noqa: ANN401  a question
    return select(t.zone.c.zone_id).where(t.zone.c.unit_id == unit_id)


def _end_placements(
    connection: Connection, unit_id: int, leaving: Leave, *, now_s: int
) -> tuple[str, ...]:
    """Take all probes away: what they say from then on is of no zone; their nodes."""
    placed = judging.in_force()
    query = (
        select(placed.c.probe_id, placed.c.from_s, t.node.c.code)
        .join_from(placed, t.probe, t.probe.c.probe_id == placed.c.probe_id)
        .join(t.node, t.node.c.node_id == t.probe.c.node_id)
        .where(placed.c.zone_id.in_(_zones(unit_id)))
    )
    nodes = set()
    for probe, from_s, node in connection.execute(query).all():
        row = {"probe_id": probe, "zone_id": None, "from_s": max(leaving.at_s, from_s)}
        row |= {"recorded_s": now_s, "who": leaving.who, "why": f"the unit was {leaving.what}"}
        connection.execute(insert(t.placement).values(row))
        nodes.add(node)
    return tuple(sorted(nodes))


def _end_alarms(connection: Connection, unit_id: int, leaving: Leave, why: str) -> int:
    c = t.alarm.c
    mine = (c.unit_id == unit_id, c.state != "normal")
    rows = connection.execute(select(c.alarm_id, c.cleared_s).where(*mine)).all()
    numbers = [row.alarm_id for row in rows]
    for number, cleared_s in rows:
        step = AlarmStep(leaving.at_s, "normal", leaving.who, why)
        ended_s = leaving.at_s if cleared_s is None else cleared_s
        done = ChangedAlarm(number, ended_s, "normal", step)
        alarming.change(connection, done, now_s=leaving.at_s)
    alarming.withhold(
        connection, select(c.alarm_id).where(c.unit_id == unit_id), now_s=leaving.at_s
    )
    m = t.cause_member.c
    under = (m.alarm_id.in_(numbers), m.left_s.is_(None))
    connection.execute(update(t.cause_member).where(*under).values(left_s=leaving.at_s))
    return len(numbers)


def _end_holds(connection: Connection, unit: str, leaving: Leave, why: str) -> int:
    mine = [hold for hold in holding.holds(connection) if hold.source.unit == unit]
    for hold in mine:
        holding.end(connection, hold, who=leaving.who, why=why, now_s=leaving.at_s, tell=False)
    return len(mine)


def _end_messages(connection: Connection, unit_id: int, unit: str, *, now_s: int) -> int:
    """Send nothing of it that waits. A list that names it among others goes; it is written anew."""
    c, m = t.message.c, t.message_alarm.c
    told = (
        select(m.message_id)
        .join(t.alarm, t.alarm.c.alarm_id == m.alarm_id)
        .where(t.alarm.c.unit_id == unit_id)
    )
    waiting = (
        c.state == "waiting",
        or_(c.message_id.in_(told), c.key.startswith(f"storm/{unit}/")),
    )
    lists = list(
        connection.execute(select(c.message_id).where(*waiting, c.kind.in_(_LISTS))).scalars()
    )
    connection.execute(delete(t.message_alarm).where(m.message_id.in_(lists)))
    connection.execute(delete(t.message).where(c.message_id.in_(lists)))
    ended = update(t.message).where(*waiting).values(state="void", ended_s=now_s)
    return connection.execute(ended).rowcount + len(lists)


def _end_reach(connection: Connection, unit_id: int, keeper: int) -> None:
    r = t.account_reach.c
    connection.execute(delete(t.account_reach).where(r.unit_id == unit_id, r.account_id != keeper))


def _end_telling(connection: Connection, unit: str, keeper: str) -> tuple[str, ...]:
    """Take it out of what people look after; who looked after nothing else is named."""
    c = t.person.c
    alone = []
    query = select(c.person_id, c.name, c.reach).where(c.removed_s.is_(None), c.name != keeper)
    for number, name, reach in connection.execute(query).all():
        codes: Collection[str] = reach.split(",")
        if unit not in codes:
            continue
        others = ",".join(code for code in codes if code != unit)
        if others:
            connection.execute(update(t.person).where(c.person_id == number).values(reach=others))
        else:
            alone.append(name)
    return tuple(alone)
