"""Proofs of repairs in the record: told once, never rewritten.

A revision stands from its `at_s` on. Where readings or notes that came later change what was told
of an earlier time, a further revision says so from that time on; the older ones stay as they were.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from hashlib import sha256
from itertools import groupby
from math import isfinite, isnan
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, RowMapping, and_, func, or_, select

from monitor.errors import InputError
from monitor.lot import PROOF_CONDITIONS, PROOF_FIGURES, PROOF_VERDICTS, CaseNote
from monitor.store import schema as t
from monitor.store.dialects import insert
from monitor.store.rows import ProofRevision, ProofStep, ProofWork, RepairRow

LATE, NEW_RULES = "late readings", "new rules"
COUNTED = ("natural", "hose", "wash", "responses", "days")  # of a proof's figures: always known
MOST_GOAL = 100.0  # points: any that a person may decide on is far below
MOST_FIGURE, MOST_COUNT, MOST_ML = 2.0**40, 1e6, 1e6
_COLUMNS = ("hour", "temperature_c", "wood_moisture_percent", "coverage_percent", "rain_mm")


def keep(
    connection: Connection, zone_id: int, work: ProofWork, *, version: str, now_s: int
) -> None:
    """Keep what is new of a proof, and how it stands now."""
    known = revisions(connection, zone_id, work.repaired_s)
    c = t.proof_now.c
    keys = {"zone_id": zone_id, "repaired_s": work.repaired_s}
    told_s = connection.execute(
        select(c.at_s).where(c.zone_id == zone_id, c.repaired_s == work.repaired_s)
    ).scalar()
    other = NEW_RULES if known and known[-1].version != version else LATE
    p = t.proof.c
    mine = (p.zone_id == zone_id, p.repaired_s == work.repaired_s)
    last = connection.execute(select(func.max(p.number)).where(*mine)).scalar() or 0
    rows = [
        {
            **keys,
            **_columns(step),
            "number": number,
            "reason": other if told_s is not None and step.at_s <= told_s else "",
            "version": version,
            "recorded_s": now_s,
        }
        for number, step in enumerate(changed(known, work.steps), start=last + 1)
    ]
    if rows:
        connection.execute(t.proof.insert(), rows)
    now = _columns(work.now)
    given = insert(t.proof_now).values(keys | now)
    connection.execute(
        given.on_conflict_do_update(index_elements=["zone_id", "repaired_s"], set_=now)
    )


def changed(known: Sequence[ProofRevision], steps: Sequence[ProofStep]) -> list[ProofStep]:
    """Which steps have to be told so that what was told is what was worked out.

    From the first time at which the two differ on: that time's step, and all later ones.
    """
    line = _turns(standing_line(known))
    same = 0
    for kept, step in zip(line, steps, strict=False):
        if _said(kept) != _said(step):
            break
        same += 1
    if same == len(line):
        return list(steps[same:])
    turn_s = min(step.at_s for step in (*line[same : same + 1], *steps[same : same + 1]))
    begun = [step for step in steps if step.at_s <= turn_s][-1:]
    return [
        *(replace(step, at_s=turn_s) for step in begun),
        *(step for step in steps if step.at_s > turn_s),
    ]


def standing_line(known: Sequence[ProofRevision]) -> list[ProofStep]:
    """Steps that still stand, by time."""
    line: list[ProofStep] = []
    for revision in known:
        line = [step for step in line if step.at_s < revision.step.at_s]
        line.append(revision.step)
    return line


def _turns(line: Sequence[ProofStep]) -> list[ProofStep]:
    """A line without steps that say again what stood already: late readings can take a turn back."""
    stood: tuple[object, ...] = ()
    turns = []
    for step in line:
        if _said(step)[1:] != stood:
            stood = _said(step)[1:]
            turns.append(step)
    return turns


def _said(step: ProofStep) -> tuple[object, ...]:
    return step.at_s, step.verdict, step.missing


def _columns(step: ProofStep) -> dict[str, Any]:
    return {
        "at_s": step.at_s,
        "verdict": step.verdict,
        "size_ml": None if np.isnan(step.size_ml) else step.size_ml,
        "missing": "; ".join(step.missing),
        "figures": json.dumps(dict(step.figures)),  # nan and infinity as Python writes them
    }


def flaw(row: Mapping[str, Any] | RowMapping) -> str:
    """Why a row of a proof cannot be shown; "" for one that can.

    What this program wrote always can. A row from a stranger is refused by it at receipt; one that an
    older version took in is shown as an entry that cannot be read.
    """
    try:
        figures = json.loads(row["figures"])
    except (ValueError, RecursionError):
        return "whose figures cannot be read"
    if not isinstance(figures, dict) or figures.keys() != set(PROOF_FIGURES):
        return "with other figures than this program knows"
    if not all(map(_is_figure, figures.values())):
        return "with figures that are none"
    last_s = figures["last_survived_s"]
    found = {
        "with counts that are none": all(0 <= figures[name] < MOST_COUNT for name in COUNTED),
        "whose verdict is none": row["verdict"] in PROOF_VERDICTS,
        "that misses what this program does not know": set(row["missing"].split("; "))
        <= {"", *PROOF_CONDITIONS},
        "told again for no known reason": row.get("reason", "") in {"", LATE, NEW_RULES},
        "of a leak of no size": 0.0 <= (row["size_ml"] or 0.0) < MOST_ML,
        "that was survived at no time": isnan(last_s) or 0 <= last_s <= row["at_s"],
    }
    return next((said for said, is_so in found.items() if not is_so), "")


def _is_figure(value: object) -> bool:
    """A number of a size that can be written; not known and never are figures too."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) < MOST_FIGURE or (isinstance(value, float) and not isfinite(value))


def _step(row: RowMapping) -> ProofStep:
    return ProofStep(
        at_s=row["at_s"],
        verdict=row["verdict"],
        size_ml=float("nan") if row["size_ml"] is None else row["size_ml"],
        missing=tuple(filter(None, row["missing"].split("; "))),
        figures=json.loads(row["figures"]),
    )


def note_case(connection: Connection, zone_id: int, note: CaseNote) -> None:
    """Add an entry to the case of a repair.

    Raises
    ------
    InputError
        If no such repair of the zone was noted.
    """
    c = t.event.c
    known = select(c.event_id).where(
        c.zone_id == zone_id, c.kind == "repair", c.at_s == note.repaired_s
    )
    if connection.execute(known.limit(1)).scalar() is None:
        raise InputError(f"no repair of {note.zone} was noted at that time")
    names = ("repaired_s", "kind", "value", "at_s", "recorded_s", "who", "why")
    values = {name: getattr(note, name) for name in names}
    connection.execute(t.repair_case.insert().values(zone_id=zone_id, **values))


# --- what is read ---------------------------------------------------------------------------------


def revisions(connection: Connection, zone_id: int, repaired_s: int) -> list[ProofRevision]:
    """Everything that was ever told of one proof, without what cannot be read (`unread`)."""
    c = t.proof.c
    query = select(t.proof).where(c.zone_id == zone_id, c.repaired_s == repaired_s)
    return [
        ProofRevision(row["number"], _step(row), row["reason"], row["version"], row["recorded_s"])
        for row in connection.execute(query.order_by(c.number)).mappings()
        if not flaw(row)
    ]


def case_notes(connection: Connection, unit_id: int) -> list[CaseNote]:
    """What was entered of the repairs of a unit, in the order it was."""
    c = t.repair_case.c
    query = (
        select(
            t.zone.c.code,
            *(c.repaired_s, c.kind, c.value, c.at_s, c.recorded_s, c.who, c.why),
        )
        .join_from(t.repair_case, t.zone, t.zone.c.zone_id == c.zone_id)
        .where(t.zone.c.unit_id == unit_id)
        .order_by(c.repair_case_id)
    )
    return [CaseNote(*row) for row in connection.execute(query) if is_readable(*row[2:4])]


def is_goal(value: str) -> bool:
    """Whether what was entered as a drying goal is one."""
    try:
        return 0.0 < float(value) <= MOST_GOAL
    except ValueError:
        return False


def is_readable(kind: str, value: str) -> bool:
    """Not so of a goal that is none, as an older version took them from strangers."""
    return kind != "goal" or is_goal(value)


def rejected(
    connection: Connection, topics: Sequence[str], *, from_s: int, to_s: int
) -> list[tuple[int, str, str, str]]:
    """(received, topic, reason, digest of the payload) of what came under some topics."""
    c = t.reject.c
    query = select(c.received_s, c.topic, c.reason, c.payload).where(
        c.topic.in_(topics), c.received_s >= from_s, c.received_s < to_s
    )
    return [
        (at_s, topic, reason, sha256(payload).hexdigest())
        for at_s, topic, reason, payload in connection.execute(query.order_by(c.reject_id))
    ]


def repairs(connection: Connection, *, unit: str) -> list[RepairRow]:
    """Repairs that were noted of a zone, the newest first; notes of one time belong together."""
    now, c = t.proof_now, t.event.c
    query = (
        select(
            t.site.c.code.label("site"),
            t.site.c.timezone,
            t.unit.c.code.label("unit"),
            t.zone.c.code.label("zone"),
            t.zone.c.kind,
            t.zone.c.zone_id,
            c.at_s.label("noted_s"),
            c.value,
            *(now.c[name] for name in ("at_s", "verdict", "size_ml", "missing", "figures")),
        )
        .join_from(t.event, t.zone, t.zone.c.zone_id == c.zone_id)
        .join(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
        .join(t.site, t.site.c.site_id == t.unit.c.site_id)
        .outerjoin(now, and_(now.c.zone_id == t.zone.c.zone_id, now.c.repaired_s == c.at_s))
        .where(c.kind == "repair", t.unit.c.code == unit if unit else t.unit.c.code.is_not(None))
        .order_by(t.zone.c.zone_id, c.at_s, c.event_id)
    )
    found: list[RepairRow] = []
    for _, of_zone in groupby(connection.execute(query).mappings(), lambda row: row["zone_id"]):
        own = [list(same) for _, same in groupby(of_zone, lambda row: row["noted_s"])]
        ends = [rows[0]["noted_s"] for rows in own[1:]]
        found += [_repair(rows, end) for rows, end in zip(own, [*ends, None], strict=True)]
    return sorted(found, key=lambda row: (-row.repaired_s, row.unit, row.zone))


def unread(connection: Connection, zone_id: int, repaired_s: int) -> int:
    """How many entries of what was told of one proof cannot be read."""
    c = t.proof.c
    query = select(t.proof).where(c.zone_id == zone_id, c.repaired_s == repaired_s)
    return sum(flaw(row) != "" for row in connection.execute(query).mappings())


def _repair(rows: Sequence[RowMapping], ended_s: int | None) -> RepairRow:
    row = rows[0]
    told = row["at_s"] is not None
    is_read = told and flaw(row) == ""
    return RepairRow(
        **{name: row[name] for name in ("site", "timezone", "unit", "zone", "kind")},
        repaired_s=row["noted_s"],
        value=", ".join(filter(None, (one["value"] for one in rows))),
        ended_s=ended_s,
        now=_step(row) if is_read else None,
        is_unread=told and not is_read,
    )


def hours(
    connection: Connection, unit: str, *, from_hour: int, to_hour: int
) -> dict[str, dict[str, NDArray[Any]]]:
    """Columns of a unit's zones and of its site's own (a slash before the code), by hour."""
    own = select(t.unit.c.unit_id, t.unit.c.site_id).where(t.unit.c.code == unit).subquery()
    zones = connection.execute(
        select(t.zone.c.zone_id, t.zone.c.code, t.zone.c.unit_id).join(
            own,
            or_(
                t.zone.c.unit_id == own.c.unit_id,
                and_(t.zone.c.unit_id.is_(None), t.zone.c.site_id == own.c.site_id),
            ),
        )
    ).all()
    found: dict[str, dict[str, NDArray[Any]]] = {}
    columns = [t.hour.c[name] for name in _COLUMNS]
    for zone_id, code, owner in zones:
        query = select(*columns).where(
            t.hour.c.zone_id == zone_id, t.hour.c.hour >= from_hour, t.hour.c.hour < to_hour
        )
        rows = connection.execute(query.order_by(t.hour.c.hour)).all()
        if rows:
            table = np.array([tuple(row) for row in rows], dtype=np.float64).T
            name = code if owner is not None else f"/{code}"
            found[name] = dict(zip(_COLUMNS, table, strict=True))
            found[name]["hour"] = table[0].astype(np.int64)
    return found
