"""Changed limits in the record: append-only."""

from sqlalchemy import Connection, func, select

from monitor.errors import InputError
from monitor.lot import LimitEntry
from monitor.store import schema as t


def entries(connection: Connection) -> list[LimitEntry]:
    """All changes, in the order they were made."""
    c = t.limit_change.c
    query = (
        select(
            c.limit_change_id,
            func.coalesce(t.site.c.code, ""),
            *(c.body_type, c.name, c.old, c.new, c.from_hour, c.recorded_s, c.who, c.why, c.undoes),
        )
        .outerjoin_from(t.limit_change, t.site, t.site.c.site_id == c.site_id)
        .order_by(c.limit_change_id)
    )
    return [LimitEntry(*row) for row in connection.execute(query)]


def add(connection: Connection, entry: LimitEntry) -> int:
    """Keep a change; the number it got."""
    site_id = None
    if entry.site:
        known = select(t.site.c.site_id).where(t.site.c.code == entry.site)
        site_id = connection.execute(known).scalar()
        if site_id is None:
            raise InputError(f'there is no site "{entry.site}"')
    query = (
        t.limit_change.insert()
        .values(
            site_id=site_id,
            body_type=entry.body_type,
            name=entry.name,
            old=entry.old,
            new=entry.new,
            from_hour=entry.from_hour,
            recorded_s=entry.recorded_s,
            who=entry.who,
            why=entry.why,
            undoes=entry.undoes,
        )
        .returning(t.limit_change.c.limit_change_id)
    )
    return int(connection.execute(query).scalar_one())
