"""Findings in the record: append-only, each identity once, however often and in which order it comes."""

import json
from collections.abc import Collection, Mapping
from dataclasses import asdict
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, select

from monitor.errors import InputError
from monitor.lot import Finding, Meter, Photo
from monitor.store import judging, photos
from monitor.store import schema as t

HOUR_S = 3600
SCORE_H = 48  # a score stands for the hours after its day; older, it says nothing of the moment
INSPECTED = ("no leak", "condensation", "nothing found")  # results that end a suspicion


def add(connection: Connection, finding: Finding, pictures: Mapping[str, bytes]) -> bool:
    """Keep a finding with its photos; False if it is there already.

    A result that finds no leak is noted as an inspection as well, which ends a leak suspicion as any
    inspection does; a leak that was found leaves it open.

    Raises
    ------
    InputError
        If there is no such unit or zone, a photo is missing or one too many, or another finding has
        the identity.
    """
    unit_id, zone_id, site_id = _place(connection, finding)
    c = t.finding.c
    known = connection.execute(
        select(c.unit_id, c.zone_id).where(c.identity == finding.identity)
    ).one_or_none()
    if known is not None:
        if tuple(known) != (unit_id, zone_id):
            raise InputError("another finding has this identity")
        return False
    for digest in finding.photos:
        if digest not in pictures:
            raise InputError("a photo of the finding is missing: send it again")
        photo = Photo(digest, finding.at_s, finding.recorded_s, finding.who)
        photos.keep(connection, unit_id, photo, pictures[digest])
    score, hour = _score(connection, zone_id, finding.at_s // HOUR_S)
    _insert(connection, finding, unit_id=unit_id, zone_id=zone_id, score=score, score_hour=hour)
    if finding.result in INSPECTED:
        _note(connection, finding, site_id=site_id, unit_id=unit_id, zone_id=zone_id)
    return True


def keep(
    connection: Connection, finding: Finding, *, unit_id: int, zone_id: int | None, digest: str
) -> None:
    """Keep a finding as it was received: nothing follows from it here."""
    more = {"score": finding.score, "score_hour": finding.score_hour, "digest": digest}
    _insert(connection, finding, unit_id=unit_id, zone_id=zone_id, **more)


def _insert(connection: Connection, finding: Finding, **more: object) -> None:
    row = {
        "identity": finding.identity,
        "round": finding.round,
        "at_s": finding.at_s,
        "recorded_s": finding.recorded_s,
        "who": finding.who,
        "construction": finding.construction,
        "checks": json.dumps(finding.checks),
        "result": finding.result,
        "note": finding.note,
        "photos": json.dumps(finding.photos),
        "withdraws": finding.withdraws,
        "digest": finding.digest,
    }
    query = t.finding.insert().values(row | more).returning(t.finding.c.finding_id)
    number = connection.execute(query).scalar_one()
    if finding.meter is not None:
        meter = finding.meter
        connection.execute(
            t.meter.insert().values(
                finding_id=number,
                device=meter.device,
                mode=meter.mode,
                percent=meter.percent,
                scale=meter.scale,
                temperature_c=meter.temperature_c,
                depth_mm=meter.depth_mm,
            )
        )


def _note(connection: Connection, finding: Finding, **place: int) -> None:
    value = f"{finding.result}: {finding.note}" if finding.note else finding.result
    connection.execute(
        t.event.insert().values(
            at_s=finding.at_s,
            kind="inspection",
            value=value[:400],
            recorded_s=finding.recorded_s,
            who=finding.who,
            **place,
        )
    )
    judging.mark_units(connection, hour=finding.at_s // HOUR_S, unit=finding.unit)


def listed(connection: Connection, unit: str) -> list[Finding]:
    """Entries of a unit by their time, withdrawals among them."""
    c, m = t.finding.c, t.meter.c
    query = (
        select(t.finding, t.zone.c.code, *(m[name].label(f"meter_{name}") for name in _METER))
        .join_from(t.finding, t.unit, t.unit.c.unit_id == c.unit_id)
        .join(t.zone, t.zone.c.zone_id == c.zone_id)
        .outerjoin(t.meter, m.finding_id == c.finding_id)
        .where(t.unit.c.code == unit)
        .order_by(c.at_s, c.identity)
    )
    return [_finding(row, unit) for row in connection.execute(query).mappings()]


_METER = ("device", "mode", "percent", "scale", "temperature_c", "depth_mm")


def _finding(row: Mapping[str, Any] | Any, unit: str) -> Finding:  # noqa: ANN401  a row mapping
    measured = None
    if row["meter_device"] is not None:
        measured = Meter(**{name: row[f"meter_{name}"] for name in _METER})
    return Finding(
        identity=row["identity"],
        unit=unit,
        zone=row["code"],
        round=row["round"],
        at_s=row["at_s"],
        recorded_s=row["recorded_s"],
        who=row["who"],
        construction=row["construction"],
        checks=tuple((check, answer) for check, answer in json.loads(row["checks"])),
        result=row["result"],
        note=row["note"],
        meter=measured,
        photos=tuple(json.loads(row["photos"])),
        withdraws=row["withdraws"],
        score=row["score"],
        score_hour=row["score_hour"],
        digest=row["digest"],
    )


def digest(finding: Finding) -> str:
    """SHA-256 of all that somebody told; the record's own additions are not in it."""
    told = asdict(finding)
    for added in ("recorded_s", "score", "score_hour", "digest"):
        del told[added]
    told["checks"] = sorted(told["checks"])
    return sha256(json.dumps(told, sort_keys=True, ensure_ascii=True).encode()).hexdigest()


def whole(connection: Connection) -> set[str]:
    """Identities of the findings that are as they were written."""
    return {one.identity for one in _every(connection) if digest(one) == one.digest}


def sign_anew(connection: Connection, were: Collection[str]) -> int:
    """Digests anew, of those that were whole before a name went out of them; how many changed."""
    changed = 0
    for one in _every(connection):
        new = digest(one)
        if one.identity in were and new != one.digest:
            here = t.finding.c.identity == one.identity
            connection.execute(t.finding.update().where(here).values(digest=new))
            changed += 1
    return changed


def _every(connection: Connection) -> list[Finding]:
    units = connection.execute(select(t.unit.c.code).order_by(t.unit.c.unit_id)).scalars().all()
    return [one for unit in units for one in listed(connection, unit)]


def _place(connection: Connection, finding: Finding) -> tuple[int, int, int]:
    query = (
        select(t.zone.c.unit_id, t.zone.c.zone_id, t.unit.c.site_id)
        .join_from(t.zone, t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
        .where(t.unit.c.code == finding.unit, t.zone.c.code == finding.zone)
    )
    found = connection.execute(query).one_or_none()
    if found is None:
        raise InputError(f'there is no zone "{finding.zone}" in {finding.unit}')
    return tuple(found)


def _score(connection: Connection, zone_id: int, hour: int) -> tuple[float | None, int | None]:
    """Newest leak score of a zone up to an hour, and its hour."""
    c = t.hour.c
    query = (
        select(c.leak_score, c.hour)
        .where(
            c.zone_id == zone_id,
            c.hour <= hour,
            c.hour > hour - SCORE_H,
            c.leak_score.is_not(None),
        )
        .order_by(c.hour.desc())
        .limit(1)
    )
    found = connection.execute(query).one_or_none()
    return (None, None) if found is None else (found[0], found[1])
