"""Who may see and do what. One gate: every request and every page goes through it.

::

    request -> Gate.admit      by its route (`ROUTES`): who it is, what that role may do (`MAY`), whether
                               it comes from this board; a route that is not in the table is closed
    page    -> opened          by its address (`PAGES`): the same for the unit or site that it names
            -> Sight           leaves out of what was read all that is not the visitor's

Roles and acts are tables of data; the tests walk the routes of the server, and these tables, and try
each with each role.

A unit of life `sold` is seen only by who has it as an owner, by its code (`sillkeep user add --role owner
--unit`): for the lot it was sold from, no more is left than that it was theirs.
"""

import hmac
import ipaddress
import logging
import re
import secrets
from collections.abc import Callable, Iterable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import Any, TypeVar
from urllib.parse import urlencode, urlsplit

from dash import html
from flask import Flask, Response, g, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import views
from dashboards.words import Wish
from monitor import catalogue, photos
from monitor.catalogue import say
from monitor.config import is_loopback
from monitor.errors import InputError, StoreError
from monitor.store import RepairRow, users
from monitor.store.board import AlarmRow, Lot, NodeRow
from monitor.store.health import Chain
from monitor.store.record import Record
from monitor.store.users import Doer, Visitor

log = logging.getLogger("sillkeep.pages")

# --- tables ---------------------------------------------------------------------------------------

MAY: Mapping[str, frozenset[str]] = {
    "owner": frozenset(
        {"lot", "unit", "living", "alarms", "proof", "chain", "acknowledge", "round", "seals", "seal", "bench",
         "place", "links", "users", "log", "people", "settings", "change", "account"}
    ),
    "lot lead": frozenset(
        {"lot", "unit", "alarms", "proof", "chain", "acknowledge", "round", "seals", "seal", "bench", "place", "links",
         "people", "settings", "change", "account"}
    ),
    "technician": frozenset(
        {"lot", "unit", "alarms", "proof", "chain", "acknowledge", "round", "seals", "seal", "bench", "place",
         "account"}
    ),
    "sales": frozenset({"lot", "unit", "proof", "seals", "links", "account"}),
    "auditor": frozenset(
        {"lot", "unit", "alarms", "proof", "chain", "seals", "log", "people", "settings", "account"}
    ),
    users.VERIFIER: frozenset({"unit", "proof"}),
}  # fmt: skip
OF_WHOLE = frozenset(
    {"users", "log", "people", "settings", "change"}
)  # only for who sees the whole record

OPEN, SIGNED_IN = "open", "signed in"
BY_TOKEN = "by token"  # noqa: S105  of a machine: the route looks at it itself; no session opens it
ROUTES: Mapping[str, str] = {
    "/assets/<path:filename>": OPEN,  # style, script and signs of the board: no data
    "/login": OPEN,
    "/metrics": BY_TOKEN,
    "/link/<secret>": OPEN,
    "/claim/<secret>": OPEN,  # whoever has a node's claim exchanges it, once
    "/": SIGNED_IN,  # the empty page that then asks for its parts
    "/<path:path>": SIGNED_IN,
    "/_dash-layout": SIGNED_IN,
    "/_dash-dependencies": SIGNED_IN,
    "/_dash-update-component": SIGNED_IN,  # each page by its address: `opened`
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": SIGNED_IN,
    "/_reload-hash": SIGNED_IN,
    "/_favicon.ico": SIGNED_IN,
    "/logout": SIGNED_IN,
    "/account/password": "account",
    "/account/wishes": "account",
    "/links/add": "links",
    "/links/end": "links",
    "/users/add": "users",
    "/users/remove": "users",
    "/users/sessions": "users",
    "/users/link": "users",
    "/users/forget": "users",
    "/alarms/<int:alarm_id>/acknowledge": "acknowledge",
    "/alarms/<int:alarm_id>/shelve": "acknowledge",
    "/alarms/<int:alarm_id>/inspect": "acknowledge",
    "/alarms/<int:alarm_id>/out-of-service": "acknowledge",
    "/holds/add": "acknowledge",
    "/export/unit/<unit>/zone/<zone>/<kind>.csv": "unit",  # of which, the route looks at itself
    "/export/site/<site>/zone/<zone>/<kind>.csv": "lot",
    "/export/proof/<unit>/<zone>/<int:repaired_s>.zip": "proof",
    "/photo/<unit>/<digest>.jpg": "unit",  # of which, the route looks at itself
    "/document/morning": "lot",
    "/document/<kind>/<unit>": "unit",  # of which, and which document, the route looks at itself
    "/limits/change": "change",
    "/begin/<step>": "change",
    "/limits/undo": "change",
    "/people/change": "change",
    "/unit/<unit>/note": "living",  # of which, the route looks at itself
    "/unit/<unit>/lists/<act>": "acknowledge",
    "/round": "round",  # without anything of any unit
    "/round/<unit>": "round",
    "/round-worker.js": OPEN,  # no data; a browser asks for it by itself, signed in or not
    "/round-data": "round",
    "/round-token": "round",
    "/round-send": "round",  # of which unit, the route looks at itself
    "/unit/<unit>/findings/withdraw": "round",
    "/unit/<unit>/leave/<act>": "change",
    "/unit/<unit>/seals/<act>": "seal",
    "/unit/<unit>/seals.ics": "seals",
    "/bench/point": "bench",  # of whose probe, the route looks at itself
    "/bench/back": "bench",
    "/bench/undo": "bench",
    "/move/<act>": "place",  # which probes and zones, the route looks at itself
    "/proof/<unit>/open": "acknowledge",
    "/proof/<unit>/<zone>/<int:repaired_s>/<act>": "acknowledge",
    "/holds/<int:hold_id>/end": "acknowledge",  # whose hold it is, the route looks at itself
}

MOST_SENT = 64 * 1024  # bytes of a form: a name and a token need no more
WITH_PHOTOS: frozenset[str] = frozenset(  # routes whose forms bring photos
    {"/round-send", "/unit/<unit>/seals/<act>", "/proof/<unit>/open",
     "/proof/<unit>/<zone>/<int:repaired_s>/<act>"}
)  # fmt: skip
MOST_WITH_PHOTOS = 4 * photos.MOST_SENT + MOST_SENT

PAGES: tuple[tuple[str, str], ...] = (
    (r"/", "lot"),
    (r"/morning", "lot"),
    (r"/alarms", "alarms"),
    (r"/load", "alarms"),
    (r"/seals", "seals"),
    (r"/proof", "proof"),
    (r"/chain", "chain"),
    (r"/nodes", "chain"),
    (r"/bench", "bench"),
    (r"/move", "place"),
    (r"/links", "links"),
    (r"/users", "users"),
    (r"/log", "log"),
    (r"/people", "people"),
    (r"/settings", "settings"),
    (r"/begin", "change"),
    (r"/account", "account"),
    (r"/unit/(?P<unit>[^/]+)", "unit"),
    (r"/unit/(?P<unit>[^/]+)/zone/[^/]+", "unit"),
    (r"/unit/(?P<unit>[^/]+)/living", "living"),
    (r"/unit/(?P<unit>[^/]+)/lists", "acknowledge"),
    (r"/unit/(?P<unit>[^/]+)/leave", "change"),
    (r"/unit/(?P<unit>[^/]+)/seals", "seals"),
    (r"/unit/(?P<unit>[^/]+)/handover", "proof"),
    (r"/site/(?P<site>[^/]+)/zone/[^/]+", "lot"),
    (r"/proof/(?P<unit>[^/]+)", "acknowledge"),
    (r"/proof/(?P<unit>[^/]+)/[^/]+/[0-9]{1,12}", "proof"),
)
OWN_PAGES = (
    ("/account", "Account"),
    ("/people", "People"),
    ("/links", "Links"),
    ("/users", "Users"),
    ("/settings", "Settings"),
    ("/begin", "First steps"),
    ("/log", "Log"),
)

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
BEAT = ["beat.n_intervals"]  # what a page that nobody touches asks by


# --- what a visitor sees --------------------------------------------------------------------------

_Placed = TypeVar("_Placed", AlarmRow, RepairRow)


@dataclass(frozen=True, slots=True)
class Sight:
    """What one visitor may do, and which units and sites they see."""

    visitor: Visitor
    acts: frozenset[str]
    units: frozenset[str]
    sites: frozenset[str]  # with what stands on them for all their units
    yards: frozenset[str]  # with their own alarms and nodes
    sold: frozenset[str]  # units that were theirs
    # units that are somebody else's to live in: their air is seen by the day (`dashboards.privacy`)
    private: frozenset[str]

    def lot(self, lot: Lot) -> Lot:
        """Units, sites and common causes of the lot that are seen."""
        seen = tuple(unit for unit in lot.units if unit.code in self.units)
        sites = tuple(site for site in lot.sites if site.code in self.sites)
        causes = []
        for cause in lot.causes:
            members = tuple(one for one in cause.members if self.sees(one[1], one[2]))
            if members and self.sees(cause.alarm.site, cause.alarm.unit):
                causes.append(replace(cause, members=members))
        return replace(lot, units=seen, sites=sites, causes=tuple(causes))

    def placed(self, rows: Iterable[_Placed]) -> tuple[_Placed, ...]:
        """Alarms or repairs of what is seen."""
        return tuple(row for row in rows if self.sees(row.site, row.unit))

    def chain(self, chain: Chain) -> Chain:
        """Nodes that stand where something is seen, and of their zones those that are."""
        if self.visitor.reach.whole and not self.sold:
            return chain
        nodes = []
        for node in chain.nodes:
            zones = tuple(
                zone for zone in node.zones if self.sees(node.site, _unit_of(zone, node.site))
            )
            if zones or (not node.zones and node.site in self.yards):
                nodes.append(replace(node, zones=zones))
        seen = {(node.site, node.code) for node in nodes}
        floods = tuple(flood for flood in chain.floods if (flood.site, flood.node) in seen)
        stations = tuple(one for one in chain.stations if one.site in self.yards)
        checks = chain.checks if self.visitor.reach.whole else None
        return replace(chain, nodes=tuple(nodes), floods=floods, stations=stations, checks=checks)

    def nodes(self, nodes: Iterable[NodeRow]) -> list[NodeRow]:
        """As `chain`: nodes where something is seen, with their probes and alarms there."""
        found = []
        for node in nodes:
            placed = [p for p in node.watching if self.sees(node.site, p.unit)]
            if placed or (not node.watching and node.site in self.yards):
                spare = [probe for probe in node.probes if not probe.zone]
                own = tuple(a for a in node.alarms if self.sees(a.site, a.unit))
                cause = node.cause
                if cause is not None and not self.sees(cause.site, cause.unit):
                    cause = None
                found.append(replace(node, probes=(*placed, *spare), alarms=own, cause=cause))
        return found

    def sees(self, site: str, unit: str) -> bool:
        """Whether something of a unit, or of a site itself (`unit` empty), is seen."""
        return unit in self.units if unit else site in self.yards


def _unit_of(zone: str, site: str) -> str:
    owner = zone.partition("/")[0]
    return "" if owner == site else owner


def sight(record: Record, visitor: Visitor) -> Sight:
    """What a visitor sees now; asked anew with every request, so that a change holds at once."""
    reach = visitor.reach
    mine = reach.units if visitor.role == "owner" else frozenset()
    if visitor.role == users.VERIFIER:  # a link shows no more than who made it may see
        mine = reach.units & users.owned(record.engine, visitor.lent_by)
    reached, sites, sold = set(), set(), set()
    for code, site, life in users.places(record.engine):
        if not (reach.whole or site in reach.sites or code in reach.units):
            continue
        if life == "sold" and code not in mine:
            sold.add(code)
            continue
        reached.add(code)
        sites.add(site)
    yards = {site.code for site in record.sites() if reach.whole or site.code in reach.sites}
    acts = MAY.get(visitor.role, frozenset())
    return Sight(
        visitor=visitor,
        acts=acts if reach.whole else acts - OF_WHOLE,
        units=frozenset(reached),
        sites=frozenset(sites | yards),
        yards=frozenset(yards),
        sold=frozenset(sold),
        private=frozenset(reached - _at_home(record, visitor, reached)),
    )


def _at_home(record: Record, visitor: Visitor, reached: set[str]) -> frozenset[str]:
    """Units of which a visitor sees every hour even while somebody lives in them: their own.

    Theirs by code; or all that no other owner has by its code, for the owner of the whole place.
    """
    if visitor.role != "owner":
        return frozenset()
    others = users.with_owner(record.engine) - visitor.reach.units
    return frozenset(reached) - others


def seen_by(record: Record, unit: str, site: str) -> tuple[tuple[str, str, bool], ...]:
    """Users who may see a unit: name, role, and whether hour by hour while somebody lives in it."""
    owned = unit in users.with_owner(record.engine)
    found = []
    for user in users.listed(record.engine):
        reach = user.reach
        if reach.whole or site in reach.sites or unit in reach.units:
            fine = user.role == "owner" and (unit in reach.units or not owned)
            found.append((user.name, user.role, fine))
    return tuple(found)


def seat(seen: Sight, token: str) -> views.Seat:
    """What the frame of a page shows of its visitor."""
    allowed = {path for path, act in PAGES if act in seen.acts}
    called = (
        f"{seen.visitor.called}, {say(seen.visitor.role)}"
        if seen.visitor.name
        else say("by a link")
    )
    own = tuple((path, label) for path, label in OWN_PAGES if path in allowed)
    pages = tuple(pair for pair in views.NAVIGATION if pair[0] in allowed)
    return views.Seat(called=called, pages=pages, own=own, token=token, home=_home(seen))


def _home(seen: Sight) -> str:
    """Where the name of the board leads."""
    units = sorted(seen.units)
    return "/" if "lot" in seen.acts or not units else f"/unit/{units[0]}"


def opened(asked: Wish, seen: Sight) -> list[Any] | None:
    """What stands in the place of a page that a visitor may not open; None: it is open to them."""
    path = asked.path.rstrip("/") or "/"
    for pattern, act in PAGES:
        found = re.fullmatch(pattern, path)
        if found is None:
            continue
        named = found.groupdict()
        if act not in seen.acts:
            return _closed(asked, seen)
        if named.get("unit", "") in seen.sold:
            return _sold(named["unit"])
        if act == "living" and named["unit"] in seen.private:
            return _closed(asked, seen)
        return _unseen(named, asked, seen)
    return views.missing("page", path, asked)


def _unseen(named: Mapping[str, str], asked: Wish, seen: Sight) -> list[Any] | None:
    """The same, by the unit or site that an address names."""
    if "unit" in named and named["unit"] not in seen.units:
        return views.missing("unit", named["unit"], asked)
    if "site" in named and named["site"] not in seen.sites:
        return views.missing("site", named["site"], asked)
    return None


def _closed(asked: Wish, seen: Sight) -> list[Any]:
    home = html.A("Go to what is open to you", href=asked.link(_home(seen)))
    return [
        html.H1("Not open to you"),
        html.P(
            [
                say("The role {role} does not include this page.", role=say(seen.visitor.role)),
                " ",
                home,
                ".",
            ]
        ),
    ]


def _sold(unit: str) -> list[Any]:
    return [
        html.H1(unit),
        html.P(
            "Sold. It stood on this lot; what is measured in it belongs to its new owner, "
            "and is not shown here any more."
        ),
    ]


def sold_line(seen: Sight) -> list[Any]:
    """Units that were sold, by code alone."""
    if not seen.sold:
        return []
    return [
        html.P(
            say("Sold, and not shown any more: {sold}.", sold=", ".join(sorted(seen.sold))),
            className="aside",
        )
    ]


# --- the gate -------------------------------------------------------------------------------------


class Gate:
    """Lets requests in or turns them away.

    Parameters
    ----------
    record : Record
        Read from.
    now : callable
        The clock.
    change : callable
        Opens the record for writing.
    secure : bool
        Whether browsers reach the board by TLS (a named proxy); else only this machine's may.
    """

    def __init__(
        self, record: Record, *, now: Callable[[], int], change: Callable[[], Record], secure: bool
    ) -> None:
        self.record, self.now, self.change, self.secure = record, now, change, secure
        # __Host-: set by this host over TLS, for all of it and no other (RFC 6265bis 4.1.3.2)
        self.cookie = "__Host-sillkeep" if secure else "sillkeep"
        self.form_cookie = f"{self.cookie}-form"

    def install(self, server: Flask) -> None:
        """Put the gate before every route of a server, those that are added later too."""
        server.before_request(self.admit)
        server.after_request(self._hand_out)
        server.teardown_request(lambda _: g.pop("reading", ExitStack()).close())

    @property
    def visitor(self) -> Visitor | None:
        """Who the request is of."""
        found: Visitor | None = g.get("visitor")
        return found

    @property
    def sight(self) -> Sight:
        """What the visitor of the request sees."""
        if "sight" not in g:
            g.sight = sight(self.record, g.visitor)
        found: Sight = g.sight
        return found

    def doer(self) -> Doer:
        """Who does what the request asks for, for the log."""
        who = self.visitor.called if self.visitor else ""
        return Doer(who, self.now(), request.remote_addr or "")

    @property
    def session_token(self) -> str:
        """The secret in the cookie."""
        return request.cookies.get(self.cookie, "")

    @property
    def token(self) -> str:
        """What a form of this board carries: bound to the browser that it was handed to."""
        secret = self.session_token if self.visitor else self._form_secret()
        return hmac.new(secret.encode(), b"form", "sha256").hexdigest()

    def _form_secret(self) -> str:
        known = request.cookies.get(self.form_cookie, "")
        if not known and "form_secret" not in g:
            g.form_secret = secrets.token_urlsafe(users.SECRET_BYTES)
        return known or str(g.form_secret)

    def admit(self) -> AnyResponse | None:
        """Turn a request away, or let it in (None)."""
        g.visitor = None
        if not self.secure and not is_loopback(urlsplit(f"//{request.host}").hostname or ""):
            return plain(421, say("The board answers under the address of this machine alone."))
        if request.url_rule and ROUTES.get(request.url_rule.rule) == BY_TOKEN:
            return None
        g.visitor = users.visitor(self.record.engine, self.session_token, now_s=self.now())
        self._read()
        rule = request.url_rule.rule if request.url_rule else ""
        need = ROUTES.get(rule)
        if self.visitor is None and need != OPEN:
            return self._to_login()
        if rule in WITH_PHOTOS:  # only now: a stranger's body is not read
            request.max_content_length = MOST_WITH_PHOTOS
        if request.method not in SAFE and self._is_foreign():
            return plain(
                403,
                say(
                    "This form is out of date or came from another page. Open it again and repeat."
                ),
            )
        if need == OPEN:
            return None
        self._keep_alive()
        return self._turn_away(need)

    def _read(self) -> None:
        """Say what the request is answered with in the visitor's language; before that, in the browser's."""
        if self.visitor and self.visitor.name:
            chosen = self.visitor.language
        else:
            chosen = catalogue.best(tag for tag, _ in request.accept_languages)
        g.reading = ExitStack()
        g.reading.enter_context(catalogue.read_in(chosen))

    def _turn_away(self, need: str | None) -> AnyResponse | None:
        if need is None or (need != SIGNED_IN and need not in self.sight.acts):
            about = f"{request.method} {request.url_rule.rule if request.url_rule else 'no route'}"
            self.note("refused", about)
            return plain(403, say("Your role does not include this."))
        alarm_id = (request.view_args or {}).get("alarm_id")
        if alarm_id is None:
            return None
        where = users.alarm_place(self.record.engine, alarm_id)
        if where is not None and not self.sight.sees(*where):
            return plain(404, say("There is no alarm number {alarm_id}.", alarm_id=alarm_id))
        return None

    def note(self, act: str, about: str = "") -> None:
        """Write into the log; what cannot be written is no reason to stop reading."""
        try:
            with self.change() as record:
                users.note(record.engine, act, about=about, by=self.doer())
        except StoreError:
            log.exception("the log of the board could not be written")

    def _to_login(self) -> AnyResponse:
        if request.method != "GET" or request.path.startswith("/_dash"):
            return plain(401, say("Sign in first."))
        back = request.full_path.rstrip("?")
        return redirect(f"/login?{urlencode({'next': back})}" if back != "/" else "/login", 303)

    def _is_foreign(self) -> bool:
        """Whether a change was asked for by another page than one of this board."""
        site = request.headers.get("Sec-Fetch-Site", "same-origin")
        origin = request.headers.get("Origin", "")
        elsewhere = site != "same-origin" or (origin and urlsplit(origin).netloc != request.host)
        if elsewhere or request.is_json:  # a browser sends JSON elsewhere only if that allows it
            return bool(elsewhere)
        sent = request.form.get("token", "")
        return not (origin and hmac.compare_digest(sent.encode(), self.token.encode()))

    def _keep_alive(self) -> None:
        """Note the visit, unless the page asks by itself."""
        who, now_s = self.visitor, self.now()
        if who is None or now_s - who.seen_s < users.SEEN_EVERY_S:
            return
        sent = request.get_json(silent=True) if request.is_json else None
        if isinstance(sent, dict) and sent.get("changedPropIds") == BEAT:
            return
        try:
            with self.change() as record:
                users.seen(record.engine, who, now_s=now_s)
        except StoreError:
            log.exception("a visit could not be noted")

    # --- cookies ---

    def hand_session(self, response: AnyResponse, token: str) -> AnyResponse:
        """Give a browser its session."""
        return self._set(response, self.cookie, token, max_age=users.WHOLE_S)

    def take_session(self, response: AnyResponse, *, storage: bool) -> AnyResponse:
        """Have a browser forget its session, and what it keeps of the pages.

        `storage` too only where the page says that no finding waits there: none is lost by signing out.
        """
        response.headers["Clear-Site-Data"] = '"cache", "storage"' if storage else '"cache"'
        return self._set(response, self.cookie, "", max_age=0)

    def _hand_out(self, response: Response) -> Response:
        if "form_secret" in g:
            self._set(response, self.form_cookie, g.form_secret, max_age=users.DAY_S)
        if not request.path.startswith(("/assets/", "/_dash-component-suites/")):
            response.headers["Cache-Control"] = "no-store"
        if self.secure:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        return response

    def _set(self, response: AnyResponse, name: str, value: str, *, max_age: int) -> AnyResponse:
        response.set_cookie(
            name, value, max_age=max_age, secure=self.secure, httponly=True, samesite="Lax", path="/"
        )  # fmt: skip
        return response


def network(address: str) -> str:
    """What one household or attacker holds: an IPv4 address, or 64 bits of an IPv6 one."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if found.version == 4:
        return str(found)
    return str(ipaddress.ip_network((found, 64), strict=False))


def sent(name: str) -> str:
    """A field of the form that was sent, its white space plain; empty where it is not in it."""
    return " ".join(request.form.get(name, "").split())


def sent_hours(otherwise: str, *, digits: int, empty: str = "") -> int:
    """Whole hours of the form that was sent; InputError with those words if it says none."""
    given = sent("hours") or empty
    if not re.fullmatch(rf"[0-9]{{1,{digits}}}", given):
        raise InputError(otherwise)
    return int(given)


def plain(status: int, text: str) -> AnyResponse:
    """Answer in one line of text."""
    return Response(f"{text}\n", status=status, mimetype="text/plain")
