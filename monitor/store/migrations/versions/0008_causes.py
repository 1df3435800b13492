"""Common causes of alarms, the gateway of a node, and changes of limits."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE node ADD COLUMN gateway TEXT DEFAULT '' NOT NULL",
    """
CREATE TABLE cause (
    cause_id INTEGER NOT NULL,
    place TEXT NOT NULL,
    began_s INTEGER NOT NULL,
    CONSTRAINT pk_cause PRIMARY KEY (cause_id),
    CONSTRAINT fk_cause_cause_id FOREIGN KEY(cause_id) REFERENCES alarm (alarm_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE cause_member (
    cause_id INTEGER NOT NULL,
    alarm_id INTEGER NOT NULL,
    joined_s INTEGER NOT NULL,
    left_s INTEGER,
    CONSTRAINT pk_cause_member PRIMARY KEY (cause_id, alarm_id),
    CONSTRAINT fk_cause_member_cause_id FOREIGN KEY(cause_id) REFERENCES cause (cause_id),
    CONSTRAINT fk_cause_member_alarm_id FOREIGN KEY(alarm_id) REFERENCES alarm (alarm_id)
)
 WITHOUT ROWID,
 STRICT
""",
    "CREATE INDEX ix_cause_member_alarm_id ON cause_member (alarm_id)",
    """
CREATE TABLE limit_change (
    limit_change_id INTEGER NOT NULL,
    site_id INTEGER,
    body_type TEXT DEFAULT '' NOT NULL,
    name TEXT NOT NULL,
    old REAL NOT NULL,
    new REAL NOT NULL,
    from_hour INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    undoes INTEGER,
    CONSTRAINT pk_limit_change PRIMARY KEY (limit_change_id),
    CONSTRAINT fk_limit_change_site_id FOREIGN KEY(site_id) REFERENCES site (site_id),
    CONSTRAINT fk_limit_change_undoes FOREIGN KEY(undoes)
        REFERENCES limit_change (limit_change_id)
)
 STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"cause": "cause_id", "cause_member": "cause_id", "limit_change": "limit_change_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
