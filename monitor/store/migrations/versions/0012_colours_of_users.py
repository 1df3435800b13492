"""Light or dark colours of each user of the board."""

from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE account ADD COLUMN colours TEXT DEFAULT '' NOT NULL",
    # a row with more columns no longer fits the checksum that was taken of it, which would be called
    # damage: here, and for what earlier revisions added to
    "DELETE FROM checksum WHERE kind IN ('account', 'alarm', 'latest', 'node', 'outbox', 'unit', 'zone')",
)


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in STATEMENTS:
        op.execute(statement)
