"""Units that change hands, records that are received with them, and people who are forgotten."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE transfer (
    transfer_id INTEGER NOT NULL,
    unit_id INTEGER,
    at_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    what TEXT NOT NULL,
    giver TEXT DEFAULT '' NOT NULL,
    taker TEXT DEFAULT '' NOT NULL,
    who TEXT NOT NULL,
    why TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_transfer PRIMARY KEY (transfer_id),
    CONSTRAINT fk_transfer_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    "CREATE INDEX ix_transfer_unit_id ON transfer (unit_id)",
    """
CREATE TABLE received (
    unit_id INTEGER NOT NULL,
    "key" TEXT NOT NULL,
    code TEXT NOT NULL,
    until_s INTEGER NOT NULL,
    made_s INTEGER NOT NULL,
    root TEXT NOT NULL,
    manifest TEXT NOT NULL,
    papers TEXT NOT NULL,
    recorded_s INTEGER NOT NULL,
    CONSTRAINT pk_received PRIMARY KEY (unit_id),
    CONSTRAINT fk_received_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 WITHOUT ROWID, STRICT
""",
    """
CREATE TABLE forgetting (
    forgetting_id INTEGER NOT NULL,
    CONSTRAINT pk_forgetting PRIMARY KEY (forgetting_id)
)
 STRICT
""",
    # a name may be taken out of the log, by the one way that notes that it was
    "DROP TRIGGER audit_kept_update",
    "CREATE TRIGGER audit_kept_update BEFORE UPDATE ON audit"
    " WHEN NOT EXISTS (SELECT 1 FROM forgetting)"
    " BEGIN SELECT RAISE(ABORT, 'the audit log only grows'); END",
    "CREATE TRIGGER transfer_kept_update BEFORE UPDATE ON transfer"
    " WHEN NOT EXISTS (SELECT 1 FROM forgetting)"
    " BEGIN SELECT RAISE(ABORT, 'the ledger only grows'); END",
    "CREATE TRIGGER transfer_kept_delete BEFORE DELETE ON transfer"
    " BEGIN SELECT RAISE(ABORT, 'the ledger only grows'); END",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"transfer": "transfer_id", "received": "unit_id", "forgetting": "forgetting_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
