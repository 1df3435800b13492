"""Scale of temperature and clock of each user of the board."""

from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE account ADD COLUMN fahrenheit INTEGER DEFAULT '0' NOT NULL",
    "ALTER TABLE account ADD COLUMN twelve_hour INTEGER DEFAULT '0' NOT NULL",
)


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in STATEMENTS:
        op.execute(statement)
