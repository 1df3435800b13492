"""Health of everything between probe and person, as the pages show it: pulses, counts, nodes."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from operator import itemgetter
from typing import Any, Literal

from sqlalchemy import ColumnElement, Connection, Engine, FromClause, Row, func, select

from monitor.lot import DEFAULT_SILENCE_S, silent_after_s
from monitor.parts import OVER, kind_of
from monitor.store import checking, judging, people
from monitor.store import schema as t
from monitor.store.archive import Standing, standing

AnyRow = Row[*tuple[Any, ...]]
CHECK_LATE_S = 26 * 3600  # once a UTC day
NOT_WATCHED_S = 3_600  # shorter spans without an intake are restarts: nodes keep what they measure
CHECKS, BACKUP = "checks", "backup"  # pulses of no process: of the last look, of the last backup
PULSE_LATE_S = 600  # the watch ticks every minute or so: ten missed ticks are no hiccup


@dataclass(frozen=True, slots=True)
class Pulse:
    """When a process last made progress."""

    part: str
    at_s: int
    late: bool
    damage: bool = False  # the record's check of itself found some
    is_over: bool = False  # it is gone, and another took over its work


@dataclass(frozen=True, slots=True)
class NodeNow:
    """A node and when it was last heard."""

    site: str
    code: str
    heard_s: int | None
    silent: bool
    zones: tuple[str, ...]  # "unit/zone" its probes watch now


@dataclass(frozen=True, slots=True)
class Flood:
    """Messages of a node that its allowance had no room for ("": names that the record lacks)."""

    site: str
    node: str
    dropped: int  # since the intake was started
    at_s: int  # the last one


@dataclass(frozen=True, slots=True)
class StationNow:
    """A weather service, and how it does; None: never."""

    name: str
    site: str
    answered_s: int | None
    newest_s: int | None
    problem: str


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One thing of the installation that was looked at; `key` names its sentence (`monitor.text.checks`)."""

    of: str  # settings, broker, disk ...
    word: Literal["OK", "look", "broken"]
    key: str
    facts: Mapping[str, str | int]


@dataclass(frozen=True, slots=True)
class Checks:
    """What the last look at the installation found."""

    at_s: int
    lines: tuple[CheckLine, ...]
    # what the next look compares with: sizes of the record, day by day, and the clock
    sizes: tuple[tuple[int, int], ...] = ()
    clock: tuple[int, int, str] | None = (
        None  # time, seconds since the machine started, which start
    )


@dataclass(frozen=True, slots=True)
class Chain:
    """Health of everything between probe and person."""

    pulses: tuple[Pulse, ...]
    readings_day: int  # received in the last 24 h
    pending: int  # readings whose time is not known yet
    disputed: int  # identities for which two values came
    rejects: int
    reasons: tuple[tuple[str, int, int], ...]  # (reason, count, newest time), most frequent first
    untold: int  # entries of the outbox not handed over yet
    nodes: tuple[NodeNow, ...]
    archive: Standing | None = None  # None: there is none
    checked: checking.Checked | None = None  # None: the record was not checked yet
    post: people.Post | None = None
    nobody: tuple[int, ...] = ()  # alarms not answered in time, with nobody left to tell
    floods: tuple[Flood, ...] = ()
    stations: tuple[StationNow, ...] = ()
    checks: Checks | None = None  # None: nobody looked yet


def checks(db: Connection) -> Checks | None:
    """The last look at the installation that was kept; None: there was none, or by another version."""
    row = db.execute(
        select(t.pulse.c.at_s, t.pulse.c.detail).where(t.pulse.c.part == CHECKS)
    ).one_or_none()
    if row is None:
        return None
    told = json.loads(row.detail)
    return Checks(
        row.at_s,
        tuple(CheckLine(*line) for line in told["lines"]),
        tuple((at_s, size) for at_s, size in told["sizes"]),
        tuple(told["clock"]) if told["clock"] else None,
    )


def written_checks(found: Checks) -> str:
    """The same as the detail of its pulse."""
    lines = [[line.of, line.word, line.key, dict(line.facts)] for line in found.lines]
    return json.dumps({"lines": lines, "sizes": found.sizes, "clock": found.clock})


def is_silent(heard_s: int | None, *, silence_s: int, now_s: int) -> bool:
    """Whether nothing came for longer than the node declared, with patience."""
    return heard_s is None or now_s - heard_s > silent_after_s(silence_s)


@dataclass(frozen=True, slots=True)
class Listening:
    """When an intake last gave a sign, None if none ever did, and the newest long span without one."""

    at_s: int | None = None
    gap: tuple[int, int] | None = None

    def gap_before(self, started_s: int) -> tuple[int, int] | None:
        """The newest long span without an intake, as one that starts now has found it."""
        if self.at_s is not None and started_s - self.at_s >= NOT_WATCHED_S:
            return self.at_s, started_s
        return self.gap

    def absences(self, *, judged_s: int, now_s: int) -> list[tuple[int, int]]:
        """Long spans in which the monitor was away; `judged_s`: the watch's last sign before now.

        Where both were away the intake's span stands for both, as soon as one listens again.
        """
        found = [self.gap] if self.gap is not None else []
        unknown = self.at_s is None or self.is_deaf(now_s)
        told = any(to_s > judged_s for _, to_s in found)
        if now_s - judged_s >= NOT_WATCHED_S and not unknown and not told:
            found.append((judged_s, now_s))
        return found

    def is_deaf(self, now_s: int) -> bool:
        """Whether no intake has listened for long; of a record without one nothing is known."""
        return self.at_s is not None and now_s - self.at_s >= NOT_WATCHED_S


def pulses(engine: Engine, *, now_s: int) -> tuple[Pulse, ...]:
    """When each process last made progress."""
    with engine.connect() as db:
        return read_pulses(db, now_s=now_s)


def chain(engine: Engine, *, now_s: int) -> Chain:
    """Counts and nodes; no full scan of the readings."""
    identity = select(t.dispute.c.probe_id, t.dispute.c.boot, t.dispute.c.seq).distinct().subquery()
    newest = func.max(t.reject.c.received_s)
    reasons = (
        select(t.reject.c.reason, func.count(), newest)
        .group_by(t.reject.c.reason)
        .order_by(func.count().desc(), newest.desc())
        .limit(20)
    )
    archive = standing(engine)  # a connection of its own: not inside another's transaction
    with engine.connect() as db:
        return Chain(
            pulses=read_pulses(db, now_s=now_s),
            readings_day=_count_readings(db, t.reading.c.at_s > now_s - 86400),
            pending=_count_readings(db, t.reading.c.at_s.is_(None)),
            disputed=_count(db, identity),
            rejects=_count(db, t.reject),
            reasons=tuple((str(r[0]), int(r[1]), int(r[2])) for r in db.execute(reasons)),
            untold=db.scalar(
                select(func.count()).select_from(t.outbox).where(t.outbox.c.done_s.is_(None))
            )
            or 0,
            nodes=_nodes(db, now_s=now_s),
            archive=archive,
            checked=checking.last(db),
            post=people.post(db, now_s=now_s),
            nobody=_nobody(db),
            floods=floods(db)[1],
            stations=_stations(db),
            checks=checks(db),
        )


def _stations(db: Connection) -> tuple[StationNow, ...]:
    detail = db.scalar(select(t.pulse.c.detail).where(t.pulse.c.part == "weather"))
    names = ("name", "site", "answered_s", "newest_s", "problem")
    told = json.loads(detail).get("stations", ()) if detail else ()
    return tuple(StationNow(*(one[name] for name in names)) for one in told)


def listening(db: Connection) -> Listening:
    """The newest sign of progress of any intake, and what they say of the time before they were there.

    While one listens, what was dealt to another that is gone is on its way: by its heir, or from the
    nodes once more. To call nobody silent meanwhile would hide who is.
    """
    told = intakes(db).values()
    gaps = [(gap[0], gap[1]) for _, said in told if (gap := said.get("gap"))]
    newest = max(gaps, key=itemgetter(1), default=None)
    return Listening(max((at_s for at_s, _ in told), default=None), newest)


def intakes(db: Connection) -> dict[str, tuple[int, dict[str, Any]]]:
    """Pulse of each intake, and what it told with it, by its name."""
    rows = db.execute(select(t.pulse).where(t.pulse.c.part.like("intake%"))).all()
    return {row.part: (row.at_s, json.loads(row.detail))
            for row in rows if kind_of(row.part) == "intake"}  # fmt: skip


def floods(db: Connection) -> tuple[int, tuple[Flood, ...]]:
    """Since when all intakes count, and what they have dropped since, the newest first."""
    told = [said for _, said in intakes(db).values()]
    since_s = max((said.get("since_s", 0) for said in told), default=0)
    drops = [drop for said in told for drop in said.get("floods", {}).items()]
    if not drops:
        return since_s, ()
    query = select(t.site.c.code, t.node.c.code).join_from(t.site, t.node, isouter=True)
    known = {(site, node) for site, node in db.execute(query)}
    sites = sorted({site for site, _ in known})
    found: dict[tuple[str, str], Flood] = {}
    for topic, (dropped, at_s) in drops if sites else ():
        site, _, node = topic.removesuffix("/senml").rpartition("/")
        site = site.rpartition("/")[2]
        if (site, node) not in known:
            site, node = (site if site in sites else sites[0]), ""
        before = found.get((site, node), Flood(site, node, 0, 0))
        found[site, node] = Flood(site, node, before.dropped + dropped, max(before.at_s, at_s))
    return since_s, tuple(found.values())


def _nobody(db: Connection) -> tuple[int, ...]:
    detail = db.scalar(select(t.pulse.c.detail).where(t.pulse.c.part == "messages"))
    return tuple(json.loads(detail).get("nobody", ())) if detail else ()


def _count(db: Connection, source: FromClause) -> int:
    return db.scalar(select(func.count()).select_from(source)) or 0


def _count_readings(db: Connection, here: ColumnElement[bool]) -> int:
    """Counted probe by probe, by their index; a join would read all of it."""
    of_probe = (
        select(func.count())
        .where(t.reading.c.probe_id == t.probe.c.probe_id, here)
        .scalar_subquery()
    )
    return db.scalar(select(func.sum(of_probe)).select_from(t.probe)) or 0


def read_pulses(db: Connection, *, now_s: int) -> tuple[Pulse, ...]:
    """When each process last made progress, inside an open question."""
    checked = checking.last(db)
    found = []
    c = t.pulse.c
    query = select(c.part, c.at_s, c.detail).where(c.part.not_in((CHECKS, BACKUP))).order_by(c.part)
    for part, at_s, detail in db.execute(query):
        is_check = part == checking.PART
        late = now_s - at_s > (CHECK_LATE_S if is_check else PULSE_LATE_S)
        damage = is_check and checked is not None and checked.count > 0
        found.append(Pulse(part, at_s, late, damage, OVER in json.loads(detail)))
    return tuple(found)


def _nodes(db: Connection, *, now_s: int) -> tuple[NodeNow, ...]:
    """All nodes, silent ones first; a node whose probes watch nothing is not called silent."""
    there = judging.in_force(now_s=now_s)
    watching = (
        select(there.c.probe_id, t.unit.c.code.label("unit"), t.zone.c.code.label("zone"))
        .select_from(
            there.join(t.zone, t.zone.c.zone_id == there.c.zone_id).outerjoin(
                t.unit, t.unit.c.unit_id == t.zone.c.unit_id
            )
        )
        .subquery()
    )
    query = select(
        t.site.c.code.label("site"),
        t.node.c.code,
        t.latest.c.at_s,
        func.coalesce(t.latest.c.silence_s, DEFAULT_SILENCE_S).label("silence_s"),
        watching.c.unit,
        watching.c.zone,
    ).select_from(
        t.node.join(t.site)
        .outerjoin(t.probe, t.probe.c.node_id == t.node.c.node_id)
        .outerjoin(t.latest, t.latest.c.probe_id == t.probe.c.probe_id)
        .outerjoin(watching, watching.c.probe_id == t.probe.c.probe_id)
    )
    grouped: dict[tuple[str, str], list[AnyRow]] = {}
    for row in db.execute(query):
        grouped.setdefault((row.site, row.code), []).append(row)
    nodes = [
        NodeNow(
            site=key[0],
            code=key[1],
            heard_s=max((r.at_s for r in rows if r.at_s is not None), default=None),
            silent=any(
                r.zone is not None and is_silent(r.at_s, silence_s=r.silence_s, now_s=now_s)
                for r in rows
            ),
            zones=tuple(f"{r.unit or r.site}/{r.zone}" for r in rows if r.zone is not None),
        )
        for key, rows in grouped.items()
    ]
    return tuple(sorted(nodes, key=lambda n: (not n.silent, n.site, n.code)))
