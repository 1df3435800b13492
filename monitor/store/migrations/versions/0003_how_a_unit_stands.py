"""How a unit stands: its lean, the side that rain meets, its slides."""

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE unit ADD COLUMN lean TEXT DEFAULT '' NOT NULL",
    "ALTER TABLE unit ADD COLUMN weather_side TEXT DEFAULT '' NOT NULL",
    "ALTER TABLE unit ADD COLUMN slides INTEGER",
)


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in STATEMENTS:
        op.execute(statement)
