"""The tables of the record.

::

    site ─< unit ─< zone >─ placement >─ probe >─ node >─ site        who watches what
    probe ─< reading, dispute      what was measured, kept for good; latest: the newest one a probe
    reject                         what could not be read, kept with its reason
    event                          rain, hose tests, inspections ...
    unit ─< checkpoint; zone ─< hour                                   what was judged from it
    alarm ─< alarm_step            what was raised, and each change of its life
    outbox                         what still has to be told to a person or another store
    pulse                          when each process last made progress

Whole numbers where a disk lasts longer for it: times are seconds since the epoch, measured values
hundredths (`*_c100` 0.01 °C, `*_p100` 0.01 %, `rain_mm100`, `signal_dbm`, `pressure_pa`, `co2_ppm`
whole). NULL is "not measured", never zero.
"""

from typing import Any

from sqlalchemy import (
    REAL,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    text,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
_STRICT: dict[str, Any] = {"sqlite_strict": True}
_KEYED: dict[str, Any] = {"sqlite_strict": True, "sqlite_with_rowid": False}

site = Table(
    "site",
    metadata,
    Column("site_id", Integer, primary_key=True),
    Column("code", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False, server_default=""),
    Column("timezone", Text, nullable=False, server_default="UTC"),
    Column("altitude_m", REAL, nullable=False, server_default="0"),
    # first hour number of the site's own zones (outside air, rain) to work out again; NULL: none
    Column("dirty_hour", Integer),
    **_STRICT,
)

unit = Table(
    "unit",
    metadata,
    Column("unit_id", Integer, primary_key=True),
    Column("site_id", ForeignKey("site.site_id"), nullable=False),
    Column("code", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False, server_default=""),
    Column("slot", Text, nullable=False, server_default=""),
    Column("body_type", Text, nullable=False, server_default="travel trailer"),
    Column("life", Text, nullable=False, server_default="stored"),
    # judged up to (not including) this hour number; NULL: never
    Column("judged_to", Integer),
    # first hour number to judge again (a placement, event or attribute changed); NULL: none
    Column("dirty_hour", Integer),
    # counts the marks, so that a mark set while judging is not cleared with the one it followed
    Column("dirty_count", Integer, nullable=False, server_default="0"),
    **_STRICT,
)

zone = Table(  # unit_id NULL: a zone of the site itself (outside air, rain gauge)
    "zone",
    metadata,
    Column("zone_id", Integer, primary_key=True),
    Column("site_id", ForeignKey("site.site_id"), nullable=False),
    Column("unit_id", ForeignKey("unit.unit_id")),
    Column("code", Text, nullable=False),
    Column("kind", Text, nullable=False, server_default="wall"),
    Column("material", Text, nullable=False, server_default=""),
    Column("mould_class", Text, nullable=False, server_default="S"),
    Column("dry_twin", Text, nullable=False, server_default=""),
    Column("faces", Text, nullable=False, server_default=""),
    Column("temperature_factor", REAL),
    Column("watched_from_s", Integer),
    UniqueConstraint("unit_id", "code"),  # a site's own zones: the index below
    **_STRICT,
)

Index(
    "uq_zone_of_site",
    zone.c.site_id,
    zone.c.code,
    unique=True,
    sqlite_where=zone.c.unit_id.is_(None),
    postgresql_where=zone.c.unit_id.is_(None),
)

node = Table(
    "node",
    metadata,
    Column("node_id", Integer, primary_key=True),
    Column("site_id", ForeignKey("site.site_id"), nullable=False),
    Column("code", Text, nullable=False),
    UniqueConstraint("site_id", "code"),
    **_STRICT,
)

probe = Table(  # code "p1" is the node's first probe
    "probe",
    metadata,
    Column("probe_id", Integer, primary_key=True),
    Column("node_id", ForeignKey("node.node_id"), nullable=False),
    Column("code", Text, nullable=False, server_default="p1"),
    UniqueConstraint("node_id", "code"),
    **_STRICT,
)

placement = Table(  # append-only: corrections are new entries; the highest id wins
    "placement",
    metadata,
    Column("placement_id", Integer, primary_key=True),
    Column("probe_id", ForeignKey("probe.probe_id"), nullable=False),
    Column("zone_id", ForeignKey("zone.zone_id")),  # NULL: taken away
    Column("from_s", Integer, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False, server_default=""),
    Column("why", Text, nullable=False, server_default=""),
    Index(None, "probe_id", "from_s"),
    Index(None, "zone_id"),
    **_STRICT,
)


def _measured() -> list[Column[object]]:
    """Columns of one sample, the same in reading, dispute and latest."""
    return [
        Column("temperature_c100", Integer),
        Column("humidity_p100", Integer),
        Column("wood_p100", Integer),
        Column("contact", Integer),  # 0 dry, 1 liquid water
        Column("rain_mm100", Integer),
        Column("pressure_pa", Integer),
        Column("co2_ppm", Integer),
        Column("battery_p", Integer),
        Column("signal_dbm", Integer),
        Column("silence_s", Integer),  # NULL: DEFAULT_SILENCE_S
    ]


MEASURED: tuple[str, ...] = tuple(column.name for column in _measured())

reading = Table(
    # identity (probe, boot, seq); a node without them: boot -1, seq = its time.
    # at_s NULL: time pending (the node's clock was not set). uptime_s is kept only for a sample that
    # came without a time: its at_s, once known, is worked out from the nearest anchor.
    "reading",
    metadata,
    Column("probe_id", ForeignKey("probe.probe_id"), primary_key=True),
    Column("boot", Integer, primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("at_s", Integer),
    Column("received_s", Integer, nullable=False),
    Column("uptime_s", Integer),
    *_measured(),
    # two values came for this identity: both kept (the smaller here, the other in dispute,
    # whichever came first), neither used
    Column("disputed", Integer),
    Index(None, "probe_id", "at_s"),
    Index("ix_reading_untimed", "probe_id", "boot", sqlite_where=text("uptime_s IS NOT NULL")),
    **_KEYED,
)

dispute = Table(
    "dispute",
    metadata,
    Column("probe_id", ForeignKey("probe.probe_id"), primary_key=True),
    Column("boot", Integer, primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("digest", Text, primary_key=True),  # of the measured values, in MEASURED order
    Column("at_s", Integer),  # NULL: it came without a time
    Column("received_s", Integer, nullable=False),
    *_measured(),
    **_KEYED,
)

anchor = Table(  # one (uptime, UTC) pair an hour of uptime: times samples whose clock was unset
    "anchor",
    metadata,
    Column("node_id", ForeignKey("node.node_id"), primary_key=True),
    Column("boot", Integer, primary_key=True),
    Column("uptime_hour", Integer, primary_key=True),
    Column("uptime_s", Integer, nullable=False),  # the smallest pair of that hour of uptime
    Column("at_s", Integer, nullable=False),
    **_KEYED,
)

latest = Table(  # newest usable sample a probe by at_s, and its dirty mark
    "latest",
    metadata,
    Column("probe_id", ForeignKey("probe.probe_id"), primary_key=True),
    Column("at_s", Integer),  # NULL: all its readings are disputed or time pending
    Column("received_s", Integer),
    *_measured(),
    # readings of this probe in the record: counting rows takes seconds once there are millions
    Column("readings", Integer, nullable=False, server_default="0"),
    # first hour number with a reading whose units are not marked yet; NULL: none
    Column("dirty_hour", Integer),
    Column("dirty_count", Integer, nullable=False, server_default="0"),
    **_KEYED,
)

receipt = Table(  # what may be told to a node: all of the boot up to seq but the gaps is stored
    "receipt",
    metadata,
    Column("node_id", ForeignKey("node.node_id"), primary_key=True),
    Column("boot", Integer, primary_key=True),
    Column("seq", Integer, nullable=False),
    Column("missing", Text, nullable=False, server_default="[]"),  # JSON [[first, last], ...]
    **_KEYED,
)

reject = Table(
    "reject",
    metadata,
    Column("reject_id", Integer, primary_key=True),
    Column("received_s", Integer, nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("reason", Text, nullable=False),
    Column("digest", Text, nullable=False, unique=True),  # topic, payload, reason: kept once
    **_STRICT,
)

event = Table(
    "event",
    metadata,
    Column("event_id", Integer, primary_key=True),
    Column("at_s", Integer, nullable=False),
    Column("site_id", ForeignKey("site.site_id"), nullable=False),
    Column("unit_id", ForeignKey("unit.unit_id")),
    Column("zone_id", ForeignKey("zone.zone_id")),
    Column("kind", Text, nullable=False),
    Column("value", Text, nullable=False, server_default=""),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False, server_default=""),
    Index(None, "site_id", "at_s"),
    **_STRICT,
)

hour = Table(  # one judged hour of one zone; columns as in the HOURS file
    "hour",
    metadata,
    Column("zone_id", ForeignKey("zone.zone_id"), primary_key=True),
    Column("hour", Integer, primary_key=True),
    Column("readings", Integer, nullable=False),
    Column("coverage_percent", REAL, nullable=False),
    Column("temperature_c", REAL),
    Column("humidity_percent", REAL),
    Column("dew_point_c", REAL),
    Column("humidity_ratio_g_kg", REAL),
    Column("surface_humidity_percent", REAL),
    Column("dew_point_margin_k", REAL),
    Column("wood_moisture_percent", REAL),
    Column("moisture_basis", Text, nullable=False, server_default=""),
    Column("ambient_moisture_percent", REAL),  # u0: what the weather alone explains
    Column("mould_index", REAL),
    Column("mould_index_low", REAL),
    Column("mould_index_high", REAL),
    Column("mould_index_sensitive", REAL),
    Column("days_to_index_1", REAL),
    Column("days_to_index_3", REAL),
    Column("thirty_day_humidity_percent", REAL),
    Column("rot_hours", REAL),
    Column("rain_mm", REAL),
    Column("leak_score", REAL),
    Column("state", Text, nullable=False),
    Column("trend", Text, nullable=False, server_default=""),
    Column("cause", Text, nullable=False, server_default=""),
    Column("witnessed", Integer, nullable=False, server_default="0"),
    CheckConstraint("state in ('dry', 'damp', 'wet', 'unknown', '')", name="state"),
    **_KEYED,
)

checkpoint = Table(  # the fold's state before the first hour of a UTC day
    "checkpoint",
    metadata,
    Column("unit_id", ForeignKey("unit.unit_id"), primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("version", Text, nullable=False),  # of the rules; another version: judge from the start
    Column("state", LargeBinary, nullable=False),
    **_KEYED,
)

alarm = Table(
    "alarm",
    metadata,
    Column("alarm_id", Integer, primary_key=True),
    Column("site_id", ForeignKey("site.site_id"), nullable=False),
    Column("unit_id", ForeignKey("unit.unit_id")),  # NULL: a zone of the site, or a stray node
    Column("zone_id", ForeignKey("zone.zone_id")),
    Column("node_id", ForeignKey("node.node_id")),
    Column("kind", Text, nullable=False),
    Column("class", Text, nullable=False),
    Column("raised_s", Integer, nullable=False),
    Column("cleared_s", Integer),
    Column("state", Text, nullable=False),  # ISA-18.2 word
    Column("cause", Text, nullable=False, server_default=""),
    Column("text", Text, nullable=False),
    Column("instant", Integer, nullable=False, server_default="0"),  # raised before its hour ended
    # late readings changed the history: this alarm would not have been raised
    Column("withdrawn_s", Integer),
    Column("revision", Integer, nullable=False, server_default="1"),
    # "<unit_id>/<zone_id>/<node_id>/<kind>/<raised_s>", 0 for NULL: raised once
    Column("key", Text, nullable=False, unique=True),
    Index(None, "state"),
    **_STRICT,
)

alarm_step = Table(  # append-only: each change of an alarm's life, with who, when and why
    "alarm_step",
    metadata,
    Column("alarm_id", ForeignKey("alarm.alarm_id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("at_s", Integer, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    **_KEYED,
)

outbox = Table(
    "outbox",
    metadata,
    Column("outbox_id", Integer, primary_key=True),
    Column("key", Text, nullable=False, unique=True),  # idempotency key: told once
    Column("channel", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("created_s", Integer, nullable=False),
    Column("done_s", Integer),
    **_STRICT,
)

pulse = Table(
    "pulse",
    metadata,
    Column("part", Text, primary_key=True),  # intake, watch, pages, broker
    Column("at_s", Integer, nullable=False),
    Column("detail", Text, nullable=False, server_default="{}"),
    **_KEYED,
)
