"""The record: one open file, asked and changed in the words of the trade.

Every public method is one transaction. Codes come in and go out; keys stay inside.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from numpy.typing import NDArray
from sqlalchemy import Connection, Engine, and_, delete, func, or_, select, update

from monitor import correction
from monitor.errors import InputError
from monitor.lot import (
    BenchCheck,
    BenchPoint,
    CaseNote,
    Event,
    Finding,
    ForecastHour,
    Joint,
    LimitEntry,
    ListKind,
    Photo,
    Placement,
    SealBook,
    SealEntry,
    SealRule,
    SeasonList,
    SeasonStep,
    Site,
    Source,
    Unit,
    Zone,
    ZoneReadings,
    rain_mm,
)
from monitor.parts import OVER
from monitor.store import (
    alarming,
    backup,
    bench,
    causes,
    chaining,
    checking,
    exporting,
    findings,
    forecasts,
    handing,
    health,
    holding,
    joints,
    judging,
    leasing,
    limits,
    lists,
    nodekeys,
    nodestates,
    parting,
    people,
    photos,
    proving,
    sealing,
    taking,
)
from monitor.store import schema as t
from monitor.store.dialects import insert
from monitor.store.engine import FILE_NAME, fenced, is_server, open_engine, reading, writing
from monitor.store.exporting import Sample
from monitor.store.rows import (
    Alarm,
    AlarmStep,
    AlarmWork,
    ChangedAlarm,
    Due,
    Hold,
    Judged,
    KeptReject,
    Latest,
    NewAlarm,
    NewHold,
    OpenedRepair,
    OutboxItem,
    ProofRevision,
    ProofWork,
    Pulse,
    RepairRow,
    Taken,
)
from monitor.store.users import Doer
from sensors.wire import Reading, Reject

if TYPE_CHECKING:
    from monitor.config import Server

HOUR_S = 3600
_NEVER_JUDGED = {
    "lean",
    "weather_side",
    "slides",
    "roof",
}  # attributes of a unit that only pages ask for


class Record:
    """An open record. Use `open_record`; close with `close` or as a context manager."""

    def __init__(self, engine: Engine, home: Path) -> None:
        self.engine = engine
        self.home = home
        self._names = taking.Names()
        self._look: Connection | None = None  # in which all is read just now

    def __enter__(self) -> "Record":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the file, or the connections, back."""
        self.engine.dispose()

    def size_bytes(self) -> int:
        """How much room it takes: the file with its journal of writes, or the database of a server."""
        if is_server(self.engine):
            from monitor.store import postgres

            with self._reading() as connection:
                return postgres.size_bytes(connection)
        files = (self.home / FILE_NAME, self.home / f"{FILE_NAME}-wal")
        return sum(file.stat().st_size for file in files if file.exists())

    def _reading(self) -> AbstractContextManager[Connection]:
        return reading(self.engine) if self._look is None else nullcontext(self._look)

    @contextmanager
    def one_look(self) -> Iterator[None]:
        """What is read inside is the record as it was at the first of it, whatever is written meanwhile."""
        with reading(self.engine) as connection:
            self._look = connection
            try:
                yield
            finally:
                self._look = None

    def _writing(self) -> AbstractContextManager[Connection]:
        """One transaction; nothing of it is kept if anything in it fails."""
        return writing(self.engine)

    # --- leases ---

    def fenced(self, lease: leasing.Lease) -> AbstractContextManager[None]:
        """Whatever is written inside is kept only while this lease is held: else MeanwhileError."""
        return fenced(self.engine, partial(leasing.check, lease=lease))

    def claim(self, what: str, holder: str, *, now_s: int, for_s: int) -> leasing.Lease | None:
        """Take a lease; None if another process holds it."""
        with writing(self.engine, is_fenced=False) as connection:
            return leasing.claim(connection, what, holder, now_s=now_s, for_s=for_s)

    def renew(self, lease: leasing.Lease, *, now_s: int, for_s: int) -> bool:
        """Hold a lease for longer; False if another process has it."""
        with writing(self.engine, is_fenced=False) as connection:
            return leasing.set_end(connection, lease, until_s=now_s + for_s)

    def let_go(self, lease: leasing.Lease) -> None:
        """Let others have it at once."""
        with writing(self.engine, is_fenced=False) as connection:
            leasing.set_end(connection, lease, until_s=0)

    # --- the lot ---

    def add_site(self, site: Site) -> None:
        """Enter or change a site; another altitude has its units judged again."""
        values = {"name": site.name, "timezone": site.timezone, "altitude_m": site.altitude_m}
        with self._writing() as connection:
            before = connection.execute(
                select(t.site.c.altitude_m).where(t.site.c.code == site.code)
            ).scalar()
            connection.execute(
                insert(t.site)
                .values(code=site.code, **values)
                .on_conflict_do_update(index_elements=["code"], set_=values)
            )
            if before is not None and before != site.altitude_m:
                judging.mark_units(connection, hour=0, site=site.code)

    def add_unit(self, unit: Unit) -> None:
        """Enter or change a unit of a known site; a changed one is judged again from the start.

        How it stands (lean, weather side, slides, roof) bears on no judgement.
        """
        with self._writing() as connection:
            values = {
                "site_id": _site_id(connection, unit.site),
                "name": unit.name,
                "slot": unit.slot,
                "body_type": unit.body_type,
                "life": unit.life,
                "lean": unit.lean,
                "weather_side": unit.weather_side,
                "slides": unit.slides,
                "roof": unit.roof,
            }
            here = t.unit.c.code == unit.code
            known = connection.execute(select(t.unit).where(here)).mappings().one_or_none()
            if known is None:
                connection.execute(t.unit.insert().values(code=unit.code, **values))
                return
            changed = {name for name, value in values.items() if known[name] != value}
            if changed:
                connection.execute(update(t.unit).where(here).values(values))
                own = t.zone.c.unit_id == known["unit_id"]
                connection.execute(update(t.zone).where(own).values(site_id=values["site_id"]))
            if changed - _NEVER_JUDGED:
                judging.mark_units(connection, hour=0, unit=unit.code)

    def add_zone(self, site: str, zone: Zone) -> None:
        """Enter or change a zone of a unit, or of the site (`zone.unit` empty).

        A changed attribute has the unit judged again from its first reading.
        """
        with self._writing() as connection:
            _enter_zone(connection, site, zone)

    def place(self, placement: Placement, *, recorded_s: int, who: str, why: str = "") -> None:
        """Enter that a probe watches a zone from a time on (zone "": it was taken away).

        The zone left and the zone joined are judged again from then on.
        """
        with self._writing() as connection:
            _place(connection, placement, recorded_s=recorded_s, who=who, why=why)

    def move(
        self,
        placements: Sequence[Placement],
        *,
        new: Zone | None = None,
        recorded_s: int,
        who: str,
        why: str = "",
    ) -> None:
        """`place` for several probes of one site, and a zone that is entered first: all or nothing."""
        with self._writing() as connection:
            if new is not None:
                _enter_zone(connection, placements[0].site, new)
            for placement in placements:
                _place(connection, placement, recorded_s=recorded_s, who=who, why=why)

    def add_event(self, site: str, event: Event, *, recorded_s: int, who: str = "") -> None:
        """Enter something that happened; what it bears on is judged again from its hour on.

        Raises
        ------
        InputError
            If its site, unit or zone is unknown, or rain has no amount.
        """
        if event.kind == "rain":
            rain_mm(event.value)
        with self._writing() as connection:
            _note_event(connection, site, event, recorded_s=recorded_s, who=who)

    def sites(self) -> list[Site]:
        """All sites, by code."""
        columns = t.site.c
        query = select(columns.code, columns.name, columns.timezone, columns.altitude_m)
        with self._reading() as connection:
            return [Site(*row) for row in connection.execute(query.order_by(columns.code))]

    def units(self) -> list[Unit]:
        """All units, by code."""
        c = t.unit.c
        query = (
            select(
                c.code,
                t.site.c.code.label("site"),
                *(c.name, c.slot, c.body_type, c.life, c.lean, c.weather_side, c.slides, c.roof),
            )
            .join(t.site)
            .order_by(c.code)
        )
        with self._reading() as connection:
            return [Unit(**row) for row in connection.execute(query).mappings()]

    def zones(self, unit: str) -> list[Zone]:
        """Zones of a unit, in the order they were entered."""
        with self._reading() as connection:
            return judging.zones(connection, t.unit.c.code == unit)

    def site_zones(self, site: str) -> list[Zone]:
        """A site's own zones: outside air, rain gauge."""
        with self._reading() as connection:
            return judging.zones(
                connection, and_(t.site.c.code == site, t.zone.c.unit_id.is_(None))
            )

    def placements(self) -> list[Placement]:
        """All placements with their ends, by probe and time."""
        with self._reading() as connection:
            return judging.placements(connection)

    def events(self, site: str, *, unit: str) -> list[Event]:
        """Events of a unit and of its whole site, by time."""
        c = t.event.c
        query = (
            select(
                c.at_s,
                c.kind,
                c.value,
                func.coalesce(t.unit.c.code, ""),
                func.coalesce(t.zone.c.code, ""),
            )
            .join_from(t.event, t.site)
            .outerjoin(t.unit, t.unit.c.unit_id == c.unit_id)
            .outerjoin(t.zone, t.zone.c.zone_id == c.zone_id)
            .where(t.site.c.code == site, or_(c.unit_id.is_(None), t.unit.c.code == unit))
            .order_by(c.at_s, c.event_id)
        )
        with self._reading() as connection:
            return [Event(*row) for row in connection.execute(query)]

    # --- weather ---

    def keep_forecast(self, site: str, hours: Sequence[ForecastHour], *, now_s: int) -> int:
        """Put a new issue in the place of the one before; how many hours it has."""
        with self._writing() as connection:
            return forecasts.keep(connection, _site_id(connection, site), hours, now_s=now_s)

    def forecast(self, site: str, *, from_hour: int) -> tuple[int, list[ForecastHour]]:
        """When the newest forecast of a site came (0: never), and its hours from one on."""
        with self._reading() as connection:
            return forecasts.hours(connection, _site_id(connection, site), from_hour=from_hour)

    # --- lists of the seasons ---

    def season_lists(self, unit: str) -> list[SeasonList]:
        """Lay-up and opening lists of a unit, the newest first."""
        with self._reading() as connection:
            return lists.lists(connection, _unit_id(connection, unit))

    def begin_list(
        self,
        unit: str,
        kind: ListKind,
        items: tuple[Sequence[str], Sequence[str]],
        *,
        who: str,
        now_s: int,
    ) -> int:
        """Begin a list of items, of which some are left over; the unit's others end. Its number."""
        with self._writing() as connection:
            of = _unit_id(connection, unit)
            return lists.begin(connection, of, kind, items, who=who, now_s=now_s)

    def note_item(self, unit: str, number: int, step: SeasonStep) -> None:
        """Note something of an item of a list that is open."""
        with self._writing() as connection:
            lists.note(connection, _unit_id(connection, unit), number, step)

    def end_list(self, unit: str, number: int, *, now_s: int) -> None:
        """End a list; what is open in it goes on into the next one."""
        with self._writing() as connection:
            lists.end(connection, _unit_id(connection, unit), number, now_s=now_s)

    # --- seals ---

    def joints(self, unit: str) -> tuple[Joint, ...]:
        """Sealed joints of a unit as they are now, retired ones too."""
        return joints.standing(self.joint_history(unit))

    def joint_history(self, unit: str) -> list[Joint]:
        """Each entry of each joint of a unit, oldest first."""
        with self._reading() as connection:
            of = _unit_id(connection, unit)
            return joints.history(connection, t.joint.c.unit_id == of)[of]

    def seal_entries(self, unit: str) -> list[SealEntry]:
        """Looks at joints of a unit, and reseals, oldest first."""
        with self._reading() as connection:
            of = _unit_id(connection, unit)
            return joints.entries(connection, t.seal_entry.c.unit_id == of)[of]

    def seal_rules(self, unit: str) -> list[SealRule]:
        """Intervals that somebody changed, oldest first."""
        with self._reading() as connection:
            of = _unit_id(connection, unit)
            return joints.rules(connection, t.seal_rule.c.unit_id == of)[of]

    def seal_book(self, unit: str) -> SealBook:
        """All that the due dates of a unit's seals follow from."""
        with self._reading() as connection:
            _unit_id(connection, unit)
            return joints.books(connection, unit=unit)[unit]

    def seal_books(self) -> dict[str, SealBook]:
        """The same of every unit, by its code."""
        with self._reading() as connection:
            return joints.books(connection)

    def enter_joints(self, unit: str, entered: Sequence[Joint], *, change: bool = False) -> None:
        """Enter joints of a unit, or change known ones: what they were stays on record."""
        with self._writing() as connection:
            joints.enter(connection, _unit_id(connection, unit), entered, change=change)

    def note_seals(self, unit: str, noted: Sequence[SealEntry]) -> int:
        """Note looks or reseals of one go, and one `reseal` event for the reseals; how many were new."""
        with self._writing() as connection:
            of = _unit_id(connection, unit)
            new = joints.note(connection, of, noted)
            resealed = [entry for entry in new if entry.act == "resealed"]
            if resealed:
                zones = {
                    joint.zone
                    for joint in joints.standing(
                        joints.history(connection, t.joint.c.unit_id == of)[of]
                    )
                    if joint.code in {entry.joint for entry in resealed}
                }
                site = connection.execute(
                    select(t.site.c.code).join(t.unit).where(t.unit.c.unit_id == of)
                ).scalar_one()
                event = Event(
                    resealed[0].at_s,
                    "reseal",
                    ", ".join(f"{entry.joint}: {entry.sealant}" for entry in resealed),
                    unit=unit,
                    zone=zones.pop() if len(zones) == 1 else "",
                )
                at_s, who = resealed[0].recorded_s, resealed[0].who
                _note_event(connection, site, event, recorded_s=at_s, who=who)
            return len(new)

    def rule_seals(self, unit: str, rule: SealRule) -> None:
        """Change every how many days a group of joints, or one, is looked at."""
        with self._writing() as connection:
            joints.rule(connection, _unit_id(connection, unit), rule)

    # --- photos ---

    def keep_photo(self, unit: str, photo: Photo, data: bytes) -> None:
        """Keep a photo of a unit, as `monitor.photos.cleaned` gives it; once, however often it comes."""
        with self._writing() as connection:
            photos.keep(connection, _unit_id(connection, unit), photo, data)

    def photos(self, unit: str) -> list[Photo]:
        """Photos of a unit, oldest first, without their bytes."""
        with self._reading() as connection:
            return photos.listed(connection, _unit_id(connection, unit))

    def photo(self, unit: str, digest: str) -> bytes | None:
        """Bytes of one photo of a unit, a JPEG file; None if it has none such."""
        with self._reading() as connection:
            return photos.data(connection, _unit_id(connection, unit), digest)

    # --- findings ---

    def add_findings(
        self, found: Sequence[Finding], photos: Mapping[str, bytes] | None = None
    ) -> tuple[str, ...]:
        """Keep findings with their photos (by digest), all or none; identities of those that are new.

        Raises
        ------
        InputError
            If a unit, zone or photo is missing, or an identity is that of another finding.
        """
        with self._writing() as connection:
            return tuple(
                each.identity for each in found if findings.add(connection, each, photos or {})
            )

    def findings(self, unit: str) -> list[Finding]:
        """What people found in a unit, by time; withdrawals are entries among the others."""
        with self._reading() as connection:
            return findings.listed(connection, unit)

    # --- units that leave ---

    def leave(self, unit: str, leaving: parting.Leave, *, now_s: int) -> parting.Left:
        """Note that a unit is sold or retired, and end all that goes on in it, or nothing."""
        with self._writing() as connection:
            left = parting.leave(connection, unit, leaving, now_s=now_s)
        by = Doer(leaving.who, now_s)
        for name in left.alone:  # with nothing left to look after they would be told of everything
            people.remove(self.engine, self.home, name, by=by)
        return left

    def take_back(self, unit: str, life: str, leaving: parting.Leave, *, now_s: int) -> None:
        """Note that a unit did not leave after all."""
        with self._writing() as connection:
            parting.back(connection, unit, life, leaving, now_s=now_s)

    def ledger(self, *, unit: str = "") -> list[parting.Transfer]:
        """What changed hands, the oldest first."""
        with self._reading() as connection:
            return parting.ledger(connection, unit=unit)

    # --- nodes and the broker ---

    def offer_node(
        self,
        site: str,
        node: str,
        *,
        by: Doer,
        renew: bool = False,
        now: bool = False,
        placement: Placement | None = None,
    ) -> str:
        """Make a claim for a node's credential, and place the node, or nothing; the claim.

        See `monitor.store.nodekeys.offer`.
        """
        with self._writing() as connection:
            token = nodekeys.offer(connection, site, node, renew=renew, now=now, by=by)
            if placement is not None:
                _place(connection, placement, recorded_s=by.at_s, who=by.who, why="node add")
            return token

    def look_at_claim(self, token: str, *, now_s: int) -> nodekeys.Access | None:
        """The node that a claim is for, while it can be exchanged."""
        with self._reading() as connection:
            return nodekeys.look(connection, token, now_s=now_s)

    def take_claim(self, token: str, *, at_s: int, address: str) -> nodekeys.Taken | None:
        """Exchange a claim for a node's credential, once."""
        with self._writing() as connection:
            return nodekeys.take(connection, token, at_s=at_s, address=address)

    def follow_credentials(self, former: Path | None, *, by: Doer) -> tuple[str, ...]:
        """After a restore, have nodes' credentials follow the record that was in its place.

        See `monitor.store.nodekeys.follow`. `former` None: there was none, or it cannot be read.

        Raises
        ------
        StoreError
            If the former record cannot be read.
        """
        steps = backup.credential_steps(former) if former is not None else []
        with self._writing() as connection:
            return nodekeys.follow(connection, steps, by=by)

    def revoke_node(self, site: str, node: str, *, why: str, by: Doer) -> None:
        """End all that a node has at the broker."""
        with self._writing() as connection:
            nodekeys.revoke(connection, site, node, why=why, by=by)

    def node_access(self, *, now_s: int) -> dict[tuple[str, str], nodekeys.Access]:
        """How each node that ever had a claim stands with the broker, by site and node."""
        with self._reading() as connection:
            return nodekeys.listed(connection, now_s=now_s)

    def node_hashes(self) -> list[tuple[str, str, str]]:
        """Site, node and the hash that the broker checks of each credential that holds."""
        with self._reading() as connection:
            return nodekeys.hashes(connection)

    def keep_node_faults(
        self, told: Mapping[tuple[str, str], tuple[int, Mapping[str, str]]]
    ) -> None:
        """Keep the newest faults that nodes of the lot told, with when; of others nothing."""
        with self._writing() as connection:
            nodestates.keep(connection, told)

    def node_faults(self) -> dict[tuple[str, str], tuple[int, dict[str, str]]]:
        """When each node last told its state, and its faults then."""
        with self._reading() as connection:
            return nodestates.faults(connection)

    # --- what goes with a unit ---

    def hand_over(
        self, unit: str, spells: Sequence[tuple[int, int | None]], *, photos: bool, now_s: int
    ) -> tuple[int, dict[str, list[tuple[Any, ...]]], list[tuple[str, int, str, str]]]:
        """Up to when, rows of each part that goes with a unit, and its ledger: one look at the record."""
        with self._reading() as connection:
            until_s = handing.until_s(connection, unit, now_s=now_s)
            giver = handing.Giver(connection, unit, spells, until_s, photos)
            rows = {
                name: [tuple(row) for row in part.rows(giver)]
                for name, part in handing.PARTS.items()
            }
            return until_s, rows, handing.ledger(giver)

    def take_over(self, brought: handing.Brought, *, who: str, now_s: int) -> handing.Taken:
        """Take a unit in with its record, or nothing of it."""
        with self._writing() as connection:
            return handing.take(connection, brought, who=who, now_s=now_s)

    def received(self, unit: str) -> handing.Received | None:
        """Whose record a unit's past is, if it came with one."""
        with self._reading() as connection:
            return next(iter(handing.received(connection, unit=unit)), None)

    def stood(self, unit: str) -> list[str]:
        """Alarms that stood when a unit was received, as "kind zone"."""
        with self._reading() as connection:
            return handing.stood(connection, unit)

    # --- bench ---

    def add_bench_point(self, point: BenchPoint) -> int:
        """Keep a bench point; its number. What its probe watched is judged again from the box on.

        Raises
        ------
        InputError
            If the probe is unknown, or the correction that follows is absurd.
        """
        with self._writing() as connection:
            number, probe = bench.add(connection, point)
            judging.mark_placed(connection, probe, hour=point.from_s // HOUR_S)
            return number

    def undo_bench_point(self, number: int, *, who: str, why: str, now_s: int) -> BenchPoint:
        """Take a bench point back; what its probe watched is judged again without it."""
        with self._writing() as connection:
            point, probe = bench.undo(connection, number, who=who, why=why, now_s=now_s)
            judging.mark_placed(connection, probe, hour=point.from_s // HOUR_S)
            return point

    def put_back(
        self, site: str, node: str, probe: str, *, back_s: int, who: str, now_s: int
    ) -> list[BenchPoint]:
        """Enter that a probe is in its place again since a time; what it reads from then on is its zone's.

        Returns
        -------
        list of BenchPoint
            Those whose box ends with it, as they were.

        Raises
        ------
        InputError
            If the probe is unknown, has no point before that time, or the time is to come.
        """
        if back_s > now_s:
            raise InputError("a probe cannot be back at a time to come")
        with self._writing() as connection:
            key = bench.probe_id(connection, site, node, probe)
            ended = bench.put_back(connection, key, back_s=back_s, who=who, now_s=now_s)
            if not ended:
                raise InputError(f"{node}/{probe} has no bench point before that time")
            first_s = min(point.at_s for point in ended)
            judging.mark_placed(connection, key, hour=first_s // HOUR_S)
        return ended

    def bench_points(self) -> list[BenchPoint]:
        """All bench points in the order they were entered, those taken back too."""
        with self._reading() as connection:
            return bench.points(connection)

    def bench_checks(self, site: str = "", node: str = "") -> list[BenchCheck]:
        """Checks of probes over salt, by node, probe and time; of one site or node if it is named."""
        found = correction.checks(self.bench_points())
        return [one for one in found if site in {"", one.site} and node in {"", one.node}]

    def received_checks(self, unit: str) -> list[BenchCheck]:
        """Checks of probes over salt that came with a unit: the seller's, and nothing is judged by them."""
        with self._reading() as connection:
            return correction.checks(handing.benched(connection, unit))

    def probe_readings(
        self, site: str, node: str, probe: str, *, from_s: int, to_s: int
    ) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """Times, temperature [°C] and humidity [%] of a probe in [from_s, to_s), as it gave them."""
        with self._reading() as connection:
            key = bench.probe_id(connection, site, node, probe)
            table = sealing.measured(connection, key, from_s, to_s)
        return table[:, 0].astype("int64"), table[:, 1] / 100.0, table[:, 2] / 100.0

    def note_case(self, unit: str, note: CaseNote) -> None:
        """Add an entry to the case of a repair."""
        with self._writing() as connection:
            proving.note_case(connection, _unit_zone(connection, unit, note.zone), note)

    def open_repair(self, site: str, unit: str, opened: OpenedRepair) -> None:
        """Write all that opens a repair, or nothing of it: twins, events, photos, then the case's notes."""
        first = opened.notes[0]
        with self._writing() as connection:
            for zone in opened.zones:
                _enter_zone(connection, site, zone)
            for event in opened.events:
                _note_event(connection, site, event, recorded_s=first.recorded_s, who=first.who)
            of = _unit_id(connection, unit)
            for photo, data in opened.photos:
                photos.keep(connection, of, photo, data)
            for note in opened.notes:
                proving.note_case(connection, _unit_zone(connection, unit, note.zone), note)

    def case_notes(self, unit: str) -> list[CaseNote]:
        """What was entered of the repairs of a unit beside readings, in the order it was."""
        with self._reading() as connection:
            return proving.case_notes(connection, _unit_id(connection, unit))

    def rejected(
        self, topics: Sequence[str], *, from_s: int, to_s: int
    ) -> list[tuple[int, str, str, str]]:
        """(received, topic, reason, digest of the payload) of messages that could not be used."""
        with self._reading() as connection:
            return proving.rejected(connection, topics, from_s=from_s, to_s=to_s)

    def note_leaves(
        self, unit: str, *, hours: Mapping[tuple[str, int], str], lines: Sequence[str], now_s: int
    ) -> int:
        """Add what is new of what a unit's proofs were taken from to today's leaves; how many."""
        with self._writing() as connection:
            of = _unit_id(connection, unit)
            return chaining.note(connection, of, hours=hours, lines=lines, now_s=now_s)

    def is_behind(self, unit: str, *, to_hour: int) -> bool:
        """Whether something of hours before one waits to be judged: of the unit, or of its site."""
        with self._reading() as connection:
            return judging.is_behind(connection, unit, to_hour=to_hour)

    def uncounted(self) -> list[str]:
        """Units of which what proofs were taken from was last noted by a version that did not count."""
        with self._reading() as connection:
            return chaining.uncounted(connection)

    def close_days(self, *, now_s: int) -> int:
        """Chain every day that is over; how many."""
        with self._reading() as connection:
            if not chaining.is_due(connection, now_s=now_s):
                return 0
        with self._writing() as connection:
            return chaining.close(connection, now_s=now_s)

    def chain(self) -> list[tuple[int, int, str, str]]:
        """(day, leaves, root, head) of every closed day."""
        with self._reading() as connection:
            return chaining.days(connection)

    def leaves(self, unit: str) -> list[tuple[int, str, str]]:
        """(day, hash, leaf) from the unit's first leaf on; of other units the hash alone."""
        with self._reading() as connection:
            of = _unit_id(connection, unit)
            first = chaining.first_day(connection, of)
            return [] if first is None else chaining.leaves(connection, of, from_day=first)

    # --- common causes ---

    def declare_gateways(self, named: Mapping[tuple[str, str], str]) -> None:
        """Enter through which gateway the (site, node) are heard; it bears on no judgement."""
        with self._writing() as connection:
            causes.declare_gateways(connection, named)

    def gateways(self) -> dict[tuple[str, str], str]:
        """Gateway of each (site, node) that declares one."""
        with self._reading() as connection:
            return causes.gateways(connection)

    def standing_causes(self) -> list[causes.CauseRow]:
        """Alarms that others share as their cause, while its condition stands."""
        with self._reading() as connection:
            return causes.standing(connection)

    def released(self) -> dict[int, int]:
        """When each alarm that is under no cause now last left one."""
        with self._reading() as connection:
            return causes.released(connection)

    def keep_causes(self, work: causes.CauseWork, *, now_s: int) -> None:
        """Keep which alarms share a cause now, and what is told of it."""
        with self._writing() as connection:
            causes.keep(connection, work, now_s=now_s)

    def longest_gap_s(
        self, site: str, node: str, probe: str | None = None, *, from_s: int, to_s: int
    ) -> int:
        """Longest time between two samples of a node, or of one of its probes, in a span."""
        with self._reading() as connection:
            return causes.longest_gap_s(connection, site, node, probe, from_s=from_s, to_s=to_s)

    def alarms_told(self, *, from_s: int) -> list[tuple[str, int, str, int]]:
        """(person, alarm, site, when) of each alarm that a person was told by a message of its own."""
        with self._reading() as connection:
            return causes.told(connection, from_s=from_s)

    def limit_entries(self) -> list[LimitEntry]:
        """Limits of judgement that were changed, in the order of the changes."""
        with self._reading() as connection:
            return limits.entries(connection)

    def change_limit(self, entry: LimitEntry) -> int:
        """Keep a change of a limit; its number."""
        with self._writing() as connection:
            return limits.add(connection, entry)

    def alarm_spans(self, *, from_s: int, site: str = "") -> list[causes.AlarmSpan]:
        """Alarms that stood at any time from `from_s` on, and when each was under a cause."""
        with self._reading() as connection:
            return causes.spans(connection, from_s=from_s, site=site)

    # --- intake ---

    def share(self) -> None:
        """From now on others take in readings of the same nodes too."""
        self._names.is_shared = True

    def take(
        self,
        readings: Sequence[Reading],
        rejects: Sequence[Reject],
        *,
        received_s: int | Sequence[int],
        clocks: Sequence[Reading] = (),
        untold: Sequence[Reading] = (),
    ) -> Taken:
        """Keep a group of readings and rejects: when this returns, they are on the disk.

        `received_s` is when all came, or each; `clocks` are pairs of uptime and time without a sample;
        `untold` are readings of sources that know no receipt, received at one time.

        Raises
        ------
        StoreError
            If nothing could be kept (locked, full, read-only); the whole group may be given again.
        """
        try:
            with self._writing() as connection:
                return taking.take(
                    connection,
                    self._names,
                    readings,
                    rejects,
                    received_s=received_s,
                    clocks=clocks,
                    untold=untold,
                )
        except BaseException:
            self._names.forget()
            raise

    def listening(self) -> health.Listening:
        """Since when nobody listens to the nodes, if nobody does, and when nobody last did for long."""
        with self._reading() as connection:
            return health.listening(connection)

    def tell(self, item: OutboxItem, *, now_s: int) -> None:
        """Something to be told that is of no alarm, once under its key."""
        with self._writing() as connection:
            alarming.tell(connection, item, alarm_id=None, now_s=now_s)

    def floods(self) -> tuple[int, tuple[health.Flood, ...]]:
        """Since when the intake counts, and what each node sent beyond its allowance."""
        with self._reading() as connection:
            return health.floods(connection)

    def latest(self) -> list[Latest]:
        """The newest sample of every probe, with the zone it watches now."""
        with self._reading() as connection:
            return judging.latest(connection)

    def rejects(self, limit: int) -> list[KeptReject]:
        """Messages that could not be used, newest first."""
        c = t.reject.c
        query = select(c.received_s, c.topic, c.payload, c.reason)
        query = query.order_by(c.reject_id.desc()).limit(limit)
        with self._reading() as connection:
            return [KeptReject(*row) for row in connection.execute(query)]

    # --- history ---

    def samples(
        self,
        *,
        site: str = "",
        unit: str = "",
        from_s: int = 0,
        to_s: int = exporting.FOREVER_S,
        untimed: bool = True,
    ) -> Iterator[Sample]:
        """All samples of a site's probes, or of what watched a unit, in [from_s, to_s), as they are now.

        One look at the record from the first to the last, whatever is written meanwhile. Those whose
        time is pending are left out without `untimed`.
        """
        with self._reading() as connection:
            site = exporting.site_of(connection, site=site, unit=unit)
            yield from exporting.samples(
                connection, site=site, unit=unit, from_s=from_s, to_s=to_s, untimed=untimed
            )

    def next_sample_s(self, site: str, *, from_s: int) -> int | None:
        """From when on a site has samples again, at a time or later; None: it has none."""
        with self._reading() as connection:
            return exporting.next_sample_s(connection, site=site, from_s=from_s)

    def next_hour(self, site: str, *, from_hour: int) -> int | None:
        """First judged hour of a site and its units from one on; None: there is none."""
        with self._reading() as connection:
            return exporting.next_hour(connection, site=site, from_hour=from_hour)

    def hour_blocks(
        self, *, site: str = "", unit: str = "", from_hour: int, to_hour: int
    ) -> Iterator[dict[str, list[Any]]]:
        """Judged hours of a unit, or of a site and its units, as blocks of columns with what zone it is."""
        with self._reading() as connection:
            site = exporting.site_of(connection, site=site, unit=unit)
            yield from exporting.hours(
                connection, site=site, unit=unit, from_hour=from_hour, to_hour=to_hour
            )

    def count_readings(self, *, site: str = "", unit: str = "") -> int:
        """Readings of a site, or of the site of a unit; InputError if there is none of that code."""
        with self._reading() as connection:
            site = exporting.site_of(connection, site=site, unit=unit)
            return exporting.count(connection, site=site)

    def seal(self, *, before_s: int, now_s: int) -> int:
        """Seal one block of readings from before a time; how many, 0 if there is none to seal.

        One transaction of some tens of milliseconds, so that an intake hardly waits.
        """
        with self._reading() as connection:
            probe = sealing.next_probe(connection, before_s=before_s, now_s=now_s)
        if probe is None:
            return 0
        with self._writing() as connection:
            return sealing.seal(connection, probe, before_s=before_s, now_s=now_s)

    def drop(self, *, before_s: int) -> int:
        """Drop one block of sealed readings of what is gone; how many, 0 if there is none."""
        with self._writing() as connection:
            return sealing.drop(connection, before_s=before_s)

    def last_check(self) -> checking.Checked | None:
        """What the record's last check of itself found; None if there was none."""
        with self._reading() as connection:
            return checking.last(connection)

    # --- judging ---

    def deal_marks(self, *, to_hour: int) -> None:
        """Hand the marks of new readings on to the units and sites that they bear on."""
        with self._writing() as connection:
            judging.deal_marks(connection, to_hour=to_hour)

    def due(self, *, to_hour: int, unit: str = "") -> list[Due]:
        """Units that have hours to judge before `to_hour`; of one that left those up to that day."""
        of_unit = [t.unit.c.code == unit] if unit else []
        with self._reading() as connection:
            return judging.due(connection, ~parting.unwatched(), *of_unit, to_hour=to_hour)

    def judged(self) -> list[Judged]:
        """How far each unit's record reaches, of units that were judged ever, by code."""
        with self._reading() as connection:
            return judging.judged(connection)

    def unit_readings(self, unit: str, *, from_s: int, to_s: int) -> dict[str, ZoneReadings]:
        """Readings of a unit's zones in [from_s, to_s), by the placements in force."""
        with self._reading() as connection:
            return judging.readings(connection, t.unit.c.code == unit, from_s=from_s, to_s=to_s)

    def site_readings(self, site: str, *, from_s: int, to_s: int) -> dict[str, ZoneReadings]:
        """Readings of a site's own zones in [from_s, to_s)."""
        here = and_(t.site.c.code == site, t.zone.c.unit_id.is_(None))
        with self._reading() as connection:
            return judging.readings(connection, here, from_s=from_s, to_s=to_s)

    def site_dirty_hour(self, site: str) -> int | None:
        """First hour of the site's own zones that has to be worked out again."""
        query = select(t.site.c.dirty_hour).where(t.site.c.code == site)
        with self._reading() as connection:
            return cast("int | None", connection.execute(query).scalar_one())

    def site_spans(self, site: str) -> dict[str, tuple[int, int]]:
        """First and last hour worked out of each of the site's own zones that has any."""
        of_zone = t.hour.c.zone_id == t.zone.c.zone_id
        first, last = (
            select(edge(t.hour.c.hour)).where(of_zone).scalar_subquery()
            for edge in (func.min, func.max)
        )
        query = select(t.zone.c.code, first, last).join(
            t.site, t.site.c.site_id == t.zone.c.site_id
        )
        here = and_(t.site.c.code == site, t.zone.c.unit_id.is_(None))
        with self._reading() as connection:
            rows = connection.execute(query.where(here)).all()
        return {code: (start, end) for code, start, end in rows if start is not None}

    def checkpoint(self, unit: str, *, day: int, version: str) -> tuple[int, bytes] | None:
        """The newest checkpoint of a unit not after a day, of one version of the rules."""
        c = t.checkpoint.c
        query = (
            select(c.day, c.state)
            .join(t.unit)
            .where(t.unit.c.code == unit, c.day <= day, c.version == version)
            .order_by(c.day.desc())
            .limit(1)
        )
        with self._reading() as connection:
            row = connection.execute(query).one_or_none()
            return None if row is None else (row.day, row.state)

    def keep_judgement(  # noqa: PLR0913  all of it in one transaction
        self,
        due: Due,
        *,
        from_hour: int,
        to_hour: int,
        rows: Mapping[str, Mapping[str, Any]],
        checkpoints: Sequence[tuple[int, bytes]],
        version: str,
        alarms: AlarmWork,
        now_s: int,
        is_kept: Callable[[int], bool] = lambda _: True,
    ) -> None:
        """Replace a unit's hours from `from_hour` on, with checkpoints and alarms, or nothing.

        Of its earlier checkpoints those go whose day `is_kept` denies.
        """
        with self._writing() as connection:
            unit_id = _unit_id(connection, due.unit)
            from_hour = max(from_hour, handing.until_hour(connection, unit_id))
            judging.keep_hours(connection, t.zone.c.unit_id == unit_id, rows, from_hour=from_hour)
            judging.keep_checkpoints(connection, unit_id, checkpoints, from_hour, version)
            if checkpoints:  # a day is over
                judging.thin_checkpoints(connection, unit_id, is_kept)
            for new in alarms.new:
                alarming.add(connection, new, now_s=now_s)
            for changed in alarms.changed:
                alarming.change(connection, changed, now_s=now_s)
            for hold in alarms.holds:
                holding.add(connection, hold, now_s=now_s)
            judging.clear_mark(connection, due, to_hour=to_hour)

    def keep_site_hours(
        self, site: str, *, from_hour: int, to_hour: int, rows: Mapping[str, Mapping[str, Any]]
    ) -> None:
        """Replace the hours of a site's own zones from `from_hour` on."""
        with self._writing() as connection:
            site_id = _site_id(connection, site)
            here = and_(t.zone.c.site_id == site_id, t.zone.c.unit_id.is_(None))
            judging.keep_hours(connection, here, rows, from_hour=from_hour)
            # a mark that was set meanwhile reaches further back than what was worked out
            done = and_(t.site.c.dirty_hour < to_hour, t.site.c.dirty_hour >= from_hour)
            connection.execute(
                update(t.site).where(t.site.c.site_id == site_id, done).values(dirty_hour=None)
            )

    def hours(self, unit: str, zone: str, *, from_hour: int, to_hour: int) -> list[dict[str, Any]]:
        """Judged hours of a zone, as stored."""
        query = (
            select(t.hour)
            .join(t.zone, t.zone.c.zone_id == t.hour.c.zone_id)
            .join(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
            .where(
                t.unit.c.code == unit,
                t.zone.c.code == zone,
                t.hour.c.hour >= from_hour,
                t.hour.c.hour < to_hour,
            )
            .order_by(t.hour.c.hour)
        )
        with self._reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def site_hours(
        self, site: str, zone: str, *, from_hour: int, to_hour: int
    ) -> list[dict[str, Any]]:
        """Hours of a site's own zone, as stored."""
        query = (
            select(t.hour)
            .join(t.zone, t.zone.c.zone_id == t.hour.c.zone_id)
            .join(t.site, t.site.c.site_id == t.zone.c.site_id)
            .where(
                t.zone.c.unit_id.is_(None),
                t.site.c.code == site,
                t.zone.c.code == zone,
                t.hour.c.hour >= from_hour,
                t.hour.c.hour < to_hour,
            )
            .order_by(t.hour.c.hour)
        )
        with self._reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    # --- proof of repairs ---

    def repairs(self, *, unit: str = "") -> list[RepairRow]:
        """Repairs of a unit's zones, or of all; the newest first, each with how its proof stands."""
        with self._reading() as connection:
            return proving.repairs(connection, unit=unit)

    def proof_revisions(self, unit: str, zone: str, repaired_s: int) -> list[ProofRevision]:
        """Everything that was ever told of the proof of one repair, in the order it was told."""
        with self._reading() as connection:
            return proving.revisions(connection, _unit_zone(connection, unit, zone), repaired_s)

    def unread_proofs(self, unit: str, zone: str, repaired_s: int) -> int:
        """How many entries of the proof of one repair cannot be read."""
        with self._reading() as connection:
            return proving.unread(connection, _unit_zone(connection, unit, zone), repaired_s)

    def unit_hours(
        self, unit: str, *, from_hour: int, to_hour: int
    ) -> dict[str, dict[str, NDArray[Any]]]:
        """Hours of a unit's zones, and of its site's with a slash before their code, as columns.

        Hour, temperature, wood moisture, coverage and rain: what a proof is worked out from.
        """
        with self._reading() as connection:
            return proving.hours(connection, unit, from_hour=from_hour, to_hour=to_hour)

    def keep_proofs(
        self,
        unit: str,
        works: Sequence[ProofWork],
        *,
        version: str,
        alarms: AlarmWork,
        now_s: int,
    ) -> None:
        """Keep what the proofs of a unit's repairs say anew, with their alarms, or nothing."""
        with self._writing() as connection:
            for work in works:
                zone = _unit_zone(connection, unit, work.zone)
                proving.keep(connection, zone, work, version=version, now_s=now_s)
            for new in alarms.new:
                alarming.add(connection, new, now_s=now_s)
            for changed in alarms.changed:
                alarming.change(connection, changed, now_s=now_s)
            for hold in alarms.holds:
                holding.add(connection, hold, now_s=now_s)

    # --- alarms and processes ---

    def alarms(self, *, unit: str = "", open_only: bool = False) -> list[Alarm]:
        """Alarms, the newest first; `open_only`: those that ask for something."""
        with self._reading() as connection:
            return alarming.alarms(connection, unit=unit, open_only=open_only)

    def alarm_steps(self, alarm_id: int) -> list[AlarmStep]:
        """Every change of an alarm's life, in the order it was recorded."""
        c = t.alarm_step.c
        query = select(c.at_s, c.state, c.who, c.why).where(c.alarm_id == alarm_id)
        with self._reading() as connection:
            return [AlarmStep(*row) for row in connection.execute(query.order_by(c.number))]

    def check_source(self, source: Source) -> None:
        """See that the record knows a source's site, unit, zone and node; else an InputError."""
        with self._reading() as connection:
            alarming.keys_of(connection, source)

    def doubts(self, unit: str) -> list[tuple[str, int, int | None]]:
        """Zone, beginning and end of each doubt in a probe of a unit that still holds."""
        return [
            (alarm.zone, alarm.raised_s, alarm.cleared_s)
            for alarm in self.alarms(unit=unit)
            if alarm.kind == "sensor suspect" and alarm.withdrawn_s is None
        ]

    def disputed(self, site: str, *, unit: str) -> list[tuple[str, str, int]]:
        """Node, probe and number of disputed samples of what watches a unit, or its site itself."""
        d, p = t.dispute.c, t.placement.c
        samples = select(d.probe_id, d.boot, d.seq).distinct().subquery()
        here = (
            select(p.probe_id)
            .join(t.zone, t.zone.c.zone_id == p.zone_id)
            .join(t.site, t.site.c.site_id == t.zone.c.site_id)
            .outerjoin(t.unit, t.unit.c.unit_id == t.zone.c.unit_id)
            .where(t.site.c.code == site, or_(t.zone.c.unit_id.is_(None), t.unit.c.code == unit))
        )
        query = (
            select(t.node.c.code, t.probe.c.code, func.count())
            .join_from(samples, t.probe, t.probe.c.probe_id == samples.c.probe_id)
            .join(t.node, t.node.c.node_id == t.probe.c.node_id)
            .where(samples.c.probe_id.in_(here))
            .group_by(t.node.c.code, t.probe.c.code)
            .order_by(t.node.c.code, t.probe.c.code)
        )
        with self._reading() as connection:
            return [(str(r[0]), str(r[1]), int(r[2])) for r in connection.execute(query)]

    def add_alarm(self, alarm: NewAlarm, *, now_s: int, hold: NewHold | None = None) -> None:
        """Keep an alarm; one that is known already changes nothing."""
        with self._writing() as connection:
            alarming.add(connection, alarm, now_s=now_s)
            if hold is not None:
                holding.add(connection, hold, now_s=now_s)

    def holds(self, *, every: bool = False) -> list[Hold]:
        """What is held back, or ever was; the newest first."""
        with self._reading() as connection:
            return holding.holds(connection, every=every)

    def held_alarms(self) -> frozenset[int]:
        """Numbers of alarms whose source is held back now."""
        with self._reading() as connection:
            return frozenset(connection.execute(holding.held_alarms()).scalars())

    def hold(self, new: NewHold, *, instead_of: Hold | None = None, now_s: int) -> None:
        """Hold a source back, in place of another hold of it if there is one."""
        with self._writing() as connection:
            if instead_of is not None:
                why = f"in its place: {new.word}"
                holding.end(connection, instead_of, who=new.who, why=why, now_s=now_s, tell=False)
            holding.add(connection, new, now_s=now_s)

    def end_hold(self, hold: Hold, *, who: str, why: str, now_s: int) -> None:
        """Let a source go; what stands and nobody acknowledged is told."""
        with self._writing() as connection:
            holding.end(connection, hold, who=who, why=why, now_s=now_s)

    def change_alarm(self, change: ChangedAlarm, *, now_s: int) -> None:
        """Change an alarm's state, with the step that says who and why."""
        with self._writing() as connection:
            alarming.change(connection, change, now_s=now_s)

    def beat(self, part: str, at_s: int, detail: str = "{}") -> None:
        """Note that a process made progress."""
        values = {"at_s": at_s, "detail": detail}
        with self._writing() as connection:
            connection.execute(
                insert(t.pulse)
                .values(part=part, **values)
                .on_conflict_do_update(index_elements=["part"], set_=values)
            )

    def pulses(self) -> list[Pulse]:
        """When each process last made progress."""
        c = t.pulse.c
        with self._reading() as connection:
            return [Pulse(*row) for row in connection.execute(select(c.part, c.at_s, c.detail))]

    def settle_pulse(self, pulse: Pulse, *, by: str = "") -> None:
        """Note by whom the work of a process that is gone was taken over; without `by` it is forgotten.

        Not if it has beaten again meanwhile.
        """
        here = (t.pulse.c.part == pulse.part) & (t.pulse.c.at_s == pulse.at_s)
        detail = json.dumps(json.loads(pulse.detail) | {OVER: by, "connected": False})
        with self._writing() as connection:
            connection.execute(
                update(t.pulse).where(here).values(detail=detail)
                if by
                else delete(t.pulse).where(here)
            )

    def counts(self) -> dict[str, int]:
        """How much the record holds; no table that grows with the readings is read through."""
        pending = (  # of each probe by itself: a join would read through the whole index
            select(func.count())
            .where(t.reading.c.probe_id == t.probe.c.probe_id, t.reading.c.at_s.is_(None))
            .scalar_subquery()
        )
        of_zone = t.hour.c.zone_id == t.zone.c.zone_id  # its hours follow each other without a gap
        first, last = (
            select(edge(t.hour.c.hour)).where(of_zone).scalar_subquery()
            for edge in (func.min, func.max)
        )
        dispute = select(t.dispute.c.probe_id, t.dispute.c.boot, t.dispute.c.seq).distinct()
        queries = {
            "readings": select(func.coalesce(func.sum(t.latest.c.readings), 0)),
            "disputed": select(func.count()).select_from(dispute.subquery()),
            "time pending": select(func.coalesce(func.sum(pending), 0)).select_from(t.probe),
            "rejects": select(func.count()).select_from(t.reject),
            "hours": select(func.coalesce(func.sum(last - first + 1), 0)).select_from(t.zone),
            "alarms": select(func.count()).select_from(t.alarm),
        }
        with self._reading() as connection:
            return {
                name: int(connection.execute(query).scalar_one()) for name, query in queries.items()
            }


def open_record(home: Path, *, read_only: bool = False, server: "Server | None" = None) -> Record:
    """Open the record in a folder, or on a server; it is made, or migrated, unless it is only read.

    What goes with a record on a server (addresses, keys, locks) is in the folder all the same.

    Raises
    ------
    StoreError
        If it is no record, cannot be opened, or belongs to a later version.
    """
    return Record(open_engine(home, read_only=read_only, server=server), home)


def _enter_zone(connection: Connection, site: str, zone: Zone) -> None:
    site_id = _site_id(connection, site)
    unit_id = _unit_id(connection, zone.unit) if zone.unit else None
    values = {
        "kind": zone.kind,
        "material": zone.material,
        "mould_class": zone.mould_class,
        "dry_twin": zone.dry_twin,
        "faces": zone.faces,
        "temperature_factor": zone.temperature_factor,
        "watched_from_s": zone.watched_from_s,
        "source": zone.source,
        "origin": zone.origin,
        "distance_km": zone.distance_km,
    }
    here = and_(
        t.zone.c.site_id == site_id,
        t.zone.c.unit_id.is_(None) if unit_id is None else t.zone.c.unit_id == unit_id,
        t.zone.c.code == zone.code,
    )
    known = connection.execute(select(t.zone).where(here)).mappings().one_or_none()
    if known is None:
        keys = {"site_id": site_id, "unit_id": unit_id, "code": zone.code}
        connection.execute(t.zone.insert().values(keys | values))
    elif any(known[name] != value for name, value in values.items()):
        connection.execute(update(t.zone).where(here).values(values))
        judging.mark_zone(connection, known["zone_id"], hour=0)


def _note_event(
    connection: Connection, site: str, event: Event, *, recorded_s: int, who: str
) -> None:
    """Keep an event, and have what it bears on judged again."""
    zone = _zone_id(connection, site, event.unit, event.zone) if event.zone else None
    connection.execute(
        t.event.insert().values(
            at_s=event.at_s,
            site_id=_site_id(connection, site),
            unit_id=_unit_id(connection, event.unit) if event.unit else None,
            zone_id=zone,
            kind=event.kind,
            value=event.value,
            recorded_s=recorded_s,
            who=who,
        )
    )
    hour = event.at_s // HOUR_S
    if event.unit:
        judging.mark_units(connection, hour=hour, unit=event.unit)
    else:
        judging.mark_units(connection, hour=hour, site=site)


def _site_id(connection: Connection, code: str) -> int:
    found = connection.execute(select(t.site.c.site_id).where(t.site.c.code == code)).scalar()
    if found is None:
        raise InputError(f'there is no site "{code}"; add it first')
    return int(found)


def _unit_id(connection: Connection, code: str) -> int:
    found = connection.execute(select(t.unit.c.unit_id).where(t.unit.c.code == code)).scalar()
    if found is None:
        raise InputError(f'there is no unit "{code}"; add it first')
    return int(found)


def _unit_zone(connection: Connection, unit: str, zone: str) -> int:
    found = connection.execute(
        select(t.zone.c.zone_id).where(
            t.zone.c.unit_id == _unit_id(connection, unit), t.zone.c.code == zone
        )
    ).scalar()
    if found is None:
        raise InputError(f'there is no zone "{zone}" in {unit}')
    return int(found)


def _place(
    connection: Connection, placement: Placement, *, recorded_s: int, who: str, why: str
) -> None:
    """Enter a placement; the zone left and the zone joined are judged again from then on."""
    node = taking.node_id(connection, placement.site, placement.node)
    probe = taking.probe_id(connection, node, placement.probe)
    zone = _zone_id(connection, placement.site, placement.unit, placement.zone)
    hour = placement.from_s // HOUR_S
    judging.mark_placed(connection, probe, hour=hour)
    connection.execute(
        t.placement.insert().values(
            probe_id=probe,
            zone_id=zone,
            from_s=placement.from_s,
            recorded_s=recorded_s,
            who=who,
            why=why,
        )
    )
    if zone is not None:
        bench.placed(connection, probe, from_s=placement.from_s, who=who, now_s=recorded_s)
    judging.mark_placed(connection, probe, hour=hour)


def _zone_id(connection: Connection, site: str, unit: str, code: str) -> int | None:
    if not code:
        return None
    owner = _unit_id(connection, unit) if unit else None
    where = t.zone.c.unit_id.is_(None) if owner is None else t.zone.c.unit_id == owner
    query = select(t.zone.c.zone_id).where(
        t.zone.c.site_id == _site_id(connection, site), where, t.zone.c.code == code
    )
    found = connection.execute(query).scalar()
    if found is None:
        raise InputError(f'there is no zone "{code}" in {unit or site}; add it first')
    return int(found)
