"""People and messages in the record. Addresses lie beside it, in a file that only its owner reads.

An address holds a password or a token. The record is copied into backups, read by the pages and
handed on when somebody helps; so it keeps what may be shown of an address, and the address itself
stays in `addresses.json` (mode 0600) of the record's folder.
"""

import json
import os
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import ColumnElement, Connection, Engine, delete, false, func, select, update

from monitor.catalogue import ENGLISH
from monitor.errors import InputError
from monitor.lot import AlarmClass, AlarmKind, AlarmState
from monitor.store import alarming, glance, holding
from monitor.store import schema as t
from monitor.store.dialects import insert
from monitor.store.engine import reading, writing
from monitor.store.users import Doer, note_in

FILE_NAME = glance.ADDRESSES
addresses = glance.addresses
NOT_WATCHED, INSTALLATION = "not watched/", "installation/"  # how keys of such entries begin


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is told. `quiet` in minutes of the day, from and to; `reach` empty: everything."""

    name: str
    role: str
    timezone: str
    reach: frozenset[str] = frozenset()  # codes of sites and units
    quiet: tuple[int, int] = (20 * 60, 7 * 60)
    place: int = 1  # in the order of escalation
    fahrenheit: bool = False
    twelve_hour: bool = False
    language: str = ENGLISH
    added_s: int = 0
    person_id: int = 0
    addresses: tuple[str, ...] = ()  # keys of the file
    labels: tuple[str, ...] = ()  # what may be shown of them


@dataclass(frozen=True, slots=True)
class AlarmNow:
    """An alarm as it stands, with what a message says of its place; number 0: of no zone."""

    alarm_id: int
    site: str
    unit: str
    unit_name: str
    slot: str
    zone: str
    node: str
    kind: AlarmKind | Literal["record", "not watched", "installation"]
    class_: AlarmClass
    state: AlarmState
    raised_s: int
    cleared_s: int | None
    withdrawn_s: int | None
    revision: int
    text: str
    facts: str = ""  # what the text was made from; "": not kept
    sold: bool = False  # of a unit that was sold: told to its new owner alone


@dataclass(frozen=True, slots=True)
class Message:
    """What is sent to one address; `alarms` are (number, revision) of those it tells."""

    key: str
    person_id: int
    address_key: str
    kind: str
    rank: int
    subject: str
    body: str
    due_s: int
    expires_s: int
    step: int = 0
    tries: int = 0
    alarms: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Told:
    """A message about an alarm, as far as it has come."""

    message_id: int
    alarm_id: int
    revision: int
    person_id: int
    address_key: str
    kind: str
    step: int
    state: str
    tries: int
    due_s: int


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of the outbox that nobody was chosen for yet."""

    outbox_id: int
    key: str
    created_s: int
    alarm: AlarmNow
    words: str = ""  # where it says something else than the alarm did at first


@dataclass(frozen=True, slots=True)
class Post:
    """How messages stand, for the Chain page."""

    people: int
    without_address: tuple[str, ...]
    waiting: int
    trouble: str  # of the longest waiting one that failed
    expired: int  # in the last week


# --- the addresses themselves ---------------------------------------------------------------------


def _keep_addresses(home: Path, kept: Mapping[str, str]) -> None:
    """Replace the file as a whole: after a crash it is the old one or the new one."""
    fresh = home / f"{FILE_NAME}.new"
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        json.dump(dict(kept), file, indent=1)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(home / FILE_NAME)
    folder = os.open(home, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


# --- people ---------------------------------------------------------------------------------------


def add(
    engine: Engine, home: Path, person: Person, urls: Sequence[tuple[str, str]], *, by: Doer
) -> int:
    """Enter a person with (address, what may be shown of it); their number."""
    keys = [secrets.token_hex(8) for _ in urls]
    if _number(engine, person.name) is not None:
        raise InputError(f"{person.name} is known already; use: sillkeep person change")
    pairs = dict(zip(keys, (url for url, _ in urls), strict=True))
    _keep_addresses(home, addresses(home) | pairs)  # first: one that nobody has does no harm
    with writing(engine) as db:
        row = _columns(person) | {"name": person.name, "added_s": person.added_s}
        made = t.person.insert().values(row).returning(t.person.c.person_id)
        number = int(db.execute(made).scalar_one())
        _add_addresses(db, number, keys, [label for _, label in urls])
        note_in(db, by, "told person added", f"{person.name}: {_told_of(_shown(person, urls))}")
    return number


def change(
    engine: Engine,
    home: Path,
    person: Person,
    urls: Sequence[tuple[str, str]] | None,
    *,
    by: Doer,
) -> None:
    """Change a person; with addresses, they replace the ones before."""
    number = _known(engine, person.name)
    (before,) = [one for one in listed(engine) if one.person_id == number]
    keys = [secrets.token_hex(8) for _ in urls or ()]
    if urls:
        pairs = dict(zip(keys, (url for url, _ in urls), strict=True))
        _keep_addresses(home, addresses(home) | pairs)
    with writing(engine) as db:
        here = t.person.c.person_id == number
        db.execute(update(t.person).where(here).values(_columns(person)))
        if urls is not None:
            _drop_addresses(db, number)
            _add_addresses(db, number, keys, [label for _, label in urls])
        old, new = _shown(before, None), _shown(person, urls)
        changed = {name: f"{old[name]} -> {new[name]}" for name in new if new[name] != old[name]}
        if urls is not None:  # another password for the same place looks alike
            changed["addresses"] = f"{old['addresses']} -> {new['addresses']}"
        if changed:
            note_in(db, by, "told person changed", f"{person.name}: {_told_of(changed)}")
    tidy(engine, home)


def remove(engine: Engine, home: Path, name: str, *, by: Doer) -> None:
    """Delete a person's addresses and wishes, and what still waits for them; that it was stays."""
    number = _known(engine, name)
    with writing(engine) as db:
        _drop_addresses(db, number)
        here = t.person.c.person_id == number
        db.execute(update(t.person).where(here).values(removed_s=by.at_s, reach="", place=0))
        waiting = (t.message.c.person_id == number, t.message.c.state == "waiting")
        db.execute(update(t.message).where(*waiting).values(state="void", ended_s=by.at_s))
        note_in(db, by, "told person removed", name)
    tidy(engine, home)


def _shown(person: Person, urls: Sequence[tuple[str, str]] | None) -> dict[str, str]:
    """What the log may say of a person: of an address what may be shown of it."""
    labels = person.labels if urls is None else [label for _, label in urls]
    start, end = person.quiet
    return {
        "role": person.role,
        "for": ", ".join(sorted(person.reach)) or "everything",
        "addresses": ", ".join(labels) or "none",
        "time zone": person.timezone,
        "quiet": f"{start // 60:02}:{start % 60:02} to {end // 60:02}:{end % 60:02}",
        "place": str(person.place),
        "unit of temperature": "degF" if person.fahrenheit else "degC",
        "clock": "12 h" if person.twelve_hour else "24 h",
        "language": person.language,
    }


def _told_of(shown: Mapping[str, str]) -> str:
    return "; ".join(f"{name} {value}" for name, value in shown.items())


def _columns(person: Person) -> dict[str, Any]:
    return {
        "role": person.role,
        "reach": ",".join(sorted(person.reach)),
        "timezone": person.timezone,
        "quiet_from": person.quiet[0],
        "quiet_to": person.quiet[1],
        "place": person.place,
        "fahrenheit": int(person.fahrenheit),
        "twelve_hour": int(person.twelve_hour),
        "language": person.language,
    }


def _number(engine: Engine, name: str) -> int | None:
    query = select(t.person.c.person_id)
    with reading(engine) as db:
        found = db.execute(query.where(t.person.c.name == name, t.person.c.removed_s.is_(None)))
        return found.scalar_one_or_none()


def _known(engine: Engine, name: str) -> int:
    number = _number(engine, name)
    if number is None:
        raise InputError(f"nobody here is called {name}; see: sillkeep person list")
    return number


def _add_addresses(db: Connection, number: int, keys: Sequence[str], labels: Sequence[str]) -> None:
    for key, label in zip(keys, labels, strict=True):
        row = {"person_id": number, "key": key, "label": label}
        db.execute(t.person_address.insert().values(row))


def _drop_addresses(db: Connection, number: int) -> None:
    db.execute(delete(t.person_address).where(t.person_address.c.person_id == number))


def tidy(engine: Engine, home: Path) -> None:
    """Drop addresses that nobody has any more from the file."""
    with reading(engine) as db:
        keys = set(db.execute(select(t.person_address.c.key)).scalars())
    kept = addresses(home)
    if kept.keys() - keys:
        _keep_addresses(home, {key: url for key, url in kept.items() if key in keys})


def listed(engine: Engine) -> list[Person]:
    """Everybody who is told now, by place and name."""
    c, a = t.person.c, t.person_address.c
    with reading(engine) as db:
        held: dict[int, list[tuple[str, str]]] = {}
        for number, key, label in db.execute(
            select(a.person_id, a.key, a.label).order_by(a.address_id)
        ):
            held.setdefault(number, []).append((key, label))
        query = select(t.person).where(c.removed_s.is_(None)).order_by(c.place, c.name)
        return [
            Person(
                name=row["name"],
                role=row["role"],
                timezone=row["timezone"],
                reach=frozenset(filter(None, row["reach"].split(","))),
                quiet=(row["quiet_from"], row["quiet_to"]),
                place=row["place"],
                fahrenheit=bool(row["fahrenheit"]),
                twelve_hour=bool(row["twelve_hour"]),
                language=row["language"],
                added_s=row["added_s"],
                person_id=row["person_id"],
                addresses=tuple(key for key, _ in held.get(row["person_id"], ())),
                labels=tuple(label for _, label in held.get(row["person_id"], ())),
            )
            for row in db.execute(query).mappings()
        ]


# --- alarms, as messages tell them ----------------------------------------------------------------


def _alarms(db: Connection, *where: ColumnElement[bool]) -> list[AlarmNow]:
    c = t.alarm.c
    site, unit, zone, node = alarming.place_codes()
    query = alarming.placed(
        select(
            c.alarm_id,
            *(site, unit, func.coalesce(t.unit.c.name, ""), func.coalesce(t.unit.c.slot, "")),
            *(zone, node),
            *(c.kind, c["class"], c.state, c.raised_s, c.cleared_s, c.withdrawn_s, c.revision),
            *(c.text, c.facts, func.coalesce(t.unit.c.life == "sold", false())),
        )
        .where(*where)
        .order_by(c.alarm_id),
        t.alarm,
    )
    return [AlarmNow(*tuple(row)) for row in db.execute(query)]


def standing(engine: Engine) -> list[AlarmNow]:
    """Alarms that ask for something, are under no common cause and are not held back."""
    under = select(t.cause_member.c.alarm_id).where(t.cause_member.c.left_s.is_(None))
    c = t.alarm.c
    with reading(engine) as db:
        return _alarms(
            db,
            c.state != "normal",
            c.withdrawn_s.is_(None),
            c.alarm_id.not_in(under),
            c.alarm_id.not_in(holding.held_alarms()),
        )


def withdrawn(engine: Engine, *, since_s: int) -> list[AlarmNow]:
    """Alarms that late readings have shown not to be."""
    with reading(engine) as db:
        return _alarms(db, t.alarm.c.withdrawn_s >= since_s)


def undecided(engine: Engine, *, limit: int) -> list[Entry]:
    """Entries of the outbox that nobody was chosen for yet, the oldest first."""
    c = t.outbox.c
    query = (
        select(c.outbox_id, c.key, c.body, c.created_s, c.alarm_id)
        .where(c.channel == "people", c.done_s.is_(None))
        .order_by(c.outbox_id)
        .limit(limit)
    )
    with reading(engine) as db:
        return [
            Entry(row.outbox_id, row.key, row.created_s, _of_entry(db, row), row.body)
            for row in db.execute(query).all()
        ]


def _of_entry(db: Connection, row: Any) -> AlarmNow:  # noqa: ANN401  a row of the outbox
    """The alarm that an entry is about, with the entry's own words where it has some."""
    number = row.alarm_id
    if number is None:
        of_text = select(func.max(t.alarm.c.alarm_id)).where(t.alarm.c.text == row.body)
        number = db.execute(of_text).scalar()
    found = _alarms(db, t.alarm.c.alarm_id == number) if number is not None else []
    if found:
        return found[0]
    at_s = row.created_s
    return AlarmNow(
        0,
        "",
        "",
        "",
        "",
        "",
        "",
        _kind_of(row.key),
        "today",
        "unacknowledged",
        at_s,
        None,
        None,
        1,
        row.body,
    )


def _kind_of(key: str) -> Literal["record", "not watched", "installation"]:
    """What an entry is about that is of no alarm."""
    if key.startswith(NOT_WATCHED):
        return "not watched"
    return "installation" if key.startswith(INSTALLATION) else "record"


def zone_of(engine: Engine, alarm_id: int) -> tuple[str, str] | None:
    """Unit and zone of an alarm; None where it is of no one zone of a unit."""
    with reading(engine) as db:
        found = _alarms(db, t.alarm.c.alarm_id == alarm_id)
    return (found[0].unit, found[0].zone) if found and found[0].unit and found[0].zone else None


def told(engine: Engine, numbers: Sequence[int]) -> list[Told]:
    """Messages that tell some alarms, the oldest first."""
    c, m = t.message.c, t.message_alarm.c
    query = (
        select(
            c.message_id, m.alarm_id, m.revision, c.person_id, c.address_key, c.kind, c.step,
            c.state, c.tries, c.due_s,
        )
        .join_from(t.message_alarm, t.message)
        .where(m.alarm_id.in_(numbers))
        .order_by(c.message_id)
    )  # fmt: skip
    with reading(engine) as db:
        return [Told(*tuple(row)) for row in db.execute(query)]


# --- messages -------------------------------------------------------------------------------------


def keep(
    engine: Engine,
    messages: Sequence[Message],
    *,
    now_s: int,
    void: Sequence[int] = (),
    decided: int | None = None,
) -> None:
    """Keep what is to be sent, each key once, and that its entry of the outbox is decided."""
    with writing(engine) as db:
        if decided is not None:
            here = (t.outbox.c.outbox_id == decided, t.outbox.c.done_s.is_(None))
            if not db.execute(update(t.outbox).where(*here).values(done_s=now_s)).rowcount:
                return  # held meanwhile, because a common cause is told in its place
        if void:
            waiting = (t.message.c.message_id.in_(void), t.message.c.state == "waiting")
            db.execute(update(t.message).where(*waiting).values(state="void", ended_s=now_s))
        for message in messages:
            row = {
                name: getattr(message, name)
                for name in (
                    *("key", "person_id", "address_key", "kind", "rank", "step"),
                    *("subject", "body", "due_s", "expires_s"),
                )
            } | {"made_s": now_s, "next_s": message.due_s}
            kept = db.execute(
                insert(t.message)
                .values(row)
                .on_conflict_do_nothing()
                .returning(t.message.c.message_id)
            ).scalar_one_or_none()
            for alarm_id, revision in message.alarms if kept is not None else ():
                of = {"message_id": kept, "alarm_id": alarm_id, "revision": revision}
                db.execute(t.message_alarm.insert().values(of))


def is_kept(engine: Engine, start: str) -> bool:
    """Whether there is a message whose key begins like this."""
    c = t.message.c
    with reading(engine) as db:
        query = select(c.message_id).where(c.key >= start, c.key < start + "\x7f").limit(1)
        return db.execute(query).first() is not None


def expire(engine: Engine, *, now_s: int) -> int:
    """Give up what could not be handed over in its time; how many."""
    late = (t.message.c.state == "waiting", t.message.c.expires_s <= now_s)
    with reading(engine) as db:
        if db.execute(select(t.message.c.message_id).where(*late).limit(1)).first() is None:
            return 0
    with writing(engine) as db:
        ended = update(t.message).where(*late).values(state="expired", ended_s=now_s)
        return db.execute(ended).rowcount


def next_due(engine: Engine, *, now_s: int) -> tuple[int, Message] | None:
    """The message to try next: the most urgent one, then the longest due."""
    c = t.message.c
    query = (
        select(t.message)
        .where(c.state == "waiting", c.next_s <= now_s)
        .order_by(c.rank, c.next_s, c.message_id)
        .limit(1)
    )
    names = Message.__slots__
    with reading(engine) as db:
        row = db.execute(query).mappings().one_or_none()
        if row is None:
            return None
        m = t.message_alarm.c
        about = select(m.alarm_id, m.revision).where(m.message_id == row["message_id"])
        alarms = tuple((number, revision) for number, revision in db.execute(about))
        found = {name: row[name] for name in names if name != "alarms"}
        return row["message_id"], Message(**found, alarms=alarms)


def begin(engine: Engine, message_id: int, *, next_s: int) -> None:
    """Note that a try begins, before it does: one that is never heard of again waits like a failed one."""
    values = {"tries": t.message.c.tries + 1, "next_s": next_s}
    with writing(engine) as db:
        db.execute(update(t.message).where(t.message.c.message_id == message_id).values(values))


def sent(engine: Engine, message_id: int, *, now_s: int) -> None:
    """Note that a message was handed over: whoever's turn it is by now, it need not go out again."""
    values = {"state": "sent", "ended_s": now_s, "trouble": ""}
    with writing(engine, is_fenced=False) as db:
        db.execute(update(t.message).where(t.message.c.message_id == message_id).values(values))


def failed(engine: Engine, message_id: int, *, trouble: str) -> None:
    """Note why a try failed; it waits for its next one."""
    with writing(engine) as db:
        here = t.message.c.message_id == message_id
        db.execute(update(t.message).where(here).values(trouble=trouble))


def post(db: Connection, *, now_s: int) -> Post:
    """How messages stand, inside an open question."""
    c, p = t.message.c, t.person.c
    has = select(t.person_address.c.person_id)
    waits = select(func.count()).where(c.state == "waiting", c.due_s <= now_s)
    trouble = select(c.trouble).where(c.state == "waiting", c.trouble != "").order_by(c.due_s)
    gone = select(func.count()).where(c.state == "expired", c.ended_s > now_s - 7 * 86_400)
    nowhere = select(p.name).where(p.removed_s.is_(None), p.person_id.not_in(has)).order_by(p.name)
    return Post(
        people=db.scalar(select(func.count()).where(p.removed_s.is_(None))) or 0,
        without_address=tuple(db.execute(nowhere).scalars()),
        waiting=db.scalar(waits) or 0,
        trouble=db.scalar(trouble.limit(1)) or "",
        expired=db.scalar(gone) or 0,
    )
