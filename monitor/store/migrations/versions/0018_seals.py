"""Sealed joints of a unit, looks at them and reseals, and every how many days they are looked at."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE joint (
    joint_id INTEGER NOT NULL,
    unit_id INTEGER NOT NULL,
    code TEXT NOT NULL,
    kind TEXT NOT NULL,
    place TEXT DEFAULT '' NOT NULL,
    side TEXT DEFAULT '' NOT NULL,
    zone TEXT DEFAULT '' NOT NULL,
    on_roof INTEGER DEFAULT '0' NOT NULL,
    height_m REAL,
    retired INTEGER DEFAULT '0' NOT NULL,
    at_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    why TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_joint PRIMARY KEY (joint_id),
    CONSTRAINT fk_joint_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    "CREATE INDEX ix_joint_unit_id ON joint (unit_id)",
    """
CREATE TABLE seal_entry (
    seal_entry_id INTEGER NOT NULL,
    unit_id INTEGER NOT NULL,
    joint TEXT NOT NULL,
    act TEXT NOT NULL,
    at_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    finding TEXT DEFAULT '' NOT NULL,
    sealant TEXT DEFAULT '' NOT NULL,
    product TEXT DEFAULT '' NOT NULL,
    note TEXT DEFAULT '' NOT NULL,
    photos TEXT DEFAULT '[]' NOT NULL,
    confirmed TEXT DEFAULT '[]' NOT NULL,
    CONSTRAINT pk_seal_entry PRIMARY KEY (seal_entry_id),
    CONSTRAINT fk_seal_entry_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    "CREATE INDEX ix_seal_entry_unit_id ON seal_entry (unit_id)",
    """
CREATE TABLE seal_rule (
    seal_rule_id INTEGER NOT NULL,
    unit_id INTEGER NOT NULL,
    grp TEXT NOT NULL,
    joint TEXT DEFAULT '' NOT NULL,
    days INTEGER,
    at_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    CONSTRAINT pk_seal_rule PRIMARY KEY (seal_rule_id),
    CONSTRAINT fk_seal_rule_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    "CREATE INDEX ix_seal_rule_unit_id ON seal_rule (unit_id)",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"joint": "joint_id", "seal_entry": "seal_entry_id", "seal_rule": "seal_rule_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
