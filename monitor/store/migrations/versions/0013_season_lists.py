"""Lay-up and opening lists of a unit."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE season_list (
    season_list_id INTEGER NOT NULL,
    unit_id INTEGER NOT NULL,
    kind TEXT NOT NULL,
    begun_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    items TEXT NOT NULL,
    carried TEXT DEFAULT '[]' NOT NULL,
    ended_s INTEGER,
    CONSTRAINT pk_season_list PRIMARY KEY (season_list_id),
    CONSTRAINT fk_season_list_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    "CREATE INDEX ix_season_list_unit_id ON season_list (unit_id)",
    """
CREATE TABLE season_step (
    season_step_id INTEGER NOT NULL,
    season_list_id INTEGER NOT NULL,
    item TEXT NOT NULL,
    word TEXT NOT NULL,
    at_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    why TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_season_step PRIMARY KEY (season_step_id),
    CONSTRAINT fk_season_step_season_list_id FOREIGN KEY(season_list_id)
        REFERENCES season_list (season_list_id)
)
 STRICT
""",
    "CREATE INDEX ix_season_step_season_list_id ON season_step (season_list_id)",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"season_list": "season_list_id", "season_step": "season_step_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
