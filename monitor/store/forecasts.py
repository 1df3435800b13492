"""Forecasts in the record: what a service expects of a site's next hours."""

from collections.abc import Iterable

from sqlalchemy import Connection, delete, func, select

from monitor.lot import ForecastHour
from monitor.store import schema as t
from monitor.store.dialects import insert

KEPT_H = 48  # of hours that are over, for who asks what was expected


def keep(connection: Connection, site_id: int, hours: Iterable[ForecastHour], *, now_s: int) -> int:
    """Put a new issue in the place of the one before, from its first hour on; its hours."""
    ahead = {hour.hour: hour for hour in hours}
    rows = [
        {
            "site_id": site_id,
            "hour": hour.hour,
            "issued_s": now_s,
            "temperature_c100": _hundredths(hour.temperature_c),
            "humidity_p100": _hundredths(hour.humidity_percent),
            "rain_mm100": _hundredths(hour.rain_mm),
        }
        for hour in ahead.values()
    ]
    if not rows:
        return 0
    c = t.forecast.c
    old = (c.hour >= min(ahead)) | (c.hour < now_s // 3600 - KEPT_H)
    connection.execute(delete(t.forecast).where(c.site_id == site_id, old))
    connection.execute(insert(t.forecast), rows)
    return len(rows)


def hours(
    connection: Connection, site_id: int, *, from_hour: int
) -> tuple[int, list[ForecastHour]]:
    """When the newest issue came (0: never), and its hours from one on."""
    c = t.forecast.c
    own = c.site_id == site_id
    issued_s = connection.execute(select(func.max(c.issued_s)).where(own)).scalar() or 0
    query = select(c.hour, c.temperature_c100, c.humidity_p100, c.rain_mm100)
    rows = connection.execute(query.where(own, c.hour >= from_hour).order_by(c.hour))
    return issued_s, [ForecastHour(row[0], *map(_whole, row[1:])) for row in rows]


def _hundredths(value: float | None) -> int | None:
    return None if value is None else round(value * 100)


def _whole(value: int | None) -> float | None:
    return None if value is None else value / 100
