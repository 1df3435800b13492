"""Forgetting a person: their account, addresses and messages go; what they did stays, without their name.

::

    one transaction  { accounts, sessions, links, reach; the person, addresses, messages to them
                       their name, wherever a text of the record holds it -> "removed person N"
                       the log chained anew, with a line that has the head before; a line of the ledger }
    addresses.json   without theirs
    the file         overwritten (secure_delete), written anew (VACUUM), its journal emptied
    on a server      tables with texts written anew (VACUUM FULL)

N counts who was forgotten; nothing keeps which N was who. Every column of text is looked through but those
of `PLAIN`, so that a table that is new is not forgotten. A name of one word is taken out of what people
typed only as it is written; one that is a word of the program (`owner`) only where a cell is that name.

The log is chained by digests and takes no change, but while the table `forgetting` holds a row, which it
does inside this transaction alone. Its lines are chained anew from the first that changed; the head before
stands in the line that says so. Whoever noted a head earlier finds it there, and a backup made before has
the chain that leads to it.

Digests of findings and the chain of the days that proofs were taken from cover names as well. Those that
held before hold again afterwards, and the log says how many changed and which head the proofs had; what
did not hold stays as it is, and is found out as before. Packets that were made before hold as they are, with
the name in them, and the head in them is the one that the log names or one before it.
"""

import json
import re
import sqlite3
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine, Text, delete, func, insert, select, update

from monitor.errors import InputError, StoreError
from monitor.lot import ROLES
from monitor.store import chaining, findings, parting, people, users
from monitor.store import schema as t
from monitor.store.engine import BUSY_MS, is_server, writing
from monitor.store.users import Doer

REMOVED = "removed person"
# names of columns that hold words and keys of the program, and never what a person is called
PLAIN = frozenset({
    "code", "key", "kind", "class", "state", "role", "digest", "timezone", "body_type", "life", "lean",
    "weather_side", "roof", "mould_class", "dry_twin", "source", "gateway", "cause", "trend",
    "moisture_basis", "verdict", "missing", "figures", "version", "word", "act", "what", "channel",
    "language", "colours", "password", "place", "target", "address_key", "root", "manifest", "papers",
    "text", "parts", "facts", "part", "reach", "node", "zone", "columns", "item", "items", "carried", "material", "faces", "topic",
    "hash", "claim", "holder",
})  # fmt: skip
TYPED = frozenset({("joint", "place"), ("joint", "code")})  # of those names, what people type
# cells of a leaf of the proofs' chain that hold what people type, by its first (`watch.event_leaf`)
OF_LEAF = {"event": {5}, "case": {4, 7, 8}, "revision": {7}}
WORDS = frozenset(
    {*ROLES, users.VERIFIER, "sillkeep", "import", "command line", "handover", "a person"}
)
MOST_PLACES = 20


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was done, and where the name still is."""

    called: str  # in the place of the name
    account: bool
    person: bool
    texts: int  # cells that held the name
    lines: int  # of the log
    left: tuple[str, ...]  # files of the folder that still hold it
    clean: bool  # whether the record was written anew and its journal emptied


def forget(engine: Engine, home: Path, name: str, *, by: Doer) -> Forgotten:
    """Forget a person, a user or both, by their name.

    Raises
    ------
    InputError
        If the name is empty, or nothing in the record has it.
    StoreError
        If the record cannot be changed; it is then as it was.
    """
    name = " ".join(name.split())
    if not name:
        raise InputError("say whom to forget")
    with writing(engine) as db:
        if not is_server(engine):  # of this connection: what is deleted is overwritten
            db.exec_driver_sql("PRAGMA secure_delete = ON")
        account, person = _end_account(db, name, by), _end_person(db, name)
        whole = users.is_chain_whole(db)
        number = _count(db) + 1
        called = f"{REMOVED} {number}"
        intact, sound = findings.whole(db), chaining.sound(db)
        db.execute(insert(t.forgetting).values(forgetting_id=1))
        texts = _take_out(db, _without(name, called))
        doer = called if users.is_same(by.who, name) else by.who
        if not (account or person or texts):
            raise InputError(f"nothing in the record is called {name}")
        theirs = t.audit.c.who == called
        db.execute(update(t.audit).where(theirs).values(address=""))  # of their machine
        signed = findings.sign_anew(db, intact)
        days, proofs_head = chaining.chain_anew(db, sound)
        lines, head = _chain(db)
        db.execute(delete(t.forgetting))
        said = f"{lines} lines of this log chained anew; its head before {head or 'none'}"
        said += f"; {signed} findings with another digest" if signed else ""
        if days:
            said += f"; {days} days of the proofs chained anew, their head before {proofs_head}"
        about = f"{called}: {said}{'' if whole else users.BROKEN_BEFORE}"
        users.note_in(db, Doer(doer, by.at_s, by.address), users.NAMES_OUT, about)
        line = parting.Leave("person removed", by.at_s, doer, giver=called)
        parting.note(db, None, line, now_s=by.at_s)
    people.tidy(engine, home)
    clean = write_anew(engine)
    left = tuple(str(path.relative_to(home)) for path in files_with(home, name))
    return Forgotten(called, account, person, texts, lines, left, clean)


def rewritten(engine: Engine) -> tuple[int, int]:
    """How often names were taken out of the log, and when last; (0, 0) for never."""
    c = t.audit.c
    with engine.execution_options(reading=True).connect() as db:
        count, last = db.execute(
            select(func.count(), func.max(c.at_s)).where(c.act == users.NAMES_OUT)
        ).one()
    return int(count), int(last or 0)


# --- account and person ---------------------------------------------------------------------------


def _end_account(db: Connection, name: str, by: Doer) -> bool:
    parting.end_links(db, t.link.c.made_by == name, now_s=by.at_s)
    row = db.execute(select(t.account.c.account_id).where(t.account.c.key == _key(name))).first()
    if row is None:
        return False
    mine = select(t.link.c.link_id).where(t.link.c.account_id == row.account_id)
    db.execute(delete(t.session).where(t.session.c.link_id.in_(mine)))
    for table in (t.session, t.link, t.account_reach, t.account):
        db.execute(delete(table).where(table.c.account_id == row.account_id))
    return True


def _end_person(db: Connection, name: str) -> bool:
    """Take away whoever is told under a name, now or once, with all that was sent to them."""
    rows = db.execute(select(t.person.c.person_id, t.person.c.name)).all()
    numbers = [row.person_id for row in rows if _key(row.name) == _key(name)]
    if not numbers:
        return False
    messages = select(t.message.c.message_id).where(t.message.c.person_id.in_(numbers))
    db.execute(delete(t.message_alarm).where(t.message_alarm.c.message_id.in_(messages)))
    for table in (t.message, t.person_address, t.person):
        db.execute(delete(table).where(table.c.person_id.in_(numbers)))
    return True


def _count(db: Connection) -> int:
    c = t.transfer.c
    query = select(func.count()).where(c.what == "person removed")
    return int(db.execute(query).scalar_one())


def _key(name: str) -> str:
    return unicodedata.normalize("NFKC", " ".join(name.split())).casefold()


# --- the name -------------------------------------------------------------------------------------


def _without(name: str, called: str) -> Callable[[str | None], str | None]:
    """A text without the name."""
    forms = {name, json.dumps(name)[1:-1]}
    flags = re.IGNORECASE if " " in name else re.NOFLAG
    words = "|".join(re.escape(form) for form in sorted(forms, key=len, reverse=True))
    inside = re.compile(rf"(?<!\w)(?:{words})(?!\w)", flags)
    of_program = _key(name) in WORDS

    def without(said: str | None) -> str | None:
        if said is None:
            return None
        if _key(said) == _key(name):
            return called
        return said if of_program else inside.sub(called, said)

    return without


def _of_leaf(without: Callable[[str | None], str | None]) -> Callable[[str], str]:
    """A leaf without the name: cell by cell as the record's own, codes and words left."""

    def of_leaf(leaf: str) -> str:
        cells = leaf.split("\t")
        typed = OF_LEAF.get(cells[0], set())
        return "\t".join((without(c) or "") if n in typed else c for n, c in enumerate(cells))

    return of_leaf


def texts() -> Iterator[tuple[str, str]]:
    """Table and column of each text that may hold a name."""
    for table in t.metadata.sorted_tables:
        for column in table.c:
            place = (table.name, column.name)
            if isinstance(column.type, Text) and (column.name not in PLAIN or place in TYPED):
                yield place


def _take_out(db: Connection, without: Callable[[str | None], str | None]) -> int:
    """Take a name out of each text that holds it; how many cells did."""
    changed = 0
    for table, column in texts():
        cell = t.metadata.tables[table].c[column]
        anew = _of_leaf(without) if column == "leaf" else without
        found = db.execute(select(cell).where(cell.is_not(None)).distinct()).scalars().all()
        for old in found:
            new = anew(old)
            if new != old:
                here = update(cell.table).where(cell == old).values({column: new})
                changed += db.execute(here).rowcount
    return changed


def _chain(db: Connection) -> tuple[int, str]:
    """Chain the log anew from the first line that changed; how many, and its head before."""
    a = t.audit
    before, head, lines = "", "", 0
    for row in db.execute(select(a).order_by(a.c.audit_id)).all():
        digest = users.chained(before, (row.at_s, row.who, row.act, row.about, row.address))
        head = row.digest
        if digest != row.digest:
            here = a.c.audit_id == row.audit_id
            db.execute(update(a).where(here).values(digest=digest))
            lines += 1
        before = digest
    return lines, head


# --- the bytes ------------------------------------------------------------------------------------


def write_anew(engine: Engine) -> bool:
    """Write the record anew, and empty the journal of a file; whether nobody was in the way.

    On a server the tables that hold texts are; its own journal and its backups are not reached.
    """
    if is_server(engine):
        return _tables_anew(engine)
    path = str(engine.url.database).removeprefix("file:")
    engine.dispose()  # none of our own connections keeps an old page
    try:
        raw = sqlite3.connect(f"file:{path}?mode=rw", uri=True, timeout=BUSY_MS / 1000)
    except sqlite3.Error:
        return False
    try:
        raw.isolation_level = None
        raw.execute("PRAGMA secure_delete = ON")
        raw.execute("VACUUM")
        busy, _, _ = raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    except sqlite3.Error:
        return False
    finally:
        raw.close()
    return not busy


def _tables_anew(engine: Engine) -> bool:
    from monitor.store import postgres

    try:
        with postgres.alone(engine) as connection:
            for table in sorted({table for table, _ in texts()} | {"message_alarm"}):
                connection.execute(f"VACUUM (FULL) {table}".encode())
    except StoreError:
        return False
    return True


def files_with(home: Path, name: str) -> Iterator[Path]:
    """Files of a folder that hold a name's bytes, backups and logs too."""
    needles = [name.encode(), json.dumps(name)[1:-1].encode(), name.encode("utf-16-le")]
    for path in sorted(home.rglob("*")):
        try:
            if path.is_file() and _has(path, needles):
                yield path
        except OSError:
            continue


def _has(path: Path, needles: list[bytes]) -> bool:
    longest = max(map(len, needles))
    with path.open("rb") as file:
        tail = b""
        while block := file.read(1 << 20):
            seen = tail + block
            if any(needle in seen for needle in needles):
                return True
            tail = seen[-longest:]
    return False
