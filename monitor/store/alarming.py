"""Alarms in the record: raised once, changed with a step that says who, when and why."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, Table, func, select, update
from sqlalchemy.exc import NoResultFound

from monitor.errors import InputError, MeanwhileError
from monitor.lot import AlarmKind, Source
from monitor.store import schema as t
from monitor.store.dialects import insert
from monitor.store.rows import Alarm, AlarmStep, ChangedAlarm, NewAlarm, OutboxItem

PLACE = ("site_id", "unit_id", "zone_id", "node_id")  # keys of where an alarm or a hold is of


def add(connection: Connection, alarm: NewAlarm, *, now_s: int) -> int | None:
    """Keep an alarm with its steps and messages; the same key again changes nothing.

    One that was withdrawn stands again if later readings bear it out after all. The number it got,
    None where nothing changed.
    """
    columns = keys_of(connection, alarm)
    source = source_key(columns, alarm.kind)
    row: dict[str, Any] = columns | {
        "key": "/".join(filter(None, (source, str(alarm.raised_s), alarm.place))),
        "kind": alarm.kind,
        "class": alarm.class_,
        "raised_s": alarm.raised_s,
        "cleared_s": alarm.cleared_s,
        "state": alarm.state,
        "cause": alarm.cause,
        "text": alarm.text,
        "instant": int(alarm.instant),
        "parts": "\n".join(alarm.parts),
        "facts": alarm.facts,
    }
    c = t.alarm.c
    made = ("class", "cleared_s", "state", "cause", "text", "parts", "facts")
    again = {name: row[name] for name in made}
    given = insert(t.alarm).values(row)
    query = given.on_conflict_do_update(
        index_elements=["key"],
        set_=again | {"withdrawn_s": None, "revision": c.revision + 1},
        where=c.withdrawn_s.is_not(None),
    ).returning(c.alarm_id, c.revision)
    kept = connection.execute(query).one_or_none()
    if kept is None:
        return None
    alarm_id, revision = kept
    for step in alarm.steps:
        _add_step(connection, alarm_id, step, now_s=now_s)
    held = select(t.hold.c.hold_id).where(t.hold.c.key == source, t.hold.c.ended_s.is_(None))
    if connection.execute(held).first() is not None:
        return int(alarm_id)  # told when it is no longer held back
    for item in alarm.outbox:
        # raised again it is news, under a key of its own
        tell(
            connection,
            item if revision == 1 else replace(item, key=f"{item.key}/{revision}"),
            alarm_id=alarm_id,
            now_s=now_s,
        )
    return int(alarm_id)


def tell(connection: Connection, item: OutboxItem, *, alarm_id: int | None, now_s: int) -> None:
    """Something to be told of an alarm, or of none, once under its key."""
    told = {
        "key": item.key,
        "channel": item.channel,
        "body": item.body,
        "created_s": now_s,
        "alarm_id": alarm_id,
    }
    connection.execute(insert(t.outbox).values(told).on_conflict_do_nothing())


def withhold(connection: Connection, numbers: Select[Any] | list[int], *, now_s: int) -> None:
    """Send nothing of what waits in the outbox about these alarms."""
    c = t.outbox.c
    waiting = (c.alarm_id.in_(numbers), c.channel == "people", c.done_s.is_(None))
    connection.execute(update(t.outbox).where(*waiting).values(done_s=now_s))


def source_key(keys: Mapping[str, Any], kind: AlarmKind) -> str:
    """What one source has of its own, of the record's keys and its kind."""
    return "/".join([*(str(keys[name] or 0) for name in PLACE), kind])


def keys_of(connection: Connection, alarm: NewAlarm | Source) -> dict[str, int | None]:
    """The record's keys of where an alarm comes from; None where it does not apply.

    Raises
    ------
    InputError
        If there is no such site, unit, zone or node.
    """
    try:
        none: dict[str, int | None] = {"unit_id": None, "zone_id": None, "node_id": None}
        return none | _keys(connection, alarm)
    except NoResultFound:
        place = " ".join(filter(None, (alarm.site, alarm.unit, alarm.zone, alarm.node)))
        raise InputError(f"the record knows no {place}") from None


def _keys(connection: Connection, alarm: NewAlarm | Source) -> dict[str, int | None]:
    site = select(t.site.c.site_id).where(t.site.c.code == alarm.site)
    keys: dict[str, int | None] = {"site_id": connection.execute(site).scalar_one()}
    if alarm.unit:
        unit = select(t.unit.c.unit_id).where(t.unit.c.code == alarm.unit)
        keys["unit_id"] = connection.execute(unit).scalar_one()
    if alarm.zone:
        zone = select(t.zone.c.zone_id).where(
            t.zone.c.site_id == keys["site_id"],
            t.zone.c.code == alarm.zone,
            t.zone.c.unit_id == keys["unit_id"] if alarm.unit else t.zone.c.unit_id.is_(None),
        )
        keys["zone_id"] = connection.execute(zone).scalar_one()
    if alarm.node:
        node = select(t.node.c.node_id).where(
            t.node.c.site_id == keys["site_id"], t.node.c.code == alarm.node
        )
        keys["node_id"] = connection.execute(node).scalar_one()
    return keys


def place_codes() -> list[ColumnElement[str]]:
    """Codes of the site, unit, zone and node that something is of; "" where it is of none."""
    below = (t.unit, t.zone, t.node)
    codes = [func.coalesce(table.c.code, "").label(table.name) for table in below]
    return [t.site.c.code.label("site"), *codes]


def placed(query: Select[Any], of: Table) -> Select[Any]:
    """A question about rows of a table with the columns of `PLACE`, which may ask for those codes."""
    query = query.join_from(of, t.site, t.site.c.site_id == of.c.site_id)
    for table, key in ((t.unit, "unit_id"), (t.zone, "zone_id"), (t.node, "node_id")):
        query = query.outerjoin(table, table.c[key] == of.c[key])
    return query


def change(connection: Connection, changed: ChangedAlarm, *, now_s: int) -> None:
    """Change an alarm and note the step; a withdrawal or a change of its end is a new revision."""
    here = t.alarm.c.alarm_id == changed.alarm_id
    before = connection.execute(select(t.alarm).where(here)).mappings().one()
    if changed.before not in {None, before["state"]}:
        raise MeanwhileError(f"alarm {changed.alarm_id} was changed meanwhile; look at it again")
    revised = before["cleared_s"] is not None and before["cleared_s"] != changed.cleared_s
    revised = revised or changed.withdrawn_s is not None
    connection.execute(
        update(t.alarm)
        .where(here)
        .values(
            cleared_s=changed.cleared_s,
            state=changed.state,
            withdrawn_s=changed.withdrawn_s,
            revision=before["revision"] + int(revised),
        )
    )
    _add_step(connection, changed.alarm_id, changed.step, now_s=now_s)
    if changed.withdrawn_s is not None and before["withdrawn_s"] is None:
        # whoever was told has to know; who that is, the messages find out
        key = f"alarm {changed.alarm_id}/withdrawn/{before['revision'] + 1}"
        item = OutboxItem(key, "people", before["text"])
        tell(connection, item, alarm_id=changed.alarm_id, now_s=now_s)


def _add_step(connection: Connection, alarm_id: int, step: AlarmStep, *, now_s: int) -> None:
    last = select(func.coalesce(func.max(t.alarm_step.c.number), 0)).where(
        t.alarm_step.c.alarm_id == alarm_id
    )
    connection.execute(
        t.alarm_step.insert().values(
            alarm_id=alarm_id,
            number=connection.execute(last).scalar_one() + 1,
            at_s=step.at_s,
            recorded_s=now_s,
            state=step.state,
            who=step.who,
            why=step.why,
        )
    )


def alarms(connection: Connection, *, unit: str, open_only: bool) -> list[Alarm]:
    """Alarms with codes for keys, the newest first."""
    c = t.alarm.c
    query = placed(
        select(
            c.alarm_id,
            *place_codes(),
            c.kind,
            c["class"].label("class_"),
            c.raised_s,
            c.cleared_s,
            c.state,
            c.cause,
            c.text,
            c.instant,
            c.withdrawn_s,
            c.revision,
        ).order_by(c.raised_s.desc(), c.alarm_id.desc()),
        t.alarm,
    )
    if unit:
        query = query.where(t.unit.c.code == unit)
    if open_only:
        query = query.where(c.state != "normal")
    rows = [dict(row) for row in connection.execute(query).mappings()]
    return [Alarm(**(row | {"instant": bool(row["instant"])})) for row in rows]
