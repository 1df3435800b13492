"""The record as it was first released."""

from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE outbox (
    outbox_id INTEGER NOT NULL,
    "key" TEXT NOT NULL,
    channel TEXT NOT NULL,
    body TEXT NOT NULL,
    created_s INTEGER NOT NULL,
    done_s INTEGER,
    CONSTRAINT pk_outbox PRIMARY KEY (outbox_id),
    CONSTRAINT uq_outbox_key UNIQUE ("key")
)
 STRICT
""",
    """
CREATE TABLE pulse (
    part TEXT NOT NULL,
    at_s INTEGER NOT NULL,
    detail TEXT DEFAULT '{}' NOT NULL,
    CONSTRAINT pk_pulse PRIMARY KEY (part)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE reject (
    reject_id INTEGER NOT NULL,
    received_s INTEGER NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    reason TEXT NOT NULL,
    digest TEXT NOT NULL,
    CONSTRAINT pk_reject PRIMARY KEY (reject_id),
    CONSTRAINT uq_reject_digest UNIQUE (digest)
)
 STRICT
""",
    """
CREATE TABLE site (
    site_id INTEGER NOT NULL,
    code TEXT NOT NULL,
    name TEXT DEFAULT '' NOT NULL,
    timezone TEXT DEFAULT 'UTC' NOT NULL,
    altitude_m REAL DEFAULT '0' NOT NULL,
    dirty_hour INTEGER,
    CONSTRAINT pk_site PRIMARY KEY (site_id),
    CONSTRAINT uq_site_code UNIQUE (code)
)
 STRICT
""",
    """
CREATE TABLE node (
    node_id INTEGER NOT NULL,
    site_id INTEGER NOT NULL,
    code TEXT NOT NULL,
    CONSTRAINT pk_node PRIMARY KEY (node_id),
    CONSTRAINT uq_node_site_id_code UNIQUE (site_id, code),
    CONSTRAINT fk_node_site_id FOREIGN KEY(site_id) REFERENCES site (site_id)
)
 STRICT
""",
    """
CREATE TABLE unit (
    unit_id INTEGER NOT NULL,
    site_id INTEGER NOT NULL,
    code TEXT NOT NULL,
    name TEXT DEFAULT '' NOT NULL,
    slot TEXT DEFAULT '' NOT NULL,
    body_type TEXT DEFAULT 'travel trailer' NOT NULL,
    life TEXT DEFAULT 'stored' NOT NULL,
    judged_to INTEGER,
    dirty_hour INTEGER,
    dirty_count INTEGER DEFAULT '0' NOT NULL,
    CONSTRAINT pk_unit PRIMARY KEY (unit_id),
    CONSTRAINT fk_unit_site_id FOREIGN KEY(site_id) REFERENCES site (site_id),
    CONSTRAINT uq_unit_code UNIQUE (code)
)
 STRICT
""",
    """
CREATE TABLE anchor (
    node_id INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    uptime_hour INTEGER NOT NULL,
    uptime_s INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    CONSTRAINT pk_anchor PRIMARY KEY (node_id, boot, uptime_hour),
    CONSTRAINT fk_anchor_node_id FOREIGN KEY(node_id) REFERENCES node (node_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE checkpoint (
    unit_id INTEGER NOT NULL,
    day INTEGER NOT NULL,
    version TEXT NOT NULL,
    state BLOB NOT NULL,
    CONSTRAINT pk_checkpoint PRIMARY KEY (unit_id, day),
    CONSTRAINT fk_checkpoint_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE probe (
    probe_id INTEGER NOT NULL,
    node_id INTEGER NOT NULL,
    code TEXT DEFAULT 'p1' NOT NULL,
    CONSTRAINT pk_probe PRIMARY KEY (probe_id),
    CONSTRAINT uq_probe_node_id_code UNIQUE (node_id, code),
    CONSTRAINT fk_probe_node_id FOREIGN KEY(node_id) REFERENCES node (node_id)
)
 STRICT
""",
    """
CREATE TABLE receipt (
    node_id INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    missing TEXT DEFAULT '[]' NOT NULL,
    CONSTRAINT pk_receipt PRIMARY KEY (node_id, boot),
    CONSTRAINT fk_receipt_node_id FOREIGN KEY(node_id) REFERENCES node (node_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE zone (
    zone_id INTEGER NOT NULL,
    site_id INTEGER NOT NULL,
    unit_id INTEGER,
    code TEXT NOT NULL,
    kind TEXT DEFAULT 'wall' NOT NULL,
    material TEXT DEFAULT '' NOT NULL,
    mould_class TEXT DEFAULT 'S' NOT NULL,
    dry_twin TEXT DEFAULT '' NOT NULL,
    faces TEXT DEFAULT '' NOT NULL,
    temperature_factor REAL,
    watched_from_s INTEGER,
    CONSTRAINT pk_zone PRIMARY KEY (zone_id),
    CONSTRAINT uq_zone_unit_id_code UNIQUE (unit_id, code),
    CONSTRAINT fk_zone_site_id FOREIGN KEY(site_id) REFERENCES site (site_id),
    CONSTRAINT fk_zone_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    """
CREATE UNIQUE INDEX uq_zone_of_site ON zone (site_id, code) WHERE unit_id IS NULL
""",
    """
CREATE TABLE alarm (
    alarm_id INTEGER NOT NULL,
    site_id INTEGER NOT NULL,
    unit_id INTEGER,
    zone_id INTEGER,
    node_id INTEGER,
    kind TEXT NOT NULL,
    class TEXT NOT NULL,
    raised_s INTEGER NOT NULL,
    cleared_s INTEGER,
    state TEXT NOT NULL,
    cause TEXT DEFAULT '' NOT NULL,
    text TEXT NOT NULL,
    instant INTEGER DEFAULT '0' NOT NULL,
    withdrawn_s INTEGER,
    revision INTEGER DEFAULT '1' NOT NULL,
    "key" TEXT NOT NULL,
    CONSTRAINT pk_alarm PRIMARY KEY (alarm_id),
    CONSTRAINT fk_alarm_site_id FOREIGN KEY(site_id) REFERENCES site (site_id),
    CONSTRAINT fk_alarm_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id),
    CONSTRAINT fk_alarm_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id),
    CONSTRAINT fk_alarm_node_id FOREIGN KEY(node_id) REFERENCES node (node_id),
    CONSTRAINT uq_alarm_key UNIQUE ("key")
)
 STRICT
""",
    """
CREATE INDEX ix_alarm_state ON alarm (state)
""",
    """
CREATE TABLE dispute (
    probe_id INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    digest TEXT NOT NULL,
    at_s INTEGER,
    received_s INTEGER NOT NULL,
    temperature_c100 INTEGER,
    humidity_p100 INTEGER,
    wood_p100 INTEGER,
    contact INTEGER,
    rain_mm100 INTEGER,
    pressure_pa INTEGER,
    co2_ppm INTEGER,
    battery_p INTEGER,
    signal_dbm INTEGER,
    silence_s INTEGER,
    CONSTRAINT pk_dispute PRIMARY KEY (probe_id, boot, seq, digest),
    CONSTRAINT fk_dispute_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE event (
    event_id INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    site_id INTEGER NOT NULL,
    unit_id INTEGER,
    zone_id INTEGER,
    kind TEXT NOT NULL,
    value TEXT DEFAULT '' NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_event PRIMARY KEY (event_id),
    CONSTRAINT fk_event_site_id FOREIGN KEY(site_id) REFERENCES site (site_id),
    CONSTRAINT fk_event_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id),
    CONSTRAINT fk_event_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 STRICT
""",
    """
CREATE INDEX ix_event_site_id_at_s ON event (site_id, at_s)
""",
    """
CREATE TABLE hour (
    zone_id INTEGER NOT NULL,
    hour INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    coverage_percent REAL NOT NULL,
    temperature_c REAL,
    humidity_percent REAL,
    dew_point_c REAL,
    humidity_ratio_g_kg REAL,
    surface_humidity_percent REAL,
    dew_point_margin_k REAL,
    wood_moisture_percent REAL,
    moisture_basis TEXT DEFAULT '' NOT NULL,
    ambient_moisture_percent REAL,
    mould_index REAL,
    mould_index_low REAL,
    mould_index_high REAL,
    mould_index_sensitive REAL,
    days_to_index_1 REAL,
    days_to_index_3 REAL,
    thirty_day_humidity_percent REAL,
    rot_hours REAL,
    rain_mm REAL,
    leak_score REAL,
    state TEXT NOT NULL,
    trend TEXT DEFAULT '' NOT NULL,
    cause TEXT DEFAULT '' NOT NULL,
    witnessed INTEGER DEFAULT '0' NOT NULL,
    CONSTRAINT pk_hour PRIMARY KEY (zone_id, hour),
    CONSTRAINT ck_hour_state CHECK (state in ('dry', 'damp', 'wet', 'unknown', '')),
    CONSTRAINT fk_hour_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE latest (
    probe_id INTEGER NOT NULL,
    at_s INTEGER,
    received_s INTEGER,
    temperature_c100 INTEGER,
    humidity_p100 INTEGER,
    wood_p100 INTEGER,
    contact INTEGER,
    rain_mm100 INTEGER,
    pressure_pa INTEGER,
    co2_ppm INTEGER,
    battery_p INTEGER,
    signal_dbm INTEGER,
    silence_s INTEGER,
    readings INTEGER DEFAULT '0' NOT NULL,
    dirty_hour INTEGER,
    dirty_count INTEGER DEFAULT '0' NOT NULL,
    CONSTRAINT pk_latest PRIMARY KEY (probe_id),
    CONSTRAINT fk_latest_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE placement (
    placement_id INTEGER NOT NULL,
    probe_id INTEGER NOT NULL,
    zone_id INTEGER,
    from_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT DEFAULT '' NOT NULL,
    why TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_placement PRIMARY KEY (placement_id),
    CONSTRAINT fk_placement_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id),
    CONSTRAINT fk_placement_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 STRICT
""",
    """
CREATE INDEX ix_placement_probe_id_from_s ON placement (probe_id, from_s)
""",
    """
CREATE INDEX ix_placement_zone_id ON placement (zone_id)
""",
    """
CREATE TABLE reading (
    probe_id INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    at_s INTEGER,
    received_s INTEGER NOT NULL,
    uptime_s INTEGER,
    temperature_c100 INTEGER,
    humidity_p100 INTEGER,
    wood_p100 INTEGER,
    contact INTEGER,
    rain_mm100 INTEGER,
    pressure_pa INTEGER,
    co2_ppm INTEGER,
    battery_p INTEGER,
    signal_dbm INTEGER,
    silence_s INTEGER,
    disputed INTEGER,
    CONSTRAINT pk_reading PRIMARY KEY (probe_id, boot, seq),
    CONSTRAINT fk_reading_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE INDEX ix_reading_probe_id_at_s ON reading (probe_id, at_s)
""",
    """
CREATE INDEX ix_reading_untimed ON reading (probe_id, boot) WHERE uptime_s IS NOT NULL
""",
    """
CREATE TABLE alarm_step (
    alarm_id INTEGER NOT NULL,
    number INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    state TEXT NOT NULL,
    who TEXT NOT NULL,
    why TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_alarm_step PRIMARY KEY (alarm_id, number),
    CONSTRAINT fk_alarm_step_alarm_id FOREIGN KEY(alarm_id) REFERENCES alarm (alarm_id)
)
 WITHOUT ROWID,
 STRICT
""",
)


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in STATEMENTS:
        op.execute(statement)
