"""Who may see and do what: each route with each role, sessions, passwords, links, the log."""

import os
import re
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
import typer
from dash import Dash
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from dashboards import access
from dashboards.__main__ import _forwarded
from dashboards.access import ROUTES, network
from dashboards.app import make_app, page
from dashboards.pages import access as access_pages
from dashboards.signin import Delay, _back
from dashboards.words import as_wished, wish
from monitor.errors import InputError, StoreError
from monitor.judge.limits import change
from monitor.lot import Event, Unit
from monitor.store import checking, passwords, people, users
from monitor.store.people import Person
from monitor.store.record import open_record
from monitor.store.users import DAY_S, Doer, Reach
from tests.filled import NOW_S, filled_record
from tests.hostile import HOSTILE
from tests.signed import WHOLE, session, sight
from tests.test_pages import drawn

GOOD = "kept four dry walls"  # a password
BY = Doer("test", NOW_S)
ORIGIN = {"Origin": "http://localhost"}

# what each role may do, written down here a second time, by hand
MAY = {
    "owner": "lot unit living alarms proof chain acknowledge round seals seal bench place links users log people settings change account",
    "lot lead": "lot unit alarms proof chain acknowledge round seals seal bench place links people settings change account",
    "technician": "lot unit alarms proof chain acknowledge round seals seal bench place account",
    "sales": "lot unit proof seals links account",
    "auditor": "lot unit alarms proof chain seals log people settings account",
    "verifier": "unit proof",
}
NOBODY = ("anonymous", "removed user", "stale session", "old session", "expired link",
          "revoked link", "made-up cookie")  # fmt: skip

# address of each route, as a person asks for it, and what it needs
ASKED = {
    "/assets/<path:filename>": ("GET", "/assets/board.css", "open"),
    "/login": ("GET", "/login", "open"),
    "/metrics": ("GET", "/metrics", "by token"),
    "/link/<secret>": ("GET", "/link/nothing", "open"),
    "/claim/<secret>": ("GET", "/claim/nothing", "open"),
    "/": ("GET", "/", "signed in"),
    "/<path:path>": ("GET", "/unit/van-wet", "signed in"),
    "/_dash-layout": ("GET", "/_dash-layout", "signed in"),
    "/_dash-dependencies": ("GET", "/_dash-dependencies", "signed in"),
    "/_dash-update-component": ("POST", "/_dash-update-component", "signed in"),
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>": (
        "GET", "/_dash-component-suites/dash/deps/react@18.js", "signed in"),
    "/_reload-hash": ("GET", "/_reload-hash", "signed in"),
    "/_favicon.ico": ("GET", "/_favicon.ico", "signed in"),
    "/logout": ("POST", "/logout", "signed in"),
    "/account/password": ("POST", "/account/password", "account"),
    "/account/wishes": ("POST", "/account/wishes", "account"),
    "/links/add": ("POST", "/links/add", "links"),
    "/links/end": ("POST", "/links/end", "links"),
    "/users/add": ("POST", "/users/add", "users"),
    "/users/remove": ("POST", "/users/remove", "users"),
    "/users/sessions": ("POST", "/users/sessions", "users"),
    "/users/link": ("POST", "/users/link", "users"),
    "/users/forget": ("POST", "/users/forget", "users"),
    "/alarms/<int:alarm_id>/acknowledge": ("POST", "/alarms/99/acknowledge", "acknowledge"),
    "/alarms/<int:alarm_id>/shelve": ("POST", "/alarms/99/shelve", "acknowledge"),
    "/alarms/<int:alarm_id>/inspect": ("POST", "/alarms/99/inspect", "acknowledge"),
    "/alarms/<int:alarm_id>/out-of-service": ("POST", "/alarms/99/out-of-service", "acknowledge"),
    "/holds/add": ("POST", "/holds/add", "acknowledge"),
    "/holds/<int:hold_id>/end": ("POST", "/holds/99/end", "acknowledge"),
    "/export/unit/<unit>/zone/<zone>/<kind>.csv": (
        "GET", "/export/unit/van-wet/zone/off-rear-low/hours.csv", "unit"),
    "/export/site/<site>/zone/<zone>/<kind>.csv": (
        "GET", "/export/site/yard/zone/outside/hours.csv", "lot"),
    "/begin/<step>": ("POST", "/begin/site", "change"),
    "/export/proof/<unit>/<zone>/<int:repaired_s>.zip": (
        "GET", "/export/proof/van-wet/off-rear-low/5.zip", "proof"),
    "/document/morning": ("GET", "/document/morning", "lot"),
    "/document/<kind>/<unit>": ("GET", "/document/sale/van-wet", "unit"),
    "/photo/<unit>/<digest>.jpg": ("GET", "/photo/van-wet/0.jpg", "unit"),
    "/limits/change": ("POST", "/limits/change", "change"),
    "/limits/undo": ("POST", "/limits/undo", "change"),
    "/people/change": ("POST", "/people/change", "change"),
    "/unit/<unit>/note": ("POST", "/unit/van-wet/note", "living"),
    "/round": ("GET", "/round", "round"),
    "/round/<unit>": ("GET", "/round/van-wet", "round"),
    "/round-worker.js": ("GET", "/round-worker.js", "open"),
    "/round-data": ("GET", "/round-data", "round"),
    "/round-token": ("GET", "/round-token", "round"),
    "/round-send": ("POST", "/round-send", "round"),
    "/unit/<unit>/findings/withdraw": ("POST", "/unit/van-wet/findings/withdraw", "round"),
    "/unit/<unit>/lists/<act>": ("POST", "/unit/van-wet/lists/begin", "acknowledge"),
    "/unit/<unit>/leave/<act>": ("POST", "/unit/van-wet/leave/sold", "change"),
    "/unit/<unit>/seals/<act>": ("POST", "/unit/van-wet/seals/look", "seal"),
    "/unit/<unit>/seals.ics": ("GET", "/unit/van-wet/seals.ics", "seals"),
    "/bench/point": ("POST", "/bench/point", "bench"),
    "/bench/back": ("POST", "/bench/back", "bench"),
    "/bench/undo": ("POST", "/bench/undo", "bench"),
    "/move/<act>": ("POST", "/move/place", "place"),
    "/proof/<unit>/open": ("POST", "/proof/van-wet/open", "acknowledge"),
    "/proof/<unit>/<zone>/<int:repaired_s>/<act>": (
        "POST", "/proof/van-wet/off-rear-low/5/photo", "acknowledge"),
}  # fmt: skip
PAGES = {
    "/": "lot",
    "/morning": "lot",
    "/alarms": "alarms",
    "/load": "alarms",
    "/seals": "seals",
    "/proof": "proof",
    "/chain": "chain",
    "/nodes": "chain",
    "/bench": "bench",
    "/move": "place",
    "/links": "links",
    "/users": "users",
    "/log": "log",
    "/people": "people",
    "/settings": "settings",
    "/begin": "change",
    "/account": "account",
    "/unit/van-wet": "unit",
    "/unit/van-wet/zone/off-rear-low": "unit",
    "/unit/van-wet/living": "living",
    "/unit/van-wet/lists": "acknowledge",
    "/unit/van-wet/leave": "change",
    "/unit/van-wet/seals": "seals",
    "/unit/van-wet/handover": "proof",
    "/proof/van-wet": "acknowledge",
    "/site/yard/zone/outside": "lot",
    "/proof/van-wet/off-rear-low/5": "proof",
}


@dataclass
class Yard:
    """A record and its board."""

    home: Path
    app: Dash
    now_s: int = NOW_S

    def client(self, secret: str = "", *, cookie: str = "sillkeep") -> FlaskClient:
        made = self.app.server.test_client()
        if secret:
            made.set_cookie(cookie, secret)
        return made

    def somebody(self, who: str) -> FlaskClient:
        """A client of a role, or of one of those who are nobody any more."""
        if who in MAY and who != "verifier":
            return self.client(session(self.home, now_s=self.now_s, role=who))
        return self.client(getattr(self, "_" + who.replace(" ", "_").replace("-", "_"))())

    def link(self, unit: str = "van-wet", days: int = 1, by: Doer = BY) -> str:
        with open_record(self.home) as record:
            return users.make_unit_link(record.engine, unit, days=days, by=by)

    def followed(self, secret: str) -> str:
        with open_record(self.home) as record:
            used = users.follow(record.engine, secret, by=Doer("", self.now_s))
            assert used is not None
            return used[1]

    def _verifier(self) -> str:
        return self.followed(self.link())

    def _anonymous(self) -> str:
        return ""

    def _made_up_cookie(self) -> str:
        return "A" * 32

    def _removed_user(self) -> str:
        secret = session(self.home, now_s=NOW_S, name="Gone")
        with open_record(self.home) as record:
            users.remove(record.engine, "Gone", by=BY)
        return secret

    def _stale_session(self) -> str:
        return session(self.home, now_s=NOW_S - users.IDLE_S, name="Idle")

    def _old_session(self) -> str:
        secret = session(self.home, now_s=NOW_S - users.WHOLE_S, name="Old")
        with open_record(self.home) as record, record.engine.begin() as db:
            db.execute(text(f"UPDATE session SET seen_s = {NOW_S} WHERE made_s < {NOW_S}"))
        return secret

    def _expired_link(self) -> str:
        early = Doer("test", NOW_S - DAY_S)
        secret = self.link(days=1, by=early)
        with open_record(self.home) as record:
            used = users.follow(record.engine, secret, by=Doer("", NOW_S - 60))
            assert used is not None
            return used[1]

    def _revoked_link(self) -> str:
        secret = self.followed(self.link())
        with open_record(self.home) as record:
            number = max(link.number for link in users.links(record.engine, now_s=NOW_S))
            users.revoke(record.engine, number, by=BY)
        return secret


def make_yard(home: Path, *, secure: bool = False) -> Yard:
    record = open_record(home, read_only=True)
    yard = Yard(home, None)  # type: ignore[arg-type]
    yard.app = make_app(
        record, now=lambda: yard.now_s, change=lambda: open_record(home), secure=secure
    )
    return yard


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    home = tmp_path_factory.mktemp("yard")
    filled_record(home, days=2).close()
    session(home, now_s=NOW_S, name="Somebody")
    return make_yard(home)


@pytest.fixture
def yard(tmp_path: Path) -> Yard:
    filled_record(tmp_path, days=2).close()
    session(tmp_path, now_s=NOW_S, name="Somebody")
    return make_yard(tmp_path)


def form_token(client: FlaskClient) -> str:
    """Token of the forms that a client is shown, wherever it is."""
    outside = client.get("/").status_code == 303
    return token_in(client.get("/login").text if outside else drawn(client, "/account"))


def token_in(shown: str) -> str:
    field = re.search(r'<input[^>]*name="token"[^>]*>', shown)[0]
    return re.search(r'value="([0-9a-f]{64})"', field)[1]


def post(client: FlaskClient, path: str, headers: dict[str, str] | None = None, **sent: str):
    return client.post(
        path, data={"token": form_token(client)} | sent, headers=ORIGIN if headers is None else headers
    )  # fmt: skip


# --- the matrix -----------------------------------------------------------------------------------


def test_every_route_of_the_server_is_in_the_table_and_no_other(shared: Yard) -> None:
    rules = {rule.rule for rule in shared.app.server.url_map.iter_rules()}
    assert rules == set(ROUTES), "say in dashboards.access.ROUTES what a new route needs"
    assert rules == set(ASKED)


def test_a_route_that_was_forgotten_in_the_table_is_closed_to_everybody(yard: Yard) -> None:
    yard.app.server.add_url_rule("/new", "new", lambda: "all of it", methods=["GET", "POST"])
    for who in ("owner", "verifier"):
        client = yard.somebody(who)
        assert client.get("/new").status_code == 403
        assert client.post("/new", json={}).status_code == 403
    assert yard.client().get("/new").status_code == 303
    assert yard.client().post("/new", json={}).status_code == 401


def test_only_the_page_itself_answers_callbacks(shared: Yard) -> None:
    assert list(shared.app.callback_map) == [
        "..page.children...fresh.data-stills...fresh.data-charts.."
    ], "a callback that reads the record needs the gate: see dashboards.app.page"


def asked_for(client: FlaskClient, method: str, path: str):
    if path == "/_dash-update-component":
        return client.post(path, json={"output": "nothing"})
    return client.get(path) if method == "GET" else post(client, path)


@pytest.mark.parametrize("who", [*MAY, *NOBODY])
def test_each_route_answers_each_role_as_the_table_says(shared: Yard, who: str) -> None:
    allowed = {"open", "signed in", *MAY.get(who, "").split()} if who in MAY else {"open"}
    for rule, (method, path, need) in ASKED.items():
        client = shared.somebody(who)  # anew for each: some routes end the session
        answer = asked_for(client, method, path)
        told = f"{who} {method} {path}: {answer.status_code}"
        answer.close()
        if need == "by token":
            assert answer.status_code == 404, told  # no token is set: tests/test_metrics.py has one
        elif need in allowed:
            assert answer.status_code not in {401, 403, 421}, told
            assert not answer.headers.get("Location", "").startswith("/login?next"), told
        elif who in MAY:
            assert answer.status_code == 403, told
        elif method == "GET" and not path.startswith("/_dash"):
            assert answer.status_code == 303, told
            assert answer.location.startswith("/login"), told
        else:
            assert answer.status_code == 401, told
        assert rule in ROUTES


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "HEAD"])
def test_no_method_on_no_path_leads_past_the_gate(shared: Yard, method: str) -> None:
    for path in ("/", "/x", "/unit/van-wet", "/_dash-layout", "/_dash-update-component", "/alarms",
                 "//", "/%2e%2e/login", "/assets/../_dash-layout", "/login/../", "/x.js", "/LOGIN"):  # fmt: skip
        answer = shared.client().open(path, method=method)
        answer.close()
        asks_what_it_may = method == "OPTIONS" and path.startswith("/assets/")
        assert answer.status_code in {303, 308, 401, 404} or asks_what_it_may, (method, path)
        assert "off-rear-low" not in answer.text


@pytest.mark.parametrize("who", MAY)
def test_each_page_opens_to_each_role_as_the_table_says(shared: Yard, who: str) -> None:
    client = shared.somebody(who)
    for path, need in PAGES.items():
        shown = drawn(client, path)
        assert ("Not open to you" in shown) == (need not in MAY[who].split()), (who, path)
    for path, label in (("/alarms", "Alarms"), ("/users", "Users"), ("/log", "Log")):
        assert (f">{label}</a>" in shown) == (PAGES[path] in MAY[who].split())


def test_a_page_that_no_table_knows_is_closed() -> None:
    patterns = [pattern for pattern, _ in access.PAGES]
    assert not any(re.fullmatch(pattern, "/nothing") for pattern in patterns)
    for path in PAGES:
        assert any(re.fullmatch(pattern, path) for pattern in patterns)
    for pattern in patterns:
        assert any(re.fullmatch(pattern, path) for path in PAGES), "try it with each role, above"


# --- units and sites ------------------------------------------------------------------------------


@pytest.mark.parametrize("role", [role for role in MAY if role != "verifier"])
def test_nothing_of_a_unit_out_of_reach_is_on_any_page(shared: Yard, role: str) -> None:
    with open_record(shared.home, read_only=True) as record:
        seen = sight(record, role, Reach(units=frozenset({"van-wet"})))
        for path in [*PAGES, "/unit/van-lost", "/unit/van-lost/zone/door-mid-high", "/proof/van-lost/x/5"]:  # fmt: skip
            asked = wish(path, "", now_s=NOW_S)
            shown = "".join(
                getattr(part, "data-still", "")
                for top in page(record, asked, token="t", sight=seen)
                for part in [top, *top._traverse()]
                if not isinstance(part, str)
            )
            assert "van-dry" not in shown, path
            if "van-lost" in path:
                assert "No unit “van-lost”" in shown
            else:
                assert "van-lost" not in shown, path
                assert "node-5" not in shown


def test_a_user_of_one_unit_gets_no_list_of_users_and_no_log(shared: Yard) -> None:
    with open_record(shared.home, read_only=True) as record:
        part = sight(record, "owner", Reach(units=frozenset({"van-wet"})))
        closed = {"users", "log", "people", "settings", "change"}
        assert sight(record, "owner").acts - part.acts == closed


def test_an_alarm_of_a_unit_out_of_reach_cannot_be_acknowledged(yard: Yard) -> None:
    reach = Reach(units=frozenset({"van-dry"}))
    client = yard.client(session(yard.home, now_s=NOW_S, role="technician", reach=reach))
    assert post(client, "/alarms/1/acknowledge", who="J").status_code == 404
    lead = yard.somebody("lot lead")
    assert "2 not acknowledged" in drawn(lead, "/alarms")


def test_alarms_are_shelved_inspected_and_put_back_by_form(yard: Yard) -> None:
    client = yard.somebody("technician")
    by = {"who": "J. Doe", "why": "wall is open"}
    post(client, "/alarms/1/shelve", hours="4", **by)
    post(client, "/alarms/1/inspect", **by)
    with open_record(yard.home, read_only=True) as record:
        (hold,) = record.holds()
        alarm = next(a for a in record.alarms() if a.alarm_id == 1)
        assert (hold.word, hold.source, hold.who) == ("shelved", alarm.source, "J. Doe")
        assert hold.until_s == hold.began_s + 4 * 3600
        noted = [e for e in record.events(alarm.site, unit=alarm.unit) if e.kind == "inspection"]
        assert [(e.zone, e.value) for e in noted] == [(alarm.zone, "wall is open")]
    assert "1 source held back" in drawn(client, "/alarms")
    post(client, f"/holds/{hold.hold_id}/end", **by)
    post(client, "/holds/add", unit=alarm.unit, zone=alarm.zone, kind="rot",
         word="out of service", **by)  # fmt: skip
    post(client, "/holds/add", unit="nowhere", zone="x", kind="rot", hours="4", **by)
    post(client, "/alarms/1/out-of-service", who="J. Doe", why=" ")  # no reason
    with open_record(yard.home, read_only=True) as record:
        assert [(h.source.kind, h.word) for h in record.holds()] == [("rot", "out of service")]
        lines = users.log(record.engine, limit=4)
    assert [line.act for line in reversed(lines)][1:] == [
        "alarm inspected", "alarm let go", "alarm held back"
    ]  # fmt: skip


def test_a_hold_of_a_unit_out_of_reach_is_neither_ended_nor_made(yard: Yard) -> None:
    lead = yard.somebody("lot lead")
    by = {"who": "J", "why": "r"}
    post(lead, "/alarms/1/out-of-service", **by)
    with open_record(yard.home, read_only=True) as record:
        (hold,) = record.holds()
    reach = Reach(units=frozenset({"van-dry"}))
    client = yard.client(session(yard.home, now_s=NOW_S, role="technician", reach=reach))
    kind, unit, zone = "rot", hold.source.unit, hold.source.zone
    answers = [
        post(client, f"/holds/{hold.hold_id}/end", **by).location,
        post(client, "/holds/999/end", **by).location,
        post(client, "/holds/add", unit=unit, zone=zone, kind=kind, hours="4", **by).location,
        post(client, "/holds/add", unit="nowhere", zone="x", kind=kind, hours="4", **by).location,
    ]
    assert answers[0] == answers[1]  # what is out of reach is not told from what is not there
    assert answers[2] == answers[3]
    with open_record(yard.home, read_only=True) as record:
        assert record.holds(every=True) == [hold]
    assert unit not in drawn(client, "/alarms")


def sell(home: Path, unit: str) -> None:
    with open_record(home) as record:
        record.add_unit(Unit(unit, "yard", "Long grey", "A9", life="sold"))


@pytest.mark.parametrize("role", [role for role in MAY if role != "verifier"])
def test_the_lot_sees_of_a_sold_unit_only_that_it_was_theirs(yard: Yard, role: str) -> None:
    sell(yard.home, "van-wet")
    client = yard.somebody(role)
    lot = drawn(client, "/")
    assert "Sold, and not shown any more: van-wet." in lot
    assert lot.count("van-wet") == 1
    for path in ("/unit/van-wet", "/unit/van-wet/zone/off-rear-low", "/proof/van-wet/x/5"):
        shown = drawn(client, path)
        assert "Sold. It stood on this lot" in shown
        assert "wood moisture" not in shown
        assert shown.count("off-rear-low") == 2 * path.count("off-rear-low")  # °C and °F of it
    for path in ("/alarms", "/proof", "/chain", "/nodes", "/morning"):
        assert "van-wet" not in drawn(client, path)
    if "acknowledge" in MAY[role].split():
        assert post(client, "/alarms/1/acknowledge", who="J").status_code == 404


def test_whoever_bought_a_unit_sees_it(yard: Yard) -> None:
    sell(yard.home, "van-wet")
    reach = Reach(units=frozenset({"van-wet"}))
    client = yard.client(session(yard.home, now_s=NOW_S, reach=reach, name="Buyer"))
    assert "off-rear-low" in drawn(client, "/unit/van-wet")
    clerk = session(yard.home, now_s=NOW_S, role="sales", reach=reach, name="Clerk")
    assert "Sold. It stood" in drawn(yard.client(clerk), "/unit/van-wet")


def test_a_link_shows_a_sold_unit_only_if_its_owner_made_it(yard: Yard) -> None:
    before = yard.client(yard.followed(yard.link(by=Doer("Somebody", NOW_S))))
    assert "off-rear-low" in drawn(before, "/unit/van-wet")
    sell(yard.home, "van-wet")
    assert "off-rear-low" not in drawn(before, "/unit/van-wet")
    session(yard.home, now_s=NOW_S, reach=Reach(units=frozenset({"van-wet"})), name="Buyer")
    after = yard.client(yard.followed(yard.link(by=Doer("Buyer", NOW_S))))
    assert "off-rear-low" in drawn(after, "/unit/van-wet")


# --- signing in -----------------------------------------------------------------------------------


def add(home: Path, name: str = "Ann", password: str | None = GOOD, role: str = "owner") -> None:
    with open_record(home) as record:
        users.add(record.engine, name, role=role, reach=WHOLE, password=password, by=BY)


def sign_in(client: FlaskClient, name: str, password: str, **sent: str):
    return post(client, "/login", name=name, password=password, **sent)


def test_a_board_without_a_user_shows_how_to_make_the_first_and_nothing_else(
    tmp_path: Path,
) -> None:
    filled_record(tmp_path, days=2).close()
    client = make_yard(tmp_path).client()
    answer = client.get("/unit/van-wet", follow_redirects=True)
    assert "sillkeep user add YOUR-NAME --role owner" in answer.text
    assert "van-wet" not in answer.text.replace("/unit/van-wet", "")
    assert client.post("/login", data={}, headers=ORIGIN).status_code == 403
    assert client.get("/_dash-layout").status_code == 401


def test_a_person_signs_in_lands_where_they_were_going_and_signs_out(yard: Yard) -> None:
    add(yard.home)
    client = yard.client()
    assert client.get("/unit/van-wet?f=1").location == "/login?next=%2Funit%2Fvan-wet%3Ff%3D1"
    answer = sign_in(client, " ANN ", GOOD, next="/unit/van-wet?f=1")
    assert (answer.status_code, answer.location) == (303, "/unit/van-wet?f=1")
    assert "Signed in: Ann, owner" in drawn(client, "/")
    assert post(client, "/logout").location == "/login"
    assert client.get("/_dash-layout").status_code == 401


def test_a_session_is_new_at_each_sign_in_and_the_one_before_ends(yard: Yard) -> None:
    add(yard.home)
    planted = session(yard.home, now_s=NOW_S, role="sales")
    client = yard.client(planted)
    answer = sign_in(client, "Ann", GOOD)
    given = re.search(r"sillkeep=([\w-]+);", answer.headers["Set-Cookie"])[1]
    assert given != planted
    assert len(given) * 6 >= 128  # characters of base64
    assert yard.client(planted).get("/_dash-layout").status_code == 401
    assert client.get("/_dash-layout").status_code == 200


def test_wrong_password_unknown_user_and_user_without_password_are_answered_alike(
    yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(yard.home)
    add(yard.home, "Bo", None)
    compared = []

    class Counting:
        def verify(self, kept: str, password: str) -> bool:
            compared.append(kept[:40])
            return hasher.verify(kept, password)

        def __getattr__(self, name: str) -> object:
            return getattr(hasher, name)

    hasher = passwords._hasher
    monkeypatch.setattr(passwords, "_hasher", Counting())
    answers = [
        (answer.status_code, answer.text.replace(name, ""))
        for name in ("Ann", "Nobody", "Bo")
        for answer in [sign_in(yard.client(), name, "wrong wrong")]
    ]
    bodies = {re.sub('value="[^"]*"', "", body) for _, body in answers}
    assert {status for status, _ in answers} == {403}
    assert len(bodies) == 1
    assert "Name or password is not right" in bodies.pop()
    assert len(compared) == 3  # the same work for each
    assert len({kept.split("$")[3] for kept in compared}) == 1  # with the same parameters


@pytest.mark.parametrize(
    "back",
    ["https://elsewhere.invalid/", "//elsewhere.invalid", "/\\elsewhere.invalid", "\\\\x", "x",
     "javascript:alert(1)", "/a\r\nSet-Cookie: x=1", "/\t/elsewhere.invalid"],
)  # fmt: skip
def test_signing_in_leads_nowhere_else(back: str) -> None:
    assert _back(back) == "/"


def test_tries_wait_longer_and_longer_and_only_where_they_were_wrong(yard: Yard) -> None:
    add(yard.home)
    client = yard.client()
    waits = []
    for _ in range(9):
        answer = sign_in(client, "Ann", "wrong wrong")
        while answer.status_code == 429:
            waits.append(int(re.search(r"again in (\d+) s", answer.text)[1]))
            yard.now_s += waits[-1]
            answer = sign_in(client, "Ann", "wrong wrong")
        assert answer.status_code == 403
    assert waits == [1, 2, 4, 8, 16, 32]
    assert sign_in(client, "Ann", GOOD).status_code == 429  # from here, even the right one waits
    elsewhere = yard.client()
    elsewhere.environ_base["REMOTE_ADDR"] = "192.0.2.7"
    assert sign_in(elsewhere, "Ann", GOOD).status_code == 303  # no stranger locks anybody out
    yard.now_s += 64
    assert sign_in(client, "Ann", GOOD).status_code == 303


def test_one_network_cannot_go_through_names_and_a_delay_stays_small_and_bounded() -> None:
    delay = Delay()
    for number in range(25):
        delay.failed(f"name {number}", "192.0.2.7", NOW_S)
    assert 0 < delay.wait_s("Ann", "192.0.2.7", NOW_S) <= Delay.LONGEST_NETWORK_S
    assert delay.wait_s("Ann", "192.0.2.8", NOW_S) == 0
    for _ in range(100):
        delay.failed("Ann", "2001:db8::1", NOW_S)
    assert delay.wait_s("ann ", "2001:db8::ffff", NOW_S) == Delay.LONGEST_S
    day_before_s = NOW_S - 86_400  # the clock was set back
    assert delay.wait_s("ann ", "2001:db8::ffff", day_before_s) == Delay.LONGEST_S
    delay.KEPT = 50
    for number in range(200):
        delay.failed("x", f"198.51.100.{number}", NOW_S)
    assert len(delay._tries) <= 50
    assert network("not an address") == "not an address"


# --- passwords ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("password", "fits"),
    [
        ("short 7", False),
        ("password", False),
        ("Password1", False),
        ("qwertyuiop", False),
        ("1234567890", False),
        ("aaaaaaaaaaaa", False),
        ("sillkeep2026!", False),
        ("annette 1", False),
        ("wall stove river", True),
        ("x" * 32 + "y" * 16 + "z" * 16, True),  # 64 characters
        ("w" * 100 + "a b" * 52, True),  # 256
        ("no digit no capital", True),
        ("Überströmung", True),
        ("a" * 257, False),
    ],
)
def test_what_may_be_chosen_follows_length_and_guessing_not_kinds_of_characters(
    password: str, fits: bool
) -> None:
    # OWASP ASVS 5.0, V6.2.1 (at least 8), V6.2.9 (at least 64 allowed), V6.2.5 (no rules of
    # composition), V6.2.4 and V6.2.11 (common and context words): numbers from memory.
    if fits:
        passwords.check_choice(password, name="Annette")
        return
    with pytest.raises(InputError):
        passwords.check_choice(password, name="Annette")


def test_the_list_of_common_passwords_has_more_than_the_three_thousand_that_are_asked_for() -> None:
    # OWASP ASVS 5.0, V6.2.4: at least the top 3000 that match the policy on length.
    assert sum(len(word) >= passwords.LEAST for word in passwords._common()) > 3000


@given(st.text(min_size=8, max_size=20), st.text(min_size=1, max_size=3))
def test_a_password_counts_as_typed(password: str, more: str) -> None:
    cheap = passwords.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    kept = cheap.hash(password)
    assert passwords.matches(kept, password)
    assert not passwords.matches(kept, password + more)
    assert not passwords.matches(kept, password[:-1])


def test_passwords_are_kept_as_argon2id_within_a_small_board_s_memory() -> None:
    # RFC 9106, section 3.1: type 2, argon2id. OWASP Password Storage Cheat Sheet: at least
    # m = 19 MiB, t = 2, p = 1 (from memory); above 64 MiB a small board would swap.
    kept = passwords.digest(GOOD)
    found = re.fullmatch(r"\$argon2id\$v=19\$m=(\d+),t=(\d+),p=(\d+)\$.*", kept)
    memory, passes, lanes = map(int, found.groups())
    assert 19 * 1024 <= memory <= 64 * 1024
    assert passes >= 2
    assert lanes == 1
    assert not passwords.is_outdated(kept)
    assert passwords.digest(GOOD) != kept  # a salt of its own


def test_a_password_kept_with_weaker_parameters_is_kept_anew_when_it_is_typed(yard: Yard) -> None:
    add(yard.home)
    weak = passwords.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(GOOD)
    with open_record(yard.home) as record:
        with record.engine.begin() as db:
            db.execute(
                text("UPDATE account SET password = :kept WHERE key = 'ann'"), {"kept": weak}
            )
        assert sign_in(yard.client(), "Ann", GOOD).status_code == 303
        with record.engine.connect() as db:
            kept = db.execute(text("SELECT password FROM account WHERE key = 'ann'")).scalar()
    assert not passwords.is_outdated(kept)
    assert passwords.matches(kept, GOOD)


def test_a_crowd_at_the_door_is_told_to_wait(monkeypatch: pytest.MonkeyPatch, yard: Yard) -> None:
    monkeypatch.setattr(passwords, "WAIT_S", 0.01)
    with passwords._turn:
        answer = sign_in(yard.client(), "Ann", GOOD)
    assert answer.status_code == 429
    assert "try again in a minute" in answer.text


def test_a_password_is_changed_with_the_one_before_and_ends_the_other_sessions(yard: Yard) -> None:
    add(yard.home)
    here, there = yard.client(), yard.client()
    for client in (here, there):
        assert sign_in(client, "Ann", GOOD).status_code == 303
    other = "five tight windows"
    said = [
        post(here, "/account/password", old=old, new=new).location
        for old, new in (("wrong wrong", other), (GOOD, "short"), (GOOD, other))
    ]
    assert "password+now+is+not+right" in said[0]
    assert "8+to+256" in said[1]
    assert said[2] == "/account?note=Your+password+is+set."
    assert here.get("/_dash-layout").status_code == 200
    assert there.get("/_dash-layout").status_code == 401
    assert sign_in(yard.client(), "Ann", GOOD).status_code == 403
    assert sign_in(yard.client(), "Ann", other).status_code == 303


# --- links ----------------------------------------------------------------------------------------


def test_a_sign_in_link_works_once_after_a_button_and_lets_a_password_be_set(yard: Yard) -> None:
    add(yard.home, "Bo", None, "sales")
    with open_record(yard.home) as record:
        path = f"/link/{users.make_sign_in(record.engine, 'bo', by=BY)}"
    for _ in range(2):  # a preview of the link does not use it up
        assert "Sign in as Bo" in yard.client().get(path).text
    client = yard.client()
    assert post(client, path).location == "/"
    assert "Signed in: Bo, sales" in drawn(client, "/")
    assert post(yard.client(), path).status_code == 410
    assert yard.client().get(path).status_code == 410
    assert post(client, "/account/password", new=GOOD).location.endswith("is+set.")
    assert sign_in(yard.client(), "Bo", GOOD).status_code == 303
    yard.now_s += 3600
    assert "not+right" in post(client, "/account/password", new="four other walls").location


def test_a_link_of_a_unit_shows_that_unit_until_its_time_is_up_or_it_is_ended(yard: Yard) -> None:
    path = f"/link/{yard.link(days=3)}"
    assert "van-wet" in yard.client().get(path).text
    client = yard.client()
    assert post(client, path).location == "/unit/van-wet"
    assert "off-rear-low" in drawn(client, "/unit/van-wet")
    for other in ("/unit/van-dry", "/unit/van-dry/zone/air-main", "/proof/van-dry/x/5"):
        assert "No unit" in drawn(client, other)
    assert "Not open to you" in drawn(client, "/")
    assert "Not open to you" in drawn(client, "/account")
    yard.now_s += 3 * DAY_S
    assert client.get("/_dash-layout").status_code == 401
    assert yard.client().get(path).status_code == 410


def test_links_and_users_are_made_and_ended_on_their_pages(yard: Yard) -> None:
    owner = yard.somebody("owner")
    made = post(owner, "/links/add", unit="van-dry", days="2").text
    path = re.search(r"http://localhost(/link/[\w-]{32})", made)[1]
    guest = yard.client()
    assert post(guest, path).location == "/unit/van-dry"
    assert re.search(r"<b>van-dry</b>.*used 0 s ago", drawn(owner, "/links"))
    number = re.search(r"End link (\d+), van-dry", drawn(owner, "/links"))[1]
    assert "no+such+link" in post(owner, "/links/end", number="77").location
    assert "Link+ended" in post(owner, "/links/end", number=number).location
    assert guest.get("/_dash-layout").status_code == 401
    for days in ("0", "367", "x", "-1", "9" * 40):
        assert "No+link+made" in post(owner, "/links/add", unit="van-dry", days=days).location
    assert "no+unit" in post(owner, "/links/add", unit="nix", days="1").location

    made = post(owner, "/users/add", name="Cy", role="technician", reach="van-dry, yard").text
    assert re.search(r"http://localhost/link/[\w-]{32}", made)
    assert "Technician, sees yard, van-dry. No password yet." in drawn(owner, "/users")
    assert "user+%22cy%22+already" in post(owner, "/users/add", name="cy", role="sales").location
    assert "no+role" in post(owner, "/users/add", name="Di", role="root").location
    assert "no+unit" in post(owner, "/users/add", name="Di", role="sales", reach="nix").location
    worker = yard.client(session(yard.home, now_s=NOW_S, name="Cy"))
    assert worker.get("/_dash-layout").status_code == 200
    post(owner, "/users/sessions", name="Cy")
    assert worker.get("/_dash-layout").status_code == 401
    assert "cannot+remove+yourself" in post(owner, "/users/remove", name="OWNER").location
    post(owner, "/users/remove", name="Cy")
    assert "Cy" not in drawn(owner, "/users")


def test_a_user_with_some_units_makes_links_of_those_alone(yard: Yard) -> None:
    reach = Reach(units=frozenset({"van-dry"}))
    client = yard.client(session(yard.home, now_s=NOW_S, role="sales", reach=reach))
    assert "no+unit" in post(client, "/links/add", unit="van-wet", days="1").location
    yard.link("van-wet")
    assert "van-wet" not in drawn(client, "/links")
    with open_record(yard.home) as record:
        number = users.links(record.engine, now_s=NOW_S)[0].number
    assert "no+such+link" in post(client, "/links/end", number=str(number)).location


# --- forms, cookies, headers ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("headers", "token"),
    [
        ({}, None),
        ({"Origin": "null"}, None),
        ({"Origin": "http://elsewhere.invalid"}, None),
        ({"Origin": "http://localhost.elsewhere.invalid"}, None),
        ({"Origin": "http://localhost:81"}, None),
        (ORIGIN | {"Sec-Fetch-Site": "cross-site"}, None),
        (ORIGIN | {"Sec-Fetch-Site": "same-site"}, None),
        (ORIGIN, ""),
        (ORIGIN, "0" * 64),
        (ORIGIN, "\u00e9"),
    ],
)
@pytest.mark.parametrize("path", ["/logout", "/users/add", "/login", "/alarms/1/acknowledge"])
def test_a_form_that_is_not_this_board_s_own_is_refused(
    shared: Yard, path: str, headers: dict[str, str], token: str | None
) -> None:
    client = shared.somebody("owner")
    sent = {} if token is None else {"token": token}
    assert post(client, path, headers, **sent).status_code == 403
    assert client.get("/_dash-layout").status_code == 200


def test_the_token_of_another_browser_is_no_token(shared: Yard) -> None:
    mine, theirs = shared.somebody("owner"), shared.somebody("lot lead")
    sent = {"token": form_token(theirs)}
    assert post(mine, "/logout", **sent).status_code == 403


@pytest.mark.parametrize(
    "headers", [{"Origin": "http://elsewhere.invalid"}, {"Sec-Fetch-Site": "cross-site"}]
)
def test_a_callback_from_another_page_is_refused(shared: Yard, headers: dict[str, str]) -> None:
    client = shared.somebody("owner")
    answer = client.post("/_dash-update-component", json={"output": "x"}, headers=headers)
    assert answer.status_code == 403


def cookies(answer) -> list[str]:
    return answer.headers.getlist("Set-Cookie")


def test_over_tls_cookies_are_of_this_host_alone_and_browsers_stay_with_tls(tmp_path: Path) -> None:
    filled_record(tmp_path, days=2).close()
    add(tmp_path)
    yard = make_yard(tmp_path, secure=True)
    client = yard.client()
    place = {"base_url": "https://board.example"}
    shown = client.get("/login", **place)
    answer = client.post(
        "/login",
        data={"token": token_in(shown.text), "name": "Ann", "password": GOOD},
        headers={"Origin": "https://board.example"},
        **place,
    )
    assert answer.status_code == 303
    for cookie in (*cookies(shown), *cookies(answer)):
        assert cookie.startswith("__Host-sillkeep")
        parts = {part.strip() for part in cookie.split(";")}
        assert {"Secure", "HttpOnly", "Path=/", "SameSite=Lax"} <= parts
        assert "Domain" not in cookie
    assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
    assert client.get("/_dash-layout", **place).status_code == 200


def test_without_tls_the_board_answers_under_the_name_of_this_machine_alone(shared: Yard) -> None:
    client = shared.client()
    for host in ("localhost:8750", "127.0.0.1:8750", "[::1]:8750"):
        assert client.get("/login", headers={"Host": host}).status_code == 200
    for host in ("elsewhere.invalid", "127.0.0.1.elsewhere.invalid", "192.0.2.1", "0.0.0.0:8750"):
        assert client.get("/login", headers={"Host": host}).status_code == 421
    plain = sign_in(shared.client(), "x", "y")
    assert "Strict-Transport-Security" not in plain.headers
    for cookie in cookies(shared.client().get("/login")):
        assert "HttpOnly" in cookie
        assert "SameSite=Lax" in cookie


def test_only_the_named_proxy_s_word_is_taken_for_where_a_request_comes_from() -> None:
    assert _forwarded("") == {}
    assert _forwarded("192.0.2.4")["trusted_proxy"] == "192.0.2.4"
    assert _forwarded("localhost")["trusted_proxy"] == "127.0.0.1"
    assert "x-forwarded-for" in _forwarded("localhost")["trusted_proxy_headers"]


def test_answers_of_the_door_carry_the_guard_and_are_kept_nowhere(shared: Yard) -> None:
    for path in ("/login", "/link/nothing", "/", "/_dash-layout"):
        answer = shared.client().get(path)
        policy = answer.headers["Content-Security-Policy"]
        assert "frame-ancestors 'none'" in policy
        assert "base-uri 'none'" in policy
        assert "http" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "same-origin"
        assert answer.headers["Cache-Control"] == "no-store"


# --- sessions -------------------------------------------------------------------------------------


def test_a_page_that_nobody_touches_does_not_keep_a_session_alive(yard: Yard) -> None:
    client = yard.somebody("owner")

    def visit(changed: str) -> None:
        body = {"output": "x", "changedPropIds": [changed]}
        client.post("/_dash-update-component", json=body)

    yard.now_s += users.IDLE_S - 60
    visit("beat.n_intervals")
    yard.now_s += 60
    assert client.get("/_dash-layout").status_code == 401
    yard.now_s = NOW_S + 10
    client = yard.somebody("owner")
    for _ in range(14):
        yard.now_s += 2 * DAY_S
        visit("address.pathname")
    yard.now_s = NOW_S + 10 + users.WHOLE_S - 60
    visit("address.pathname")
    assert client.get("/_dash-layout").status_code == 200
    yard.now_s += 60
    assert client.get("/_dash-layout").status_code == 401


def test_a_role_taken_away_is_gone_with_the_next_request(yard: Yard) -> None:
    client = yard.somebody("owner")
    assert "Add a user" in drawn(client, "/users")
    with open_record(yard.home) as record, record.engine.begin() as db:
        db.execute(text("UPDATE account SET role = 'sales' WHERE key = 'owner'"))
    assert "Not open to you" in drawn(client, "/users")
    with open_record(yard.home) as record, record.engine.begin() as db:
        db.execute(text("UPDATE account SET role = 'unheard of' WHERE key = 'owner'"))
    assert "Not open to you" in drawn(client, "/")


@pytest.mark.file
def test_the_record_holds_no_secret_that_signs_in(yard: Yard) -> None:
    add(yard.home)
    client = yard.client()
    answer = sign_in(client, "Ann", GOOD)
    given = re.search(r"sillkeep=([\w-]+);", answer.headers["Set-Cookie"])[1]
    link = yard.link()
    sign_in(yard.client(), "typed into the wrong field", "another secret")
    held = b"".join(path.read_bytes() for path in yard.home.iterdir() if path.is_file())
    assert b"Ann" in held
    for secret in (given, link, GOOD, "another secret", "typed into the wrong field"):
        assert secret.encode() not in held, secret


# --- the log --------------------------------------------------------------------------------------


def test_the_log_tells_who_did_what_from_where_and_when(yard: Yard) -> None:
    add(yard.home)
    client = yard.client()
    sign_in(client, "Nobody", "wrong wrong")
    sign_in(client, "Ann", GOOD)
    post(client, "/alarms/1/acknowledge", who="J. Doe")
    post(yard.somebody("sales"), "/users/add", name="x", role="owner")
    post(client, "/logout")
    with open_record(yard.home, read_only=True) as record:
        lines = users.log(record.engine, limit=7)
        assert users.is_log_whole(record.engine)
    told = [(line.who, line.act, line.about) for line in reversed(lines)]
    assert told == [
        ("", "sign-in refused", ""),
        ("Ann", "signed in", ""),
        ("Ann", "alarm acknowledged", "alarm 1, as J. Doe"),
        ("test", "user added", "Sales, sales"),
        ("Sales", "signed in", ""),
        ("Sales", "refused", "POST /users/add"),
        ("Ann", "signed out", ""),
    ]
    assert {line.at_s for line in lines} == {NOW_S}
    assert "127.0.0.1" in {line.address for line in lines}
    owner = yard.somebody("owner")
    assert "alarm 1, as J. Doe" in drawn(owner, "/log")
    assert "No line was changed" in drawn(owner, "/log")


@pytest.mark.parametrize("sql", ["UPDATE audit SET who = 'x'", "DELETE FROM audit"])
def test_the_log_only_grows(yard: Yard, sql: str) -> None:
    grows = pytest.raises(DBAPIError, match="the audit log only grows")
    with open_record(yard.home) as record, grows, record.engine.begin() as db:
        db.execute(text(sql))


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE audit SET who = 'x' WHERE audit_id = 2",
        "UPDATE audit SET at_s = at_s + 1 WHERE audit_id = 1",
        "DELETE FROM audit WHERE audit_id = 2",
        "DELETE FROM audit WHERE audit_id = 1",
    ],
)
def test_a_log_changed_behind_its_back_says_so(yard: Yard, sql: str) -> None:
    add(yard.home)
    with open_record(yard.home) as record:
        assert users.is_log_whole(record.engine)
        with record.engine.begin() as db:
            of = " ON audit" if db.dialect.name == "postgresql" else ""
            for action in ("update", "delete"):
                db.execute(text(f"DROP TRIGGER audit_kept_{action}{of}"))
            assert db.execute(text(sql)).rowcount == 1
        assert not users.is_log_whole(record.engine)
    assert "were changed or taken out" in drawn(yard.somebody("owner"), "/log")


def test_users_are_checked_like_the_rest_of_the_record(yard: Yard) -> None:
    with open_record(yard.home) as record:
        assert checking.check(record.engine, now_s=NOW_S).count == 0
        add(yard.home)
        assert checking.check(record.engine, now_s=NOW_S).count == 0


# --- limits and people ----------------------------------------------------------------------------


def noted(answer) -> str:
    return parse_qs(urlsplit(answer.location).query)["note"][0]


def test_a_limit_is_changed_and_undone_on_the_board_with_who_and_why(yard: Yard) -> None:
    client = yard.somebody("lot lead")
    asked = {"name": "damp_percent", "value": "17,5", "site": "yard", "kind": "", "why": "a barn"}
    done = post(client, "/limits/change", **asked)
    assert noted(done) == "Change 1, wood is damp from, %: 17.5 from this hour on."
    with open_record(yard.home) as record:
        (entry,) = record.limit_entries()
    assert (entry.old, entry.new, entry.site, entry.why) == (16.0, 17.5, "yard", "a barn")
    assert entry.who == "Lot Lead"
    assert (entry.from_hour, entry.recorded_s) == (NOW_S // 3600, NOW_S)
    assert "a barn" in drawn(client, "/settings")
    assert "Undo change 1" in drawn(client, "/settings")
    assert "Undo" not in drawn(yard.somebody("auditor"), "/settings")
    assert "Change 1 is undone" in noted(post(client, "/limits/undo", number="1", why="no barn"))
    assert "Undo change" not in drawn(client, "/settings")
    assert "limit changed" in drawn(yard.somebody("owner"), "/log")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"value": "none"}, "value is no number"),
        ({"value": "1e9"}, "value is no number"),
        ({"value": "50"}, "is outside"),
        ({"name": "settling_h"}, "cannot be changed"),
        ({"site": "moon"}, 'there is no site "moon"'),
        ({"kind": "boat"}, 'there is no unit of kind "boat"'),
        ({"why": " "}, "say why"),
    ],
)
def test_a_change_of_a_limit_that_cannot_be_is_refused_with_the_reason(
    yard: Yard, wrong: dict[str, str], said: str
) -> None:
    asked = {"name": "damp_percent", "value": "17", "site": "", "kind": "", "why": "x"} | wrong
    assert said in noted(post(yard.somebody("owner"), "/limits/change", **asked))
    with open_record(yard.home) as record:
        assert record.limit_entries() == []


def test_when_somebody_is_told_is_changed_on_the_board_and_their_address_is_not(yard: Yard) -> None:
    with open_record(yard.home) as record:
        ann = Person("Ann Lee", "technician", "UTC", added_s=NOW_S)
        people.add(record.engine, yard.home, ann, [("json://hunter22@127.0.0.1/", "json at 127.0.0.1")], by=BY)  # fmt: skip
    client = yard.somebody("owner")
    shown = drawn(client, "/people")
    assert "json at 127.0.0.1" in shown
    assert "hunter22" not in shown
    asked = {"name": "Ann Lee", "from": "21:30", "to": "06:00", "place": "2", "fahrenheit": "1", "twelve": "1"}  # fmt: skip
    assert noted(post(client, "/people/change", **asked)) == "Ann Lee: kept."
    with open_record(yard.home) as record:
        (ann,) = people.listed(record.engine)
        assert list(people.addresses(yard.home).values()) == ["json://hunter22@127.0.0.1/"]
    assert (ann.quiet, ann.place, ann.fahrenheit, ann.twelve_hour) == ((1290, 360), 2, True, True)
    assert "Ann Lee: quiet 20:00 to 07:00" in drawn(client, "/log").replace("&#39;", "'")
    for wrong in ({"place": "0"}, {"from": "25:00"}, {"name": "Bob"}):
        assert "Not changed" in noted(post(client, "/people/change", **(asked | wrong)))
    assert "Change what" not in drawn(yard.somebody("auditor"), "/people")


# --- hostile strings ------------------------------------------------------------------------------


class Shape(HTMLParser):
    """Tags and names of attributes of a page: what a browser would build of it."""

    def __init__(self, shown: str) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[tuple[str, tuple[str, ...]]] = []
        self.links: set[str] = set()
        self.feed(shown)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.parts.append((tag, tuple(name for name, _ in attrs)))
        self.links |= {value or "" for name, value in attrs if name in {"href", "src", "action"}}


HARMLESS = "nothing but letters"
LOOKED_AT = ("/", "/morning", "/alarms", "/load", "/proof", "/chain", "/nodes", "/links", "/users", "/log", "/account",
             "/people", "/settings", "/unit/van-wet", "/unit/van-wet/zone/off-rear-low", "/site/yard/zone/outside")  # fmt: skip


def said_everywhere(home: Path, said: str) -> str:
    """Put a string into every text of a record; the secret of a session."""
    with open_record(home) as record:
        name = f"{len(users.listed(record.engine))} {said}"[: users.NAME_MOST].strip()
        record.add_event("yard", Event(NOW_S, "inspection", said, "van-wet", "off-rear-low"), recorded_s=NOW_S, who=said)  # fmt: skip
        users.add(record.engine, name, role="owner", reach=WHOLE, password=None, by=Doer(said, NOW_S, said))  # fmt: skip
        users.make_unit_link(record.engine, "van-wet", days=2, by=Doer(said, NOW_S, said))
        told = Person(said, "owner", "UTC", labels=(said,), added_s=NOW_S)
        people.add(record.engine, home, told, [("json://127.0.0.1:9/", said)], by=Doer(said, NOW_S))
        changed = change([], name="damp_percent", value=17, site="yard", body_type=said, hour=1)
        record.change_limit(replace(changed, who=said, why=said))
        with record.engine.begin() as db:
            for sql in (
                "UPDATE unit SET name = :x, slot = :x",
                "UPDATE site SET name = :x",
                "UPDATE alarm SET text = :x, cause = :x",
                "UPDATE alarm_step SET who = :x",
                "UPDATE zone SET faces = :x",
                "UPDATE reject SET reason = :x, topic = :x",
            ):
                db.execute(text(sql), {"x": said})
        return users.begin(record.engine, name, by=Doer(name, NOW_S))


@pytest.mark.parametrize("said", [HARMLESS, *HOSTILE])
def test_a_hostile_string_is_shown_as_text_wherever_it_stands(
    tmp_path: Path, said: str, calm_home: Path, calm: dict[str, list]
) -> None:
    home = shutil.copytree(calm_home, tmp_path / "home")
    client = make_yard(home).client(said_everywhere(home, said.replace("\t", " ")))
    rare = said != HARMLESS and HOSTILE.index(said) % 5  # a zone takes half a second
    for path in LOOKED_AT[:-2] if rare else LOOKED_AT:
        shown = drawn(client, path, "?" + urlencode({"note": said, "f": said, "days": said}))
        shape = Shape(shown)
        assert shape.parts == calm[path], (path, said)
        assert all(link.startswith(("/", "data:image/svg+xml")) for link in shape.links)


@pytest.fixture(scope="module")
def calm_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("calm")
    filled_record(home, days=2).close()
    return home


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory, calm_home: Path) -> dict[str, list]:
    """What the pages are built of where all texts are harmless."""
    home = shutil.copytree(calm_home, tmp_path_factory.mktemp("calm") / "home")
    client = make_yard(home).client(said_everywhere(home, HARMLESS))
    return {path: Shape(drawn(client, path, f"?note={HARMLESS}")).parts for path in LOOKED_AT}


@pytest.mark.parametrize("said", HOSTILE)
def test_a_hostile_name_or_address_is_shown_as_text_at_the_door(shared: Yard, said: str) -> None:
    plain_login = Shape(shared.client().get("/login").text).parts
    client = shared.client()
    client.environ_base["REMOTE_ADDR"] = f"192.0.2.{HOSTILE.index(said)}"
    shape = Shape(client.get("/login", query_string={"next": said}).text)
    assert shape.parts == plain_login
    answer = Shape(sign_in(client, said, "wrong wrong", next=said).text)
    login = access_pages.login(token="", back="", name="x", trouble="x")
    assert answer.parts == Shape(login).parts
    dead = shared.client().get("/link/" + said.replace("/", "").replace("?", "").replace("#", ""))
    assert Shape(dead.text).parts == Shape(shared.client().get("/link/x").text).parts


def test_there_are_fifty_of_them() -> None:
    assert len(set(HOSTILE)) == 50


# --- command line ---------------------------------------------------------------------------------


def sillkeep(home: Path, *words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", "user", *words],
        env=os.environ | {"SILLKEEP_HOME": str(home)},
        input=typed,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_the_first_user_is_made_on_the_command_line_and_signs_in(tmp_path: Path) -> None:
    filled_record(tmp_path, days=2).close()
    assert "password" in sillkeep(tmp_path, "add", "Ann", "--role", "owner").stderr
    weak = sillkeep(tmp_path, "add", "Ann", "--role", "owner", typed="password\n")
    assert (weak.returncode, "anybody would try" in weak.stderr) == (2, True)
    assert sillkeep(tmp_path, "add", "Ann", "--role", "owner", typed=f"{GOOD}\n").returncode == 0
    assert "already" in sillkeep(tmp_path, "add", "ann", "--role", "sales", typed=GOOD).stderr
    client = make_yard(tmp_path).client()
    assert sign_in(client, "Ann", GOOD).status_code == 303
    sillkeep(tmp_path, "password", "Ann", typed="five tight windows")
    assert client.get("/_dash-layout").status_code == 401
    shown = sillkeep(tmp_path, "link", "--unit", "van-wet", "--days", "2").stdout
    assert re.fullmatch(r"http://127\.0\.0\.1:8750/link/[\w-]{32}\n", shown)
    listed = sillkeep(tmp_path, "list").stdout
    assert (
        "Ann: owner, sees everything; last seen" in listed
        or "Ann: owner, sees everything" in listed
    )
    assert "link 1 shows van-wet" in listed
    assert sillkeep(tmp_path, "unlink", "1").returncode == 0
    assert sillkeep(tmp_path, "unlink", "1").returncode == 2
    assert sillkeep(tmp_path, "remove", "Ann").returncode == 0
    assert "no user yet" in sillkeep(tmp_path, "list").stdout


def test_no_command_takes_a_password_as_an_option() -> None:
    from monitor.cli.users import user_app

    group = typer.main.get_command(user_app)
    options = {
        name
        for command in group.commands.values()  # type: ignore[attr-defined]
        for parameter in command.params
        for name in parameter.opts
    }
    assert not [name for name in options if "pass" in name]
    assert {"name", "--role", "--site", "--unit"} <= options


@pytest.mark.parametrize("name", ["", "  ", "x" * 81, "two\nlines", "bell\a"])
def test_a_name_that_is_none_is_refused(yard: Yard, name: str) -> None:
    with open_record(yard.home) as record, pytest.raises(InputError, match="one line"):
        users.add(record.engine, name, role="owner", reach=WHOLE, password=None, by=BY)


def test_what_is_read_only_stays_unwritten(yard: Yard) -> None:
    with open_record(yard.home, read_only=True) as record, pytest.raises(StoreError):
        users.note(record.engine, "x", by=BY)


def test_the_demo_s_user_has_no_password_and_a_link_of_its_own(tmp_path: Path) -> None:
    from monitor import demonstration

    filled_record(tmp_path, days=2).close()
    yard = make_yard(tmp_path)
    for _ in range(2):  # a demo that is started again has its user already
        secret = demonstration._sign_in(tmp_path)
        yard.now_s = int(time.time())
        assert "Sign in as demo" in yard.client().get(f"/link/{secret}").text
    with open_record(tmp_path) as record:
        assert [user.has_password for user in users.listed(record.engine)] == [False]


# --- how somebody reads ---------------------------------------------------------------------------


def test_a_scale_and_a_clock_are_each_persons_own_and_stay(yard: Yard) -> None:
    ann = yard.client(session(yard.home, now_s=NOW_S, name="Ann"))
    ben = yard.client(session(yard.home, now_s=NOW_S, name="Ben"))
    zone = "/unit/van-wet/zone/off-rear-low"
    before = drawn(ann, zone)
    assert "°F</dd>" not in before
    post(ann, "/account/wishes", fahrenheit="1", twelve="1")
    shown = drawn(ann, zone)
    assert re.search(r"\d °[CF]", shown)
    assert not re.search(r"\d[ \u00a0\u202f]°C", shown)
    assert re.search(r"20\d\d \d{1,2}:\d\d [AP]M", shown)
    assert not re.search(r"\b20\d\d [012]\d:\d\d\b(?! [AP]M)", shown)
    celsius = drawn(ann, zone, "?f=0")
    assert not re.search(r"\d[ \u00a0\u202f]°F", celsius)
    assert drawn(ben, zone) == before.replace("Ann, owner", "Ben, owner").replace(
        form_token(ann), form_token(ben)
    )
    post(ann, "/account/wishes", fahrenheit="", twelve="")
    assert drawn(ann, zone) == before


@pytest.mark.parametrize(
    ("said", "read"),
    [
        ("at 0 °C and", "at 32 °F and"),
        ("−2.5 °C", "27.5 °F"),
        ("2 to 5 °C", "36 to 41 °F"),
        ("since 2025-11-25 00:05 UTC", "since 2025-11-25 12:05 AM UTC"),
        ("Tue 25 Nov 2025 12:00", "Tue 25 Nov 2025 12:00 PM"),
        ("Tue 25 Nov 2025 23:59.", "Tue 25 Nov 2025 11:59 PM."),
        ("127.0.0.1 8750:30", "127.0.0.1 8750:30"),
        ("below, °C", "below, °C"),
    ],
)
def test_sentences_are_read_in_the_scale_and_by_the_clock_of_a_person(said: str, read: str) -> None:
    asked = wish("/", "", now_s=NOW_S, fahrenheit=True, twelve_hour=True)
    assert as_wished(said, asked) == read
    assert as_wished(said, wish("/", "", now_s=NOW_S)) == said
