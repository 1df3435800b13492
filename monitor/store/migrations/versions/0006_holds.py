"""What is held back, and an alarm's text in its parts."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE alarm ADD COLUMN parts TEXT DEFAULT '' NOT NULL",
    """
CREATE TABLE hold (
    hold_id INTEGER NOT NULL,
    word TEXT NOT NULL,
    site_id INTEGER NOT NULL,
    unit_id INTEGER,
    zone_id INTEGER,
    node_id INTEGER,
    kind TEXT NOT NULL,
    "key" TEXT NOT NULL,
    began_s INTEGER NOT NULL,
    until_s INTEGER,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    ended_s INTEGER,
    ended_who TEXT,
    ended_why TEXT,
    CONSTRAINT pk_hold PRIMARY KEY (hold_id),
    CONSTRAINT fk_hold_site_id FOREIGN KEY(site_id) REFERENCES site (site_id),
    CONSTRAINT fk_hold_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id),
    CONSTRAINT fk_hold_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id),
    CONSTRAINT fk_hold_node_id FOREIGN KEY(node_id) REFERENCES node (node_id)
)
 STRICT
""",
    'CREATE UNIQUE INDEX uq_hold_open ON hold ("key") WHERE ended_s IS NULL',
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"hold": "hold_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
