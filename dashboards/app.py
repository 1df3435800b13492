"""The board as a web application: addresses in, pages out."""

import json
import logging
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import numpy as np
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from flask import Flask, Response, g, has_request_context, request
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from dashboards import access, answers, changes, exports, paint, privacy, signin, views, words
from dashboards.access import Gate, Sight
from dashboards.access import plain as _plain
from dashboards.pages import access as access_pages
from dashboards.pages import alarms as alarms_page
from dashboards.pages import chain as chain_page
from dashboards.pages import living as living_page
from dashboards.pages import load as load_page
from dashboards.pages import lot as lot_page
from dashboards.pages import morning as morning_page
from dashboards.pages import nodes as nodes_page
from dashboards.pages import people as people_page
from dashboards.pages import proof as proof_page
from dashboards.pages import settings as settings_page
from dashboards.pages import unit as unit_page
from dashboards.pages import zone as zone_page
from dashboards.words import Wish
from monitor import catalogue, explain, living, storms, text, watch
from monitor import load as alarm_load
from monitor.catalogue import say
from monitor.errors import MonitorError
from monitor.judge import dryer, frost, limits, proofs
from monitor.judge.day import ASSUMED_FACTOR, PIPE_KINDS
from monitor.judge.rules import LIMITS, Limits
from monitor.lot import AIR_KINDS, MouldClass, Unit, ZoneKind
from monitor.store import RepairRow, board, health, people, users
from monitor.store.proving import standing_line
from monitor.store.record import Record

log = logging.getLogger("sillkeep.pages")

REFRESH_MS = 30_000  # a reading comes every few minutes: half a minute is soon enough
MOST_BYTES = 64 * 1024  # a name and a token need no more
SECTION_H = 90 * 24  # a wall at 10 °C has forgotten most of what it held before
AIRING_H = 7 * 24
LIVING_H = 8 * 24
UNNOTED = frozenset({"rain"})  # events that a zone's page leaves to its chart
PRIVATE = frozenset({"occupied", "vacated"})
LOG_LINES = 500  # of the log, on its page
LOAD_DAYS = 30  # a shorter time says little of what happens once a week
ALL_SPAN_H = 10 * 366 * 24  # "all" shows at most ten years of hours

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>Sillkeep</title>
{%favicon%}
{%css%}
<link rel="stylesheet" href="/assets/dark.css" media="screen and (prefers-color-scheme: dark)">
</head>
<body>
<a class="skip" href="#main">Skip to the page</a>
<div id="stale" role="status" hidden>The board has not answered since <span></span>: what stands below is old.</div>
<noscript>The board needs JavaScript to draw itself. Without it: <code>sillkeep alarms</code>.</noscript>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""


INDEX_SAYS = (
    "Skip to the page",
    "The board has not answered since",
    "what stands below is old.",
    "The board needs JavaScript to draw itself. Without it:",
)
DARK_WHEN = {
    "": "screen and (prefers-color-scheme: dark)",
    "light": "not all",
    "dark": "screen",
}  # as a visitor likes it: media of the dark style sheet


class Board(Dash):
    """A Dash whose empty page has the colours that its visitor likes."""

    def interpolate_index(self, **parts: Any) -> str:  # type: ignore[override]  # noqa: ANN401
        """HTML of the empty page."""
        visitor = g.get("visitor") if has_request_context() else None
        wanted = DARK_WHEN[visitor.colours] if visitor else DARK_WHEN[""]
        page: str = super().interpolate_index(**parts)  # type: ignore[no-untyped-call]
        for english in INDEX_SAYS:
            page = page.replace(english, catalogue.say(english))
        page = page.replace('<html lang="en">', f'<html lang="{catalogue.language()}">')
        return page.replace(f'media="{DARK_WHEN[""]}"', f'media="{wanted}"')


def make_app(
    record: Record,
    *,
    now: Callable[[], int],
    change: Callable[[], Record],
    secure: bool = False,
    runs: Sequence[tuple[str, str]] = (),
    keeps: bool = False,
) -> Dash:
    """Build the board over a record.

    Parameters
    ----------
    record : Record
        Read from, never written to.
    now : callable
        The clock, in seconds since 1970.
    change : callable
        Opens the record for writing: sessions, users and links, and acknowledging an alarm.
    secure : bool
        Whether browsers reach it through a proxy with TLS.
    runs : sequence of (name, value)
        How the program runs, for the Settings page; no secrets.
    keeps : bool
        Whether a lot that was just read may be shown again for some seconds (`Lots`).
    """
    server = Flask("dashboards", static_folder=None)
    server.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    app = Board(
        "dashboards",
        server=cast(Any, server),  # its annotation forgets that a Flask may be given
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore="dark",  # `INDEX` says when it holds
        serve_locally=True,
        title="Sillkeep",
        update_title="",
        index_string=INDEX,
        add_log_handler=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.layout = html.Div(
        [
            dcc.Location(id="address", refresh="callback-nav"),
            dcc.Interval(id="beat", interval=REFRESH_MS),
            html.Div(id="page"),
            html.Div(id="fresh"),
        ]
    )
    gate = Gate(record, now=now, change=change, secure=secure)
    lots = Lots(record, keeps=keeps)
    if keeps:  # the first reading of a process takes three times as long: not while somebody waits
        threading.Thread(target=lots.read, args=(now(),), daemon=True).start()

    @app.callback(
        Output("page", "children"),
        Output("fresh", "data-stills"),
        Output("fresh", "data-charts"),
        Input("address", "pathname"),
        Input("address", "search"),
        Input("beat", "n_intervals"),
        State("fresh", "data-charts"),
    )
    def show(path: str, search: str, _beat: int, charts: str | None) -> tuple[Any, str, str]:
        who = gate.sight.visitor
        asked = words.wish(
            path,
            search,
            now_s=now(),
            fahrenheit=who.fahrenheit,
            twelve_hour=who.twelve_hour,
        )
        drawn = page(record, asked, token=gate.token, sight=gate.sight, lots=lots, runs=runs)
        return refreshed(drawn, charts) if ctx.triggered_id == "beat" else whole(drawn)

    gate.install(server)
    signin.add_routes(server, gate)
    answers.add_routes(server, gate, now=now, change=change)
    changes.add_routes(server, gate, now=now, change=change)
    exports.add_routes(server, gate, record, now=now)
    _guard(server, app)
    return app


class Lots:
    """The lot as it was last read, for all who look at it at once.

    Reading 3,000 zones takes some hundred milliseconds, and as much again their two weeks. So what was
    read is shown for `LOT_S` more, and the two weeks, to which an hour adds one value, for `STRIPS_S`.
    """

    LOT_S = 5
    STRIPS_S = 60

    def __init__(self, record: Record, *, keeps: bool = False) -> None:
        self._record, self._keeps = record, keeps
        self._lock = threading.Lock()
        self._lot: tuple[int, board.Lot] | None = None
        self._strips: tuple[int, dict[str, board.Strip]] | None = None

    def read(self, now_s: int) -> board.Lot:
        """The whole lot; one reads while the others wait for it."""
        with self._lock:
            if not self._is_fresh(self._lot, self.LOT_S, now_s):
                self._lot = now_s, self._read(now_s)
            return cast(tuple[int, board.Lot], self._lot)[1]

    def _read(self, now_s: int) -> board.Lot:
        lot = board.lot(self._record.engine, now_s=now_s)
        if not self._is_fresh(self._strips, self.STRIPS_S, now_s):
            self._strips = now_s, board.strips(self._record.engine, lot, now_s=now_s)
        _, strips = cast(tuple[int, dict[str, board.Strip]], self._strips)
        return replace(lot, units=tuple(replace(u, strip=strips.get(u.code)) for u in lot.units))

    def _is_fresh(self, kept: tuple[int, object] | None, least_s: int, now_s: int) -> bool:
        return self._keeps and kept is not None and 0 <= now_s - kept[0] < least_s


# --- addresses ------------------------------------------------------------------------------------


def page(
    record: Record,
    asked: Wish,
    *,
    token: str,
    sight: Sight,
    lots: Lots | None = None,
    runs: Sequence[tuple[str, str]] = (),
) -> list[Component]:
    """Page of an address, if it is open to the visitor: read the record, view it.

    `runs` says how the program runs, for the Settings page.
    """
    lots = lots or Lots(record)
    blocks = access.opened(asked, sight) or _blocks(record, asked, token, sight, lots, runs)
    pulses = health.pulses(record.engine, now_s=asked.now_s)
    return views.frame(asked, pulses, blocks, seat=access.seat(sight, token))


def whole(drawn: list[Component]) -> tuple[Any, str, str]:
    """Answer to a new address: the page, nothing to refresh, the mark of its charts."""
    return drawn, "", paint.chart_mark(drawn)


def refreshed(drawn: list[Component], charts: str | None) -> tuple[Any, str, str]:
    """Answer to a beat: the still parts only, as long as the charts show the same data.

    Handing the page over anew would have the browser build it anew: charts would flicker, and what a
    person opened or typed would be gone.
    """
    if paint.chart_mark(drawn) != (charts or ""):
        return whole(drawn)
    return no_update, json.dumps(paint.stills(drawn)), charts or ""


def _blocks(
    record: Record,
    asked: Wish,
    token: str,
    sight: Sight,
    lots: Lots,
    runs: Sequence[tuple[str, str]],
) -> list[Any]:
    path = asked.path.rstrip("/") or "/"
    named: dict[str, Callable[[], list[Any]]] = {
        "/": lambda: [
            *lot_page.blocks(sight.lot(lots.read(asked.now_s)), asked),
            *access.sold_line(sight),
        ],
        "/morning": lambda: morning_page.blocks(sight.lot(lots.read(asked.now_s)), asked),
        "/alarms": lambda: _alarms(record, asked, token, sight),
        "/load": lambda: _load(record, asked, sight),
        "/proof": lambda: proof_page.blocks(list(sight.placed(record.repairs())), asked),
        "/nodes": lambda: nodes_page.blocks(
            sight.nodes(board.nodes(record.engine, now_s=asked.now_s)), asked
        ),
        "/chain": lambda: chain_page.blocks(
            sight.chain(health.chain(record.engine, now_s=asked.now_s)), asked
        ),
    } | _own_pages(record, asked, token, sight, runs)
    if path in named:
        return named[path]()
    if found := re.fullmatch(r"/unit/([^/]+)", path):
        return _unit(record, asked, found[1], sight)
    if found := re.fullmatch(r"/unit/([^/]+)/living", path):
        return _living(record, asked, found[1], token)
    if found := re.fullmatch(r"/(unit|site)/([^/]+)/zone/([^/]+)", path):
        return _zone(record, asked, sight, (found[2], found[3]), of_site=found[1] == "site")
    if found := re.fullmatch(r"/proof/([^/]+)/([^/]+)/([0-9]{1,12})", path):
        return _repair(record, asked, found[1], found[2], int(found[3]))
    return views.missing("page", path, asked)


def _own_pages(
    record: Record, asked: Wish, token: str, sight: Sight, runs: Sequence[tuple[str, str]]
) -> dict[str, Callable[[], list[Any]]]:
    """Pages about who sees the board."""
    who = sight.visitor
    fresh = signin.is_fresh(who, asked.now_s)

    def links() -> list[Any]:
        found = users.links(record.engine, now_s=asked.now_s)
        shown = [link for link in found if link.unit in sight.units]
        return access_pages.links(shown, sorted(sight.units), asked=asked, token=token)

    return {
        "/account": lambda: access_pages.account(who, fresh=fresh, token=token),
        "/links": links,
        "/users": lambda: access_pages.people(
            users.listed(record.engine), who, asked=asked, token=token
        ),
        "/people": lambda: people_page.blocks(
            people.listed(record.engine), asked, token=token if "change" in sight.acts else ""
        ),
        "/settings": lambda: _settings(
            record, asked, token if "change" in sight.acts else "", runs
        ),
        "/log": lambda: access_pages.journal(
            users.log(record.engine, limit=LOG_LINES), whole=users.is_log_whole(record.engine)
        ),
    }


def _settings(
    record: Record, asked: Wish, token: str, runs: Sequence[tuple[str, str]]
) -> list[Any]:
    told = settings_page.Told(
        runs=runs,
        entries=record.limit_entries(),
        sites=[site.code for site in record.sites()],
        kinds=sorted({unit.body_type for unit in record.units()}),
    )
    return settings_page.blocks(told, asked, token=token)


def _alarms(record: Record, asked: Wish, token: str, sight: Sight) -> list[Any]:
    standing, ended = map(sight.placed, board.alarms(record.engine))
    sites = {site.code: site for site in board.sites(record.engine)}
    under = {number: row.cause_id for row in record.standing_causes() for number in row.now}
    held = tuple(h for h in record.holds() if sight.sees(h.source.site, h.source.unit))
    return alarms_page.blocks(
        standing, ended, sites, asked=asked, token=token, under=under, held=held
    )


def _load(record: Record, asked: Wish, sight: Sight) -> list[Any]:
    from_s = asked.now_s - LOAD_DAYS * 86_400
    spans = [s for s in record.alarm_spans(from_s=from_s) if sight.sees(s.site, s.unit)]
    seen = {span.alarm_id for span in spans}
    told = [entry for entry in record.alarms_told(from_s=from_s) if entry[1] in seen]
    held = record.held_alarms()
    found = [
        alarm_load.load(spans, site=code, from_s=from_s, now_s=asked.now_s, held=held, told=told)
        for code in sorted(sight.sites)
    ]
    return load_page.blocks(found, asked)


def _unit(record: Record, asked: Wish, code: str, sight: Sight) -> list[Any]:
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
    return unit_page.blocks(
        unit,
        site,
        asked,
        _limits(record, unit.declared, asked),
        unit_page.More(
            by_day=coarse,
            living="living" in sight.acts and code not in sight.private,
            rain=storms.of(record, unit.declared, now_s=asked.now_s) if unit.zones else None,
            dryer=_dryer(record, unit.declared, site.code, asked),
        ),
    )


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


def _living(record: Record, asked: Wish, code: str, token: str) -> list[Any]:
    found = board.unit(record.engine, code, now_s=asked.now_s)
    if found is None:
        return views.missing("unit", code, asked)
    unit, site = found
    cabin = next((zone for zone in unit.zones if zone.kind == "cabin"), None)
    told = living_page.Told(unit, site, cabin, None, None, None, 0)
    if cabin is not None:
        told = _lived(record, asked, told, cabin)
    others = access.seen_by(record, code, unit.site)
    return living_page.blocks(replace(told, seen_by=others), asked, token=token)


def _lived(
    record: Record, asked: Wish, told: living_page.Told, cabin: board.ZoneNow
) -> living_page.Told:
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
        inside=hours(cabin, living_page.SHOWN_H),
        outside=hours(around, living_page.SHOWN_H),
        found=found if found.surfaces or not np.isnan(found.temperature_c) else None,
        forecast_s=forecast_s,
    )


def _limits(record: Record, unit: Unit, asked: Wish) -> Limits:
    """Limits in force for a unit: what a chart shows is what its words are taken from."""
    hour = asked.now_s // 3600
    entries = record.limit_entries()
    return limits.in_force(entries, site=unit.site, body_type=unit.body_type, hour=hour)


def _repair(record: Record, asked: Wish, unit: str, zone: str, repaired_s: int) -> list[Any]:
    rows = record.repairs(unit=unit)
    row = next((r for r in rows if (r.zone, r.repaired_s) == (zone, repaired_s)), None)
    if row is None:
        return views.missing("repair", f"{unit}/{zone}/{repaired_s}", asked)
    revisions = record.proof_revisions(unit, zone, repaired_s)
    told = proof_page.Told(
        row=row,
        revisions=revisions,
        standing=standing_line(revisions),
        zone=board.zone(record.engine, unit, zone, site=False, now_s=asked.now_s),
        course=_course(record, row),
    )
    return proof_page.repair_blocks(told, asked)


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


def _zone(
    record: Record, asked: Wish, sight: Sight, place: tuple[str, str], *, of_site: bool
) -> list[Any]:
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
    told = zone_page.Told(
        zone=zone,
        site=site,
        series=hours.of(zone),
        samples=board.samples(record.engine, zone, from_s=from_hour * 3600, to_s=to_hour * 3600)
        if 0 < asked.span_d <= zone_page.SAMPLES_D and not coarse
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
        **_beside(hours, zone, now_s=asked.now_s),
        look=views.look(zone, alarms, unit) if unit else None,
        baseline=board.baseline(record.engine, zone) if unit else None,
        found_percent=explain.found_shares(),
        **_explained(replace(hours, from_hour=to_hour - SECTION_H), zone, site, now_s=asked.now_s),
    )
    return zone_page.blocks(told, asked)


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
        found["airing"] = explain.airing(
            cabin=cabin[:, -AIRING_H:],
            outside=around[:, -AIRING_H:],
            factor=zone.temperature_factor or ASSUMED_FACTOR,
            altitude_m=site.altitude_m,
            lines_can_freeze=True,
        )
    elif zone.mould_index is not None:
        found["growth"] = explain.growth(
            climate=own[:, -explain.FORTNIGHT_H :],
            index=zone.mould_index,
            mould_class=cast(MouldClass, zone.mould_class),
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


# --- guard ----------------------------------------------------------------------------------------


def _guard(server: Flask, app: Dash) -> None:
    """Headers on every answer, and no detail of an error in any."""
    app.index()  # type: ignore[no-untyped-call]  # makes the inline scripts known, whose hashes the policy names
    policy = "; ".join(
        [
            "default-src 'none'",
            f"script-src 'self' {' '.join(app.csp_hashes())}",
            "style-src 'self' 'unsafe-inline'",  # the chart library writes its own style element
            "img-src 'self' data:",
            "font-src 'self'",
            "connect-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        ]
    )

    @server.after_request
    def dress(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        return response

    @server.errorhandler(HTTPException)
    def refused(error: HTTPException) -> AnyResponse:
        return _plain(error.code or 500, error.description or error.name)

    @server.errorhandler(Exception)
    def failed(error: Exception) -> AnyResponse:
        log.error("page failed", exc_info=error, extra={"path": request.path})
        expected = (
            str(error) if isinstance(error, MonitorError) else say("see the log of the pages")
        )
        return _plain(500, say("The board could not answer: {expected}.", expected=expected))
