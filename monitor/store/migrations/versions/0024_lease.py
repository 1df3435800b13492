"""Leases: which of several processes does a piece of work."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE lease (
    what TEXT NOT NULL,
    holder TEXT NOT NULL,
    until_s INTEGER NOT NULL,
    count INTEGER NOT NULL,
    CONSTRAINT pk_lease PRIMARY KEY (what)
)
 WITHOUT ROWID, STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"lease": "count"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
