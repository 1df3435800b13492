"""What proofs were taken from, day by day, chained: whoever kept one head can tell a later change.

A leaf is one line: the hours of one zone and day (their digest), a revision of a proof, an event, an
entry of a repair's case. After each lot of them stands one more, `count`, with how many of that unit there
are so far, itself among them: who shows them to others can leave none out. A leaf belongs to the UTC day on which
it was *recorded*; what came late belongs to the later day. When a day is over its leaves get a root (RFC 9162, 2.1.1) and the day a head::

    head = SHA-256(head of the day before, 32 bytes || day || number of leaves || root)

Day (since the epoch) and number are 8 bytes each, the greatest first; before the first day stand 32 zero
bytes. A day without leaves has the root of nothing. A day that is closed never changes.
"""

from collections.abc import Mapping, Sequence
from hashlib import sha256

from sqlalchemy import Connection, func, select

from monitor.store import schema as t

DAY_S = 86400
START = "00" * 32
COUNT = "count"


def leaf_hash(leaf: bytes) -> str:
    """Hash of one leaf, as hexadecimal digits."""
    return sha256(b"\x00" + leaf).hexdigest()


def root_of(hashes: Sequence[str]) -> str:
    """Merkle tree hash over the hashes of leaves, as hexadecimal digits."""
    nodes = [bytes.fromhex(one) for one in hashes]
    if not nodes:
        return sha256(b"").hexdigest()
    while len(nodes) > 1:
        pairs = range(0, len(nodes) - 1, 2)
        above = [sha256(b"\x01" + nodes[place] + nodes[place + 1]).digest() for place in pairs]
        nodes = above + nodes[len(nodes) - len(nodes) % 2 :]
    return nodes[0].hex()


def head_of(before: str, day: int, leaves: int, root: str) -> str:
    """Head of a day."""
    said = bytes.fromhex(before) + day.to_bytes(8) + leaves.to_bytes(8) + bytes.fromhex(root)
    return sha256(said).hexdigest()


def note(
    connection: Connection,
    unit_id: int,
    *,
    hours: Mapping[tuple[str, int], str],
    lines: Sequence[str],
    now_s: int,
) -> int:
    """Add what is new of a unit: digests of hours by (zone, day) that changed, and other lines; how many."""
    c = t.proof_leaf.c
    query = select(c.leaf).where(c.unit_id == unit_id).order_by(c.proof_leaf_id)
    known = connection.execute(query).scalars().all()
    last = {tuple(leaf.split("\t")[:3]): leaf for leaf in known if leaf.startswith("hours\t")}
    told = set(known)
    new = [line for line in dict.fromkeys(lines) if line not in told]
    new += [line for line in hours_lines(hours) if last.get(tuple(line.split("\t")[:3])) != line]
    closed = connection.execute(select(func.max(t.proof_day.c.day))).scalar()
    day = now_s // DAY_S
    if closed is not None:  # a clock that was set back opens no closed day
        day = max(day, closed + 1)
    if new or not is_counted(known):
        said = [*new, count_line(len(known) + len(new) + 1)]
        rows = [{"day": day, "unit_id": unit_id, "leaf": line} for line in said]
        connection.execute(t.proof_leaf.insert(), rows)
    return len(new)


def count_line(count: int) -> str:
    """Leaf that says how many there are of a unit, up to itself."""
    return f"{COUNT}\t{count}"


def is_counted(leaves: Sequence[str]) -> bool:
    """Whether the last leaf of a unit says how many there are; so it is of none."""
    return not leaves or leaves[-1].startswith(f"{COUNT}\t")


def uncounted(connection: Connection) -> list[str]:
    """Codes of units whose last leaf a version wrote that did not count."""
    c = t.proof_leaf.c
    last = select(c.leaf).where(c.unit_id == t.unit.c.unit_id)
    last = last.order_by(c.proof_leaf_id.desc()).limit(1)
    rows = connection.execute(select(t.unit.c.code, last.scalar_subquery()).order_by(t.unit.c.code))
    return [code for code, leaf in rows if leaf is not None and not is_counted([leaf])]


def hours_lines(hours: Mapping[tuple[str, int], str]) -> list[str]:
    """Leaves of hours: `hours`, zone, day, digest."""
    return [f"hours\t{zone}\t{day}\t{digest}" for (zone, day), digest in hours.items()]


def sound(connection: Connection) -> dict[int, tuple[bool, bool]]:
    """Of each closed day whether its leaves have its root, and whether its head follows."""
    found, before = {}, START
    for day, count, root, head in days(connection):
        hashes = _hashes(connection, day)
        is_root = len(hashes) == count and root_of(hashes) == root
        found[day] = (is_root, head_of(before, day, count, root) == head)
        before = head
    return found


def chain_anew(connection: Connection, were: Mapping[int, tuple[bool, bool]]) -> tuple[int, str]:
    """Chain the days anew after names went from leaves; how many changed, and the head before.

    What did not fit before (`were`, of `sound`) is left as it is: nobody's change is covered up.
    """
    d, before, last, changed = t.proof_day.c, START, "", 0
    for day, count, root, head in days(connection):
        is_root, follows = were[day]
        new_root = root_of(_hashes(connection, day)) if is_root else root
        new_head = head_of(before, day, count, new_root) if follows else head
        if (new_root, new_head) != (root, head):
            values = {"root": new_root, "head": new_head}
            connection.execute(t.proof_day.update().where(d.day == day).values(values))
            changed += 1
        before, last = new_head, head
    return changed, last


def _hashes(connection: Connection, day: int) -> list[str]:
    c = t.proof_leaf.c
    found = connection.execute(select(c.leaf).where(c.day == day).order_by(c.proof_leaf_id))
    return [leaf_hash(leaf.encode()) for leaf in found.scalars()]


def is_due(connection: Connection, *, now_s: int) -> bool:
    """Whether a day is over that is not closed."""
    last = connection.execute(select(func.max(t.proof_day.c.day))).scalar()
    if last is None:
        last = connection.execute(select(func.min(t.proof_leaf.c.day) - 1)).scalar()
    return last is not None and last + 1 < now_s // DAY_S


def close(connection: Connection, *, now_s: int) -> int:
    """Close every day that is over, in their order; how many."""
    d = t.proof_day.c
    last = connection.execute(select(d.day, d.head).order_by(d.day.desc()).limit(1)).one_or_none()
    first = connection.execute(select(func.min(t.proof_leaf.c.day))).scalar()
    if first is None:
        return 0
    day, head = (last.day + 1, last.head) if last else (first, START)
    count = 0
    while day < now_s // DAY_S:
        hashes = _hashes(connection, day)
        root = root_of(hashes)
        head = head_of(head, day, len(hashes), root)
        row = {"day": day, "leaves": len(hashes), "root": root, "head": head}
        connection.execute(t.proof_day.insert().values(row))
        day, count = day + 1, count + 1
    return count


def days(connection: Connection) -> list[tuple[int, int, str, str]]:
    """(day, leaves, root, head) of every closed day."""
    d = t.proof_day.c
    query = select(d.day, d.leaves, d.root, d.head).order_by(d.day)
    return [(row[0], row[1], row[2], row[3]) for row in connection.execute(query)]


def leaves(connection: Connection, unit_id: int, *, from_day: int) -> list[tuple[int, str, str]]:
    """(day, hash, leaf) of every leaf from a day on; of other units the hash alone."""
    c = t.proof_leaf.c
    query = select(c.day, c.unit_id, c.leaf).where(c.day >= from_day)
    return [
        (day, leaf_hash(leaf.encode()), leaf if owner == unit_id else "")
        for day, owner, leaf in connection.execute(query.order_by(c.day, c.proof_leaf_id))
    ]


def first_day(connection: Connection, unit_id: int) -> int | None:
    """Day of a unit's first leaf."""
    c = t.proof_leaf.c
    return connection.execute(select(func.min(c.day)).where(c.unit_id == unit_id)).scalar()
