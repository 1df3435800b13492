"""Checks of probes in a box over a salt, and those that were taken back."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE bench_point (
    bench_point_id INTEGER NOT NULL,
    probe_id INTEGER NOT NULL,
    salt TEXT NOT NULL,
    batch TEXT DEFAULT '' NOT NULL,
    from_s INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    measured_percent REAL NOT NULL,
    temperature_c REAL NOT NULL,
    reference_percent REAL NOT NULL,
    uncertainty_percent REAL NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    CONSTRAINT pk_bench_point PRIMARY KEY (bench_point_id),
    CONSTRAINT fk_bench_point_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 STRICT
""",
    "CREATE INDEX ix_bench_point_probe_id ON bench_point (probe_id)",
    """
CREATE TABLE bench_undo (
    bench_point_id INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    CONSTRAINT pk_bench_undo PRIMARY KEY (bench_point_id),
    CONSTRAINT fk_bench_undo_bench_point_id FOREIGN KEY(bench_point_id) REFERENCES bench_point (bench_point_id)
)
 STRICT
""",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"bench_point": "bench_point_id", "bench_undo": "bench_point_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
