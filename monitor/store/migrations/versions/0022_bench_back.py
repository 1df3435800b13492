"""When a probe came back from the box over a salt: what it reads until then is of no zone."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE bench_back (
    bench_back_id INTEGER NOT NULL,
    bench_point_id INTEGER NOT NULL,
    back_s INTEGER NOT NULL,
    recorded_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    CONSTRAINT pk_bench_back PRIMARY KEY (bench_back_id),
    CONSTRAINT fk_bench_back_bench_point_id FOREIGN KEY(bench_point_id) REFERENCES bench_point (bench_point_id)
)
 STRICT
""",
    "CREATE INDEX ix_bench_back_bench_point_id ON bench_back (bench_point_id)",
    # of the points so far nobody said it: as they were judged, the probe was back with the last reading
    "INSERT INTO bench_back (bench_point_id, back_s, recorded_s, who)"
    " SELECT bench_point_id, at_s, recorded_s, '' FROM bench_point ORDER BY bench_point_id",
)

# tables whose rows have a checksum, by their key, as they were at this revision
KEYS = {"bench_back": "bench_back_id"}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYS)):
        op.execute(statement)
