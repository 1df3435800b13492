"""What the maker of a unit says of walking on its roof."""

from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE unit ADD COLUMN roof TEXT DEFAULT '' NOT NULL",
    # a row with more columns no longer fits the checksum that was taken of it, which would be called damage
    "DELETE FROM checksum WHERE kind = 'unit'",
)


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in STATEMENTS:
        op.execute(statement)
