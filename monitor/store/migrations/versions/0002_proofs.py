"""Proofs of repairs: their revisions, and how each stands."""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE proof (
    zone_id INTEGER NOT NULL,
    repaired_s INTEGER NOT NULL,
    number INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    verdict TEXT NOT NULL,
    size_ml REAL,
    missing TEXT DEFAULT '' NOT NULL,
    figures TEXT DEFAULT '{}' NOT NULL,
    reason TEXT DEFAULT '' NOT NULL,
    version TEXT NOT NULL,
    recorded_s INTEGER NOT NULL,
    CONSTRAINT pk_proof PRIMARY KEY (zone_id, repaired_s, number),
    CONSTRAINT fk_proof_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE proof_now (
    zone_id INTEGER NOT NULL,
    repaired_s INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    verdict TEXT NOT NULL,
    size_ml REAL,
    missing TEXT DEFAULT '' NOT NULL,
    figures TEXT DEFAULT '{}' NOT NULL,
    CONSTRAINT pk_proof_now PRIMARY KEY (zone_id, repaired_s),
    CONSTRAINT fk_proof_now_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 WITHOUT ROWID,
 STRICT
""",
)


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in STATEMENTS:
        op.execute(statement)
