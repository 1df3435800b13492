"""The board as a web application: addresses in, pages out."""

import json
import logging
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from flask import Flask, Response, g, has_request_context, request
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from dashboards import (
    access,
    answers,
    begin,
    bench,
    changes,
    claims,
    documents,
    exports,
    gather,
    leaving,
    metrics,
    moving,
    paint,
    repairs,
    rounds,
    seals,
    signin,
    views,
    words,
)
from dashboards.access import Gate, Sight
from dashboards.access import plain as _plain
from dashboards.pages import access as access_pages
from dashboards.pages import chain as chain_page
from dashboards.pages import leave as leave_page
from dashboards.pages import lot as lot_page
from dashboards.pages import morning as morning_page
from dashboards.pages import people as people_page
from dashboards.pages import proof as proof_page
from dashboards.pages.begin import Broker
from dashboards.words import Wish
from monitor import catalogue
from monitor.catalogue import say
from monitor.errors import MonitorError
from monitor.store import board, forgetting, health, people, users
from monitor.store.record import Record

log = logging.getLogger("sillkeep.pages")

REFRESH_MS = 30_000  # a reading comes every few minutes: half a minute is soon enough
LOG_LINES = 500  # of the log, on its page

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


@dataclass(frozen=True, slots=True)
class Running:
    """How the program runs, as (name, value) for a page, and where nodes publish; no secrets shown."""

    facts: Sequence[tuple[str, str]] = ()
    broker: Broker = field(default_factory=Broker)
    nodes: claims.Told = field(default_factory=claims.Told)  # what a node's claim is answered with
    version: str = ""
    metrics_token: Callable[[], str] = str  # of who asks for figures; "": nobody is answered


RUNNING = Running()


class Board(Dash):
    """A Dash whose empty page has the colours that its visitor likes."""

    def interpolate_index(self, **parts: Any) -> str:  # type: ignore[override]  # noqa: ANN401
        """HTML of the empty page."""
        visitor = g.get("visitor") if has_request_context() else None
        wanted = DARK_WHEN[visitor.colours] if visitor else DARK_WHEN[""]
        page: str = super().interpolate_index(**parts)  # type: ignore[no-untyped-call]
        for english in INDEX_SAYS:
            page = page.replace(english, say(english))
        page = page.replace('<html lang="en">', f'<html lang="{catalogue.language()}">')
        return page.replace(f'media="{DARK_WHEN[""]}"', f'media="{wanted}"')


def make_app(
    record: Record,
    *,
    now: Callable[[], int],
    change: Callable[[], Record],
    secure: bool = False,
    runs: Running = RUNNING,
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
    runs : Running
        How the program runs, for the Settings page, and where nodes publish; no secrets.
    keeps : bool
        Whether a lot that was just read may be shown again for some seconds (`Lots`).
    """
    server = Flask("dashboards", static_folder=None)
    server.config["MAX_CONTENT_LENGTH"] = access.MOST_SENT
    app = Board(
        "dashboards",
        server=cast(Any, server),  # its annotation forgets that a Flask may be given
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore="dark|round",  # `INDEX` says when it holds; a round's page asks for its own
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
    begin.add_routes(server, gate, now=now, change=change)
    leaving.add_routes(server, gate, now=now, change=change)
    seals.add_routes(server, gate, record, now=now, change=change)
    bench.add_routes(server, gate, now=now, change=change)
    moving.add_routes(server, gate, now=now, change=change)
    repairs.add_routes(server, gate, now=now, change=change)
    exports.add_routes(server, gate, record, now=now)
    rounds.add_routes(server, gate, lots, now=now, change=change)
    documents.add_routes(server, gate, record, now=now)
    claims.add_routes(server, gate, runs.nodes)
    metrics.add_routes(server, record, now=now, token=runs.metrics_token, version=runs.version)
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
    runs: Running = RUNNING,
) -> list[Component]:
    """Page of an address, if it is open to the visitor: read the record, view it.

    `runs` says how the program runs, and where nodes publish.
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
    runs: Running,
) -> list[Any]:
    path = asked.path.rstrip("/") or "/"
    named: dict[str, Callable[[], list[Any]]] = {
        "/": lambda: _lot(record, asked, token, sight, lots, runs),
        "/morning": lambda: morning_page.blocks(
            sight.lot(lots.read(asked.now_s)), asked, walks="round" in sight.acts
        ),
        "/alarms": lambda: gather.alarms_page(record, asked, token, sight),
        "/load": lambda: gather.load_page(record, asked, sight),
        "/seals": lambda: seals.lot_page(record, asked, sight, lots.read(asked.now_s)),
        "/nodes": lambda: gather.nodes_page(record, asked, sight),
        "/bench": lambda: gather.bench_page(record, asked, sight, token=token),
        "/move": lambda: moving.page(record, asked, sight, token=token),
        "/proof": lambda: proof_page.blocks(
            list(sight.placed(record.repairs())),
            asked,
            sorted(sight.units) if "acknowledge" in sight.acts else (),
        ),
        "/chain": lambda: chain_page.blocks(
            sight.chain(health.chain(record.engine, now_s=asked.now_s)),
            asked,
            whole=sight.visitor.reach.whole,
        ),
    } | _own_pages(record, asked, token, sight, runs)
    if path in named:
        return named[path]()
    placed: tuple[tuple[str, Callable[..., list[Any]]], ...] = (
        (r"/unit/([^/]+)", lambda unit: gather.unit_page(record, asked, unit, sight)),
        (r"/unit/([^/]+)/lists", lambda unit: gather.lists_page(record, asked, unit, token, sight)),
        (r"/unit/([^/]+)/leave", lambda unit: gather.leave_page(record, asked, unit, token)),
        (r"/unit/([^/]+)/seals", lambda unit: seals.unit_page(record, asked, unit, token, sight)),
        (r"/unit/([^/]+)/handover", lambda unit: gather.handover_page(record, asked, unit, sight)),
        (r"/unit/([^/]+)/living", lambda unit: gather.living_page(record, asked, unit, token)),
        (
            r"/(unit|site)/([^/]+)/zone/([^/]+)",
            lambda kind, owner, code: gather.zone_page(
                record, asked, sight, (owner, code), of_site=kind == "site", token=token
            ),
        ),
        (
            r"/proof/([^/]+)/([^/]+)/([0-9]{1,12})",
            lambda unit, zone, at: gather.repair_page(
                record,
                asked,
                (unit, zone, int(at)),
                token=token if "acknowledge" in sight.acts else "",
            ),
        ),
        (r"/proof/([^/]+)", lambda unit: gather.opening_page(record, asked, unit, token)),
    )
    for pattern, draw in placed:
        if found := re.fullmatch(pattern, path):
            return draw(*found.groups())
    return views.missing("page", path, asked)


def _lot(
    record: Record, asked: Wish, token: str, sight: Sight, lots: Lots, runs: Running
) -> list[Any]:
    """The lot; while nothing is entered, the first steps for who may take them."""
    lot = sight.lot(lots.read(asked.now_s))
    if not lot.units and not sight.sold and "change" in sight.acts:
        return gather.begin_page(record, asked, sight, token=token, broker=runs.broker)
    retired = [u for u in record.units() if u.life == "left" and u.code in sight.units]
    below = (*access.sold_line(sight), *leave_page.retired_line(retired, asked))
    return [*lot_page.blocks(lot, asked), *below]


def _own_pages(
    record: Record, asked: Wish, token: str, sight: Sight, runs: Running
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
        "/settings": lambda: gather.settings_page(
            record, asked, token if "change" in sight.acts else "", runs.facts
        ),
        "/begin": lambda: gather.begin_page(record, asked, sight, token=token, broker=runs.broker),
        "/log": lambda: access_pages.journal(
            users.log(record.engine, limit=LOG_LINES),
            whole=users.is_log_whole(record.engine),
            rewritten=forgetting.rewritten(record.engine),
        ),
    }


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
            "worker-src 'self'",  # keeps the page of a round on the device
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
        # whoever has the address of a claim or a link has what it opens: its pattern is logged instead
        is_secret = "secret" in (request.view_args or {})
        path = request.url_rule.rule if is_secret and request.url_rule else request.path
        log.error("page failed", exc_info=error, extra={"path": path})
        expected = (
            str(error) if isinstance(error, MonitorError) else say("see the log of the pages")
        )
        return _plain(500, say("The board could not answer: {expected}.", expected=expected))
