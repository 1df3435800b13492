"""Users of the board, their sessions and links, and the audit log."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
CREATE TABLE account (
    account_id INTEGER NOT NULL,
    name TEXT NOT NULL,
    "key" TEXT NOT NULL,
    role TEXT NOT NULL,
    password TEXT,
    whole INTEGER DEFAULT '0' NOT NULL,
    made_s INTEGER NOT NULL,
    CONSTRAINT pk_account PRIMARY KEY (account_id),
    CONSTRAINT uq_account_key UNIQUE ("key")
)
 STRICT
""",
    """
CREATE TABLE account_reach (
    account_reach_id INTEGER NOT NULL,
    account_id INTEGER NOT NULL,
    site_id INTEGER,
    unit_id INTEGER,
    CONSTRAINT pk_account_reach PRIMARY KEY (account_reach_id),
    CONSTRAINT fk_account_reach_account_id FOREIGN KEY(account_id) REFERENCES account (account_id),
    CONSTRAINT fk_account_reach_site_id FOREIGN KEY(site_id) REFERENCES site (site_id),
    CONSTRAINT fk_account_reach_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    "CREATE INDEX ix_account_reach_account_id ON account_reach (account_id)",
    """
CREATE TABLE link (
    link_id INTEGER NOT NULL,
    digest TEXT NOT NULL,
    account_id INTEGER,
    unit_id INTEGER,
    made_s INTEGER NOT NULL,
    made_by TEXT NOT NULL,
    ends_s INTEGER NOT NULL,
    used_s INTEGER,
    revoked_s INTEGER,
    CONSTRAINT pk_link PRIMARY KEY (link_id),
    CONSTRAINT ck_link_of_one CHECK ((account_id IS NULL) <> (unit_id IS NULL)),
    CONSTRAINT uq_link_digest UNIQUE (digest),
    CONSTRAINT fk_link_account_id FOREIGN KEY(account_id) REFERENCES account (account_id),
    CONSTRAINT fk_link_unit_id FOREIGN KEY(unit_id) REFERENCES unit (unit_id)
)
 STRICT
""",
    """
CREATE TABLE session (
    session_id INTEGER NOT NULL,
    digest TEXT NOT NULL,
    account_id INTEGER,
    link_id INTEGER,
    by_link INTEGER DEFAULT '0' NOT NULL,
    made_s INTEGER NOT NULL,
    seen_s INTEGER NOT NULL,
    address TEXT DEFAULT '' NOT NULL,
    CONSTRAINT pk_session PRIMARY KEY (session_id),
    CONSTRAINT uq_session_digest UNIQUE (digest),
    CONSTRAINT fk_session_account_id FOREIGN KEY(account_id) REFERENCES account (account_id),
    CONSTRAINT fk_session_link_id FOREIGN KEY(link_id) REFERENCES link (link_id)
)
 STRICT
""",
    """
CREATE TABLE audit (
    audit_id INTEGER NOT NULL,
    at_s INTEGER NOT NULL,
    who TEXT NOT NULL,
    act TEXT NOT NULL,
    about TEXT DEFAULT '' NOT NULL,
    address TEXT DEFAULT '' NOT NULL,
    digest TEXT NOT NULL,
    CONSTRAINT pk_audit PRIMARY KEY (audit_id)
)
 STRICT
""",
    "CREATE TRIGGER audit_kept_update BEFORE UPDATE ON audit"
    " BEGIN SELECT RAISE(ABORT, 'the audit log only grows'); END",
    "CREATE TRIGGER audit_kept_delete BEFORE DELETE ON audit"
    " BEGIN SELECT RAISE(ABORT, 'the audit log only grows'); END",
)

# tables whose rows have a checksum each, as they were at this revision
KEYED = {table: f"{table}_id" for table in ("account", "account_reach", "link", "session", "audit")}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYED)):
        op.execute(statement)
