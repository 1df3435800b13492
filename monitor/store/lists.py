"""Lay-up and opening lists in the record: begun once, noted on append-only, ended once."""

import json
from collections.abc import Sequence

from sqlalchemy import Connection, select, update

from monitor.errors import InputError
from monitor.lot import ListKind, SeasonList, SeasonStep
from monitor.store import schema as t

WORDS = ("done", "open again", "left out")


def lists(connection: Connection, unit_id: int) -> list[SeasonList]:
    """Lists of a unit, the newest first."""
    c, s = t.season_list.c, t.season_step.c
    steps: dict[int, list[SeasonStep]] = {}
    query = (
        select(s.season_list_id, s.item, s.word, s.at_s, s.who, s.why)
        .join(t.season_list, c.season_list_id == s.season_list_id)
        .where(c.unit_id == unit_id)
        .order_by(s.season_step_id)
    )
    for number, *step in connection.execute(query):
        steps.setdefault(number, []).append(SeasonStep(*step))
    rows = connection.execute(
        select(t.season_list).where(c.unit_id == unit_id).order_by(c.season_list_id.desc())
    )
    return [
        SeasonList(
            number=row.season_list_id,
            kind=row.kind,
            begun_s=row.begun_s,
            who=row.who,
            items=tuple(json.loads(row._mapping["items"])),
            carried=tuple(json.loads(row.carried)),
            steps=tuple(steps.get(row.season_list_id, ())),
            ended_s=row.ended_s,
        )
        for row in rows
    ]


def begin(
    connection: Connection,
    unit_id: int,
    kind: ListKind,
    items: tuple[Sequence[str], Sequence[str]],
    *,
    who: str,
    now_s: int,
) -> int:
    """Begin a list, and end the unit's others: their open items are in it; its number."""
    c = t.season_list.c
    open_ = (c.unit_id == unit_id, c.ended_s.is_(None))
    connection.execute(update(t.season_list).where(*open_).values(ended_s=now_s))
    query = (
        t.season_list.insert()
        .values(
            unit_id=unit_id,
            kind=kind,
            begun_s=now_s,
            who=who,
            items=json.dumps(list(items[0])),
            carried=json.dumps(list(items[1])),
        )
        .returning(c.season_list_id)
    )
    return int(connection.execute(query).scalar_one())


def note(connection: Connection, unit_id: int, number: int, step: SeasonStep) -> None:
    """Note something of an item.

    Raises
    ------
    InputError
        If the unit has no such list that is open, or the list no such item.
    """
    known = _open(connection, unit_id, number)
    if step.item not in known:
        raise InputError("that list has no such item")
    if step.word not in WORDS:
        raise InputError(f"an item is {', '.join(WORDS)}")
    if step.word == "left out" and not step.why:
        raise InputError("say why it is left out")
    row = {
        "item": step.item,
        "word": step.word,
        "at_s": step.at_s,
        "who": step.who,
        "why": step.why,
    }
    connection.execute(t.season_step.insert().values(season_list_id=number, **row))


def end(connection: Connection, unit_id: int, number: int, *, now_s: int) -> None:
    """End a list; what is open in it goes on into the next one.

    Raises
    ------
    InputError
        If the unit has no such list that is open.
    """
    _open(connection, unit_id, number)
    c = t.season_list.c
    connection.execute(
        update(t.season_list).where(c.season_list_id == number).values(ended_s=now_s)
    )


def _open(connection: Connection, unit_id: int, number: int) -> list[str]:
    c = t.season_list.c
    # by its name: a table's columns have a method that is called items
    query = select(c["items"]).where(
        c.season_list_id == number, c.unit_id == unit_id, c.ended_s.is_(None)
    )
    found = connection.execute(query).scalar()
    if found is None:
        raise InputError("that list is not open any more: see the page again")
    items: list[str] = json.loads(found)
    return items
