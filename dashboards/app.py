"""The board as a web application: addresses in, pages out."""

import hmac
import json
import logging
import re
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast
from urllib.parse import urlencode, urlsplit

import numpy as np
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from flask import Flask, Response, redirect, request
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from dashboards import paint, views, words
from dashboards.pages import alarms as alarms_page
from dashboards.pages import chain as chain_page
from dashboards.pages import lot as lot_page
from dashboards.pages import proof as proof_page
from dashboards.pages import unit as unit_page
from dashboards.pages import zone as zone_page
from dashboards.words import Wish
from monitor import explain, watch
from monitor.errors import InputError, MonitorError
from monitor.judge import proofs
from monitor.judge.day import ASSUMED_FACTOR
from monitor.lot import AIR_KINDS, MouldClass, ZoneKind
from monitor.store import RepairRow, board, health
from monitor.store.proving import standing_line
from monitor.store.record import Record

log = logging.getLogger("sillkeep.pages")

REFRESH_MS = 30_000  # a reading comes every few minutes: half a minute is soon enough
MOST_BYTES = 64 * 1024  # a name and a token need no more
SECTION_H = 90 * 24  # a wall at 10 °C has forgotten most of what it held before
AIRING_H = 7 * 24
ALL_SPAN_H = 10 * 366 * 24  # "all" shows at most ten years of hours

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>Sillkeep</title>
{%favicon%}
{%css%}
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


def make_app(record: Record, *, now: Callable[[], int], change: Callable[[], Record]) -> Dash:
    """Build the board over a record.

    Parameters
    ----------
    record : Record
        Read from, never written to.
    now : callable
        The clock, in seconds since 1970.
    change : callable
        Opens the record for writing, for the one thing that a page may do: acknowledge an alarm.
    """
    server = Flask("dashboards", static_folder=None)
    server.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    app = Dash(
        "dashboards",
        server=cast(Any, server),  # its annotation forgets that a Flask may be given
        assets_folder=str(Path(__file__).parent / "assets"),
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
    token = secrets.token_urlsafe(24)

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
        drawn = page(record, words.wish(path, search, now_s=now()), token=token)
        return refreshed(drawn, charts) if ctx.triggered_id == "beat" else whole(drawn)

    _add_acknowledge(server, token, now=now, change=change)
    _guard(server, app)
    return app


# --- addresses ------------------------------------------------------------------------------------


def page(record: Record, asked: Wish, *, token: str) -> list[Component]:
    """Page of an address: read the record, view it."""
    blocks = _blocks(record, asked, token)
    return views.frame(asked, health.pulses(record.engine, now_s=asked.now_s), blocks)


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


def _blocks(record: Record, asked: Wish, token: str) -> list[Any]:
    path = asked.path.rstrip("/") or "/"
    named: dict[str, Callable[[], list[Any]]] = {
        "/": lambda: lot_page.blocks(board.lot(record.engine, now_s=asked.now_s), asked),
        "/alarms": lambda: _alarms(record, asked, token),
        "/proof": lambda: proof_page.blocks(record.repairs(), asked),
        "/chain": lambda: chain_page.blocks(health.chain(record.engine, now_s=asked.now_s), asked),
    }
    if path in named:
        return named[path]()
    if found := re.fullmatch(r"/unit/([^/]+)", path):
        return _unit(record, asked, found[1])
    if found := re.fullmatch(r"/(unit|site)/([^/]+)/zone/([^/]+)", path):
        return _zone(record, asked, owner=found[2], code=found[3], site=found[1] == "site")
    if found := re.fullmatch(r"/proof/([^/]+)/([^/]+)/([0-9]{1,12})", path):
        return _repair(record, asked, found[1], found[2], int(found[3]))
    return views.missing("page", path, asked)


def _alarms(record: Record, asked: Wish, token: str) -> list[Any]:
    standing, ended = board.alarms(record.engine)
    sites = {site.code: site for site in board.sites(record.engine)}
    return alarms_page.blocks(standing, ended, sites, asked=asked, token=token)


def _unit(record: Record, asked: Wish, code: str) -> list[Any]:
    found = board.unit(record.engine, code, now_s=asked.now_s)
    return unit_page.blocks(*found, asked) if found else views.missing("unit", code, asked)


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


def _zone(record: Record, asked: Wish, *, owner: str, code: str, site: bool) -> list[Any]:
    zone = board.zone(record.engine, owner, code, site=site, now_s=asked.now_s)
    place = board.site(record.engine, zone.site) if zone else None
    if zone is None or place is None:
        return views.missing("zone", f"{owner}/{code}", asked)
    from_hour, to_hour = _hours(record, zone, asked)
    alarms = board.zone_alarms(record.engine, zone)
    unit = board.declared(record.engine, zone.unit) if zone.unit else None
    told = zone_page.Told(
        zone=zone,
        site=place,
        series=board.series(record.engine, zone, from_hour=from_hour, to_hour=to_hour),
        samples=board.samples(record.engine, zone, from_s=from_hour * 3600, to_s=to_hour * 3600)
        if 0 < asked.span_d <= zone_page.SAMPLES_D
        else None,
        alarms=alarms,
        look=views.look(zone, alarms, unit) if unit else None,
        baseline=board.baseline(record.engine, zone) if unit else None,
        found_percent=explain.found_shares(),
        **_explained(record, zone, place, to_hour=to_hour, now_s=asked.now_s),
    )
    return zone_page.blocks(told, asked)


def _explained(
    record: Record, zone: board.ZoneNow, place: board.SiteRow, *, to_hour: int, now_s: int
) -> dict[str, Any]:
    """Section through a zone's wall, and airing, from the hours on both sides of it."""
    inside, outside = board.sides(record.engine, zone, now_s=now_s)
    if zone.kind == "outside" or inside is None or outside is None:
        return {}

    def air(row: board.ZoneNow) -> explain.Floats:
        series = board.series(record.engine, row, from_hour=to_hour - SECTION_H, to_hour=to_hour)
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
            altitude_m=place.altitude_m,
            lines_can_freeze=True,
        )
    elif zone.mould_index is not None:
        found["growth"] = explain.growth(
            climate=own[:, -explain.FORTNIGHT_H :],
            index=zone.mould_index,
            mould_class=cast(MouldClass, zone.mould_class),
        )
    return found


def _hours(record: Record, zone: board.ZoneNow, asked: Wish) -> tuple[int, int]:
    """Hours that the address asks for, up to the newest whole one."""
    to_hour = asked.now_s // 3600
    if zone.hour is not None and to_hour - 3 < zone.hour:
        to_hour = zone.hour + 1  # the newest hours are still to be judged: no gap
    if asked.span_d:
        span_h = asked.span_d * 24
        if zone.heard_s is not None and zone.heard_s // 3600 < to_hour - span_h:
            to_hour = zone.heard_s // 3600 + 1  # nothing would be seen: its last days instead
        return to_hour - span_h, to_hour
    first = board.first_hour(record.engine, zone)
    return max(to_hour - 24 if first is None else first, to_hour - ALL_SPAN_H), to_hour


# --- the one change -------------------------------------------------------------------------------


def _add_acknowledge(
    server: Flask, token: str, *, now: Callable[[], int], change: Callable[[], Record]
) -> None:
    @server.post("/alarms/<int:alarm_id>/acknowledge")
    def acknowledge(alarm_id: int) -> AnyResponse:
        if refusal := _refuse(token):
            return refusal
        who = request.form.get("who", "")
        try:
            with change() as record:
                watch.acknowledge(record, alarm_id, who=who, now_s=now())
            note = f"Alarm {alarm_id} acknowledged by {who.strip()[:80]}."
        except InputError as error:
            note = f"Not acknowledged: {error}."
        asked = {"note": note} | ({"f": "1"} if "f=1" in request.form.get("back", "") else {})
        return redirect(f"/alarms?{urlencode(asked)}", code=303)


def _refuse(token: str) -> AnyResponse | None:
    """Turn away what does not come from a form of this board."""
    origin = request.headers.get("Origin", "")
    same_place = bool(origin) and urlsplit(origin).netloc == request.host
    same_form = hmac.compare_digest(request.form.get("token", "").encode(), token.encode())
    if same_place and same_form:
        return None
    return _plain(
        403, "This form is out of date or came from another page. Open Alarms again and repeat it."
    )


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
        expected = str(error) if isinstance(error, MonitorError) else "see the log of the pages"
        return _plain(500, f"The board could not answer: {expected}.")


def _plain(status: int, text: str) -> AnyResponse:
    return Response(f"{text}\n", status=status, mimetype="text/plain")
