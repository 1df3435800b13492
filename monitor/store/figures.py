"""Figures of operation, counted from the record: what a machine watches Sillkeep by.

Nothing that grows with the readings is read through, and nothing is told apart by unit, zone or node.
"""

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, case, func, select

from monitor.lot import DEFAULT_SILENCE_S
from monitor.store import checking, health, judging
from monitor.store import schema as t
from monitor.store.engine import reading
from monitor.store.health import Checks

# reasons of rejects are sentences that quote what came: they are counted by how they begin
REJECTS: tuple[tuple[str, str], ...] = (
    ("a retained message", "retained"),
    ("topic ", "topic"),
    ("not a SenML pack", "form"),
    ("label ", "form"),
    ("bver ", "form"),
    ("the pack ", "form"),
    ("[[map]]", "mapped"),
    ("line ", "imported"),
)
OTHER = "content"
HEARD, SILENT = "heard", "silent"

BySite = Mapping[str, int]
Counts = Mapping[tuple[str, str], int]


@dataclass(frozen=True, slots=True)
class Figures:
    """Counts as they stand; times in seconds since 1970."""

    sites: tuple[str, ...]
    newest_s: BySite  # when the newest stored sample was taken
    readings: BySite
    pending: int
    disputed: int
    rejects: Mapping[str, int]  # by kind
    nodes: Counts  # by site, and heard or silent
    probes: Counts
    alarms: Counts  # by class and state, those that are not over
    outbox: int  # entries that nobody was chosen for yet
    notices: Mapping[str, int]  # messages to people, by state
    failing: int  # of those that wait, tried at least once
    pulses: Mapping[str, tuple[int, Mapping[str, Any]]]
    checked: checking.Checked | None
    checks: Checks | None


def figures(engine: Engine, *, now_s: int) -> Figures:
    """All of them, in one look at the record."""
    with reading(engine) as db:
        sites = tuple(db.execute(select(t.site.c.code).order_by(t.site.c.code)).scalars())
        nodes, probes = _watched(db, now_s=now_s)
        newest, readings = _heard(db)
        return Figures(
            sites=sites,
            newest_s=newest,
            readings=readings,
            pending=_pending(db),
            disputed=_number(
                db,
                select(t.dispute.c.probe_id, t.dispute.c.boot, t.dispute.c.seq).distinct(),
            ),
            rejects=_rejects(db),
            nodes=nodes,
            probes=probes,
            alarms=_alarms(db),
            outbox=_number(db, select(t.outbox.c.outbox_id).where(t.outbox.c.done_s.is_(None))),
            notices=_notices(db),
            failing=_number(
                db,
                select(t.message.c.message_id).where(
                    t.message.c.state == "waiting", t.message.c.trouble != ""
                ),
            ),
            pulses={
                row.part: (row.at_s, json.loads(row.detail)) for row in db.execute(select(t.pulse))
            },
            checked=checking.last(db),
            checks=health.checks(db),
        )


def _number(db: Connection, query: Any) -> int:  # noqa: ANN401  a select of whatever columns
    return int(db.scalar(select(func.count()).select_from(query.subquery())) or 0)


def _heard(db: Connection) -> tuple[BySite, BySite]:
    """When the newest sample of each site was taken, and how many readings there are."""
    query = (
        select(t.site.c.code, func.max(t.latest.c.at_s), func.sum(t.latest.c.readings))
        .select_from(t.latest.join(t.probe).join(t.node).join(t.site))
        .group_by(t.site.c.code)
    )
    rows = db.execute(query).all()
    newest = {site: int(at_s) for site, at_s, _ in rows if at_s is not None}
    return newest, {site: int(number or 0) for site, _, number in rows}


def _pending(db: Connection) -> int:
    """Readings whose time is not known yet, probe by probe: by its index, and without the others."""
    of_probe = (
        select(func.count())
        .where(t.reading.c.probe_id == t.probe.c.probe_id, t.reading.c.at_s.is_(None))
        .scalar_subquery()
    )
    return int(db.scalar(select(func.coalesce(func.sum(of_probe), 0)).select_from(t.probe)) or 0)


def _rejects(db: Connection) -> Mapping[str, int]:
    c = t.reject.c.reason
    of = case(*((c.startswith(begins, autoescape=True), kind) for begins, kind in REJECTS),
                else_=OTHER)  # fmt: skip
    found = dict.fromkeys([*(kind for _, kind in REJECTS), OTHER], 0)
    kinds = select(of.label("kind")).subquery()
    query = select(kinds.c.kind, func.count()).group_by(kinds.c.kind)
    return found | {str(name): int(number) for name, number in db.execute(query)}


def _watched(db: Connection, *, now_s: int) -> tuple[Counts, Counts]:
    """Nodes and probes that watch a zone now, by site and whether they are heard."""
    there = judging.in_force(now_s=now_s)
    query = (
        select(
            t.site.c.code,
            t.node.c.node_id,
            t.latest.c.at_s,
            func.coalesce(t.latest.c.silence_s, DEFAULT_SILENCE_S),
        )
        .select_from(
            there.join(t.probe, t.probe.c.probe_id == there.c.probe_id)
            .join(t.node, t.node.c.node_id == t.probe.c.node_id)
            .join(t.site, t.site.c.site_id == t.node.c.site_id)
            .outerjoin(t.latest, t.latest.c.probe_id == t.probe.c.probe_id)
        )
        .where(there.c.zone_id.is_not(None))
    )
    probes: Counter[tuple[str, str]] = Counter()
    silent: dict[tuple[str, int], bool] = {}
    for site, node, at_s, silence_s in db.execute(query):
        is_silent = health.is_silent(at_s, silence_s=silence_s, now_s=now_s)
        probes[site, SILENT if is_silent else HEARD] += 1
        # a node is silent as the Chain page says it: with any probe that watches something
        silent[site, node] = silent.get((site, node), False) or is_silent
    nodes = Counter((site, SILENT if lost else HEARD) for (site, _), lost in silent.items())
    return nodes, probes


def _alarms(db: Connection) -> Counts:
    c = t.alarm.c
    query = (
        select(c["class"], c.state, func.count())
        .where(c.state != "normal", c.withdrawn_s.is_(None))
        .group_by(c["class"], c.state)
    )
    return {(class_, state): int(number) for class_, state, number in db.execute(query)}


def _notices(db: Connection) -> Mapping[str, int]:
    c = t.message.c
    found = dict.fromkeys(("waiting", "sent", "expired"), 0)
    query = select(c.state, func.count()).where(c.state.in_(list(found))).group_by(c.state)
    return found | {state: int(number) for state, number in db.execute(query)}
