"""Credentials of nodes at the broker: claimed once, renewed, revoked.

::

    offer   a claim: 192 random bits that whoever has them exchanges, once and within `CLAIM_S`
    take    the claim for a secret, which is made in that moment; an older one of the node ends
    end     all that a node has: lost, stolen, sold
    follow  after a backup is restored: what was used or ended since then stays so

The record holds the SHA-256 of a claim, and of a secret what mosquitto needs to check it: never
either of them in clear. Every step is a line of the log.
"""

import hashlib
import hmac
import secrets
from base64 import b64decode, b64encode
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, select, update
from sqlalchemy.engine import Row

from monitor.errors import InputError
from monitor.store import judging, taking, users
from monitor.store import schema as t
from monitor.store.users import Doer
from sensors.wire import CODE

SECRET_BYTES = 24
CLAIM_S = 86_400
SLACK_S = 600  # that a clock may be set back after a claim was made
MOST_SAID = 200
# the form and the rounds of `mosquitto_passwd` 2.0; a secret of 192 random bits needs no more of them
ROUNDS, SALT_BYTES = 101, 12


@dataclass(frozen=True, slots=True)
class Access:
    """How a node stands with the broker.

    Attributes
    ----------
    claimed_s : int or None
        When the credential that holds was claimed; None: none holds.
    waits_s : int or None
        Until when a claim waits to be exchanged; None: none does.
    ended_s : int or None
        When the last one ended, with who and why.
    """

    site: str
    node: str
    claimed_s: int | None = None
    waits_s: int | None = None
    ended_s: int | None = None
    ended_by: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Taken:
    """What a claim was exchanged for; the secret is nowhere else."""

    site: str
    node: str
    secret: str


def hashed(secret: str) -> str:
    """A secret as mosquitto's password file has it: PBKDF2 with HMAC-SHA512, `$7$`."""
    return _hashed(secret, secrets.token_bytes(SALT_BYTES), ROUNDS)


def matches(kept: str, secret: str) -> bool:
    """Whether a line of a password file is of this secret."""
    parts = kept.split("$")
    if len(parts) != 5 or parts[1] != "7" or not parts[2].isdecimal():
        return False
    try:
        again = _hashed(secret, b64decode(parts[3], validate=True), min(int(parts[2]), 10**6))
    except ValueError:
        return False
    return hmac.compare_digest(again.encode(), kept.encode())


def _hashed(secret: str, salt: bytes, rounds: int) -> str:
    made = hashlib.pbkdf2_hmac("sha512", secret.encode(), salt, rounds)
    return f"$7${rounds}${b64encode(salt).decode()}${b64encode(made).decode()}"


def offer(
    connection: Connection, site: str, node: str, *, renew: bool, now: bool = False, by: Doer
) -> str:
    """Make a claim for a node; the claims before are void. `now` ends the credential that holds too.

    Raises
    ------
    InputError
        If the code cannot be, its name is taken at another site, or it has a credential (without
        `renew`), or never had one (with it).
    """
    if not CODE.fullmatch(node):
        raise InputError(f'"{node}" is no code of a node: a-z 0-9 - _, 64 at most')
    if connection.execute(select(t.site.c.site_id).where(t.site.c.code == site)).first() is None:
        raise InputError(f'there is no site "{site}"')
    elsewhere = [each.site for each in standing(connection) if each.node == node]
    if any(other != site for other in elsewhere):
        raise InputError(
            f'a node "{node}" is at {elsewhere[0]}: users of a broker have one name each'
        )
    number = taking.node_id(connection, site, node)
    c = t.node_key.c
    mine = [c.node_id == number, c.ended_s.is_(None)]
    held = connection.execute(select(c.hash).where(*mine)).scalars().all()
    if renew and not held:
        raise InputError(f"{site}/{node} has nothing to renew: sillkeep node add")
    if not renew and any(held):
        raise InputError(f"{site}/{node} has a credential already: sillkeep node renew {node}")
    if not now:
        mine.append(c.hash.is_(None))
    _end(connection, mine, by=by, why="another claim was made")
    token = secrets.token_urlsafe(SECRET_BYTES)
    connection.execute(
        t.node_key.insert().values(
            node_id=number,
            made_s=by.at_s,
            made_by=by.who,
            claim=_digest(token),
            ends_s=by.at_s + CLAIM_S,
        )
    )
    ended = ", the one before is ended" if now and any(held) else ""
    users.note_in(connection, by, "node claim made", f"{site}/{node}{ended}")
    return token


def look(connection: Connection, token: str, *, now_s: int) -> Access | None:
    """The node that a claim is for, while it can be exchanged."""
    row = _claim(connection, token)
    if row is None or row.claimed_s is not None or row.ended_s is not None:
        return None
    if not row.made_s - SLACK_S <= now_s < row.ends_s:
        return None  # over; or a clock that was set back would make it last longer
    return Access(row.site, row.node, waits_s=row.ends_s)


def take(connection: Connection, token: str, *, at_s: int, address: str) -> Taken | None:
    """Exchange a claim; None if it is none, or no more: that somebody came too late is in the log."""
    row = _claim(connection, token)
    if row is None:
        return None
    by = Doer(f"node {row.site}/{row.node}", at_s, address)
    if look(connection, token, now_s=at_s) is None:
        users.note_in(connection, by, "node claim refused", "it was used, is over or void")
        return None
    c = t.node_key.c
    others = (c.node_id == row.node_id, c.ended_s.is_(None), c.node_key_id != row.node_key_id)
    _end(connection, others, by=by, why="renewed")
    secret = secrets.token_urlsafe(SECRET_BYTES)
    here = c.node_key_id == row.node_key_id
    connection.execute(update(t.node_key).where(here).values(claimed_s=at_s, hash=hashed(secret)))
    users.note_in(connection, by, "node claimed", f"{row.site}/{row.node}")
    return Taken(row.site, row.node, secret)


def revoke(connection: Connection, site: str, node: str, *, why: str, by: Doer) -> None:
    """End all that a node has at the broker.

    Raises
    ------
    InputError
        If it has nothing, or the reason is missing or too long.
    """
    if not 0 < len(why) <= MOST_SAID:
        raise InputError(f"say why in 1 to {MOST_SAID} letters")
    if not end(connection, {(site, node)}, why=why, by=by):
        raise InputError(f"{site}/{node} has no credential and no claim to end")


def end(
    connection: Connection, nodes: Collection[tuple[str, str]], *, why: str, by: Doer
) -> tuple[str, ...]:
    """End what some nodes (site, node) have; the nodes that had something."""
    ended = []
    for site, node in sorted(nodes):
        number = _node(site, node).scalar_subquery()
        mine = (t.node_key.c.node_id == number, t.node_key.c.ended_s.is_(None))
        if _end(connection, mine, by=by, why=why):
            users.note_in(connection, by, "node revoked", f"{site}/{node}: {why}")
            ended.append(node)
    return tuple(ended)


def standing(connection: Connection) -> list[Access]:
    """Nodes whose credential holds, or that have a claim, used in time or not."""
    query = (
        select(t.site.c.code, t.node.c.code)
        .join_from(t.node_key, t.node, t.node.c.node_id == t.node_key.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .where(t.node_key.c.ended_s.is_(None))
        .distinct()
    )
    return [Access(*row) for row in connection.execute(query)]


def hashes(connection: Connection) -> list[tuple[str, str, str]]:
    """Site, node and hash of each credential that holds, by node."""
    query = (
        select(t.site.c.code, t.node.c.code, t.node_key.c.hash)
        .join_from(t.node_key, t.node, t.node.c.node_id == t.node_key.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .where(t.node_key.c.hash.is_not(None), t.node_key.c.ended_s.is_(None))
        .order_by(t.node.c.code)
    )
    return [(row[0], row[1], row[2]) for row in connection.execute(query)]


def listed(connection: Connection, *, now_s: int) -> dict[tuple[str, str], Access]:
    """How each node that ever had a claim stands, by site and node."""
    c = t.node_key.c
    query = (
        select(t.site.c.code.label("site"), t.node.c.code.label("node"), t.node_key)
        .join_from(t.node_key, t.node, t.node.c.node_id == c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .order_by(c.node_key_id)
    )
    found: dict[tuple[str, str], Access] = {}
    for row in connection.execute(query).all():
        had = found.get((row.site, row.node), Access(row.site, row.node))
        lasts = row.ended_s is None
        waits = lasts and row.claimed_s is None and row.ends_s > now_s
        gone = (
            (had.ended_s, had.ended_by, had.why) if lasts else (row.ended_s, row.ended_by, row.why)
        )
        found[row.site, row.node] = Access(
            row.site,
            row.node,
            row.claimed_s if lasts and row.hash else had.claimed_s,
            row.ends_s if waits else had.waits_s,
            *gone,
        )
    return found


def steps(connection: Connection) -> list[Row[Any]]:
    """Every credential and claim that there was, with its node: what `follow` needs of a record."""
    return list(connection.execute(_keys()).all())


def follow(connection: Connection, former: Sequence[Row[Any]], *, by: Doer) -> tuple[str, ...]:
    """Have a restored record follow the one that it replaces: time does not undo a revocation.

    A credential or claim goes from made to claimed to ended and never back, so of two records the
    one that is further is right. Claims that nobody vouches for are ended: they may have been used.

    Parameters
    ----------
    connection : Connection
        Of the restored record.
    former : sequence of rows
        `steps` of the record that it replaces; empty where there was none.
    by : Doer
        Who restores.

    Returns
    -------
    tuple[str, ...]
        Nodes (site/node) that had a credential in the former record and are not in this one.
    """
    c, known = t.node_key.c, {row.claim: row for row in steps(connection)}
    lost, changed = set(), 0
    for row in former:
        mine = known.get(row.claim)
        if mine is not None:
            if _is_further(row, mine):
                here = update(t.node_key).where(c.claim == row.claim)
                changed += connection.execute(here.values(_step(row))).rowcount
        elif number := connection.execute(_node(row.site, row.node)).scalar():
            connection.execute(t.node_key.insert().values(node_id=number, **_step(row)))
            changed += 1
        elif row.hash:
            lost.add(f"{row.site}/{row.node}")
    vouched = [row.claim for row in former]
    doubtful = (c.claim.not_in(vouched), c.claimed_s.is_(None), c.ended_s.is_(None))
    changed += _end(connection, doubtful, by=by, why="a backup was restored")
    if changed:
        said = f"{changed} as in the record that was replaced, or ended"
        users.note_in(connection, by, "node credentials followed", said)
    return tuple(sorted(lost))


def _is_further(row: Row[Any], mine: Row[Any]) -> bool:
    """Whether a credential went on, in another record, from where it stands in this one."""
    went_on = row.ended_s is not None or (row.claimed_s is not None and mine.claimed_s is None)
    return mine.ended_s is None and went_on


def _step(row: Row[Any]) -> dict[str, Any]:
    left_out = {"node_key_id", "node_id"}
    return {name: getattr(row, name) for name in t.node_key.c.keys() if name not in left_out}  # noqa: SIM118


def only_in(connection: Connection, unit_id: int) -> set[tuple[str, str]]:
    """Nodes (site, node) whose probes watch this unit and nothing else."""
    placed = judging.in_force()
    query = (
        select(t.node.c.node_id, t.site.c.code, t.node.c.code, func.max(t.zone.c.unit_id))
        .join_from(placed, t.zone, t.zone.c.zone_id == placed.c.zone_id)
        .join(t.probe, t.probe.c.probe_id == placed.c.probe_id)
        .join(t.node, t.node.c.node_id == t.probe.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .group_by(t.node.c.node_id, t.site.c.code, t.node.c.code)
        # a zone of the site has no unit: 0 is nobody's
        .having(func.min(func.coalesce(t.zone.c.unit_id, 0)) == func.max(t.zone.c.unit_id))
        .having(func.max(t.zone.c.unit_id) == unit_id)
    )
    return {(row[1], row[2]) for row in connection.execute(query)}


def _claim(connection: Connection, token: str) -> Row[Any] | None:
    digest = _digest(token)
    row = connection.execute(_keys().where(t.node_key.c.claim == digest)).one_or_none()
    return row if row is not None and hmac.compare_digest(row.claim, digest) else None


def _keys() -> Select[Any]:
    return (
        select(t.node_key, t.site.c.code.label("site"), t.node.c.code.label("node"))
        .join_from(t.node_key, t.node, t.node.c.node_id == t.node_key.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .order_by(t.node_key.c.node_key_id)
    )


def _node(site: str, node: str) -> Select[tuple[int]]:
    return (
        select(t.node.c.node_id)
        .join(t.site, t.site.c.site_id == t.node.c.site_id)
        .where(t.site.c.code == site, t.node.c.code == node)
    )


def _end(
    connection: Connection, which: Sequence[ColumnElement[bool]], *, by: Doer, why: str
) -> int:
    gone = {"ended_s": by.at_s, "ended_by": by.who, "why": why, "hash": None}
    return connection.execute(update(t.node_key).where(*which).values(gone)).rowcount


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
