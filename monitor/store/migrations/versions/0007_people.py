"""People, the messages made for them, and which alarm an entry of the outbox is about."""

from alembic import op

from monitor.store.migrations.checksums import triggers

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE outbox ADD COLUMN alarm_id INTEGER",
    """
CREATE TABLE person (
    person_id INTEGER NOT NULL,
    name TEXT NOT NULL,
    role TEXT NOT NULL,
    reach TEXT DEFAULT '' NOT NULL,
    timezone TEXT NOT NULL,
    quiet_from INTEGER NOT NULL,
    quiet_to INTEGER NOT NULL,
    place INTEGER DEFAULT '1' NOT NULL,
    fahrenheit INTEGER DEFAULT '0' NOT NULL,
    twelve_hour INTEGER DEFAULT '0' NOT NULL,
    added_s INTEGER NOT NULL,
    removed_s INTEGER,
    CONSTRAINT pk_person PRIMARY KEY (person_id)
)
 STRICT
""",
    "CREATE UNIQUE INDEX uq_person_name ON person (name) WHERE removed_s IS NULL",
    """
CREATE TABLE person_address (
    address_id INTEGER NOT NULL,
    person_id INTEGER NOT NULL,
    "key" TEXT NOT NULL,
    label TEXT NOT NULL,
    CONSTRAINT pk_person_address PRIMARY KEY (address_id),
    CONSTRAINT fk_person_address_person_id FOREIGN KEY(person_id) REFERENCES person (person_id),
    CONSTRAINT uq_person_address_key UNIQUE ("key")
)
 STRICT
""",
    """
CREATE TABLE message (
    message_id INTEGER NOT NULL,
    "key" TEXT NOT NULL,
    person_id INTEGER NOT NULL,
    address_key TEXT NOT NULL,
    kind TEXT NOT NULL,
    rank INTEGER NOT NULL,
    step INTEGER DEFAULT '0' NOT NULL,
    subject TEXT NOT NULL,
    body TEXT NOT NULL,
    made_s INTEGER NOT NULL,
    due_s INTEGER NOT NULL,
    expires_s INTEGER NOT NULL,
    next_s INTEGER NOT NULL,
    tries INTEGER DEFAULT '0' NOT NULL,
    trouble TEXT DEFAULT '' NOT NULL,
    state TEXT DEFAULT 'waiting' NOT NULL,
    ended_s INTEGER,
    CONSTRAINT pk_message PRIMARY KEY (message_id),
    CONSTRAINT ck_message_state CHECK (state in ('waiting', 'sent', 'expired', 'void')),
    CONSTRAINT uq_message_key UNIQUE ("key"),
    CONSTRAINT fk_message_person_id FOREIGN KEY(person_id) REFERENCES person (person_id)
)
 STRICT
""",
    "CREATE INDEX ix_message_state_next_s ON message (state, next_s)",
    """
CREATE TABLE message_alarm (
    message_id INTEGER NOT NULL,
    alarm_id INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    CONSTRAINT pk_message_alarm PRIMARY KEY (message_id, alarm_id),
    CONSTRAINT fk_message_alarm_message_id FOREIGN KEY(message_id) REFERENCES message (message_id),
    CONSTRAINT fk_message_alarm_alarm_id FOREIGN KEY(alarm_id) REFERENCES alarm (alarm_id)
)
 WITHOUT ROWID, STRICT
""",
    "CREATE INDEX ix_message_alarm_alarm_id ON message_alarm (alarm_id)",
)

# tables whose rows have a checksum each, as they were at this revision
KEYED = {
    "person": "person_id",
    "person_address": "address_id",
    "message": "message_id",
    "message_alarm": "message_id",
}


def upgrade() -> None:
    """One statement at a time, in one transaction with the note that it ran."""
    for statement in (*STATEMENTS, *triggers(KEYED)):
        op.execute(statement)
