"""Common causes in the record: which alarms share one, from when to when, and what is told of it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from sqlalchemy import Connection, func, select, update

from monitor.lot import AlarmKind, AlarmState
from monitor.store import alarming
from monitor.store import schema as t
from monitor.store.rows import ChangedAlarm, NewAlarm, OutboxItem

Numbers = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CauseRow:
    """An alarm that others share as their cause, with all that were ever put under it."""

    cause_id: int
    kind: AlarmKind
    site: str
    place: str
    began_s: int
    state: AlarmState
    members: Numbers  # ever
    now: Numbers  # those that are under it now
    first: int  # how many it began with


@dataclass(frozen=True, slots=True)
class NewCause:
    """A cause to be kept, with its first members."""

    alarm: NewAlarm
    began_s: int
    members: Numbers


@dataclass(frozen=True, slots=True)
class CauseWork:
    """What one look at the standing alarms changes; of those in `held` nothing is sent."""

    new: tuple[NewCause, ...] = ()
    members: tuple[tuple[int, Numbers], ...] = ()  # (cause, its members from now on)
    ended: tuple[ChangedAlarm, ...] = ()
    held: frozenset[int] = frozenset()
    told: tuple[tuple[int, OutboxItem], ...] = ()  # (of which alarm, what)


def standing(connection: Connection) -> list[CauseRow]:
    """Causes whose condition stands, by number."""
    c = t.alarm.c
    query = (
        select(c.alarm_id, c.kind, t.site.c.code, t.cause.c.place, t.cause.c.began_s, c.state)
        .join_from(t.cause, t.alarm, c.alarm_id == t.cause.c.cause_id)
        .join(t.site, t.site.c.site_id == c.site_id)
        .where(c.cleared_s.is_(None), c.withdrawn_s.is_(None))
        .order_by(c.alarm_id)
    )
    m = t.cause_member.c
    found = []
    for row in connection.execute(query).all():
        entries = connection.execute(
            select(m.alarm_id, m.joined_s, m.left_s)
            .where(m.cause_id == row[0])
            .order_by(m.alarm_id)
        ).all()
        ever = tuple(number for number, _, _ in entries)
        now = tuple(number for number, _, left_s in entries if left_s is None)
        began_s = min(joined_s for _, joined_s, _ in entries)
        first = sum(joined_s == began_s for _, joined_s, _ in entries)
        found.append(CauseRow(*row, ever, now, first))
    return found


def released(connection: Connection) -> dict[int, int]:
    """When each alarm that is under no cause now last left one."""
    m = t.cause_member.c
    query = select(m.alarm_id, func.max(m.left_s)).group_by(m.alarm_id)
    free = query.having(func.count() == func.count(m.left_s))
    return {row[0]: row[1] for row in connection.execute(free)}


def keep(connection: Connection, work: CauseWork, *, now_s: int) -> None:
    """Keep what a look found; done twice it changes nothing more."""
    for new in work.new:
        cause_id = alarming.add(connection, new.alarm, now_s=now_s)
        if cause_id is not None:
            connection.execute(
                t.cause.insert().values(
                    cause_id=cause_id, place=new.alarm.place, began_s=new.began_s
                )
            )
            _keep_members(connection, cause_id, new.members, now_s=now_s)
    for cause_id, members in work.members:
        _keep_members(connection, cause_id, members, now_s=now_s)
    for ended in work.ended:
        alarming.change(connection, ended, now_s=now_s)
    # a common cause is told in their place
    alarming.withhold(connection, sorted(work.held), now_s=now_s)
    for alarm_id, item in work.told:
        alarming.tell(connection, item, alarm_id=alarm_id, now_s=now_s)


def _keep_members(
    connection: Connection, cause_id: int, members: Iterable[int], *, now_s: int
) -> None:
    m, here = t.cause_member.c, frozenset(members)
    entries = connection.execute(select(m.alarm_id, m.left_s).where(m.cause_id == cause_id))
    known = {row[0]: row[1] for row in entries}
    for number in sorted(here - known.keys()):
        row = {"cause_id": cause_id, "alarm_id": number, "joined_s": now_s}
        connection.execute(t.cause_member.insert().values(row))
    for number, left_s in known.items():
        if (left_s is None) != (number in here):
            ends_s = None if number in here else now_s
            one = (m.cause_id == cause_id, m.alarm_id == number)
            connection.execute(update(t.cause_member).where(*one).values(left_s=ends_s))


# --- nodes ----------------------------------------------------------------------------------------


def gateways(connection: Connection) -> dict[tuple[str, str], str]:
    """Gateway of each (site, node) that declares one."""
    query = select(t.site.c.code, t.node.c.code, t.node.c.gateway).join_from(t.node, t.site)
    rows = connection.execute(query.where(t.node.c.gateway != ""))
    return {(site, node): gateway for site, node, gateway in rows}


def declare_gateways(connection: Connection, named: Mapping[tuple[str, str], str]) -> None:
    """Enter through which gateway nodes are heard; ("site", "node") that are unknown are left out."""
    for (site, node), gateway in sorted(named.items()):
        of_site = select(t.site.c.site_id).where(t.site.c.code == site).scalar_subquery()
        connection.execute(
            update(t.node)
            .where(t.node.c.site_id == of_site, t.node.c.code == node)
            .values(gateway=gateway)
        )


def longest_gap_s(
    connection: Connection, site: str, node: str, probe: str | None, *, from_s: int, to_s: int
) -> int:
    """Longest time between two samples in [from_s, to_s] of a probe, None: of its node; all of it for none."""
    probes = (
        select(t.probe.c.probe_id)
        .join_from(t.probe, t.node)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .where(t.site.c.code == site, t.node.c.code == node)
    )
    if probe is not None:
        probes = probes.where(t.probe.c.code == probe)
    c = t.reading.c
    inside = (c.at_s >= from_s, c.at_s <= to_s, c.probe_id.in_(probes))
    times = sorted(connection.execute(select(c.at_s).where(*inside).distinct()).scalars())
    edges = [from_s, *times, to_s]
    return int(max(after - before for before, after in pairwise(edges)))


# --- what the load report counts ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AlarmSpan:
    """An alarm from when to when it stood, and the spans in which it was under a cause."""

    alarm_id: int
    site: str
    unit: str
    zone: str
    node: str
    kind: AlarmKind
    class_: str
    state: AlarmState
    raised_s: int
    found_s: int  # entered in the record: later than it was raised where readings came late
    cleared_s: int | None
    withdrawn_s: int | None
    under: tuple[tuple[int, int | None], ...] = ()


def spans(connection: Connection, *, from_s: int, site: str = "") -> list[AlarmSpan]:
    """Alarms that stood at any time from `from_s` on, by number."""
    c = t.alarm.c
    of_alarm = t.alarm_step.c.alarm_id == c.alarm_id
    found = select(func.min(t.alarm_step.c.recorded_s)).where(of_alarm).scalar_subquery()
    query = alarming.placed(
        select(
            c.alarm_id,
            *alarming.place_codes(),
            *(
                c.kind,
                c["class"],
                c.state,
                c.raised_s,
                func.coalesce(found, c.raised_s),
                c.cleared_s,
                c.withdrawn_s,
            ),
        )
        .where(func.coalesce(c.withdrawn_s, c.cleared_s, from_s) >= from_s)
        .order_by(c.alarm_id),
        t.alarm,
    )
    if site:
        query = query.where(t.site.c.code == site)
    m = t.cause_member.c
    under: dict[int, list[tuple[int, int | None]]] = {}
    for number, joined_s, left_s in connection.execute(select(m.alarm_id, m.joined_s, m.left_s)):
        under.setdefault(number, []).append((joined_s, left_s))
    found_spans = []
    for row in connection.execute(query):
        values: list[Any] = list(row)
        times = tuple(sorted(under.get(values[0], ()), key=lambda span: span[0]))
        found_spans.append(replace(AlarmSpan(*values), under=times))
    return found_spans


def told(connection: Connection, *, from_s: int) -> list[tuple[str, int, str, int]]:
    """(person, alarm, site, when) of each alarm that a person was told by a message of its own.

    Once each, however many addresses they have; lists tell many alarms and are no message of one.
    """
    m, a = t.message.c, t.message_alarm.c
    query = (
        select(t.person.c.name, a.alarm_id, t.site.c.code, func.min(m.due_s))
        .join_from(t.message, t.message_alarm)
        .join(t.person, t.person.c.person_id == m.person_id)
        .join(t.alarm, t.alarm.c.alarm_id == a.alarm_id)
        .join(t.site, t.site.c.site_id == t.alarm.c.site_id)
        .where(m.kind == "alarm", m.state == "sent", m.due_s >= from_s)
        .group_by(m.person_id, t.person.c.name, a.alarm_id, t.site.c.code)
        .order_by(t.person.c.name, a.alarm_id)
    )
    return [(name, number, site, at_s) for name, number, site, at_s in connection.execute(query)]
