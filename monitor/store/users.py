"""Who may see the board: users, their sessions, links, and the log of what was done.

Secrets (of a session's cookie, of a link) are 192 random bits; the record keeps their SHA-256 alone,
passwords as `monitor.store.passwords` says. Whoever reads the record, or a backup of it, can sign in
with none of it.

A session belongs to a user, or to a link that shows one unit. It ends with its user, its link, after
`IDLE_S` without a visit and `WHOLE_S` after it began. What a user may see is asked for with every
visit, so a change holds at once.
"""

import hashlib
import json
import secrets
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, and_, delete, func, insert, or_, select, update
from sqlalchemy.engine import Row

from monitor import catalogue
from monitor.catalogue import ENGLISH
from monitor.errors import InputError
from monitor.lot import ROLES
from monitor.store import passwords
from monitor.store import schema as t
from monitor.store.engine import reading, writing

VERIFIER = "verifier"  # role of whoever comes by the link of a unit
SECRET_BYTES = 24
DAY_S = 86_400
IDLE_S = 3 * DAY_S  # a lot's office opens again after a weekend
WHOLE_S = 30 * DAY_S
SEEN_EVERY_S = 300  # a visit is noted so often and not with each request: a sync each
SIGN_IN_S = DAY_S  # a link that signs in is good for so long, unless it is used
LONGEST_D = 366  # a link of a unit
NAME_MOST = 80
NAMES_OUT = "names taken out"  # a line of the log: it was chained anew
BROKEN_BEFORE = "; it was not whole before"


@dataclass(frozen=True, slots=True)
class Doer:
    """Who does something, from where, when: for the log."""

    who: str
    at_s: int
    address: str = "command line"


@dataclass(frozen=True, slots=True)
class Reach:
    """How much of the lot a user sees: all of it, or some sites and units by code."""

    whole: bool = False
    sites: frozenset[str] = frozenset()
    units: frozenset[str] = frozenset()


COLOURS = ("", "light", "dark")  # "": as the device asks


@dataclass(frozen=True, slots=True)
class Visitor:
    """Whose session a request is of; `name` is empty for whoever comes by the link of a unit."""

    name: str
    role: str
    reach: Reach
    session_id: int
    made_s: int
    seen_s: int
    by_link: bool
    lent_by: str = ""  # who made the link that they came by
    fahrenheit: bool = False
    twelve_hour: bool = False
    colours: str = ""  # of `COLOURS`
    language: str = ENGLISH

    @property
    def called(self) -> str:
        """What the log calls them."""
        return self.name or VERIFIER


@dataclass(frozen=True, slots=True)
class User:
    """A user as the list of users shows it."""

    name: str
    role: str
    reach: Reach
    has_password: bool
    sessions: int
    seen_s: int | None


@dataclass(frozen=True, slots=True)
class Link:
    """A link: of a user, to sign in once, or of a unit, to see it for a time."""

    number: int
    user: str
    unit: str
    made_s: int
    made_by: str
    ends_s: int
    used_s: int | None
    revoked_s: int | None


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log."""

    number: int
    at_s: int
    who: str
    act: str
    about: str
    address: str


# --- users ----------------------------------------------------------------------------------------


def anybody(engine: Engine) -> bool:
    """Whether there is a user at all."""
    with reading(engine) as db:
        return db.execute(select(t.account.c.account_id).limit(1)).first() is not None


def add(
    engine: Engine, name: str, *, role: str, reach: Reach, password: str | None, by: Doer
) -> None:
    """Add a user; without a password they sign in by a link (`make_sign_in`).

    Raises
    ------
    InputError
        If the name is taken or empty, the role, a site or a unit unknown, or the password easily
        guessed.
    """
    name = _name(name)
    checked_role(role)
    kept = None
    if password is not None:
        passwords.check_choice(password, name=name)
        kept = passwords.digest(password)
    row = {"name": name, "key": _key(name), "role": role, "password": kept,
           "whole": int(reach.whole), "made_s": by.at_s}  # fmt: skip
    with writing(engine) as db:
        if _account(db, name) is not None:
            raise InputError(f'there is a user "{name}" already')
        made = insert(t.account).values(row).returning(t.account.c.account_id)
        account_id = db.execute(made).scalar_one()
        for table, codes in ((t.site, reach.sites), (t.unit, reach.units)):
            for code in sorted(codes):
                key = f"{table.name}_id"
                place = db.execute(select(table.c[key]).where(table.c.code == code)).scalar()
                if place is None:
                    raise InputError(f'there is no {table.name} "{code}"')
                db.execute(insert(t.account_reach).values({"account_id": account_id, key: place}))
        note_in(db, by, "user added", f"{name}, {role}")


def checked_role(role: str) -> str:
    """The role itself; InputError if there is none of that name."""
    if role not in ROLES:
        raise InputError(f'there is no role "{role}"; use one of: {", ".join(ROLES)}')
    return role


def is_same(one: str, other: str) -> bool:
    """Whether two names are of the same user."""
    return _key(one) == _key(other)


def remove(engine: Engine, name: str, *, by: Doer) -> None:
    """Remove a user with their sessions and links; the log keeps what they did."""
    with writing(engine) as db:
        account_id = _known(db, name)
        _end_sessions(db, account_id)
        _end_links_of(db, account_id, by=by)
        for table in (t.link, t.account_reach, t.account):
            db.execute(delete(table).where(table.c.account_id == account_id))
        note_in(db, by, "user removed", name)


def _end_links_of(db: Connection, account_id: int, *, by: Doer) -> None:
    """End the links to units that a user made, with the sessions begun by them."""
    named = select(t.account.c.name).where(t.account.c.account_id == account_id)
    name = db.execute(named).scalar_one()
    lent = and_(t.link.c.made_by == name, t.link.c.unit_id.is_not(None))
    db.execute(
        delete(t.session).where(t.session.c.link_id.in_(select(t.link.c.link_id).where(lent)))
    )
    open_ = and_(lent, t.link.c.revoked_s.is_(None))
    db.execute(update(t.link).where(open_).values(revoked_s=by.at_s))


def set_password(
    engine: Engine, name: str, password: str, *, by: Doer, keep: int | None = None
) -> None:
    """Give a user another password; all their sessions end, but the one to `keep`."""
    passwords.check_choice(password, name=name)
    kept = passwords.digest(password)
    with writing(engine) as db:
        account_id = _known(db, name)
        here = t.account.c.account_id == account_id
        db.execute(update(t.account).where(here).values(password=kept))
        _end_sessions(db, account_id, keep=keep)
        note_in(db, by, "password changed", name)


def check_password(engine: Engine, name: str, password: str) -> str | None:
    """Name of the user whose password this is, as written in the record; None if it is not."""
    with reading(engine) as db:
        row = _account(db, name)
    if not passwords.matches(row.password if row else None, password) or row is None:
        return None
    return str(row.name)


def refresh_password(engine: Engine, name: str, password: str) -> None:
    """Keep a password that was just typed rightly with today's parameters, if it is not yet."""
    with reading(engine) as db:
        row = _account(db, name)
    if row is None or row.password is None or not passwords.is_outdated(row.password):
        return
    kept = passwords.digest(password)
    with writing(engine) as db:
        here = t.account.c.account_id == row.account_id
        db.execute(update(t.account).where(here).values(password=kept))


def listed(engine: Engine) -> list[User]:
    """All users, by name."""
    counted = (
        select(t.session.c.account_id, func.count().label("open"), func.max(t.session.c.seen_s).label("seen_s"))
        .group_by(t.session.c.account_id)
        .subquery()
    )  # fmt: skip
    query = select(t.account, counted.c.open, counted.c.seen_s)
    query = query.outerjoin(counted, counted.c.account_id == t.account.c.account_id)
    with reading(engine) as db:
        rows = db.execute(query.order_by(t.account.c.key)).all()
        reaches = _reaches(db, [row.account_id for row in rows])
    return [
        User(
            name=row.name,
            role=row.role,
            reach=_with_whole(reaches.get(row.account_id), row.whole),
            has_password=row.password is not None,
            sessions=row.open or 0,
            seen_s=row.seen_s,
        )
        for row in rows
    ]


# --- sessions -------------------------------------------------------------------------------------


def begin(engine: Engine, name: str, *, by: Doer, was: str = "") -> str:
    """Begin a session of a user and end the one that the browser `was` in; the cookie's secret."""
    with writing(engine) as db:
        row = _account(db, name)
        if row is None:
            raise InputError(f'there is no user "{name}"')
        _sweep(db, by.at_s)
        db.execute(delete(t.session).where(t.session.c.digest == _digest(was)))
        token = _session(db, by, account_id=row.account_id)
        note_in(db, by, "signed in")
    return token


def visitor(engine: Engine, token: str, *, now_s: int) -> Visitor | None:
    """Whose session a cookie is of, if it still goes on."""
    if not token:
        return None
    s, a, k = t.session.c, t.account.c, t.link.c
    query = (
        select(
            t.session,
            *(a.name, a.role, a.whole, a.fahrenheit, a.twelve_hour, a.colours, a.language),
            *(t.unit.c.code, k.made_by),
        )
        .join_from(t.session, t.account, a.account_id == s.account_id, isouter=True)
        .outerjoin(t.link, k.link_id == s.link_id)
        .outerjoin(t.unit, t.unit.c.unit_id == k.unit_id)
        .where(
            s.digest == _digest(token),
            s.seen_s > now_s - IDLE_S,
            s.made_s > now_s - WHOLE_S,
            or_(s.link_id.is_(None), _good(now_s)),
        )
    )
    with reading(engine) as db:
        row = db.execute(query).one_or_none()
        if row is None:
            return None
        if row.account_id is None:
            reach = Reach(units=frozenset({row.code}))
        else:
            reach = _with_whole(_reaches(db, [row.account_id]).get(row.account_id), row.whole)
    return Visitor(
        name=row.name or "",
        role=row.role or VERIFIER,
        reach=reach,
        session_id=row.session_id,
        made_s=row.made_s,
        seen_s=row.seen_s,
        by_link=bool(row.by_link),
        lent_by=row.made_by or "",
        fahrenheit=bool(row.fahrenheit),
        twelve_hour=bool(row.twelve_hour),
        colours=row.colours or "",
        language=row.language or ENGLISH,
    )


def set_wishes(
    engine: Engine,
    name: str,
    *,
    fahrenheit: bool,
    twelve_hour: bool,
    colours: str,
    language: str = ENGLISH,
) -> None:
    """In which scale, by which clock, in which colours and in which language a user reads.

    Raises
    ------
    InputError
        If the colours are none of `COLOURS`, the language has no file, or nobody is called that.
    """
    if colours not in COLOURS:
        raise InputError("colours are light, dark, or as the device has them")
    catalogue.check(language)
    with writing(engine) as db:
        here = t.account.c.account_id == _known(db, name)
        wishes = {
            "fahrenheit": int(fahrenheit),
            "twelve_hour": int(twelve_hour),
            "colours": colours,
            "language": language,
        }
        db.execute(update(t.account).where(here).values(wishes))


def seen(engine: Engine, who: Visitor, *, now_s: int) -> None:
    """Note that a session is in use."""
    with writing(engine) as db:
        here = t.session.c.session_id == who.session_id
        db.execute(update(t.session).where(here).values(seen_s=now_s))


def end(engine: Engine, who: Visitor, *, by: Doer) -> None:
    """End one session."""
    with writing(engine) as db:
        db.execute(delete(t.session).where(t.session.c.session_id == who.session_id))
        note_in(db, by, "signed out")


def end_everybodys(engine: Engine, *, why: str, by: Doer) -> int:
    """End every session there is, of users and of links; how many."""
    with writing(engine) as db:
        count = db.execute(delete(t.session)).rowcount
        if count:
            note_in(db, by, "sessions ended", f"all: {why}")
    return count


def end_all(engine: Engine, name: str, *, by: Doer) -> None:
    """End all sessions of a user."""
    with writing(engine) as db:
        _end_sessions(db, _known(db, name))
        note_in(db, by, "sessions ended", name)


# --- links ----------------------------------------------------------------------------------------


def make_sign_in(engine: Engine, name: str, *, by: Doer) -> str:
    """Make a link that signs a user in once, within `SIGN_IN_S`; its secret."""
    with writing(engine) as db:
        account_id = _known(db, name)
        _sweep(db, by.at_s)
        token = _link(db, by, ends_s=by.at_s + SIGN_IN_S, account_id=account_id)
        note_in(db, by, "sign-in link made", name)
    return token


def make_unit_link(engine: Engine, unit: str, *, days: int, by: Doer) -> str:
    """Make a link that shows one unit for some days, to whoever has it; its secret."""
    if not 1 <= days <= LONGEST_D:
        raise InputError(f"a link is good for 1 to {LONGEST_D} days, not {days}")
    with writing(engine) as db:
        unit_id = db.execute(select(t.unit.c.unit_id).where(t.unit.c.code == unit)).scalar()
        if unit_id is None:
            raise InputError(f'there is no unit "{unit}"')
        token = _link(db, by, ends_s=by.at_s + days * DAY_S, unit_id=unit_id)
        note_in(db, by, "unit link made", f"{unit}, {days} days")
    return token


def links(engine: Engine, *, now_s: int) -> list[Link]:
    """Links that can still be used, the newest first."""
    with reading(engine) as db:
        rows = db.execute(_links().where(_good(now_s)).order_by(t.link.c.link_id.desc())).all()
    return [_link_row(row) for row in rows]


def link(engine: Engine, token: str, *, now_s: int) -> Link | None:
    """The link of a secret, if it can still be used."""
    with reading(engine) as db:
        found = db.execute(
            _links().where(_good(now_s), t.link.c.digest == _digest(token))
        ).one_or_none()
    return _link_row(found) if found else None


def follow(engine: Engine, token: str, *, by: Doer, was: str = "") -> tuple[Link, str] | None:
    """Use a link: the link, and the secret of the session that it begins; None if it is no good."""
    with writing(engine) as db:
        here = t.link.c.digest == _digest(token)
        row = db.execute(_links(t.link.c.account_id).where(_good(by.at_s), here)).one_or_none()
        if row is None:
            return None
        _sweep(db, by.at_s)
        db.execute(update(t.link).where(here).values(used_s=by.at_s))
        db.execute(delete(t.session).where(t.session.c.digest == _digest(was)))
        if row.account_id is None:
            session = _session(db, by, link_id=row.link_id, by_link=1)
            note_in(db, by, "unit link used", f"link {row.link_id}, {row.unit}")
        else:
            session = _session(db, by, account_id=row.account_id, by_link=1)
            mine = Doer(row.user, by.at_s, by.address)
            note_in(db, mine, "signed in", f"link {row.link_id}")
    return _link_row(row), session


def revoke(engine: Engine, number: int, *, by: Doer) -> None:
    """End a link and the sessions that it began."""
    with writing(engine) as db:
        here = t.link.c.link_id == number
        done = db.execute(
            update(t.link).where(here, t.link.c.revoked_s.is_(None)).values(revoked_s=by.at_s)
        )
        if not done.rowcount:
            raise InputError(f"there is no link number {number} to end")
        db.execute(delete(t.session).where(t.session.c.link_id == number))
        note_in(db, by, "link ended", f"link {number}")


# --- what a user sees -----------------------------------------------------------------------------


def places(engine: Engine) -> list[tuple[str, str, str]]:
    """Code, site and life of every unit."""
    query = select(t.unit.c.code, t.site.c.code, t.unit.c.life).join(t.site)
    with reading(engine) as db:
        return [(str(row[0]), str(row[1]), str(row[2])) for row in db.execute(query)]


def owned(engine: Engine, name: str) -> frozenset[str]:
    """Units that a user has as an owner, each by its code and not with the lot."""
    with reading(engine) as db:
        row = _account(db, name)
        if row is None or row.role != "owner":
            return frozenset()
        return _reaches(db, [row.account_id]).get(row.account_id, Reach()).units


def with_owner(engine: Engine) -> frozenset[str]:
    """Units that somebody has as an owner, each by its code."""
    with reading(engine) as db:
        query = select(t.account.c.account_id).where(t.account.c.role == "owner")
        owners = [int(row[0]) for row in db.execute(query)]
        return frozenset(unit for reach in _reaches(db, owners).values() for unit in reach.units)


def alarm_place(engine: Engine, number: int) -> tuple[str, str] | None:
    """Site and unit ("" if none) that an alarm is about."""
    query = (
        select(t.site.c.code, func.coalesce(t.unit.c.code, ""))
        .join_from(t.alarm, t.site)
        .outerjoin(t.unit, t.unit.c.unit_id == t.alarm.c.unit_id)
        .where(t.alarm.c.alarm_id == number)
    )
    with reading(engine) as db:
        row = db.execute(query).one_or_none()
    return None if row is None else (str(row[0]), str(row[1]))


# --- the log --------------------------------------------------------------------------------------


def note(engine: Engine, act: str, *, about: str = "", by: Doer) -> None:
    """Write a line into the log."""
    with writing(engine) as db:
        note_in(db, by, act, about)


def log(engine: Engine, *, limit: int) -> list[Entry]:
    """The newest lines of the log, the newest first."""
    c = t.audit.c
    query = select(c.audit_id, c.at_s, c.who, c.act, c.about, c.address)
    with reading(engine) as db:
        rows = db.execute(query.order_by(c.audit_id.desc()).limit(limit))
        return [Entry(*row) for row in rows]


def is_log_whole(engine: Engine) -> bool:
    """Whether no line was changed, put in or taken out between the first and the last.

    Nor had been before names were taken out of it (`monitor.store.forgetting`).
    """
    with reading(engine) as db:
        return is_chain_whole(db)


def is_chain_whole(db: Connection) -> bool:
    """The same, inside an open question."""
    before = ""
    for number, row in enumerate(db.execute(select(t.audit).order_by(t.audit.c.audit_id)), 1):
        told = (row.at_s, row.who, row.act, row.about, row.address)
        if row.audit_id != number or row.digest != chained(before, told):
            return False
        if row.act == NAMES_OUT and row.about.endswith(BROKEN_BEFORE):
            return False
        before = row.digest
    return True


# --- inside ---------------------------------------------------------------------------------------


def _name(name: str) -> str:
    name = name.strip()
    if not name or len(name) > NAME_MOST or not name.isprintable():
        raise InputError(f"a user's name is 1 to {NAME_MOST} characters on one line")
    return name


def _key(name: str) -> str:
    """Name as compared: one person is not two by the way their name is typed."""
    return unicodedata.normalize("NFKC", name.strip()).casefold()


def _account(db: Connection, name: str) -> Row[Any] | None:
    return db.execute(select(t.account).where(t.account.c.key == _key(name))).one_or_none()


def _known(db: Connection, name: str) -> int:
    row = _account(db, name)
    if row is None:
        raise InputError(f'there is no user "{name}"')
    return int(row.account_id)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _good(now_s: int) -> Any:  # noqa: ANN401  a condition of SQLAlchemy
    """Links that can still be used: a link that signs in only once."""
    k = t.link.c
    unused = or_(k.account_id.is_(None), k.used_s.is_(None))
    return k.revoked_s.is_(None) & (k.ends_s > now_s) & unused


def _links(*more: Any) -> Any:  # noqa: ANN401  columns in, a query of SQLAlchemy out
    k = t.link.c
    return (
        select(
            *(k.link_id, k.made_s, k.made_by, k.ends_s, k.used_s, k.revoked_s),
            func.coalesce(t.account.c.name, "").label("user"),
            func.coalesce(t.unit.c.code, "").label("unit"),
            *more,
        )
        .select_from(t.link)
        .outerjoin(t.account, t.account.c.account_id == k.account_id)
        .outerjoin(t.unit, t.unit.c.unit_id == k.unit_id)
    )


def _link_row(row: Row[Any]) -> Link:
    return Link(
        number=row.link_id,
        user=row.user,
        unit=row.unit,
        made_s=row.made_s,
        made_by=row.made_by,
        ends_s=row.ends_s,
        used_s=row.used_s,
        revoked_s=row.revoked_s,
    )


def _link(db: Connection, by: Doer, **values: int) -> str:
    token = secrets.token_urlsafe(SECRET_BYTES)
    row = {"digest": _digest(token), "made_s": by.at_s, "made_by": by.who}
    db.execute(insert(t.link).values(row | values))
    return token


def _session(db: Connection, by: Doer, **values: int) -> str:
    token = secrets.token_urlsafe(SECRET_BYTES)
    row = {"digest": _digest(token), "made_s": by.at_s, "seen_s": by.at_s, "address": by.address}
    db.execute(insert(t.session).values(row | values))
    return token


def _end_sessions(db: Connection, account_id: int, *, keep: int | None = None) -> None:
    s = t.session.c
    db.execute(delete(t.session).where(s.account_id == account_id, s.session_id != (keep or 0)))


def _sweep(db: Connection, now_s: int) -> None:
    """Take away sessions that are over."""
    s = t.session.c
    over = or_(s.seen_s <= now_s - IDLE_S, s.made_s <= now_s - WHOLE_S)
    db.execute(delete(t.session).where(over))


def _reaches(db: Connection, accounts: Iterable[int]) -> dict[int, Reach]:
    c = t.account_reach.c
    query = (
        select(c.account_id, t.site.c.code, t.unit.c.code)
        .select_from(t.account_reach)
        .outerjoin(t.site, t.site.c.site_id == c.site_id)
        .outerjoin(t.unit, t.unit.c.unit_id == c.unit_id)
        .where(c.account_id.in_(list(accounts)))
    )
    found: dict[int, Reach] = {}
    for account_id, site, unit in db.execute(query):
        had = found.get(account_id, Reach())
        found[account_id] = Reach(
            sites=had.sites | ({site} if site else set()),
            units=had.units | ({unit} if unit else set()),
        )
    return found


def _with_whole(reach: Reach | None, whole: int) -> Reach:
    had = reach or Reach()
    return Reach(bool(whole), had.sites, had.units)


def note_in(db: Connection, by: Doer, act: str, about: str = "") -> None:
    """Write a line into the log, in the caller's transaction."""
    before = db.execute(select(t.audit.c.digest).order_by(t.audit.c.audit_id.desc()).limit(1))
    told = (by.at_s, by.who, act, about, by.address)
    names = ("at_s", "who", "act", "about", "address")
    values = dict(zip(names, told, strict=True))
    values["digest"] = chained(before.scalar() or "", told)
    db.execute(insert(t.audit).values(values))


def chained(before: str, told: Sequence[object]) -> str:
    """Digest of a line of the log, from the digest of the line before and what it says."""
    return hashlib.sha256(json.dumps([before, *told]).encode()).hexdigest()
