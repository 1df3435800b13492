"""Weather from a service or a file: where a site's zone has its figures from, and forecasts."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE zone ADD COLUMN source TEXT DEFAULT '' NOT NULL",
    "ALTER TABLE zone ADD COLUMN origin TEXT DEFAULT '' NOT NULL",
    "ALTER TABLE zone ADD COLUMN distance_km REAL",
    """
CREATE TABLE forecast (
    site_id INTEGER NOT NULL,
    hour INTEGER NOT NULL,
    issued_s INTEGER NOT NULL,
    temperature_c100 INTEGER,
    humidity_p100 INTEGER,
    rain_mm100 INTEGER,
    CONSTRAINT pk_forecast PRIMARY KEY (site_id, hour),
    CONSTRAINT fk_forecast_site_id FOREIGN KEY(site_id) REFERENCES site (site_id)
)
 WITHOUT ROWID,
 STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"forecast": "site_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
