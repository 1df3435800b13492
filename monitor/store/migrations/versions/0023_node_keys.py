"""Credentials of nodes at the broker, and what nodes say of their faults."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE node_key (
    node_key_id INTEGER NOT NULL,
    node_id INTEGER NOT NULL,
    made_s INTEGER NOT NULL,
    made_by TEXT NOT NULL,
    claim TEXT NOT NULL,
    ends_s INTEGER NOT NULL,
    claimed_s INTEGER,
    hash TEXT,
    ended_s INTEGER,
    ended_by TEXT DEFAULT '' NOT NULL,
    why TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_node_key PRIMARY KEY (node_key_id),
    CONSTRAINT fk_node_key_node_id FOREIGN KEY(node_id) REFERENCES node (node_id),
    CONSTRAINT uq_node_key_claim UNIQUE (claim)
)
 STRICT
""",
    "CREATE INDEX ix_node_key_node_id ON node_key (node_id)",
    """
CREATE TABLE node_state (
    node_id INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    faults TEXT NOT NULL,
    CONSTRAINT pk_node_state PRIMARY KEY (node_id),
    CONSTRAINT fk_node_state_node_id FOREIGN KEY(node_id) REFERENCES node (node_id)
)
 WITHOUT ROWID, STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"node_key": "node_key_id", "node_state": "node_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
