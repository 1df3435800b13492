"""Holds in the record: which sources of alarms are held back, by whom, why and until when.

Append-only: a hold is entered once, and its end once.
"""

from typing import Any

from sqlalchemy import Connection, Select, and_, func, select, update

from monitor.lot import AlarmKind, Source
from monitor.store import alarming
from monitor.store import schema as t
from monitor.store.dialects import insert
from monitor.store.rows import Hold, NewHold, OutboxItem


def add(connection: Connection, new: NewHold, *, now_s: int) -> None:
    """Hold a source back, if nothing does: what waits to be told of it is not."""
    keys = alarming.keys_of(connection, new.source)
    row: dict[str, Any] = keys | {
        "word": new.word,
        "kind": new.source.kind,
        "key": alarming.source_key(keys, new.source.kind),
        "began_s": new.began_s,
        "until_s": new.until_s,
        "who": new.who,
        "why": new.why,
    }
    connection.execute(insert(t.hold).values(row).on_conflict_do_nothing())
    standing = select(t.alarm.c.alarm_id).where(*_of_source(keys, new.source.kind))
    alarming.withhold(connection, standing, now_s=now_s)


def end(
    connection: Connection, hold: Hold, *, who: str, why: str, now_s: int, tell: bool = True
) -> None:
    """End a hold; an alarm that stands and that nobody acknowledged is told now."""
    c, here = t.hold.c, (t.hold.c.hold_id == hold.hold_id, t.hold.c.ended_s.is_(None))
    ended = {"ended_s": now_s, "ended_who": who, "ended_why": why}
    connection.execute(update(t.hold).where(*here).values(ended))
    if not tell:
        return
    row = connection.execute(select(t.hold).where(c.hold_id == hold.hold_id)).mappings().one()
    a = t.alarm.c
    again = select(a.alarm_id, a.text).where(
        *_of_source(row, hold.source.kind),
        a.state.in_(("unacknowledged", "latched unacknowledged")),
    )
    for alarm_id, said in connection.execute(again).all():
        item = OutboxItem(f"alarm {alarm_id}/after hold {hold.hold_id}", "people", said)
        alarming.tell(connection, item, alarm_id=alarm_id, now_s=now_s)


def _of_source(keys: Any, kind: AlarmKind) -> list[Any]:  # noqa: ANN401  a row or a dict
    c = t.alarm.c
    same = [c[name].is_not_distinct_from(keys[name]) for name in alarming.PLACE]
    return [*same, c.kind == kind, c.withdrawn_s.is_(None), c.state != "normal"]


def holds(connection: Connection, *, every: bool = False) -> list[Hold]:
    """Holds in force, or all that ever were; the newest first."""
    c = t.hold.c
    site, *below = alarming.place_codes()
    query = alarming.placed(
        select(
            *(c.hold_id, site, c.kind, *below),
            *(c.word, c.began_s, c.until_s, c.who, c.why, c.ended_s),
            func.coalesce(c.ended_who, ""),
            func.coalesce(c.ended_why, ""),
        ),
        t.hold,
    ).order_by(c.began_s.desc(), c.hold_id.desc())
    rows = connection.execute(query if every else query.where(c.ended_s.is_(None)))
    return [Hold(row[0], Source(*row[1:6]), *row[6:]) for row in rows]


def held_alarms() -> Select[Any]:
    """Numbers of alarms whose source is held back."""
    a, h = t.alarm.c, t.hold.c
    same = [a[name].is_not_distinct_from(h[name]) for name in alarming.PLACE]
    on = and_(a.kind == h.kind, *same)
    return select(a.alarm_id).join_from(t.hold, t.alarm, on).where(h.ended_s.is_(None))
