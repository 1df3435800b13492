"""Leases: of several processes one at a time does a piece of work.

::

    claimed: free, over, or claimed before under the same name -> count + 1
    renewed: while nobody else claimed it, however late
    every transaction of the work looks whether the count is still its own, or nothing of it is kept

On a server its clock says the time, so that machines whose clocks differ take none from each other.
Time only says when another may begin; that no two keep what they did is the count's doing. One that
was frozen past its lease, or whose clock is wrong, finds another count and keeps nothing. A lease that
ends later than twice its length from now was written by a clock that has been set back since: it
counts as over, so nobody is locked out for longer than that, whatever the step.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, and_, select, update

from monitor.errors import MeanwhileError
from monitor.store import schema as t
from monitor.store.dialects import insert
from monitor.store.engine import is_server, reading

if TYPE_CHECKING:
    from monitor.store.record import Record

LEASE_S = 120  # judging a unit takes seconds; a whole season of a large one less than a minute


@dataclass(frozen=True, slots=True)
class Lease:
    """That a process holds a piece of work; `count` tells it from whoever held it before."""

    what: str
    holder: str
    count: int


def claim(
    connection: Connection, what: str, holder: str, *, now_s: int, for_s: int
) -> Lease | None:
    """Take a lease, None if another holds it. Under one name there is one process at a time."""
    c = t.lease.c
    known = connection.execute(
        select(c.holder, c.until_s, c["count"]).where(c.what == what)
    ).one_or_none()
    count = 1
    if known is not None:
        other, until_s, before = known
        if other != holder and now_s < until_s <= now_s + 2 * for_s:
            return None
        count = before + 1
    values = {"holder": holder, "until_s": now_s + for_s, "count": count}
    connection.execute(
        insert(t.lease)
        .values(what=what, **values)
        .on_conflict_do_update(index_elements=["what"], set_=values)
    )
    return Lease(what, holder, count)


def set_end(connection: Connection, lease: Lease, *, until_s: int) -> bool:
    """Hold it until then, or let it go (0); False if another has claimed it since."""
    here = update(t.lease).where(_of(lease)).values(until_s=until_s)
    return bool(connection.execute(here).rowcount)


def check(connection: Connection, lease: Lease) -> None:
    """Raise MeanwhileError if another has claimed it since."""
    if connection.execute(select(t.lease.c.what).where(_of(lease))).first() is None:
        raise MeanwhileError(f"another process has taken over {lease.what}")


def _of(lease: Lease):  # type: ignore[no-untyped-def]  # noqa: ANN202
    c = t.lease.c
    return and_(c.what == lease.what, c.holder == lease.holder, c["count"] == lease.count)


class Alone:
    """Of a process that is the only one of its kind: all work is its own, and nothing is written."""

    is_shared = False

    @contextmanager
    def under(self, what: str, *, keep: bool = False) -> Iterator[bool]:  # noqa: ARG002
        """Do a piece of work."""
        yield True


ALONE = Alone()


def leases_of(record: "Record", holder: str, clock: Callable[[], int]) -> "Alone | Leases":
    """Leases of a process that others of its kind work beside; `holder` "": there are none."""
    if not holder:
        return ALONE
    if is_server(record.engine):
        clock = partial(_server_s, record.engine)
    return Leases(record, holder, clock, LEASE_S)


def _server_s(engine: Engine) -> int:
    from monitor.store import postgres

    with reading(engine) as connection:
        return postgres.now_s(connection)


@dataclass(slots=True)
class Leases:
    """The leases of one process.

    Parameters
    ----------
    record : Record
        What is written into it under a lease is kept only while the lease is held.
    holder : str
        Name of the process.
    clock : callable
        Seconds since the epoch.
    """

    record: "Record"
    holder: str
    clock: Callable[[], int]
    for_s: int = LEASE_S
    is_shared: bool = True
    held: dict[str, Lease] = field(default_factory=dict)

    @contextmanager
    def under(self, what: str, *, keep: bool = False) -> Iterator[bool]:
        """Do a piece of work if nobody else does; whether it is ours.

        `keep`: it stays ours afterwards, until others have waited for its end.
        """
        lease = self._take(what)
        if lease is None:
            yield False
            return
        with self.record.fenced(lease):
            yield True
        if not keep:
            self.held.pop(what)
            self.record.let_go(lease)

    def _take(self, what: str) -> Lease | None:
        now_s = self.clock()
        known = self.held.get(what)
        if known is not None and self.record.renew(known, now_s=now_s, for_s=self.for_s):
            return known
        taken = self.record.claim(what, self.holder, now_s=now_s, for_s=self.for_s)
        if taken is None:
            self.held.pop(what, None)
        else:
            self.held[what] = taken
        return taken
