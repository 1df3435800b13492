"""The language of each user and of each person who is told; what the text of an alarm was made from."""

from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE account ADD COLUMN language TEXT DEFAULT 'en' NOT NULL",
    "ALTER TABLE person ADD COLUMN language TEXT DEFAULT 'en' NOT NULL",
    "ALTER TABLE alarm ADD COLUMN facts TEXT DEFAULT '' NOT NULL",
    # a row with more columns no longer fits the checksum that was taken of it, which would be called damage
    "DELETE FROM checksum WHERE kind IN ('account', 'alarm', 'person')",
)


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in STATEMENTS:
        op.execute(statement)
