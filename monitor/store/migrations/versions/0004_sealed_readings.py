"""Old readings in sealed blocks; checksums of all rows, void as soon as a row changes."""

from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

TABLES = (
    """
CREATE TABLE sealed (
    sealed_id INTEGER NOT NULL,
    probe_id INTEGER NOT NULL,
    from_s INTEGER NOT NULL,
    to_s INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    digest BLOB NOT NULL,
    columns BLOB NOT NULL,
    CONSTRAINT pk_sealed PRIMARY KEY (sealed_id),
    CONSTRAINT fk_sealed_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 STRICT
""",
    """
CREATE INDEX ix_sealed_probe_id_from_s_to_s ON sealed (probe_id, from_s, to_s)
""",
    """
CREATE TABLE sealed_run (
    probe_id INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    sealed_id INTEGER NOT NULL,
    first_seq INTEGER NOT NULL,
    CONSTRAINT pk_sealed_run PRIMARY KEY (probe_id, boot, last_seq, sealed_id),
    CONSTRAINT fk_sealed_run_probe_id FOREIGN KEY(probe_id) REFERENCES probe (probe_id)
)
 WITHOUT ROWID,
 STRICT
""",
    """
CREATE TABLE checksum (
    kind TEXT NOT NULL,
    a INTEGER NOT NULL,
    b INTEGER NOT NULL,
    digest INTEGER,
    CONSTRAINT pk_checksum PRIMARY KEY (kind, a, b)
)
 WITHOUT ROWID,
 STRICT
""",
)

GROUPS = {  # as they were at this revision
    "site": ("site_id", "0"),
    "unit": ("unit_id", "0"),
    "zone": ("zone_id", "0"),
    "node": ("node_id", "0"),
    "probe": ("probe_id", "0"),
    "placement": ("placement_id", "0"),
    "reading": ("probe_id", "coalesce({row}at_s / 86400, -1)"),
    "sealed": ("sealed_id", "0"),
    "sealed_run": ("probe_id", "{row}boot"),
    "dispute": ("probe_id", "0"),
    "anchor": ("node_id", "{row}boot"),
    "latest": ("probe_id", "0"),
    "receipt": ("node_id", "{row}boot"),
    "reject": ("reject_id", "0"),
    "event": ("event_id", "0"),
    "hour": ("zone_id", "{row}hour / 24"),
    "checkpoint": ("unit_id", "{row}day"),
    "proof": ("zone_id", "{row}repaired_s"),
    "proof_now": ("zone_id", "{row}repaired_s"),
    "alarm": ("alarm_id", "0"),
    "alarm_step": ("alarm_id", "0"),
    "outbox": ("outbox_id", "0"),
    "pulse": ("0", "0"),
}


def triggers():
    for table, (a, b) in GROUPS.items():
        for action, rows in (
            ("INSERT", ("NEW.",)),
            ("UPDATE", ("OLD.", "NEW.")),
            ("DELETE", ("OLD.",)),
        ):
            if (table, action) == ("reading", "INSERT"):
                continue
            body = " ".join(
                f"DELETE FROM checksum WHERE kind = '{table}' AND a = {a if a == '0' else row + a}"  # noqa: S608
                f" AND b = {b.format(row=row)};"
                for row in rows
            )
            yield (
                f"CREATE TRIGGER checksum_{table}_{action.lower()} AFTER {action} ON {table}"
                f" BEGIN {body} END"
            )


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*TABLES, *triggers()):
        op.execute(statement)
