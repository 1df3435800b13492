"""What goes with a unit to its new owner, as tables, and how it is taken in there.

::

    PARTS     name of a file -> its columns, how its rows are read here, how they are kept there

A row that is kept replaces what an earlier file of the same unit gave: who received files in any order
has what the newest one says. Judged hours go along and not readings: they are what was told, under the
rules, limits and outside air of that time and place; readings would be judged again beside another
yard's air, and are ten times as large. Nothing that was received is judged again (`until_s`).

Left out are who lived there and when, the air of rooms on days on which somebody did, and names: a
person is their role. Of days lived in, the other zones have the day's mean in the place of each hour's air.
Findings in rooms on such days stay too, with their photos. The digest of a finding is made anew over the row as
it was received: that nobody changed it before, the signature of the file says, and no digest of it.
"""

import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any, get_args
from uuid import NAMESPACE_OID, UUID, uuid5

from sqlalchemy import Connection, Table, delete, func, insert, or_, select, update

from monitor.errors import InputError
from monitor.lot import (
    AIR_KINDS,
    ALARM_KINDS,
    EVENT_KINDS,
    JOINT_KINDS,
    PRIVATE,
    ROLES,
    SEAL_ACTS,
    SEAL_FINDINGS,
    SEAL_GROUPS,
    SEALANTS,
    ZONE_KINDS,
    AlarmClass,
    AlarmState,
    BenchPoint,
    CaseKind,
    Construction,
    Finding,
    FoundResult,
    Lean,
    Meter,
    MeterMode,
    MouldClass,
    Photo,
    Roof,
    Side,
)
from monitor.store import bench, brought, findings, judging, parting, photos, proving
from monitor.store import schema as t
from sensors.wire import CODE

HOUR_S, DAY_S, DAY_H = 3600, 86_400, 24
SELLER = "seller: "  # before the role of whoever noted what was received
HANDED = "handover"  # who ends an alarm that stood when the unit was handed over
STOOD = "stood at the handover: "
SOMEBODY, PROGRAM = "a person", "sillkeep"
OURS = frozenset({"", PROGRAM, "import", "command line", SOMEBODY, HANDED, *ROLES})  # no names
KEY_OF_RECEIVED = "received/"
CHANGES = frozenset({"sold", "retired", "back", "received"})  # that a ledger tells of a unit
PLACES = frozenset({"this lot", "this home"})  # words of the ledger for this side
KEY = re.compile(r"[0-9a-f]{64}")
NAMED = (  # columns that say who did something
    t.event.c.who, t.alarm_step.c.who, t.photo.c.who, t.placement.c.who, t.finding.c.who, t.joint.c.who,
    t.seal_entry.c.who, t.seal_rule.c.who, t.repair_case.c.who, t.bench_point.c.who,
    t.bench_back.c.who, t.bench_undo.c.who,
)  # fmt: skip
LEAST_H = 12  # of a day that must be known for its mean
MOST_TEXT, MOST_LONG = (
    4_000,
    20_000,
)  # letters of a cell that somebody typed, and that a program wrote
MOST_S = 2**40

# --- columns --------------------------------------------------------------------------------------

Kind = (
    str | tuple[str, ...]
)  # whole, real, text, long, code; the words allowed; "?" after it: may be empty
_STATES = ("dry", "damp", "wet", "unknown", "")
_TRENDS = ("steady", "wetting", "drying", "")
_AIR = (  # of an hour, what tells when somebody was in
    "temperature_c", "humidity_percent", "dew_point_c", "humidity_ratio_g_kg",
    "surface_humidity_percent", "dew_point_margin_k",
)  # fmt: skip
_HOUR: dict[str, Kind] = {
    "zone": "code",
    "hour": "whole",
    "readings": "whole",
    "coverage_percent": "real",
    **{
        column.name: "days?" if column.name.startswith("days_to") else "real?"
        for column in t.hour.c
        if column.nullable and column.name not in {"zone_id", "hour"}
    },
    "moisture_basis": ("air", "pin", ""),
    "state": _STATES,
    "trend": _TRENDS,
    "cause": "text",
    "witnessed": "whole",
}
_PROOF: dict[str, Kind] = {
    "zone": "code",
    "repaired_s": "whole",
    "number": "whole",  # 0: how it stands
    "at_s": "whole",
    "verdict": "text",
    "size_ml": "real?",
    "missing": "long",
    "figures": "long",
    "reason": "text",
    "version": "text",
    "recorded_s": "whole",
}


@dataclass(slots=True)
class Giver:
    """Who reads a unit's rows: what is private to him is left out."""

    connection: Connection
    unit: str
    spells: Sequence[tuple[int, int | None]]  # when somebody lived there
    until_s: int
    photos: bool = True
    unit_id: int = 0
    site_id: int = 0
    zones: dict[int, str] = field(default_factory=dict)
    rooms: frozenset[int] = frozenset()
    roles: dict[str, str] = field(default_factory=dict)  # by name as compared
    names: "re.Pattern[str] | None" = None
    _found: tuple[list[Finding], list[Finding]] | None = None
    _photos: list[Photo] | None = None

    def __post_init__(self) -> None:
        row = self.connection.execute(
            select(t.unit.c.unit_id, t.unit.c.site_id).where(t.unit.c.code == self.unit)
        ).one_or_none()
        if row is None:
            raise InputError(f'there is no unit "{self.unit}"')
        self.unit_id, self.site_id = row
        z = t.zone.c
        query = select(z.zone_id, z.code, z.kind).where(z.unit_id == self.unit_id)
        found = self.connection.execute(query.order_by(z.zone_id)).all()
        self.zones = {zone: code for zone, code, _ in found}
        self.rooms = frozenset(zone for zone, _, kind in found if kind in AIR_KINDS)
        self._know()

    def _know(self) -> None:
        names: set[str] = set()
        for table in (t.account, t.person):
            for name, role in self.connection.execute(select(table.c.name, table.c.role)):
                self.roles[name.casefold()] = role
                names.add(name)
        for column in NAMED:
            names |= set(self.connection.execute(select(column).distinct()).scalars())
        known = sorted(
            (n for n in names - OURS if len(n) > 1 and not n.startswith(SELLER)), key=len
        )
        if known:
            every = "|".join(r"\s+".join(map(re.escape, n.split())) for n in reversed(known))
            self.names = re.compile(rf"(?<!\w)(?:{every})(?!\w)", re.IGNORECASE)

    def role(self, who: str) -> str:
        """Who did something, as far as it goes along: a role."""
        who = who.removeprefix(SELLER)
        return who if who in OURS else self.roles.get(who.casefold(), SOMEBODY)

    def plain(self, said: str) -> str:
        """What somebody typed, without the names that are known here."""
        return (said if self.names is None else self.names.sub(SOMEBODY, said))[:MOST_TEXT]

    def hand(self, said: str) -> str:
        """From or to whom a unit went, as far as it goes along: a key, a role, a word of the program."""
        return said if said in PLACES or KEY.fullmatch(said) else self.role(said)

    def found(self) -> tuple[list[Finding], list[Finding]]:
        """Findings that go along, and those in rooms on days lived in, which stay with what withdraws them."""
        if self._found is None:
            rooms = {self.zones[zone] for zone in self.rooms}
            every = findings.listed(self.connection, self.unit)
            hidden = {
                one.identity
                for one in every
                if one.zone in rooms and self.is_lived(one.at_s, one.at_s)
            }
            private = [one for one in every if hidden & {one.identity, one.withdraws}]
            told = [
                one
                for one in every
                if one not in private and _is_told(self, one.who, one.recorded_s)
            ]
            self._found = told, private
        return self._found

    def carried(self) -> list[Photo]:
        """Photos that go along."""
        if self._photos is None:
            told, private = self.found()
            shown = {digest for one in told for digest in one.photos}
            hidden = {digest for one in private for digest in one.photos} - shown
            self._photos = [
                photo
                for photo in photos.listed(self.connection, self.unit_id)
                if self.photos
                and photo.digest not in hidden
                and _is_told(self, photo.who, photo.recorded_s)
            ]
        return self._photos

    def digests(self) -> set[str]:
        """Digests of the photos that go along."""
        return {photo.digest for photo in self.carried()}

    def is_lived(self, from_s: int, to_s: int) -> bool:
        """Whether somebody lived there on a day of [from_s, to_s]."""
        return any(
            from_s // DAY_S <= (self.until_s if end is None else end) // DAY_S
            and start // DAY_S <= to_s // DAY_S
            for start, end in self.spells
        )


@dataclass(slots=True)
class Taker:
    """Who keeps a unit's rows: into which unit, from which key, up to when.

    `before` is what the file before this one said of unit and zones (None: there was none), so that what
    was changed here since stays; `is_ours`: this home's own hours have begun, and all of that stays.
    """

    connection: Connection
    unit_id: int
    site_id: int
    key: str
    until_s: int
    before: dict[str, list[list[Any]]] | None = None
    is_ours: bool = False
    photos: dict[str, bytes] = field(default_factory=dict)
    zones: dict[str, int] = field(default_factory=dict)
    papers: dict[str, list[list[Any]]] = field(default_factory=dict)

    def zone(self, code: str) -> int | None:
        """A zone of the unit by its code; None for none."""
        if code and code not in self.zones:
            raise InputError(f"it names a zone {code!r:.60} that it does not have")
        return self.zones[code] if code else None

    def described(
        self, part: str, key: str, given: dict[str, Any], here: Mapping[Any, Any]
    ) -> dict[str, Any]:
        """What of a description is taken over one that is here: nothing that was changed here."""
        if self.before is None:
            return given
        if self.is_ours:
            return {}
        every = (dict(zip(given, row, strict=False)) for row in self.before.get(part, []))
        said = next((old for old in every if not key or old[key] == given[key]), {})
        return {
            name: value
            for name, value in given.items()
            if name in said and said[name] == here[name]
        }


Row = Sequence[Any]


@dataclass(frozen=True, slots=True)
class Part:
    """A file: its columns, its rows here, and what is done with them there."""

    columns: dict[str, Kind]
    rows: Callable[[Giver], Iterable[Row]]
    keep: Callable[[Taker, list[dict[str, Any]]], None]


# --- unit and zones -------------------------------------------------------------------------------

_UNIT: dict[str, Kind] = {
    "name": "text",
    "body_type": "text",
    "lean": get_args(Lean),
    "weather_side": get_args(Side),
    "slides": "whole?",
    "roof": get_args(Roof),
}


def _unit(giver: Giver) -> Iterable[Row]:
    query = select(*(t.unit.c[name] for name in _UNIT)).where(t.unit.c.unit_id == giver.unit_id)
    row = giver.connection.execute(query).one()
    return [(giver.plain(row[0]), *row[1:])]


def _keep_unit(taker: Taker, rows: list[dict[str, Any]]) -> None:
    mine = t.unit.c.unit_id == taker.unit_id
    here = taker.connection.execute(select(t.unit).where(mine)).mappings().one()
    values = taker.described("unit.csv", "", rows[0], here)
    if values:
        taker.connection.execute(update(t.unit).where(mine).values(values))
    _paper("unit.csv")(taker, rows)


_ZONES: dict[str, Kind] = {
    "code": "code",
    "kind": ZONE_KINDS,
    "material": "text",
    "mould_class": get_args(MouldClass),
    "dry_twin": "text",
    "faces": "text",
    "temperature_factor": "real?",
    "watched_from_s": "whole?",
}


def _zones(giver: Giver) -> Iterable[Row]:
    z = t.zone.c
    query = select(*(z[name] for name in _ZONES)).where(z.unit_id == giver.unit_id)
    return [tuple(row) for row in giver.connection.execute(query.order_by(z.zone_id))]


def _keep_zones(taker: Taker, rows: list[dict[str, Any]]) -> None:
    z = t.zone.c
    mine = z.unit_id == taker.unit_id
    query = select(t.zone).where(mine)
    known = {row["code"]: row for row in taker.connection.execute(query).mappings()}
    for row in rows:
        here = known.get(row["code"])
        if here is None:
            given = row | {"unit_id": taker.unit_id, "site_id": taker.site_id}
            taker.connection.execute(insert(t.zone).values(given))
        elif values := taker.described("zones.csv", "code", row, here):
            taker.connection.execute(
                update(t.zone).where(z.zone_id == here["zone_id"]).values(values)
            )
    _paper("zones.csv")(taker, rows)
    taker.zones = dict(taker.connection.execute(select(z.code, z.zone_id).where(mine)).all())


# --- hours ----------------------------------------------------------------------------------------


def _hours(giver: Giver) -> Iterable[Row]:
    c = t.hour.c
    columns = [c[name] for name in _HOUR if name != "zone"]
    for zone_id, code in giver.zones.items():
        query = select(*columns).where(c.zone_id == zone_id, c.hour * HOUR_S < giver.until_s)
        rows = giver.connection.execute(query.order_by(c.hour)).all()
        if not giver.spells:
            yield from ((code, *row) for row in rows)
            continue
        yield from ((code, *row) for row in _without_people(giver, zone_id, rows))


def _without_people(giver: Giver, zone_id: int, rows: Sequence[Row]) -> Iterable[Row]:
    """Hours of a zone; of days lived in none of a room, and the day's mean for the air of others."""
    places = [place for place, name in enumerate(list(_HOUR)[1:]) if name in _AIR]
    days: dict[int, list[Row]] = {}
    for row in rows:
        days.setdefault(row[0] // DAY_H, []).append(row)
    for day, of_day in days.items():
        if not giver.is_lived(day * DAY_S, day * DAY_S + DAY_S - 1):
            yield from of_day
        elif zone_id not in giver.rooms:
            means = {place: _mean([row[place] for row in of_day]) for place in places}
            for row in of_day:
                yield tuple(means.get(place, value) for place, value in enumerate(row))


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return round(sum(known) / len(known), 3) if len(known) >= LEAST_H else None


def _keep_hours(taker: Taker, rows: list[dict[str, Any]]) -> None:
    c, limit = t.hour.c, taker.until_s // HOUR_S
    mine = c.zone_id.in_(list(taker.zones.values()))
    taker.connection.execute(delete(t.hour).where(mine, c.hour < limit))
    given = [row | {"zone_id": taker.zone(row["zone"])} for row in rows]
    for row in given:
        del row["zone"]
    if given:
        taker.connection.execute(insert(t.hour), given)
        first = min(row["hour"] for row in given)
        judging.mark_archive(taker.connection, taker.zones.values(), hour=first)


# --- what happened --------------------------------------------------------------------------------

_EVENTS: dict[str, Kind] = {
    "at_s": "whole",
    "zone": "text",
    "kind": tuple(kind for kind in EVENT_KINDS if kind not in PRIVATE),
    "value": "text",
    "recorded_s": "whole",
    "who": "text",
}


def _events(giver: Giver) -> Iterable[Row]:
    """Events of the unit, and those of its site, without those of who lives there."""
    c = t.event.c
    own = or_(
        c.unit_id == giver.unit_id,
        # a site's weather is of its units, from when one was there
        (c.site_id == giver.site_id) & c.unit_id.is_(None) & c.kind.in_(("rain", "snow", "thaw")),
    )
    query = select(
        c.at_s, c.zone_id, c.kind, c.value, c.recorded_s, c.who
    ).where(own, c.at_s < giver.until_s, c.kind.not_in(PRIVATE))  # fmt: skip
    rows = giver.connection.execute(query.order_by(c.at_s, c.event_id))
    return [
        (row.at_s, giver.zones.get(row.zone_id, ""), row.kind, giver.plain(row.value),
         row.recorded_s, giver.role(row.who))
        for row in rows
    ]  # fmt: skip


def _keep_events(taker: Taker, rows: list[dict[str, Any]]) -> None:
    c = t.event.c
    own = (c.unit_id == taker.unit_id, c.who.startswith(SELLER))
    taker.connection.execute(delete(t.event).where(*own))
    for row in rows:
        given = row | {"zone_id": taker.zone(row["zone"]), "who": f"{SELLER}{row['who']}"}
        del given["zone"]
        given |= {"unit_id": taker.unit_id, "site_id": taker.site_id}
        taker.connection.execute(insert(t.event).values(given))


_ALARMS: dict[str, Kind] = {
    "number": "whole",
    "zone": "text",
    "kind": ALARM_KINDS,
    "class": get_args(AlarmClass),
    "raised_s": "whole",
    "cleared_s": "whole?",
    "state": get_args(AlarmState),
    "cause": "text",
    "text": "long",
    "instant": "whole",
    "withdrawn_s": "whole?",
    "revision": "whole",
    "parts": "long",
    "facts": "long",
}
_STEPS: dict[str, Kind] = {
    "alarm": "whole",
    "number": "whole",
    "at_s": "whole",
    "recorded_s": "whole",
    "state": get_args(AlarmState),
    "who": "text",
    "why": "text",
}


def _told(giver: Giver) -> list[Any]:
    """Alarms that go along: none of a room on a day on which somebody lived there."""
    c = t.alarm.c
    query = select(t.alarm).where(c.unit_id == giver.unit_id, c.raised_s < giver.until_s)
    rows = giver.connection.execute(query).mappings().all()
    in_order = sorted(  # by nothing that is of this record alone
        rows, key=lambda r: (r["raised_s"], giver.zones.get(r["zone_id"], ""), r["kind"], r["text"])
    )
    return [
        row
        for row in in_order
        if row["zone_id"] not in giver.rooms
        or not giver.is_lived(row["raised_s"], row["cleared_s"] or giver.until_s)
    ]


def _step_rows(giver: Giver, alarm_id: int) -> list[Any]:
    c = t.alarm_step.c
    query = select(t.alarm_step).where(c.alarm_id == alarm_id).order_by(c.number)
    return list(giver.connection.execute(query).mappings())


def _stood(steps: Sequence[Any]) -> str:
    """In which state an alarm stood when it was received; "" for one that was over."""
    last = steps[-1] if steps else None
    if last is None or last["who"] != HANDED or not last["why"].startswith(STOOD):
        return ""
    return str(last["why"].removeprefix(STOOD))


def _alarms(giver: Giver) -> Iterable[Row]:
    for number, row in enumerate(_told(giver), 1):
        stood = _stood(_step_rows(giver, row["alarm_id"]))
        told = dict(row) | {"number": number, "zone": giver.zones.get(row["zone_id"], "")}
        if stood:
            state, _, open_ = stood.partition(", ")
            told |= {"state": state, "cleared_s": None if open_ else row["cleared_s"]}
        yield tuple(told[name] for name in _ALARMS)


def _steps(giver: Giver) -> Iterable[Row]:
    for number, row in enumerate(_told(giver), 1):
        steps = _step_rows(giver, row["alarm_id"])
        for step in steps[:-1] if _stood(steps) else steps:
            role, why = giver.role(step["who"]), giver.plain(step["why"])
            yield (number, *(step[n] for n in ("number", "at_s", "recorded_s", "state")), role, why)


def _keep_alarms(taker: Taker, rows: list[dict[str, Any]]) -> None:
    c, start = t.alarm.c, f"{KEY_OF_RECEIVED}{taker.unit_id}/"
    old = select(c.alarm_id).where(c.key.startswith(start, autoescape=True))
    for table in (t.alarm_step, t.message_alarm, t.cause_member):
        taker.connection.execute(delete(table).where(table.c.alarm_id.in_(old)))
    taker.connection.execute(delete(t.alarm).where(c.key.startswith(start, autoescape=True)))
    for row in rows:
        given = row | {"zone_id": taker.zone(row["zone"]), "key": f"{start}{row['number']}"}
        given |= {"unit_id": taker.unit_id, "site_id": taker.site_id, "state": "normal"}
        if row["state"] != "normal" and row["cleared_s"] is None:
            given["cleared_s"] = taker.until_s
        del given["zone"], given["number"]
        made = insert(t.alarm).values(given).returning(c.alarm_id)
        number = int(taker.connection.execute(made).scalar_one())
        if row["state"] != "normal":
            open_ = ", open" if row["cleared_s"] is None else ""
            last: dict[str, Any] = {"alarm_id": number, "number": 1_000_000, "at_s": taker.until_s}
            last |= {"recorded_s": taker.until_s, "state": "normal", "who": HANDED}
            last["why"] = f"{STOOD}{row['state']}{open_}"
            taker.connection.execute(insert(t.alarm_step).values(last))


def _keep_steps(taker: Taker, rows: list[dict[str, Any]]) -> None:
    c, start = t.alarm.c, f"{KEY_OF_RECEIVED}{taker.unit_id}/"
    query = select(c.key, c.alarm_id).where(c.key.startswith(start, autoescape=True))
    numbers = {key.removeprefix(start): number for key, number in taker.connection.execute(query)}
    for row in rows:
        given = row | {"alarm_id": numbers[str(row["alarm"])], "who": f"{SELLER}{row['who']}"}
        del given["alarm"]
        taker.connection.execute(insert(t.alarm_step).values(given))


# --- repairs, limits, placements, photos ----------------------------------------------------------


def _proofs(giver: Giver) -> Iterable[Row]:
    for zone_id, code in giver.zones.items():
        for table in (t.proof, t.proof_now):
            query = select(table).where(
                table.c.zone_id == zone_id, table.c.repaired_s < giver.until_s
            )
            for row in giver.connection.execute(query).mappings():
                told = {"number": 0, "reason": "", "version": "", "recorded_s": 0} | dict(row)
                if told["at_s"] <= giver.until_s and not proving.flaw(row):
                    yield (code, *(told[name] for name in list(_PROOF)[1:]))


def _keep_proofs(taker: Taker, rows: list[dict[str, Any]]) -> None:
    zones = list(taker.zones.values())
    told = {  # by a file before, of a later midnight than is left of this one
        (row["zone_id"], row["repaired_s"]): dict(row)
        for row in taker.connection.execute(
            select(t.proof_now).where(t.proof_now.c.zone_id.in_(zones))
        ).mappings()
        if not proving.flaw(row)
    }
    for table in (t.proof, t.proof_now):
        c = table.c
        old = (c.zone_id.in_(zones), c.repaired_s < taker.until_s)
        taker.connection.execute(delete(table).where(*old))
    for row in rows:
        given = row | {"zone_id": taker.zone(row["zone"])}
        table = t.proof if row["number"] else t.proof_now
        before = told.get((given["zone_id"], row["repaired_s"]))
        if before and not row["number"] and row["at_s"] < before["at_s"] <= taker.until_s:
            given |= before
        kept = {column.name: given[column.name] for column in table.c}
        taker.connection.execute(insert(table).values(kept))


_LIMITS: dict[str, Kind] = {
    "name": "text", "body_type": "text", "old": "real", "new": "real",
    "from_hour": "whole", "recorded_s": "whole", "who": "text", "why": "text",
}  # fmt: skip
_PLACEMENTS: dict[str, Kind] = {
    "node": "text", "probe": "text", "zone": "code", "from_s": "whole", "to_s": "whole?",
}  # fmt: skip


def _limits(giver: Giver) -> Iterable[Row]:
    """Changes of limits that bore on the unit."""
    papers = _papers(giver, "limits.csv")
    if papers:
        yield from papers
        return
    c = t.limit_change.c
    body = select(t.unit.c.body_type).where(t.unit.c.unit_id == giver.unit_id).scalar_subquery()
    query = (
        select(*(c[name] for name in _LIMITS))
        .where(or_(c.site_id.is_(None), c.site_id == giver.site_id), c.body_type.in_(["", body]))
        .order_by(c.limit_change_id)
    )
    for *row, who, why in giver.connection.execute(query):
        yield (*row, giver.role(who), giver.plain(why))


def _placements(giver: Giver) -> Iterable[Row]:
    yield from _papers(giver, "placements.csv")
    for placement in judging.placements(giver.connection):
        if placement.unit == giver.unit:
            yield (
                *(placement.node, placement.probe, placement.zone),
                *(placement.from_s, placement.to_s),
            )


def _papers(giver: Giver, name: str) -> list[list[Any]]:
    """Rows that an earlier owner gave, and that no table takes."""
    c = t.received.c
    held = giver.connection.execute(select(c.papers).where(c.unit_id == giver.unit_id)).scalar()
    found: list[list[Any]] = json.loads(held).get(name, []) if held else []
    return found


def _paper(name: str) -> Callable[[Taker, list[dict[str, Any]]], None]:
    """Keep rows as they are: they bear on nothing here."""

    def keep(taker: Taker, rows: list[dict[str, Any]]) -> None:
        taker.papers[name] = [list(row.values()) for row in rows]

    return keep


_PHOTOS: dict[str, Kind] = {
    "digest": "text", "at_s": "whole", "recorded_s": "whole", "who": "text", "caption": "text",
}  # fmt: skip


def _photos(giver: Giver) -> Iterable[Row]:
    for photo in giver.carried():
        role, caption = giver.role(photo.who), giver.plain(photo.caption)
        yield photo.digest, photo.at_s, photo.recorded_s, role, caption


def _ours(taker: Taker) -> set[str]:
    """Digests of photos that entries of this home name: they stay, whoever gave them first."""
    named: set[str] = set()
    for table in (t.finding, t.seal_entry):
        own = (table.c.unit_id == taker.unit_id, ~table.c.who.startswith(SELLER))
        for said in taker.connection.execute(select(table.c.photos).where(*own)).scalars():
            named |= set(json.loads(said))
    c = t.repair_case.c
    cases = (c.zone_id.in_(list(taker.zones.values())), ~c.who.startswith(SELLER))
    query = select(c.value).where(*cases, c.kind == "photo")
    return named | set(taker.connection.execute(query).scalars())


def _keep_photos(taker: Taker, rows: list[dict[str, Any]]) -> None:
    c = t.photo.c
    old = (c.unit_id == taker.unit_id, c.who.startswith(SELLER), c.digest.not_in(_ours(taker)))
    taker.connection.execute(delete(t.photo).where(*old))
    for row in rows:
        data = taker.photos.get(row["digest"])
        if data is None or sha256(data).hexdigest() != row["digest"]:
            raise InputError("it names a photo that it does not have")
        photo = Photo(**(row | {"who": f"{SELLER}{row['who']}"}))
        photos.keep(taker.connection, taker.unit_id, photo, data)


# --- findings, seals, cases, checks over salt -----------------------------------------------------

_FINDINGS: dict[str, Kind] = {
    "identity": "text", "zone": "code", "round": "text", "at_s": "whole", "recorded_s": "whole",
    "who": "text", "construction": get_args(Construction), "checks": "long",
    "result": get_args(FoundResult), "note": "text", "photos": "long", "withdraws": "text",
    "score": "real?", "score_hour": "whole?",
    "device": "text", "mode": ("", *get_args(MeterMode)), "percent": "real?", "scale": "text",
    "temperature_c": "real?", "depth_mm": "real?",
}  # fmt: skip
_METER = ("device", "mode", "percent", "scale", "temperature_c", "depth_mm")
_JOINTS: dict[str, Kind] = {
    "code": "text", "kind": JOINT_KINDS, "place": "text", "side": get_args(Side), "zone": "text",
    "on_roof": "whole", "height_m": "real?", "retired": "whole", "at_s": "whole", "who": "text",
    "why": "text",
}  # fmt: skip
_SEALS: dict[str, Kind] = {
    "joint": "text", "act": SEAL_ACTS, "at_s": "whole", "recorded_s": "whole", "who": "text",
    "finding": SEAL_FINDINGS, "sealant": SEALANTS, "product": "text", "note": "text", "photos": "long",
    "confirmed": "long",
}  # fmt: skip
_RULES: dict[str, Kind] = {
    "grp": SEAL_GROUPS, "joint": "text", "days": "whole?", "at_s": "whole", "who": "text", "why": "text",
}  # fmt: skip
_CASES: dict[str, Kind] = {
    "zone": "code", "repaired_s": "whole", "kind": get_args(CaseKind), "value": "text", "at_s": "whole",
    "recorded_s": "whole", "who": "text", "why": "text",
}  # fmt: skip
_BENCH: dict[str, Kind] = {
    "node": "text", "probe": "text", "salt": "text", "batch": "text", "from_s": "whole", "at_s": "whole",
    "measured_percent": "real", "temperature_c": "real", "reference_percent": "real",
    "uncertainty_percent": "real", "recorded_s": "whole", "who": "text", "undone_s": "whole?",
    "undone_who": "text", "undone_why": "text",
}  # fmt: skip


def _is_told(giver: Giver, who: str, recorded_s: int) -> bool:
    return recorded_s < giver.until_s or who.startswith(SELLER)


def _findings(giver: Giver) -> Iterable[Row]:
    carried = giver.digests()
    for one in giver.found()[0]:
        told: dict[str, Any] = {
            name: getattr(one, name) for name in _FINDINGS if name not in _METER
        }
        told |= {"who": giver.role(one.who), "note": giver.plain(one.note)}
        told["checks"] = json.dumps(one.checks)
        told["photos"] = json.dumps([digest for digest in one.photos if digest in carried])
        told |= {"device": "", "mode": "", "percent": None, "scale": ""}
        if (meter := one.meter) is not None:
            told |= {name: getattr(meter, name) for name in _METER}
            told |= {"device": giver.plain(meter.device), "scale": giver.plain(meter.scale)}
        yield tuple(told.get(name) for name in _FINDINGS)


def _keep_findings(taker: Taker, rows: list[dict[str, Any]]) -> None:
    c = t.finding.c
    mine = (c.unit_id == taker.unit_id, c.who.startswith(SELLER))
    old = select(c.finding_id).where(*mine)
    taker.connection.execute(delete(t.meter).where(t.meter.c.finding_id.in_(old)))
    taker.connection.execute(delete(t.finding).where(*mine))
    taken = set(taker.connection.execute(select(c.identity)).scalars())
    code = taker.connection.execute(
        select(t.unit.c.code).where(t.unit.c.unit_id == taker.unit_id)
    ).scalar_one()
    names = {  # one that came back to where it was written has another identity beside the first
        row["identity"]: str(uuid5(NAMESPACE_OID, f"{taker.unit_id}/{row['identity']}"))
        if row["identity"] in taken
        else str(UUID(row["identity"]))
        for row in rows
    }
    for row in rows:
        _keep_finding(taker, row, names, code)


def _keep_finding(taker: Taker, row: dict[str, Any], names: dict[str, str], code: str) -> None:
    measured = {name: row[name] for name in _METER}
    told = {name: row[name] for name in _FINDINGS if name not in _METER}
    told |= {"unit": code, "who": f"{SELLER}{row['who']}", "identity": names[row["identity"]]}
    told |= {
        "withdraws": names.get(row["withdraws"], ""),
        "photos": tuple(json.loads(row["photos"])),
    }
    told["checks"] = tuple((check, answer) for check, answer in json.loads(row["checks"]))
    if row["mode"]:
        told["meter"] = Meter(**measured)
    one = Finding(**told)
    zone = taker.zone(one.zone)
    findings.keep(
        taker.connection, one, unit_id=taker.unit_id, zone_id=zone, digest=findings.digest(one)
    )


def _of_unit(giver: Giver, table: Table, columns: Iterable[str]) -> Iterable[dict[str, Any]]:
    """Rows of a table of the unit, in the order they were entered, with roles for names."""
    (key,) = table.primary_key.columns
    query = select(table).where(table.c.unit_id == giver.unit_id).order_by(key)
    for row in giver.connection.execute(query).mappings():
        if _is_told(giver, row["who"], row.get("recorded_s", row["at_s"])):
            told = {name: row[name] for name in columns} | {"who": giver.role(row["who"])}
            typed = [
                name for name in ("place", "why", "product", "note", "confirmed") if name in told
            ]
            yield told | {name: giver.plain(told[name]) for name in typed}


def _joints(giver: Giver) -> Iterable[Row]:
    return [tuple(row.values()) for row in _of_unit(giver, t.joint, _JOINTS)]


def _seals(giver: Giver) -> Iterable[Row]:
    carried = giver.digests()
    for row in _of_unit(giver, t.seal_entry, _SEALS):
        held = [digest for digest in json.loads(row["photos"]) if digest in carried]
        yield tuple((row | {"photos": json.dumps(held)}).values())


def _rules(giver: Giver) -> Iterable[Row]:
    return [tuple(row.values()) for row in _of_unit(giver, t.seal_rule, _RULES)]


def _keep_first(taker: Taker, table: Table, own: Any, rows: Sequence[dict[str, Any]]) -> None:  # noqa: ANN401  a clause
    """Put what was received in the place of what was, before what was entered here: the newest row holds."""
    (key,) = table.primary_key.columns
    taker.connection.execute(delete(table).where(own, table.c.who.startswith(SELLER)))
    here = taker.connection.execute(select(table).where(own).order_by(key)).mappings().all()
    taker.connection.execute(delete(table).where(own))
    given = [row | {"who": f"{SELLER}{row['who']}"} for row in rows]
    after = [{name: row[name] for name in row if name != key.name} for row in here]
    for row in (*given, *after):
        taker.connection.execute(insert(table).values(row))


def _keep_joints(taker: Taker, rows: list[dict[str, Any]]) -> None:
    given = [row | {"unit_id": taker.unit_id} for row in rows]
    _keep_first(taker, t.joint, t.joint.c.unit_id == taker.unit_id, given)


def _keep_of_joints(table: Table) -> Callable[[Taker, list[dict[str, Any]]], None]:
    def keep(taker: Taker, rows: list[dict[str, Any]]) -> None:
        given = [row | {"unit_id": taker.unit_id} for row in rows]
        _keep_first(taker, table, table.c.unit_id == taker.unit_id, given)

    return keep


def _cases(giver: Giver) -> Iterable[Row]:
    c, carried = t.repair_case.c, giver.digests()
    query = select(t.repair_case).where(c.zone_id.in_(list(giver.zones))).order_by(c.repair_case_id)
    for row in giver.connection.execute(query).mappings():
        photo = row["kind"] == "photo"
        if not _is_told(giver, row["who"], row["recorded_s"]) or row["repaired_s"] >= giver.until_s:
            continue
        if (photo and row["value"] not in carried) or not proving.is_readable(
            row["kind"], row["value"]
        ):
            continue
        told = dict(row) | {"zone": giver.zones[row["zone_id"]], "who": giver.role(row["who"])}
        told |= {"value": row["value"] if photo else giver.plain(row["value"])}
        told["why"] = giver.plain(row["why"])
        yield tuple(told[name] for name in _CASES)


def _keep_cases(taker: Taker, rows: list[dict[str, Any]]) -> None:
    given = []
    for row in rows:
        made = row | {"zone_id": taker.zone(row["zone"])}
        del made["zone"]
        given.append(made)
    own = t.repair_case.c.zone_id.in_(list(taker.zones.values()))
    _keep_first(taker, t.repair_case, own, given)


def _bench(giver: Giver) -> Iterable[Row]:
    """Checks over salt of probes that were in the unit; an earlier owner's first."""
    yield from _papers(giver, "bench.csv")
    placed = {
        (one.site, one.node, one.probe)
        for one in judging.placements(giver.connection)
        if one.unit == giver.unit
    }
    for point in bench.points(giver.connection):
        if (point.site, point.node, point.probe) not in placed or point.recorded_s >= giver.until_s:
            continue
        told = {name: getattr(point, name) for name in _BENCH} | {"who": giver.role(point.who)}
        if point.undone_s is not None and point.undone_s >= giver.until_s:
            told |= {"undone_s": None, "undone_who": "", "undone_why": ""}
        told |= {"batch": giver.plain(point.batch), "undone_why": giver.plain(told["undone_why"])}
        told["undone_who"] = giver.role(told["undone_who"])
        yield tuple(told.values())


def benched(connection: Connection, unit: str) -> list[BenchPoint]:
    """Points of probes over salt that came with a unit: the seller's, for reading alone."""
    found = []
    for one in received(connection, unit=unit):
        for row in json.loads(one.papers).get("bench.csv", []):
            told = dict(zip(_BENCH, row, strict=True))
            found.append(BenchPoint(number=0, site="", **told))
    return found


# in the order in which they are kept: what others name comes first
PARTS: dict[str, Part] = {
    "unit.csv": Part(_UNIT, _unit, _keep_unit),
    "zones.csv": Part(_ZONES, _zones, _keep_zones),
    "hours.csv": Part(_HOUR, _hours, _keep_hours),
    "events.csv": Part(_EVENTS, _events, _keep_events),
    "alarms.csv": Part(_ALARMS, _alarms, _keep_alarms),
    "alarm_steps.csv": Part(_STEPS, _steps, _keep_steps),
    "proofs.csv": Part(_PROOF, _proofs, _keep_proofs),
    "limits.csv": Part(_LIMITS, _limits, _paper("limits.csv")),
    "placements.csv": Part(_PLACEMENTS, _placements, _paper("placements.csv")),
    "photos.csv": Part(_PHOTOS, _photos, _keep_photos),
    "findings.csv": Part(_FINDINGS, _findings, _keep_findings),
    "joints.csv": Part(_JOINTS, _joints, _keep_joints),
    "seals.csv": Part(_SEALS, _seals, _keep_of_joints(t.seal_entry)),
    "seal_rules.csv": Part(_RULES, _rules, _keep_of_joints(t.seal_rule)),
    "cases.csv": Part(_CASES, _cases, _keep_cases),
    "bench.csv": Part(_BENCH, _bench, _paper("bench.csv")),
}


# --- giving ---------------------------------------------------------------------------------------


def until_s(connection: Connection, unit: str, *, now_s: int) -> int:
    """Up to when a unit's record goes along: to the hour that goes on, or the one in which it left."""
    life = connection.execute(select(t.unit.c.life).where(t.unit.c.code == unit)).scalar()
    left = [one.at_s for one in parting.ledger(connection, unit=unit) if one.what != "received"]
    if life in parting.GONE and left:
        return min(-(-max(left) // HOUR_S), now_s // HOUR_S) * HOUR_S
    return now_s // HOUR_S * HOUR_S


def ledger(giver: Giver) -> list[tuple[str, int, str, str]]:
    """What changed hands: what, when, from and to whom by key or role; that of earlier owners first."""
    came = received(giver.connection, unit=giver.unit)
    lines = [
        (line["what"], line["at_s"], line["giver"], line["taker"])
        for one in came
        for line in json.loads(one.manifest)["ledger"]
    ]
    lines += [
        (line.what, line.at_s, line.giver, line.taker)
        for line in parting.ledger(giver.connection, unit=giver.unit)
    ]
    return [
        (what, at_s, giver.hand(from_), giver.hand(to))
        for what, at_s, from_, to in lines
        if what in CHANGES
    ]


# --- taking ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Received:
    """Whose record a unit's past is, and until when."""

    unit: str
    key: str
    code: str  # of the unit there
    until_s: int
    made_s: int
    root: str
    manifest: str
    papers: str
    recorded_s: int

    @property
    def file_until_s(self) -> int:
        """Until when its file went; `until_s` is earlier where this home's own hours had begun."""
        return int(json.loads(self.manifest)["until_s"])


def received(connection: Connection, *, unit: str = "") -> list[Received]:
    """Records that came with units, of one or all."""
    c = t.received.c
    query = select(
        t.unit.c.code,
        c.key,
        c.code,
        c.until_s,
        c.made_s,
        c.root,
        c.manifest,
        c.papers,
        c.recorded_s,
    ).join_from(t.received, t.unit, t.unit.c.unit_id == c.unit_id)
    if unit:
        query = query.where(t.unit.c.code == unit)
    return [Received(*row) for row in connection.execute(query)]


def stood(connection: Connection, unit: str) -> list[str]:
    """Alarms that stood when a unit was received, as "kind zone"."""
    c, s = t.alarm.c, t.alarm_step.c
    query = (
        select(c.kind, t.zone.c.code)
        .join(t.alarm_step, s.alarm_id == c.alarm_id)
        .join(t.unit, t.unit.c.unit_id == c.unit_id)
        .outerjoin(t.zone, t.zone.c.zone_id == c.zone_id)
        .where(t.unit.c.code == unit, s.who == HANDED, s.why.startswith(STOOD))
        .where(s.why.endswith(", open"))
        .order_by(c.raised_s)
    )
    return [" ".join(filter(None, row)) for row in connection.execute(query)]


def until_hour(connection: Connection, unit_id: int) -> int:
    """First hour of a unit that is its own record's; 0 where none was received."""
    c = t.received.c
    found = connection.execute(select(c.until_s).where(c.unit_id == unit_id)).scalar()
    return 0 if found is None else int(found) // HOUR_S


@dataclass(frozen=True, slots=True)
class Brought:
    """A file that was looked at: whose, of which unit, its rows and photos."""

    key: str
    code: str
    site: str  # where it goes
    name: str  # what it is to be called here
    until_s: int
    made_s: int
    root: str
    manifest: str
    parts: dict[str, list[dict[str, Any]]]
    photos: dict[str, bytes]


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a file: "new", "newer", "same" or "older"; and what of it was left out."""

    done: str
    until_s: int = 0  # from then on this home's own record
    left_out: Mapping[str, int] = field(default_factory=dict)  # rows, by part


def take(connection: Connection, brought_: Brought, *, who: str, now_s: int) -> Taken:
    """Take a unit in, or a newer file of one, up to where this home's own hours begin.

    Raises
    ------
    InputError
        If another unit has its code here, or what it holds cannot be or does not fit together.
    """
    file = brought_
    known = _known(connection, file)
    order = (file.until_s, file.made_s, file.root)
    if known is not None:
        before = (known.file_until_s, known.made_s, known.root)
        if order <= before:
            return Taken("same" if order == before else "older", known.until_s)
    parts = {name: file.parts.get(name, []) for name in PARTS}
    brought.check(parts, until_s=file.until_s, made_s=file.made_s)
    unit_id, site_id = _place(connection, file)
    own_s = None if known is None else own_from_s(connection, unit_id, known.until_s)
    until_s, left_out = file.until_s, dict[str, int]()
    taker = Taker(connection, unit_id, site_id, file.key, until_s, photos=file.photos)
    if known is not None:
        taker.before, taker.is_ours = json.loads(known.papers), own_s is not None
    _check_fit(taker, parts)
    if own_s is not None and own_s < until_s:
        parts, left_out = brought.cut(parts, own_s)
        until_s = taker.until_s = own_s
    for name, part in PARTS.items():
        part.keep(taker, parts[name])
    values = {
        "key": file.key, "code": file.code, "until_s": until_s,
        "made_s": file.made_s, "root": file.root, "manifest": file.manifest,
        "papers": json.dumps(taker.papers), "recorded_s": now_s,
    }  # fmt: skip
    connection.execute(delete(t.received).where(t.received.c.unit_id == unit_id))
    connection.execute(insert(t.received).values(unit_id=unit_id, **values))
    line = parting.Leave("received", until_s, who, giver=file.key, taker="this home")
    parting.note(connection, unit_id, line, now_s=now_s)
    return Taken("new" if known is None else "newer", until_s, left_out)


def own_from_s(connection: Connection, unit_id: int, border_s: int) -> int | None:
    """Beginning of the hour from which a unit's record is this home's own, not before a time; None: not yet.

    It begins with a probe in it, an hour that was judged, or a repair that was noted here.
    """
    zones = list(
        connection.execute(select(t.zone.c.zone_id).where(t.zone.c.unit_id == unit_id)).scalars()
    )
    placed = select(t.placement.c.probe_id).where(t.placement.c.zone_id.in_(zones))
    found = [
        max(from_s, border_s)
        for spans in judging.spans(connection, t.placement.c.probe_id.in_(placed)).values()
        for from_s, to_s, zone in spans
        if zone in zones and to_s > border_s
    ]
    h, e = t.hour.c, t.event.c
    first = select(func.min(h.hour)).where(h.zone_id.in_(zones), h.hour >= border_s // HOUR_S)
    hour = connection.execute(first).scalar()
    found += [] if hour is None else [hour * HOUR_S]
    noted = (
        e.unit_id == unit_id,
        e.kind == "repair",
        ~e.who.startswith(SELLER),
        e.at_s >= border_s,
    )
    repaired = connection.execute(select(func.min(e.at_s)).where(*noted)).scalar()
    found += [] if repaired is None else [repaired]
    return min(found) // HOUR_S * HOUR_S if found else None


def _check_fit(taker: Taker, parts: Mapping[str, list[dict[str, Any]]]) -> None:
    """Look whether rows name only what is there, before any is left out; InputError where not."""
    if len(parts["unit.csv"]) != 1:
        raise InputError("it is of no one unit")
    here = select(t.zone.c.code).where(t.zone.c.unit_id == taker.unit_id)
    zones = {"", *taker.connection.execute(here).scalars()}
    zones |= {row["code"] for row in parts["zones.csv"]}
    named = {
        "zone": zones,
        "joint": {"", *(row["code"] for row in parts["joints.csv"])},
        "alarm": {row["number"] for row in parts["alarms.csv"]},
        "withdraws": {"", *(row["identity"] for row in parts["findings.csv"])},
    }
    for rows in parts.values():
        for row in rows:
            for what in named.keys() & row.keys():
                if row[what] not in named[what]:
                    raise InputError(f"it names {row[what]!r:.60} ({what}), which it does not have")
    for digest in _digests(parts):
        if digest not in taker.photos:
            raise InputError("it names a photo that it does not have")


def _digests(parts: Mapping[str, list[dict[str, Any]]]) -> set[str]:
    """Digests of photos that rows name."""
    found = {row["digest"] for row in parts["photos.csv"]}
    found |= {row["value"] for row in parts["cases.csv"] if row["kind"] == "photo"}
    for name in ("findings.csv", "seals.csv"):
        for row in parts[name]:
            found |= set(json.loads(row["photos"]))
    return found


def _known(connection: Connection, brought: Brought) -> Received | None:
    """The same unit as it was received before; InputError where its code is another one's."""
    every = received(connection)
    mine = [one for one in every if (one.key, one.code) == (brought.key, brought.code)]
    if mine:
        if brought.name not in {brought.code, mine[0].unit}:
            raise InputError(f"it was received as {mine[0].unit} before; leave --as out")
        return mine[0]
    taken = connection.execute(select(t.unit.c.unit_id).where(t.unit.c.code == brought.name))
    if taken.first() is not None:
        raise InputError(
            f"there is another unit {brought.name} here; give it another code with: --as CODE"
        )
    return None


def _place(connection: Connection, brought: Brought) -> tuple[int, int]:
    """Keys of the unit and its site; made where it is new."""
    known = _known(connection, brought)
    code = brought.name if known is None else known.unit
    here = select(t.unit.c.unit_id, t.unit.c.site_id).where(t.unit.c.code == code)
    if known is None:
        if not CODE.fullmatch(code):
            raise InputError(f'"{code}" is no code; use a to z, 0 to 9, - and _')
        site = connection.execute(select(t.site.c.site_id).where(t.site.c.code == brought.site))
        values = {"code": code, "site_id": site.scalar_one(), "life": "stored"}
        connection.execute(insert(t.unit).values(values))
    row = connection.execute(here).one()
    return int(row.unit_id), int(row.site_id)
