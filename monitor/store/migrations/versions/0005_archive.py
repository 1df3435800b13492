"""What the archive does not have yet."""

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE latest ADD COLUMN archive_s INTEGER",
    """
CREATE TABLE archive (
    target TEXT NOT NULL,
    since_s INTEGER NOT NULL,
    level_s INTEGER,
    CONSTRAINT pk_archive PRIMARY KEY (target)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE archive_reading (
    probe_id INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    CONSTRAINT pk_archive_reading PRIMARY KEY (probe_id),
    CONSTRAINT fk_archive_reading_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE archive_hour (
    zone_id INTEGER NOT NULL,
    changed_hour INTEGER,
    next_hour INTEGER,
    from_hour INTEGER,
    to_hour INTEGER,
    CONSTRAINT pk_archive_hour PRIMARY KEY (zone_id),
    CONSTRAINT fk_archive_hour_zone_id FOREIGN KEY(zone_id) REFERENCES zone (zone_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE archive_moved (
    probe_id INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    CONSTRAINT pk_archive_moved PRIMARY KEY (probe_id, boot, seq, at_s),
    CONSTRAINT fk_archive_moved_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE archive_refused (
    kind TEXT NOT NULL,
    "key" INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    reason TEXT NOT NULL,
    refused_s INTEGER NOT NULL,
    CONSTRAINT pk_archive_refused PRIMARY KEY (kind, "key", at_s, boot, seq)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TRIGGER archive_moved_reading AFTER UPDATE OF at_s ON reading
 WHEN OLD.at_s IS NOT NEW.at_s AND OLD.at_s IS NOT NULL AND EXISTS (SELECT 1 FROM archive)
 BEGIN INSERT OR IGNORE INTO archive_moved (probe_id, boot, seq, at_s)
 VALUES (OLD.probe_id, OLD.boot, OLD.seq, OLD.at_s); END
""",
)

KEYS = {  # of the groups of rows that have a checksum, as they were at this revision
    "archive": "",
    "archive_reading": "probe_id",
    "archive_hour": "zone_id",
    "archive_moved": "probe_id",
    "archive_refused": "key",
}


def triggers():
    for table, key in KEYS.items():
        for action, rows in (
            ("INSERT", ("NEW.",)),
            ("UPDATE", ("OLD.", "NEW.")),
            ("DELETE", ("OLD.",)),
        ):
            body = " ".join(
                f"DELETE FROM checksum WHERE kind = '{table}' AND a = {row + key if key else 0}"  # noqa: S608
                " AND b = 0;"
                for row in rows
            )
            yield (
                f"CREATE TRIGGER checksum_{table}_{action.lower()} AFTER {action} ON {table}"
                f" BEGIN {body} END"
            )


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers()):
        op.execute(statement)
