"""What each page is drawn from: questions to the record, put together; nothing is judged here."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np

from dashboards import access, privacy, seals, views, words
from dashboards.access import Sight
from dashboards.pages import alarms as alarms_view
from dashboards.pages import begin as begin_view
from dashboards.pages import bench as bench_view
from dashboards.pages import cases as case_view
from dashboards.pages import handover as handover_view
from dashboards.pages import leave as leave_view
from dashboards.pages import lists as lists_view
from dashboards.pages import living as living_view
from dashboards.pages import load as load_view
from dashboards.pages import nodes as nodes_view
from dashboards.pages import proof as proof_view
from dashboards.pages import settings as settings_view
from dashboards.pages import unit as unit_view
from dashboards.pages import zone as zone_view
from dashboards.words import Wish
from monitor import bench, correction, explain, living, seasons, storms, text, watch
from monitor import load as alarm_load
from monitor.evidence.entries import BlindSpot
from monitor.judge import dryer, frost, limits, proofs
from monitor.judge.day import ASSUMED_FACTOR, PIPE_KINDS
from monitor.judge.rules import LIMITS, Limits
from monitor.lot import (
    AIR_KINDS,
    FEED,
    PRIVATE,
    BenchPoint,
    MouldClass,
    Placement,
    SeasonList,
    Unit,
    Zone,
    ZoneKind,
)
from monitor.store import RepairRow, board
from monitor.store.proving import standing_line
from monitor.store.record import Record
from monitor.text import handing, removal

SECTION_H = 90 * 24  # a wall at 10 °C has forgotten most of what it held before
AIRING_H = 7 * 24
LIVING_H = 8 * 24
YEAR_H = 365 * 24
UNNOTED = frozenset({"rain"})  # events that a zone's page leaves to its chart
LOAD_DAYS = 30  # a shorter time says little of what happens once a week
ALL_SPAN_H = 10 * 366 * 24  # "all" shows at most ten years of hours


def settings_page(
    record: Record, asked: Wish, token: str, runs: Sequence[tuple[str, str]]
) -> list[Any]:
    """How the program runs, and its limits."""
    told = settings_view.Told(
        runs=runs,
        entries=record.limit_entries(),
        sites=[site.code for site in record.sites()],
        kinds=sorted({unit.body_type for unit in record.units()}),
    )
    return settings_view.blocks(told, asked, token=token)


def alarms_page(record: Record, asked: Wish, token: str, sight: Sight) -> list[Any]:
    """Alarms of what the visitor sees."""
    standing, ended = map(sight.placed, board.alarms(record.engine))
    sites = {site.code: site for site in board.sites(record.engine)}
    under = {number: row.cause_id for row in record.standing_causes() for number in row.now}
    held = tuple(h for h in record.holds() if sight.sees(h.source.site, h.source.unit))
    return alarms_view.blocks(
        standing, ended, sites, asked=asked, token=token, under=under, held=held
    )


def load_page(record: Record, asked: Wish, sight: Sight) -> list[Any]:
    """How the alarms lie on people."""
    from_s = asked.now_s - LOAD_DAYS * 86_400
    spans = [s for s in record.alarm_spans(from_s=from_s) if sight.sees(s.site, s.unit)]
    seen = {span.alarm_id for span in spans}
    told = [entry for entry in record.alarms_told(from_s=from_s) if entry[1] in seen]
    held = record.held_alarms()
    found = [
        alarm_load.load(spans, site=code, from_s=from_s, now_s=asked.now_s, held=held, told=told)
        for code in sorted(sight.sites)
    ]
    return load_view.blocks(found, asked)


def nodes_page(record: Record, asked: Wish, sight: Sight) -> list[Any]:
    """All nodes that are seen, with what the bench says of them."""
    nodes = sight.nodes(board.nodes(record.engine, now_s=asked.now_s))
    holds = correction.newest(record.bench_checks(), now_s=asked.now_s)
    seen = {(node.site, node.code) for node in nodes}
    lying = [
        point
        for point in correction.open_points(record.bench_points())
        if (point.site, point.node) in seen
    ]
    told = nodes_view.Told(
        record.node_access(now_s=asked.now_s),
        record.node_faults(),
        tuple(lying),
        may_move="place" in sight.acts,
    )
    return nodes_view.blocks(nodes, asked, checks=holds, may_bench="bench" in sight.acts, told=told)


def bench_page(record: Record, asked: Wish, sight: Sight, *, token: str) -> list[Any]:
    """Probes in a box over salt: how one of them does now, and what was found of all."""
    zones = {site.code: site.timezone for site in record.sites()}
    probes = {
        f"{p.site}/{p.node}/{p.probe}": p
        for p in record.placements()
        if p.to_s is None and sight.sees(p.site, p.unit)
    }
    seen = {(p.site, p.node, p.probe) for p in probes.values()}
    points = [one for one in record.bench_points() if (one.site, one.node, one.probe) in seen]
    told = bench_view.Told(probes=probes, zones=zones, points=tuple(points), token=token)
    chosen = probes.get(asked.choice("probe"))
    if chosen is not None:
        told = replace(told, looked=_bench_look(record, asked, sight, chosen))
    return bench_view.blocks(told, asked)


def _bench_look(record: Record, asked: Wish, sight: Sight, placed: Placement) -> bench_view.Look:
    from_s, to_s = bench.window(asked.now_s, from_s=None, to_s=None)
    found = record.probe_readings(placed.site, placed.node, placed.probe, from_s=from_s, to_s=to_s)
    at_s, celsius, percent = found
    unit = board.declared(record.engine, placed.unit) if placed.unit else None
    spells = _spells(record, sight, placed.site, placed.unit, unit.life) if unit else []
    count = bench.LOOKBACK_S // 3600 + 1
    hidden = privacy.lived_in(spells, from_hour=from_s // 3600, count=count).any()
    return bench_view.Look(
        settling=bench.settling(at_s=at_s, temperature_c=celsius, humidity_percent=percent),
        from_s=from_s,
        to_s=to_s,
        at_s=at_s,
        humidity_percent=percent,
        hidden=bool(hidden),
    )


def unit_page(record: Record, asked: Wish, code: str, sight: Sight) -> list[Any]:
    """One unit; one that others live in by the day."""
    found = board.unit(record.engine, code, now_s=asked.now_s)
    if found is None:
        return views.missing("unit", code, asked)
    unit, site = found
    spells = _spells(record, sight, unit.site, code, unit.life)
    today = asked.now_s // 3600 // 24
    coarse = bool(privacy.lived_in(spells, from_hour=today * 24, count=1)[0])
    if coarse:
        zones = tuple(_by_day(record, zone, spells, asked.now_s) for zone in unit.zones)
        unit = replace(unit, zones=zones)
    drawn = unit_view.blocks(
        unit,
        site,
        asked,
        _limits(record, unit.declared, asked),
        unit_view.More(
            by_day=coarse,
            living="living" in sight.acts and code not in sight.private,
            lists="acknowledge" in sight.acts,
            walks="round" in sight.acts,
            seals="seals" in sight.acts,
            handover="proof" in sight.acts,
            rain=storms.of(record, unit.declared, now_s=asked.now_s) if unit.zones else None,
            dryer=_dryer(record, unit.declared, site.code, asked),
            glance=[
                *_whose(record, code, site.timezone),
                *_glance(record, unit, site, asked, spells),
            ],
        ),
    )
    return [*drawn, leave_view.way(code, asked)] if "change" in sight.acts else drawn


def leave_page(record: Record, asked: Wish, code: str, token: str) -> list[Any]:
    """How a unit leaves, and how it came."""
    unit = next((one for one in record.units() if one.code == code), None)
    if unit is None:
        return views.missing("unit", code, asked)
    site = next(one for one in record.sites() if one.code == unit.site)
    placed = {p.node for p in record.placements() if p.unit == code and p.to_s is None}
    return leave_view.blocks(
        leave_view.Told(
            unit=unit,
            timezone=site.timezone,
            ledger=record.ledger(unit=code),
            nodes=sorted(placed),
            standing=len(record.alarms(unit=code, open_only=True)),
            received=record.received(code),
            stood=record.stood(code),
        ),
        asked,
        token=token,
    )


def _whose(record: Record, unit: str, timezone: str) -> list[str]:
    """Whose record a unit's past is, where it came with one; and what stood then."""
    came = record.received(unit)
    if came is None:
        return []
    said = [
        removal.received_text(until=words.when(came.until_s, timezone), key=came.key),
        handing.went_on_text(
            came.file_until_s, came.until_s, lambda at_s: words.when(at_s, timezone)
        ),
    ]
    if unread := sum(row.is_unread for row in record.repairs(unit=unit)):
        said.append(handing.unread_text(unread))
    stood = record.stood(unit)
    return [*filter(None, said), *([removal.stood_text(stood)] if stood else [])]


def _glance(
    record: Record,
    unit: board.UnitNow,
    site: board.SiteRow,
    asked: Wish,
    spells: Sequence[living.Spell],
) -> list[str]:
    """Whether to open it up, its batteries, and when its seals are next looked at."""
    lines = []
    cabin = next((zone for zone in unit.zones if zone.kind == "cabin"), None)
    if cabin is not None and not spells:
        to_hour = cabin.hour + 1 if cabin.hour is not None else asked.now_s // 3600
        hours = Hours(record, to_hour - AIRING_H, to_hour, ())
        events = record.events(unit.site, unit=unit.code)
        aired = _aired(hours, cabin, site, now_s=asked.now_s)
        lines.append(
            text.NO_AIRING
            if aired is None
            else text.airing_text(
                aired.advice,
                occupied=living.stay(events, life=unit.life).occupied,
                inside_dew_c=aired.inside_dew_c,
                outside_dew_c=aired.outside_dew_c,
                surface_c=aired.surface_c,
            )
        )
    samples = record.latest()
    here = {(one.site, one.node) for one in samples if one.unit == unit.code}
    levels: dict[str, float] = {}
    for one in samples:  # a probe that is nowhere, such as the radio, speaks for its node
        is_of_it = one.unit == unit.code or not (one.unit or one.zone)
        if (one.site, one.node) in here and is_of_it and one.battery_percent is not None:
            levels[one.node] = min(one.battery_percent, levels.get(one.node, 100.0))
    lines.append(text.batteries_text(levels))
    return [*lines, _seals(record, unit, site, asked)]


def _aired(
    hours: "Hours", cabin: board.ZoneNow, site: board.SiteRow, *, now_s: int
) -> explain.Airing | None:
    """What opening a unit does now."""
    _, outside = board.sides(hours.record.engine, cabin, now_s=now_s)
    if outside is None:
        return None
    sides = [hours.of(row) for row in (cabin, outside)]
    within, around = (np.array([side.temperature_c, side.humidity_percent]) for side in sides)
    return explain.airing(
        cabin=within,
        outside=around,
        factor=cabin.temperature_factor or ASSUMED_FACTOR,
        altitude_m=site.altitude_m,
        lines_can_freeze=frost.has_water(hours.record.events(cabin.site, unit=cabin.unit)),
        ahead=_ahead(hours.record, cabin.site, hours.to_hour),
        accuracy_percent=(
            _accuracy(hours.record, cabin, now_s=now_s),
            _accuracy(hours.record, outside, now_s=now_s),
        ),
    )


def _boxed(record: Record, zone: board.ZoneNow) -> tuple[BenchPoint, ...]:
    """Newest points of a zone's probes that lie in a box over salt, as far as is known."""
    lying = {(p.site, p.node, p.probe): p for p in correction.open_points(record.bench_points())}
    if not lying:
        return ()
    here = (zone.site, zone.unit, zone.code)
    watching = [
        (p.site, p.node, p.probe)
        for p in record.placements()
        if (p.site, p.unit, p.zone) == here and p.to_s is None
    ]
    return tuple(lying[probe] for probe in watching if probe in lying)


def _accuracy(record: Record, zone: board.ZoneNow, *, now_s: int) -> float:
    """How far off a zone's humidity may be, in %, by the bench checks of its probes."""
    checks = record.bench_checks(zone.site)
    if not checks:
        return correction.ASSUMED_PERCENT
    return correction.accuracy(
        checks,
        record.placements(),
        site=zone.site,
        unit=zone.unit,
        zone=zone.code,
        now_s=now_s,
    )


def _seals(record: Record, unit: board.UnitNow, site: board.SiteRow, asked: Wish) -> str:
    """When the seals are next due; without joints, when they were last looked at or renewed."""
    by_joint = seals.line(record, unit.code, now_s=asked.now_s)
    if by_joint:
        return by_joint
    looked = [
        step.at_s
        for one in record.season_lists(unit.code)
        for step in one.steps
        if (step.item, step.word) == ("look at seals", "done")
    ]
    looked += [
        event.at_s
        for event in record.events(unit.site, unit=unit.code)
        if event.kind == "reseal" and event.unit == unit.code
    ]
    if not looked:
        return text.seals_text("", "", due=True)
    last = max(looked)
    next_s = last + seasons.SEALS_DAYS * 86_400
    days = [words.day(at_s, site.timezone) for at_s in (last, next_s)]
    return text.seals_text(*days, due=next_s <= asked.now_s)


def _dryer(record: Record, unit: Unit, site: str, asked: Wish) -> str:
    """How a unit's dehumidifier does; "" where none is noted."""
    events = record.events(site, unit=unit.code)
    device = dryer.noted(events)
    if device is None:
        return ""
    found, state = None, "lived in"
    if not living.stay(events, life=unit.life).occupied:
        place = next(one for one in record.sites() if one.code == site)
        found = watch.look_at_dryer(record, place, unit, device, now_s=asked.now_s)
        state = found.state if found else "cannot tell"
    nothing = float("nan")
    return text.dryer_text(
        device=device.kind,
        state=state,
        least_kg_d=found.least_kg_d if found else nothing,
        most_kg_d=found.most_kg_d if found else nothing,
    )


def _spells(record: Record, sight: Sight, site: str, unit: str, life: str) -> list[living.Spell]:
    """When somebody lived in a unit whose hours are not the visitor's to see."""
    if unit not in sight.private:
        return []
    return living.spells(record.events(site, unit=unit), life=life)


def living_page(record: Record, asked: Wish, code: str, token: str) -> list[Any]:
    """The air for people in a unit."""
    found = board.unit(record.engine, code, now_s=asked.now_s)
    if found is None:
        return views.missing("unit", code, asked)
    unit, site = found
    cabin = next((zone for zone in unit.zones if zone.kind == "cabin"), None)
    told = living_view.Told(unit, site, cabin, None, None, None, 0)
    if cabin is not None:
        told = _lived(record, asked, told, cabin)
    others = access.seen_by(record, code, unit.site)
    return living_view.blocks(replace(told, seen_by=others), asked, token=token)


def _lived(
    record: Record, asked: Wish, told: living_view.Told, cabin: board.ZoneNow
) -> living_view.Told:
    """What the page of a unit with a cabin is drawn from."""
    to_hour = asked.now_s // 3600
    if cabin.hour is not None and to_hour - 3 < cabin.hour:
        to_hour = cabin.hour + 1
    unit, site = told.unit, told.site
    _, around = board.sides(record.engine, cabin, now_s=asked.now_s)
    if around is None:
        return told

    def hours(row: board.ZoneNow, count: int) -> board.Series:
        return board.series(record.engine, row, from_hour=to_hour - count, to_hour=to_hour)

    inside, outside = hours(cabin, LIVING_H), hours(around, LIVING_H)
    events = record.events(unit.site, unit=unit.code)
    people = asked.choice("people")
    stay = living.stay(
        events, life=unit.life, people=int(people) if re.fullmatch(r"[1-9]", people) else 0
    )
    forecast_s, ahead = record.forecast(unit.site, from_hour=to_hour)
    ahead = frost.fresh(forecast_s, ahead, now_s=asked.now_s)
    co2_at_s, co2_ppm = board.carbon_dioxide(
        record.engine, cabin, from_s=asked.now_s - 7 * 86_400, to_s=asked.now_s + 1
    )
    found = living.living(
        living.Told(
            stay=stay,
            cabin=np.array([inside.temperature_c, inside.humidity_percent]),
            outside=np.array([outside.temperature_c, outside.humidity_percent]),
            ahead=ahead,
            next_hour=to_hour,
            clock_h=words.local(to_hour * 3600, site.timezone).hour,
            factor=cabin.temperature_factor or ASSUMED_FACTOR,
            factor_source="declared for this unit" if cabin.temperature_factor else "assumed",
            altitude_m=site.altitude_m,
            pipes=[
                (zone.code, hours(zone, LIVING_H).temperature_c)
                for zone in unit.zones
                if zone.kind in PIPE_KINDS
            ],
            water=frost.has_water(events),
            co2_at_s=co2_at_s,
            co2_ppm=co2_ppm,
        )
    )
    return replace(
        told,
        inside=hours(cabin, living_view.SHOWN_H),
        outside=hours(around, living_view.SHOWN_H),
        found=found if found.surfaces or not np.isnan(found.temperature_c) else None,
        forecast_s=forecast_s,
    )


def _limits(record: Record, unit: Unit, asked: Wish) -> Limits:
    """Limits in force for a unit: what a chart shows is what its words are taken from."""
    hour = asked.now_s // 3600
    entries = record.limit_entries()
    return limits.in_force(entries, site=unit.site, body_type=unit.body_type, hour=hour)


def opening_page(record: Record, asked: Wish, unit: str, token: str) -> list[Any]:
    """Where a repair of a unit is opened."""
    if unit not in {one.code for one in record.units()}:
        return views.missing("unit", unit, asked)
    return case_view.opening(unit, record.zones(unit), asked, token=token)


def repair_page(
    record: Record, asked: Wish, place: tuple[str, str, int], *, token: str = ""
) -> list[Any]:
    """The proof of one repair (`place`: unit, zone and when); `token` for who may add to it."""
    from monitor.reports.packet import differences

    unit, zone, repaired_s = place
    rows = record.repairs(unit=unit)
    row = next((r for r in rows if (r.zone, r.repaired_s) == (zone, repaired_s)), None)
    if row is None:
        return views.missing("repair", f"{unit}/{zone}/{repaired_s}", asked)
    revisions = record.proof_revisions(unit, zone, repaired_s)
    told = proof_view.Told(
        row=row,
        revisions=revisions,
        standing=standing_line(revisions),
        zone=board.zone(record.engine, unit, zone, site=False, now_s=asked.now_s),
        course=_course(record, row),
        case=case_view.Case(
            [
                note
                for note in record.case_notes(unit)
                if (note.zone, note.repaired_s) == (zone, repaired_s)
            ],
            token if row.ended_s is None else "",
        ),
        unread=record.unread_proofs(unit, zone, repaired_s),
        differences=differences(revisions),
    )
    return proof_view.repair_blocks(told, asked)


def _course(record: Record, row: RepairRow) -> proofs.Course | None:
    """What the standing verdict was taken from: the same hours, up to the same midnight."""
    if row.now is None:
        return None
    hours = record.unit_hours(
        row.unit,
        from_hour=row.repaired_s // 3600 - proofs.BEFORE_DAYS * 24,
        to_hour=row.now.at_s // 3600,
    )
    events = record.events(row.site, unit=row.unit)
    told = proofs.trusted(hours, record.doubts(row.unit))
    for one in proofs.repairs(record.zones(row.unit), events, told):
        if (one.zone.code, one.at_s) == (row.zone, row.repaired_s):
            return proofs.course(one)
    return None


def zone_page(
    record: Record,
    asked: Wish,
    sight: Sight,
    place: tuple[str, str],
    *,
    of_site: bool,
    token: str = "",
) -> list[Any]:
    """One zone of a unit or of a site (`place`: whose, and its code); the token is for its forms."""
    owner, code = place
    zone = board.zone(record.engine, owner, code, site=of_site, now_s=asked.now_s)
    site = board.site(record.engine, zone.site) if zone else None
    if zone is None or site is None:
        return views.missing("zone", f"{owner}/{code}", asked)
    from_hour, to_hour = _hours(record, zone, asked, site.timezone)
    alarms = board.zone_alarms(record.engine, zone)
    unit = board.declared(record.engine, zone.unit) if zone.unit else None
    spells = _spells(record, sight, zone.site, zone.unit, unit.life) if unit else []
    hours = Hours(record, from_hour, to_hour, tuple(spells))
    coarse = hours.private
    if coarse:
        zone = _by_day(record, zone, spells, asked.now_s)
    told = zone_view.Told(
        zone=zone,
        site=site,
        series=hours.of(zone),
        samples=board.samples(record.engine, zone, from_s=from_hour * 3600, to_s=to_hour * 3600)
        if 0 < asked.span_d <= zone_view.SAMPLES_D and not coarse
        else None,
        by_day=coarse,
        alarms=alarms,
        limits=_limits(record, unit, asked) if unit else LIMITS,
        noted=tuple(
            event
            for event in record.events(zone.site, unit=zone.unit)
            if event.unit == zone.unit
            and event.zone in {"", zone.code}
            and event.kind not in (UNNOTED | PRIVATE if spells else UNNOTED)
        )
        if unit
        else (),
        found=tuple(record.findings(zone.unit)) if unit else (),
        token=token if unit and "round" in sight.acts else "",
        **_beside(hours, zone, now_s=asked.now_s),
        boxed=_boxed(record, zone),
        look=views.look(zone, alarms, unit) if unit else None,
        baseline=board.baseline(record.engine, zone) if unit else None,
        found_percent=explain.found_shares(),
        **_explained(replace(hours, from_hour=to_hour - SECTION_H), zone, site, now_s=asked.now_s),
    )
    return zone_view.blocks(told, asked)


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of zones that a page shows, those that are private to its visitor as daily means."""

    record: Record
    from_hour: int
    to_hour: int
    spells: tuple[living.Spell, ...]

    def of(self, row: board.ZoneNow) -> board.Series:
        """Hours of one zone; a site's own are nobody's."""
        found = board.series(
            self.record.engine, row, from_hour=self.from_hour, to_hour=self.to_hour
        )
        return privacy.series(found, self.spells) if row.unit else found

    @property
    def private(self) -> bool:
        """Whether any of them is."""
        count = max(self.to_hour - self.from_hour, 0)
        return bool(privacy.lived_in(self.spells, from_hour=self.from_hour, count=count).any())


def _by_day(
    record: Record, zone: board.ZoneNow, spells: list[living.Spell], now_s: int
) -> board.ZoneNow:
    """A zone of a unit that others live in, with the figures of its last whole day."""
    today = now_s // 3600 // 24
    past = Hours(record, (today - 3) * 24, today * 24, tuple(spells))
    return privacy.zone(zone, past.of(zone))


def _beside(hours: Hours, zone: board.ZoneNow, *, now_s: int) -> dict[str, Any]:
    """The same hours of outside air and of the zone's dry twin, where there are such."""
    record = hours.record
    found: dict[str, Any] = {}
    if not zone.unit:
        return found
    _, outside = board.sides(record.engine, zone, now_s=now_s)
    if outside is not None:
        found["outside"] = hours.of(outside)
    declared = next((z for z in record.zones(zone.unit) if z.code == zone.code), None)
    if declared is not None and declared.dry_twin:
        code = declared.dry_twin
        twin = board.zone(record.engine, zone.unit, code, site=False, now_s=now_s)
        if twin is not None:
            found |= {"twin": hours.of(twin), "twin_code": code}
    return found


def _ahead(record: Record, site: str, next_hour: int) -> explain.Floats | None:
    """Forecast of the next day: temperature, humidity, rain; None where there is none."""
    issue = record.forecast(site, from_hour=next_hour)
    hours = frost.fresh(*issue, now_s=next_hour * 3600)
    if not hours:
        return None
    table = np.full((3, 24), np.nan)
    for hour in hours:
        if 0 <= hour.hour - next_hour < 24:
            given = (hour.temperature_c, hour.humidity_percent, hour.rain_mm)
            table[:, hour.hour - next_hour] = [np.nan if v is None else v for v in given]
    return table


def _explained(
    hours: Hours, zone: board.ZoneNow, site: board.SiteRow, *, now_s: int
) -> dict[str, Any]:
    """Section through a zone's wall, and airing, from the hours on both sides of it."""
    inside, outside = board.sides(hours.record.engine, zone, now_s=now_s)
    if zone.kind == "outside" or inside is None or outside is None:
        return {}

    def air(row: board.ZoneNow) -> explain.Floats:
        series = hours.of(row)
        return np.array([series.temperature_c, series.humidity_percent])

    cabin, around = air(inside), air(outside)
    own = None if zone.kind in AIR_KINDS else air(zone)
    found: dict[str, Any] = {
        "section": explain.section(
            cast(ZoneKind, zone.kind),
            cabin=cabin,
            outside=around,
            own_percent=None if own is None else own[1],
        )
    }
    if own is None:
        week = replace(hours, from_hour=hours.to_hour - AIRING_H)
        found["airing"] = _aired(week, zone, site, now_s=now_s)
    elif zone.mould_index is not None:
        found["growth"] = explain.growth(
            climate=own[:, -explain.FORTNIGHT_H :],
            index=zone.mould_index,
            mould_class=cast(MouldClass, zone.mould_class),
            accuracy_percent=_accuracy(hours.record, zone, now_s=now_s),
        )
    return found


def _hours(record: Record, zone: board.ZoneNow, asked: Wish, timezone: str) -> tuple[int, int]:
    """Hours that the address asks for, up to the end of its day or the newest whole one."""
    to_hour = asked.now_s // 3600
    if asked.until:
        end_s = words.end_of_day_s(asked.until, timezone)
        to_hour = max(min(-(-end_s // 3600), to_hour), 24)
        return max(to_hour - (asked.span_d * 24 or ALL_SPAN_H), 0), to_hour
    if zone.hour is not None and to_hour - 3 < zone.hour:
        to_hour = zone.hour + 1  # the newest hours are still to be judged: no gap
    if asked.span_d:
        span_h = asked.span_d * 24
        if zone.heard_s is not None and zone.heard_s // 3600 < to_hour - span_h:
            to_hour = zone.heard_s // 3600 + 1  # nothing would be seen: its last days instead
        return to_hour - span_h, to_hour
    first = board.first_hour(record.engine, zone)
    return max(to_hour - 24 if first is None else first, to_hour - ALL_SPAN_H), to_hour


# --- lists of the seasons -------------------------------------------------------------------------


def climate(record: Record, site: str, *, now_s: int) -> frozenset[seasons.Climate]:
    """Climate of a site, by a year of its outside air."""
    hours = _outside_year(record, site, now_s=now_s)
    if hours is None:
        nothing = np.zeros(0)
        return seasons.climates(nothing, nothing)
    return seasons.climates(hours.temperature_c, hours.dew_point_c)


def _outside_year(record: Record, site: str, *, now_s: int) -> board.Series | None:
    zones = [zone for zone in record.site_zones(site) if zone.kind == "outside"]
    if not zones:
        return None
    row = board.zone(record.engine, site, zones[0].code, site=True, now_s=now_s)
    to_hour = now_s // 3600
    if row is None:
        return None
    return board.series(record.engine, row, from_hour=to_hour - YEAR_H, to_hour=to_hour)


def handover_page(record: Record, asked: Wish, code: str, sight: Sight) -> list[Any]:
    """What of a unit can be made to be handed over."""
    found = board.unit(record.engine, code, now_s=asked.now_s)
    if found is None:
        return views.missing("unit", code, asked)
    unit, site = found
    spells = _spells(record, sight, unit.site, code, unit.life)
    repairs = record.repairs(unit=code)
    told = handover_view.Told(
        unit=unit,
        site=site,
        repairs=[row for row in repairs if row.now is not None],
        unread=sum(row.is_unread for row in repairs),
        kinds=handover_view.open_to(sight.acts),
        lived_in=bool(spells),
    )
    return handover_view.blocks(told, asked)


def lists_page(record: Record, asked: Wish, code: str, token: str, sight: Sight) -> list[Any]:
    """Page of a unit's lay-up and opening lists."""
    found = board.unit(record.engine, code, now_s=asked.now_s)
    if found is None:
        return views.missing("unit", code, asked)
    unit, site = found
    known = tuple(record.season_lists(code))
    cabin = next((zone for zone in unit.zones if zone.kind == "cabin"), None)
    day = words.local(asked.now_s, site.timezone).date()
    latitude = seasons.latitude_deg(site.timezone)
    due = [k for k in seasons.LIST_KINDS if seasons.is_due(k, day, latitude_deg=latitude)]
    hours = _outside_year(record, site.code, now_s=asked.now_s)
    told = lists_view.Told(
        unit=unit,
        site=site,
        lists=known,
        dryness=seasons.dryness(
            [(zone.code, zone.kind, zone.word) for zone in unit.zones],
            cabin_percent=_cabin_day(record, cabin, asked.now_s, whole=code in sight.private),
        ),
        due=due[0] if due else None,
        climate_known=hours is not None
        and int((~np.isnan(hours.temperature_c)).sum()) >= seasons.LEAST_HOURS,
        place_known=latitude is not None,
        settling=_settling(record, cabin, known, asked.now_s),
    )
    return lists_view.blocks(told, asked, token=token)


def _cabin_day(record: Record, cabin: board.ZoneNow | None, now_s: int, *, whole: bool) -> float:
    """Mean humidity of a cabin's last 24 h, or of its last whole day; nan where half is missing."""
    if cabin is None:
        return float("nan")
    to_hour = now_s // 3600
    if whole:  # two means an hour apart would tell the hour
        to_hour = to_hour // 24 * 24
    elif cabin.hour is not None and to_hour - 3 < cabin.hour:
        to_hour = cabin.hour + 1
    day = board.series(record.engine, cabin, from_hour=to_hour - 24, to_hour=to_hour)
    known = ~np.isnan(day.humidity_percent)
    return float(np.nanmean(day.humidity_percent)) if known.sum() >= 12 else float("nan")


def _settling(
    record: Record,
    cabin: board.ZoneNow | None,
    known: Sequence[SeasonList],
    now_s: int,
) -> str:
    """How the air did since a unit was laid up, for its first two weeks."""
    last = next((one for one in known if one.kind == "lay-up" and one.ended_s is not None), None)
    if last is None or last.ended_s is None or cabin is None:
        return ""
    days = (now_s - last.ended_s) // 86_400
    if not 2 <= days <= seasons.SETTLES_D or any(one.ended_s is None for one in known):
        return ""
    from_hour = -(-last.ended_s // 3600)
    hours = board.series(record.engine, cabin, from_hour=from_hour, to_hour=from_hour + days * 24)
    first, now = seasons.settling(hours.humidity_percent, days=days)
    return text.settling_text(days=days, first=first, last=now)


# --- first steps ----------------------------------------------------------------------------------

MOST_SUGGESTED = 6


def begin_page(
    record: Record, asked: Wish, sight: Sight, *, token: str, broker: begin_view.Broker
) -> list[Any]:
    """What is entered so far, and what is next."""
    sites = tuple(site for site in record.sites() if site.code in sight.sites)
    units = tuple(unit for unit in record.units() if unit.code in sight.units)
    wanted = asked.choice("unit")
    unit = next((one for one in units if one.code == wanted), units[-1] if units else None)
    zones: tuple[Zone, ...] = ()
    placed: tuple[Placement, ...] = ()
    suggested: tuple[BlindSpot, ...] = ()
    if unit is not None:
        own = record.zones(unit.code)
        zones = (*own, *record.site_zones(unit.site))
        here = {(zone.unit, zone.code) for zone in zones}
        placed = tuple(
            p
            for p in record.placements()
            if p.to_s is None
            and p.site == unit.site
            and (p.unit, p.zone) in here
            and p.node != FEED
        )
        spots = explain.unseen([(zone.code, zone.kind) for zone in own], unit)
        known = {zone.code for zone in own}
        suggested = tuple(spot for spot in spots if spot.zone not in known)[:MOST_SUGGESTED]
    heard: dict[tuple[str, str], int] = {}
    for sample in record.latest():
        key = (sample.site, sample.node)
        heard[key] = max(heard.get(key, 0), sample.at_s)
    told = begin_view.Told(sites, units, unit, zones, suggested, placed, heard, broker)
    return begin_view.blocks(told, asked, token=token)
