"""What is entered of a repair beside readings; days of what proofs were taken from, chained."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE repair_case (
    repair_case_id INTEGER NOT NULL,
    zone_id INTEGER NOT NULL,
    repaired_s INTEGER NOT NULL,
    kind TEXT NOT NULL,
    value TEXT NOT NULL,
    at_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    why TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_repair_case PRIMARY KEY (repair_case_id),
    CONSTRAINT fk_repair_case_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 STRICT
""",
    "CREATE INDEX ix_repair_case_zone_id ON repair_case (zone_id)",
    """
CREATE TABLE proof_leaf (
    proof_leaf_id INTEGER NOT NULL,
    day INTEGER NOT NULL,
    unit_id INTEGER NOT NULL,
    leaf TEXT NOT NULL,
    CONSTRAINT pk_proof_leaf PRIMARY KEY (proof_leaf_id),
    CONSTRAINT fk_proof_leaf_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    "CREATE INDEX ix_proof_leaf_day ON proof_leaf (day)",
    "CREATE INDEX ix_proof_leaf_unit_id ON proof_leaf (unit_id)",
    """
CREATE TABLE proof_day (
    day INTEGER NOT NULL,
    leaves INTEGER NOT NULL,
    root TEXT NOT NULL,
    head TEXT NOT NULL,
    CONSTRAINT pk_proof_day PRIMARY KEY (day)
)
 STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"repair_case": "repair_case_id", "proof_leaf": "proof_leaf_id", "proof_day": "day"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
