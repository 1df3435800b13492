"""The forms of `dashboards.pages.access`: sign in and out, follow a link, passwords, users, links.

Who may post what is the gate's business (`dashboards.access.ROUTES`); nothing here asks again, but
for the unit that a form names.
"""

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from urllib.parse import urlencode, urlsplit

from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboards import words
from dashboards.access import Gate, network
from dashboards.pages import access as pages
from monitor.catalogue import ENGLISH, say
from monitor.errors import InputError
from monitor.store import users
from monitor.store.passwords import BusyError
from monitor.store.record import Record
from monitor.store.users import Reach, Visitor

FRESH_S = 900  # so long after following a link a password is set without the one before
WRONG = "Name or password is not right. Check both and try again."

# --- delay ----------------------------------------------------------------------------------------


class Delay:
    """Growing waits after wrong passwords: for one name from one network, and for a network.

    Nobody else is kept out, whatever a stranger tries. In memory: a restart forgets it, and no
    stranger can make the record grow.
    """

    FREE, FREE_NETWORK = 3, 20  # wrong tries without a wait
    LONGEST_S, LONGEST_NETWORK_S = 900, 60
    KEPT = 10_000

    def __init__(self) -> None:
        self._tries: OrderedDict[str, tuple[int, int]] = OrderedDict()

    def wait_s(self, name: str, address: str, now_s: int) -> int:
        """Seconds to wait before the next try; 0: none."""
        net = network(address)
        waits = (
            self._wait_s(self._key(name, net), self.FREE, self.LONGEST_S, now_s),
            self._wait_s(self._key("", net), self.FREE_NETWORK, self.LONGEST_NETWORK_S, now_s),
        )
        return max(waits)

    def failed(self, name: str, address: str, now_s: int) -> None:
        """Count a wrong try."""
        net = network(address)
        for key in (self._key(name, net), self._key("", net)):
            count, last_s = self._tries.pop(key, (0, now_s))
            fresh = now_s - last_s < users.DAY_S
            self._tries[key] = (count + 1 if fresh else 1, now_s)
        while len(self._tries) > self.KEPT:
            self._tries.popitem(last=False)

    def passed(self, name: str, address: str) -> None:
        """Forget what was wrong before the right one."""
        self._tries.pop(self._key(name, network(address)), None)

    def _wait_s(self, key: str, free: int, longest_s: int, now_s: int) -> int:
        count, last_s = self._tries.get(key, (0, 0))
        if count < free:
            return 0
        whole = min(1 << min(count - free, 20), longest_s)
        # no longer than meant, where the clock was set back since
        return max(min(last_s + whole - now_s, whole), 0)

    @staticmethod
    def _key(name: str, net: str) -> str:
        told = f"{name.strip().casefold()}\n{net}"
        return hashlib.sha256(told.encode()).hexdigest()


# --- routes ---------------------------------------------------------------------------------------


def add_routes(server: Flask, gate: Gate) -> None:
    """Add everything that `dashboards.access.ROUTES` lists of these."""
    delay = Delay()
    _add_doors(server, gate, delay)
    _add_follow(server, gate)
    _add_own(server, gate, delay)
    _add_wishes(server, gate)
    _add_links(server, gate)
    _add_users(server, gate)


def is_fresh(visitor: Visitor, now_s: int) -> bool:
    """Whether a visitor just came by a link, and so may set a password without the one before."""
    return visitor.by_link and now_s - visitor.made_s < FRESH_S


def _add_doors(server: Flask, gate: Gate, delay: Delay) -> None:
    @server.get("/login")
    def login() -> AnyResponse:
        if not users.anybody(gate.record.engine):
            return _page(pages.first_user())
        return _page(pages.login(token=gate.token, back=_back(request.args.get("next", ""))))

    @server.post("/login")
    def sign_in() -> AnyResponse:
        name, password = request.form.get("name", ""), request.form.get("password", "")
        back = _back(request.form.get("next", ""))
        trouble, known = _check(gate, delay, name, password)
        if trouble or known is None:
            again = pages.login(token=gate.token, back=back, name=name[:80], trouble=trouble)
            return _page(again, status=429 if trouble != WRONG else 403)
        with gate.change() as record:
            users.refresh_password(record.engine, known, password)
            by = users.Doer(known, gate.now(), request.remote_addr or "")
            session = users.begin(record.engine, known, by=by, was=gate.session_token)
        return gate.hand_session(redirect(back, 303), session)

    @server.post("/logout")
    def sign_out() -> AnyResponse:
        if gate.visitor:
            with gate.change() as record:
                users.end(record.engine, gate.visitor, by=gate.doer())
        storage = request.form.get("waiting") == "0"
        return gate.take_session(redirect("/login", 303), storage=storage)


def _add_follow(server: Flask, gate: Gate) -> None:
    @server.get("/link/<secret>")
    def look(secret: str) -> AnyResponse:
        found = users.link(gate.record.engine, secret, now_s=gate.now())
        if found is None:
            return _page(pages.dead_link(), status=410)
        until = words.when(found.ends_s, "UTC")
        return _page(
            pages.follow(
                found, token=gate.token, path=request.path, until=until, visitor=gate.visitor
            )
        )

    @server.post("/link/<secret>")
    def follow(secret: str) -> AnyResponse:
        with gate.change() as record:
            used = users.follow(record.engine, secret, by=gate.doer(), was=gate.session_token)
        if used is None:
            return _page(pages.dead_link(), status=410)
        link, session = used
        return gate.hand_session(redirect(f"/unit/{link.unit}" if link.unit else "/", 303), session)


def _check(gate: Gate, delay: Delay, name: str, password: str) -> tuple[str, str | None]:
    """What is wrong with a sign-in, in words that say nothing of who exists, or whose it is."""
    now_s, address = gate.now(), request.remote_addr or ""
    if wait_s := delay.wait_s(name, address, now_s):
        return say("Too many tries from here. Try again in {wait_s} s.", wait_s=wait_s), None
    try:
        known = users.check_password(gate.record.engine, name, password)
    except BusyError as error:
        return f"{str(error)[:1].upper()}{str(error)[1:]}.", None
    if known is None:
        delay.failed(name, address, now_s)
        gate.note("sign-in refused")  # not the name: people type passwords there
        return WRONG, None
    delay.passed(name, address)
    return "", known


def _add_own(server: Flask, gate: Gate, delay: Delay) -> None:
    @server.post("/account/password")
    def set_password() -> AnyResponse:
        visitor = gate.visitor
        assert visitor is not None  # the gate let nobody else in  # noqa: S101
        old, new = request.form.get("old", ""), request.form.get("new", "")
        if not is_fresh(visitor, gate.now()):
            trouble, known = _check(gate, delay, visitor.name, old)
            if known is None:
                said = (
                    "Not changed: the password now is not right." if trouble == WRONG else trouble
                )
                return _told("/account", said)
        return _told(
            "/account",
            _done(
                gate,
                lambda record: users.set_password(
                    record.engine, visitor.name, new, by=gate.doer(), keep=visitor.session_id
                ),
                "Your password is set.",
            ),
        )


def _add_wishes(server: Flask, gate: Gate) -> None:
    @server.post("/account/wishes")
    def set_wishes() -> AnyResponse:
        visitor = gate.visitor
        assert visitor is not None  # the gate let nobody else in  # noqa: S101
        fahrenheit, twelve_hour = (request.form.get(n) == "1" for n in ("fahrenheit", "twelve"))
        return _told(
            "/account",
            _done(
                gate,
                lambda record: users.set_wishes(
                    record.engine,
                    visitor.name,
                    fahrenheit=fahrenheit,
                    twelve_hour=twelve_hour,
                    colours=request.form.get("colours", ""),
                    language=request.form.get("language", ENGLISH),
                ),
                "Kept.",
            ),
        )


def _add_links(server: Flask, gate: Gate) -> None:
    @server.post("/links/add")
    def add_link() -> AnyResponse:
        unit, days = request.form.get("unit", ""), request.form.get("days", "")
        if unit not in gate.sight.units:
            return _told("/links", say("No link made: there is no unit “{unit}”.", unit=unit[:40]))
        try:
            with gate.change() as record:
                secret = users.make_unit_link(
                    record.engine, unit, days=int(days) if days.isdecimal() else 0, by=gate.doer()
                )
        except InputError as error:
            return _told("/links", say("No link made: {error}.", error=error))
        about = say("It shows {unit} and its proofs for {days} days.", unit=unit, days=days)
        return _page(pages.made(_address(secret), about=about, back="/links"))

    @server.post("/links/end")
    def end_link() -> AnyResponse:
        number = request.form.get("number", "")
        found = users.links(gate.record.engine, now_s=gate.now())
        if number not in {str(link.number) for link in found if link.unit in gate.sight.units}:
            return _told("/links", "There is no such link to end.")
        said = _done(
            gate,
            lambda record: users.revoke(record.engine, int(number), by=gate.doer()),
            "Link ended.",
        )
        return _told("/links", said)


def _add_users(server: Flask, gate: Gate) -> None:
    @server.post("/users/add")
    def add_user() -> AnyResponse:
        name, role = request.form.get("name", ""), request.form.get("role", "")
        try:
            reach = _reach(gate, request.form.get("reach", ""))
            with gate.change() as record:
                users.add(
                    record.engine, name, role=role, reach=reach, password=None, by=gate.doer()
                )
        except InputError as error:
            return _told("/users", say("Not added: {error}.", error=error))
        return _sign_in_link(gate, name)

    @server.post("/users/link")
    def link_user() -> AnyResponse:
        try:
            return _sign_in_link(gate, request.form.get("name", ""))
        except InputError as error:
            return _told("/users", say("No link made: {error}.", error=error))

    @server.post("/users/sessions")
    def end_sessions() -> AnyResponse:
        name = request.form.get("name", "")
        said = _done(
            gate,
            lambda record: users.end_all(record.engine, name, by=gate.doer()),
            say("All sessions of {name} are ended.", name=name[:80]),
        )
        return _told("/users", said)

    @server.post("/users/remove")
    def remove_user() -> AnyResponse:
        name = request.form.get("name", "")
        if gate.visitor and users.is_same(name, gate.visitor.name):
            return _told("/users", "You cannot remove yourself; somebody else can.")
        said = _done(
            gate,
            lambda record: users.remove(record.engine, name, by=gate.doer()),
            say("{name} is removed.", name=name[:80]),
        )
        return _told("/users", said)


# --- answers --------------------------------------------------------------------------------------


def _reach(gate: Gate, text: str) -> Reach:
    """Sites and units from their codes; nothing written means everything."""
    codes = {part.strip() for part in text.split(",") if part.strip()}
    if not codes:
        return Reach(whole=True)
    sites = codes & {site.code for site in gate.record.sites()}
    return Reach(sites=frozenset(sites), units=frozenset(codes - sites))


def _sign_in_link(gate: Gate, name: str) -> AnyResponse:
    with gate.change() as record:
        secret = users.make_sign_in(record.engine, name, by=gate.doer())
    about = say(
        "It signs {strip} in once, within {sign_in_s} hours.",
        strip=name.strip(),
        sign_in_s=users.SIGN_IN_S // 3600,
    )
    return _page(pages.made(_address(secret), about=about, back="/users"))


def _address(secret: str) -> str:
    return f"{request.host_url}link/{secret}"


def _done(gate: Gate, change: Callable[[Record], None], said: str) -> str:
    """Change something; what to tell of it."""
    try:
        with gate.change() as record:
            change(record)
    except (InputError, BusyError) as error:
        return say("Not done: {error}.", error=error)
    return said


def _told(path: str, said: str) -> AnyResponse:
    return redirect(f"{path}?{urlencode({'note': said})}", code=303)


def _back(path: str) -> str:
    """Where to go after signing in: a page of this board, never another place."""
    parts = urlsplit(path.replace("\\", "/"))
    inside = path.startswith("/") and not path.startswith("//")
    return path if inside and not parts.scheme and not parts.netloc and path.isprintable() else "/"


def _page(text: str, *, status: int = 200) -> AnyResponse:
    return Response(text, status=status, mimetype="text/html")
