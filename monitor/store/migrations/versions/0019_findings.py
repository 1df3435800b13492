"""What people find at a zone by eye and hand, and what a hand-held meter read there."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE finding (
    finding_id INTEGER NOT NULL,
    identity TEXT NOT NULL,
    unit_id INTEGER NOT NULL,
    zone_id INTEGER NOT NULL,
    round TEXT NOT NULL,
    at_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    construction TEXT DEFAULT '' NOT NULL,
    checks TEXT DEFAULT '[]' NOT NULL,
    result TEXT DEFAULT '' NOT NULL,
    note TEXT DEFAULT '' NOT NULL,
    photos TEXT DEFAULT '[]' NOT NULL,
    withdraws TEXT DEFAULT '' NOT NULL,
    score REAL,
    score_hour INTEGER,
    digest TEXT NOT NULL,
    CONSTRAINT pk_finding PRIMARY KEY (finding_id),
    CONSTRAINT uq_finding_identity UNIQUE (identity),
    CONSTRAINT fk_finding_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id),
    CONSTRAINT fk_finding_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 STRICT
""",
    "CREATE INDEX ix_finding_unit_id ON finding (unit_id)",
    """
CREATE TABLE meter (
    finding_id INTEGER NOT NULL,
    device TEXT NOT NULL,
    mode TEXT NOT NULL,
    percent REAL NOT NULL,
    scale TEXT DEFAULT '' NOT NULL,
    temperature_c REAL,
    depth_mm REAL,
    CONSTRAINT pk_meter PRIMARY KEY (finding_id),
    CONSTRAINT fk_meter_finding_id FOREIGN KEY(finding_id) REFERENCES finding (finding_id)
)
 STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"finding": "finding_id", "meter": "finding_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
