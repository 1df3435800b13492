"""The tables of the record.

::

    site ─< unit ─< zone >─ placement >─ probe >─ node >─ site        who watches what
    probe ─< reading, dispute      what was measured, kept for good; latest: the newest one a probe
    probe ─< sealed ─< sealed_run  old readings in compressed blocks, and which samples are in them
    reject                         what could not be read, kept with its reason
    event                          rain, hose tests, inspections ...
    unit ─< checkpoint; zone ─< hour                                   what was judged from it
    zone ─< proof, proof_now       what is proven of each of its repairs, revision by revision
    zone ─< repair_case            what was entered of a repair: photo, goal, hose tests
    proof_leaf, proof_day          what proofs were taken from, by the day it was known, chained
    alarm ─< alarm_step            what was raised, and each change of its life
    hold                           alarms of which zone or node were held back, by whom and why
    cause ─< cause_member          alarms that share one cause, which is an alarm itself
    unit ─< season_list ─< season_step                             what is done before and after storage
    probe ─< bench_point ─< bench_back, bench_undo                 checks over salt; back in place, taken back
    unit ─< photo                                                  bounded in size, without place
    unit, zone ─< finding ─ meter  what somebody found at a zone by eye and hand
    unit ─< joint, seal_entry, seal_rule                           sealed joints, looks and reseals, intervals
    limit_change                   who changed a limit of judgement, for what, and why
    outbox                         what still has to be told to a person or another store
    person ─< person_address       who is told; the addresses themselves lie in a file beside this
    person ─< message ─< message_alarm    what was or will be sent to whom, about which alarms
    pulse                          when each process last made progress
    lease                          which of several processes does a piece of work, and until when
    archive, archive_*             which archive mirrors this, and what it does not have yet
    account ─< account_reach       who may see the board, as what, and how much of the lot
    account, unit ─< link          addresses that sign in once, or show one unit for a time
    account, link ─< session       who is signed in
    audit                          who did what with the board, each entry chained to the one before
    unit ─< transfer               units sold, retired and received; people who were forgotten
    unit ─ received                of a unit with an earlier owner: whose record that is, until when
    node ─< node_key               credentials at the broker: a claim that is exchanged once, a hash
    node ─ node_state              what a node said last of itself: its faults
    forgetting                     holds a row only inside the transaction that forgets a person
    checksum                       what groups of rows of the tables above are known to hold

Whole numbers where a disk lasts longer for it: times are seconds since the epoch, measured values
hundredths (`*_c100` 0.01 °C, `*_p100` 0.01 %, `rain_mm100`, `signal_dbm`, `pressure_pa`, `co2_ppm`
whole). NULL is "not measured", never zero.
"""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import (
    DDL,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    Table,
    UniqueConstraint,
    text,
)
from sqlalchemy.event import listen

from monitor.store.dialects import REAL, Integer, Text

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _made(dialect: str, *statements: str) -> None:
    """Have statements run after all tables were made, in one dialect."""
    for statement in statements:
        ddl = DDL(statement).execute_if(dialect=dialect)  # type: ignore[no-untyped-call]
        listen(metadata, "after_create", ddl)


def _on_server(name: str, when: str, body: str) -> tuple[str, str]:
    """Statements that make a trigger of PostgreSQL, and the function that it calls."""
    return (
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql"
        f" AS $$ BEGIN {body} RETURN NULL; END $$",
        f"CREATE TRIGGER {name} {when} EXECUTE FUNCTION {name}()",
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
    # how it stands, for where to look; "" and NULL: not declared
    Column("lean", Text, nullable=False, server_default=""),
    Column("weather_side", Text, nullable=False, server_default=""),
    Column("slides", Integer),
    Column("roof", Text, nullable=False, server_default=""),
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
    # of a site's own zone: '' probes here, 'feed' a weather service, 'record' a file; from whom
    Column("source", Text, nullable=False, server_default=""),
    Column("origin", Text, nullable=False, server_default=""),
    Column("distance_km", REAL),
    UniqueConstraint("unit_id", "code"),  # a site's own zones: the index below
    **_STRICT,
)

Index(
    "uq_zone_of_site",
    zone.c.site_id,
    zone.c.code,
    unique=True,
    sqlite_where=zone.c.unit_id.is_(None),
)

node = Table(
    "node",
    metadata,
    Column("node_id", Integer, primary_key=True),
    Column("site_id", ForeignKey("site.site_id"), nullable=False),
    Column("code", Text, nullable=False),
    Column("gateway", Text, nullable=False, server_default=""),  # it is heard through; "": not told
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
    # came without a time: its at_s, once known, is worked out from the anchors around it.
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
    Index(
        "ix_reading_untimed",
        "probe_id",
        "boot",
        sqlite_where=text("uptime_s IS NOT NULL"),
    ),
    **_KEYED,
)

sealed = Table(  # readings of one probe and one period, and the digest of all of it
    "sealed",
    metadata,
    Column("sealed_id", Integer, primary_key=True),
    Column("probe_id", ForeignKey("probe.probe_id"), nullable=False),
    Column("from_s", Integer, nullable=False),  # its first at_s and its last
    Column("to_s", Integer, nullable=False),
    Column("readings", Integer, nullable=False),
    Column("digest", LargeBinary, nullable=False),
    Column("columns", LargeBinary, nullable=False),  # monitor.store.columns
    Index(None, "probe_id", "from_s", "to_s"),
    **_STRICT,
)

sealed_run = Table(  # samples that a block may hold: of a boot, from the first to the last
    "sealed_run",
    metadata,
    Column("probe_id", ForeignKey("probe.probe_id"), primary_key=True),
    Column("boot", Integer, primary_key=True),
    Column("last_seq", Integer, primary_key=True),
    # no foreign key: each block taken away would have all runs read through
    Column("sealed_id", Integer, primary_key=True),
    Column("first_seq", Integer, nullable=False),
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
    # earliest time of a reading that has changed since the archive looked; NULL: none
    Column("archive_s", Integer),
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

proof = Table(
    # append-only: how the proof of a repair stands from `at_s` on, as told at `recorded_s`; a higher
    # number replaces what was told from its `at_s` on, and the lower ones stay
    "proof",
    metadata,
    Column("zone_id", ForeignKey("zone.zone_id"), primary_key=True),
    Column("repaired_s", Integer, primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("at_s", Integer, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("size_ml", REAL),  # NULL: no leak would have been seen
    Column("missing", Text, nullable=False, server_default=""),  # conditions, joined by "; "
    Column("figures", Text, nullable=False, server_default="{}"),  # JSON
    Column("reason", Text, nullable=False, server_default=""),  # why what was told before changed
    Column("version", Text, nullable=False),  # of the rules
    Column("recorded_s", Integer, nullable=False),
    **_KEYED,
)

proof_now = Table(  # the same at the newest midnight, with that day's figures; told anew each day
    "proof_now",
    metadata,
    Column("zone_id", ForeignKey("zone.zone_id"), primary_key=True),
    Column("repaired_s", Integer, primary_key=True),
    Column("at_s", Integer, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("size_ml", REAL),
    Column("missing", Text, nullable=False, server_default=""),
    Column("figures", Text, nullable=False, server_default="{}"),
    **_KEYED,
)

repair_case = Table(  # append-only: what a person entered of a repair (monitor.lot.CaseNote)
    "repair_case",
    metadata,
    Column("repair_case_id", Integer, primary_key=True),
    Column("zone_id", ForeignKey("zone.zone_id"), nullable=False),
    Column("repaired_s", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("at_s", Integer, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    Index(None, "zone_id"),
    **_STRICT,
)

proof_leaf = (
    Table(  # append-only: what was known of a unit's proofs, by the UTC day it was recorded
        "proof_leaf",
        metadata,
        Column("proof_leaf_id", Integer, primary_key=True),
        Column("day", Integer, nullable=False),
        Column("unit_id", ForeignKey("unit.unit_id"), nullable=False),
        Column("leaf", Text, nullable=False),
        Index(None, "day"),
        Index(None, "unit_id"),
        **_STRICT,
    )
)

proof_day = Table(  # append-only: a day that is over, chained to the one before
    "proof_day",
    metadata,
    Column("day", Integer, primary_key=True),
    Column("leaves", Integer, nullable=False),
    Column("root", Text, nullable=False),
    Column("head", Text, nullable=False),
    **_STRICT,
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
    Column("parts", Text, nullable=False, server_default=""),  # of the text, one a line
    # JSON of the zone and the facts that the text was made from; "": not kept
    Column("facts", Text, nullable=False, server_default=""),
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

hold = Table(  # append-only, but for the end of each: one source held back, standing alarm or not
    "hold",
    metadata,
    Column("hold_id", Integer, primary_key=True),
    Column("word", Text, nullable=False),  # ISA-18.2: shelved, suppressed by design, out of service
    Column("site_id", ForeignKey("site.site_id"), nullable=False),
    Column("unit_id", ForeignKey("unit.unit_id")),
    Column("zone_id", ForeignKey("zone.zone_id")),
    Column("node_id", ForeignKey("node.node_id")),
    Column("kind", Text, nullable=False),
    Column("key", Text, nullable=False),  # "<site_id>/<unit_id>/<zone_id>/<node_id>/<kind>"
    Column("began_s", Integer, nullable=False),
    Column("until_s", Integer),  # NULL: until its reason ends, or somebody ends it
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("ended_s", Integer),
    Column("ended_who", Text),
    Column("ended_why", Text),
    **_STRICT,
)

Index(  # a source is held back in one way at a time
    "uq_hold_open",
    hold.c.key,
    unique=True,
    sqlite_where=text("ended_s IS NULL"),
)

cause = Table(  # an alarm that other alarms share as their cause (monitor.causes)
    "cause",
    metadata,
    Column("cause_id", ForeignKey("alarm.alarm_id"), primary_key=True),
    Column("place", Text, nullable=False),  # gateway, row or unit; "": the whole site
    Column("began_s", Integer, nullable=False),
    **_KEYED,
)

cause_member = Table(
    "cause_member",
    metadata,
    Column("cause_id", ForeignKey("cause.cause_id"), primary_key=True),
    Column("alarm_id", ForeignKey("alarm.alarm_id"), primary_key=True),
    Column("joined_s", Integer, nullable=False),
    Column("left_s", Integer),  # its condition ended, or it stands alone from then on
    Index(None, "alarm_id"),
    **_KEYED,
)

limit_change = Table(  # append-only: who changed a limit of judgement, and why
    "limit_change",
    metadata,
    Column("limit_change_id", Integer, primary_key=True),
    Column("site_id", ForeignKey("site.site_id")),  # NULL: every site
    Column("body_type", Text, nullable=False, server_default=""),  # "": every kind of unit
    Column("name", Text, nullable=False),
    Column("old", REAL, nullable=False),
    Column("new", REAL, nullable=False),
    Column("from_hour", Integer, nullable=False),  # judged by it from this hour number on
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("undoes", ForeignKey("limit_change.limit_change_id")),
    **_STRICT,
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
    Column("alarm_id", Integer),  # it is about; NULL: none, or see the alarm of this text
    **_STRICT,
)

person = Table(  # who is told (monitor.people); removed: the row stays, its addresses go
    "person",
    metadata,
    Column("person_id", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("reach", Text, nullable=False, server_default=""),  # codes by ","; "": everything
    Column("timezone", Text, nullable=False),
    Column("quiet_from", Integer, nullable=False),  # minutes of the day
    Column("quiet_to", Integer, nullable=False),
    Column("place", Integer, nullable=False, server_default="1"),  # in the order of escalation
    Column("fahrenheit", Integer, nullable=False, server_default="0"),
    Column("twelve_hour", Integer, nullable=False, server_default="0"),
    Column("added_s", Integer, nullable=False),
    Column("removed_s", Integer),
    Column("language", Text, nullable=False, server_default="en"),  # of `monitor.catalogue`
    **_STRICT,
)

Index(
    "uq_person_name",
    person.c.name,
    unique=True,
    sqlite_where=person.c.removed_s.is_(None),
)

person_address = Table(
    "person_address",
    metadata,
    Column("address_id", Integer, primary_key=True),
    Column("person_id", ForeignKey("person.person_id"), nullable=False),
    Column("key", Text, nullable=False, unique=True),  # under which the file has it
    Column("label", Text, nullable=False),  # what may be shown of it
    **_STRICT,
)

message = Table(
    "message",
    metadata,
    Column("message_id", Integer, primary_key=True),
    Column("key", Text, nullable=False, unique=True),  # idempotency key: what a receiver sees
    Column("person_id", ForeignKey("person.person_id"), nullable=False),
    Column("address_key", Text, nullable=False),
    Column("kind", Text, nullable=False),  # alarm, correction, morning, week, season, storm
    Column("rank", Integer, nullable=False),  # the lower, the sooner
    Column("step", Integer, nullable=False, server_default="0"),  # place in the order of escalation
    Column("subject", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("made_s", Integer, nullable=False),
    Column("due_s", Integer, nullable=False),
    Column("expires_s", Integer, nullable=False),
    Column("next_s", Integer, nullable=False),  # when it is tried (again)
    Column("tries", Integer, nullable=False, server_default="0"),  # begun; a crash leaves one more
    Column("trouble", Text, nullable=False, server_default=""),
    Column("state", Text, nullable=False, server_default="waiting"),
    Column("ended_s", Integer),
    CheckConstraint("state in ('waiting', 'sent', 'expired', 'void')", name="state"),
    Index(None, "state", "next_s"),
    **_STRICT,
)

message_alarm = Table(  # in which revision an alarm was told
    "message_alarm",
    metadata,
    Column("message_id", ForeignKey("message.message_id"), primary_key=True),
    Column("alarm_id", ForeignKey("alarm.alarm_id"), primary_key=True),
    Column("revision", Integer, nullable=False),
    Index(None, "alarm_id"),
    **_KEYED,
)

pulse = Table(
    "pulse",
    metadata,
    Column("part", Text, primary_key=True),  # intake, watch, archive, pages, broker
    Column("at_s", Integer, nullable=False),
    Column("detail", Text, nullable=False, server_default="{}"),
    **_KEYED,
)

lease = Table(  # which of several processes does a piece of work (monitor.store.leasing)
    "lease",
    metadata,
    Column("what", Text, primary_key=True),
    Column("holder", Text, nullable=False),
    Column("until_s", Integer, nullable=False),
    Column("count", Integer, nullable=False),  # of those who ever held it; never less
    **_KEYED,
)

archive = Table(  # one row: the archive that mirrors this record (monitor.store.archive)
    "archive",
    metadata,
    Column("target", Text, primary_key=True),  # address and bucket; another one is filled anew
    Column("since_s", Integer, nullable=False),
    Column("level_s", Integer),  # when it last had everything; NULL: not yet
    **_KEYED,
)

archive_reading = Table(  # the archive still has to get the readings of a probe after this one
    "archive_reading",
    metadata,
    Column("probe_id", ForeignKey("probe.probe_id"), primary_key=True),
    Column("at_s", Integer, nullable=False),
    Column("boot", Integer, nullable=False),
    Column("seq", Integer, nullable=False),
    **_KEYED,
)

archive_hour = Table(
    "archive_hour",
    metadata,
    Column("zone_id", ForeignKey("zone.zone_id"), primary_key=True),
    Column("changed_hour", Integer),  # first one that has changed since the archive looked
    Column("next_hour", Integer),  # first one that the archive still has to get
    Column("from_hour", Integer),  # first one that it ever got; NULL: none yet
    Column("to_hour", Integer),  # first one after all that it ever got
    **_KEYED,
)

archive_moved = Table(  # times that a reading no longer has, and the archive does not know it yet
    "archive_moved",
    metadata,
    Column("probe_id", ForeignKey("probe.probe_id"), primary_key=True),
    Column("boot", Integer, primary_key=True),
    Column("seq", Integer, primary_key=True),
    Column("at_s", Integer, primary_key=True),
    **_KEYED,
)

archive_refused = Table(  # what the archive does not take; tried again with the next start
    "archive_refused",
    metadata,
    Column("kind", Text, primary_key=True),  # reading, moved, hour
    Column("key", Integer, primary_key=True),  # probe or zone
    Column("at_s", Integer, primary_key=True),
    Column("boot", Integer, primary_key=True),  # 0 for an hour, as seq
    Column("seq", Integer, primary_key=True),
    Column("reason", Text, nullable=False),
    Column("refused_s", Integer, nullable=False),
    **_KEYED,
)

# a trigger, so that no way of changing a time can forget it
_made(
    "sqlite",
    "CREATE TRIGGER archive_moved_reading AFTER UPDATE OF at_s ON reading"
    " WHEN OLD.at_s IS NOT NEW.at_s AND OLD.at_s IS NOT NULL AND EXISTS (SELECT 1 FROM archive)"
    " BEGIN INSERT OR IGNORE INTO archive_moved (probe_id, boot, seq, at_s)"
    " VALUES (OLD.probe_id, OLD.boot, OLD.seq, OLD.at_s); END",
)
_made(
    "postgresql",
    *_on_server(
        "archive_moved_reading",
        "AFTER UPDATE OF at_s ON reading FOR EACH ROW"
        " WHEN (OLD.at_s IS DISTINCT FROM NEW.at_s AND OLD.at_s IS NOT NULL)",
        "IF EXISTS (SELECT 1 FROM archive) THEN"
        " INSERT INTO archive_moved (probe_id, boot, seq, at_s)"
        " VALUES (OLD.probe_id, OLD.boot, OLD.seq, OLD.at_s) ON CONFLICT DO NOTHING; END IF;",
    ),
)

account = Table(  # a user of the board (monitor.store.users)
    "account",
    metadata,
    Column("account_id", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    Column("key", Text, nullable=False, unique=True),  # the name as compared: Ann is ann
    Column("role", Text, nullable=False),
    Column("password", Text),  # argon2id with its parameters; NULL: signs in by a link
    Column("whole", Integer, nullable=False, server_default="0"),  # 1: the whole record
    Column("made_s", Integer, nullable=False),
    Column("fahrenheit", Integer, nullable=False, server_default="0"),
    Column("twelve_hour", Integer, nullable=False, server_default="0"),
    Column("colours", Text, nullable=False, server_default=""),  # light, dark; '': as the device
    Column("language", Text, nullable=False, server_default="en"),  # of `monitor.catalogue`
    **_STRICT,
)

account_reach = Table(  # what a user sees of it otherwise: a site with all its units, or one unit
    "account_reach",
    metadata,
    Column("account_reach_id", Integer, primary_key=True),
    Column("account_id", ForeignKey("account.account_id"), nullable=False),
    Column("site_id", ForeignKey("site.site_id")),
    Column("unit_id", ForeignKey("unit.unit_id")),
    Index(None, "account_id"),
    **_STRICT,
)

link = Table(  # of an account: signs in once; of a unit: shows it until it ends
    "link",
    metadata,
    Column("link_id", Integer, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),  # SHA-256 of the secret, never the secret
    Column("account_id", ForeignKey("account.account_id")),
    Column("unit_id", ForeignKey("unit.unit_id")),
    Column("made_s", Integer, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("ends_s", Integer, nullable=False),
    Column("used_s", Integer),
    Column("revoked_s", Integer),
    CheckConstraint("(account_id IS NULL) <> (unit_id IS NULL)", name="of_one"),
    **_STRICT,
)

session = Table(
    "session",
    metadata,
    Column("session_id", Integer, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),  # SHA-256 of the secret in the cookie
    Column("account_id", ForeignKey("account.account_id")),
    Column("link_id", ForeignKey("link.link_id")),  # of a unit: only as long as it is good
    Column("by_link", Integer, nullable=False, server_default="0"),  # 1: begun without a password
    Column("made_s", Integer, nullable=False),
    Column("seen_s", Integer, nullable=False),
    Column("address", Text, nullable=False, server_default=""),
    **_STRICT,
)

audit = Table(  # append-only, by the triggers below
    "audit",
    metadata,
    Column("audit_id", Integer, primary_key=True),
    Column("at_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("act", Text, nullable=False),
    Column("about", Text, nullable=False, server_default=""),
    Column("address", Text, nullable=False, server_default=""),
    Column("digest", Text, nullable=False),  # SHA-256 of the digest before and of this row
    **_STRICT,
)

transfer = Table(  # append-only, by the triggers below
    "transfer",
    metadata,
    Column("transfer_id", Integer, primary_key=True),
    Column("unit_id", ForeignKey("unit.unit_id")),  # NULL: of a person
    Column("at_s", Integer, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("what", Text, nullable=False),  # sold, retired, back, received, person removed
    Column("giver", Text, nullable=False, server_default=""),  # role or key, no more
    Column("taker", Text, nullable=False, server_default=""),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    Index(None, "unit_id"),
    **_STRICT,
)

received = Table(  # of a unit: the newest file that an earlier owner's home gave (store.handing)
    "received",
    metadata,
    Column("unit_id", ForeignKey("unit.unit_id"), primary_key=True),
    Column("key", Text, nullable=False),  # public half of who signed it
    Column("code", Text, nullable=False),  # of the unit there
    Column("until_s", Integer, nullable=False),  # what is measured before is the seller's record
    Column("made_s", Integer, nullable=False),
    Column("root", Text, nullable=False),  # of its lines
    Column("manifest", Text, nullable=False),
    Column("papers", Text, nullable=False),  # JSON: parts that no table here takes
    Column("recorded_s", Integer, nullable=False),
    **_KEYED,
)

forgetting = Table(  # a row in it opens the two tables that only grow: for `store.forgetting` alone
    "forgetting",
    metadata,
    Column("forgetting_id", Integer, primary_key=True),
    **_STRICT,
)

_UNLESS = {"UPDATE": " WHEN NOT EXISTS (SELECT 1 FROM forgetting)", "DELETE": ""}
for _table, _said in (("audit", "the audit log only grows"), ("transfer", "the ledger only grows")):
    for _action, _unless in _UNLESS.items():
        _name = f"{_table}_kept_{_action.lower()}"
        _made(
            "sqlite",
            f"CREATE TRIGGER {_name} BEFORE {_action} ON {_table}{_unless}"
            f" BEGIN SELECT RAISE(ABORT, '{_said}'); END",
        )
        _refuse = f"RAISE EXCEPTION '{_said}';"
        if _unless:
            _refuse = f"IF NOT EXISTS (SELECT 1 FROM forgetting) THEN {_refuse} END IF;"  # noqa: S608
        _when = _action if _unless else f"{_action} OR TRUNCATE"
        _made("postgresql", *_on_server(_name, f"BEFORE {_when} ON {_table}", _refuse))

checksum = Table(  # monitor.store.checking
    "checksum",
    metadata,
    Column("kind", Text, primary_key=True),  # the table, or "schema"
    Column("a", Integer, primary_key=True),
    Column("b", Integer, primary_key=True),
    Column("digest", Integer),  # NULL: being taken
    **_KEYED,
)

forecast = Table(  # hours ahead as the last issue has them; an hour that is over is measured
    "forecast",
    metadata,
    Column("site_id", ForeignKey("site.site_id"), primary_key=True),
    Column("hour", Integer, primary_key=True),
    Column("issued_s", Integer, nullable=False),
    Column("temperature_c100", Integer),
    Column("humidity_p100", Integer),
    Column("rain_mm100", Integer),
    **_KEYED,
)

season_list = Table(  # a lay-up or opening list of a unit, as it was begun
    "season_list",
    metadata,
    Column("season_list_id", Integer, primary_key=True),
    Column("unit_id", ForeignKey("unit.unit_id"), nullable=False),
    Column("kind", Text, nullable=False),  # lay-up, opening
    Column("begun_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("items", Text, nullable=False),  # JSON: what it asks for by that day's climate
    Column("carried", Text, nullable=False, server_default="[]"),  # JSON: of them, left over
    Column("ended_s", Integer),
    Index(None, "unit_id"),
    **_STRICT,
)

season_step = Table(  # append-only: what was noted of an item
    "season_step",
    metadata,
    Column("season_step_id", Integer, primary_key=True),
    Column("season_list_id", ForeignKey("season_list.season_list_id"), nullable=False),
    Column("item", Text, nullable=False),
    Column("word", Text, nullable=False),  # done, open again, left out
    Column("at_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    Index(None, "season_list_id"),
    **_STRICT,
)

photo = Table(  # as `monitor.photos` keeps them, once a unit
    "photo",
    metadata,
    Column("photo_id", Integer, primary_key=True),
    Column("unit_id", ForeignKey("unit.unit_id"), nullable=False),
    Column("digest", Text, nullable=False),  # SHA-256 of the data
    Column("at_s", Integer, nullable=False),  # when it was taken, as told
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("caption", Text, nullable=False, server_default=""),
    Column("data", LargeBinary, nullable=False),
    UniqueConstraint("unit_id", "digest"),
    **_STRICT,
)

finding = Table(  # append-only, once an identity; a correction is another entry
    "finding",
    metadata,
    Column("finding_id", Integer, primary_key=True),
    Column("identity", Text, nullable=False),  # a UUID made where it was written
    Column("unit_id", ForeignKey("unit.unit_id"), nullable=False),
    Column("zone_id", ForeignKey("zone.zone_id"), nullable=False),
    Column("round", Text, nullable=False),
    Column("at_s", Integer, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("construction", Text, nullable=False, server_default=""),
    Column("checks", Text, nullable=False, server_default="[]"),  # JSON: [check, answer] ...
    Column("result", Text, nullable=False, server_default=""),
    Column("note", Text, nullable=False, server_default=""),
    Column("photos", Text, nullable=False, server_default="[]"),  # JSON: digests
    Column("withdraws", Text, nullable=False, server_default=""),
    Column("score", REAL),  # of the zone that stood then
    Column("score_hour", Integer),
    Column("digest", Text, nullable=False),
    UniqueConstraint("identity"),
    Index(None, "unit_id"),
    **_STRICT,
)

joint = Table(  # append-only: the newest row of a code is the joint as it is now
    "joint",
    metadata,
    Column("joint_id", Integer, primary_key=True),
    Column("unit_id", ForeignKey("unit.unit_id"), nullable=False),
    Column("code", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("place", Text, nullable=False, server_default=""),
    Column("side", Text, nullable=False, server_default=""),
    Column(
        "zone", Text, nullable=False, server_default=""
    ),  # code of the one that would see it leak
    Column("on_roof", Integer, nullable=False, server_default="0"),
    Column("height_m", REAL),
    Column("retired", Integer, nullable=False, server_default="0"),
    Column("at_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    Index(None, "unit_id"),
    **_STRICT,
)

meter = Table(  # reading of a hand-held meter that belongs to a finding
    "meter",
    metadata,
    Column("finding_id", ForeignKey("finding.finding_id"), primary_key=True),
    Column("device", Text, nullable=False),
    Column("mode", Text, nullable=False),  # pin, pinless
    Column("percent", REAL, nullable=False),
    Column("scale", Text, nullable=False, server_default=""),
    Column("temperature_c", REAL),
    Column("depth_mm", REAL),
    **_STRICT,
)

seal_entry = Table(  # append-only: a look at a joint, or a reseal of it
    "seal_entry",
    metadata,
    Column("seal_entry_id", Integer, primary_key=True),
    Column("unit_id", ForeignKey("unit.unit_id"), nullable=False),
    Column("joint", Text, nullable=False),  # its code
    Column("act", Text, nullable=False),  # looked at, resealed
    Column("at_s", Integer, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("finding", Text, nullable=False, server_default=""),
    Column("sealant", Text, nullable=False, server_default=""),
    Column("product", Text, nullable=False, server_default=""),
    Column("note", Text, nullable=False, server_default=""),
    Column("photos", Text, nullable=False, server_default="[]"),  # JSON: digests
    Column("confirmed", Text, nullable=False, server_default="[]"),  # JSON: answers to warnings
    Index(None, "unit_id"),
    **_STRICT,
)

seal_rule = Table(  # append-only: the newest of a joint, or of a group, holds
    "seal_rule",
    metadata,
    Column("seal_rule_id", Integer, primary_key=True),
    Column("unit_id", ForeignKey("unit.unit_id"), nullable=False),
    Column("grp", Text, nullable=False),  # walk, roof
    Column("joint", Text, nullable=False, server_default=""),  # code; "": the whole group
    Column("days", Integer),  # NULL: as by default; 0: spring and autumn
    Column("at_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False),
    Index(None, "unit_id"),
    **_STRICT,
)

bench_point = Table(  # what a probe read in a box over a salt: only ever added to
    "bench_point",
    metadata,
    Column("bench_point_id", Integer, primary_key=True),
    Column("probe_id", ForeignKey("probe.probe_id"), nullable=False),
    Column("salt", Text, nullable=False),
    Column("batch", Text, nullable=False, server_default=""),
    Column("from_s", Integer, nullable=False),  # in the box since
    Column("at_s", Integer, nullable=False),  # last reading that counted
    Column("measured_percent", REAL, nullable=False),
    Column("temperature_c", REAL, nullable=False),
    Column("reference_percent", REAL, nullable=False),
    Column("uncertainty_percent", REAL, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Index("ix_bench_point_probe_id", "probe_id"),
    **_STRICT,
)

bench_back = Table(  # when a probe came back from the box: the newest entry of a point holds
    "bench_back",
    metadata,
    Column("bench_back_id", Integer, primary_key=True),
    Column("bench_point_id", ForeignKey("bench_point.bench_point_id"), nullable=False),
    Column("back_s", Integer, nullable=False),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Index("ix_bench_back_bench_point_id", "bench_point_id"),
    **_STRICT,
)

bench_undo = Table(  # a point was taken back: another salt, a lid that was open
    "bench_undo",
    metadata,
    Column("bench_point_id", ForeignKey("bench_point.bench_point_id"), primary_key=True),
    Column("recorded_s", Integer, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text, nullable=False),
    **_STRICT,
)

# Rows are checked in groups (a, b). Triggers drop the checksum of a group with every change of its
# rows, so that a checksum that stands is of rows that nobody has written since it was taken.
# `{row}` is where OLD or NEW goes. A new table joins here and brings its triggers in its migration.
node_key = Table(  # a node's credential at the broker (monitor.store.nodekeys); no secret is here
    "node_key",
    metadata,
    Column("node_key_id", Integer, primary_key=True),
    Column("node_id", ForeignKey("node.node_id"), nullable=False),
    Column("made_s", Integer, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("claim", Text, nullable=False, unique=True),  # SHA-256 of the claim
    Column("ends_s", Integer, nullable=False),  # of the claim, unless it was exchanged
    Column("claimed_s", Integer),
    Column("hash", Text),  # as mosquitto checks it; only while the credential holds
    Column("ended_s", Integer),
    Column("ended_by", Text, nullable=False, server_default=""),
    Column("why", Text, nullable=False, server_default=""),
    Index(None, "node_id"),
    **_STRICT,
)

node_state = Table(  # the newest state of a node of the lot, bounded
    "node_state",
    metadata,
    Column("node_id", ForeignKey("node.node_id"), primary_key=True),
    Column("at_s", Integer, nullable=False),
    Column("faults", Text, nullable=False),  # JSON: {probe: why}
    **_KEYED,
)

GROUPS: dict[str, tuple[str, str]] = {
    "site": ("site_id", "0"),
    "unit": ("unit_id", "0"),
    "zone": ("zone_id", "0"),
    "node": ("node_id", "0"),
    "probe": ("probe_id", "0"),
    "placement": ("placement_id", "0"),
    "reading": ("probe_id", "coalesce({row}at_s / 86400, -1)"),
    "sealed": ("sealed_id", "0"),
    "sealed_run": ("probe_id", "{row}boot"),
    "dispute": ("probe_id", "0"),
    "anchor": ("node_id", "{row}boot"),
    "latest": ("probe_id", "0"),
    "receipt": ("node_id", "{row}boot"),
    "reject": ("reject_id", "0"),
    "event": ("event_id", "0"),
    "hour": ("zone_id", "{row}hour / 24"),
    "checkpoint": ("unit_id", "{row}day"),
    "proof": ("zone_id", "{row}repaired_s"),
    "proof_now": ("zone_id", "{row}repaired_s"),
    "repair_case": ("repair_case_id", "0"),
    "proof_leaf": ("proof_leaf_id", "0"),
    "proof_day": ("day", "0"),
    "alarm": ("alarm_id", "0"),
    "alarm_step": ("alarm_id", "0"),
    "hold": ("hold_id", "0"),
    "cause": ("cause_id", "0"),
    "cause_member": ("cause_id", "0"),
    "limit_change": ("limit_change_id", "0"),
    "forecast": ("site_id", "0"),
    "season_list": ("season_list_id", "0"),
    "season_step": ("season_step_id", "0"),
    "photo": ("photo_id", "0"),
    "bench_point": ("bench_point_id", "0"),
    "bench_back": ("bench_back_id", "0"),
    "bench_undo": ("bench_point_id", "0"),
    "finding": ("finding_id", "0"),
    "meter": ("finding_id", "0"),
    "joint": ("joint_id", "0"),
    "seal_entry": ("seal_entry_id", "0"),
    "seal_rule": ("seal_rule_id", "0"),
    "outbox": ("outbox_id", "0"),
    "person": ("person_id", "0"),
    "person_address": ("address_id", "0"),
    "message": ("message_id", "0"),
    "message_alarm": ("message_id", "0"),
    "pulse": ("0", "0"),
    "lease": ("count", "0"),
    "archive": ("0", "0"),
    "archive_reading": ("probe_id", "0"),
    "archive_hour": ("zone_id", "0"),
    "archive_moved": ("probe_id", "0"),
    "archive_refused": ("key", "0"),
    "account": ("account_id", "0"),
    "account_reach": ("account_reach_id", "0"),
    "link": ("link_id", "0"),
    "session": ("session_id", "0"),
    "audit": ("audit_id", "0"),
    "transfer": ("transfer_id", "0"),
    "received": ("unit_id", "0"),
    "forgetting": ("forgetting_id", "0"),
    "node_key": ("node_key_id", "0"),
    "node_state": ("node_id", "0"),
}


_ACTIONS = {"INSERT": ("NEW.",), "UPDATE": ("OLD.", "NEW."), "DELETE": ("OLD.",)}


def _voids(table: str) -> Iterator[tuple[str, str]]:
    """Each action that changes a table, and the statements by which it drops checksums."""
    a, b = GROUPS[table]
    for action, rows in _ACTIONS.items():
        if (table, action) == ("reading", "INSERT"):
            continue
        yield (
            action,
            " ".join(
                f"DELETE FROM checksum WHERE kind = '{table}' AND a = {a if a == '0' else row + a}"  # noqa: S608
                f" AND b = {b.format(row=row)};"
                for row in rows
            ),
        )


def triggers(table: str) -> list[str]:
    """Statements that make the triggers of one table in SQLite.

    None for new readings: their days are voided together (`sealing.void`), for a trigger a row would
    take a third of the time that taking it takes.
    """
    return [
        f"CREATE TRIGGER checksum_{table}_{action.lower()} AFTER {action} ON {table}"
        f" BEGIN {body} END"
        for action, body in _voids(table)
    ]


def server_triggers(table: str) -> list[str]:
    """The same in PostgreSQL, each with its function."""
    return [
        statement
        for action, body in _voids(table)
        for statement in _on_server(
            f"checksum_{table}_{action.lower()}", f"AFTER {action} ON {table} FOR EACH ROW", body
        )
    ]


for _name in GROUPS:
    _made("sqlite", *triggers(_name))
    _made("postgresql", *server_triggers(_name))
