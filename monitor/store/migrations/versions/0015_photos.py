"""Photos of a unit: of findings, of seals, of where water came in."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE photo (
    photo_id INTEGER NOT NULL,
    unit_id INTEGER NOT NULL,
    digest TEXT NOT NULL,
    at_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    caption TEXT DEFAULT '' NOT NULL,
    data BLOB NOT NULL,
    CONSTRAINT pk_photo PRIMARY KEY (photo_id),
    CONSTRAINT uq_photo_unit_id_digest UNIQUE (unit_id, digest),
    CONSTRAINT fk_photo_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"photo": "photo_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
